"""Recordings of nothing in particular: whatever comes, findings are consistent and hang on no portions."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tests.analysis.volts import blocks, findings_of
from tests.analysis.waves import Volts, rounded

LEVELS_V = (0.0, 0.1, 12.5, 12.6)


def level(rng: np.random.Generator) -> float:
    return float(rng.choice([*LEVELS_V, rng.uniform(-1.0, 14.0)]))


def piece(rng: np.random.Generator, rate_hz: float) -> Volts:
    """Levels, pulses that a wire is opened behind, slopes, something that wanders, a source that swings."""
    count = max(1, round(rng.uniform(0.02, 1.2) * rate_hz))
    t, pair = np.arange(count) / rate_hz, np.array([level(rng), level(rng)])
    kind = int(rng.integers(0, 10))
    if kind < 4:
        return np.tile(pair, (count, 1))
    if kind < 7:
        up = ((t * np.exp(rng.uniform(1.1, 6.8))) % 1 < rng.uniform(0.1, 0.9))[:, None]
        volts = np.where(up, pair, [level(rng), level(rng)])
        for begin in rng.integers(0, count, int(rng.integers(0, 4))):
            volts[begin : begin + 1 + int(rng.integers(0, count))] = (level(rng), level(rng))
        return volts
    if kind == 7:
        return np.linspace(pair, [level(rng), level(rng)], count)
    if kind == 8:
        return 6.0 + np.cumsum(rng.normal(0, 0.2, (count, 2)), axis=0)
    return pair * (1 + 0.3 * np.sin(2 * np.pi * rng.uniform(1, 50) * t))[:, None]


@pytest.mark.parametrize("seed", range(40))
def test_any_recording_has_consistent_findings(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rate_hz = float(rng.choice([250.0, 1000.0, 4000.0]))
    clean = np.concatenate([piece(rng, rate_hz) for _ in range(int(rng.integers(2, 40)))])
    volts = rounded(clean + rng.normal(0, float(rng.choice([0.0, 0.02, 0.2])), clean.shape))
    found = findings_of(blocks(volts, rate_hz))
    states = [found["initial_state"], *(edge["state"] for edge in found["edges"])]
    assert all(a != b for a, b in pairwise(states)), "an edge is a change of state"
    times = [edge["t_s"] for edge in found["edges"]]
    assert times == sorted(times)
    assert found["side"] == "undetermined" or found["confidence"] >= 0.9
    cuts = np.unique(rng.integers(1, len(volts), 30)).tolist()
    assert findings_of(blocks(volts, rate_hz, cuts)) == found
