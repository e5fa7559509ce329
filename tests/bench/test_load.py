"""What the load of a bench circuit is seen or heard to do.

What is hidden in each circuit stands in the catalogue. That a load without feed, ground or winding is dead,
that one behind a bad contact is weak, and that a welded switch leaves it on, are trade facts (common
practice, no source).
"""

from __future__ import annotations

import pytest

from daq.bench_catalog import CATALOG, find
from daq.bench_workbench import Workbench

BROKEN = ("cargo-lamp", "fog-lamp", "parade-lamp", "mixer-valve")  # no feed, no ground twice, no winding
WEAK = ("gate-lamp",)  # 2.5 ohm in its feed
ALWAYS_ON = ("stable-lamp",)
WAKES = {"tailgate-lamp": "key"}


def after(name: str, *moves: tuple[str, str]) -> str:
    bench, at_us = Workbench(find(name), 1), 100_000
    bench.run(at_us)
    for what, to in moves:
        bench.operate(what, to, at_us)
        at_us += 900_000
        bench.run(at_us)
    return bench.load


@pytest.mark.parametrize("name", [c.name for c in CATALOG])
def test_on_it_works_unless_it_cannot(name: str) -> None:
    """LED strings by their current, coils that are pulsed by theirs, pulsed lamps as they are in each."""
    woken = [(WAKES[name], "on")] if name in WAKES else []
    expected = "dead" if name in BROKEN else "weak" if name in WEAK else "works"
    assert after(name, *woken, ("control", "on")) == expected


@pytest.mark.parametrize("name", ["barn-lamp", "step-light", "horn-relay", "dosing-valve", "seat-relay"])
def test_off_it_is_dead_and_so_it_is_unplugged(name: str) -> None:
    assert after(name) == "dead"
    assert after(name, ("control", "on"), ("control", "off")) == "dead"
    assert after(name, ("plug", "out"), ("control", "on")) == "dead"


@pytest.mark.parametrize("name", ALWAYS_ON)
def test_a_welded_switch_leaves_it_on(name: str) -> None:
    assert after(name) == "works"


def test_a_mended_winding_works() -> None:
    assert after("mixer-valve", ("fault", "off"), ("control", "on")) == "works"
