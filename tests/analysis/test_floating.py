"""Leads that nothing holds: told by the whisper, never by the level alone; a verdict survives them."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.bench_loads import LEAD_OHM, WHISPER_OHM
from daq.crossings import UV
from daq.floating import FREE_UV, Whispers
from daq.pipeline import Pipeline
from daq.samples import Bias, Block, Change, ChangeKind, Item, Layout, Origin
from daq.snapshot import StateWord
from tests.analysis.volts import MICROVOLT, findings_of
from tests.analysis.waves import levels, pulsed
from tests.bench.hands import levels as bench_levels
from tests.bench.hands import steady

RATE_HZ = 4000.0
FREE_V = 5 * 1.1 / 2.1  # Ohm's law: 5 V over 1 Mohm into 1.1 Mohm
WHISPER, QUIET = (Bias.WHISPER, Bias.WHISPER), (Bias.OFF, Bias.OFF)
Volts = npt.NDArray[np.float64]
Span = tuple[float, float, float]

OFF_LOW, ON, OFF_HIGH = (0.4, 12.6, 12.6), (0.5, 12.5, 0.1), (0.4, 0.0, 0.0)
CYCLED_LOW = [OFF_LOW, ON, OFF_LOW, ON, OFF_LOW, ON]
CYCLED_HIGH = [OFF_HIGH, ON, OFF_HIGH, ON, OFF_HIGH, ON]


def log(
    spans: list[Span], probes_s: tuple[float, ...] = (), free: dict[int, str] | None = None
) -> list[Item]:
    """Blocks of `spans` with the whisper on; at each of `probes_s` it is away for 60 ms.

    `free` names the leads ("1", "2", "12") that float in span n: they follow it.
    """
    seconds = [s for s, _, _ in spans]
    volts = levels(spans)
    edges = np.cumsum([0, *(round(s * RATE_HZ) for s in seconds)])
    away = np.zeros(len(volts), dtype=bool)
    for at in probes_s:
        away[round(at * RATE_HZ) : round((at + 0.06) * RATE_HZ)] = True
    for n, leads in (free or {}).items():
        for lead in leads:
            part = slice(edges[n], edges[n + 1])
            volts[part, int(lead) - 1] = np.where(away[part], 0.01, FREE_V)
    counts = np.rint(volts * 1e6).astype(np.int32)
    cuts = [0, *(np.flatnonzero(np.diff(away)) + 1), len(volts)]
    return [
        Block(int(a), counts[a:b], Layout(RATE_HZ, MICROVOLT, QUIET if away[a] else WHISPER))
        for a, b in pairwise(cuts)
    ]


def events(found: dict[str, Any]) -> list[str]:
    return [event["kind"] for event in found["events"]]


def words(items: list[Item]) -> tuple[StateWord, StateWord]:
    pipeline = Pipeline()
    for item in items:
        pipeline.push(item)
    one, two = pipeline.snapshot().leads
    return one.word, two.word


def test_the_level_of_a_free_lead_is_that_of_the_divider() -> None:
    assert pytest.approx(FREE_V) == FREE_UV / UV
    assert pytest.approx(FREE_V) == 5 * LEAD_OHM / (LEAD_OHM + WHISPER_OHM)
    free = bench_levels(steady("work-lamp"), [("lead 2", "off pin")], WHISPER)
    assert free == pytest.approx((0.0, FREE_V), abs=0.02)
    held = bench_levels(steady("work-lamp"), [("control", "on")], WHISPER)
    assert held == pytest.approx(bench_levels(steady("work-lamp"), [("control", "on")]), abs=0.01)


def test_a_lead_that_comes_off_is_neither_a_dropout_nor_an_edge() -> None:
    """Lead 1 leaves its pin while the load is on: without the whisper it may be the feed that is switched."""
    spans = [*CYCLED_LOW, (0.7, FREE_V, 0.1), ON]
    found = findings_of(log(spans, (3.0,), {6: "1"}))
    assert (found["side"], events(found)) == ("low", ["lead off"])
    assert found["events"][0]["t_s"] == pytest.approx(2.7, abs=0.002)
    assert found["events"][0]["duration_s"] == pytest.approx(0.7, abs=0.002)
    assert [e["state"] for e in found["edges"]] == ["on", "off"] * 2 + ["on"]
    assert "lead 2 fell to 0.1 V" in found["why"]
    assert "both leads at source" in found["why"]
    without = findings_of(
        [Block(b.first, b.counts, Layout(RATE_HZ, MICROVOLT)) for b in log(spans) if isinstance(b, Block)]
    )
    assert (without["side"], events(without)) == ("undetermined", [])


def test_the_control_lead_off_its_pin_is_no_switching_on() -> None:
    """12.6/12.6 to 12.6/free looks like on; the load would make the leads agree."""
    found = findings_of(log([*CYCLED_LOW, OFF_LOW, (0.8, 12.6, FREE_V), OFF_LOW], (3.5,), {7: "2"}))
    assert (found["side"], events(found)) == ("low", ["lead off"])
    assert [e["state"] for e in found["edges"]] == ["on", "off"] * 3


def test_a_level_that_does_not_follow_is_held() -> None:
    """A bad ground may drop just what a free lead reads."""
    on = (0.7, 12.5, FREE_V)
    spans = [OFF_HIGH, on, OFF_HIGH, on, OFF_HIGH]
    found = findings_of(log(spans, (0.7, 1.9)))
    assert (found["side"], found["control_lead"], events(found)) == ("high", 1, [])
    assert len(found["edges"]) == 4
    assert words(log([(0.5, 12.5, FREE_V)], (0.3,))) == (StateWord.AT_SOURCE, StateWord.BETWEEN)


def test_a_bad_ground_is_told_before_anybody_asked() -> None:
    """The lead rises with the load's own switching, which a lead that comes off does not."""
    on = (0.5, 12.5, FREE_V)
    found = findings_of(log([OFF_HIGH, on, OFF_HIGH, on, OFF_HIGH, on, OFF_HIGH]))
    assert (found["side"], found["control_lead"], events(found)) == ("high", 1, [])
    assert found["ground_drop_v"] == pytest.approx(FREE_V, abs=0.03)
    assert len(found["edges"]) == 6
    alone = findings_of(log([*CYCLED_HIGH, OFF_HIGH, ON, (0.5, 12.5, FREE_V), ON], (), {8: "2"}))
    assert (alone["side"], events(alone)) == ("high", ["lead off"])


def test_a_circuit_that_moves_during_the_probe_proves_nothing() -> None:
    """The load goes off in the very moment in which the whisper goes away."""
    on = (0.9, 12.5, FREE_V)
    found = findings_of(log([OFF_HIGH, on, OFF_HIGH, on, OFF_HIGH], (1.3 - 0.0005, 2.6 - 0.0005)))
    assert (found["side"], events(found)) == ("high", [])
    assert len(found["edges"]) == 4


def test_words_need_the_lead_to_follow() -> None:
    spans = [(0.9, 12.6, FREE_V)]
    assert words(log(spans, (), {0: "2"})) == (StateWord.AT_SOURCE, StateWord.BETWEEN)
    assert words(log(spans, (0.5,), {0: "2"})) == (StateWord.AT_SOURCE, StateWord.FLOATING)
    assert words(log([(0.9, FREE_V, FREE_V)], (), {0: "12"})) == (StateWord.FLOATING,) * 2


def test_a_loose_feed_lead_on_a_load_that_is_always_on_makes_no_verdict() -> None:
    """Three times off its pin: it looks like a switch on the positive side, or like LEDs on one."""
    spans = [ON, (0.7, FREE_V, 0.1)] * 3 + [ON]
    items = log(spans, (0.8, 2.0, 3.2), {1: "1", 3: "1", 5: "1"})
    found = findings_of(items)
    assert found["side"] == "undetermined"
    assert "hangs free" in found["why"]
    assert "marking each time" in found["next_test"]["do"]
    marks = [
        Change(0, Origin.USER, ChangeKind.MARK, ("off", "on")[n % 2], at)
        for n, at in enumerate((0.5, 1.2, 1.7, 2.4, 2.9, 3.6))
    ]
    first, *rest = items
    assert findings_of([first, *marks, *rest])["side"] == "high", "marks decide"


@pytest.mark.parametrize("probed", [(), (1.0,), (0.45,)])
def test_a_free_lead_beside_a_pulsed_one_is_no_ground(probed: tuple[float, ...]) -> None:
    """Lead 1 off its pin while the driver pulls lead 2 down: lead 2 alone would look like a switched feed."""
    pulses = pulsed(100.0, 0.5, 2.0)
    away = np.zeros(len(pulses), dtype=bool)
    for at in probed:
        away[round(at * RATE_HZ) : round((at + 0.06) * RATE_HZ)] = True
    pulses[:, 0] = np.where(away, 0.01, FREE_V)
    quiet = levels([(0.4, 12.6, 12.6)])
    counts = np.rint(np.concatenate([quiet, pulses]) * 1e6).astype(np.int32)
    off = np.concatenate([np.zeros(len(quiet), dtype=bool), away])
    cuts = [0, *(np.flatnonzero(np.diff(off)) + 1), len(counts)]
    found = findings_of(
        [
            Block(int(a), counts[a:b], Layout(RATE_HZ, MICROVOLT, QUIET if off[a] else WHISPER))
            for a, b in pairwise(cuts)
        ]
    )
    assert found["side"] == "undetermined"


def test_the_verdict_holds_when_both_leads_are_taken_off_and_put_back() -> None:
    spans = [*CYCLED_LOW, (0.8, FREE_V, FREE_V), ON, (0.8, FREE_V, FREE_V), ON]
    found = findings_of(log(spans, (3.0,), {6: "12", 8: "12"}))
    assert (found["side"], found["control_lead"]) == ("low", 2)
    assert events(found) == ["lead off", "lead off"]


def test_both_ends_float_when_off() -> None:
    off = (0.5, FREE_V, FREE_V)
    found = findings_of(log([off, ON, off, ON, off], (), {0: "12", 2: "12", 4: "12"}))
    assert (found["side"], found["control_lead"], events(found)) == ("both ends", "both", [])
    assert "both float" in found["why"]
    assert found["source_v"] == pytest.approx(12.5, abs=0.05), "2.6 V is no source"
    long_off = (9.0, FREE_V, FREE_V)
    found = findings_of(log([long_off, ON, off, ON, off], (2.0, 5.0), {0: "12", 2: "12", 4: "12"}))
    assert found["source_v"] == pytest.approx(12.5, abs=0.05), "however long it floats"


def test_a_lost_reference_is_seen_under_the_whisper() -> None:
    """The whole logger floats: both leads read half the load voltage up and down from the free level."""
    lost_on, lost_off = (0.4, 6.2 + FREE_V, -6.2 + FREE_V), (0.3, FREE_V, FREE_V)
    found = findings_of(log([*CYCLED_HIGH, OFF_HIGH, ON, lost_on, lost_off, OFF_HIGH], (), {9: "12"}))
    assert found["side"] == "high"
    assert "reference lost" in events(found)
    assert "reference_lost" in found["cautions"]


def test_a_lead_check_under_the_whisper() -> None:
    pipeline = Pipeline()
    pipeline.push(Change(0, Origin.USER, ChangeKind.LEAD_CHECK, "start"))
    spans = [(0.4, FREE_V, FREE_V), (0.8, 12.6, FREE_V), (0.3, FREE_V, FREE_V), (4.4, FREE_V, 12.6)]
    (block,) = log(spans)
    assert isinstance(block, Block)
    said = int(5.5 * RATE_HZ)
    pipeline.push(replace(block, counts=block.counts[:said]))
    pipeline.push(Change(said, Origin.USER, ChangeKind.LEAD_CHECK, "wiggled"))
    pipeline.push(replace(block, first=said, counts=block.counts[said:]))
    check = pipeline.snapshot().lead_check
    assert check.passed is True
    assert len(check.results) == 3


@settings(max_examples=30, deadline=None)
@given(
    spans=st.lists(st.sampled_from([OFF_LOW, ON, OFF_HIGH, (0.7, FREE_V, 0.1)]), min_size=2, max_size=8),
    free=st.dictionaries(st.integers(0, 7), st.sampled_from(["1", "2", "12"]), max_size=4),
    probes=st.lists(st.floats(0.1, 3.0), max_size=4),
    step=st.integers(7, 3000),
)
def test_probes_keep_findings_independent_of_chunking(
    spans: list[Span], free: dict[int, str], probes: list[float], step: int
) -> None:
    whole = log(spans, tuple(probes), {n: leads for n, leads in free.items() if n < len(spans)})
    cut: list[Item] = []
    for block in whole:
        assert isinstance(block, Block)
        cut += [
            Block(block.first + a, block.counts[a : a + step], block.layout)
            for a in range(0, len(block.counts), step)
        ]
    assert json.dumps(findings_of(whole)) == json.dumps(findings_of(cut))


def test_whispers_are_looked_up_by_pair() -> None:
    whispers = Whispers().then(0, True).then(100, False).then(150, True)
    assert [whispers.on(at) for at in (-1, 0, 99, 100, 149, 150, 9999)] == [
        *(False, True, True, False, False, True, True)
    ]
    assert list(whispers.within(99, 150)) == [(100, False)]
    assert not Whispers().then(0, False).ever
