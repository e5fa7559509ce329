"""A published step in noise: the annual flow of the Nile at Aswan, 1871 to 1970.

Data (public domain): `statsmodels.datasets.nile` 0.15.0, 10^8 m³; first analysed by Cobb, Biometrika 65(2),
1978, 243-51. The flow falls in 1898, after 28 values, from a mean of 1097.75 to 849.97; standard deviations
135.00 and 124.78 (169.23 of all); standard error of the difference 29.45 (computed; R's `strucchange` pages
have the same year).

What this does and does not exercise. The program has no search for change points: a load is switched in
milliseconds and by many times the noise, so it looks for fast movement (7 sigma of the noise) and for
crossings with hysteresis. A step of 1.9 sigma is no switching to it, and must not be: that is one test. The
others take the split as given and check the parts that weigh levels: exact means, noise from a range, and
whether two levels are one. There is no CUSUM and no Bayesian segmentation in the program, so nothing is
compared with their worked examples.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.glue import append
from daq.labels import Scale
from daq.live_view import sigma_of_range
from daq.stretches import Raw, Steady, Stretch, Zone
from daq.tally import SteadyTally
from tests.analysis.volts import analyse

FLOWS = """
1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140 1100 1210 1150
1250 1260 1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456 824 702 1120 1100
832 764 821 768 845 864 862 698 845 744 796 1040 759 781 865 845 944 984 897 822 1010 771 676 649 846 812
742 801 1040 860 874 848 890 744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718
714 740
"""
NILE = np.array(FLOWS.split(), dtype=np.float64)
SPLIT = 28
RATE_HZ = 4000.0
MICRO = 10_000  # µV per 10^8 m³: the flows become 4.6 to 13.7 V


def as_raw(flows: np.ndarray) -> Raw:
    """Both leads show the flows."""
    lead = np.rint(flows * MICRO).astype(np.int32)
    return np.stack([lead, lead], axis=1)


def stretch(flows: np.ndarray, start: int) -> Steady:
    tally = SteadyTally(start, RATE_HZ, 100, 0)
    raw = as_raw(flows)
    tally.add(raw, np.full(len(raw), np.inf))
    return tally.finish(raw)


def test_levels_are_the_published_means() -> None:
    before, after = stretch(NILE[:SPLIT], 0), stretch(NILE[SPLIT:], SPLIT)
    assert before.mean[0] / MICRO == pytest.approx(1097.75, abs=1e-9)
    assert after.mean[0] / MICRO == pytest.approx(849.9722, abs=1e-4)
    assert len(NILE) == 100


@pytest.mark.parametrize(
    ("part", "published"), [(slice(None), 169.23), (slice(SPLIT), 135.00), (slice(SPLIT, None), 124.78)]
)
def test_noise_is_told_from_the_range(part: slice, published: float) -> None:
    """The screen knows only the extremes of a level: within 20 % of the standard deviation (the range of a
    normal sample of 28 scatters by 18 %: tables of d3/d2, from memory)."""
    flows = NILE[part]
    assert sigma_of_range(float(np.ptp(flows)), len(flows)) == pytest.approx(published, rel=0.2)


def test_the_two_levels_differ_by_many_of_their_errors() -> None:
    """247.78 at a standard error of 29.45: 8.4 times (Welch's t). With noise told from ranges: at least 5."""
    before, after = NILE[:SPLIT], NILE[SPLIT:]
    assert NILE[:SPLIT].std(ddof=1) == pytest.approx(135.00, abs=0.01)
    errors = [sigma_of_range(float(np.ptp(x)), len(x)) / math.sqrt(len(x)) for x in (before, after)]
    times = (before.mean() - after.mean()) / math.hypot(*errors)
    assert times == pytest.approx(8.4, rel=0.25)
    joined: list[Stretch] = []
    zone = Zone(SPLIT, SPLIT + 1, SPLIT, as_raw(NILE[SPLIT : SPLIT + 1]), (0.0, 0.0), (0.0, 0.0))
    for s in (stretch(before, 0), zone, stretch(after[1:], SPLIT + 1)):
        append(joined, s, Scale(13.7e6, 13.7e6), RATE_HZ)
    assert len(joined) == 3


@pytest.mark.parametrize("rate_hz", [50.0, 320.0, 1000.0, 4000.0])
@pytest.mark.parametrize("lead", [0, 1])
def test_a_step_within_the_noise_is_no_switching(lead: int, rate_hz: float) -> None:
    """No edge in 1898, and no side, whatever the rate and the lead. (In 1913 the flow was less than half of
    the years beside it: at slow rates that alone is told, as one change that proves nothing.)"""
    volts = np.full((100, 2), 13.0 if lead else 0.0)
    volts[:, lead] = NILE / 100
    found = analyse(volts, rate_hz)
    assert found["side"] == "undetermined"
    assert found["confidence"] < 0.9
    assert [e for e in found["edges"] if abs(e["t_s"] * rate_hz - SPLIT) < 5] == []
    assert len(found["edges"]) <= 2
