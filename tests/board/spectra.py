"""Frequency response and noise of a circuit in ngspice."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tests.physics.spice import CIRCUIT_TIMEOUT_S, UnsolvedError, run_script

Array = npt.NDArray[np.float64]


def response(netlist: str, node: str, from_hz: float, to_hz: float) -> tuple[Array, Array]:
    """Magnitude at `node` against `lg` for 1 V of the source that the netlist gives `ac 1`: (hertz, V/V)."""
    table = _table(netlist, [f"ac dec 40 {from_hz} {to_hz}", f"wrdata answer.txt mag(v({node})-v(lg))"])
    return table[:, 0], table[:, 1]


def noise_v(netlist: str, node: str, source: str, from_hz: float, to_hz: float) -> float:
    """Root mean square noise at `node` against the logger's ground `lg` between two frequencies, V."""
    commands = [
        f"noise v({node},lg) {source} dec 20 {from_hz} {to_hz}",
        "setplot noise2",
        "wrdata answer.txt onoise_total",
    ]
    return float(_table(netlist, commands)[-1, 1])


def _table(netlist: str, commands: list[str]) -> Array:
    with tempfile.TemporaryDirectory(prefix="board-") as name:
        folder = Path(name)
        (folder / "deck.cir").write_text(f"* spectrum\n{netlist}\n.end\n")
        script = ["* spectrum", ".control", "set numdgt=9", "source deck.cir", *commands]
        output = run_script(script, folder, CIRCUIT_TIMEOUT_S)
        answer = folder / "answer.txt"
        if not answer.exists():
            raise UnsolvedError(f"ngspice gave no table:\n{output[-1500:]}")
        return np.atleast_2d(np.loadtxt(answer))
