"""Where climbs to an explanation's best fits may begin: points from all over the space of its unknowns.

Draws that explain every reading are rare where two kinds of parts and two dials must be right together, and a
climb changes no kind. So points with every combination of kinds, dials about a little further than they are
drawn, are seen with the readings so much widened that each of them pulls, none taken for a mistake; the best
points of a few combinations are where to begin.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from daq.climbing import TOLD_APART, Start, hangs_on, relevant_dials
from daq.explained import circuits
from daq.hypotheses import Hypothesis
from daq.knowledge import Knowledge
from daq.likelihood import ORDERS, scored
from daq.points import point_of
from daq.readings import Reading
from daq.unknowns import DIALS, Array, Draws, further_about, unaimed, with_soft_shorts

POINTS = 1024
FURTHER = 1.3  # about than dials are drawn
WIDENED = (4.0, 11.0)  # of the readings' deviation
CLOSE = 6.0  # to the best point, in ln as widened


def screened(
    some: Sequence[Hypothesis],
    given: list[Reading],
    knowledge: Knowledge,
    seen_v: float | None,
    seed: int,
) -> list[list[Start]]:
    """For each of `some` where to begin; `row` of each start counts `some`."""
    draws = further_about(unaimed(knowledge, POINTS, seen_v, seed, TOLD_APART), FURTHER)
    draws, _ = with_soft_shorts(draws, seed)
    scorer = scored(circuits(tuple(some), draws, knowledge), given, knowledge.reading)
    rows = np.arange(len(some))
    unlikely = 0.5 * np.stack([_squared(draws)[relevant_dials(h)].sum(axis=0) for h in some])
    found = []
    for row, h in enumerate(some):
        chosen: dict[tuple[int, int], None] = {}
        for widen in WIDENED:
            fit = scorer.log_fit_of_all(rows[row : row + 1], np.full((len(ORDERS), 1), widen))
            chosen |= dict.fromkeys(_best(fit[:, 0] - unlikely[row], h, draws))
        found.append([Start(row, ORDERS[o], point_of(draws, 0, c, knowledge)) for o, c in chosen])
    return found


def _squared(draws: Draws) -> Array:
    return np.stack([draws.dials[name][0] ** 2 for name in DIALS])


def _best(fit: Array, h: Hypothesis, draws: Draws) -> list[tuple[int, int]]:
    """The best point, (order, column), either way round with each kind on which the explanation hangs, where
    that is close to the best of all."""
    least = fit.max() - CLOSE
    found = []
    for name in TOLD_APART:
        codes = draws.choices[name][0]
        for code in np.unique(codes) if name in hangs_on(h) else ():
            some = np.flatnonzero(codes == code)
            best = some[fit[:, some].argmax(axis=1)]
            found += [(o, int(c)) for o, c in enumerate(best) if fit[o, c] > least]
    return found
