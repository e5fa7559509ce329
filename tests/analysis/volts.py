"""Arrays of volts through the whole analysis, as the campaign and the tests want it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from daq.findings import to_json
from daq.pipeline import Pipeline
from daq.samples import Block, Change, Item, Layout, Scale

MICROVOLT = Scale((1e-6, 1e-6))
Volts = npt.NDArray[np.float64]


def blocks(volts: Volts, rate_hz: float, cuts: Sequence[int] = (), first: int = 0) -> list[Block]:
    """The samples as blocks that end at `cuts` (and at the end)."""
    counts = np.rint(volts * 1e6).astype(np.int32)
    bounds = [0, *cuts, len(counts)]
    layout = Layout(rate_hz, MICROVOLT)
    return [Block(first + a, counts[a:b], layout) for a, b in pairwise(bounds) if b > a]


def findings_of(items: Sequence[Item], expectation: str = "switching") -> dict[str, Any]:
    pipeline = Pipeline(expectation)
    for item in items:
        pipeline.push(item)
    pipeline.finish()
    return to_json(pipeline.findings(), "")


def analyse(volts: Volts, rate_hz: float, changes: Sequence[Change] = ()) -> dict[str, Any]:
    """Findings of one array of volts (n, 2)."""
    return findings_of([*changes, *blocks(volts, rate_hz)])
