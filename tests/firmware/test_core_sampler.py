"""The firmware's core on this computer: pairs, their indices, what happens when nobody fetches them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.messages import BiasState, Message, Reply, Start, Statistics, Stop
from daq.pairs import DataFrame
from daq.results import Stopped, Tally
from daq.samples import Bias
from tests.firmware.board import to_logger
from tests.firmware.host_core import HostCore, data_in


def code_of(conversion: int) -> int:
    """A code that tells which conversion it was; lead 1 even, lead 2 odd."""
    return (conversion * 7) % 1023


def codes(first: int, count: int) -> list[int]:
    return [code_of(first + i) for i in range(count)]


def expected_pairs(indices: np.ndarray, per_sum: int) -> np.ndarray:
    """What pairs with these indices hold; two conversions come before pair 0 and are thrown away."""
    raw = 2 + 2 * (indices[:, None] * per_sum + np.arange(per_sum))
    return np.stack([((raw * 7) % 1023).sum(axis=1), (((raw + 1) * 7) % 1023).sum(axis=1)], axis=1)


def check(frames: list[DataFrame], per_sum: int) -> tuple[int, int]:
    """Every pair holds what its index says, jumps are flagged; gives the next index and how many are lost."""
    following, lost = 0, 0
    for frame in frames:
        assert frame.overflow == (frame.first != following)
        assert frame.first >= following
        assert frame.sums == (per_sum > 1)
        lost += frame.first - following
        indices = np.arange(frame.first, frame.first + len(frame.counts))
        assert np.array_equal(frame.counts, expected_pairs(indices, per_sum))
        following = frame.first + len(frame.counts)
    return following, lost


def test_the_first_pair_is_thrown_away(core: HostCore) -> None:
    core.ask(Start(2000, 0, 2))
    core.convert([900, 901, 1, 2, 3, 4])
    core.poll()
    (frame,) = data_in(core.hear())
    assert (frame.first, frame.run) == (0, 1)
    assert frame.counts.tolist() == [[1, 2], [3, 4]]


@pytest.mark.parametrize(("shift", "per_sum"), [(0, 1), (2, 4), (4, 16), (6, 64)])
def test_sums(core: HostCore, shift: int, per_sum: int) -> None:
    core.ask(Start(2000, shift, 5))
    for at in range(0, 2 + 2 * per_sum * 25, 2):
        core.convert(codes(at, 2))
        core.poll()
    frames = data_in(core.hear())
    assert [len(f.counts) for f in frames] == [5] * 5
    assert check(frames, per_sum) == (25, 0)


def test_the_largest_sum_fits(core: HostCore) -> None:
    core.ask(Start(2000, 6, 1))
    core.convert([1023] * 2 * 65)
    core.poll()
    (frame,) = data_in(core.hear())
    assert frame.counts.tolist() == [[65472, 65472]]


def test_stop_sends_the_rest_first(core: HostCore) -> None:
    core.ask(Start(2000, 0, 31))
    core.convert(codes(0, 2 * 41 + 1))  # 40 pairs and half a one
    core.say(to_logger(Stop(), first_tag=9))
    *data, reply = core.hear()
    assert check(data_in(data), 1) == (40, 0)
    assert isinstance(reply, Reply)
    assert Stopped.parse(reply.result) == Stopped(1, 40)
    core.convert(codes(0, 100))
    core.poll()
    assert core.hear() == []


def test_bias_changes_between_pairs_and_begins_a_frame(core: HostCore) -> None:
    core.ask(Start(2000, 0, 31))
    core.convert(codes(0, 2 * 11 + 1))
    core.ask(BiasState(Bias.UP, Bias.DOWN))
    assert core.state().bias == 0  # half a pair is under way
    core.convert(codes(2 * 11 + 1, 1))
    assert core.state().bias == 0b1110
    core.convert(codes(2 * 12, 62))
    core.poll()
    before, after = data_in(core.hear())
    assert [len(before.counts), len(after.counts)] == [11, 31]
    assert (before.bias, after.bias) == ((Bias.OFF, Bias.OFF), (Bias.UP, Bias.DOWN))
    assert check([before, after], 1) == (42, 0)


def test_several_bias_changes_wait_in_the_store(core: HostCore) -> None:
    core.ask(Start(2000, 0, 31))
    core.convert([0, 0])
    states = [Bias.UP, Bias.OFF, Bias.WHISPER, Bias.DOWN]
    for state in states:
        core.order(f"rx {to_logger(BiasState(state, Bias.OFF)).hex()}")
        core.poll()
        core.convert([1] * 6)
    core.say(to_logger(Stop()))
    biased = [(f.bias[0], len(f.counts)) for f in data_in(core.hear())]
    assert biased == [(Bias.OFF, 1), (Bias.UP, 3), (Bias.OFF, 3), (Bias.WHISPER, 3), (Bias.DOWN, 2)]


def test_ranges_follow_the_straps(core: HostCore) -> None:
    core.ask(Start(2000, 0, 2))
    core.convert([0] * 6)
    core.order("strap 0 1")
    core.poll()
    core.convert([0] * 8)
    core.poll()
    frames = data_in(core.hear())
    assert [f.ranges for f in frames] == [(0, 0), (0, 0), (0, 1)]


def overflow(core: HostCore, pairs: int) -> None:
    """Pairs that nobody sends: the transmitter stands still and its queue is full."""
    core.convert(codes(0, 2 + 2 * pairs))


def test_overflow_is_an_exact_jump(core: HostCore) -> None:
    core.ask(Start(2000, 0, 31))
    overflow(core, 200)  # the store holds 128
    core.poll()
    frames = data_in(core.hear())
    assert check(frames, 1) == (128, 0)
    core.poll()
    core.convert(codes(2 + 2 * 200, 62))
    core.poll()
    (after,) = data_in(core.hear())
    assert (after.first, after.overflow, len(after.counts)) == (200, True, 31)
    assert check([*frames, after], 1) == (231, 72)
    assert Tally.parse(core.ask(Statistics()).result).lost_pairs == 72


def test_overflow_before_stop_is_in_the_total(core: HostCore) -> None:
    core.ask(Start(2000, 0, 31))
    overflow(core, 150)
    core.say(to_logger(Stop()))
    messages: list[Message] = []
    for _ in range(5):
        messages += core.hear()
        core.poll()
    assert isinstance(messages[-1], Reply)
    assert Stopped.parse(messages[-1].result).pairs == 150
    assert check(data_in(messages), 1) == (128, 0)


@pytest.mark.parametrize("lead", [1, 2])
@pytest.mark.parametrize("shift", [0, 2])
def test_a_missed_trigger_costs_its_pair_and_nothing_else(core: HostCore, lead: int, shift: int) -> None:
    per_sum = 1 << shift
    missed = 2 + 2 * per_sum * 10 + (lead - 1)  # the conversion that never comes
    core.ask(Start(2000, shift, 5))
    frames = []
    for at in range(2 + 2 * per_sum * 30):
        if at == missed:
            core.order("miss")
        else:
            core.convert(codes(at, 1))
        core.poll()
        frames += data_in(core.hear())
    core.say(to_logger(Stop()))
    frames += data_in(core.hear())
    following, lost = check(frames, per_sum)
    assert following == 30
    assert lost in (1, 2)
    assert [f.missed for f in frames] == [f.overflow for f in frames]
    assert Tally.parse(core.ask(Statistics()).result).missed_triggers == 1


@pytest.mark.parametrize("first", [2 + 20, 2 + 21])
@pytest.mark.parametrize("passed", [1, 2, 3, 6, 7])
def test_conversions_that_pass_unread_cost_their_pairs_and_nothing_else(
    core: HostCore, first: int, passed: int
) -> None:
    core.ask(Start(2000, 0, 5))
    frames = []
    for at in range(62):
        if at == first:
            core.order(f"pass {passed}")
        elif not first < at < first + passed:
            core.convert(codes(at, 1))
        core.poll()
        frames += data_in(core.hear())
    core.say(to_logger(Stop()))
    frames += data_in(core.hear())
    spoilt = range(first // 2, (first + passed - 1) // 2 + 1)
    assert check(frames, 1) == (30, len(spoilt))
    assert [f.missed for f in frames] == [f.overflow for f in frames]
    assert Tally.parse(core.ask(Statistics()).result).missed_triggers == passed


@dataclass
class Traffic:
    """A run of the core with a model beside it."""

    core: HostCore
    per_sum: int
    conversions: int = 0
    messages: list[Message] = field(default_factory=list)

    def carry_out(self, step: tuple[str, int]) -> None:
        what, amount = step
        if what == "convert":
            self.core.convert(codes(self.conversions, amount))
            self.conversions += amount
        elif what == "pass":
            self.core.order(f"pass {amount}")
            self.conversions += amount
        elif what == "send":
            self.messages += self.core.hear(amount)
        else:
            self.core.poll(amount)

    def finish(self) -> None:
        self.core.say(to_logger(Stop(), first_tag=250))
        while not any(isinstance(m, Reply) and m.tag == 250 for m in self.messages):
            self.messages += self.core.hear(64)
            self.core.poll()


steps = st.one_of(
    st.tuples(st.just("convert"), st.integers(1, 700)),
    st.tuples(st.just("send"), st.integers(1, 600)),
    st.tuples(st.just("poll"), st.integers(0, 40)),
    st.tuples(st.just("pass"), st.integers(1, 5)),
)


@given(st.sampled_from([0, 2]), st.integers(1, 90), st.lists(steps, max_size=60))
@settings(max_examples=60, deadline=None)
def test_whatever_the_traffic_every_pair_is_accounted_for(
    shift: int, per_frame: int, traffic: list[tuple[str, int]]
) -> None:
    with HostCore() as core:
        core.boot()
        core.ask(Start(2000, shift, per_frame))
        run = Traffic(core, 1 << shift)
        for step in traffic:
            run.carry_out(step)
        run.finish()
        tally = Tally.parse(core.ask(Statistics(), tag=251).result)
    (stopped,) = [m for m in run.messages if isinstance(m, Reply) and m.tag == 250]
    made = max(0, run.conversions // 2 - 1) // run.per_sum
    following, lost = check(data_in(run.messages), run.per_sum)
    assert Stopped.parse(stopped.result) == Stopped(1, made)
    assert made - following + lost == tally.lost_pairs
