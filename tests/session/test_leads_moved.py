"""A hand that carries a lead about switches nothing: no side may be said, at any moment."""

from __future__ import annotations

import pytest

from daq.bench import BenchSource
from daq.findings import Side
from daq.pipeline import Pipeline
from daq.probe import Prober
from daq.samples import Block
from daq.source import Operate

LOOK_S = 0.05
PLACES = {
    "posts": ["on positive", "on negative", "on positive", "on negative", "on pin"],
    "negative and back": ["on negative", "on pin"] * 3,
    "off and on": ["off pin", "on pin"] * 3,
}


def sides_said(circuit: str, lead: str, places: list[str]) -> set[Side]:
    """Every side that was said while the load was on and a lead went from place to place."""
    moves = [Operate("control", "on"), *(Operate(lead, place) for place in places)]
    script = [(0.3 + n, move) for n, move in enumerate(moves)]
    source = BenchSource(circuit, speed=None, script=script, duration_s=len(script) + 1.0)
    pipeline, prober, looked_s, said = Pipeline(), Prober(), 0.0, set()
    for item in source:
        pipeline.push(item)
        if isinstance(item, Block) and item.end / 4000 >= looked_s + LOOK_S:
            now = pipeline.snapshot()
            looked_s = now.time_s
            said.add(now.judgement.side)
            if asked := prober.next(now):
                source.command(asked)
    return said


@pytest.mark.parametrize("lead", ["lead 1", "lead 2"])
@pytest.mark.parametrize("places", PLACES.values(), ids=PLACES)
def test_no_side_is_said(lead: str, places: list[str]) -> None:
    """Where an open ground holds both pins at source, each lead carried to negative looks like a switch."""
    assert sides_said("fog-lamp", lead, places) == {Side.UNDETERMINED}
