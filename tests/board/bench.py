"""The board with something on its leads, for the tests."""

from __future__ import annotations

from tests.board.circuit import State, netlist

CLIP_OHM = 0.1
REFERENCE = f"rclipr tipr 0 {CLIP_OHM}"


def on_voltages(state: State, extra: str = "") -> str:
    """Lead 1 on source `v1`, lead 2 on `v2`, both 0 V until altered; the reference on ground."""
    return f"{netlist(state)}\nv1 wire1 0 0 ac 1\nv2 wire2 0 0\n{_clips()}\n{REFERENCE}\n{extra}"


def on_wires(state: State, extra: str = "") -> str:
    """Leads on nodes `wire1`, `wire2`, which the caller connects to a circuit."""
    return f"{netlist(state)}\n{_clips()}\n{REFERENCE}\n{extra}"


def _clips() -> str:
    return f"rclip1 wire1 tip1 {CLIP_OHM}\nrclip2 wire2 tip2 {CLIP_OHM}"
