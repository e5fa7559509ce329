"""Spikes that cut a level make no stretches, and a level cut for hours carries no more than a short one."""

from __future__ import annotations

import numpy as np

from daq.glue import append
from daq.labels import Scale
from daq.steady import Segmenter
from daq.stretches import Steady, Stretch
from daq.tally import TRAIL_MOST
from tests.analysis.waves import levels

SCALE = Scale(12.6e6, 12.5e6)


def spiky(seconds: float) -> list[Stretch]:
    """A load that is on, with a spike of one pair every 20 ms, cut and glued."""
    volts = levels([(seconds, 12.5, 0.1)]).copy()
    volts[40::80] += 3.0
    out: list[Stretch] = []
    segmenter = Segmenter(0, 4000.0, lambda s: append(out, s, SCALE, 4000.0), lambda _: None)
    segmenter.push(np.rint(volts * 1e6).astype(np.int32))
    segmenter.finish()
    return out


def test_spikes_leave_one_level() -> None:
    (level,) = [s for s in spiky(10.0) if isinstance(s, Steady) and s.end - s.start > 100]
    assert level.start <= 81  # the first windows have no scale yet
    assert level.end > 39_900
    assert abs(level.mean[0] - 12.5e6) < 20_000


def test_what_a_level_carries_does_not_grow_with_its_spikes() -> None:
    """Samples and trail of every piece were kept once: an hour of ignition noise took all memory."""
    level = max((s for s in spiky(40.0) if isinstance(s, Steady)), key=lambda s: s.end - s.start)
    assert level.end - level.start > 150_000
    assert len(level.trail) <= TRAIL_MOST
    assert level.raw is None
