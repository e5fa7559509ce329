"""EventSummary of a run: counts, the longest, clusters in time, coincidence with marks and supply dips.

Pure. What coincides is set beside what chance would give: with marks in plenty, some events are near one by
luck, and a fretting contact makes twenty events of one moment. Where chance explains a number it is shown
and not called telling.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from daq.event_counts import LINKED_S, Counted, Labelled, Run, Together, count_events
from daq.findings import Cluster, Coincidence, Event, EventSummary

MOMENTS_LEAST = 2
"""One coincidence is none: so many separate moments must have it before it is telling."""

CHANCE = 0.01
"""Telling is what chance would give in fewer than one run of a hundred, all comparisons counted."""


def summarise(
    events: Sequence[Event], labels: Iterable[Labelled], begin_s: float, end_s: float
) -> EventSummary:
    """The numbers over `events`, which were looked for from `begin_s` to `end_s`."""
    return weigh(count_events(events, labels), end_s - begin_s)


def weigh(counted: Counted, whole_s: float) -> EventSummary:
    """What was counted, beside what chance would give in `whole_s` seconds."""
    if not counted.count:
        return EventSummary()
    whole_s = max(whole_s, 1e-9)
    return EventSummary(
        counted.count, counted.kinds, _coincidences(counted, whole_s), _clusters(counted, whole_s)
    )


def _coincidences(counted: Counted, whole_s: float) -> tuple[Coincidence, ...]:
    """Those that happened at least once, what tells most first."""
    comparisons = len(counted.together)
    some = [_coincidence(t, whole_s, comparisons) for t in counted.together if t.near]
    return tuple(sorted(some, key=lambda c: (not c.telling, c.by_chance - c.near)))


def _coincidence(t: Together, whole_s: float, comparisons: int) -> Coincidence:
    """By chance: the sum over the events of the share of all moments at which it would have been near, that
    is (time in windows + windows x its length) / whole time; an upper bound, as windows may then overlap.

    Telling: moments near are at least MOMENTS_LEAST, and the Poisson tail P(X >= moments near), times the
    number of comparisons, is below CHANCE. The tail of a sum of independent, unequal chances lies below the
    Poisson tail of the same mean from mean + 1 upwards (Hoeffding, "On the distribution of the number of
    successes in independent trials", 1956; Anderson and Samuels, "Some inequalities among binomial and
    Poisson probabilities", 1967).
    """
    by_chance = (t.of * t.windows_s + t.windows * t.lasting_s) / whole_s
    lucky = (t.moments * t.windows_s + t.windows * t.moments_lasting_s) / whole_s
    unlikely = comparisons * poisson_tail(t.moments_near, lucky) < CHANCE
    return Coincidence(
        kind=t.kind,
        what=t.what,
        mark=t.mark,
        within_s=t.within_s,
        near=t.near,
        of=t.of,
        by_chance=min(by_chance, float(t.of)),
        telling=t.moments_near >= MOMENTS_LEAST and unlikely,
        met=t.met,
        times=t.times,
    )


def _clusters(counted: Counted, whole_s: float) -> tuple[Cluster, ...]:
    """Of each kind the run that chance explains least, where it does not explain it."""
    best: dict[str, tuple[float, Run]] = {}
    for run in counted.runs:
        chance = _chance_of_run(run, whole_s)
        if chance < best.get(run.kind.value, (CHANCE, run))[0]:
            best[run.kind.value] = chance, run
    return tuple(Cluster(r.kind, r.first_s, r.last_s, r.count, r.of) for _, r in best.values())


def _chance_of_run(run: Run, whole_s: float) -> float:
    """At least the expected number of such runs among as many evenly strewn events, at every linking tried.

    A run of k among n events in T seconds spanning w: n P(Poisson((n - 1) w / T) >= k - 1), since each event
    begins one window of w.
    """
    mean = (run.of - 1) * (run.last_s - run.first_s) / whole_s
    return len(LINKED_S) * run.of * poisson_tail(run.count - 1, mean)


def poisson_tail(least: int, mean: float) -> float:
    """P(X >= least) of a Poisson variable of that mean where `least` is above the mean; 1 elsewhere."""
    if least <= mean or least <= 0:
        return 1.0
    if mean <= 0.0:
        return 0.0
    term = math.exp(least * math.log(mean) - mean - math.lgamma(least + 1))
    total = 0.0
    while term > total * 1e-16:
        total += term
        least += 1
        term *= mean / least
    return min(1.0, total)
