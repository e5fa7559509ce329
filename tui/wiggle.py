"""The wiggle test's screen: bend the wires, hear and count every departure from the baseline.

The count is big enough to be seen from under a dashboard; the bell rings for each departure, rate-limited.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from daq import words
from daq.errors import WhichsideError
from daq.session import Session
from daq.stillness import look
from daq.wiggle import Departure, Wiggle
from tui import keys
from tui.hands import HANDS, Hands
from tui.help import HelpScreen
from tui.keys import Key, KeyBar
from tui.log_keys import LogKeys
from tui.notice import NOTICE_S, Notice
from tui.panels import DOT, BigWord, Line, Part
from tui.terminal import Bell, keeps_up, too_small

LOOK_S = 0.1
HOW = (
    "Bend, pull and tap wires and connectors, a hand's width at a time, with the load as it should be. Where "
    "it rings, that is the place: note it (n). Lead and clip count too: wiggle those first."
)
CAUTION = (
    "Keep clear of what the load can move, of fans, belts and hot parts. Never pull on yellow connectors."
)


class WiggleScreen(LogKeys):
    """Works on the session of the screen below it; leaving it ends nothing."""

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(
        HANDS, keys.WIGGLE_KEYS, [keys.SILENCE], keys.AFTER_WIGGLE
    )

    def __init__(self, session: Session, new_capture: Callable[[], Path], hands: Hands | None = None) -> None:
        super().__init__()
        self.session = session
        self.new_capture = new_capture
        self.wiggle = Wiggle()
        self.bell = Bell(lambda: self.app.bell())
        self.silent = False
        self._hands = hands

    def compose(self) -> ComposeResult:
        yield BigWord(id="verdict")
        yield Line(id="leads")
        yield Line(id="now")
        yield Line(id="caution")
        yield Line(id="counts")
        yield Notice(id="notice")
        yield KeyBar(id="keys")

    def on_mount(self) -> None:
        self.pull(hurry=True)
        self.set_interval(LOOK_S, self.pull)

    def on_resize(self) -> None:
        self.call_after_refresh(self.show)

    def pull(self, hurry: bool = False) -> None:
        """Look at every sample since the last time, ring, and show it unless the terminal is still busy."""
        if self.session.trace(self.wiggle.watch) and not self.silent:
            self.bell()
        if hurry or keeps_up(self.app):
            self.show()

    def show(self) -> None:
        self.query_one("#verdict", BigWord).say(self._big())
        small = too_small(self.size.width, self.size.height)
        self._line("leads").say(*([(small, "bold reverse")] if small else self._leads()))
        self._line("now").say(("now: ", "bold"), HOW)
        self._line("caution").say(("CAUTION: ", "bold $alarm"), (CAUTION, "$alarm"))
        counts = self._line("counts")
        counts.say("\n".join(told(self.wiggle, counts.size.height)))
        self.set_class(self.query_one(Notice).tell(self.session), "-notice")
        self.query_one(KeyBar).show(self._hands.shown() if self._hands else (), self.keys())

    def _big(self) -> str:
        if self.wiggle.baseline is None:
            return "HOLD STILL"
        if self.wiggle.away:
            return f"{self.wiggle.total} AWAY NOW"
        return f"{self.wiggle.total} SEEN" if self.wiggle.total else "STEADY"

    def _leads(self) -> tuple[Part, ...]:
        base, seen = self.wiggle.baseline, self.session.trace(look)
        if base is None or seen is None:
            return (("taking the baseline: touch nothing for a second", "bold"),)
        now = f"now {words.volts(seen.volts[0])} and {words.volts(seen.volts[1])}"
        return ((f"baseline: lead 1 {words.volts(base[0])}, lead 2 {words.volts(base[1])}", "bold"), DOT, now)

    def keys(self) -> Sequence[Key]:
        return (*keys.WIGGLE_KEYS, keys.silence(self.silent), *keys.AFTER_WIGGLE)

    def notice(self, text: str, seconds: float = NOTICE_S) -> None:
        """Answer a key: `text` stands for some seconds."""
        self.query_one(Notice).answer(text, seconds)
        self.set_class(self.query_one(Notice).tell(self.session), "-notice")

    def action_anew(self) -> None:
        self.wiggle.anew()
        self.pull(hurry=True)

    def action_silence(self) -> None:
        self.silent = not self.silent
        self.notice("the bell is silent" if self.silent else "the bell rings for each departure")
        self.show()

    def action_operate(self, what: str) -> None:
        if self._hands is None:
            return
        try:
            self._hands.move(what)
        except WhichsideError as error:
            self.notice(str(error))
        self.show()

    def action_help(self) -> None:
        self.app.push_screen(HelpScreen())

    def action_leave(self) -> None:
        self.dismiss()

    def _line(self, name: str) -> Line:
        return self.query_one(f"#{name}", Line)


def told(wiggle: Wiggle, rows: int) -> list[str]:
    """The counts of each lead and way, the largest departure, and the latest ones, newest first."""
    if not wiggle.total or wiggle.largest is None:
        return ["nothing departed from the baseline so far"]
    counts = [f"lead {lead} {way}: {n}" for (lead, way), n in sorted(wiggle.counts.items())]
    found = [DOT.join(counts), f"largest: {_said(wiggle.largest)}"]
    found += [f"at {words.moment(d.at_s)}: {_said(d)}" for d in reversed(wiggle.departures)]
    return found[: max(2, rows)]


def _said(d: Departure) -> str:
    far = f"{abs(d.volts):.1f} V {d.way}"
    return f"lead {d.lead}, {far}, {words.duration(d.lasts_s)} long"
