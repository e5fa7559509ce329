"""A day at 4000 pairs a second, hurried: the firmware's own bookkeeping into the host's own decoding.

The core runs on this computer with sanitizers; the line stalls and triggers are missed by chance. Any pair
tells its index, and what is missing must be told to the pair. Short: some minutes of it; --long: 24 hours.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from daq.logger_link import LoggerLink
from daq.messages import Statistics
from daq.results import Tally
from daq.samples import Block, Gap, GapReason, Item
from tests.firmware.host_core import HostCore
from tests.wire.fake_logger import pair_counts

PAIRS_A_S = 4000
DAY_S = 86_400
NEVER = (1 << 63) - 1
MS = 1_000_000
SETTLED_S = 60
MOST_GROWN_BYTES = 8 << 20


def held_bytes(process: int | str) -> int:
    """Resident memory."""
    return int(Path(f"/proc/{process}/statm").read_text().split()[1]) * 4096


class Day:
    """A core and a link, second after second."""

    def __init__(self, core: HostCore, seed: int) -> None:
        self.core = core
        self.chance = random.Random(seed)
        self.link = LoggerLink(PAIRS_A_S, "host", 500_000, self.now_ns)
        self.conversions = 0
        self.pairs = self.lost = self.losses = 0
        self.reasons: set[GapReason] = set()

    @property
    def now_ns(self) -> int:
        return self.core.now_ms * MS

    def talk(self, done: str) -> None:
        """Until the link says so; nothing is converted meanwhile."""
        for _ in range(200):
            self.core.say(self.link.to_send(self.now_ns))
            self.core.poll(after_ms=2)
            self.take(bytes.fromhex(self.core.order("tx 100000")))
            if getattr(self.link, done):
                return
        raise AssertionError(f"not {done}")

    def second(self) -> None:
        stalled = self.chance.randrange(PAIRS_A_S // 2) if self.chance.random() < 0.05 else 0
        missed = (
            self.conversions + self.chance.randrange(2 * PAIRS_A_S) if self.chance.random() < 0.05 else NEVER
        )
        order = f"run {self.conversions} {PAIRS_A_S} {stalled} {missed} {self.core.now_ms}"
        said = bytes.fromhex(self.core.order(order))
        self.conversions += 2 * PAIRS_A_S
        self.core.now_ms += 1000
        self.take(said)

    def take(self, said: bytes) -> None:
        for item in self.link.receive(said, self.now_ns):
            self.check(item)

    def check(self, item: Item) -> None:
        if isinstance(item, Gap):
            assert item.pairs
            assert item.uncertainty_s == 0
            self.lost += item.pairs
            self.losses += 1
            self.reasons.add(item.reason)
        elif isinstance(item, Block):
            expected = pair_counts(self.pairs + self.lost, len(item.counts))
            assert np.array_equal(item.counts, expected), f"near pair {self.pairs + self.lost}"
            self.pairs += len(item.counts)


def run_for(seconds: int, seed: int) -> Day:
    with HostCore() as core:
        core.boot()
        core.order("supply 14418")
        day = Day(core, seed)
        day.talk("running")
        before = [0, 0]
        for second in range(seconds):
            day.second()
            if second == SETTLED_S:
                before = [held_bytes("self"), held_bytes(core.pid)]
        after = [held_bytes("self"), held_bytes(core.pid)]
        day.link.finish()
        day.talk("finished")
        assert day.pairs + day.lost == day.conversions // 2 - 1  # the first pair is discarded
        assert Tally.parse(core.ask(Statistics()).result).lost_pairs == day.lost
    assert (day.link.damaged, day.link.stream.counters.stale) == (0, 0)
    assert max(b - a for a, b in zip(before, after, strict=True)) < MOST_GROWN_BYTES
    return day


def test_minutes_of_a_day_are_accounted_for_to_the_pair() -> None:
    day = run_for(100, seed=1)
    assert day.losses > 5
    assert day.lost > 1000
    assert day.pairs > 350_000


@pytest.mark.long
def test_a_whole_day_is_accounted_for_to_the_pair() -> None:
    day = run_for(DAY_S, seed=24)
    assert day.losses > 4000
    print(f"{day.pairs} pairs taken, {day.lost} told as lost in {day.losses} gaps")
