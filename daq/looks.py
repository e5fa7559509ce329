"""The words in which a test light or a load is told of, by how much of what it should have it gets."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.circuit_stack import WEAK
from daq.readings import Told, Working

Array = npt.NDArray[np.float64]

# A light's look by its share of full brightness: the middle of each border and how soft it is.
BORDERS = (0.17, 0.62)
SOFT = 0.05
MISSAID = 3e-4  # a look far from what it is called: less than a misreading, which it is
# What a load does by the share it gets (WEAK). Dead or not hangs on what it is. What it lacks is judged in
# proportion: nobody calls a loss of a fiftieth weak, who compares two lamps may call a tenth so. And
# somebody may have looked at another.
DEAD_SOFT = 0.1
LOSS_SOFT = 0.35
LEAST_LOSS = 1e-3
ASIDE = 0.01


def said(share: Array, what: Told) -> Array:
    """Probability that a light of this share of full brightness, or a load that gets this share of what it is
    made for, is told of with this word."""
    if isinstance(what, Working) and what.unheard:
        return np.ones_like(share)
    if isinstance(what, Working):
        alive, full = _above(share - WEAK[0], DEAD_SOFT), _above(_less_lost(share), LOSS_SOFT)
        dead, weak, works = 1 - alive, alive * (1 - full), alive * full
        if what.alone:
            weak = dead = (weak + dead) / 2  # it fails, however it does
        missaid, chances = ASIDE, dict(zip(what.words, (works, weak, dead), strict=True))
    else:
        seen, bright = (_above(share - border, SOFT) for border in BORDERS)
        lit_dim_dark = seen * bright, seen * (1 - bright), 1 - seen
        missaid, chances = MISSAID, dict(zip(what.words, lit_dim_dark, strict=True))
    return (1 - missaid) * chances[what.word] + missaid / len(what.words)


def _less_lost(share: Array) -> Array:
    """ln of how often what is lost goes into what is lost at the border between weak and works."""
    found: Array = np.log((1 - WEAK[1]) / np.maximum(1 - share, LEAST_LOSS))
    return found


def _above(away: Array, soft: float) -> Array:
    """Probability of being called higher than a border that one is so far above."""
    found: Array = 1.0 / (1.0 + np.exp(-np.clip(away / soft, -60, 60)))
    return found
