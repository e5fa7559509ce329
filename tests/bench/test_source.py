"""BenchSource: the same run however it is read and paced, operated to the pair, honest about a bad line."""

from __future__ import annotations

import re
import threading
import time
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.bench import BenchSource, benches
from daq.bench_line import FaultyLine
from daq.errors import CommandError
from daq.samples import Bias, Block, Change, ChangeKind, Counts, Gap, GapReason, Item
from daq.source import Capability, Operate, SetBias, SetRate
from tests.bench.hands import counts_of

SCRIPT = [
    (0.1, Operate("control", "on")),
    (0.3, Operate("control", "off")),
    (0.35, SetBias(Bias.WHISPER, Bias.OFF)),
    (0.4, Operate("lead 2", "off pin")),
    (0.45, SetBias(Bias.OFF, Bias.WHISPER)),
]


def run(**options: object) -> list[Item]:
    usual = {"name": "trailer-lamp", "speed": None, "script": SCRIPT, "duration_s": 0.6, "whisper": False}
    arguments = {**usual, **options}
    return list(BenchSource(**arguments))  # type: ignore[arg-type]


def plain(items: list[Item]) -> list[object]:
    """Items as values that compare, blocks joined."""
    facts: list[object] = [i for i in items if not isinstance(i, Block)]
    layouts = {i.first: i.layout for i in items if isinstance(i, Block)}
    return [*facts, counts_of(items).tolist(), {layout.bias for layout in layouts.values()}]


def test_paced_equals_unpaced() -> None:
    begin = time.monotonic()
    paced = run(speed=2.0)
    assert 0.25 < time.monotonic() - begin < 3.0
    assert plain(paced) == plain(run())


def test_seeds() -> None:
    assert plain(run()) == plain(run())
    assert plain(run()) != plain(run(seed=2))


def test_pairs_are_dense_and_none_is_missing() -> None:
    items = run()
    blocks = [i for i in items if isinstance(i, Block)]
    assert [b.first for b in blocks[1:]] == [b.end for b in blocks[:-1]]
    assert sum(len(b.counts) for b in blocks) == 2400
    assert not [i for i in items if isinstance(i, Gap)]


def test_script_is_carried_out_to_the_pair() -> None:
    items = run()
    volts = counts_of(items) * 0.046875 - 8
    assert volts[390:400, 1].min() > 12
    assert volts[403, 1] < 11  # on at 0.1 s: pair 400; the filter takes 0.16 ms
    biases = [(i.sample, i.value) for i in items if isinstance(i, Change) and i.kind is ChangeKind.BIAS]
    assert biases == [(1400, "whisper off"), (1800, "off whisper")]
    assert volts[1450:1590].mean(axis=0) == pytest.approx([12.6, 12.6], abs=0.03)  # connected leads stay
    assert volts[1620:1790, 1].mean() == pytest.approx(0.0, abs=0.03)  # a free lead reads 0 V
    assert volts[1820:, 1].mean() == pytest.approx(5 * 1.1 / 2.1, abs=0.05)  # a whisper moves it


class Recut:
    """Delivers the same bytes in other pieces: some wait for the next time."""

    def __init__(self, sizes: list[int]) -> None:
        self._sizes, self._turn, self._rest = sizes, 0, b""

    def to_computer(self, data: bytes, now_s: float) -> bytes:
        self._rest += data
        if not data and now_s > 0.5999:  # nothing more will come
            given, self._rest = self._rest, b""
            return given
        size = self._sizes[self._turn % len(self._sizes)]
        self._turn += 1
        given, self._rest = self._rest[:size], self._rest[size:]
        return given

    def to_logger(self, data: bytes, now_s: float) -> bytes:
        return data


@settings(max_examples=10, deadline=None)
@given(st.lists(st.integers(1, 2000), min_size=1, max_size=8))
def test_cutting_the_bytes_changes_no_sample(sizes: list[int]) -> None:
    """Without scripted bias: the host asks for it after bytes, so it would come at another moment."""
    script = [(at, what) for at, what in SCRIPT if isinstance(what, Operate)]
    whole, cut = run(script=script), run(script=script, line=Recut([*sizes, 100_000]))
    assert np.array_equal(counts_of(whole), counts_of(cut))


@settings(max_examples=10, deadline=None)
@given(
    st.integers(0, 1000),
    st.sampled_from([0.0, 1e-4, 3e-3]),
    st.sampled_from([0.0, 1e-4, 3e-3]),
    st.sampled_from([(), ((0.2, 0.33),)]),
    st.sampled_from([(), ((0.11, 0.14),)]),
)
def test_a_bad_line_loses_pairs_and_invents_none(
    seed: int, flip: float, drop: float, stalls: tuple[tuple[float, float]], cuts: tuple[tuple[float, float]]
) -> None:
    """Every pair that arrives is the pair that was sent at that time, and every one missing is in a Gap."""
    line = FaultyLine(seed, flip, drop, stalls, cuts, sound_until_s=0.001)
    script = [(at, what) for at, what in SCRIPT if isinstance(what, Operate)]
    sent = counts_of(run(script=script))
    source = BenchSource("trailer-lamp", speed=None, script=script, duration_s=0.6, line=line, whisper=False)
    place, lost = 0, 0
    for item in source:
        if isinstance(item, Gap):
            if item.pairs is None:  # the conversation began anew: only the host's clock knows
                return
            assert item.reason is GapReason.DAMAGED
            place, lost = place + item.pairs, lost + item.pairs
        elif isinstance(item, Block):
            assert np.array_equal(item.counts, sent[place : place + len(item.counts)])
            place += len(item.counts)
    assert place <= len(sent)
    if line.flipped == line.dropped == 0:
        assert (place, lost) == (len(sent), 0)


@pytest.mark.parametrize("seed", range(5))
def test_a_conversation_begun_over_a_bad_line(seed: int) -> None:
    """Commands are repeated until the run flows; its pairs are then as they should be."""
    source = BenchSource("work-lamp", speed=None, duration_s=0.3, line=FaultyLine(seed, flip=2e-3, drop=2e-3))
    volts = counts_of(list(source)) * 0.046875 - 8
    assert len(volts) > 300
    assert np.abs(volts).max() < 0.2


def test_faulty_line_does_not_depend_on_cutting() -> None:
    data = bytes(range(1, 256)) * 40

    def through(step: int) -> bytes:
        line = FaultyLine(3, flip=0.01, drop=0.01)
        return b"".join(line.to_computer(data[at : at + step], 0.0) for at in range(0, len(data), step))

    assert through(1) == through(17) == through(len(data))
    assert 9_900 < len(through(17)) < len(data)


def test_stalled_bytes_come_later() -> None:
    line = FaultyLine(0, stalls=[(1.0, 2.0)])
    assert line.to_computer(b"a", 0.9) == b"a"
    assert line.to_computer(b"b", 1.5) == b""
    assert line.to_computer(b"c", 2.0) == b"bc"


def test_capabilities_and_info() -> None:
    source = BenchSource("strip-light", speed=None)
    assert source.capabilities == {
        Capability.WHISPER,
        Capability.BIAS,
        Capability.RATE,
        Capability.OPERATE,
    }
    assert source.info.name == "bench: A strip light in a horse box"
    assert source.info.serial_number == "BENCH"
    assert Capability.FINITE in BenchSource("strip-light", speed=None, duration_s=1).capabilities
    assert source.choices["control"] == "off"
    source.close()
    assert [i for i in source if isinstance(i, Block)] == []


def test_what_is_not_possible_is_refused_at_once() -> None:
    with pytest.raises(CommandError, match="no bench circuit"):
        BenchSource("nothing")
    source = BenchSource("trailer-lamp", speed=None)
    for wrong in (Operate("gearbox", "on"), Operate("control", "other"), Operate("lead 1", "on fire")):
        with pytest.raises(CommandError):
            source.command(wrong)
    with pytest.raises(CommandError):
        source.command(SetRate(1e6))
    with pytest.raises(CommandError):
        BenchSource("trailer-lamp", script=[(1.0, Operate("neighbour", "on"))])


def test_commands_while_it_runs() -> None:
    source = BenchSource("work-lamp", speed=None, duration_s=1.0)
    items: list[Item] = []
    for item in source:
        items.append(item)
        if isinstance(item, Block) and item.first == 0:
            source.command(Operate("control", "on"))
            source.command(SetRate(1000.0))
    assert source.choices["control"] == "on"
    blocks = [i for i in items if isinstance(i, Block)]
    assert {b.layout.rate_hz for b in blocks} == {4000.0, 1000.0}
    (gap,) = [i for i in items if isinstance(i, Gap)]
    assert gap.reason is GapReason.RATE
    last = blocks[-1].layout.scale.volts(blocks[-1].counts)
    assert last.mean(axis=0) == pytest.approx([0.03, 12.47], abs=0.03)


def test_close_from_another_thread_ends_a_paced_run() -> None:
    source = BenchSource("trailer-lamp", speed=1.0)
    threading.Timer(0.2, source.close).start()
    begin = time.monotonic()
    pairs: Counts = counts_of(list(source))
    assert time.monotonic() - begin < 2.0
    assert len(pairs) > 100
    source.close()


def test_every_bench_is_listed_under_a_name_that_gives_nothing_away() -> None:
    listed = benches()
    assert len(listed) >= 12
    assert len({b.name for b in listed}) == len(listed) == len({b.title for b in listed})
    telling = {
        *("low", "high", "side", "ground", "feed", "positive", "both", "ends", "reversing", "pwm", "dimmed"),
        *("open", "bad", "fault", "broken", "leaky", "stuck", "loose", "short", "key", "shared", "clamped"),
    }
    for bench in listed:
        assert not telling & {*re.split("[- ]", bench.title.lower()), *bench.name.split("-")}
        assert re.fullmatch(r"[a-z]+(-[a-z]+)+", bench.name)


def test_no_kind_of_load_stands_for_one_answer() -> None:
    """The last word of a name is the load; each comes with different answers, sides or faults."""
    motors = {"fan", "blower", "pump", "motor"}
    answers: dict[str, set[str]] = {}
    for bench in benches():
        load = bench.name.rpartition("-")[2].rstrip("s")
        answers.setdefault("motor" if load in motors else load, set()).add(bench.truth.side)
    assert len(answers) >= 6
    assert all(len(sides) > 1 for sides in answers.values()), answers


def test_healthy_and_faulty_circuits_are_listed_mixed() -> None:
    faulty = [bench.truth.fault != "none" for bench in benches()]
    assert sum(a is not b for a, b in pairwise(faulty)) > len(faulty) / 4
