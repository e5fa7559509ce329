"""The session: one ordered log, the latest snapshot, recordings from the beginning, ends as values."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from daq.errors import CommandError, DeviceError, WhichsideError, WorkError
from daq.picture_pace import PICTURE_EVERY_S, SHARE
from daq.probe import QUIET
from daq.samples import (
    LOGGER_AWAY,
    LOGGER_SILENT,
    OTHER_LOGGER,
    Block,
    Change,
    ChangeKind,
    DeviceInfo,
    Gap,
    GapReason,
    Item,
    Origin,
)
from daq.session import Noted, Recording, Session, SessionState
from daq.source import Capability, Operate
from tests.tui.scenes import LAYOUT, ListSource, StagePipeline, switched


class Notebook:
    """A recorder that keeps what it is given; fails at item `fail_at`."""

    made: list[Notebook]

    def __init__(self, path: Path, info: DeviceInfo, fail_at: int | None = None) -> None:
        self.path, self.info = path, info
        self.items: list[Item] = []
        self.closed = self.ticks = 0
        self._fail_at = fail_at

    def append(self, item: Item) -> None:
        if len(self.items) == self._fail_at:
            raise WorkError("The disk is full: what was recorded so far is kept.")
        self.items.append(item)

    def tick(self) -> None:
        self.ticks += 1

    def close(self) -> None:
        self.closed += 1


class Shelf:
    """Makes notebooks and remembers them."""

    def __init__(self, fail_at: int | None = None) -> None:
        self.made: list[Notebook] = []
        self._fail_at = fail_at

    def __call__(self, path: Path, info: DeviceInfo) -> Notebook:
        if path.name == "exists":
            raise WorkError("exists is there already: choose another name.")
        self.made.append(Notebook(path, info, self._fail_at))
        return self.made[-1]


class DyingSource(ListSource):
    """Yields its items, then raises."""

    def __init__(self, error: Exception) -> None:
        super().__init__(switched(0.1))
        self._error = error

    def __iter__(self) -> Iterator[Item]:
        yield from self._items
        raise self._error


@pytest.fixture
def start() -> Iterator[Callable[..., Session]]:
    begun: list[Session] = []

    def begin(*args: object, **kwargs: object) -> Session:
        begun.append(Session(*args, **kwargs).start())  # type: ignore[arg-type]
        return begun[-1]

    yield begin
    for session in begun:
        session.close()


def _wait(condition: Callable[[], object], within_s: float = 3.0) -> None:
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.005)


def _told(items: list[Item]) -> list[object]:
    return [(i.first, i.counts.tolist(), i.flags) if isinstance(i, Block) else i for i in items]


Start = Callable[..., Session]


def test_a_run_that_ends_gives_its_findings_and_is_ended(start: Start) -> None:
    pipeline = StagePipeline()
    session = start(ListSource(switched(0.5), ends=True), pipeline)
    assert session.join(3.0)
    assert (session.state, session.error, session.exit_code) == (SessionState.ENDED, None, 0)
    assert session.findings is not None
    assert _told(pipeline.log) == _told(list(switched(0.5)))
    assert session.trace(lambda ring: ring.bins) == 500


def test_a_change_applies_at_the_next_unanalysed_sample_in_order(start: Start) -> None:
    pipeline = StagePipeline()
    session = start(ListSource(switched(0.2)), pipeline)
    session.change(ChangeKind.PLUG, "out")
    session.change(ChangeKind.MARK, "on")
    session.change(ChangeKind.MARK, "off", at_s=0.125)
    _wait(lambda: len(pipeline.changes) == 3)
    session.close()
    at = 0
    for item in pipeline.log:
        if isinstance(item, Block):
            assert item.first == at
            at = item.end
        else:
            assert isinstance(item, Change)
            assert item.sample == at
    plug, on, off = pipeline.changes
    assert (plug.kind, plug.value, plug.at_s) == (ChangeKind.PLUG, "out", None)
    assert on.at_s is not None, "a mark carries its own moment"
    assert off.at_s == 0.125


def test_a_mark_is_stamped_with_the_moment_of_the_key(start: Start) -> None:
    pipeline = StagePipeline()
    session = start(ListSource(switched(2.0)), pipeline)
    _wait(lambda: session.now_s() >= 2.0)
    time.sleep(0.05)
    expected = session.now_s()
    session.change(ChangeKind.MARK, "on")
    _wait(lambda: pipeline.changes)
    at_s = pipeline.changes[0].at_s
    assert at_s is not None
    assert abs(at_s - expected) < 0.05


def test_notes_are_kept_with_their_moment(start: Start) -> None:
    early = Change(0, Origin.USER, ChangeKind.NOTE, "from a recording", at_s=0.01)
    session = start(ListSource([early, *switched(0.1)]), StagePipeline())
    session.change(ChangeKind.NOTE, "now", at_s=0.08)
    _wait(lambda: len(session.notes) == 2)
    assert session.notes == (Noted(0.01, "from a recording"), Noted(0.08, "now"))


def test_time_counts_gaps_but_none_before_the_first_sample(start: Start) -> None:
    blocks = switched(0.1)
    gaps = [Gap(0, 9.0, 0.1, None, GapReason.UNPLUGGED), Gap(400, 5.0, 0.1, None, GapReason.UNPLUGGED)]
    session = start(ListSource([gaps[0], *blocks, gaps[1]], ends=True), StagePipeline())
    assert session.join(3.0)
    assert session.now_s() == pytest.approx(5.1)


def test_a_lost_device_reaches_the_consumer_as_a_value(start: Start) -> None:
    session = start(DyingSource(DeviceError("The logger went away: plug it in again.")), StagePipeline())
    assert session.join(3.0)
    assert session.state is SessionState.FAILED
    assert str(session.error) == "The logger went away: plug it in again."
    assert session.exit_code == 3
    assert session.findings is not None, "what came before is still analysed"


def test_a_fault_of_our_own_is_a_value_too_and_keeps_the_recording(start: Start) -> None:
    shelf = Shelf()
    session = start(DyingSource(KeyError("oops")), StagePipeline(), shelf, record_to=Path("run"))
    assert session.join(3.0)
    assert isinstance(session.error, WorkError)
    assert "KeyError" in str(session.error)
    assert "kept" in str(session.error)
    assert [(len(n.items), n.closed) for n in shelf.made] == [(len(switched(0.1)), 1)]
    assert session.recording == Recording(saved=Path("run"))


def test_after_the_end_a_change_is_refused_in_a_sentence(start: Start) -> None:
    session = start(ListSource(ends=True), StagePipeline())
    assert session.join(3.0)
    with pytest.raises(CommandError, match="run is over"):
        session.change(ChangeKind.NOTE, "too late")


def test_recording_begun_late_holds_the_run_from_its_beginning(start: Start) -> None:
    shelf, pipeline = Shelf(), StagePipeline()
    session = start(ListSource(switched(0.3)), pipeline, shelf)
    session.change(ChangeKind.PLUG, "in")
    _wait(lambda: session.now_s() >= 0.3)
    session.start_recording(Path("late"))
    _wait(lambda: session.recording.path)
    session.change(ChangeKind.NOTE, "recorded")
    _wait(lambda: len(pipeline.changes) == 2)
    session.close()
    assert _told(shelf.made[0].items) == _told(pipeline.log)
    assert (shelf.made[0].closed, session.recording.saved) == (1, Path("late"))


def test_a_second_recording_begins_where_the_first_ended(start: Start) -> None:
    shelf, pipeline = Shelf(), StagePipeline()
    session = start(ListSource(switched(0.1)), pipeline, shelf, record_to=Path("one"))
    session.change(ChangeKind.PLUG, "out")
    _wait(lambda: pipeline.changes)
    session.stop_recording()
    _wait(lambda: session.recording.saved == Path("one"))
    session.start_recording(Path("two"))
    _wait(lambda: session.recording.path == Path("two"))
    session.close()
    one, two = shelf.made
    assert _told(one.items) == _told(pipeline.log[: len(one.items)])
    assert isinstance(two.items[0], Change)
    assert (two.items[0].kind, two.items[0].value, two.items[0].sample) == (ChangeKind.PLUG, "out", 0)
    blocks = [item for item in two.items if isinstance(item, Block)]
    assert [b.first for b in blocks] == [0, *np.cumsum([len(b.counts) for b in blocks])[:-1]]
    recorded = sum(len(b.counts) for n in shelf.made for b in n.items if isinstance(b, Block))
    assert recorded == sum(len(item.counts) for item in pipeline.log if isinstance(item, Block))


@pytest.mark.parametrize("fail_at", [0, 3, 20])
def test_a_full_disk_stops_the_recording_and_nothing_else(start: Start, fail_at: int) -> None:
    shelf, pipeline = Shelf(fail_at), StagePipeline()
    session = start(ListSource(switched(0.05)), pipeline, shelf, record_to=Path("run"))
    _wait(lambda: session.recording.error)
    assert session.state is SessionState.RUNNING
    assert session.recording.path is None
    session.change(ChangeKind.NOTE, "still measuring")
    _wait(lambda: pipeline.changes)
    session.close()
    assert shelf.made[0].closed == 1
    assert session.exit_code == 1


def test_a_name_that_exists_is_refused_and_the_run_goes_on(start: Start) -> None:
    session = start(ListSource(switched(0.05)), StagePipeline(), Shelf())
    session.start_recording(Path("exists"))
    _wait(lambda: session.recording.error)
    assert isinstance(session.recording.error, WhichsideError)
    session.start_recording(Path("another"))
    _wait(lambda: session.recording.path == Path("another"))
    assert session.recording.error is None


def test_a_recording_asked_for_at_the_start_that_cannot_be_made_ends_the_run(start: Start) -> None:
    pipeline = StagePipeline()
    session = start(ListSource(switched(0.05)), pipeline, Shelf(), record_to=Path("exists"))
    assert session.join(3.0)
    assert (session.state, session.exit_code) == (SessionState.FAILED, 1)
    assert str(session.error) == "exists is there already: choose another name."
    assert (session.recording, pipeline.log) == (Recording(), [])


def test_while_nothing_comes_the_recording_is_saved_and_keys_are_obeyed(start: Start) -> None:
    """A source that falls silent gives empty blocks; they are nobody's samples."""
    shelf, pipeline = Shelf(), StagePipeline()
    blocks = switched(0.1)
    silence = [Block(400, blocks[0].counts[:0], LAYOUT)] * 3
    away = Change(400, Origin.DEVICE, ChangeKind.DEVICE, LOGGER_AWAY)
    session = start(ListSource([*blocks, away, *silence], ends=True), pipeline, shelf, record_to=Path("run"))
    assert session.join(3.0)
    assert shelf.made[0].ticks == 3
    assert _told(shelf.made[0].items) == _told(pipeline.log) == _told([*blocks, away])
    assert session.away


def test_a_logger_that_comes_back_is_no_longer_away(start: Start) -> None:
    blocks = switched(0.2)
    away = Change(400, Origin.DEVICE, ChangeKind.DEVICE, LOGGER_SILENT)
    hello = Change(400, Origin.DEVICE, ChangeKind.DEVICE, "hello boot=2 cause=power on")
    gap = Gap(400, 1.0, 0.1, None, GapReason.UNPLUGGED)
    early, late = blocks[:12], [Block(b.first + 16, b.counts, b.layout) for b in blocks[12:]]
    source = ListSource([*early, away, hello, gap, *late])
    session = start(source, StagePipeline())
    _wait(lambda: session.now_s() > 1.15)
    assert not session.away


def test_another_logger_in_its_place_is_told_apart_from_none(start: Start) -> None:
    blocks = switched(0.2)
    told = [Change(400, Origin.DEVICE, ChangeKind.DEVICE, value) for value in (LOGGER_AWAY, OTHER_LOGGER)]
    session = start(ListSource([*blocks[:12], *told], ends=True), StagePipeline())
    _wait(lambda: session.other)
    assert session.away


def test_snapshots_are_replaced_as_often_as_a_screen_draws_and_where_something_moved(start: Start) -> None:
    class Counting(StagePipeline):
        asked = 0

        def snapshot(self):  # type: ignore[no-untyped-def]
            self.asked += 1
            return super().snapshot()

    pipeline = Counting()
    session = start(ListSource(switched(2.0), ends=True), pipeline)
    assert session.join(5.0)
    calm = 2.0 / PICTURE_EVERY_S  # and two more where it is switched
    assert 0.7 * calm <= pipeline.asked <= calm + 2 + 3


def test_dear_snapshots_come_less_often(start: Start) -> None:
    class Slow(StagePipeline):
        asked = 0

        def snapshot(self):  # type: ignore[no-untyped-def]
            self.asked += 1
            until = time.thread_time() + 0.02
            while time.thread_time() < until:
                pass
            return super().snapshot()

    pipeline = Slow()
    session = start(ListSource(switched(2.0), ends=True), pipeline)
    assert session.join(10.0)
    assert 5 <= pipeline.asked <= 2.0 / (0.02 / SHARE) + 2 + 3


def test_commands_go_to_the_source_and_close_is_idempotent(start: Start) -> None:
    source = ListSource(switched(0.05))
    session = start(source, StagePipeline())
    session.command(Operate("control", "on"))
    assert source.commands == [Operate("control", "on")]
    session.close()
    session.close()
    assert session.state is SessionState.ENDED


def test_a_session_never_started_can_be_closed() -> None:
    Session(ListSource(), StagePipeline()).close()


def test_memory_is_bounded_while_nothing_is_recorded(start: Start) -> None:
    block = Block(0, np.zeros((1000, 2), dtype=np.int32), LAYOUT)
    blocks = [Block(i * 1000, block.counts, LAYOUT) for i in range(100)]
    session = start(ListSource(blocks, ends=True), StagePipeline(), Shelf(), backlog_bytes=20_000)
    assert session.join(3.0)
    kept = [i for i in session._backlog.items() if isinstance(i, Block)]
    assert [len(kept), kept[0].first] == [5, 0]


def test_no_probe_begins_while_they_are_held(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever wiggles wires counts what moves: a lead that nothing holds follows a probe."""
    monkeypatch.setattr("daq.session.Prober", lambda: SimpleNamespace(probing=False, next=lambda _: QUIET))
    source = ListSource(switched(0.1), capabilities=frozenset({Capability.WHISPER, Capability.BIAS}))
    session = Session(source, StagePipeline())
    session.hold_probes(True)
    with closing(session.start()):
        seen = session.now_s()
        _wait(lambda: session.now_s() > seen + 0.2)
        assert source.commands == []
        session.hold_probes(False)
        _wait(lambda: QUIET in source.commands)
