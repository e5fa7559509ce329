"""What the logger's leads read on each circuit and fault: 12.6 V, 6 ohm load, private wires.

Common practice (no source), with the levels that 1.1 Mohm leads and a 5 V bias through 10 kohm and a diode
make of floating pins. Five columns: plugged in off, on; unplugged off, on; unplugged off with both leads
biased up.
"""

from __future__ import annotations

import numpy as np
import pytest

from daq.circuit import Instrument, Setup
from daq.circuit_reading import readings
from daq.explained import circuits
from daq.hypotheses import Fault, hypotheses
from daq.knowledge import shipped
from daq.unknowns import CHOICES, DIALS, Draws

SOURCE = 12.6
S, B = SOURCE, 4.5  # at source; at the bias, less its diode
COLUMNS = (
    Setup(),
    Setup(control="on"),
    Setup(plugged=False),
    Setup(plugged=False, control="on"),
    Setup(plugged=False, bias=("up", "up")),
)
ROWS = [
    # side, fault, place, pin, condition: (feed pin, ground pin) in each column
    ("low", "none", None, None, None, [(S, S), (12.5, 0.1), (S, 0), (S, 0), (S, B)]),
    ("low", "open", "feed wire", None, None, [(0, 0), (0, 0), (0, 0), (0, 0), (B, B)]),
    ("low", "open", "ground wire", None, None, [(S, S), (S, S), (S, 0), (S, 0), (S, B)]),
    ("low", "stuck off", "switch", None, None, [(S, S), (S, S), (S, 0), (S, 0), (S, B)]),
    ("low", "open", "load", None, None, [(S, 0), (S, 0), (S, 0), (S, 0), (S, B)]),
    ("low", "stuck on", "switch", None, None, [(12.5, 0.1), (12.5, 0.1), (S, 0), (S, 0), (S, 0)]),
    (
        "low",
        "short to ground",
        "control wire",
        None,
        None,
        [(12.5, 0.1), (12.5, 0.1), (S, 0), (S, 0), (S, 0)],
    ),
    ("high", "none", None, None, None, [(0, 0), (12.5, 0.1), (0, 0), (S, 0), (B, 0)]),
    ("high", "open", "ground wire", None, None, [(0, 0), (S, S), (0, 0), (S, 0), (B, B)]),
    ("high", "open", "feed wire", None, None, [(0, 0), (0, 0), (0, 0), (0, 0), (B, 0)]),
    ("high", "stuck off", "switch", None, None, [(0, 0), (0, 0), (0, 0), (0, 0), (B, 0)]),
    ("high", "open", "load", None, None, [(0, 0), (S, 0), (0, 0), (S, 0), (B, 0)]),
    ("high", "stuck on", "switch", None, None, [(12.5, 0.1), (12.5, 0.1), (S, 0), (S, 0), (S, 0)]),
    ("low", "lost", "reference lead", None, None, [(0, 0), (6.2, -6.2), (0, 0), (6.3, -6.3), (B, B)]),
    ("high", "lost", "reference lead", None, None, [(0, 0), (6.2, -6.2), (0, 0), (6.3, -6.3), (B, B)]),
    ("low", "lost", "lead", "ground", None, [(S, 0), (12.5, 0), (S, 0), (S, 0), (S, B)]),
    ("unswitched", "none", None, None, None, [(12.5, 0.1)] * 2 + [(S, 0)] * 3),
    ("low", "none", None, None, "asleep", [(0, 0)] * 4 + [(B, B)]),
    ("both ends", "none", None, None, None, [(0, 0), (12.5, 0.1), (0, 0), (S, 0), (B, B)]),
    # shared wires: a lit neighbour of 6 ohm feeds back through an open ground, or pulls a dead feed down
    ("high", "open", "ground point", None, "shared ground", [(S, S), (S, S), (0, S), (S, S), (B, S)]),
    ("low", "open", "ground point", None, "shared ground", [(S, S), (S, S), (S, 0), (S, S), (S, B)]),
    ("low", "open", "fuse", None, "shared feed", [(0, 0), (0, 0), (0, 0), (0, 0), (0, B)]),
]


def typical() -> Draws:
    """Every unknown at its median, every part of the first kind; the load 6 ohm, the source 12.6 V."""
    zero = np.zeros((1, 1))
    dials = dict.fromkeys(DIALS, zero)
    load = 6.0 / (shipped().spread["load_ohm"].median * SOURCE / 13.0)
    dials["load"] = np.full((1, 1), np.log(load) / np.log(shipped().spread["load_ohm"].factor))
    choices = dict.fromkeys(CHOICES, np.zeros((1, 1), dtype=np.int8))
    choices["key"] = np.ones((1, 1), dtype=np.int8)
    return Draws(dials, choices, zero, np.full((1, 1), SOURCE))


@pytest.mark.parametrize("row", ROWS, ids=lambda r: ", ".join(str(w) for w in r[:5] if w))
def test_the_row(row: tuple[str, str, str | None, str | None, str | None, list[tuple[float, float]]]) -> None:
    side, fault, place, pin, condition, columns = row
    wanted_fault = Fault(fault, place, pin)
    (chosen,) = (
        h
        for h in hypotheses(shipped())
        if (h.side, h.fault, h.condition, h.second) == (side, wanted_fault, condition, None)
    )
    made = circuits((chosen,), typical(), shipped())
    for setup, wanted in zip(COLUMNS, columns, strict=True):
        seen = readings(made, setup, Instrument(1.1e6))
        found = (float(seen.feed[0, 0]), float(seen.ground[0, 0]))
        assert found == pytest.approx(wanted, abs=0.16), setup
