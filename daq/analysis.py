"""Material -> judgement, edges, events, drops: what is said about a recording."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from daq.crossings import UV
from daq.events import Span, User, name_events, without_beats
from daq.evidence import Evidence, Mark, OffKind
from daq.findings import Edge, Event, EventKind, Judgement, Lead, LoadKind, LoadState, Pwm, Side
from daq.judge import judge
from daq.labels import Label
from daq.material import Material, Weighted
from daq.pulses import TOO_FAST, pwm_of
from daq.samples import Scale
from daq.seen import Held, Look, Seen
from daq.settled import broken_state, states_of
from daq.stretches import Pair
from daq.turns import Turn
from daq.waveform import kind_of_load

OTHER_WAY = 0.7  # of the load's voltage in the one direction
OTHER_REST = 0.5  # of source, both leads: rests this far apart are two different circuits
CURRENT_SEEN_UV = 0.04 * UV  # on the ground side; then a stretch on with less than
NO_CURRENT = 0.125  # of the usual high level was one without current: the load had opened
HIGH = 0.75  # quantile
DROPOUTS = (EventKind.FEED_DROPOUT, EventKind.GROUND_DROPOUT)
WEIGHT_MOST_S = 0.3  # a long stretch counts no more than this when levels are chosen

Seconds = Callable[[float], float]  # of a pair position, from the first sample


@dataclass(frozen=True, slots=True)
class Context:
    """What is known beside the stretches."""

    rate_hz: float
    expectation: str = "switching"
    reference_proven: bool = False
    check_failed: bool = False  # the lead check, and none was passed since
    checked_source_v: float | None = None
    whispered: bool = False
    ac: bool = False
    swings: bool = False  # below the reference as well as above
    unresolved: tuple[tuple[int, int], ...] = ()  # pairs in which the leads are pulsed too fast to see
    noise: bool = False
    clipped: bool = False
    skew_s: tuple[float, float] = (0.0, 0.0)
    marks: tuple[Mark, ...] = ()
    held: tuple[Held, ...] = ()  # read unplugged
    scale: Scale | None = None  # how well the levels are known
    baseline: float | None = None  # pair at which the user called the last minute normal


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything found. `turns` and `spans` in pairs: `edges` and `events` say them in seconds."""

    judgement: Judgement
    look: Look | None  # what there is to reason about; None where nothing is
    initial: LoadState
    now: LoadState
    turns: tuple[Turn, ...]
    spans: tuple[Span, ...]
    pwm: Pwm | None
    pwm_note: str
    source_v: float | None
    source_resting: bool
    feed_drop_v: float | None
    ground_drop_v: float | None
    load: LoadKind
    cautions: tuple[str, ...]
    floats_now: tuple[bool, bool]  # leads that nothing holds
    skew_s: tuple[float, float]  # when each lead was sampled after the pair's own time

    def edges(self, seconds: Seconds, newest: int = 0) -> tuple[Edge, ...]:
        """The edges, or the `newest` of them; timed by the lead that moves."""
        reversing = self.judgement.side is Side.REVERSING
        after = self._after(self.judgement.control_lead)
        return tuple(Edge(seconds(t.at) + after, state_of(t.label, reversing)) for t in self.turns[-newest:])

    def events(self, seconds: Seconds, newest: int = 0) -> tuple[Event, ...]:
        """The events, or the `newest` of them; timed by the lead that moves."""
        moves = {
            EventKind.FEED_DROPOUT: self.judgement.feed_lead,
            EventKind.GROUND_DROPOUT: self.judgement.ground_lead,
        }
        return tuple(
            Event(
                e.kind, seconds(e.start) + self._after(moves.get(e.kind)), seconds(e.end) - seconds(e.start)
            )
            for e in self.spans[-newest:]
        )

    def _after(self, lead: Lead | str | None) -> float:
        """How long after the pair's own time what moved was sampled, s."""
        return self.skew_s[lead - 1] if isinstance(lead, int) else sum(self.skew_s) / 2


def conclude(m: Material, context: Context) -> Analysis:
    """What the material says."""
    evidence = _evidence(m, context)
    judgement = judge(evidence)
    silent = context.ac or context.noise
    user = User(context.expectation == "steady", context.marks, context.baseline)
    told = without_beats(
        name_events(m, judgement, context.rate_hz, user), m.initial, context.unresolved, context.rate_hz
    )
    reversing = judgement.side is Side.REVERSING
    pwm, note = (None, "") if silent else pwm_of(m.trains, context.rate_hz)
    if pwm is None and context.unresolved and not silent:
        note = TOO_FAST
    feed_drop, ground_drop = (None, None) if silent else _drops(m, judgement, context)
    load = LoadKind.UNKNOWN
    if not silent:
        load = kind_of_load(m.load, m.trains, m.scale, reversing, context.rate_hz)
    return Analysis(
        judgement=judgement,
        look=None if silent else partial(_seen, m, context, judgement.side, told.events, load),
        initial=LoadState.UNKNOWN if silent or m.initial is None else state_of(m.initial, reversing),
        now=LoadState.UNKNOWN if silent else state_of(m.now, reversing),
        turns=() if silent else _changes(told.turns, m.initial, reversing),
        spans=() if silent else told.events,
        pwm=pwm,
        pwm_note=note,
        source_v=evidence.source_v,
        source_resting=bool(m.resting),
        feed_drop_v=feed_drop,
        ground_drop_v=ground_drop,
        load=load,
        cautions=_cautions(context, bool(m.references)),
        floats_now=m.floats_now,
        skew_s=context.skew_s,
    )


def state_of(label: Label, reversing: bool) -> LoadState:
    if label is Label.OFF:
        return LoadState.OFF
    if label is Label.UNKNOWN:
        return LoadState.UNKNOWN
    if not reversing:
        return LoadState.ON
    return LoadState.FORWARD if label is Label.FORWARD else LoadState.REVERSE


def _changes(turns: Sequence[Turn], initial: Label | None, reversing: bool) -> tuple[Turn, ...]:
    """The turns that change the load's state: where it is not known to reverse, on is on either way round."""
    state = LoadState.UNKNOWN if initial is None else state_of(initial, reversing)
    kept = []
    for turn in turns:
        before, state = state, state_of(turn.label, reversing)
        if state is not before:
            kept.append(turn)
    return tuple(kept)


def _cautions(context: Context, reference_lost: bool) -> tuple[str, ...]:
    named = [("ac", context.ac), ("out_of_range", context.clipped), ("reference_lost", reference_lost)]
    return tuple(name for name, applies in named if applies)


def _evidence(m: Material, context: Context) -> Evidence:
    rate = context.rate_hz
    chosen = m.resting or m.loaded
    return Evidence(
        votes=m.votes.settled(),
        only_short=bool(m.offs or m.votes.fretting) and not any(o.settled for o in m.offs),
        forward=m.forward / rate,
        reverse=m.reverse / rate,
        one_way_weak=_one_way_weak(m),
        mirrored_s=m.mirrored / rate,
        source_v=context.checked_source_v or (weighted(chosen, 0.75) / UV if chosen else None),
        on_levels_v=_on_levels(m),
        off_levels_v=_off_levels(m),
        reference_proven=context.reference_proven and not m.references,
        check_failed=context.check_failed,
        ac=context.ac,
        swings=context.swings,
        too_fast=bool(context.unresolved),
        noise=context.noise or m.jumps,
        whispered=context.whispered,
        moved_together=m.moved_together,
        in_turn=m.in_turn,
        hasty=m.hasty,
        roles_swapped=_roles_swapped(m),
        always_on=m.forward + m.reverse > 0 and not m.offs,
        nothing_seen=not m.scale.seen,
        on_settled=any(None not in on.levels for on in m.ons),
    )


def _seen(m: Material, context: Context, side: Side, events: Sequence[Span], load: LoadKind) -> Seen:
    switched = {Side.LOW: OffKind.GROUND_ROSE, Side.HIGH: OffKind.FEED_FELL}.get(side)
    broken = None
    if switched is not None and any(e.kind in DROPOUTS for e in events):
        broken = broken_state(m.levels, context.rate_hz, context.scale, switched)
    return Seen(
        states_of(
            m.levels,
            m.turns,
            context.marks,
            context.rate_hz,
            context.scale,
            switched,
            side is Side.UNDETERMINED,
        ),
        context.held,
        LoadState.FORWARD if m.forward >= m.reverse else LoadState.REVERSE,
        context.checked_source_v,
        context.reference_proven and not m.references,
        broken,
        load not in (LoadKind.UNKNOWN, LoadKind.RESISTIVE),
    )


def _one_way_weak(m: Material) -> bool:
    """Whether one direction shows much less voltage than the other: a bad connection that way round, or no
    direction at all, but what a neighbour makes of a ground that it lifts while the feed is away."""
    usual = []
    for label in (Label.FORWARD, Label.REVERSE):
        levels = [(*on.levels, on.pairs) for on in m.ons if on.label is label]
        seen = [(abs(a - b), n) for a, b, n in levels if a is not None and b is not None]
        usual += [weighted(seen)] if seen else []
    return len(usual) == 2 and min(usual) < OTHER_WAY * max(usual)


def _roles_swapped(m: Material) -> bool:
    """A reversing load rests the same way beside either direction; a lead that came off does not."""
    if min(b - a for a, b in zip(m.rest_low, m.rest_high, strict=True)) > OTHER_REST * m.scale.source:
        return True
    usual = []
    for label in (Label.FORWARD, Label.REVERSE):
        kinds = {kind: weight for (seen, kind), weight in m.votes.seen.items() if seen is label}
        usual.append(max(kinds, key=lambda k: kinds[k]) if kinds else None)
    return None not in usual and usual[0] is not usual[1]


def _on_levels(m: Material) -> Pair | None:
    told = [(a, b, o.pairs) for o in m.ons for a, b in [o.levels] if a is not None and b is not None]
    if told:
        a, b, _ = max(told, key=lambda t: t[2])
        return a / UV, b / UV
    return _volts(m.train_on)


def _off_levels(m: Material) -> Pair | None:
    """The rest that lasted longest, of the kind that most votes are for: the others are faults."""
    votes = m.votes.settled()
    weight = {
        OffKind.GROUND_ROSE: votes.low,
        OffKind.FEED_FELL: votes.high,
        OffKind.BOTH_MOVED: votes.both,
    }
    usual = max(m.rests, key=lambda r: (weight[r[2]], r[1]), default=None)
    return None if usual is None else _volts(usual[0])


def _volts(levels: Pair | None) -> Pair | None:
    return None if levels is None else (levels[0] / UV, levels[1] / UV)


def weighted(values: list[Weighted], quantile: float = 0.5) -> float:
    """Quantile of (value, weight) pairs: a few odd stretches (a load that opened, a dip) do not move it."""
    ordered = sorted(values)
    weights = np.cumsum([w for _, w in ordered])
    return ordered[int(np.searchsorted(weights, weights[-1] * quantile))][0]


def _drops(m: Material, judgement: Judgement, context: Context) -> tuple[float | None, float | None]:
    """Feed-side and ground-side drops while on."""
    reversing = judgement.side is Side.REVERSING
    if not reversing and (judgement.feed_lead is None or judgement.ground_lead is None):
        return None, None
    most = WEIGHT_MOST_S * context.rate_hz
    shown = []
    for on in m.ons:
        feed = judgement.feed_lead or (1 if on.label is Label.FORWARD else 2)
        shown.append((on.levels[feed - 1], on.levels[2 - feed], min(on.pairs, most)))
    grounds = [(ground, n) for _, ground, n in shown if ground is not None]
    high = weighted(grounds, HIGH) if grounds else 0.0
    no_current = NO_CURRENT * high if high > CURRENT_SEEN_UV else -math.inf
    feeds = [
        (feed, n) for feed, ground, n in shown if feed is not None and (ground is None or ground > no_current)
    ]
    grounds = [g for g in grounds if g[0] > no_current]
    source = context.checked_source_v
    if source is None and judgement.side is not Side.HIGH and m.resting:
        source = weighted(m.resting) / UV
    return (
        source - weighted(feeds) / UV if source is not None and feeds else None,
        weighted(grounds) / UV if grounds else None,
    )
