"""A dimmer that is turned up and down slowly for minutes: nothing in it is fast, all of it is switching."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

import daq.chapters
from daq.material import Material, gather
from daq.pipeline import Pipeline
from daq.samples import Block, Layout
from daq.stretches import Stretch
from tests.analysis.volts import MICROVOLT, analyse, blocks, findings_of
from tests.analysis.waves import Volts, rounded


def dimmed(cycles: int, seconds: float, side: str, rate_hz: float) -> Volts:
    """Off, up, on and down, each for so long, and off at last."""
    t = np.arange(round((4 * cycles + 1) * seconds * rate_hz)) / rate_hz
    up = np.interp(t, seconds * np.arange(1, 4 * cycles + 1), [0, 1, 1, 0] * cycles)
    lead1, lead2 = (12.6 - 0.1 * up, 12.6 - 12.4 * up) if side == "low" else (12.5 * up, 0.2 * up)
    clean = np.stack([lead1, lead2], axis=1)
    return rounded(clean + np.random.default_rng(6).normal(0, 0.02, clean.shape))


def middles(cycles: int, seconds: float) -> list[float]:
    return [seconds * (1.5 + 2 * k) for k in range(2 * cycles)]


@pytest.mark.parametrize(("seconds", "cycles"), [(0.4, 40), (0.4, 120), (1.5, 40)])
@pytest.mark.parametrize("side", ["low", "high"])
def test_a_dimmer_is_followed_for_as_long_as_it_is_turned(side: str, seconds: float, cycles: int) -> None:
    found = analyse(dimmed(cycles, seconds, side, 4000.0), 4000.0)
    assert (found["side"], found["control_lead"]) == (side, {"low": 2, "high": 1}[side])
    assert [e["t_s"] for e in found["edges"]] == pytest.approx(middles(cycles, seconds), abs=0.25 * seconds)
    assert not found["events"]


def test_where_a_full_stretch_ends_does_not_depend_on_how_the_samples_came() -> None:
    volts = dimmed(70, 0.4, "low", 1000.0)
    whole = json.dumps(findings_of(blocks(volts, 1000.0)))
    for step in (97, 1000, 33_333):
        assert json.dumps(findings_of(blocks(volts, 1000.0, range(step, len(volts), step)))) == whole


@pytest.mark.parametrize("chapter", [480, 20])
def test_a_picture_counts_what_the_whole_counts(chapter: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Though it is put together of pieces, cut where the level stands still."""
    monkeypatch.setattr(daq.chapters, "CHAPTER", chapter)
    volts = dimmed(900, 0.4, "high", 1000.0)
    pipeline = Pipeline()
    for block in blocks(volts, 1000.0, range(50_000, len(volts), 50_000)):
        pipeline.push(block)
        picture = pipeline.snapshot()
        assert picture.edge_count == pytest.approx((picture.time_s - 0.6) / 0.8, abs=2.5)
    looked_at = []

    def count(stretches: Sequence[Stretch], *rest: Any) -> Material:
        looked_at.append(len(stretches))
        return gather(stretches, *rest)

    monkeypatch.setattr(daq.chapters, "gather", count)
    pipeline.push(Block(len(volts), np.zeros((1000, 2), dtype=np.int32), Layout(1000.0, MICROVOLT)))
    pipeline.snapshot()
    assert sum(looked_at) < 24, "the latest few minutes, not all 24"
    pipeline.finish()
    assert len(pipeline.findings().edges) == 1800
