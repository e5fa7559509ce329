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
from daq.session import Session
from daq.stillness import look
from daq.wiggle import Departure, Wiggle
from tui import keys
from tui.hands import HandKeys, Hands
from tui.job import JobScreen
from tui.keys import Key, KeyBar
from tui.notice import Notice
from tui.panels import DOT, BigWord, Line, Part
from tui.terminal import Bell, too_small

_WAYS = {"moved": "moved both ways"}
HOW = (
    "Bend, pull and tap wires and connectors, a hand's width at a time, with the load as it should be. Where "
    "it rings, that is the place: note it (n). Lead and clip count too: wiggle those first."
)
UNFED = (
    "Neither lead is fed, so that a feed which opens cannot be seen. Put key and control on, let the load "
    "work if it can, take the baseline anew (space). What shows so: a ground that a lead at zero loses, a "
    "short."
)
CAUTION = (
    "Keep clear of what the load can move, of fans, belts and hot parts. Never pull on yellow connectors."
)


class WiggleScreen(JobScreen, HandKeys):
    """`hands` are those of a bench."""

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(keys.WIGGLE_KEYS, [keys.SILENCE], keys.AFTER_WIGGLE)
    look_s = 0.1

    def __init__(self, session: Session, new_capture: Callable[[], Path], hands: Hands | None = None) -> None:
        super().__init__(session, new_capture)
        self.bench_hands = hands
        self.wiggle = Wiggle()
        self.bell = Bell(lambda: self.app.bell())
        self.silent = False

    def compose(self) -> ComposeResult:
        yield BigWord(id="verdict")
        yield Line(id="leads")
        yield Line(id="now")
        yield Line(id="caution")
        yield Line(id="counts")
        yield Notice(id="notice")
        yield KeyBar(id="keys")

    def on_mount(self) -> None:
        self.session.hold_probes(True)

    def on_unmount(self) -> None:
        self.session.hold_probes(False)

    def look(self) -> None:
        """At every sample since the last time; ring for what began."""
        if self.session.trace(self.wiggle.watch) and not self.silent:
            self.bell()

    def show(self) -> None:
        self.query_one("#verdict", BigWord).say(self._big())
        small = too_small(self.size.width, self.size.height)
        self.line("leads").say(*([(small, "bold reverse")] if small else self._leads()))
        self.line("now").say(("now: ", "bold"), UNFED if self._is_blind() else HOW)
        self.line("caution").say(("CAUTION: ", "bold $alarm"), (CAUTION, "$alarm"))
        counts = self.line("counts")
        counts.say("\n".join(told(self.wiggle, counts.size.height)))
        self.tell()
        self.query_one(KeyBar).show(self.hands(), self.keys())

    def _big(self) -> str:
        if self.wiggle.baseline is None:
            return "HOLD STILL"
        if self.wiggle.away:
            return "BOTH AWAY" if len(self.wiggle.away) == 2 else f"LEAD {self.wiggle.away[0]} AWAY"
        if self._is_blind():
            return "NO FEED"
        return f"{self.wiggle.total} SEEN" if self.wiggle.total else "STEADY"

    def _is_blind(self) -> bool:
        return self.wiggle.is_unfed and not self.wiggle.total

    def _leads(self) -> tuple[Part, ...]:
        base, seen = self.wiggle.baseline, self.session.trace(look)
        if base is None or seen is None:
            return (("taking the baseline: touch nothing for a second", "bold"),)
        now = f"now {words.volts(seen.volts[0])} and {words.volts(seen.volts[1])}"
        held = zip((1, 2), base, self.wiggle.spans, self.wiggle.pulses, strict=True)
        leads = [f"lead {n} {_held(volts, *span, pulses)}" for n, volts, span, pulses in held]
        return ((f"baseline: {', '.join(leads)}", "bold"), DOT, now)

    def keys(self) -> Sequence[Key]:
        return (*keys.WIGGLE_KEYS, keys.silence(self.silent), *keys.AFTER_WIGGLE)

    def action_anew(self) -> None:
        self.wiggle.anew()
        self.pull(hurry=True)

    def action_silence(self) -> None:
        self.silent = not self.silent
        self.notice("the bell is silent" if self.silent else "the bell rings for each departure")
        self.show()


def told(wiggle: Wiggle, rows: int) -> list[str]:
    """The counts of each lead and way, the largest departure, and the latest ones, newest first."""
    if not wiggle.total or wiggle.largest is None:
        return ["nothing departed from the baseline so far"]
    counts = [f"lead {lead} {_WAYS.get(way, way)}: {n}" for (lead, way), n in sorted(wiggle.counts.items())]
    found = [DOT.join(counts), f"largest: {_said(wiggle.largest)}"]
    found += [f"at {words.moment(d.at_s)}: {_said(d)}" for d in reversed(wiggle.departures)]
    return found[: max(2, rows)]


def _held(volts: float, low: float, high: float, pulses: bool | None) -> str:
    """The level; where it moved by itself all the time, what it moved between, and what counts then."""
    between = f"{words.volts(low)} to {words.volts(high)}"
    if pulses is None:
        return f"moves {between} by itself: only more counts. Hold the load on or off to see less"
    return f"pulses {between}: more counts, and pulses that stop" if pulses else words.volts(volts)


def _said(d: Departure) -> str:
    lasts = f"for {words.duration(d.lasts_s)}"
    if d.way == "stopped":
        return f"lead {d.lead} stopped pulsing, at {words.volts(d.to_v)}, {lasts}"
    if d.other_v is not None:
        low, high = sorted((d.to_v, d.other_v))
        return f"lead {d.lead} went both ways, to {words.volts(low)} and to {words.volts(high)}, {lasts}"
    return f"lead {d.lead} {d.way} by {abs(d.volts):.1f} V, to {words.volts(d.to_v)}, {lasts}"
