"""The real firmware on a pseudo-terminal, read by the program's own serial source; the board's manners."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import serial

from daq.errors import DeviceError, WhichsideError
from daq.framing import Deframer
from daq.messages import Reply, Start, Statistics, Stop, parse_message
from daq.pairs import DataFrame
from daq.results import Stopped, Tally
from daq.samples import Bias, Block, Change, ChangeKind, Gap, GapReason, Item
from daq.serial_port import SerialSource
from daq.source import SetBias
from tests.firmware.board import FIRMWARE, Board, settings_record, to_logger


@pytest.fixture(autouse=True)
def own_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


class Reading:
    """Iterates a source in a thread, as the session does."""

    def __init__(self, source: SerialSource) -> None:
        self.source = source
        self.items: list[Item] = []
        self.error: WhichsideError | None = None
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        try:
            self.items.extend(self._each())
        except WhichsideError as error:
            self.error = error

    def _each(self) -> Iterator[Item]:
        for item in self.source:
            self.items.append(item)
        return iter(())

    def until(self, done: Callable[[list[Item]], object], within_s: float = 8.0) -> None:
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


def blocks(items: list[Item]) -> list[Block]:
    return [item for item in items if isinstance(item, Block)]


def pairs_in(items: list[Item]) -> int:
    return sum(len(block.counts) for block in blocks(items))


def last_volts(items: list[Item]) -> np.ndarray:
    block = blocks(items)[-1]
    volts: np.ndarray = block.layout.scale.volts(block.counts).mean(axis=0)
    return volts


def test_the_serial_source_reads_the_real_firmware(tmp_path: Path) -> None:
    with Board(tmp_path, circuit="lead1=feed lead2=grounded") as board:
        reading = Reading(SerialSource(board.port))
        reading.until(lambda items: pairs_in(items) > 2000)
        board.order("circuit lead2=feed")
        reading.until(lambda items: last_volts(items)[1] > 12)
        items = reading.end()
    first = blocks(items)[0]
    assert first.layout.rate_hz == pytest.approx(4000, rel=1e-3)
    assert first.layout.scale.volts(first.counts).mean(axis=0) == pytest.approx([12.6, 0.0], abs=0.05)
    assert last_volts(items) == pytest.approx([12.6, 12.6], abs=0.05)
    assert not [item for item in items if isinstance(item, Gap)]
    assert board.facts["missed_triggers"] == 0
    assert reading.source.info.firmware == "0.1.0"


def test_bias_through_the_serial_source(tmp_path: Path) -> None:
    with Board(tmp_path, circuit="lead1=open lead2=1k") as board:
        reading = Reading(SerialSource(board.port))
        reading.until(lambda items: pairs_in(items) > 100)
        reading.source.command(SetBias(Bias.WHISPER, Bias.UP))
        reading.until(
            lambda items: blocks(items) and blocks(items)[-1].layout.bias == (Bias.WHISPER, Bias.UP)
        )
        biased = last_volts(reading.items)
        items = reading.end()
    assert biased == pytest.approx([2.62, 0.41], abs=0.06)
    assert "whisper up" in [c.value for c in items if isinstance(c, Change) and c.kind is ChangeKind.BIAS]


def test_unplugged_and_found_again(tmp_path: Path) -> None:
    with Board(tmp_path, circuit="lead1=feed") as board:
        reading = Reading(SerialSource(board.port))
        reading.until(lambda items: pairs_in(items) > 500)
        board.order("unplug")
        reading.until(lambda _: reading.source.away)
        board.order("plug")
        reading.until(lambda items: [i for i in items if isinstance(i, Gap)])
        seen = pairs_in(reading.items)
        reading.until(lambda items: pairs_in(items) > seen + 500)
        items = reading.end()
    (gap,) = [item for item in items if isinstance(item, Gap)]
    assert gap.reason is GapReason.UNPLUGGED


def test_a_board_that_resets_when_its_port_opens(tmp_path: Path) -> None:
    """Boards of this kind do, and their boot loader swallows what is sent in the first second or so."""
    eeprom = tmp_path / "eeprom"
    eeprom.write_bytes(settings_record(baud_code=1) + (41).to_bytes(4, "little"))
    with Board(tmp_path, reset_on_open=True, boot_loader=0.7, eeprom=eeprom) as board:
        reading = Reading(SerialSource(board.port))
        reading.until(lambda items: pairs_in(items) > 500)
        items = reading.end()
    assert not [item for item in items if isinstance(item, Gap)]
    hello = next(c.value for c in items if isinstance(c, Change) and c.kind is ChangeKind.DEVICE)
    assert hello == "hello boot=43 cause=reset pin"


def test_another_line_speed_is_told(tmp_path: Path) -> None:
    eeprom = tmp_path / "eeprom"
    eeprom.write_bytes(settings_record(baud_code=0))
    with Board(tmp_path, mind_baud=True, eeprom=eeprom) as board:
        with pytest.raises(DeviceError, match="baud"):
            SerialSource(board.port, baud=500_000)
        reading = Reading(SerialSource(board.port, rate_hz=1000, baud=115_200))
        reading.until(lambda items: pairs_in(items) > 100)
        reading.end()


def read_until_quiet(port: serial.Serial) -> bytes:
    heard = b""
    while more := port.read(65536):
        heard += more
    return heard


def test_a_computer_that_does_not_read_loses_bytes_and_knows_which(tmp_path: Path) -> None:
    """A serial line waits for nobody: the adapter drops what is not fetched, and the indices tell it."""
    with (
        Board(tmp_path, circuit="lead1=feed") as board,
        serial.Serial(board.port, 500_000, timeout=0.3) as port,
    ):
        port.write(to_logger(Start(1000, 0, 31), first_tag=1))
        time.sleep(1.5)
        port.write(to_logger(Stop(), Statistics(), first_tag=2))
        heard = read_until_quiet(port)
    deframer = Deframer()
    messages = [parse_message(frame) for frame in deframer.push(heard)]
    frames = [m for m in messages if isinstance(m, DataFrame)]
    assert board.facts["terminal_lost"] > 0
    assert deframer.damaged >= 1
    following, missing = 0, 0
    for frame in frames:
        assert frame.first >= following
        assert not frame.overflow  # the logger itself lost nothing
        missing += frame.first - following
        following = frame.first + len(frame.counts)
    replies = {m.tag: m for m in messages if isinstance(m, Reply)}
    assert Tally.parse(replies[3].result).lost_pairs == 0
    assert Stopped.parse(replies[2].result).pairs - following + missing > 0


def test_as_fast_as_possible_the_board_waits_for_the_reader(tmp_path: Path) -> None:
    with (
        Board(tmp_path, fast=True, circuit="lead1=feed") as board,
        serial.Serial(board.port, 500_000, timeout=0.3) as port,
    ):
        port.write(to_logger(Start(2000, 0, 31)))
        deframer, following = Deframer(), 0
        while following < 20_000:  # five seconds of the logger's time
            for frame in deframer.push(port.read(4096)):
                message = parse_message(frame)
                if isinstance(message, DataFrame):
                    assert message.first == following
                    following += len(message.counts)
    assert deframer.damaged <= 1  # what was on its way when the port was opened
    assert board.facts["terminal_lost"] == 0
    assert board.facts["simulated_s"] > 5


def test_a_killed_test_leaves_no_board_behind(tmp_path: Path) -> None:
    program = textwrap.dedent(
        """
        import sys, time
        from pathlib import Path
        from tests.firmware.board import Board
        with Board(Path(sys.argv[1])) as board:
            print(board._process.pid, flush=True)
            time.sleep(60)
        """
    )
    test = subprocess.Popen(
        [sys.executable, "-c", program, str(tmp_path)], stdout=subprocess.PIPE, text=True, cwd=FIRMWARE.parent
    )
    assert test.stdout is not None
    board_pid = int(test.stdout.readline())
    os.kill(board_pid, 0)  # it is there
    test.send_signal(signal.SIGKILL)
    test.wait()
    test.stdout.close()
    end = time.monotonic() + 5
    while Path(f"/proc/{board_pid}").exists() and "zombie" not in _status(board_pid):
        assert time.monotonic() < end, "the board outlived its test"
        time.sleep(0.01)


def _status(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return "zombie"
