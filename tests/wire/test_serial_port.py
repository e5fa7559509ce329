"""A logger on a pseudo-terminal: read, unplugged, found again."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from daq.errors import CommandError, DeviceError, WhichsideError
from daq.framing import Kind
from daq.logger_source import LoggerSource
from daq.samples import Bias, Block, ChangeKind, GapReason, Item
from daq.serial_port import SerialConnector, SerialSource
from daq.source import Capability, SetBias, SetRate
from tests.wire.fake_logger import FakeLogger
from tests.wire.pty_logger import PtyLogger
from tests.wire.talk import changes, check_dense, check_one_run, gaps, pairs_in


class Recording:
    """Iterates a source in a thread, as the session does."""

    def __init__(self, source: LoggerSource, pause_s: float = 0.0) -> None:
        self.source, self.pause_s = source, pause_s
        self.items: list[Item] = []
        self.error: WhichsideError | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            for item in self.source:
                self.items.append(item)
                time.sleep(self.pause_s)
        except WhichsideError as error:
            self.error = error

    def until(self, done: Callable[[list[Item]], object], within_s: float = 30.0) -> None:
        end = time.monotonic() + within_s
        while not done(list(self.items)):
            assert time.monotonic() < end, "it did not happen in time"
            assert self._thread.is_alive(), self.error
            time.sleep(0.01)

    def end(self) -> list[Item]:
        self.source.close()
        self._thread.join(3)
        assert not self._thread.is_alive()
        return self.items


def more_pairs(recording: Recording, count: int) -> Callable[[list[Item]], bool]:
    goal = pairs_in(recording.items) + count
    return lambda items: pairs_in(items) >= goal


def as_many_gaps(count: int) -> Callable[[list[Item]], bool]:
    return lambda items: len(gaps(items)) == count


def test_while_nothing_comes_an_empty_block_gives_the_turn(plugged: PtyLogger) -> None:
    recording = Recording(SerialSource(plugged.port))
    recording.until(more_pairs(recording, 500))
    plugged.paused = True
    recording.until(lambda items: sum(isinstance(i, Block) and not len(i.counts) for i in items) > 2)
    plugged.paused = False
    recording.until(more_pairs(recording, 500))
    check_dense(recording.end())


def test_samples_flow_and_the_stop_is_confirmed(plugged: PtyLogger) -> None:
    recording = Recording(SerialSource(plugged.port))
    recording.until(more_pairs(recording, 2000))
    items = recording.end()
    assert recording.error is None
    assert recording.source.link.finished
    assert check_one_run(items) == plugged.logger.pairs
    assert gaps(items) == []
    assert recording.source.info.port == plugged.port
    assert recording.source.capabilities == {Capability.RATE, Capability.WHISPER, Capability.BIAS}


def test_taken_seldom_nothing_is_lost_or_late(plugged: PtyLogger) -> None:
    """Where nobody watches what came is taken every `turn_s`, in one piece."""
    recording, begun = Recording(SerialSource(plugged.port, turn_s=0.1)), time.monotonic()
    recording.until(more_pairs(recording, 3000))
    items = recording.end()
    turns = (time.monotonic() - begun) / 0.1
    assert gaps(items) == []
    assert check_one_run(items) == plugged.logger.pairs
    assert sum(isinstance(item, Block) for item in items) <= 2 * turns + 8  # the first ones, the farewell


def test_commands_from_another_thread(plugged: PtyLogger) -> None:
    recording = Recording(SerialSource(plugged.port))
    recording.source.command(SetBias(Bias.WHISPER, Bias.WHISPER))
    recording.until(lambda items: changes(items, ChangeKind.BIAS))
    recording.source.command(SetRate(1000))
    recording.until(gaps)
    with pytest.raises(CommandError):
        recording.source.command(SetRate(1e6))
    assert [gap.reason for gap in gaps(recording.end())] == [GapReason.RATE]


def test_unplugged_and_plugged_in_again(plugged: PtyLogger) -> None:
    source = SerialSource(plugged.port)
    recording = Recording(source)
    recording.until(more_pairs(recording, 2000))
    plugged.unplug()
    away_at = time.monotonic()
    recording.until(lambda _: source.away)
    time.sleep(0.3)
    plugged.plug_in()
    recording.until(gaps)
    away_s = time.monotonic() - away_at
    recording.until(more_pairs(recording, 400))
    items = recording.end()
    (gap,) = gaps(items)
    assert gap.reason is GapReason.UNPLUGGED
    assert gap.pairs is None
    assert gap.seconds == pytest.approx(away_s, abs=0.1)
    assert 0 < gap.uncertainty_s < 0.2
    told = [change.value for change in changes(items, ChangeKind.DEVICE)]
    assert told[2:4] == ["logger away", "hello boot=41 cause=power on"]
    check_dense(items)
    assert recording.error is None


def test_a_plug_touched_three_times(plugged: PtyLogger) -> None:
    recording = Recording(SerialSource(plugged.port))
    for times in range(1, 4):
        recording.until(more_pairs(recording, 200))
        plugged.unplug()
        plugged.plug_in()
        recording.until(as_many_gaps(times))
    assert {gap.reason for gap in gaps(recording.end())} == {GapReason.UNPLUGGED}
    check_dense(recording.items)


def test_gone_at_the_end_is_an_error_and_nothing_is_lost(plugged: PtyLogger) -> None:
    source = SerialSource(plugged.port)
    recording = Recording(source)
    recording.until(more_pairs(recording, 500))
    plugged.unplug()
    recording.until(lambda _: source.away)
    items = recording.end()
    assert isinstance(recording.error, DeviceError)
    assert "away when the recording ended" in str(recording.error)
    assert pairs_in(items) >= 500


def test_another_logger_in_the_same_place_is_not_taken(plugged: PtyLogger) -> None:
    source = SerialSource(plugged.port)
    recording = Recording(source)
    recording.until(more_pairs(recording, 200))
    plugged.unplug()
    ours, other = plugged.logger, FakeLogger(serial_number="WS99")
    plugged.replace_by(other)
    plugged.plug_in()
    recording.until(lambda _: any(frame.type == 0x10 for frame in other.commands))
    plugged.unplug()
    plugged.replace_by(ours)
    plugged.plug_in()
    recording.until(gaps)
    assert other.pairs == 0
    assert source.info.serial_number == "WS01"
    recording.end()


def test_a_board_that_resets_when_opened(tmp_path: Path) -> None:
    with PtyLogger(tmp_path, silent_s=1.5) as logger:
        recording = Recording(SerialSource(logger.port))
        recording.until(more_pairs(recording, 200))
        assert gaps(recording.end()) == []


def test_a_reset_amid_a_recording(plugged: PtyLogger) -> None:
    recording = Recording(SerialSource(plugged.port))
    recording.until(more_pairs(recording, 500))
    plugged.reset()
    recording.until(gaps)
    (gap,) = gaps(recording.end())
    assert gap.reason is GapReason.RESTARTED
    assert gap.seconds < 0.5


def test_garbage_on_the_line(plugged: PtyLogger) -> None:
    recording = Recording(SerialSource(plugged.port))
    for length in (1, 10, 1000):
        recording.until(more_pairs(recording, 400))
        plugged.noise = bytes(range(256)) * 4 if length == 1000 else b"\xaa" * length
    recording.until(more_pairs(recording, 400))
    items = recording.end()
    assert recording.source.link.damaged > 0
    assert {gap.reason for gap in gaps(items)} == {GapReason.DAMAGED}
    check_one_run(items)


def test_a_reader_at_half_speed_loses_bytes_and_says_so(plugged: PtyLogger) -> None:
    """It comes back when twice as much came as the queue holds: every pair is either there or in a gap."""
    source = LoggerSource(SerialConnector(plugged.port, queue_bytes=2000), 4000.0)
    recording = Recording(source, pause_s=0.4)
    recording.until(lambda items: len(gaps(items)) >= 3)
    recording.pause_s = 0.0
    recording.until(more_pairs(recording, 2000))
    items = recording.end()
    assert source.unread_bytes > 0
    assert {gap.reason for gap in gaps(items)} == {GapReason.UNREAD}
    assert check_one_run(items) == plugged.logger.pairs


def test_closed_before_it_was_iterated(plugged: PtyLogger) -> None:
    source = SerialSource(plugged.port)
    source.close()
    source.close()
    assert list(source) == []


def test_a_consumer_that_leaves_closes_the_port(plugged: PtyLogger) -> None:
    iterator = iter(SerialSource(plugged.port))
    next(iterator)
    iterator.close()  # type: ignore[attr-defined]
    end = time.monotonic() + 2
    while [frame.type for frame in plugged.logger.commands][-2:] != [Kind.BIAS, Kind.STOP]:
        assert time.monotonic() < end, "the logger was not told to stop"
        time.sleep(0.01)
    SerialSource(plugged.port).close()  # the port is free again
