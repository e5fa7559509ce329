"""Event kinds: what each means, and which part of a recording is one.

With the side known, an off part of the other kind is a dropout: on a low-side circuit the feed lead falls
(feed dropout), on a high-side circuit the ground lead rises (ground dropout); it makes no edge. A short
off part on the switched side may be either: it makes its edges and an undecided event.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from math import inf

from daq.departures import BASELINE_S, changed_pulses, drifting, is_on
from daq.evidence import MARK_REACH_S, Mark, OffKind
from daq.findings import EventKind, Judgement, Side
from daq.labels import Label
from daq.material import Material, Off
from daq.switching import BOUNCE_S, SHORT_S
from daq.turns import Turn


@dataclass(frozen=True, slots=True)
class Meaning:
    severity: int  # 0 note, 1 look at it, 2 fault
    sentence: str


REGISTRY: Mapping[EventKind, Meaning] = {
    EventKind.FEED_DROPOUT: Meaning(
        2, "The feed-side lead fell to zero while on, or both leads while off: the feed opened."
    ),
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
    EventKind.LOAD_OPEN: Meaning(
        2,
        "The current stopped though feed and ground stayed: the load opened inside, or switched itself off "
        "(inferred from the drops).",
    ),
    EventKind.FEED_ASLEEP: Meaning(1, "Both leads went to zero together while off: the feed fell asleep."),
    EventKind.FEED_AWAKE: Meaning(0, "Both leads came up to source together while off: the feed woke."),
    EventKind.SPIKE: Meaning(1, "A reading at the end of the range, away from the load's own switching."),
    EventKind.DROP_DRIFT: Meaning(
        1, "A wire's drop rose slowly while on: a connection that heats up, or a load that draws more."
    ),
    EventKind.PULSES_CHANGED: Meaning(0, "The pulses' frequency or duty left what is usual."),
    EventKind.STUCK: Meaning(1, "The control was marked as switched and the load did not follow."),
}

BEAT_S = 0.09  # of pulses and the sample clock, mostly; a hand is slower
OF_BEATS = (
    EventKind.UNDECIDED_GAP,
    EventKind.FEED_DROPOUT,
    EventKind.GROUND_DROPOUT,
    EventKind.SAG_OR_FEED_LOSS,
    EventKind.SUPPLY_DIP,
)


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


@dataclass(frozen=True, slots=True)
class User:
    """What the user said should be happening, did, and called normal (`baseline`: the minute before it)."""

    steady: bool = False
    marks: tuple[Mark, ...] = ()
    baseline: float | None = None


def name_events(m: Material, judgement: Judgement, rate_hz: float, user: User) -> Told:
    """Events and the turns that remain edges, once the side is (or is not) known."""
    side = judgement.side
    steady_from = _steady_from(m, rate_hz, user)
    events = [Span(EventKind.REFERENCE_LOST, a, b) for a, b in m.references]
    events += [Span(_of_this_side(d.kind, side), d.start, d.end) for d in m.dips]
    if judgement.side is not Side.UNDETERMINED:
        events += [Span(EventKind.LEAD_OFF, a, b) for a, b in m.loose]
    rests_free = sum(off.floats for off in m.offs) > len(m.offs) / 2
    hidden: set[float] = set()
    beside = BOUNCE_S * rate_hz
    for off in m.offs:
        if off.floats:
            kind = None if off.marked else _of_floating(off, judgement.side, rests_free)
        else:
            kind = _kind(off, side, rate_hz, off.start >= steady_from)
        if off.slipped and kind is EventKind.FEED_DROPOUT:
            kind = EventKind.LEAD_OFF
        if kind is None or any(a <= off.start < b for a, b in m.references):
            continue
        dropout = kind is not EventKind.UNDECIDED_GAP
        end = off.to if dropout else off.end
        short = end - off.start < SHORT_S * rate_hz and end == off.end
        events.append(Span(kind, off.start, off.last_make if short else end))
        if dropout:
            hidden |= {off.start, end}
    for start, end, frets in m.votes.fretting:  # one event: the contact opened and closed all the while
        if _opened_by_itself(frets, start, side, steady_from):
            events.append(Span(_OPPOSITE[frets], start, end))
            hidden |= _within(m, start - beside, end + beside)
    holes = [Span(_of_hole(h.kind, side), h.start, h.end) for h in m.holes]
    if side is not Side.UNDETERMINED:
        holes = [
            s
            for s, h in zip(holes, m.holes, strict=True)
            if _opened_by_itself(h.kind, h.start, side, steady_from)
        ]
        for hole in holes:
            hidden |= _within(m, hole.start - beside, hole.end + beside)
    events = _with_holes(events, holes)
    events += _departures(m, judgement, rate_hz, user)
    turns = tuple(t for t in m.turns if t.at not in hidden)
    return Told(tuple(sorted(events, key=lambda e: e.start)), turns)


def _opened_by_itself(kind: OffKind, start: float, side: Side, steady_from: float) -> bool:
    """Whether it was no switching: the other wire, or the load should be on."""
    return kind in _OPPOSITE and (start >= steady_from or _SWITCHED.get(side, kind) is not kind)


def _of_hole(opened: OffKind, side: Side) -> EventKind:
    """What a wire that opened behind pulses is called; without a side it may have been the switch."""
    return EventKind.UNDECIDED_GAP if side is Side.UNDETERMINED else _OPPOSITE[opened]


def _with_holes(events: Sequence[Span], holes: Sequence[Span]) -> list[Span]:
    """The events and the holes, in order of time; what was seen of a hole already is the same event."""
    waiting, past, here = sorted(events, key=lambda e: e.start), list[Span](), list[Span]()
    n = 0
    for hole in holes:
        while n < len(waiting) and waiting[n].start <= hole.end:
            here.append(waiting[n])
            n += 1
        past += [e for e in here if e.end < hole.start]
        here = [e for e in here if e.end >= hole.start]
        if all(e.kind is hole.kind for e in here):
            both = [hole, *here]
            here = [Span(hole.kind, min(e.start for e in both), max(e.end for e in both))]
    return [*past, *here, *waiting[n:]]


def _within(m: Material, start: float, end: float) -> set[float]:
    """The turns that an opening makes; not the one after which the load stays otherwise than before."""
    first = bisect_left(m.turns, start, key=lambda t: t.at)
    inside = m.turns[first : bisect_right(m.turns, end, key=lambda t: t.at)]
    before = m.turns[first - 1].label if first else m.initial
    if inside and inside[-1].label is not before:
        kept = next(t for t in inside if t.label is inside[-1].label)
        inside.remove(kept)
    return {t.at for t in inside}


def _steady_from(m: Material, rate_hz: float, user: User) -> float:
    """From where on the load should be on: always, never, or since a baseline minute in which it was."""
    if user.steady:
        return -inf
    if user.baseline is None:
        return inf
    begin = user.baseline - BASELINE_S * rate_hz
    switched = any(begin <= t.at <= user.baseline for t in m.turns)
    return user.baseline if is_on(m.turns, m.initial, user.baseline) and not switched else inf


def _departures(m: Material, judgement: Judgement, rate_hz: float, user: User) -> list[Span]:
    adrift = m.references
    events = [Span(EventKind.SPIKE, a, b) for a, b in m.spikes if not any(x <= a < y for x, y in adrift)]
    events += [Span(EventKind.DROP_DRIFT, a, b) for a, b in drifting(m.points, user.baseline, rate_hz)]
    frets = {(start, end) for start, end, _ in m.votes.fretting}
    trains = [train for train in m.trains if (train.start, train.end) not in frets]
    events += [Span(EventKind.PULSES_CHANGED, a, b) for a, b in changed_pulses(trains, rate_hz)]
    if judgement.side is not Side.UNDETERMINED or user.steady:
        events += [Span(EventKind.LOAD_OPEN, a, b) for a, b in m.opened]
    if judgement.side is Side.LOW:
        events += [Span(EventKind.FEED_DROPOUT, a, b) for a, b in m.feed_gaps]
        events += [Span(EventKind.FEED_ASLEEP, a, b) for a, b in m.asleep]
        events += [Span(EventKind.FEED_AWAKE, at, at) for at in m.woke]
    reach = MARK_REACH_S * rate_hz
    for mark in user.marks:
        if is_on(m.turns, m.initial, mark.at + reach) is (not mark.on):
            events.append(Span(EventKind.STUCK, mark.at, mark.at + reach))
    return events


_OPPOSITE = {OffKind.FEED_FELL: EventKind.FEED_DROPOUT, OffKind.GROUND_ROSE: EventKind.GROUND_DROPOUT}
_SWITCHED = {Side.LOW: OffKind.GROUND_ROSE, Side.HIGH: OffKind.FEED_FELL}


def _of_this_side(kind: EventKind, side: Side) -> EventKind:
    """The feed of a high-side circuit is what the switch opens."""
    return EventKind.UNDECIDED_GAP if kind is EventKind.FEED_DROPOUT and side is Side.HIGH else kind


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


def without_beats(
    told: Told, initial: Label | None, unresolved: Sequence[tuple[int, int]], rate_hz: float
) -> Told:
    """Where pulses are too fast to see, the load seems to go off and on for moments: those are nothing."""
    if not unresolved:
        return told
    beat = BEAT_S * rate_hz

    def beats(at: float) -> bool:
        return any(a <= at < b for a, b in unresolved)

    events = tuple(
        e
        for e in told.events
        if not beats(e.start)
        or (e.kind is not EventKind.PULSES_CHANGED and (e.kind not in OF_BEATS or e.end - e.start >= beat))
    )
    turns: list[Turn] = []
    chain: list[Turn] = []
    for turn, then in zip_longest(told.turns, told.turns[1:]):
        chain.append(turn)
        if then is not None and then.at - turn.at < beat and beats(turn.at) and beats(then.at):
            continue
        before = turns[-1].label if turns else initial
        if len(chain) == 1 or turn.label is not before:
            turns.append(replace(turn, at=chain[0].at))
        chain = []
    return Told(events, tuple(turns))
