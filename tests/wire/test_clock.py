"""The device's clock from late arrivals: a drift is followed, where least squares follows the late ones."""

from __future__ import annotations

import numpy as np
import pytest

from daq.clock import Anchor, fit_clock

RATE = 4000.0
FRAME = 31
DELAY_S = 0.0015  # the shortest a frame takes


def arrivals(
    seconds: float, ppm: float, seed: int, drift_ppm: float = 0.0
) -> tuple[list[Anchor], np.ndarray]:
    """Anchors of a device whose clock is `ppm` fast and `drift_ppm` more at the start (time constant 60 s).

    Each frame waits for the next millisecond of the USB, then as long as the host is busy: mostly
    fractions of a millisecond, now and then 100 ms. Gives the true host time of every counter too.
    """
    rng = np.random.default_rng(seed)
    counters = np.arange(FRAME, int(seconds * RATE), FRAME)
    nominal = counters / RATE
    true_s = nominal - ppm * 1e-6 * nominal - drift_ppm * 1e-6 * 60 * (1 - np.exp(-nominal / 60))
    late = (
        rng.exponential(0.0004, len(nominal))
        + (rng.random(len(nominal)) < 0.01) * rng.random(len(nominal)) * 0.1
    )
    came_s = np.ceil((true_s + DELAY_S + late) * 1000) / 1000
    came_s = np.maximum.accumulate(came_s)
    bins = np.floor(nominal).astype(int)
    earliest = [np.flatnonzero(bins == b)[np.argmin((came_s - nominal)[bins == b])] for b in np.unique(bins)]
    log = [Anchor(int(counters[n]), round(came_s[n] * 1e9)) for n in earliest]
    return log, np.column_stack([counters, true_s])


@pytest.mark.parametrize("ppm", [-5000.0, -40.0, 0.0, 40.0, 5000.0])
def test_a_steady_clock(ppm: float) -> None:
    """Quartz is off by tens of ppm, a ceramic resonator by up to 0.5 %."""
    for seed in range(5):
        log, truth = arrivals(60, ppm, seed)
        fit = fit_clock(log, RATE)
        assert fit is not None
        assert fit.ppm == pytest.approx(ppm, abs=5 + abs(ppm) * 6e-3)
        error_s = np.array([fit.host_ns(c) * 1e-9 - t for c, t in truth[::50]])
        assert np.abs(error_s - DELAY_S).max() < 0.0015


def test_ten_seconds_are_enough_for_twenty_ppm() -> None:
    errors = []
    for seed in range(20):
        fit = fit_clock(arrivals(10, 40, seed)[0], RATE)
        assert fit is not None
        errors.append(abs(fit.ppm - 40))
    assert np.median(errors) < 20


def test_a_board_that_warms_up() -> None:
    """300 ppm of drift in minutes: one straight line would be 2 ms off, the knots follow."""
    log, truth = arrivals(300, 100, seed=3, drift_ppm=300)
    fit = fit_clock(log, RATE)
    assert fit is not None
    error_s = np.array([fit.host_ns(c) * 1e-9 - t for c, t in truth[::50]])
    line = np.polyfit(truth[:, 0], truth[:, 1], 1)
    assert np.abs(np.polyval(line, truth[:, 0]) - truth[:, 1]).max() > 0.002
    assert np.abs(error_s - DELAY_S).max() < 0.0015


def test_least_squares_would_follow_the_late_ones() -> None:
    """Why medians: a busy host at the end of the stretch pulls a least squares line far off."""
    log, _ = arrivals(60, 0, seed=1)
    late = [Anchor(a.counter, a.arrival_ns + 80_000_000 * (n > 50)) for n, a in enumerate(log)]
    fit = fit_clock(late, RATE)
    assert fit is not None
    x = np.array([a.counter / RATE for a in late])
    y = np.array([a.arrival_ns * 1e-9 for a in late])
    squares_ppm = abs(1 - np.polyfit(x, y, 1)[0]) * 1e6
    assert squares_ppm > 500
    assert abs(fit.ppm) < 50


def test_too_few_anchors_are_no_fit() -> None:
    log, _ = arrivals(2.9, 0, seed=1)
    assert len(log) == 3
    assert fit_clock(log, RATE) is None
