"""Data flows one way, and the serial port's packages stay in one module."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
MODULES = sorted([*(ROOT / "daq").glob("*.py"), *(ROOT / "tui").glob("*.py")])

# A module may import only from its own layer or an earlier one.
LAYERS: list[set[str]] = [
    {"errors", "__init__"},
    {"samples"},
    {"source"},
    {"stretches", "findings", "seen"},
    {
        "windows",
        "crossings",
        "per_window",
        "rhythm",
        "pulse_sums",
        "period",
        "tally",
        "spikes",
        "holes",
        "steady",
        "timeline",
        "waiting_blocks",
        "unresolved",
        "hazards",
        "snapshot",
    },
    {
        "labels",
        "labelling",
        "glue",
        "ripple",
        "ramps",
        "slow_pulses",
        "turns",
        "switching",
        "supply",
        "floating",
    },
    {
        "response",
        "departures",
        "waveform",
        "pulses",
        "evidence",
        "other_loads",
        "votes",
        "doubts",
        "missing",
        "lead_check",
        "live_view",
        "microvolts",
    },
    {"settled", "unplugged", "pulsed_holes"},
    {"in_turn"},
    {"material"},
    {"chapters", "events", "judge", "analysis"},
    {"pipeline", "probe", "event_counts", "event_summary"},
]
LAYER_OF = {name: n for n, names in enumerate(LAYERS) for name in names}


REASONING = {
    *(
        "circuit",
        "circuit_network",
        "circuit_parts",
        "circuit_branches",
        "circuit_case",
        "circuit_stack",
        "circuit_reading",
        "knowledge",
        "unknowns",
        "aiming",
        "climbing",
        "fitting",
        "evidence_sum",
        "in_sight",
        "naming",
        "lending",
        "screening",
        "premises",
        "reason_document",
        "mixture",
        "points",
        "stopping",
        "hypotheses",
        "explained",
        "short_circuits",
        "scores",
        "readings",
    ),
    *(
        "looks",
        "likelihood",
        "diagnosis",
        "information",
        "offered_tests",
        "next_test",
        "reasoning",
        "reason_words",
    ),
    *("reason_report", "copper", "drops"),
}


def imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_imports_go_one_way(path: Path) -> None:
    names = imported(path)
    tops = {n.split(".")[0] for n in names}
    if path.parent.name == "daq" and path.name != "cli.py":
        assert "tui" not in tops
        assert "textual" not in tops
    if path.parent.name == "daq":
        assert "asyncio" not in tops
    if path.name != "serial_port.py":
        assert not tops & {"serial", "termios", "fcntl"}
    layer = LAYER_OF.get(path.stem)
    if path.parent.name == "daq" and layer is not None:
        ours = {n.split(".")[1] for n in names if n.startswith("daq.")} & LAYER_OF.keys()
        later = {n for n in ours if LAYER_OF[n] > layer}
        assert not later, f"{path.name} imports from a later stage: {later}"
    if path.parent.name == "daq" and layer is not None:
        allowed = LAYER_OF.keys()
        outside = {n.split(".")[1] for n in names if n.startswith("daq.") and n.count(".") == 1} - allowed
        assert not outside, f"{path.name} is pure analysis and may not import {outside}"


@pytest.mark.parametrize("path", [p for p in MODULES if p.stem.startswith("bench")], ids=lambda p: p.name)
def test_the_bench_knows_nothing_of_the_analysis(path: Path) -> None:
    ours = {n.split(".")[1] for n in imported(path) if n.startswith("daq.")}
    analysis = {name for names in LAYERS[4:] for name in names}
    assert not ours & (analysis | REASONING)


@pytest.mark.parametrize("path", [p for p in MODULES if p.stem in REASONING], ids=lambda p: p.name)
def test_the_reasoning_knows_nothing_of_the_bench(path: Path) -> None:
    """Else the bench would test the reasoning against its own assumptions."""
    ours = {n.split(".")[1] for n in imported(path) if n.startswith("daq.")}
    assert not {name for name in ours if name.startswith("bench")}
    assert ours <= REASONING | {"errors", "cautions"}


def test_everything_but_the_port_imports_without_posix_modules() -> None:
    """As on Windows: termios and fcntl do not exist there."""
    names = [
        f"{p.parent.name}.{p.stem}" for p in MODULES if p.stem not in ("serial_port", "__init__", "__main__")
    ]
    code = (
        "import sys\n"
        "sys.modules['termios'] = None; sys.modules['fcntl'] = None; sys.modules['serial'] = None\n"
        f"import importlib\nfor name in {names!r}: importlib.import_module(name)\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert run.returncode == 0, run.stderr


def test_the_command_line_starts_without_heavy_imports() -> None:
    """argparse answers at once: numpy, scipy and textual are imported when they are needed."""
    heavy = ("numpy", "scipy", "textual", "serial")
    code = f"import sys, daq.cli; print(*[m for m in {heavy!r} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert run.stdout.strip() == ""
