"""State levels and edges of waveforms by the reference implementation; run by its own Python.

    PYTHON reference_levels.py < waveforms.json > levels.json

In: a list of [volts, bins]. Out: for each [low, high, [[edge type, index], ...]]. The package draws and
filters as well; what it needs for that is not installed, and stands in as empty modules.
"""

from __future__ import annotations

import json
import sys
from unittest.mock import MagicMock

PARTS = ("axes", "figure", "patheffects", "pyplot")
for name in ("matplotlib", *(f"matplotlib.{part}" for part in PARTS), "scipy", "scipy.signal"):
    sys.modules[name] = MagicMock()

import numpy as np  # noqa: E402
import signal_edges.signal as ses  # noqa: E402


def main() -> None:
    out = []
    for volts, bins in json.load(sys.stdin):
        signal = ses.VoltageSignal(np.arange(len(volts), dtype=float), np.asarray(volts, dtype=float))
        levels, _ = signal.state_levels(ses.state_levels.Mode.HISTOGRAM_MODE, nbins=bins)
        edges = [[edge["edge_type"].name, edge["iintermediate"]] for edge in signal.edges(levels)]
        out.append([levels.lowest, levels.highest, edges])
    json.dump(out, sys.stdout)


if __name__ == "__main__":
    main()
