"""The firmware's worst cases, measured in the simulator, as the page firmware/FIGURES.md.

python -m tests.firmware.measured
"""

from __future__ import annotations

import random
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from daq.messages import BiasState, Echo, Start, Stop
from daq.samples import Bias
from tests.firmware.board import FIRMWARE, Script, build

FIGURES = FIRMWARE / "FIGURES.md"
RUNS = {"4000 pairs a second": 2000, "8000 pairs a second": 1000}
FULL_ACCURACY_INTERVAL = 1978  # firmware/avr/sampling.c

HEAD = """# Worst cases

Measured in the simulator by `python -m tests.firmware.measured`, while commands and bias changes arrive all
through the run; the tests measure anew and compare. Scripted runs are the same to the last cycle, so any
change shows. Sending and receiving let the converter's interrupt in, whose cycles then count as theirs. The
four cycles that silicon takes to enter an interrupt are not in.

| | | |
| --- | --- | --- |
"""


def figures(directory: Path) -> dict[str, Any]:
    """What the table tells; `directory` is for scratch files."""
    sizes = subprocess.run(
        ["avr-size", str(build() / "whichside.elf")], capture_output=True, text=True, check=True
    )
    text, data, zeroed = map(int, sizes.stdout.splitlines()[1].split()[:3])
    runs = {name: _run(directory, interval) for name, interval in RUNS.items()}
    return {"flash": text + data, "static": data + zeroed, "runs": runs}


def _run(directory: Path, interval: int) -> Mapping[str, Any]:
    chance = random.Random(1)
    script = Script(directory).send(0.05, Start(interval, 0, 31)).order(0.07, "measure")
    biases = list(Bias)
    for n in range(150):
        at_s = 0.07 + n * 0.003 + chance.random() * 0.0005
        command = Echo(chance.randbytes(chance.randrange(33)))
        script.send(at_s, command if n % 5 else BiasState(chance.choice(biases), chance.choice(biases)))
    return script.send(0.55, Stop()).run(0.8, noise=1.0).facts


def _latest(interval: int) -> int:
    """Cycles from the end of a conversion to the next trigger: `interval` less 13.5 converter clocks."""
    return int(interval - 13.5 * (128 if interval >= FULL_ACCURACY_INTERVAL else 64))


def page(measured: Mapping[str, Any]) -> str:
    """firmware/FIGURES.md."""
    rows = [
        ("flash", f"{measured['flash']} bytes", "of 32 256 beside the boot loader"),
        ("static RAM", f"{measured['static']} bytes", "of 2048; no heap"),
    ]
    for name, facts in measured["runs"].items():
        interrupts = facts["longest_interrupt_cycles"]
        rows += [
            (f"{name}: longest interrupt, {kind}", f"{cycles} cycles", "")
            for kind, cycles in interrupts.items()
        ]
        rows += [
            (
                f"{name}: conversion done to flag cleared",
                f"{facts['conversion_to_flag_cleared_cycles']} cycles",
                f"{_latest(RUNS[name])} at most; a later one is a missed trigger, and flagged",
            ),
            (f"{name}: deepest stack", f"{facts['deepest_stack_bytes']} bytes", "of 400 kept free"),
            (f"{name}: triggers missed", str(facts["missed_triggers"]), ""),
        ]
    return HEAD + "".join(f"| {what} | {figure} | {note} |\n" for what, figure, note in rows)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        FIGURES.write_text(page(figures(Path(scratch))))
