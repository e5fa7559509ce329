"""Switch timelines: what bounces, what is cut out, what is drawn as conductance."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.physics.intervals import wilson
from tests.physics.timeline import Spans, bouncing, levels, ln_conductance, operations, without

LONGEST_S = 6.2e-3


@st.composite
def worked(draw: st.DrawFn) -> Spans:
    seed = draw(st.integers(0, 2**32 - 1))
    starts_on = draw(st.booleans())
    return operations(np.random.default_rng(seed), 4.0, (0.1, 0.6), (0.1, 0.6), starts_on)


@given(worked(), st.integers(0, 2**32 - 1))
@settings(max_examples=100)
def test_bounce_stays_near_its_command(spans: Spans, seed: int) -> None:
    moves = bouncing(spans, np.random.default_rng(seed), LONGEST_S)
    pieces = moves.spans
    assert all(a < b for a, b in pieces)
    assert all(b <= c for (_, b), (c, _) in pairwise(pieces))
    assert [c for _, c, _ in moves.commands[:2]] in ([True, False], [True])
    assert all(0 <= settled - t <= LONGEST_S for t, _, settled in moves.commands)
    far = [t for a, b in spans for t in (a + 0.02, b - 0.02) if math.isfinite(t)]
    assert all(any(a <= t <= b for a, b in pieces) for t in far)


@given(worked(), st.lists(st.tuples(st.floats(0, 4), st.floats(1e-4, 0.2)), max_size=5))
@settings(max_examples=100)
def test_gaps_are_cut_out(spans: Spans, cuts: list[tuple[float, float]]) -> None:
    gaps = [(a, a + d) for a, d in cuts]
    left = without(spans, gaps)
    for t in np.linspace(0.001, 3.999, 97):
        wanted = any(a <= t < b for a, b in spans) and not any(a <= t < b for a, b in gaps)
        assert any(a <= t < b for a, b in left) == wanted


@given(worked())
@settings(max_examples=50)
def test_conductance_stands_where_the_contact_stands(spans: Spans) -> None:
    points = ln_conductance(spans, 0.01, 1e-5)
    times, values = (np.array(c) for c in zip(*points, strict=True))
    assert (np.diff(times) >= 0).all()
    for a, b in spans:
        middle = 0.5 * (max(a, 0) + min(b, 4.0))
        assert math.exp(np.interp(middle, times, values)) > 99
    assert levels([], -3.0, 1e-5) == [(0.0, -3.0)]


def test_wilson_against_published_values() -> None:
    """Newcombe 1998's cases as statsmodels gives them; 7/20 lower end from a statistics library's wiki."""
    published = {
        (81, 263): (0.2553, 0.3662),
        (15, 148): (0.0624, 0.1605),
        (0, 20): (0.0, 0.1611),
        (1, 29): (0.0061, 0.1718),
        (10, 10): (0.7225, 1.0),
        (20, 20): (0.8389, 1.0),
    }
    for (hits, trials), (low, high) in published.items():
        found = wilson(hits, trials)
        assert abs(found[0] - low) < 6e-5
        assert abs(found[1] - high) < 6e-5
    assert abs(wilson(7, 20)[0] - 0.1812) < 6e-5
    assert wilson(0, 0) == (0.0, 1.0)
