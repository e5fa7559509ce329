"""The replay: the same items at any pace, paused where it is told to, closed at once."""

from __future__ import annotations

import threading
import time

import numpy as np
import pytest

from daq.errors import CommandError
from daq.replay import Replay
from daq.samples import Block, Change, ChangeKind, Gap, GapReason, Item, Origin
from daq.source import Operate
from tests.tui.scenes import LAYOUT, ListSource


def _block(first: int, seconds: float) -> Block:
    return Block(first, np.arange(int(seconds * 8000), dtype=np.int32).reshape(-1, 2), LAYOUT)


LOG: list[Item] = [
    _block(0, 0.5),
    Change(2000, Origin.USER, ChangeKind.MARK, "on"),
    Gap(2000, 30.0, 0.1, None, GapReason.UNPLUGGED),
    _block(2000, 0.5),
]


class _Run:
    """Iterates a replay in a thread."""

    def __init__(self, replay: Replay) -> None:
        self.replay = replay
        self.items: list[Item] = []
        self._thread = threading.Thread(target=self._iterate)
        self._thread.start()

    def _iterate(self) -> None:
        for item in self.replay:
            self.items.append(item)

    @property
    def pairs(self) -> int:
        return sum(len(item.counts) for item in self.items if isinstance(item, Block))

    def ended(self, within_s: float) -> bool:
        self._thread.join(within_s)
        return not self._thread.is_alive()


def _wait(condition: object, within_s: float = 3.0) -> bool:
    assert callable(condition)
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        if condition():
            return True
        time.sleep(0.005)
    return False


def test_it_yields_what_the_source_yields_cut_and_no_gap_is_sat_through() -> None:
    began = time.monotonic()
    run = _Run(Replay(ListSource(LOG, ends=True), lambda: 0, speed=20.0))
    assert run.ended(3.0)
    assert time.monotonic() - began >= (0.5 + 1.0 + 0.5) / 20.0
    whole = np.concatenate([b.counts for b in LOG if isinstance(b, Block)])
    given = [b for b in run.items if isinstance(b, Block)]
    np.testing.assert_array_equal(np.concatenate([b.counts for b in given]), whole)
    assert [b.first for b in given] == [0, *np.cumsum([len(b.counts) for b in given])[:-1]]
    assert [i for i in run.items if not isinstance(i, Block)] == LOG[1:3]


def test_it_runs_at_its_speed_and_a_new_speed_holds_at_once() -> None:
    run = _Run(Replay(ListSource([_block(0, 60.0)], ends=True), lambda: 0, speed=0.1))
    time.sleep(0.3)
    assert run.pairs <= 0.1 * 4000
    run.replay.set_speed(100.0)
    assert run.ended(3.0)
    assert run.pairs == 60 * 4000


def test_pause_holds_and_resume_goes_on() -> None:
    run = _Run(Replay(ListSource([_block(0, 1.0)], ends=True), lambda: 0, speed=10.0))
    run.replay.pause()
    time.sleep(0.05)
    held = run.pairs
    time.sleep(0.15)
    assert run.pairs == held < 4000
    run.replay.pause(False)
    assert run.ended(3.0)


def test_the_next_edge_is_reached_at_once_and_held() -> None:
    run: list[_Run] = []
    # An edge is known at 20 s and another at 40 s of the recording.
    replay = Replay(ListSource([_block(0, 60.0)], ends=True), lambda: run[0].pairs // 80_000 if run else 0)
    replay.pause()
    run.append(_Run(replay))
    for edge_s in (20, 40):
        replay.to_next_edge()
        assert _wait(lambda: replay.paused)
        assert edge_s * 4000 <= run[0].pairs <= (edge_s + 0.3) * 4000
        assert not replay.seeking
    replay.to_next_edge()
    assert run[0].ended(3.0), "with no edge left it runs to the end"


def test_it_goes_at_once_to_where_it_is_to_begin_and_gives_all_that_lies_before() -> None:
    run = _Run(Replay(ListSource([_block(0, 600.0)], ends=True), lambda: 0, speed=0.1, begin_s=500.0))
    assert _wait(lambda: not run.replay.beginning)
    assert 500 * 4000 <= run.pairs <= 502 * 4000
    run.replay.set_speed(100.0)
    assert run.ended(5.0)
    assert run.pairs == 600 * 4000


def test_close_ends_a_paused_replay() -> None:
    replay = Replay(ListSource([_block(0, 60.0)], ends=True), lambda: 0)
    run = _Run(replay)
    replay.pause()
    replay.close()
    assert run.ended(1.0)


def test_nothing_can_be_operated_in_a_recording() -> None:
    with pytest.raises(CommandError):
        Replay(ListSource(), lambda: 0).command(Operate("control", "on"))
