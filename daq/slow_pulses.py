"""Pulses too slow for the running middle: regular steps between two levels, told from the stretches.

The middle of the last windows follows pulses whose two levels both lie within it. A motor pulsed at 20 Hz
stays on for longer than that, and while off it coasts above half: its steps are regular all the same.
"""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daq.labels import ON_ABOVE, Scale, difference
from daq.rhythm import ALIKE, LONGEST_S, PERIODS, Direction
from daq.stretches import Lost, Steady, Stretch, Train, Zone

STEP_OF_D = 0.1
RINGS_S = 0.004  # steps the same way this close are one
JITTER_PAIRS = 1.3


@dataclass(frozen=True, slots=True)
class Step:
    """A fast change of lead 1 - lead 2 before the stretch at position `to`."""

    at: float
    up: bool
    to: int


def with_slow_trains(stretches: Sequence[Stretch], scale: Scale, rate_hz: float) -> list[Stretch]:
    """The stretches, with each run of at least five regular periods as one train."""
    out: list[Stretch] = []
    done = 0
    for run in _regular(_steps(stretches, scale, rate_hz), rate_hz):
        first, last = run[0].to - 1, run[-1].to  # the zone of the first step to the stretch after the last
        if first < done:
            continue
        train = _train(run, stretches)
        little, much = sorted((abs(difference(train.up)), abs(difference(train.down))))
        if little > ON_ABOVE * much:
            continue  # it never goes off: ripple
        out += [*stretches[done:first], train]
        done = last
    return [*out, *stretches[done:]]


def _steps(stretches: Sequence[Stretch], scale: Scale, rate_hz: float) -> list[Step | None]:
    """Steps in order; None where time or a train lies between."""
    steps: list[Step | None] = []
    before: Steady | None = None
    for n, s in enumerate(stretches):
        if isinstance(s, Lost | Train):
            steps.append(None)
            before = None
        if not isinstance(s, Steady):
            continue
        zone = stretches[n - 1] if n else None
        if before is not None and isinstance(zone, Zone):
            change = difference(s.head) - difference(before.tail)
            if abs(change) > STEP_OF_D * scale.full:
                step = Step(_crossing(zone, before, s), change > 0, n)
                last = steps[-1] if steps else None
                if last is None or last.up is not step.up or step.at - last.at > RINGS_S * rate_hz:
                    steps.append(step)
        before = s
    return steps


def _crossing(zone: Zone, before: Steady, after: Steady) -> float:
    """Where the difference passes the middle between two levels; the zone's begin where it is not kept."""
    if zone.raw is None:
        return float(zone.start)
    low, high = difference(before.tail), difference(after.head)
    d = (zone.raw[:, 0].astype(np.float64) - zone.raw[:, 1] - (low + high) / 2) * np.sign(high - low)
    beyond = np.flatnonzero(d > 0)
    i = int(beyond[0]) if len(beyond) else 0
    return zone.raw_start + (i - float(d[i] / (d[i] - d[i - 1])) if i else 0.0)


def _regular(steps: Sequence[Step | None], rate_hz: float) -> list[list[Step]]:
    """Runs of alternating steps whose periods are alike, of at least five periods."""
    runs: list[list[Step]] = []
    run: list[Step] = []
    for step in [*steps, None]:
        if step is not None and _goes_on(run, step, rate_hz):
            run.append(step)
            continue
        if len(run) > 2 * PERIODS:
            runs.append(run)
        run = [] if step is None else [*run[-1:], step] if run and run[-1].up is not step.up else [step]
    return runs


def _goes_on(run: Sequence[Step], step: Step, rate_hz: float) -> bool:
    if not run or run[-1].up is step.up:
        return not run
    if len(run) == 1:
        return step.at - run[0].at < LONGEST_S * rate_hz
    period = step.at - run[-2].at
    usual = statistics.median([b.at - a.at for a, b in zip(run, run[2:], strict=False)] or [period])
    return period < LONGEST_S * rate_hz and abs(period - usual) <= max(ALIKE * usual, JITTER_PAIRS)


def _train(run: Sequence[Step], stretches: Sequence[Stretch]) -> Train:
    inside = [s for s in stretches[run[0].to : run[-1].to] if isinstance(s, Steady)]
    edges = {step.to: step.up for step in run}
    high: list[Steady] = []
    low: list[Steady] = []
    now = run[0].up
    for n in range(run[0].to, run[-1].to):
        now = edges.get(n, now)
        s = stretches[n]
        if isinstance(s, Steady):
            (high if now else low).append(s)
    times = {way: [s.at for s in run if s.up is way] for way in (True, False)}
    up_time = sum(b.at - a.at for a, b in itertools.pairwise(run) if a.up)
    periods = min((Direction.of(t) for t in times.values() if len(t) > 2), key=lambda d: d.wander)
    return Train(
        start=run[0].at,
        end=run[-1].at,
        periods=(len(run) - 1) // 2,
        period=periods.mean_period,
        up_share=up_time / (run[-1].at - run[0].at),
        up=_mean(high),
        down=_mean(low),
        low=(min(s.low[0] for s in inside), min(s.low[1] for s in inside)),
        high=(max(s.high[0] for s in inside), max(s.high[1] for s in inside)),
        beats=(0.0, 0),
        mean_period=None,
        from_levels=True,
    )


def _mean(levels: Sequence[Steady]) -> tuple[float, float]:
    weights = np.array([s.end - s.start for s in levels], dtype=np.float64)
    means = np.average(np.array([s.mean for s in levels]), axis=0, weights=weights)
    return float(means[0]), float(means[1])
