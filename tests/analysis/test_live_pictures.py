"""Live pictures look at the latest stretches only; what they say is what looking at everything says."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from daq import chapters
from daq.material import Material, gather
from daq.pipeline import Pipeline
from daq.samples import Block
from daq.stretches import Stretch
from tests.analysis.volts import blocks
from tests.analysis.waves import Volts, levels

OFF_LOW, ON, OFF_HIGH = (12.6, 12.6), (12.5, 0.1), (0.0, 0.0)
FEED_OPEN, RETURN_OPEN = (0.05, 0.1), (12.5, 12.55)


def switched(off: tuple[float, float], opened: tuple[float, float], turns: int, seed: int) -> Volts:
    """On and off at uneven moments; every seventh time the load loses its feed or return for 5 to 40 ms."""
    chance = np.random.default_rng(seed)
    spans = [(0.5, *off)]
    for n in range(turns):
        spans.append((chance.uniform(0.12, 0.3), *ON))
        if n % 7 == 3:
            spans += [(chance.uniform(0.005, 0.04), *opened), (chance.uniform(0.12, 0.3), *ON)]
        spans.append((chance.uniform(0.12, 0.3), *off))
    return levels(spans, seed=seed)


def in_blocks(volts: Volts, seconds: float) -> list[Block]:
    step = round(seconds * 4000)
    return blocks(volts, 4000, range(step, len(volts), step))


@pytest.mark.parametrize(
    ("off", "opened"), [(OFF_LOW, FEED_OPEN), (OFF_LOW, RETURN_OPEN), (OFF_HIGH, FEED_OPEN)]
)
def test_a_picture_says_what_the_whole_says(off: tuple[float, float], opened: tuple[float, float]) -> None:
    pipeline = Pipeline()
    for block in in_blocks(switched(off, opened, 120, seed=4), 0.5):
        pipeline.push(block)
        if block.end % 20_000:
            pipeline.snapshot()
            continue
        seen, whole = pipeline.snapshot(), pipeline.findings()
        assert seen.edge_count == len(whole.edges)
        assert seen.event_count == len(whole.events)
        assert seen.judgement.side == whole.judgement.side
        assert seen.judgement.confidence == pytest.approx(whole.judgement.confidence, abs=0.02)
        assert seen.source_v == pytest.approx(whole.source_v, abs=0.02)


@pytest.mark.parametrize("leak_v", [3.0, 6.0])
def test_a_source_that_shows_late_makes_other_things_of_what_came_before(leak_v: float) -> None:
    """A lead that leaks or is fed by a neighbour comes and goes; then the source itself is there."""
    spans = [(0.4, 0.05, 0.05), *[(0.2, leak_v, 0.05), (0.2, 0.05, 0.05)] * 40]
    volts = levels([*spans, *[(0.3, 28.0, 28.0), (0.3, 28.0, 0.1)] * 5])
    pipeline = Pipeline()
    for block in in_blocks(volts, 0.5):
        pipeline.push(block)
        seen = pipeline.snapshot()
        if block.end / 4000 > 17.1:
            whole = pipeline.findings()
            assert (seen.judgement.side, seen.edge_count) == (whole.judgement.side, len(whole.edges))


def test_stretches_are_looked_at_a_few_times_each(monkeypatch: pytest.MonkeyPatch) -> None:
    """Not once for each of the hundreds that come after them."""
    looked: list[int] = []

    def counted(stretches: Sequence[Stretch], *rest: Any) -> Material:
        looked.append(len(stretches))
        return gather(stretches, *rest)

    monkeypatch.setattr(chapters, "gather", counted)
    pipeline = Pipeline()
    pictures = 0
    for block in in_blocks(switched(OFF_LOW, FEED_OPEN, 120, seed=5), 0.5):
        pipeline.push(block)
        pipeline.snapshot()
        pictures += 1
    assert sum(looked) < 55 * pictures
