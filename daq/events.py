"""Event kinds: what each means, and which part of a recording is one.

With the side known, an off part of the other kind is a dropout: on a low-side circuit the feed lead falls
(feed dropout), on a high-side circuit the ground lead rises (ground dropout); it makes no edge. A short
off part on the switched side may be either: it makes its edges and an undecided event.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from daq.evidence import Evidence, OffKind, OffPart
from daq.findings import EventKind, Judgement, Side
from daq.labels import Label
from daq.switching import SHORT_S, Part, Switching, Turn


@dataclass(frozen=True, slots=True)
class Meaning:
    severity: int  # 0 note, 1 look at it, 2 fault
    sentence: str


REGISTRY: Mapping[EventKind, Meaning] = {
    EventKind.FEED_DROPOUT: Meaning(2, "The feed-side lead fell to zero while on: the feed opened."),
    EventKind.GROUND_DROPOUT: Meaning(2, "The ground-side lead rose to source while on: the ground opened."),
    EventKind.SUPPLY_DIP: Meaning(1, "The source itself dipped, as when an engine is cranked."),
    EventKind.SAG_OR_FEED_LOSS: Meaning(
        1, "The feed-side lead sagged while on: the source dipped, or the feed wire lost more."
    ),
    EventKind.REFERENCE_LOST: Meaning(2, "The reference lead was off: readings are relative to nothing."),
    EventKind.LEAD_OFF: Meaning(2, "A lead was off its pin."),
    EventKind.UNDECIDED_GAP: Meaning(1, "The load went off for a moment: switched, or a bad contact."),
}

EDGE_LEANING = 0.6  # with this confidence the other kind of off part is already called a dropout


@dataclass(frozen=True, slots=True)
class Span:
    kind: EventKind
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Told:
    """Events in pairs, and the turns that remain edges."""

    events: tuple[Span, ...]
    turns: tuple[Turn, ...]
    reference_lost: bool


def name_events(
    switching: Switching, evidence: Evidence, judgement: Judgement, rate_hz: float, steady_expected: bool
) -> Told:
    events: list[Span] = []
    hidden: set[float] = set()
    lost = _reference_spans(switching.parts)
    events += [Span(EventKind.REFERENCE_LOST, a, b) for a, b in lost]
    for off in evidence.off_parts:
        part = off.part
        kind = _kind(off, judgement, rate_hz, steady_expected)
        if kind is None or any(a <= part.start < b for a, b in lost):
            continue
        end = _dropout_end(switching.parts, part) if kind in _OPPOSITE.values() else part.end
        events.append(Span(kind, part.start, _last_make(switching.turns, end, rate_hz, part)))
        if kind is not EventKind.UNDECIDED_GAP:
            hidden |= {part.start, end}
    turns = tuple(t for t in switching.turns if t.at not in hidden)
    return Told(tuple(events), turns, bool(lost))


_OPPOSITE = {OffKind.FEED_FELL: EventKind.FEED_DROPOUT, OffKind.GROUND_ROSE: EventKind.GROUND_DROPOUT}
_SWITCHED = {Side.LOW: OffKind.GROUND_ROSE, Side.HIGH: OffKind.FEED_FELL}


def _kind(off: OffPart, judgement: Judgement, rate_hz: float, steady_expected: bool) -> EventKind | None:
    if off.marked or off.kind not in _OPPOSITE:
        return None
    side = judgement.side
    if side is Side.UNDETERMINED and judgement.confidence >= EDGE_LEANING:
        side = judgement.leaning
    switched = _SWITCHED.get(side)
    if switched is not None and off.kind is not switched:
        return _OPPOSITE[off.kind]
    if steady_expected:
        return _OPPOSITE[off.kind]
    short = (off.part.end - off.part.start) / rate_hz < SHORT_S
    both_ends = off.part.begins and off.part.ends
    return EventKind.UNDECIDED_GAP if short and both_ends else None


def _last_make(turns: list[Turn], end: float, rate_hz: float, part: Part) -> float:
    """A fretting contact makes and breaks again: a short gap ends when it last makes."""
    if end - part.start >= SHORT_S * rate_hz:
        return end
    return next((t.last for t in turns if t.at == end and t.last is not None), end)


def _dropout_end(parts: list[Part], part: Part) -> float:
    """A dropout lasts until the load works again, whatever the leads do meanwhile."""
    n = next(i for i, p in enumerate(parts) if p is part)
    while n + 1 < len(parts) and parts[n + 1].label is Label.OFF:
        n += 1
    return parts[n].end


def _reference_spans(parts: list[Part]) -> list[tuple[float, float]]:
    """Mirrored parts, with the off parts near zero beside them (they read zero without a reference)."""
    spans: list[tuple[float, float]] = []
    for n, part in enumerate(parts):
        if not part.mirrored:
            continue
        a, b = n, n
        while a > 0 and _reads_zero(parts[a - 1], part):
            a -= 1
        while b + 1 < len(parts) and _reads_zero(parts[b + 1], part):
            b += 1
        start, end = parts[a].start, parts[b].end
        if spans and start <= spans[-1][1]:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((start, end))
    return spans


def _reads_zero(part: Part, mirrored: Part) -> bool:
    if part.mirrored:
        return True
    if part.label is not Label.OFF or part.levels is None or mirrored.levels is None:
        return False
    return max(map(abs, part.levels)) < 0.2 * max(map(abs, mirrored.levels))
