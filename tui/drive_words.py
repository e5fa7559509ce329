"""What the drive screen says: pure functions from a Snapshot to words that are read at a glance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from daq import event_lines, words
from daq.cautions import TEXT as CAUTION_TEXT
from daq.departures import BASELINE_S
from daq.events import REGISTRY
from daq.findings import KindCount, LoadState, Side
from daq.recording_health import Health
from daq.session import Noted
from daq.snapshot import Snapshot
from tui.panels import DOT, Part

DRIVER = "The driver must not operate this: a passenger does, or nobody until parked."


@dataclass(frozen=True, slots=True)
class Headline:
    """The big word, the sentence under it, and whether it is to be looked at."""

    word: str
    sentence: str
    alarm: bool = False


def headline(now: Snapshot, now_s: float, away: bool, over: bool) -> Headline:
    """The last event, else what keeps events from being seen, else that all is well.

    `now_s` is the moment on the run's clock; `away`: the logger is; `over`: the run has ended.
    """
    hindered = _hindered(now, away, over)
    if hindered is not None:
        return hindered
    if faults := [kind.last for kind in _faults(now)]:
        last = max(faults, key=lambda event: event.t_s + event.duration_s)
        lasting, at = words.duration(last.duration_s), words.clock(last.t_s)
        sentence = f"{event_lines.since(last, now_s)} · {lasting} long · at {at}"
        return Headline(last.kind.value.upper(), sentence, True)
    if now.expectation == "steady":
        if now.load is LoadState.OFF:
            return Headline("LOAD OFF", "expected on all the time, and it is off", True)
    elif now.judgement.side is Side.UNDETERMINED:
        unknown = "the side is not known yet: a long dropout would look like a switch-off"
        return Headline("NO EVENT", unknown)
    if now.load is LoadState.UNKNOWN:
        return Headline("NO EVENT", "whether the load is on or off is not known yet")
    normal = "" if now.baseline_s is None else f", normal as before {words.clock(now.baseline_s)}"
    return Headline("HEALTHY", f"no fault so far{normal}")


def faults(now: Snapshot) -> int:
    """How many events there are that somebody should look at."""
    return sum(kind.count for kind in _faults(now))


def _faults(now: Snapshot) -> list[KindCount]:
    return [kind for kind in now.summary.kinds if REGISTRY[kind.kind].severity]


def _hindered(now: Snapshot, away: bool, over: bool) -> Headline | None:
    """Nothing can be seen at the moment, and why."""
    if over:
        return Headline("ENDED", "the run is over: nothing is measured any more", True)
    if away:
        return Headline("LOGGER AWAY", "nothing is measured until it is back", True)
    if now.samples == 0:
        return Headline("WAITING", "for the first samples")
    if "ac" in now.cautions:
        return Headline("AC REFUSED", CAUTION_TEXT["ac"], True)
    if now.lead_check.step:
        return Headline("LEAD CHECK", "it still runs: finish it on the dashboard; nothing is judged", True)
    if now.plug == "out":
        return Headline("UNPLUGGED", "nothing is judged; p on the dashboard once it is plugged in", True)
    if advice := words.advice(now):
        return Headline("SEE TO LEADS", advice, True)
    return None


def no_baseline(now: Snapshot) -> str:
    """Why the last minute cannot be called normal; "" where it can."""
    if now.time_s < BASELINE_S:
        left = words.duration(BASELINE_S - now.time_s)
        return f"not taken: a whole minute must have gone by first; {left} to go"
    seen = [kind.last for kind in _faults(now)]
    late = max((event.t_s + event.duration_s for event in seen), default=-BASELINE_S)
    if now.time_s - late < BASELINE_S:
        return "not taken: there was an event in the last minute; b once a minute has gone by without one"
    return ""


def state_line(now: Snapshot, now_s: float) -> tuple[Part, ...]:
    """'1:02:05 · load on · expect steady · source 13.80 V ±0.03'."""
    rest = (words.load(now, brief=True), f"expect {now.expectation}", words.source(now, brief=True))
    return ((words.clock(now_s), "bold"), DOT, DOT.join(rest))


def counts(now: Snapshot, now_s: float, rows: int) -> str:
    """A row for each kind of event, the worst first; where rows are short, the last names all the rest."""
    kinds = now.summary.kinds
    whole = len(kinds) if len(kinds) <= rows else max(0, rows - 1)
    lines = [event_lines.kind_line(kind, now_s) for kind in kinds[:whole]]
    return "\n".join([*lines, event_lines.counts(kinds[whole:])] if kinds[whole:] or not kinds else lines)


def together(now: Snapshot) -> str:
    """What tells most of when the events come; "" for nothing that chance would not explain."""
    return next(iter(event_lines.telling_lines(now.summary)), "")


def marks_line(notes: Sequence[Noted], now_s: float) -> str:
    """'marks 4, the last: bump, 12 s ago'."""
    if not notes:
        return "no marks yet: press a number when it happens"
    last = notes[-1]
    ago = "" if last.at_s is None else f", {event_lines.ago(now_s - last.at_s)}"
    return f"marks {len(notes)}, the last: {words.printable(last.text, 40)}{ago}"


def recording_line(health: Health | None, losses: str, lost: bool) -> tuple[Part, ...]:
    """Whether it is recorded, where, and whether it is safe."""
    loss: Part = (losses, "bold $alarm") if lost else losses
    if health is None:
        return (("NOT RECORDING", "bold reverse"), " r records the run from its beginning", DOT, loss)
    style = "bold $alarm" if health.late else ""
    length = words.clock(health.recorded_s)
    return (("● REC", "bold reverse"), f" {length}", DOT, loss, DOT, (health.line, style))
