"""A measured span against numpy on the samples themselves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq import pyramid
from daq.capture import CaptureSource, write_capture
from daq.samples import Block, Item, Volts
from daq.span import measure
from tests.capture.logs import INFO, LAYOUTS, logs, memory_folder, noisy
from tests.look_back.recordings import AWAY_AT_S, AWAY_S, recorded

PAIRS = 300_000


@given(st.integers(0, 10**7), st.integers(0, 10**7))
def test_tiles_cover_every_pair_once_in_few_pieces(one: int, other: int) -> None:
    first, last = sorted((one, other))
    at, count = first, 0
    for level, begin, end in pyramid.tiles(first, last):
        size = 1 if level is None else pyramid.bin_pairs(level)
        assert begin * size == at
        assert end > begin
        at, count = end * size, count + 1
    assert at == last
    assert count <= 2 * (pyramid.LEVELS + 1)


@pytest.fixture(scope="module")
def noise(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Volts]:
    counts = noisy(7, PAIRS, 300.0)
    path = tmp_path_factory.mktemp("span") / "noise.whichside"
    write_capture(path, [Block(0, counts, LAYOUTS[0])], INFO)
    return path, LAYOUTS[0].scale.volts(counts)


@given(st.integers(0, PAIRS - 1), st.integers(0, PAIRS - 1))
@settings(max_examples=30, deadline=None)
def test_of_many_pairs_it_is_what_numpy_says(noise: tuple[Path, Volts], one: int, other: int) -> None:
    path, volts = noise
    first, last = sorted((one, other))
    last = max(last, first + 1)
    with CaptureSource(path) as source:
        found = measure(source, one / 4000, other / 4000)  # either way round
    assert found.pairs == last - first
    assert found.lost_s == pytest.approx(0.0, abs=1e-9)
    assert found.leads is not None
    for lead, seen in enumerate(found.leads):
        part = volts[first:last, lead]
        assert seen.mean_v == pytest.approx(part.mean(), abs=1e-5)
        assert seen.low_v == pytest.approx(part.min(), abs=1e-5)
        assert seen.high_v == pytest.approx(part.max(), abs=1e-5)
        assert seen.difference_v == pytest.approx(part[-1] - part[0])


def test_lost_time_is_told(tmp_path: Path) -> None:
    with CaptureSource(recorded(tmp_path / "a.whichside")) as source:
        found = measure(source, AWAY_AT_S - 2.0, AWAY_AT_S + AWAY_S + 1.0)
        assert (found.seconds, found.pairs) == (9.0, 12_000)
        assert found.lost_s == pytest.approx(AWAY_S)
        inside = measure(source, AWAY_AT_S + 1.0, AWAY_AT_S + 2.0)
        assert inside.lost_s == pytest.approx(1.0, abs=0.001)


@given(logs(), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
@settings(max_examples=40, deadline=None)
def test_any_log_can_be_measured(log: list[Item], one: float, other: float) -> None:
    with memory_folder() as folder:
        path = Path(folder) / "a.whichside"
        write_capture(path, log, INFO)
        with CaptureSource(path) as source:
            found = measure(source, one * source.duration_s, other * source.duration_s)
            assert found.lost_s >= 0.0
            if found.leads is not None:
                assert all(lead.low_v <= lead.high_v for lead in found.leads)
                assert np.isfinite([lead.mean_v for lead in found.leads]).all()
            else:
                assert source.end == source.first
