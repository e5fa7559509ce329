"""Both leads while a pulsed load is on, from the bins of a short window.

A meter shows the mean of pulses, which is no level of the circuit; what it reads while the load is on is. A
bin that lies within one phase, both leads standing still in it, shows that phase; on is the phase in which
the leads are farthest apart. Pulses too short or too fast to hold such a bin show nothing here.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.samples import Volts

Mask = npt.NDArray[np.bool_]

FLAT_V = 0.4
FLAT_OF_LEVEL = 0.04
"""A bin whose samples stay within this much of each other lies within one phase."""

SWING_V = 1.5  # less is ripple
PULSES_LEAST = 4
UNEVEN, UNEVEN_BINS = 0.15, 1.3  # beats differ by no more: a contact that comes and goes keeps no beat
NEAR_TOP = 0.15  # of the swing
BINS_LEAST = 6
SETTLED_V = 0.15  # a lamp just switched on draws several times its current, and its driver shows it


def on_levels(low: Volts, high: Volts) -> tuple[float, float] | None:
    """Both leads while on, V; None where nothing pulses, nothing stands still within the pulses, or what they
    show is not settled yet.

    Args:
        low, high: (n, 2) lowest and highest sample of each bin and lead, V.
    """
    middle = (low + high) / 2
    flat: Mask = np.all((high - low) <= np.maximum(FLAT_V, FLAT_OF_LEVEL * np.abs(middle)), axis=1)
    if np.count_nonzero(flat) < BINS_LEAST:
        return None
    apart = _while_on(middle[:, 0] - middle[:, 1], flat)
    top, rest = float(apart[flat].max()), float(apart[flat].min())
    if top - rest < SWING_V or not _beats(apart > (top + rest) / 2):
        return None
    on = flat & (apart >= top - NEAR_TOP * (top - rest))
    if np.count_nonzero(on) < BINS_LEAST:
        return None
    halves = [np.median(half, axis=0) for half in np.array_split(middle[on], 2)]
    if np.abs(halves[1] - halves[0]).max() > SETTLED_V:
        return None
    on &= apart >= np.median(apart[on])  # the filter's tail, in a pulse's first sample, brings them together
    one, other = np.median(middle[on], axis=0)
    return float(one), float(other)


def _while_on(apart: Volts, flat: Mask) -> Volts:
    """How far apart the leads are, counted positive while on; a coil's kick, the other way, counts as off."""
    far = apart[flat & (np.abs(apart) > np.abs(apart[flat]).max() / 2)]
    sign = 1.0 if np.count_nonzero(far > 0) >= len(far) / 2 else -1.0
    positive: Volts = np.maximum(sign * apart, 0.0)
    return positive


def _beats(on: Mask) -> bool:
    """Whether the load is switched on at even times."""
    gaps = np.diff(np.flatnonzero(on[1:] & ~on[:-1]))
    if len(gaps) < PULSES_LEAST - 1:
        return False
    mean = float(gaps.mean())
    return bool(np.abs(gaps - mean).max() <= max(UNEVEN_BINS, UNEVEN * mean))
