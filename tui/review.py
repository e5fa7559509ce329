"""The review screen: the same dashboard over a recording, at 1x, faster, or from edge to edge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar, Protocol

from textual.binding import BindingType

from daq import words
from daq.errors import WhichsideError
from daq.replay import SPEEDS, Replay
from daq.session import Noted, Session
from tui import keys
from tui.dashboard import Dashboard
from tui.keys import Key
from tui.note import NoteScreen

Play = tuple[Session, Replay]


class Notebook(Protocol):
    """Where notes about a finished recording are kept, apart from what was recorded."""

    def add(self, text: str, at_s: float) -> None:
        """Raises WhichsideError where the recording cannot be written to."""
        ...

    def notes(self) -> Sequence[Noted]: ...


class ReviewScreen(Dashboard):
    """`play` opens the recording anew, at a moment (s): a started session and the replay that paces it.

    Without a `notebook` (a text file has none) there is no key for notes.
    """

    live = False
    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(keys.REVIEW, [keys.NOTE_AFTERWARDS], keys.COMMON)

    def __init__(
        self, play: Callable[[float], Play], notebook: Notebook | None = None, begin_s: float = 0.0
    ) -> None:
        self._play = play
        self._notebook = notebook
        session, self.replay = play(begin_s)
        super().__init__(session)
        self._findings_shown = False

    def mood(self) -> str:
        if self.over:
            return "END OF RECORDING"
        if self.replay.beginning:
            return "on the way there"
        if self.replay.seeking:
            return "looking for the next edge"
        at = words.moment(self.session.latest.time_s)
        return f"PAUSED at {at}" if self.replay.paused else f"replay at {self.replay.speed:g}x, {at}"

    def keys(self) -> Sequence[Key]:
        return (*keys.REVIEW, *([keys.NOTE_AFTERWARDS] if self._notebook else []), *keys.COMMON)

    def notes(self) -> Sequence[Noted]:
        """What was noted while recording and afterwards, in the order of the recording."""
        later = self._notebook.notes() if self._notebook else ()
        return sorted((*super().notes(), *later), key=lambda note: note.at_s or 0.0)

    def pull(self, hurry: bool = False) -> None:
        super().pull(hurry)
        findings = self.session.findings
        if findings is not None and not self._findings_shown and self.session.error is None:
            self._findings_shown = True
            self.action_details()

    def action_pause(self) -> None:
        self.replay.pause(not self.replay.paused)

    def action_slower(self) -> None:
        self._set_speed(-1)

    def action_faster(self) -> None:
        self._set_speed(+1)

    def _set_speed(self, step: int) -> None:
        at = SPEEDS.index(self.replay.speed) + step
        self.replay.set_speed(SPEEDS[min(max(at, 0), len(SPEEDS) - 1)])

    def action_next_edge(self) -> None:
        self.replay.to_next_edge()

    def action_note(self) -> None:
        notebook, at_s = self._notebook, self.session.latest.time_s
        if notebook is None:
            return

        def put(text: str | None) -> None:
            if not text:
                return
            try:
                notebook.add(text, at_s)
            except WhichsideError as error:
                self.notice(str(error))
            else:
                self.notice(f"noted at {words.moment(at_s)}")

        self.app.push_screen(NoteScreen(at_s), put)

    def action_again(self) -> None:
        self.session.close()
        self.session, self.replay = self._play(0.0)
        self._findings_shown = False
