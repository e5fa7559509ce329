"""What explains every reading is not put out of sight by how parts are spread, which is judgement.

An explanation that needs an unlikely combination of parts, a driver with a strong test current beside an open
ground, say, loses by it as it should. But how unlikely that is rests on the spreads in knowledge.toml, not on
anything read. So as long as it meets all readings about as well as the best that was found, it is told of
with no less than IN_SIGHT or, where that is less, half of what was believed of it before any reading.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from daq.hypotheses import Hypothesis
from daq.unknowns import Array

IN_SIGHT = 0.0015
OF_BEFORE = 0.5
AS_WELL = 6.0  # in ln: three standard deviations of one reading, and what a search may leave to the top
UNSOUGHT = 4.0  # and so much more where a search may have ended with a reading that it took for a mistake

ToldAs = tuple[int, str, tuple[tuple[str, str | None, bool], ...]]


def by_place(probability: Array, explanations: Sequence[Hypothesis]) -> dict[ToldAs, float]:
    """What is believed of each place by (orders, explanations)."""
    found: dict[ToldAs, float] = {}
    for n, h in enumerate(explanations):
        for order, each in enumerate(probability):
            place = _place(order, h)
            found[place] = found.get(place, 0.0) + float(each[n])
    return found


def kept_in_sight(
    probability: Array,
    before: Mapping[ToldAs, float],
    best_fit: Array,
    explanations: Sequence[Hypothesis],
    sought: npt.NDArray[np.bool_],
) -> Array:
    """The probabilities with the least that is told of a place, in whatever condition, that fits.

    Args:
        probability: (orders, explanations), after the readings.
        before: of each place before any, whether all its explanations are still in question or not.
        best_fit: the same shape, ln density of all readings, none misread, where each fits best.
        sought: (explanations,), whether its best fits were looked for again.

    Returns:
        The same shape, summing to 1.
    """
    fits = best_fit > best_fit.max() - AS_WELL - np.where(sought, 0.0, UNSOUGHT)
    places: dict[ToldAs, list[tuple[int, int]]] = {}
    for n, h in enumerate(explanations):
        for order in range(len(probability)):
            places.setdefault(_place(order, h), []).append((order, n))
    found = probability.copy()
    for place, members in places.items():
        each = tuple(np.array(members).T)
        if not fits[each].any():
            continue
        least = min(IN_SIGHT, OF_BEFORE * before[place])
        missing = least - float(probability[each].sum())
        if missing > 0:
            found[max(members, key=lambda m: best_fit[m])] += missing
    total: Array = found / found.sum()
    return total


def _place(order: int, h: Hypothesis) -> ToldAs:
    """What is told of as one: which lead is on which pin is not, where both or none are control wires, nor
    which of two ends it is that a bridge's fault is in."""
    faults = tuple((f.fault, f.place, f.leaking) for f in (h.fault, h.second) if f is not None)
    return order if h.side in ("low", "high") else 0, h.side, faults
