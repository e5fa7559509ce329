"""Where to draw: from the prior, and from where the first draws say that one unknown must lie.

Proposals are mixtures with the prior, so that no weight (prior over proposal) exceeds 1 / PRIOR_SHARE for the
dials: what the earlier draws overlooked is still drawn, and cannot upset the sum.
"""

from __future__ import annotations

from functools import cache
from statistics import NormalDist
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from daq.circuit import Mask
from daq.knowledge import Knowledge
from daq.unknowns import DIALS, Array, Draws, stratified, stratified_shares, unaimed

T = TypeVar("T", bound=np.generic)

PRIOR_SHARE = 0.25
AIMABLE = (
    "fault",
    "second fault",
    "short",
    "open",
    "led",
    "duty",
    "step",
    "saturation",
    "test_current",
    "neighbour",
    "shared_contact",
    "source_moved",
    "load",
    *(name for name in DIALS if name.startswith("contact ")),
)
AIMABLE_CHOICES = ("source", "load", "switch", "test_current", "neighbour", "key", "bridge_rest")
BINS = 16


def aimed_singly(
    first: Draws,
    weight: Array,
    relevant: Mask,
    knowledge: Knowledge,
    count: int,
    seen_v: float | None,
    seed: int,
) -> Draws:
    """For each explanation a mixture of stories: the prior, and the prior with one dial moved.

    Args:
        first: the draws from the prior, shared by all.
        weight: (h, draws) what each of them counts for each explanation.
        relevant: (h, DIALS), the dials that it hangs on; no other is moved.
    """
    base = unaimed(knowledge, count, seen_v, seed + 7)
    shape = (len(weight), count)
    dials = {n: np.array(np.broadcast_to(v, shape)) for n, v in base.dials.items()}
    choices = {n: np.array(np.broadcast_to(v, shape)) for n, v in base.choices.items()}
    log_weight = np.array(np.broadcast_to(base.log_weight, shape))
    _aim_dials(dials, log_weight, first, weight, relevant, count, seed)
    _aim_choices(choices, log_weight, first, weight, knowledge, count, seed)
    return Draws(dials, choices, log_weight, base.emf_v)


def _aim_dials(
    dials: dict[str, Array],
    log_weight: Array,
    first: Draws,
    weight: Array,
    relevant: Mask,
    count: int,
    seed: int,
) -> None:
    """In three draws of four, one dial that the readings pin down is drawn where the first draws put it."""
    edges = _edges()
    pinned, shares = [], []
    for name in AIMABLE:
        codes = np.searchsorted(edges, first.dials[name][0])
        mass = weight @ (codes[:, None] == np.arange(BINS))
        mass = 0.9 * _smoothed(mass) + 0.1 / BINS
        shares.append(mass / mass.sum(axis=1, keepdims=True))
        pinned.append((shares[-1] * np.log(shares[-1] * BINS)).sum(axis=1))
    told = np.maximum(np.array(pinned) - 0.15, 0.0) ** 2  # (dials, h), in nats
    told *= relevant[:, [DIALS.index(name) for name in AIMABLE]].T
    silent = told.sum(axis=0) <= 0
    mixture = np.where(silent, 0.0, (1 - PRIOR_SHARE) * told / np.maximum(told.sum(axis=0), 1e-12))
    which = stratified_shares(count, 1, seed + 11)[0]
    inside = stratified_shares(count, 2, seed + 13)
    ratio = 1.0 - mixture.sum(axis=0)[:, None] + np.zeros((len(weight), count))
    begin = np.zeros(len(silent))
    for n, name in enumerate(AIMABLE):
        end = begin + mixture[n]
        moved = (which[None, :] >= begin[:, None]) & (which[None, :] < end[:, None])
        rows, columns = np.nonzero(moved)
        bins = _bins(inside[0][columns], np.cumsum(shares[n], axis=1)[rows])
        dials[name][rows, columns] = _in_bin(bins, inside[1][columns])
        begin = end
    for n, name in enumerate(AIMABLE):
        rows = np.flatnonzero(mixture[n] > 0)
        codes = np.searchsorted(edges, dials[name][rows])
        ratio[rows] += mixture[n][rows, None] * BINS * np.take_along_axis(shares[n][rows], codes, axis=1)
    log_weight -= np.log(ratio)


def _bins(share: Array, cumulative: Array) -> npt.NDArray[np.intp]:
    """For each share the first bin, 0 .., whose cumulative share reaches it; broadcasts, bins last."""
    found: npt.NDArray[np.intp] = (cumulative[..., :-1] < share[..., None]).sum(axis=-1)
    return found


@cache
def _normals() -> Array:
    """Standard normal numbers, one from every 1/4096 of the distribution, in order."""
    return np.sort(stratified(4096, 1, 0)[0])


@cache
def _edges() -> Array:
    """Between bins of equal probability, (BINS - 1,)."""
    inverse = NormalDist().inv_cdf
    return np.array([inverse(n / BINS) for n in range(1, BINS)])


def _in_bin(bins: npt.NDArray[np.intp], share: Array) -> Array:
    """A standard normal number within the given equal-probability bin."""
    table = _normals()
    values: Array = table[((bins + share) * (len(table) / BINS)).astype(np.intp)]
    return values


def _aim_choices(
    choices: dict[str, npt.NDArray[np.int8]],
    log_weight: Array,
    first: Draws,
    weight: Array,
    knowledge: Knowledge,
    count: int,
    seed: int,
) -> None:
    """Half of each choice is drawn as the first draws favour it."""
    share = stratified_shares(count, len(AIMABLE_CHOICES), seed + 17)
    for n, name in enumerate(AIMABLE_CHOICES):
        prior = np.array(list(knowledge.choices[name].values()))
        codes = first.choices[name][0]
        mass = weight @ (codes[:, None] == np.arange(len(prior)))
        drawn = 0.5 * prior + 0.5 * mass / mass.sum(axis=1, keepdims=True)
        choices[name][:] = _bins(share[n], np.cumsum(drawn, axis=1)[:, None, :])
        log_weight += np.log(prior[choices[name]]) - np.log(
            np.take_along_axis(drawn, choices[name].astype(np.intp), axis=1)
        )


def _smoothed(mass: Array) -> Array:
    """Spread over the neighbouring bins."""
    padded = np.pad(mass, ((0, 0), (1, 1)), mode="edge")
    smooth: Array = 0.5 * mass + 0.25 * padded[:, :-2] + 0.25 * padded[:, 2:]
    return smooth
