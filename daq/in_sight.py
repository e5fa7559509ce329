"""What explains every reading is not put out of sight by how parts are spread, which is judgement.

An explanation that needs an unlikely combination of parts, a driver with a strong test current beside an open
ground, say, loses by it as it should. But how unlikely that is rests on the spreads in knowledge.toml, not on
anything read. So as long as it meets all readings about as well as the best that was found, it is told of
with no less than IN_SIGHT or, where that is less, half of what was believed of it before any reading.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from daq.hypotheses import Fault, Hypothesis
from daq.unknowns import Array

IN_SIGHT = 0.0015
OF_BEFORE = 0.5
AS_WELL = 6.0  # in ln: three standard deviations of one reading, and what a search may leave to the top
UNSOUGHT = 4.0  # and so much more where a search may have ended with a reading that it took for a mistake

Place = tuple[int, str, Fault, Fault | None]


def kept_in_sight(
    probability: Array,
    before: Array,
    best_fit: Array,
    explanations: Sequence[Hypothesis],
    sought: npt.NDArray[np.bool_],
) -> Array:
    """The probabilities with the least that is told of a place, in whatever condition, that fits.

    Args:
        probability, before: (orders, explanations), after the readings and before any.
        best_fit: the same shape, ln density of all readings, none misread, where each fits best.
        sought: (explanations,), whether its best fits were looked for again.

    Returns:
        The same shape, summing to 1.
    """
    fits = best_fit > best_fit.max() - AS_WELL - np.where(sought, 0.0, UNSOUGHT)
    places: dict[Place, list[tuple[int, int]]] = {}
    for n, h in enumerate(explanations):
        for order in range(len(probability)):
            places.setdefault((order, h.side, h.fault, h.second), []).append((order, n))
    found = probability.copy()
    for members in places.values():
        each = tuple(np.array(members).T)
        if not fits[each].any():
            continue
        least = min(IN_SIGHT, OF_BEFORE * float(before[each].sum()))
        missing = least - float(probability[each].sum())
        if missing > 0:
            found[max(members, key=lambda m: best_fit[m])] += missing
    total: Array = found / found.sum()
    return total
