"""The same log gives the same findings, byte for byte, however its samples are cut into blocks."""

from __future__ import annotations

import json

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.pipeline import Pipeline
from daq.samples import Change, ChangeKind, Gap, GapReason, Item, Origin
from daq.steady import Segmenter
from daq.stretches import Stretch, start_of
from tests.analysis.volts import blocks, findings_of
from tests.analysis.waves import HIGH, LOW, levels, pulsed, rounded

Volts = npt.NDArray[np.float64]


@st.composite
def recordings(draw: st.DrawFn) -> Volts:
    """Anything the leads may see: steps between arbitrary levels, pulses, spikes, ramps, noise."""
    seed = draw(st.integers(0, 2**16))
    rng = np.random.default_rng(seed)
    pieces = []
    for kind in draw(st.lists(st.sampled_from("lhpnrsw"), min_size=1, max_size=5)):
        if kind == "l":
            pieces.append(levels(LOW[: draw(st.integers(1, 5))], seed=seed))
        elif kind == "h":
            pieces.append(levels(HIGH[: draw(st.integers(1, 5))], seed=seed))
        elif kind == "p":
            pieces.append(pulsed(draw(st.sampled_from([8.0, 30.0, 130.0, 700.0])), 0.4, 0.7))
        elif kind == "n":
            pieces.append(rounded(rng.normal(0, 2.0, (900, 2))))
        elif kind == "w":
            rippled = levels(LOW[: draw(st.integers(1, 5))], seed=seed)
            beats = np.arange(len(rippled)) / 4000 * draw(st.sampled_from([25.0, 45.0, 110.0]))
            pieces.append(rippled * (1 - draw(st.sampled_from([0.04, 0.15])) * (beats % 1 < 0.5))[:, None])
        elif kind == "r":
            ramp = np.linspace(0, 12, draw(st.sampled_from([1200, 16_000])))
            pieces.append(rounded(np.stack([ramp, 0 * ramp], axis=1)))
        else:
            spiky = levels([(0.3, 12.5, 0.1)], seed=seed)
            spiky[rng.integers(0, len(spiky), 6)] = rng.uniform(-8, 40, (6, 2))
            spiky[rng.integers(0, len(spiky), 12)] += rng.uniform(-3, 3, (12, 1))
            pieces.append(spiky)
    return np.concatenate(pieces)


@settings(max_examples=60, deadline=None)
@given(volts=recordings(), data=st.data())
def test_any_chunking_gives_identical_findings(volts: Volts, data: st.DataObject) -> None:
    cuts = sorted(data.draw(st.sets(st.integers(1, len(volts) - 1), max_size=30)))
    whole = findings_of(blocks(volts, 4000))
    cut = findings_of(blocks(volts, 4000, cuts))
    assert json.dumps(whole) == json.dumps(cut)


@settings(max_examples=25, deadline=None)
@given(volts=recordings(), data=st.data())
def test_gaps_and_changes_keep_it_so(volts: Volts, data: st.DataObject) -> None:
    at = data.draw(st.integers(1, len(volts) - 1))
    events: list[Item] = [
        Gap(at, 0.4, 0.001, 1600, GapReason.OVERFLOW),
        Change(at, Origin.USER, ChangeKind.CLEAR),
        Change(at, Origin.USER, ChangeKind.MARK, "on", at / 4000),
        Change(at, Origin.USER, ChangeKind.LEAD_CHECK, "start"),
        Change(at, Origin.USER, ChangeKind.EXPECT, "steady"),
    ]
    event = data.draw(st.sampled_from(events))
    step = data.draw(st.integers(1, 2000))
    before, after = volts[:at], volts[at:]
    one = [*blocks(before, 4000), event, *blocks(after, 4000, first=at)]
    many = [
        *blocks(before, 4000, range(step, at, step)),
        event,
        *blocks(after, 4000, range(step, len(after), step), first=at),
    ]
    assert json.dumps(findings_of(one)) == json.dumps(findings_of(many))


@settings(max_examples=15, deadline=None)
@given(volts=recordings(), step=st.integers(50, 3000))
def test_looking_meanwhile_changes_nothing(volts: Volts, step: int) -> None:
    """Snapshots and findings along the way leave no trace in the final findings."""
    quiet, watched = Pipeline(), Pipeline()
    for block in blocks(volts, 4000, range(step, len(volts), step)):
        quiet.push(block)
        watched.push(block)
        watched.snapshot()
        watched.findings()
    quiet.finish()
    watched.finish()
    assert quiet.findings() == watched.findings()


def test_many_chapters_are_no_seam() -> None:
    """A long recording is worked through in chapters: no edge is lost or doubled where they join."""
    from daq import chapters

    cycle = levels(LOW[1:3])
    volts = np.concatenate([levels(LOW[:1]), *[cycle] * 200])
    found = findings_of(blocks(volts, 4000))
    assert len(found["edges"]) == 400
    assert len(volts) / 4000 > chapters.UNTOUCHED_S
    times = [e["t_s"] for e in found["edges"]]
    assert times == sorted(times)
    assert [e["state"] for e in found["edges"]] == ["on", "off"] * 200


@settings(max_examples=40, deadline=None)
@given(volts=recordings(), data=st.data())
def test_the_stretches_themselves_are_the_same(volts: Volts, data: st.DataObject) -> None:
    """To the last bit, with what findings round away or do not use: trails, crossings, sums."""
    cuts = sorted(data.draw(st.sets(st.integers(1, len(volts) - 1), max_size=30)))
    micro = np.rint(volts * 1e6).astype(np.int32)

    def cut_into(bounds: list[int]) -> list[str]:
        found: list[Stretch] = []

        def take_back(at: float) -> None:
            while found and start_of(found[-1]) >= at:
                found.pop()

        segmenter = Segmenter(1000, 4000.0, found.append, take_back)
        for part in np.split(micro, bounds):
            segmenter.push(part)
        segmenter.finish()
        return [repr(stretch) for stretch in found]

    assert cut_into(cuts) == cut_into([])


def test_a_live_picture_says_what_the_whole_says() -> None:
    """The picture looks at the latest stretches only: same edges, state and side as all of them together."""
    cycle = np.concatenate([levels(LOW[1:3]), levels([(0.3, 12.6, 12.6), (0.2, 12.5, 0.1)])])
    volts = np.concatenate([levels(LOW[:1]), *[cycle] * 60])
    pipeline = Pipeline()
    for n, block in enumerate(blocks(volts, 4000, range(2000, len(volts), 2000))):
        pipeline.push(block)
        if n % 7 == 0:
            seen, found = pipeline.snapshot(), pipeline.findings()
            assert seen.edges == found.edges[-len(seen.edges) :]
            assert (seen.edge_count, seen.event_count) == (len(found.edges), len(found.events))
            assert seen.judgement.side is found.judgement.side
            assert seen.judgement.confidence == pytest.approx(found.judgement.confidence, abs=1e-6)
