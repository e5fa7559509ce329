"""The drive screen: read at a glance by a passenger while the fault is waited for, marks on single keys.

The dashboard stays under it and owns the run; leaving this screen ends nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.content import Content

from daq import words
from daq.recording_health import health
from daq.session import Session, SessionState
from tui import drive_words, keys
from tui.hands import CircuitKeys, Hands
from tui.job import JobScreen
from tui.keys import Key, KeyBar
from tui.letters import ROWS, big_lines
from tui.notice import Notice
from tui.panels import Line
from tui.still import Still
from tui.terminal import Bell, too_small

LOOK_S = 0.25
"""How often the latest snapshot is looked at (s): seconds are shown, and a bell may come this late."""

BELL_EVERY_S = 5.0
"""A fretting contact rings once in this time (s): a bell that goes on and on distracts the driver."""

_BESIDE_ROWS = 1 + 2 + 1 + 1 + 2 + 1 + 2  # driver, last, state, counts, together, marks, recording
_MORE_ROWS_TALL = 1 + 3 + 1 + 1  # margins, and more counts
_CLOCK_ROWS = ROWS + 1


class DriveScreen(JobScreen, CircuitKeys):
    """Works on the session of the dashboard below it; `new_capture` names the file that r begins.

    `hands` are those of a bench. The leads stay where they are, as on a drive: the numbers are marks here.
    """

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(
        keys.DRIVE_MARKS, keys.DRIVE, [keys.SILENCE], keys.AFTER_DRIVE
    )
    look_s = LOOK_S

    def __init__(self, session: Session, new_capture: Callable[[], Path], hands: Hands | None = None) -> None:
        super().__init__(session, new_capture)
        self.bench_hands = hands
        self.bell = Bell(lambda: self.app.bell(), every_s=BELL_EVERY_S)
        self.silent = False
        self._faults = drive_words.faults(session.latest)

    def compose(self) -> ComposeResult:
        yield Line(id="driver")
        yield BigWords(id="clock")
        yield BigWords(id="happening")
        yield Line(id="last")
        yield Line(id="state")
        yield Line(id="counts")
        yield Line(id="together")
        yield Line(id="marks")
        yield Line(id="recording")
        yield Notice(id="notice")
        yield KeyBar(id="keys")

    def look(self) -> None:
        """Ring for what is new."""
        count = drive_words.faults(self.session.latest)
        if count > self._faults and not self.silent:
            self.bell()
        self._faults = count

    def show(self) -> None:
        now, now_s = self.session.latest, self.session.now_s()
        over = self.session.state is not SessionState.RUNNING
        headline = drive_words.headline(now, now_s, self.session.away, over)
        style = "bold $alarm" if headline.alarm else "bold"
        small = too_small(self.size.width, self.size.height)
        self.line("driver").say((f" {small or drive_words.DRIVER} ", "bold reverse"))
        self._show_big(headline.word, style, words.clock(now_s))
        self.line("last").say((f"{headline.word.lower()}: {headline.sentence}", style))
        self.line("state").say(*drive_words.state_line(now, now_s))
        counts = self.line("counts")
        counts.say(drive_words.counts(now, now_s, counts.size.height))
        self.line("together").say((drive_words.together(now), "bold"))
        self.line("marks").say(drive_words.marks_line(self.session.notes, now_s))
        losses = words.losses(now.losses, brief=True)
        self.line("recording").say(
            *drive_words.recording_line(health(self.session), losses, now.losses.gaps > 0)
        )
        self.tell()
        self.query_one(KeyBar).show(self.hands(), self.keys())

    def _show_big(self, word: str, style: str, clock: str) -> None:
        """The word as big as everything else allows; the time in big letters too where there is room left."""
        room = self.size.height - _BESIDE_ROWS - self.query_one(KeyBar).rows
        room -= _MORE_ROWS_TALL * self.has_class("-tall")
        happening, time_line = self.query_one("#happening", BigWords), self.query_one("#clock", BigWords)
        happening.say(word, room, style)
        time_line.display = room - happening.rows >= _CLOCK_ROWS
        time_line.say(clock, ROWS)

    def keys(self) -> Sequence[Key]:
        return (*keys.DRIVE_MARKS, *keys.DRIVE, keys.silence(self.silent), *keys.AFTER_DRIVE)

    def action_baseline(self) -> None:
        if refusal := drive_words.no_baseline(self.session.latest):
            self.notice(refusal)
        else:
            super().action_baseline()

    def action_silence(self) -> None:
        self.silent = not self.silent
        self.notice("the bell is silent" if self.silent else "the bell rings for new events")
        self.show()


class BigWords(Still):
    """Words in big letters, wrapped between words, as large as its width and the height given allow."""

    def __init__(self, id: str | None = None) -> None:
        super().__init__("", markup=False, id=id)
        self._said = ("", 0, "")
        self._drawn: list[str] = []

    def say(self, text: str, height: int, style: str = "bold") -> None:
        if self._said != (text, height, style):
            self._said = (text, height, style)
            self._redraw()

    def on_resize(self) -> None:
        self._redraw()

    @property
    def rows(self) -> int:
        """Rows that the words take."""
        return len(self._drawn)

    def _redraw(self) -> None:
        text, height, style = self._said
        if text and self.size.width:
            self._drawn = big_lines(text, self.size.width, height)
            self.update(Content.styled("\n".join(self._drawn), style))
            self.styles.height = self.rows
