"""Draws from the prior and about the best fits, and how densely they lie anywhere.

Modes are normal, kinds of parts as they fit there; a share of the prior keeps weights bounded. That a
mixture's density is known everywhere lets several sets of draws of one explanation count as one
(evidence_sum.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daq.aiming import PRIOR_SHARE
from daq.climbing import CHOSEN, Mode, prior_kinds
from daq.knowledge import Knowledge
from daq.points import battery_width
from daq.unknowns import (
    AIMED_MEDIAN,
    AIMED_SPREAD,
    CHOICES,
    DIALS,
    Array,
    Codes,
    Draws,
    battery_density,
    stratified_shares,
    unaimed,
)


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """Where draws of one explanation come from, beside the prior: its modes and the share of each."""

    modes: tuple[Mode, ...]
    share: Array


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """Draws of one explanation as densities see them.

    Attributes:
        x: every dial, (DIALS, draws).
        kinds: of CHOSEN, (CHOSEN, draws).
        ln_v: of the battery, (draws,).
    """

    x: Array
    kinds: Codes
    ln_v: Array


def mixture(modes: Sequence[Mode]) -> Mixture:
    log_mass = 0.5 * np.array([m.log_mass for m in modes])  # half: approximations are not relied upon
    share = np.exp(log_mass - log_mass.max())
    return Mixture(tuple(modes), 0.8 * share / share.sum() + 0.2 / len(modes))


def drawn_from(
    mixtures: Sequence[Mixture], knowledge: Knowledge, count: int, seen_v: float | None, seed: int
) -> Draws:
    """Draws from each mixture, (mixtures, count), weighed against the prior."""
    base = unaimed(knowledge, count, seen_v, seed + 31)
    ln_v = np.log(base.emf_v[0])
    x = np.stack([base.dials[name][0] for name in DIALS])
    kinds = np.stack([base.choices[name][0] for name in CHOSEN])
    which = stratified_shares(count, 1, seed + 37)[0]
    share = stratified_shares(count, len(CHOSEN), seed + 53)
    each = [_moved(Drawn(x, kinds, ln_v), m, which, share, battery_width(knowledge)) for m in mixtures]
    dials = {name: np.stack([one.x[n] for one in each]) for n, name in enumerate(DIALS)}
    choices = {name: np.stack([one.kinds[n] for one in each]) for n, name in enumerate(CHOSEN)}
    for name in set(CHOICES) - set(CHOSEN):
        choices[name] = np.broadcast_to(base.choices[name], (len(mixtures), count))
    log_weight = -log_ratio(mixtures, each, knowledge, seen_v)
    return Draws(dials, choices, log_weight, np.exp(np.stack([one.ln_v for one in each])))


def as_drawn(draws: Draws, row: int) -> Drawn:
    """The draws of one explanation; all arrays have a row for each."""
    x = np.stack([draws.dials[name][row] for name in DIALS])
    return Drawn(x, np.stack([draws.choices[name][row] for name in CHOSEN]), np.log(draws.emf_v[row]))


def _moved(base: Drawn, mixture: Mixture, which: Array, share: Array, width: float) -> Drawn:
    """Draws from the prior, but for the prior's share moved about the modes."""
    x, kinds, ln_v = base.x.copy(), base.kinds.copy(), base.ln_v.copy()
    ends = PRIOR_SHARE + (1 - PRIOR_SHARE) * np.cumsum(mixture.share)
    number = np.minimum(np.searchsorted(ends, which), len(mixture.modes) - 1)
    for n, mode in enumerate(mixture.modes):
        some = np.flatnonzero((which >= PRIOR_SHARE) & (number == n))
        x[:, some] = mode.point.x[:, None] + mode.root @ x[:, some]
        ln_v[some] = mode.nominal_ln + width * x[0, some]
        ends_here = np.cumsum(mode.kinds, axis=1)[:, :-1, None]
        kinds[:, some] = (ends_here <= share[:, None, some]).sum(axis=1)
    return Drawn(x, kinds, ln_v)


def log_ratio(
    mixtures: Sequence[Mixture], drawn: Sequence[Drawn], knowledge: Knowledge, seen_v: float | None
) -> Array:
    """ln of each mixture's density over the prior's at the draws beside it, (mixtures, draws)."""
    ln_v = np.stack([one.ln_v for one in drawn])
    prior_v = battery_density(knowledge, ln_v)
    base_v = prior_v
    if seen_v is not None:
        z = (ln_v - np.log(seen_v * AIMED_MEDIAN)) / AIMED_SPREAD
        base_v = 0.5 * prior_v + 0.5 * np.exp(-0.5 * z * z) / (AIMED_SPREAD * np.sqrt(2 * np.pi))
    first = np.cumsum([0, *(len(m.modes) for m in mixtures[:-1])])
    close = np.log(np.concatenate([m.share for m in mixtures]))[:, None]
    close = close + _log_ratio_of_modes(mixtures, drawn, knowledge)
    log_close = np.logaddexp.reduceat(close, first, axis=0) + np.log(1 - PRIOR_SHARE)
    found: Array = np.logaddexp(np.log(PRIOR_SHARE * base_v + 1e-12), log_close) - np.log(prior_v + 1e-12)
    return found


def _log_ratio_of_modes(mixtures: Sequence[Mixture], drawn: Sequence[Drawn], knowledge: Knowledge) -> Array:
    """(modes of all, draws): ln of a mode's density over the prior's, but for the battery, whose prior is
    left out (ln V)."""
    modes, width = [mode for m in mixtures for mode in m.modes], battery_width(knowledge)
    rows = np.repeat(np.arange(len(mixtures)), [len(m.modes) for m in mixtures])
    x, root = np.stack([one.x for one in drawn])[rows], np.stack([mode.root for mode in modes])
    ln_v = np.stack([one.ln_v for one in drawn])[rows]
    x[:, 0] = (ln_v - np.array([[mode.nominal_ln] for mode in modes])) / width
    prior = 0.5 * (x[:, 1:] ** 2).sum(axis=1)
    x -= np.stack([mode.point.x for mode in modes])[:, :, None]
    z = np.linalg.inv(root) @ x
    found = prior - 0.5 * (z * z).sum(axis=1) - 0.5 * np.log(2 * np.pi) - np.log(width)
    found -= np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)[:, None]
    chances = np.stack([mode.kinds for mode in modes])
    of_kinds = np.log(np.maximum(chances, 1e-300)) - np.log(np.maximum(prior_kinds(knowledge), 1e-300))
    kinds = np.stack([one.kinds for one in drawn])[rows].astype(np.intp)
    log_found: Array = found + np.take_along_axis(of_kinds, kinds, axis=2).sum(axis=1)
    return log_found
