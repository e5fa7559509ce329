"""The firmware's worst cases, measured in the simulator, as the page firmware/FIGURES.md.

python -m tests.firmware.measured
"""

from __future__ import annotations

import random
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from daq.messages import BiasState, Echo, Start, Statistics, Stop
from daq.results import Tally
from daq.samples import Bias
from tests.firmware.arm_chip import CONVERTER, LINE, Chip
from tests.firmware.board import FIRMWARE, Heard, Script, build, to_logger

FIGURES = FIRMWARE / "FIGURES.md"
RUNS = {"4000 pairs a second": 2000, "8000 pairs a second": 1000}
FULL_ACCURACY_INTERVAL = 1978  # firmware/avr/sampling.c

HEAD = """# Worst cases

## ATmega328P

Measured in the simulator by `python -m tests.firmware.measured`, while commands and bias changes arrive all
through the run; the tests measure anew and compare. Scripted runs are the same to the last cycle, so any
change shows. Sending and receiving let the converter's interrupt in, whose cycles then count as theirs. The
four cycles that silicon takes to enter an interrupt are not in.

| | | |
| --- | --- | --- |
"""


ARM_HEAD = """
## STM32F103

Measured in the emulator of the tests, 0.15 s at 8000 pairs a second with the same traffic. It counts
instructions, not cycles: a Cortex-M3 takes one to three cycles for most of them, 12 to enter an interrupt and
as many to leave it. From the end of a conversion to the next trigger there are 913 cycles.

| | | |
| --- | --- | --- |
"""


def figures(directory: Path) -> dict[str, Any]:
    """What the tables tell; `directory` is for scratch files."""
    text, data, zeroed = _sizes("whichside.elf")
    runs = {name: _run(directory, interval) for name, interval in RUNS.items()}
    return {"flash": text + data, "static": data + zeroed, "runs": runs, "arm": _arm()}


def _sizes(elf: str) -> tuple[int, int, int]:
    """Bytes of program, of data, of what is zeroed."""
    sizes = subprocess.run(["size", str(build() / elf)], capture_output=True, text=True, check=True)
    text, data, zeroed = map(int, sizes.stdout.splitlines()[1].split()[:3])
    return text, data, zeroed


def _arm() -> dict[str, int]:
    text, data, zeroed = _sizes("arm.elf")
    chance, biases = random.Random(1), list(Bias)
    chip = Chip()
    chip.run(0.25)
    chip.count_instructions()
    chip.say(to_logger(Start(1000, 0, 31)))
    for n in range(40):
        command = Echo(chance.randbytes(chance.randrange(33)))
        chip.say(to_logger(command if n % 5 else BiasState(chance.choice(biases), chance.choice(biases))))
        chip.run(0.0035 + chance.random() * 0.0005)
    chip.say(to_logger(Stop(), Statistics(), first_tag=7))
    chip.run(0.05)
    return {
        "flash": text + data,
        "static": data + zeroed,
        "converter": chip.longest[CONVERTER],
        "line": chip.longest[LINE],
        "stack": chip.deepest_stack(),
        "missed": Tally.parse(Heard(chip.heard(), {}).reply(8).result).missed_triggers,
    }


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
    arm = measured["arm"]
    arm_rows = [
        ("flash", f"{arm['flash']} bytes", "of 57 344 beside what stands in for an EEPROM"),
        ("static RAM", f"{arm['static']} bytes", "of the 8192 used of 20 480; no heap"),
        ("longest interrupt, converter", f"{arm['converter']} instructions", ""),
        ("longest interrupt, line", f"{arm['line']} instructions", "with those of the converter inside it"),
        ("deepest stack", f"{arm['stack']} bytes", "of 1024 kept free"),
        ("triggers missed", str(arm["missed"]), ""),
    ]
    return HEAD + _table(rows) + ARM_HEAD + _table(arm_rows)


def _table(rows: Sequence[tuple[str, str, str]]) -> str:
    return "".join(f"| {what} | {figure} | {note} |\n" for what, figure, note in rows)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        FIGURES.write_text(page(figures(Path(scratch))))
