"""Stretches of a recording -> evidence, events, drops: the last pure stage before the judge.

`analyse` looks at all stretches it is given at once, so that what came later can explain what came before
(a floating reference, a level that turned out to be "off").
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from daq.crossings import SOURCE_LEAST_UV, UV
from daq.events import name_events
from daq.evidence import Evidence, Mark, OffPart, weigh
from daq.findings import Edge, Event, Judgement, LoadKind, LoadState, Pwm, Side
from daq.glue import glue
from daq.judge import judge
from daq.labels import Label, Scale, label_stretches, rough_scale
from daq.pulses import pwm_of
from daq.stretches import Pair, Stretch
from daq.supply import find_dips
from daq.switching import Part, Switching, follow
from daq.waveform import load_kind

WEIGHT_MOST_S = 0.3  # a long stretch counts no more than this when the drops are chosen

ON = (Label.FORWARD, Label.REVERSE)


@dataclass(frozen=True, slots=True)
class Context:
    """What is known beside the samples."""

    rate_hz: float
    marks: tuple[Mark, ...] = ()
    expectation: str = "switching"
    reference_proven: bool = False
    checked_source_v: float | None = None
    plug: str = "unknown"
    ac: bool = False
    noise: bool = False
    clipped: bool = False


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything found in one list of stretches; times in pairs until `seconds` turns them."""

    judgement: Judgement
    scale: Scale
    initial: LoadState
    now: LoadState
    edges: tuple[Edge, ...]
    events: tuple[Event, ...]
    pwm: Pwm | None
    pwm_note: str
    source_v: float | None
    feed_drop_v: float | None
    ground_drop_v: float | None
    load: LoadKind
    cautions: tuple[str, ...]


def analyse(stretches: Sequence[Stretch], context: Context, seconds: Callable[[float], float]) -> Analysis:
    """Everything that these stretches say; `seconds` maps a pair position to seconds from the first."""
    stretches = glue(stretches, rough_scale(stretches, context.rate_hz), context.rate_hz)
    labelled, scale = label_stretches(stretches, context.rate_hz)
    switching = follow(stretches, labelled, scale, context.rate_hz)
    evidence = _evidence(stretches, switching, scale, context)
    judgement = judge(evidence)
    reversing = judgement.side is Side.REVERSING
    told = name_events(switching, evidence, judgement, context.rate_hz, context.expectation == "steady")
    dips = [] if context.ac else find_dips(stretches, switching.parts, scale, context.rate_hz)
    events = [(e.kind, e.start, e.end) for e in told.events] + [(d.kind, d.start, d.end) for d in dips]
    silent = context.ac or context.noise
    pwm, note = (None, "") if silent else pwm_of(stretches, switching, context.rate_hz)
    edges = () if silent else tuple(Edge(seconds(t.at), state_of(t.label, reversing)) for t in told.turns)
    feed_drop, ground_drop = _drops(switching.parts, evidence, judgement, context)
    return Analysis(
        judgement=judgement,
        scale=scale,
        initial=LoadState.UNKNOWN if silent else state_of(switching.initial, reversing),
        now=_now(switching, silent, reversing),
        edges=edges,
        events=tuple(
            Event(kind, seconds(a), seconds(b) - seconds(a)) for kind, a, b in sorted(events, key=lambda e: e[1])
        )
        if not silent
        else (),
        pwm=pwm,
        pwm_note=note,
        source_v=evidence.source_v,
        feed_drop_v=feed_drop,
        ground_drop_v=ground_drop,
        load=LoadKind.UNKNOWN if silent else load_kind(stretches, switching.parts, scale, context.rate_hz),
        cautions=_cautions(context, told.reference_lost),
    )


def state_of(label: Label, reversing: bool) -> LoadState:
    if label is Label.OFF:
        return LoadState.OFF
    if label is Label.UNKNOWN:
        return LoadState.UNKNOWN
    if not reversing:
        return LoadState.ON
    return LoadState.FORWARD if label is Label.FORWARD else LoadState.REVERSE


def _now(switching: Switching, silent: bool, reversing: bool) -> LoadState:
    if silent or not switching.parts:
        return LoadState.UNKNOWN
    return state_of(switching.parts[-1].label, reversing)


def _cautions(context: Context, reference_lost: bool) -> tuple[str, ...]:
    named = [("ac", context.ac), ("out_of_range", context.clipped), ("reference_lost", reference_lost)]
    return tuple(name for name, applies in named if applies)


def _evidence(
    stretches: Sequence[Stretch], switching: Switching, scale: Scale, context: Context
) -> Evidence:
    parts = switching.parts
    votes, off_parts = weigh(
        parts, scale, context.rate_hz, context.marks, context.expectation == "steady"
    )
    evidence = Evidence(
        votes=votes,
        off_parts=off_parts,
        forward=_time_in(parts, Label.FORWARD, scale) / context.rate_hz,
        reverse=_time_in(parts, Label.REVERSE, scale) / context.rate_hz,
        mirrored_s=sum(p.end - p.start for p in parts if p.mirrored) / context.rate_hz,
        source_v=_source(parts, scale),
        reference_proven=context.reference_proven,
        ac=context.ac,
        noise=context.noise or (not scale.seen and _jumps(stretches)),
        plug=context.plug,
        expectation=context.expectation,
        moved_together=_moved_together(parts),
        always_on=any(p.label in ON for p in parts) and not off_parts,
        nothing_seen=not scale.seen,
    )
    on = _longest(parts, ON)
    off = max((o.part for o in off_parts), key=lambda p: p.end - p.start, default=None)
    on_levels = on.stretches[-1].late if on is not None and on.stretches else on.levels if on else None
    return replace(
        evidence,
        on_levels_v=_volts(_train_levels(on) or on_levels),
        off_levels_v=_volts(off.levels if off is not None else None),
    )


def _train_levels(part: Part | None) -> Pair | None:
    if part is None or part.train is None or part.stretches:
        return None
    return part.train.up if part.label is Label.FORWARD else part.train.down


def _jumps(stretches: Sequence[Stretch]) -> bool:
    """Nothing at source, yet large fast movement: leads in the air."""
    return any(max(s.high) - min(s.low) > 2 * UV for s in stretches if hasattr(s, "high"))


def _time_in(parts: Sequence[Part], label: Label, scale: Scale) -> float:
    """Pairs spent in a state with both leads within the rails (a kick is no reversal)."""
    total = 0.0
    for p in parts:
        if p.label is not label or p.mirrored:
            continue
        levels = _train_levels(p) or p.levels
        inside = levels is not None and min(levels) > -1.0 * UV and max(levels) < scale.source + 1.5 * UV
        if inside and (p.stretches or p.train is not None):
            total += p.end - p.start
    return total


def _moved_together(parts: Sequence[Part]) -> int:
    return sum(
        a.label is Label.OFF and b.label is Label.OFF and not b.begins
        for a, b in zip(parts, parts[1:], strict=False)
    )


def _longest(parts: Sequence[Part], labels: tuple[Label, ...]) -> Part | None:
    fit = [p for p in parts if p.label in labels and not p.mirrored and (p.stretches or p.train)]
    return max(fit, key=lambda p: p.end - p.start, default=None)


def _volts(levels: Pair | None) -> Pair | None:
    return None if levels is None else (levels[0] / UV, levels[1] / UV)


def _source(parts: Sequence[Part], scale: Scale) -> float | None:
    """Median over time of the resting source where a lead rests at it, else of the loaded feed lead."""
    resting: list[tuple[float, float]] = []
    loaded: list[tuple[float, float]] = []
    for p in parts:
        for s in () if p.mirrored else p.stretches:
            level, n = max(s.settled), float(s.end - s.start)
            if level < SOURCE_LEAST_UV or level < 0.3 * scale.source:
                continue
            if p.label is Label.OFF and min(s.late) > 0.3 * level:
                resting.append((level, n))
            elif p.label in ON:
                loaded.append((level, n))
        if p.train is not None and not p.mirrored and not p.stretches:
            loaded.append((max(*p.train.up, *p.train.down), p.end - p.start))
    chosen = resting or loaded
    return _weighted(chosen, 0.75) / UV if chosen else None


def _weighted(values: list[tuple[float, float]], quantile: float = 0.5) -> float:
    """Quantile of (value, weight) pairs: a few odd stretches (a load that opened, a dip) do not move it."""
    ordered = sorted(values)
    weights = np.cumsum([w for _, w in ordered])
    return ordered[int(np.searchsorted(weights, weights[-1] * quantile))][0]


def _drops(
    parts: Sequence[Part], evidence: Evidence, judgement: Judgement, context: Context
) -> tuple[float | None, float | None]:
    """Feed-side and ground-side drops while on, from settled on parts, weighted by time."""
    feed, ground = judgement.feed_lead, judgement.ground_lead
    ons = [s for p in parts if p.label in ON and not p.mirrored for s in p.stretches]
    if feed is None or ground is None or not ons or context.ac:
        return None, None
    most = WEIGHT_MOST_S * context.rate_hz
    weights = [min(float(s.end - s.start), most) for s in ons]
    feed_on = _weighted([(s.settled[feed - 1], w) for s, w in zip(ons, weights, strict=True)]) / UV
    ground_on = _weighted([(s.settled[ground - 1], w) for s, w in zip(ons, weights, strict=True)]) / UV
    source = context.checked_source_v or _resting_source(evidence.off_parts, judgement, feed)
    return (None if source is None else source - feed_on), ground_on


def _resting_source(off_parts: Sequence[OffPart], judgement: Judgement, feed: int) -> float | None:
    if judgement.side is not Side.LOW:
        return None
    rest = [(s.settled[feed - 1], float(s.end - s.start)) for o in off_parts for s in o.part.stretches
            if o.kind.value == "low"]
    return _weighted(rest) / UV if rest else None


