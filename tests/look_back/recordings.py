"""Recordings with known contents, to be looked back on."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from daq.capture import write_capture
from daq.samples import (
    Block,
    Change,
    ChangeKind,
    Counts,
    DeviceInfo,
    Gap,
    GapReason,
    Item,
    Layout,
    Origin,
    Scale,
)

RATE_HZ = 4000.0
SCALE = Scale((0.0469, 0.0469), (-8.0, -8.0))
LAYOUT = Layout(RATE_HZ, SCALE)
FEED_S, SECOND_S = (10.5, 0.004), (22.5, 0.010)
"""Beginning and length of two feed dropouts (s)."""
NOTED_S = 5.0
AWAY_AT_S, AWAY_S = 30.0, 6.0
SECONDS = 60.0  # of samples


def counts(volts1: np.ndarray, volts2: np.ndarray, seed: int = 3) -> Counts:
    noise = np.random.default_rng(seed).normal(0.0, 0.02, (2, len(volts1)))
    volts = np.stack([volts1 + noise[0], volts2 + noise[1]], axis=1)
    return np.rint((volts - SCALE.offset_v[0]) / SCALE.volts_per_count[0]).astype(np.int32)


def ground_side(faults: Sequence[tuple[float, float]] = (FEED_S, SECOND_S)) -> list[Item]:
    """A load on the ground side, on every other second, with faults of the feed and a gap.

    The source is 12.6 V, the drops are 0.1 V. Of the two usual feed dropouts the second is the longer one.
    """
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    on = t % 2.0 < 1.0
    one, two = 12.6 - 0.1 * on, np.where(on, 0.1, 12.6)
    for begin, length in faults:
        open_feed = (t >= begin - 1e-9) & (t < begin + length - 1e-9)
        one, two = np.where(open_feed, 0.0, one), np.where(open_feed, 0.0, two)
    both, away = counts(one, two), int(AWAY_AT_S * RATE_HZ)
    note = Change(0, Origin.USER, ChangeKind.NOTE, "rough road", at_s=NOTED_S)
    return [
        Change(0, Origin.USER, ChangeKind.EXPECT, "switching"),
        note,
        Block(0, both[:away], LAYOUT),
        Gap(away, AWAY_S, 0.01, None, GapReason.UNPLUGGED),
        Block(away, both[away:], LAYOUT),
    ]


def recorded(path: Path, faults: Sequence[tuple[float, float]] = (FEED_S, SECOND_S)) -> Path:
    write_capture(path, ground_side(faults), DeviceInfo("bench: brake lamp"))
    return path
