"""Wall time from anchors that are late by chance, with drift, steps, sleep and samples written down late."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from daq.wall_clock import ClockPoint, WallClock, fit_wall_clock, from_epoch, to_epoch

BEGAN = to_epoch(datetime(2026, 3, 1, 12, tzinfo=UTC))


def anchors(
    length_s: float, host_of: Callable[[float], float], every_s: float = 2.0, seed: int = 1
) -> list[ClockPoint]:
    """The earliest of a bin is late by 2 ms and, one time in ten, by up to 20 ms more."""
    rng = np.random.default_rng(seed)
    points = []
    for time_s in np.arange(1.0, length_s, every_s):
        late = 0.002 + (rng.uniform(0, 0.02) if rng.random() < 0.1 else 0.0)
        host = host_of(float(time_s)) + late
        points.append(ClockPoint(float(time_s), host, BEGAN + host))
    return points


def fitted(points: list[ClockPoint], *runs: float) -> WallClock:
    found = fit_wall_clock(points, runs or (0.0,))
    assert found is not None
    return found


def error_s(found: WallClock, time_s: float, host_s: float) -> float:
    """Less the shortest delay of the line, which nobody can know."""
    return to_epoch(found.utc(time_s)) - BEGAN - host_s - 0.002


@pytest.mark.parametrize("ppm", [-1000.0, -40.0, 0.0, 300.0])
def test_drift_is_found(ppm: float) -> None:
    """A picture of a dash camera takes 33 ms: nearly always far better than that, and never worse."""
    rate = 1 / (1 + ppm * 1e-6)
    errors = []
    for seed in range(200):
        found = fitted(anchors(600.0, lambda t: t * rate, seed=seed))
        assert found.ppm == pytest.approx(ppm, abs=3)
        errors += [abs(error_s(found, time_s, time_s * rate)) for time_s in (0.0, 100.0, 599.0)]
    assert np.percentile(errors, 98) < 0.001
    assert max(errors) < 0.02


def test_a_logger_that_warms_up_is_followed() -> None:
    """300 ppm in the first minutes, as a ceramic resonator may: a straight line would be off by 10 ms."""

    def host(time_s: float) -> float:
        return time_s + 300e-6 * 100 * (1 - math.exp(-time_s / 100))

    found = fitted(anchors(600.0, host))
    assert max(abs(error_s(found, t, host(t))) for t in np.arange(0, 600, 7.0)) < 0.002


def test_three_anchors_are_enough_to_begin_with() -> None:
    found = fitted(anchors(6.0, lambda t: t))
    assert found.ppm is None
    assert abs(error_s(found, 5.0, 5.0)) < 0.003


def test_no_anchor_no_wall_time() -> None:
    assert fit_wall_clock([], (0.0,)) is None


def test_the_last_setting_of_the_wall_clock_counts() -> None:
    """Set forward by an hour after 100 s, back by 2 s after 200 s."""
    right = anchors(300.0, lambda t: t)
    wrong = [(-3598.0 if p.time_s < 100 else 2.0 if p.time_s < 200 else 0.0) for p in right]
    points = [ClockPoint(p.time_s, p.host_s, p.utc_s + off) for p, off in zip(right, wrong, strict=True)]
    found = fitted(points)
    assert [(s.time_s, round(s.seconds, 3)) for s in found.steps] == [(101.0, 3600.0), (201.0, -2.0)]
    assert max(abs(error_s(found, t, t)) for t in (0.0, 99.0, 150.0, 250.0)) < 0.002


def test_steering_is_followed_and_is_no_step() -> None:
    """A wall clock steered by 50 ppm against the host's, as where the two are not the same oscillator."""
    points = [
        ClockPoint(p.time_s, p.host_s, p.utc_s + 50e-6 * p.host_s) for p in anchors(3600.0, lambda t: t)
    ]
    found = fitted(points)
    assert found.steps == ()
    assert abs(error_s(found, 3500.0, 3500.0 * (1 + 50e-6))) < 0.003


def test_behind_a_gap_told_by_the_host_the_fit_begins_anew() -> None:
    """The gap after 100 s was 0.4 s longer than told; the runs before and behind it are each right."""

    def host(time_s: float) -> float:
        return time_s + (0.4 if time_s > 100 else 0.0)

    found = fitted(anchors(200.0, host), 0.0, 100.0)
    for time_s in (0.0, 50.0, 99.9, 101.0, 199.0):
        assert abs(error_s(found, time_s, host(time_s))) < 0.002


def test_samples_written_down_late_do_not_pull() -> None:
    """A recording begun a minute into the run: its first minute reaches the file in one go."""
    points = [
        ClockPoint(p.time_s, max(p.host_s, 60.0), BEGAN + max(p.host_s, 60.0))
        for p in anchors(240.0, lambda t: t)
    ]
    found = fitted(points)
    for time_s in (0.0, 30.0, 59.0, 120.0):
        assert abs(error_s(found, time_s, time_s)) < 0.003


@settings(max_examples=100, deadline=None)
@example([(0.0, 0.0, 0.0), (0.25, 0.0, 0.0), (0.5, 0.0, 0.0), (1.0, 0.0, 0.0)], 0.0)  # a clock stands still
@example([(0.0, 0.0, 0.0), (-0.5, 0.0, 0.0), (-1e-116, 0.0, 0.0), (-1.0, 0.0, 0.0)], 0.0)  # alike in ns
@given(st.lists(st.tuples(*[st.floats(-1e12, 1e12)] * 3), max_size=8), st.floats(-1e12, 1e12))
def test_any_anchors_give_some_time(points: list[tuple[float, float, float]], time_s: float) -> None:
    """A capture may come from anyone."""
    found = fit_wall_clock([ClockPoint(*p) for p in points], (0.0,))
    if found is not None:
        assert isinstance(found.utc(time_s), datetime)


def test_a_moment_in_which_a_clock_stood_still_is_no_slope() -> None:
    """Four anchors within half a second of one that stands, far from all others: a file may hold anything."""
    times_s = sorted([*np.arange(100.0, 800.0, 100.0).tolist(), 475.0, 475.1, 475.2, 475.3])
    points = [ClockPoint(t, 475.0 if 475 < t < 476 else t, BEGAN + t) for t in times_s]
    found = fitted(points)
    host = [found.host_s(float(t)) for t in range(800)]
    assert np.diff(host).min() > 0
    assert max(abs(at - t) for t, at in enumerate(host)) < 0.5


def test_epoch_and_back() -> None:
    moment = datetime(2026, 7, 1, 3, 4, 5, 678901, tzinfo=UTC)
    assert from_epoch(to_epoch(moment)) - moment < timedelta(microseconds=2)
