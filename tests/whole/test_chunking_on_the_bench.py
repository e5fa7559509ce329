"""Chunking on a pulsed motor with bounces of its own voltage: crossings that are certain only later."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from daq.recordings_in import open_recording
from daq.samples import Block, Change, ChangeKind, Item, Origin
from tests.analysis.volts import findings_of

SAMPLE = Path(__file__).parents[2] / "recordings" / "cabin-blower.whichside"


@pytest.fixture(scope="module")
def motor() -> tuple[Block, ...]:
    """A kept capture, so that the bench may change without blunting this test."""
    source = open_recording(SAMPLE)
    blocks = tuple(item for item in source if isinstance(item, Block))
    source.close()
    return blocks


@pytest.mark.parametrize(("cleared_at", "step"), [(3194, 32), (14293, 100), (4894, 64), (7694, 32)])
def test_a_cleared_motor_recording_is_the_same_in_any_blocks(
    motor: tuple[Block, ...], cleared_at: int, step: int
) -> None:
    """Each of these once differed: a train's end was judged by when a crossing happened, not when seen."""
    counts = np.concatenate([block.counts for block in motor])
    layout = motor[0].layout

    def items(cuts: list[int]) -> list[Item]:
        bounds = sorted({0, cleared_at, len(counts), *cuts})
        log: list[Item] = []
        for a, b in pairwise(bounds):
            if a == cleared_at:
                log.append(Change(a, Origin.USER, ChangeKind.CLEAR))
            log.append(Block(a, counts[a:b], layout))
        return log

    whole = findings_of(items([]))
    cut = findings_of(items(list(range(0, len(counts), step))))
    assert json.dumps(whole) == json.dumps(cut)
