"""The words and numbers that screens and plain output share, so that both say the same thing.

Everything here is a pure function from a record to a short text.
"""

from __future__ import annotations

import math
from pathlib import Path

from daq.errors import WhichsideError
from daq.findings import Edge, Event, Judgement, LoadState, Pwm, Side
from daq.snapshot import LeadView, Losses, Snapshot, StateWord

SIDE: dict[Side, str] = {
    Side.LOW: "ground side",
    Side.HIGH: "positive side",
    Side.BOTH_ENDS: "both ends",
    Side.REVERSING: "reversing",
    Side.UNDETERMINED: "not yet",
    Side.UNSWITCHED: "not switched",
}

_LONGEST_SAID_S = 1000 * 3600.0
SHORTEST_SAID_S = 5e-5  # below it would be said to last 0.0 ms

MEANING: dict[Side, str] = {
    Side.LOW: "low side: switched between load and ground",
    Side.HIGH: "high side: switched between source and load",
    Side.BOTH_ENDS: "feed and ground are both switched",
    Side.REVERSING: "the two wires swap polarity",
    Side.UNDETERMINED: "not enough seen to tell the side",
    Side.UNSWITCHED: "nothing between source, load and ground is switched",
}


def printable(text: str, limit: int = 200) -> str:
    """`text` on one line without control, escape or direction-override characters.

    Names and notes out of a capture are somebody else's bytes: shown, never obeyed.
    """
    clean = "".join(
        c if c.isprintable() else " " if c.isspace() else "\N{REPLACEMENT CHARACTER}" for c in text
    )
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"


def count(number: int, noun: str) -> str:
    """'1 place', '3 places'."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def how_to_repair(path: Path) -> str:
    return f"What can be read of it is saved by: whichside check {path} --repair -o OUT"


def damaged(path: Path, places: int, otherwise: str) -> str:
    """What is said after a damaged recording was used as far as it can be read."""
    return (
        f"whichside: {path} is damaged in {count(places, 'place')}; {otherwise}. whichside check {path} says "
        "what is missing; with --repair -o OUT it saves all that can be read."
    )


def volts(value: float | None, uncertainty: float | None = None) -> str:
    """'12.61 V ±0.03', or '-- V' where there is no reading."""
    if value is None or not math.isfinite(value):
        return "-- V"
    text = f"{value:.2f} V".replace("-0.00", "0.00").replace("-", "−")
    if uncertainty is None or not math.isfinite(uncertainty):
        return text
    return f"{text} ±{max(uncertainty, 0.005):.2f}"


def tenths(value: float) -> str:
    """'12.6 V', where hundredths would say no more."""
    return f"{value:.1f} V".replace("-0.0", "0.0").replace("-", "−")


def span(low: float, high: float) -> str:
    """'0.1 to 12.6 V'."""
    return f"{low:.1f} to {high:.1f} V".replace("-0.0", "0.0").replace("-", "−")


def duration(seconds: float) -> str:
    """'3.2 ms', '480 ms', '12.3 s', '4 min 05 s', '2 h 03 min'."""
    if seconds < 0.01:
        return f"{seconds * 1000:.1f} ms"
    if seconds < 0.9995:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 99.95:
        return f"{seconds:.1f} s"
    if seconds < 3600:
        minutes, rest = divmod(int(seconds), 60)
        return f"{minutes} min {rest:02d} s"
    hours, rest = divmod(int(seconds), 3600)
    return f"{hours} h {rest // 60:02d} min"


def clock(t_s: float) -> str:
    """'0:07', '12:05', '1:02:05': read at a glance, seconds only."""
    hours, rest = divmod(max(0, int(t_s)), 3600)
    minutes, seconds = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"


def lasting(seconds: float, least: bool = False) -> str:
    """A forecast: '37 h 10 min', 'more than 1000 h'; `least`: 'at least 37 h 10 min'."""
    if seconds >= _LONGEST_SAID_S:
        return "more than 1000 h"
    return f"at least {duration(seconds)}" if least else duration(seconds)


def size(in_bytes: int) -> str:
    """'12.3 MB', '640 kB'."""
    return f"{in_bytes / 1e6:.1f} MB" if in_bytes >= 1_000_000 else f"{in_bytes // 1000} kB"


def moment(t_s: float) -> str:
    """A moment of the recording: '12.345 s', '2:05.3', '1:02:05'."""
    if t_s < 60:
        return f"{t_s:.3f} s"
    if t_s < 3600:
        return f"{int(t_s // 60)}:{t_s % 60:04.1f}"
    return f"{int(t_s // 3600)}:{int(t_s % 3600 // 60):02d}:{int(t_s % 60):02d}"


def rate(hz: float) -> str:
    return f"{hz:,.0f} pairs/s".replace(",", " ") if hz >= 100 else f"{hz:g} pairs/s"


def roles(judgement: Judgement) -> str:
    """Which lead is on which wire: 'control wire: lead 2, feed: lead 1'; a lead is named once."""
    control = judgement.control_lead
    parts = []
    if control == "both":
        parts.append("control wires: both leads")
    elif control is not None:
        parts.append(f"control wire: lead {control}")
    if judgement.feed_lead not in (None, control):
        parts.append(f"feed: lead {judgement.feed_lead}")
    if judgement.ground_lead not in (None, control):
        parts.append(f"ground: lead {judgement.ground_lead}")
    return ", ".join(parts)


def sureness(judgement: Judgement) -> str:
    """'97 % sure' for a verdict; what the evidence leans to otherwise."""
    if judgement.side is not Side.UNDETERMINED:
        return f"{math.floor(judgement.confidence * 100)} % sure"
    if judgement.leaning is not Side.UNDETERMINED:
        return f"leans to {SIDE[judgement.leaning]}"
    return ""


def lead(number: int, view: LeadView) -> str:
    """'lead 2: near zero, 0.12 V ±0.03'."""
    if view.word is StateWord.NO_READING:
        return f"lead {number}: no reading"
    return f"lead {number}: {view.word.value}, {volts(view.volts, view.uncertainty_v)}"


def load(snapshot: Snapshot, brief: bool = False) -> str:
    """'load on', 'load on, pulsed 120.0 Hz, on 35 % of the time'; brief: 'load on, 120.0 Hz 35 %'."""
    if snapshot.load is LoadState.UNKNOWN:
        return "load: on or off not known yet"
    text, pwm = f"load {snapshot.load.value}", snapshot.pwm
    if not snapshot.pulsed or pwm is None:
        return text
    return f"{text}, {pwm.frequency_hz:.1f} Hz {pwm.duty * 100:.0f} %" if brief else f"{text}, {pulses(pwm)}"


def pulses(pwm: Pwm) -> str:
    return f"pulsed {pwm.frequency_hz:.1f} Hz, on {pwm.duty * 100:.0f} % of the time"


def source(snapshot: Snapshot, brief: bool = False) -> str:
    """'source 12.61 V ±0.03 (lead check)'; brief: without where it was seen."""
    if snapshot.source_v is None:
        return "source not seen yet"
    text = f"source {volts(snapshot.source_v, snapshot.source_uncertainty_v)}"
    return text if brief else f"{text} ({snapshot.source_origin})"


def edge(found: Edge) -> str:
    return f"{moment(found.t_s)} {found.state.value}"


def event(found: Event) -> str:
    """'12.345 s feed dropout, 3.2 ms'; of a mere moment, as when a feed wakes, no length is said."""
    text = f"{moment(found.t_s)} {found.kind.value}"
    return f"{text}, {duration(found.duration_s)}" if found.duration_s >= SHORTEST_SAID_S else text


def losses(lost: Losses, brief: bool = False) -> str:
    """'nothing lost', '2 gaps, 1.3 s lost (5200 pairs)'; brief: without the pairs."""
    if lost.gaps == 0:
        return "nothing lost"
    pairs = "number of pairs unknown" if lost.pairs is None else f"{lost.pairs} pairs"
    text = f"{lost.gaps} gap{'s' if lost.gaps > 1 else ''}, {duration(lost.seconds)} lost"
    return text if brief else f"{text} ({pairs})"


def plug(state: str) -> str:
    return {"in": "plugged in", "out": "unplugged"}.get(state, "plug state not told")


def bias(snapshot: Snapshot) -> str:
    """'whisper', 'off', 'lead 1 up, lead 2 off'."""
    one, two = (kind.name.lower() for kind in snapshot.bias)
    return one if one == two else f"lead 1 {one}, lead 2 {two}"


def advice(snapshot: Snapshot) -> str:
    """What to see to before anything else is tested: leads that float, a connector apart; "" for nothing."""
    if snapshot.plug == "out":
        return "unplugged: the verdict is held, nothing is judged. Tell when it is plugged in again."
    floating = [n for n, view in enumerate(snapshot.leads, start=1) if view.word is StateWord.FLOATING]
    if len(floating) == 1:
        return (
            f"lead {floating[0]} on nothing? Press it onto its pin. If it still floats, the load is "
            "unplugged, open inside, or blocks while off as LEDs do."
        )
    if floating and snapshot.judgement.side is not Side.BOTH_ENDS:
        return (
            "both leads on nothing? Press them onto their pins, and the reference lead onto battery "
            "negative. If they still float, nothing holds either pin: an open feed, or a key that is off."
        )
    return ""


NOT_CALIBRATED = "not calibrated: good to about 3 % and 0.1 V; whichside calibrate mends that"


def away(other: bool) -> str:
    """Why nothing is measured: the logger is away, and perhaps an `other` one is in its place."""
    if other:
        return "another logger is plugged in where this one was: swap them back; nothing is taken from it"
    return (
        "the logger is away: check its cable and plug it in again in the same socket; measuring and "
        "recording go on by themselves"
    )


def recording(path: Path | None, saved: Path | None, error: WhichsideError | None) -> str:
    """The state of the recording in one sentence."""
    if error is not None:
        return f"RECORDING STOPPED: {error}"
    if path is not None:
        return f"recording to {printable(str(path))}"
    return f"saved {printable(str(saved))}" if saved is not None else "not recording"


def expected(now: Snapshot) -> str:
    """What should be happening, as the user said it."""
    normal = "" if now.baseline_s is None else f"; normal as before {moment(now.baseline_s)}"
    return f"expected: {now.expectation}{normal}"
