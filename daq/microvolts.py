"""Counts of the converter as what the analysis works on: whole microvolts, and pairs at the range's ends."""

from __future__ import annotations

import numpy as np

from daq.crossings import MICRO_LIMIT, UV
from daq.live_view import SPAN_V
from daq.samples import Block, Counts, Scale
from daq.stretches import Raw


def microvolts(counts: Counts, scale: Scale) -> Raw:
    """(n, 2) integer microvolts of counts, held within ±1 kV.

    Each lead is contiguous in memory: sums and extremes along a lead are 20 times faster than with the
    leads interleaved, and they are most of what the analysis does.
    """
    per_count, offset_v = np.array([scale.volts_per_count, scale.offset_v])[:, :, None]
    micro = counts.T.astype(np.float64, order="C")
    micro *= per_count
    micro += offset_v
    micro *= UV
    np.rint(micro, out=micro)
    np.clip(micro, -MICRO_LIMIT, MICRO_LIMIT, out=micro)
    return micro.astype(np.int32).T


def clipped_pairs(block: Block, micro: Raw) -> int:
    """Pairs with a lead at the end of the converter's range, or of the front end's."""
    low, high = SPAN_V[0] * UV, SPAN_V[1] * UV
    scale = block.layout.scale
    inside = low < micro.min() and micro.max() < high
    inside &= scale.lowest is None or block.counts.min() > max(scale.lowest)
    inside &= scale.highest is None or block.counts.max() < min(scale.highest)
    if inside:
        return 0
    beyond = (micro <= low) | (micro >= high)
    if scale.lowest is not None:
        beyond |= block.counts <= np.asarray(scale.lowest)
    if scale.highest is not None:
        beyond |= block.counts >= np.asarray(scale.highest)
    return int(beyond.any(axis=1).sum())
