"""State levels and edges beside a reference implementation of IEEE Std 181's histogram method.

The reference is `python-signal-edges` 1.0.5 (MIT). It says that it follows the MathWorks page `statelevels`,
which cites IEEE Std 181-2003 pp. 15-17: range over 100 bins, the lowest and the highest non-empty bin, split
in half, the mode of each half. It needs numpy < 2, so it has an environment of its own beside the tests'
(.test-venv/state-levels), made when it is first needed.

Ours is no histogram: levels are means over stretches in which no lead moved fast. Tolerance: a mode is the
centre of its bin, so half a bin, range/200; the level itself may be a mean of codes without dither, so half
a count more.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pytest

from daq.steady import Segmenter
from daq.stretches import Steady, Stretch
from tests.analysis.volts import analyse
from tests.analysis.waves import levels, rounded

Volts = npt.NDArray[np.float64]

PACKAGE = ("python-signal-edges==1.0.5", "numpy<2")
RATE_HZ = 4000.0
BINS = 100
HALF_COUNT_V = 48 / 1024 / 2


class Reference(NamedTuple):
    low: float
    high: float
    edges: list[tuple[str, int]]  # RISING or FALLING, sample nearest to the middle


@pytest.fixture(scope="module")
def python() -> Path:
    """The Python of the reference's environment: without pip of its own, and without the packages that it
    draws and filters with. That takes seconds instead of minutes."""
    home = Path(sys.prefix) / "state-levels"
    python = home / "bin" / "python"
    if not list(home.glob("lib/python*/site-packages/python_signal_edges-1.0.5.dist-info")):
        subprocess.run([sys.executable, "-m", "venv", "--clear", "--without-pip", home], check=True)
        pip: list[str | Path] = [
            sys.executable,
            "-m",
            "pip",
            "--python",
            python,
            "install",
            "--no-deps",
            "-q",
        ]
        subprocess.run([*pip, "--disable-pip-version-check", *PACKAGE], check=True)
    return python


def reference(python: Path, waveforms: Sequence[tuple[Volts, int]]) -> list[Reference]:
    """What the reference says of (volts, bins)."""
    script = Path(__file__).with_name("reference_levels.py")
    asked = json.dumps([[volts.tolist(), bins] for volts, bins in waveforms])
    done = subprocess.run([python, script], input=asked, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return [
        Reference(low, high, [(kind, int(at)) for kind, at in edges])
        for low, high, edges in json.loads(done.stdout)
    ]


def square(noise_v: float, seed: int = 1) -> Volts:
    """A load on the ground side, switched on twice."""
    spans = [(0.4, 12.6, 12.6), (0.5, 12.5, 0.1), (0.4, 12.6, 12.6), (0.5, 12.5, 0.1), (0.5, 12.6, 12.6)]
    return levels(spans, RATE_HZ, noise_v, seed)


def clean() -> Volts:
    """As `square`, without noise and without a converter."""
    on = (np.arange(9200) >= 1600) & (np.arange(9200) < 3600) | (np.arange(9200) >= 5200) & (
        np.arange(9200) < 7200
    )
    return np.stack([np.where(on, 12.5, 12.6), np.where(on, 0.1, 12.6)], axis=1)


def slow() -> Volts:
    """Through a first-order low-pass with a time constant of 1 ms."""
    target, volts = clean(), clean()
    keep = np.exp(-1 / (RATE_HZ * 1e-3))
    for i in range(1, len(volts)):
        volts[i] = target[i] + (volts[i - 1] - target[i]) * keep
    return rounded(volts)


def bouncing() -> Volts:
    """Every closing bounces for 3 ms."""
    volts = square(0.02)
    for start in (1600, 5200):
        for part in (slice(1, 3), slice(5, 7), slice(10, 12)):
            volts[start + part.start : start + part.stop, 1] = 12.6
    return rounded(volts)


def sagging() -> Volts:
    """While off, the source is pulled to 10 V for 0.2 s of 1.3."""
    return levels(
        [
            (0.6, 12.6, 12.6),
            (0.2, 10.0, 10.0),
            (0.5, 12.6, 12.6),
            (0.8, 12.5, 0.1),
            (0.4, 12.6, 12.6),
            (0.5, 12.5, 0.1),
            (0.3, 12.6, 12.6),
        ]
    )


WAVEFORMS = {
    "clean square": clean(),
    "square through an RC": slow(),
    "10 bit, 20 mV of noise": square(0.02),
    "10 bit, 0.1 V of noise": square(0.1, seed=3),
    "bounce": bouncing(),
    "sag": sagging(),
}


def our_levels(volts: Volts) -> tuple[float, float]:
    """Lead 2: the settled level of the longest steady stretch below and above the middle."""
    found: list[Stretch] = []
    cutter = Segmenter(0, RATE_HZ, found.append, lambda _: None)
    cutter.push(np.rint(volts * 1e6).astype(np.int32))
    cutter.finish()
    steady = sorted((s for s in found if isinstance(s, Steady)), key=lambda s: s.end - s.start)
    settled = [stretch.settled[1] / 1e6 for stretch in steady]
    middle = (volts[:, 1].min() + volts[:, 1].max()) / 2
    return [v for v in settled if v < middle][-1], [v for v in settled if v > middle][-1]


def test_the_reference_is_the_published_method(python: Path) -> None:
    """The page's example: 4 bins, counts 50/0/0/50, centres 0.2427 to 2.0428. And an RC square of 0 to 12 V,
    1 ms, 10 kS/s, 20 ms each: 0.06 and 11.94 V, half a bin inside the extremes (computed)."""
    fade = 12 * np.exp(-np.arange(1, 201) / 10)
    published = np.concatenate([np.full(50, -0.0573), np.full(50, 2.3428)])
    told = reference(python, [(published, 4), (np.tile(np.concatenate([12 - fade, fade]), 10), BINS)])
    assert told[0][:2] == pytest.approx((0.2427, 2.0428), abs=1e-4)
    assert told[1][:2] == pytest.approx((0.06, 11.94), abs=0.001)


def test_levels_agree_within_half_a_bin(python: Path) -> None:
    told = reference(python, [(volts[:, 1], BINS) for volts in WAVEFORMS.values()])
    for (name, volts), theirs in zip(WAVEFORMS.items(), told, strict=True):
        tolerance = np.ptp(volts[:, 1]) / (2 * BINS) + HALF_COUNT_V
        assert our_levels(volts) == pytest.approx(theirs[:2], abs=tolerance), name


@pytest.mark.parametrize("name", ["clean square", "square through an RC", "10 bit, 20 mV of noise"])
def test_edges_agree_within_a_sample(python: Path, name: str) -> None:
    """The reference gives the sample nearest to the middle, ours is interpolated: at most one sample apart.

    Lead 2 falls when the load goes on. Bounce and sag are left out: there the reference has runts and an edge
    for each bounce, and what an edge of the load is differs.
    """
    volts = WAVEFORMS[name]
    (theirs,) = reference(python, [(volts[:, 1], BINS)])
    ours = analyse(volts, RATE_HZ)["edges"]
    words = {"FALLING": "on", "RISING": "off"}
    assert [words[kind] for kind, _ in theirs.edges] == [edge["state"] for edge in ours]
    apart = [edge["t_s"] * RATE_HZ - at for (_, at), edge in zip(theirs.edges, ours, strict=True)]
    assert np.abs(apart).max() <= 1.0
