"""Event kinds: what each means, and which part of a recording is one.

With the side known, an off part of the other kind is a dropout: on a low-side circuit the feed lead falls
(feed dropout), on a high-side circuit the ground lead rises (ground dropout); it makes no edge. A short
off part on the switched side may be either: it makes its edges and an undecided event.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from daq.evidence import OffKind
from daq.findings import EventKind, Judgement, Side
from daq.material import Material, Off
from daq.switching import SHORT_S
from daq.turns import Turn


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
    EventKind.LEAD_OFF: Meaning(
        2, "A lead hung free: it was off its pin, or the connector was apart, or the load open inside."
    ),
    EventKind.UNDECIDED_GAP: Meaning(1, "The load went off for a moment: switched, or a bad contact."),
}

IN_TURN = 2
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


def name_events(m: Material, judgement: Judgement, rate_hz: float, steady_expected: bool) -> Told:
    """Events and the turns that remain edges, once the side is (or is not) known."""
    side = _side(m, judgement)
    events = [Span(EventKind.REFERENCE_LOST, a, b) for a, b in m.references]
    events += [Span(_of_this_side(d.kind, side), d.start, d.end) for d in m.dips]
    if judgement.side is not Side.UNDETERMINED:
        events += [Span(EventKind.LEAD_OFF, a, b) for a, b in m.loose]
    rests_free = sum(off.floats for off in m.offs) > len(m.offs) / 2
    hidden: set[float] = set()
    for off in m.offs:
        if off.floats:
            kind = None if off.marked else _of_floating(off, judgement.side, rests_free)
        else:
            kind = _kind(off, side, rate_hz, steady_expected)
        if kind is None or any(a <= off.start < b for a, b in m.references):
            continue
        dropout = kind is not EventKind.UNDECIDED_GAP
        end = off.to if dropout else off.end
        short = end - off.start < SHORT_S * rate_hz and end == off.end
        events.append(Span(kind, off.start, off.last_make if short else end))
        if dropout:
            hidden |= {off.start, end}
    turns = tuple(t for t in m.turns if t.at not in hidden)
    return Told(tuple(sorted(events, key=lambda e: e.start)), turns)


_OPPOSITE = {OffKind.FEED_FELL: EventKind.FEED_DROPOUT, OffKind.GROUND_ROSE: EventKind.GROUND_DROPOUT}
_SWITCHED = {Side.LOW: OffKind.GROUND_ROSE, Side.HIGH: OffKind.FEED_FELL}


def _of_this_side(kind: EventKind, side: Side) -> EventKind:
    """The feed of a high-side circuit is what the switch opens."""
    return EventKind.UNDECIDED_GAP if kind is EventKind.FEED_DROPOUT and side is Side.HIGH else kind


def _side(m: Material, judgement: Judgement) -> Side:
    """The side, or the one it leans to; feed and ground switched one after the other lean to none."""
    leans = judgement.confidence >= EDGE_LEANING and m.in_turn < IN_TURN
    return judgement.leaning if judgement.side is Side.UNDETERMINED and leans else judgement.side


def _kind(off: Off, side: Side, rate_hz: float, steady_expected: bool) -> EventKind | None:
    if off.marked or off.kind not in _OPPOSITE:
        return None
    switched = _SWITCHED.get(side)
    if switched is not None and off.kind is not switched:
        return _OPPOSITE[off.kind] if off.begins else None
    if steady_expected:
        return _OPPOSITE[off.kind]
    short = (off.end - off.start) / rate_hz < SHORT_S
    return EventKind.UNDECIDED_GAP if short and off.between else None


def _of_floating(off: Off, side: Side, rests_free: bool) -> EventKind | None:
    """A pin on nothing: how this circuit rests (both ends switched, a load that blocks), or a lead off."""
    rest = {Side.BOTH_ENDS: OffKind.BOTH_MOVED, Side.HIGH: OffKind.FEED_FELL}.get(side)
    if side is Side.UNDETERMINED or (rests_free and off.kind is rest):
        return None
    return EventKind.LEAD_OFF
