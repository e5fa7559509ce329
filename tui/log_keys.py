"""Keys that put something into the log of a run: marks, notes, what is expected, a recording."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from time import monotonic

from textual.screen import Screen

from daq import words
from daq.errors import WhichsideError
from daq.samples import BASELINE, ChangeKind
from daq.session import Session
from tui.note import NoteScreen
from tui.notice import NOTICE_S

SURE_S = 3.0
"""How soon a key that gives something up must be pressed again (s)."""

_EXPECTATIONS = ("switching", "steady", "automatic", "unknown")


class LogKeys(Screen[None]):
    """For screens over a live `session`; `new_capture` names the file that the record key begins."""

    session: Session
    new_capture: Callable[[], Path]
    _asked = ""  # the key that waits to be pressed again
    _asked_s = 0.0

    def notice(self, text: str, seconds: float = NOTICE_S) -> None:
        """Answer a key: `text` stands for some seconds."""
        raise AssertionError("the screen shows it")

    def refused(self, error: WhichsideError) -> None:
        """Something could not be put into the log."""
        self.notice(str(error))

    def change(self, kind: ChangeKind, value: str, answer: str = "", at_s: float | None = None) -> None:
        """Put it into the log and answer."""
        try:
            self.session.change(kind, value, at_s)
        except WhichsideError as error:
            self.refused(error)
        else:
            if answer:
                self.notice(answer)

    def sure(self, key: str, question: str, seconds: float = SURE_S) -> bool:
        """True when the same key is pressed a second time soon."""
        now_s = monotonic()
        if self._asked == key and now_s - self._asked_s < seconds:
            self._asked = ""
            return True
        self._asked, self._asked_s = key, now_s
        self.notice(question, seconds)
        return False

    def unasked(self, key: str) -> None:
        """The question that this key asked is taken back."""
        if self._asked == key:
            self._asked = ""
            self.notice("", 0.0)

    def action_mark(self, value: str) -> None:
        name = {"other": "the other way"}.get(value, value)
        at = words.moment(self.session.now_s())
        self.change(ChangeKind.MARK, value, f"marked: switched {name} at {at}")

    def action_label(self, label: str) -> None:
        """A labelled mark at this moment."""
        at_s = self.session.now_s()
        self.change(ChangeKind.NOTE, label, f"marked: {label} at {words.moment(at_s)}", at_s)

    def action_note(self) -> None:
        at_s = self.session.now_s()  # the moment of the key, not of the last letter

        def put(text: str | None) -> None:
            if text:
                self.change(ChangeKind.NOTE, text, at_s=at_s)

        self.app.push_screen(NoteScreen(at_s), put)

    def action_expect(self) -> None:
        now = self.session.latest.expectation
        value = _EXPECTATIONS[(_EXPECTATIONS.index(now) + 1) % 4] if now in _EXPECTATIONS else "switching"
        self.change(ChangeKind.EXPECT, value, f"expected now: {value}")

    def action_baseline(self) -> None:
        normal = "noted: the last minute is what is normal; what departs from it is an event"
        self.change(ChangeKind.SETTING, BASELINE, normal)

    def action_record(self) -> None:
        if self.session.recording.path is None:
            path = self.new_capture()
            self.session.start_recording(path)
            self.notice(f"recording the whole run to {_brief(path)}")
        else:
            self.session.stop_recording()
            self.notice(f"saved {_brief(self.session.recording.path)}")


def _brief(path: Path) -> str:
    """The file's name alone where it is in the folder that the program was started in."""
    return path.name if path.parent in (Path(), Path.cwd()) else str(path)
