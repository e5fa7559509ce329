"""Spikes are passed over where the level goes on, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from daq.steady import Segmenter
from daq.stretches import Steady, Stretch, Zone, start_of
from tests.analysis.waves import Volts, levels

RATE_HZ = 4000.0
BEGINS_S = 0.5  # the source is known by then


def cut(volts: Volts, pairs: int = 1_000_000) -> list[Stretch]:
    """The stretches, with so many pairs pushed at a time."""
    out: list[Stretch] = []

    def take_back(at: float) -> None:
        while out and start_of(out[-1]) >= at:
            out.pop()

    segmenter = Segmenter(0, RATE_HZ, out.append, take_back)
    micro = np.rint(volts * 1e6).astype(np.int32)
    for first in range(0, len(micro), pairs):
        segmenter.push(micro[first : first + pairs])
    segmenter.finish()
    return out


def on(seconds: float = 3.0) -> Volts:
    return levels([(seconds, 12.5, 0.1)]).copy()


def test_ignition_noise_cuts_nothing() -> None:
    """A spark every 20 ms, on both leads alike or on one, up or down."""
    rng = np.random.default_rng(4)
    volts = on()
    at = np.arange(round(BEGINS_S * RATE_HZ), len(volts) - 100, 80)
    sparks = rng.choice([-1.0, 1.0], (len(at), 1)) * rng.uniform(1, 3, (len(at), 1))
    volts[at] += sparks + rng.uniform(-0.5, 0.5, (len(at), 2))
    (level,) = cut(volts)
    assert isinstance(level, Steady)
    assert level.mean == pytest.approx((12.5e6, 0.1e6), abs=2000)
    assert level.high[1] < 0.3e6, "what it never read is no extreme of the level"


@pytest.mark.parametrize("pairs", [1, 2, 8, 16])
def test_a_dropout_is_no_spike_however_short(pairs: int) -> None:
    for lead, to in ((0, 0.1), (1, 12.4)):
        volts = on()
        volts[6000 : 6000 + pairs, lead] = to
        zones = [s for s in cut(volts) if isinstance(s, Zone) and s.start > 4000]
        assert zones
        assert zones[0].start <= 6001 <= zones[-1].end + 1


@pytest.mark.parametrize("on_v", [2.5, 4.3, 6.0])
def test_nor_is_that_of_a_load_that_gets_little(on_v: float) -> None:
    volts = levels([(1.0, 12.5, 12.5), (3.0, on_v, 0.1)]).copy()
    volts[8000:8002, 0] = 0.1
    assert any(isinstance(s, Zone) and s.start > 7900 for s in cut(volts))


@pytest.mark.parametrize("phase", range(0, 100, 9))
def test_a_train_of_pulses_that_would_be_passed_over_begins_at_the_same_pair(phase: int) -> None:
    """Deep enough for a rhythm, too shallow to have left the level."""
    volts = np.concatenate([on(1.0 + phase / RATE_HZ), on(2.0)])
    for first in range(4100 + phase, len(volts) - 100, 40):
        volts[first : first + 3, 0] = 8.5
    assert [repr(s) for s in cut(volts, 100)] == [repr(s) for s in cut(volts)]


def test_a_half_deep_dropout_is_none_either() -> None:
    volts = on()
    volts[6000:6002, 0] -= 0.5 * 12.4
    assert any(isinstance(s, Zone) and s.start > 4000 for s in cut(volts))


def test_a_reading_at_the_end_of_the_range_is_kept_as_it_is() -> None:
    volts = on()
    volts[6000] = 40.0, 27.6
    assert any(isinstance(s, Zone) and s.high[0] > 39e6 for s in cut(volts))


def test_another_level_behind_it_is_a_change() -> None:
    volts = on()
    volts[6000:] += 0.5
    volts[6000] += 3.0
    assert any(isinstance(s, Zone) and s.start > 4000 for s in cut(volts))


@pytest.mark.parametrize("pairs", [7, 100, 1000])
def test_where_the_samples_are_parted_changes_nothing(pairs: int) -> None:
    """Sparks anywhere against the windows, some too close to each other to be passed over."""
    rng = np.random.default_rng(8)
    volts = on(5.0)
    at = np.cumsum(rng.integers(5, 90, 350))
    at = at[(at > 400) & (at < len(volts) - 3)]
    volts[at] += rng.choice([-1.0, 1.0], (len(at), 1)) * rng.uniform(1, 3, (len(at), 1))
    assert [repr(s) for s in cut(volts, pairs)] == [repr(s) for s in cut(volts)]
