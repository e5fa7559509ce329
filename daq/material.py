"""What a list of stretches contributes to the answer; contributions of consecutive lists add up.

A long recording is worked through in chapters of some hundred stretches. Each chapter is looked at as a
whole, so that what came later can explain what came before; what it leaves behind is this, small and
independent of the side, which may be decided much later.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import inf
from typing import TypeVar

from daq.crossings import SOURCE_LEAST_UV, UV
from daq.departures import OnPoint, feed_while_off, on_points, opened_loads, spikes
from daq.evidence import OffKind, Told, Votes, kind_of_off
from daq.floating import sort_out
from daq.in_turn import hasty, in_turn
from daq.labelling import label_stretches
from daq.labels import ON, SOURCE_SEEN_UV, Label, Scale, seen_scale
from daq.pulsed_holes import PulsedHole, joined, pulsed_holes
from daq.pulses import Shown, duty_of, keep_longest, rough_levels, train_levels
from daq.ramps import without_turns
from daq.response import Responses
from daq.ripple import without_ripple
from daq.settled import Level, levels_of
from daq.slow_pulses import with_slow_trains
from daq.stretches import Lost, Pair, Steady, Stretch, Train
from daq.supply import Dip, find_dips
from daq.switching import Part, Switching, follow
from daq.turns import Turn
from daq.votes import weigh
from daq.waveform import Answers, answers_of

KICK_UV = 1.5 * UV
BEATS = 0.08  # of source, beyond every mean level
LEVELS_MOST = 512

K = TypeVar("K")
N = TypeVar("N", int, float)
T = TypeVar("T")

Weighted = tuple[float, float]  # value, weight in pairs


@dataclass(frozen=True, slots=True)
class Off:
    """An off part beside an on part; `to` is where the load works again, `last_make` where it is sure."""

    start: float
    end: float
    to: float
    last_make: float
    kind: OffKind
    floats: bool  # some lead was on nothing
    slipped: bool  # the feed lead, while the load went on
    marked: bool
    begins: bool  # on before
    between: bool  # on before and on after
    settled: bool  # long enough to have a level of its own


@dataclass(frozen=True, slots=True)
class OnLevel:
    """Settled levels of one stretch on, µV; None where pulses are too short to show it."""

    levels: Shown
    label: Label
    pairs: float


@dataclass(slots=True)
class Material:
    scale: Scale = field(default_factory=lambda: Scale(0.0, 0.0))
    initial: Label | None = None  # None: nothing was labelled yet
    now: Label = Label.UNKNOWN
    turns: list[Turn] = field(default_factory=list)
    offs: list[Off] = field(default_factory=list)
    votes: Votes = field(default_factory=Votes)
    forward: float = 0.0  # pairs on with lead 1 positive, within the rails
    reverse: float = 0.0
    mirrored: float = 0.0
    moved_together: int = 0
    in_turn: int = 0  # of these, with an on part right beside one of the two levels
    hasty: int = 0  # of these, with both leads at source for no longer than a relay takes between the two
    references: list[tuple[float, float]] = field(default_factory=list)
    loose: list[tuple[float, float]] = field(default_factory=list)  # a lead off its pin, or the load open
    floats_now: tuple[bool, bool] = (False, False)
    dips: list[Dip] = field(default_factory=list)
    opened: list[tuple[float, float]] = field(default_factory=list)  # the load drew no current though on
    asleep: list[tuple[float, float]] = field(default_factory=list)
    feed_gaps: list[tuple[float, float]] = field(default_factory=list)
    woke: list[float] = field(default_factory=list)
    holes: list[PulsedHole] = field(default_factory=list)
    spikes: list[tuple[float, float]] = field(default_factory=list)
    points: list[OnPoint] = field(default_factory=list)
    trains: list[Train] = field(default_factory=list)
    resting: list[Weighted] = field(default_factory=list)  # source where a lead rests at it
    loaded: list[Weighted] = field(default_factory=list)  # feed lead while on
    ons: list[OnLevel] = field(default_factory=list)
    rests: list[tuple[Pair, float, OffKind]] = field(default_factory=list)  # levels of off parts, and pairs
    rest_low: Pair = (inf, inf)  # lowest and highest level of each lead at the end of an off part
    rest_high: Pair = (-inf, -inf)
    train_on: Pair | None = None
    load: Answers = field(default_factory=Answers)
    jumps: bool = False
    levels: list[Level] = field(default_factory=list)


def gather(
    stretches: Sequence[Stretch], rate_hz: float, told: Told, floor: Scale, responses: Responses
) -> Material:
    """The contribution of these stretches.

    Args:
        floor: the scale that earlier ones showed.
        responses: those that are known from before.
    """
    sorted_out = sort_out(stretches, told.whispers, rate_hz)
    seen = seen_scale(sorted_out.stretches, rate_hz, floor)
    slow = with_slow_trains(sorted_out.stretches, seen, rate_hz)
    stretches = without_turns(without_ripple(slow, seen, rate_hz), seen)
    labelled, scale = label_stretches(stretches, rate_hz, floor)
    switching = follow(stretches, labelled, scale, rate_hz)
    parts = switching.parts
    m = Material(scale=scale, turns=switching.turns)
    m.loose, m.loaded, m.floats_now = sorted_out.loose, sorted_out.beside, sorted_out.now
    if parts:
        m.initial, m.now = switching.initial, parts[-1].label
    votes, off_parts = weigh(parts, scale, rate_hz, told)
    m.votes = votes
    for o in off_parts:
        to = _works_again(parts, o.part)
        m.offs.append(
            Off(
                o.part.start,
                o.part.end,
                to,
                _last_make(switching, o.part.end),
                o.kind,
                any(o.floats),
                o.slipped,
                o.marked,
                o.part.begins,
                o.part.begins and o.part.ends,
                bool(o.part.stretches),
            )
        )
        if o.part.levels is not None and o.kind is not OffKind.NOTHING and not any(o.floats):
            m.rests.append((o.part.levels, o.part.end - o.part.start, o.kind))
            end = o.part.stretches[-1].settled if o.part.stretches else o.part.levels
            m.rest_low, m.rest_high = _lower(m.rest_low, end), _higher(m.rest_high, end)
    _add_levels(m, parts, scale)
    m.resting, m.loaded = _of_a_source(m.resting), _of_a_source(m.loaded)
    m.levels = levels_of(parts, off_parts, stretches, rate_hz)
    m.moved_together = sum(
        a.label is Label.OFF and b.label is Label.OFF and not b.begins for a, b in pairwise(parts)
    )
    m.holes = pulsed_holes(slow, sorted_out.stretches, scale, rate_hz)
    m.in_turn, m.hasty = in_turn(parts, m.holes, rate_hz), hasty(stretches, parts, scale, rate_hz)
    m.references = reference_spans(parts)
    m.dips = find_dips(stretches, parts, scale, rate_hz)
    m.opened = opened_loads(parts, rate_hz)
    feed = feed_while_off(parts, scale, rate_hz)
    m.asleep, m.feed_gaps, m.woke = feed.asleep, feed.gaps, feed.woke
    m.spikes = spikes(stretches, switching.turns, rate_hz)
    m.points = on_points(parts, rate_hz)
    m.trains = keep_longest([s for s in stretches if isinstance(s, Train)])
    m.load = answers_of(parts, switching.turns, scale, rate_hz, responses.of(stretches, rate_hz))
    m.jumps = not scale.something and any(
        max(s.high) - min(s.low) > 2 * UV for s in stretches if not isinstance(s, Lost)
    )
    return m


def _of_a_source(levels: list[Weighted]) -> list[Weighted]:
    """Without what leaks through a driver."""
    return [level for level in levels if level[0] >= SOURCE_SEEN_UV]


def _add_levels(m: Material, parts: Sequence[Part], scale: Scale) -> None:
    for p in parts:
        if p.mirrored:
            m.mirrored += p.end - p.start if p.label in ON else 0.0
            continue
        levels = _pulsed_levels(p) or p.levels
        inside = levels is not None and min(levels) > -1.0 * UV and max(levels) < scale.source + KICK_UV
        if p.label in ON and inside and (p.stretches or p.train is not None):
            if p.label is Label.FORWARD:
                m.forward += p.end - p.start
            else:
                m.reverse += p.end - p.start
        if p.train is not None and p.label in ON:
            _add_train(m, p.train, p.label, scale)
        for s in p.stretches:
            level, n = max(s.settled), float(s.end - s.start)
            if p.label in ON:
                m.ons.append(OnLevel(_calm_levels(s, scale), p.label, n))
            if level < SOURCE_LEAST_UV or level < 0.3 * scale.source:
                continue
            if p.label is Label.OFF and min(s.settled) > 0.3 * level:
                m.resting.append((level, n))
            elif p.label in ON:
                m.loaded.append((level, n))


def _calm_levels(s: Steady, scale: Scale) -> Shown:
    """Settled levels, but none of a lead that beats all the time: pulses too narrow for a train, say."""
    known = [s.head, s.tail, s.mean, s.settled, *((a, b) for _, a, b in s.trail)]
    beyond = BEATS * scale.source
    calm = [
        s.high[k] < max(x[k] for x in known) + beyond and s.low[k] > min(x[k] for x in known) - beyond
        for k in (0, 1)
    ]
    return (s.settled[0] if calm[0] else None), (s.settled[1] if calm[1] else None)


def _add_train(m: Material, train: Train, label: Label, scale: Scale) -> None:
    """What a train shows of the levels on and of the source, beside its edges."""
    on, off = (train.up, train.down) if label is Label.FORWARD else (train.down, train.up)
    m.train_on = on
    feed = 0 if label is Label.FORWARD else 1
    length, share = train.end - train.start, duty_of([train])
    driven, paused = train_levels(train, on, off)
    loaded, source = driven[feed], paused[feed]
    m.ons.append(OnLevel(driven, label, share * length))
    if loaded is None and train.mean_period is not None:
        loaded = rough_levels(train.mean_period)[feed]
    elif loaded is None:
        loaded = train.high[feed]
    if loaded is not None:
        m.loaded.append((loaded, share * length))
    if source is not None and kind_of_off(on, off, label, scale) is OffKind.GROUND_ROSE:
        m.resting.append((source, (1.0 - share) * length))


def _pulsed_levels(part: Part) -> Pair | None:
    if part.train is None or part.stretches:
        return None
    return part.train.up if part.label is Label.FORWARD else part.train.down


def _works_again(parts: Sequence[Part], part: Part) -> float:
    """A dropout lasts until the load works again, whatever the leads do meanwhile."""
    n = next(i for i, p in enumerate(parts) if p is part)
    while n + 1 < len(parts) and parts[n + 1].label is Label.OFF:
        n += 1
    return parts[n].end


def _last_make(switching: Switching, end: float) -> float:
    """A fretting contact makes and breaks again: where it last makes."""
    return next((t.last for t in switching.turns if t.at == end and t.last is not None), end)


def reference_spans(parts: Sequence[Part]) -> list[tuple[float, float]]:
    """Mirrored parts, with the off parts near zero beside them (they read zero without a reference).

    While off, a motor that coasts and a charged capacitor mirror as well: with the feed away nothing holds
    either pin, and the leads' own resistances halve what the load itself makes.
    """
    spans: list[tuple[float, float]] = []
    for n, part in enumerate(parts):
        if not part.mirrored or part.label not in ON:
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


def add(a: Material, b: Material) -> Material:
    """Contribution of two consecutive chapters together."""
    votes = Votes(
        a.votes.low + b.votes.low,
        a.votes.high + b.votes.high,
        a.votes.both + b.votes.both,
        a.votes.floating + b.votes.floating,
        a.votes.unheld + b.votes.unheld,
        _added(a.votes.short, b.votes.short),
        _added(a.votes.seen, b.votes.seen),
        a.votes.first if _was_on(a) else b.votes.first,
        b.votes.final if _was_on(b) else a.votes.final,
        a.votes.fretting + b.votes.fretting,
        a.votes.doubtful + b.votes.doubtful,
        a.votes.transitions + b.votes.transitions,
        a.votes.marked + b.votes.marked,
    )
    return Material(
        scale=Scale(max(a.scale.source, b.scale.source), max(a.scale.full, b.scale.full)),
        initial=a.initial if a.initial is not None else b.initial,
        now=b.now if b.initial is not None else a.now,
        turns=a.turns + b.turns,
        offs=a.offs + b.offs,
        votes=votes,
        forward=a.forward + b.forward,
        reverse=a.reverse + b.reverse,
        mirrored=a.mirrored + b.mirrored,
        moved_together=a.moved_together + b.moved_together,
        in_turn=a.in_turn + b.in_turn,
        hasty=a.hasty + b.hasty,
        references=a.references + b.references,
        loose=a.loose + b.loose,
        floats_now=b.floats_now,
        dips=a.dips + b.dips,
        opened=a.opened + b.opened,
        asleep=a.asleep + b.asleep,
        feed_gaps=a.feed_gaps + b.feed_gaps,
        woke=a.woke + b.woke,
        holes=joined(a.holes, b.holes),
        spikes=a.spikes + b.spikes,
        points=_thin(a.points + b.points),
        trains=keep_longest(a.trains + b.trains),
        resting=_thin(a.resting + b.resting),
        loaded=_thin(a.loaded + b.loaded),
        ons=_thin(a.ons + b.ons),
        rests=_thin(a.rests + b.rests),
        rest_low=_lower(a.rest_low, b.rest_low),
        rest_high=_higher(a.rest_high, b.rest_high),
        train_on=b.train_on or a.train_on,
        load=a.load + b.load,
        jumps=a.jumps and b.jumps,
        levels=_thin(a.levels + b.levels),
    )


def _was_on(m: Material) -> bool:
    """A chapter that is off throughout says neither how it rested before the first on nor after the last."""
    return bool(m.turns) or m.initial in ON


def _lower(a: Pair, b: Pair) -> Pair:
    return min(a[0], b[0]), min(a[1], b[1])


def _higher(a: Pair, b: Pair) -> Pair:
    return max(a[0], b[0]), max(a[1], b[1])


def _added(a: Mapping[K, N], b: Mapping[K, N]) -> dict[K, N]:
    """Counts of both, in the order in which they were first met."""
    out = dict(a)
    for key, n in b.items():
        out[key] = out[key] + n if key in out else n
    return out


def _thin(values: list[T]) -> list[T]:
    """Every other value once there are many: medians of levels do not need them all."""
    return values[::2] if len(values) > LEVELS_MOST else values
