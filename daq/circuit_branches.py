"""Newton's method on the non-linear branches of many circuits at once.

The rest of each circuit is a many-port: v = open_v - ohm i, over branches.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from daq.circuit_parts import JOINED_S, Element, Joint, Load, taken

Array = npt.NDArray[np.float64]

TOLERANCE_V = 1e-3  # of the last step: what is left is of its square
MOST_ROUNDS = 80
FEWER = 0.4  # of the circuits still going: then it pays to pick them out
SWEEPS = 2
# Put beside each non-linear branch and taken off its current again. Branches in series would each be a gap to
# the other; this keeps the many-port's resistances small enough to be told apart in double precision.
BESIDE_S = 1e-6


def branch_currents(elements: Sequence[Element], open_v: Array, ohm: Array) -> Array:
    """Currents, A, (branches, circuits), less what BESIDE_S would carry.

    Args:
        elements: the branches; their values are over circuits.
        open_v: (branches, circuits) voltages with no current in any branch.
        ohm: (branches, branches, circuits) what 1 A in one branch takes off the voltage of another.
    """
    if len(elements) != 1 or not isinstance(elements[0], Load):
        return _iterated(elements, open_v, ohm)
    answer = np.empty_like(open_v)
    for kind, rows in elements[0].kinds():
        if len(rows):
            answer[:, rows] = _iterated([kind], open_v[:, rows], ohm[..., rows])
    return answer


def _iterated(elements: Sequence[Element], open_v: Array, ohm: Array) -> Array:
    """What has settled leaves the work."""
    answer = np.empty_like(open_v)
    if not len(elements):
        return answer
    linear = all(isinstance(e, Joint) for e in elements)
    left, across = np.arange(open_v.shape[1]), _begin(elements, open_v, ohm)
    for _ in range(MOST_ROUNDS):
        tangents = [e.tangent(v) for e, v in zip(elements, across, strict=True)]
        current = np.stack([t[0] for t in tangents]) - BESIDE_S * across
        slope = np.stack([t[1] for t in tangents]) - BESIDE_S
        miss = across - open_v + (ohm * current).sum(axis=1)
        step = _divided(miss, ohm * slope)
        target = across - step
        answer[:, left] = current - slope * step
        going = np.flatnonzero((np.abs(step) > TOLERANCE_V).any(axis=0))
        if linear or not len(going):
            break
        across = np.stack([e.limited(t, v) for e, t, v in zip(elements, target, across, strict=True)])
        if len(going) < FEWER * len(left):
            left, across = left[going], across[:, going]
            open_v, ohm = open_v[:, going], ohm[..., going]
            elements = [taken(e, lambda values: values[going]) for e in elements]  # noqa: B023
    return answer


def _divided(miss: Array, matrix: Array) -> Array:
    """(1 + matrix)^-1 miss for every circuit, by Gaussian elimination; `matrix` is used up.

    `miss` is (branches, circuits), or (branches, any, circuits) where there are more of them.

    No pivots are looked for: 1 + R S, with R of a passive many-port and S of slopes above zero, has leading
    minors of at least 1.
    """
    count = len(miss)
    if count == 1:
        alone: Array = miss / (1.0 + matrix[0])
        return alone
    rest, m = miss.copy(), matrix
    for n in range(count):
        m[n, n] += 1.0
    for n in range(count):
        for below in range(n + 1, count):
            share = m[below, n] / m[n, n]
            m[below, n + 1 :] -= share * m[n, n + 1 :]
            rest[below] -= share * rest[n]
    for n in reversed(range(count)):
        for after in range(n + 1, count):
            rest[n] -= m[n, after] * rest[after]
        rest[n] /= m[n, n]
    return rest


def _begin(elements: Sequence[Element], open_v: Array, ohm: Array) -> Array:
    """First branch voltages: each branch solved alone, the others as joints, then as their tangents.

    Branches in series share their voltage out so; Newton's steps would move it by one `slope_v` at a time.
    """
    across = np.zeros_like(open_v)
    fixed, slope = np.zeros_like(open_v), np.full_like(open_v, JOINED_S)
    for _ in range(SWEEPS if len(elements) > 1 else 1):
        for n, element in enumerate(elements):
            across[n] = element.guess(*_behind(n, open_v, ohm, fixed, slope))
            current, slope[n] = element.tangent(across[n])
            slope[n] -= BESIDE_S
            fixed[n] = current - BESIDE_S * across[n] - slope[n] * across[n]
    return across


def _behind(n: int, open_v: Array, ohm: Array, fixed: Array, slope: Array) -> tuple[Array, Array]:
    """(V, ohm) that branch `n` sees where the others carry `fixed` + `slope` v; BESIDE_S is taken off."""
    others = [other for other in range(len(open_v)) if other != n]
    seen = np.stack([open_v, ohm[:, n]], axis=1)  # with no current in `n`, and what 1 A in it takes off
    seen[:, 0] -= (ohm[:, others] * fixed[others]).sum(axis=1)
    if others:
        pulled = ohm[:, others] * slope[others]
        across = _divided(seen[others], pulled[others])
        seen[n] -= (pulled[n][:, None] * across).sum(axis=0)
    open_n, ohm_n = seen[n]
    own = np.maximum(1.0 / ohm_n - BESIDE_S, 1e-9 * BESIDE_S)
    return open_n / (ohm_n * own), 1.0 / own
