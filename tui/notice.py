"""The notice line: the standing trouble if there is one, else the answer to the last key, else nothing."""

from __future__ import annotations

import time

from daq import words
from daq.session import Session
from tui.panels import Line

NOTICE_S = 4.0
"""How long the answer to a key stays (s)."""


def _where(session: Session) -> str | None:
    if not session.away:
        return None
    sentence = words.away(session.other)
    return f"{sentence[0].upper()}{sentence[1:]}."


class Notice(Line):
    """`answer` a key; `tell` what is to be said now."""

    def __init__(self, id: str | None = None) -> None:
        super().__init__(id)
        self._answer = ""
        self._until_s = 0.0

    def answer(self, text: str, seconds: float = NOTICE_S) -> None:
        """`text` stands for some seconds."""
        self._answer, self._until_s = words.printable(text), time.monotonic() + seconds

    def tell(self, session: Session) -> bool:
        """Say it; False when there is nothing to say."""
        trouble = session.error or session.recording.error or _where(session)
        if trouble is not None:
            text, style = words.printable(str(trouble)), "bold reverse"
        else:
            text, style = (self._answer if time.monotonic() < self._until_s else ""), "reverse"
        self.say(*([(f" {text} ", style)] if text else []))
        return bool(text)
