"""What the look-back says: moments as fine as the picture, measured spans, events and what opened."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta

from daq import words
from daq.events import REGISTRY
from daq.findings import Event, EventKind, Judgement, Side
from daq.level_histogram import OnLevels
from daq.reanalysis import Progress
from daq.span import MeasuredSpan
from daq.time_window import TimeWindow

_DOT = " · "
_MOST_DIGITS = 6
_MOVES_V = 0.5  # more than noise
_FEED_SIDE = "between source and load"
_PLACE = {
    EventKind.FEED_DROPOUT: (_FEED_SIDE, True),
    EventKind.GROUND_DROPOUT: ("between load and ground", False),
    EventKind.SAG_OR_FEED_LOSS: (f"{_FEED_SIDE}, or in the source", True),
    EventKind.LOAD_OPEN: ("between the two leads", None),
    EventKind.FEED_ASLEEP: (_FEED_SIDE, True),
    EventKind.FEED_AWAKE: (_FEED_SIDE, True),
}
"""Where in the circuit an event happened, for the kinds that tell, and whether the feed's lead is nearest."""


def file(name: str, duration_s: float, rate_hz: float, begun: datetime | None) -> list[str]:
    """What is looked at."""
    when = [f"{begun:%Y-%m-%d %H:%M}"] if begun else []
    return [name, words.duration(duration_s), words.rate(rate_hz), *when]


def verdict(now: Progress, width: int) -> str:
    """What the analysis says so far, and what it expects; on a narrow screen less of it, not cut."""
    expected = [f"expect {now.expectation}"] if now.expectation else []
    if now.findings is None:
        return _DOT.join(expected)
    judgement = now.findings.judgement
    side, roles, sure = words.SIDE[judgement.side].upper(), words.roles(judgement), words.sureness(judgement)
    wordings = ((side, roles, sure), (side, roles, sure.removesuffix(" sure")), (side, sure))
    texts = [_DOT.join([*filter(None, said), *expected]) for said in wordings]
    return next((text for text in texts if len(text) <= width), texts[-1])


def moment(t_s: float, step_s: float) -> str:
    """A moment with the digits that tell `step_s` apart: '2:05.31', '1:02:05', '0:12.3456'."""
    digits = min(_MOST_DIGITS, max(0, math.ceil(-math.log10(step_s) - 1e-9)))
    t_s = round(t_s, digits)
    hours, rest = divmod(t_s, 3600)
    width = 2 + (digits > 0) * (digits + 1)
    last = f"{rest % 60:0{width}.{digits}f}"
    return f"{int(hours)}:{int(rest // 60):02d}:{last}" if hours else f"{int(rest // 60)}:{last}"


def wall(at: datetime | None, step_s: float) -> str:
    """'14:03:22', finer where the picture is; "" where nobody knows."""
    if at is None:
        return ""
    if step_s >= 0.5:
        return (at + timedelta(seconds=0.5)).strftime("%H:%M:%S")
    return at.strftime("%H:%M:%S.%f")[: -3 if step_s < 0.05 else -5]


def window(shown: TimeWindow, columns: int) -> str:
    """'0:00:00 to 10:00:00, step 4 min 05 s'."""
    step_s = shown.width_s / columns
    begin, end = (moment(t_s, step_s) for t_s in (shown.begin_s, shown.end_s))
    all_of_it = "all: " if shown.width_s >= shown.whole_s else ""
    return f"{all_of_it}{begin} to {end}, step {words.duration(step_s)}"


def reading(volts: tuple[float, float] | None, lead: int) -> str:
    return words.volts(None if volts is None else volts[lead])


def seen(low: Sequence[float], high: Sequence[float], at_s: str) -> str:
    """What a lead does in a column: from where to where if it moves, else its reading `at_s`."""
    lows, highs = ([v for v in values if math.isfinite(v)] for values in (low, high))
    if lows and max(highs) - min(lows) > _MOVES_V:
        return words.span(min(lows), max(highs))
    return at_s


def progress(now: Progress) -> str:
    """'analysing 35 %', "" once that is done, 'damaged in 2 places'."""
    if now.error is not None:
        return f"analysis stopped at {now.share * 100:.0f} %: {now.error}"
    if not now.over:
        return f"analysing {now.share * 100:.0f} %"
    return f"damaged in {words.count(now.damaged, 'place')}" if now.damaged else ""


def span(measured: MeasuredSpan) -> list[str]:
    """One line of time and one for each lead."""
    lost = f", {words.duration(measured.lost_s)} of it lost" if measured.lost_s > 0 else ""
    lines = [f"from here to here: {_length(measured.seconds)}, {measured.pairs} pairs{lost}"]
    if measured.leads is None:
        return [*lines, "no samples in it"]
    for number, lead in enumerate(measured.leads, start=1):
        change = words.volts(lead.difference_v)
        lines.append(
            f"lead {number}: mean {words.volts(lead.mean_v)}, least {words.volts(lead.low_v)}, "
            f"most {words.volts(lead.high_v)}, end less begin {change}"
        )
    return lines


def _length(seconds: float) -> str:
    """As `words.duration`, with the digits that a ruler is asked for."""
    if seconds < 1:
        return f"{seconds * 1000:.3f} ms"
    return f"{seconds:.4f} s" if seconds < 100 else words.duration(seconds)


def told(event: Event, judgement: Judgement) -> str:
    """The sentence of an event: what happened and on which side of the load, at which lead."""
    parts = [REGISTRY[event.kind].sentence]
    if event.kind in _PLACE and judgement.side not in (Side.UNDETERMINED, Side.REVERSING):
        place, feed = _PLACE[event.kind]
        lead = None if feed is None else _side_lead(judgement, feed)
        parts.append(f"It is {place}{f': lead {lead}' if lead else ''}.")
    return " ".join(parts)


def _side_lead(judgement: Judgement, feed: bool) -> int | None:
    """The lead on the feed (or ground) side of the load, also where that is the control wire."""
    own, other = judgement.feed_lead, judgement.ground_lead
    if not feed:
        own, other = other, own
    return own if own is not None else None if other is None else 3 - other


def levels(before: MeasuredSpan, inside: MeasuredSpan) -> str:
    """Mean volts of both leads before an event and in it."""
    texts = []
    for when, measured in (("before", before), ("in it", inside)):
        if measured.leads is not None:
            one, two = (words.volts(lead.mean_v) for lead in measured.leads)
            texts.append(f"{when} lead 1 {one}, lead 2 {two}")
    return f"On average {'; '.join(texts)}." if texts else ""


def counted(events: Sequence[Event], shown: Sequence[Event], at: int | None, over: bool) -> str:
    """'event 3 of 40', 'no events so far', '3 events (40 in all; k: kinds)'."""
    if not events:
        return "no events" if over else "no events so far"
    hidden = f" ({len(events)} in all; k: kinds)" if len(shown) < len(events) else ""
    if at is None:
        return f"{words.count(len(shown), 'event')}{hidden}"
    return f"event {at + 1} of {len(shown)}{hidden}"


def on_levels(found: OnLevels) -> str:
    """What a histogram is made of."""
    if found.leads is None:
        return "The load was not on in this picture, as far as it is analysed."
    whole = found.looked_s >= 0.98 * found.on_s
    part = "all of it" if whole else f"{words.duration(found.looked_s)} of it, evenly spread,"
    return f"on for {words.duration(found.on_s)} in this picture; {part} looked at"
