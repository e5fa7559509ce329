"""Chunking on a pulsed motor with bounces of its own voltage: crossings that are certain only later."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest

from daq.bench import BenchSource
from daq.samples import Block, Change, ChangeKind, Item, Origin
from tests.analysis.volts import findings_of
from tests.whole.test_review_equals_live import SCRIPT


@pytest.fixture(scope="module")
def motor() -> tuple[Block, ...]:
    source = BenchSource("blower-pwm-low", speed=None, script=SCRIPT, duration_s=6.0)
    return tuple(item for item in source if isinstance(item, Block))


@pytest.mark.parametrize(("cleared_at", "step"), [(793, 997), (16793, 100), (4000, 32), (11211, 64)])
def test_a_cleared_motor_recording_is_the_same_in_any_blocks(
    motor: tuple[Block, ...], cleared_at: int, step: int
) -> None:
    """16793/100 and 793/997 once differed: a train's end was judged by when a crossing happened."""
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
