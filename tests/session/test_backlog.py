"""The backlog: a recording begun late is the run from its beginning, or says what was in force."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from daq.backlog import Backlog, Rebase
from daq.samples import Block, Change, ChangeKind, Gap, GapReason, Item, Layout, Origin, Scale

LAYOUT = Layout(1000.0, Scale(volts_per_count=(0.05, 0.05)))


def _block(first: int, count: int, value: int = 400) -> Block:
    return Block(first, np.full((count, 2), value, dtype=np.int32), LAYOUT)


def _user(sample: int, kind: ChangeKind, value: str = "", at_s: float | None = None) -> Change:
    return Change(sample, Origin.USER, kind, value, at_s)


def _gap(sample: int, seconds: float = 0.5) -> Gap:
    return Gap(sample, seconds, 0.0, None, GapReason.OVERFLOW)


def _told(items: list[Item]) -> list[object]:
    return [(i.first, i.counts.tolist()) if isinstance(i, Block) else i for i in items]


def test_within_the_limit_it_is_the_whole_log_unchanged() -> None:
    log: list[Item] = [
        _user(0, ChangeKind.EXPECT, "steady"),
        _block(0, 100),
        _user(100, ChangeKind.MARK, "on", at_s=0.08),
        _gap(100),
        _block(100, 50, value=70_000),  # beyond 16 bits: kept as it is
    ]
    backlog = Backlog()
    for item in log:
        backlog.append(item)
    assert _told(list(backlog.items())) == _told(log)
    assert all(i.counts.dtype == np.int32 for i in backlog.items() if isinstance(i, Block))
    assert backlog.origin == Rebase(0, 0.0)


def test_beyond_the_limit_it_restates_what_is_in_force_and_counts_from_zero() -> None:
    backlog = Backlog(limit_bytes=4 * 250)
    for item in (
        _user(0, ChangeKind.PLUG, "in"),
        _user(0, ChangeKind.EXPECT, "steady"),
        _block(0, 100),
        _user(100, ChangeKind.MARK, "on", at_s=0.1),
        _user(100, ChangeKind.NOTE, "gone with its time"),
        _gap(100),
        _block(100, 100),
        _user(200, ChangeKind.PLUG, "out"),
        _block(200, 200),
        _user(400, ChangeKind.MARK, "off", at_s=0.85),
    ):
        backlog.append(item)
    items = list(backlog.items())
    changes = [(i.sample, i.kind, i.value) for i in items if isinstance(i, Change)]
    assert changes == [
        (0, ChangeKind.PLUG, "in"),
        (0, ChangeKind.EXPECT, "steady"),
        (0, ChangeKind.MARK, "on"),
        (0, ChangeKind.DEVICE, "recording begins 0.7 s into the run"),
        (0, ChangeKind.PLUG, "out"),  # happened just then, and stands as itself
        (200, ChangeKind.MARK, "off"),
    ]
    assert [(i.first, len(i.counts)) for i in items if isinstance(i, Block)] == [(0, 200)]
    last = items[-1]
    assert isinstance(last, Change)
    assert last.at_s is not None
    assert abs(last.at_s - 0.15) < 1e-9


def test_after_forget_all_the_next_recording_continues_there() -> None:
    backlog = Backlog()
    backlog.append(_block(0, 100))
    backlog.append(_user(100, ChangeKind.SETTING, "threshold=1"))
    backlog.append(_user(100, ChangeKind.SETTING, "threshold=2"))
    backlog.forget_all()
    backlog.append(_gap(100))  # no recording begins with lost time
    backlog.append(_block(100, 10))
    told = list(backlog.items())
    assert [(c.kind, c.value) for c in told if isinstance(c, Change)] == [
        (ChangeKind.SETTING, "threshold=2"),
        (ChangeKind.DEVICE, "recording begins 0.6 s into the run"),
    ]
    assert [b.first for b in told if isinstance(b, Block)] == [0]


@given(
    sizes=st.lists(st.integers(1, 50), min_size=1, max_size=40),
    limit=st.integers(0, 2000),
    late=st.integers(0, 40),
)
def test_what_it_kept_and_what_follows_join_without_a_seam(sizes: list[int], limit: int, late: int) -> None:
    backlog, first = Backlog(limit), 0
    recorded: list[Block] = []
    for number, size in enumerate(sizes):
        block = _block(first, size)
        first = block.end
        if number < late:
            backlog.append(block)
        else:
            if number == late:
                recorded = [i for i in backlog.items() if isinstance(i, Block)]
            moved = backlog.origin(block)
            assert isinstance(moved, Block)
            recorded.append(moved)
    expected = 0
    for block in recorded:
        assert block.first == expected
        expected = block.end
