"""Two loggers without serial numbers: a recording never goes on with the other one, and the user is told."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from daq import logger_source, serial_port
from daq.calibration import MARK_ADDRESS, MARK_SIZE, valid_mark
from daq.errors import DeviceError, OtherLoggerError
from daq.remembered import UsbIdentity, remember
from daq.samples import OTHER_LOGGER, Block, ChangeKind, Counts, Gap, Item
from daq.serial_port import PortInfo, SerialSource
from tests.wire.fake_logger import FakeLogger
from tests.wire.pty_logger import PtyLogger
from tests.wire.talk import MS, Table, changes, check_dense, gaps, pairs_in
from tests.wire.test_serial_port import Recording, more_pairs


def reads(code: int) -> Callable[[int, int], Counts]:
    """Pairs that tell which logger they are of."""
    return lambda _, count: np.full((count, 2), code, dtype=np.int32)


def nameless(code: int) -> FakeLogger:
    return FakeLogger(serial_number="", counts=reads(code))


def mark_of(logger: FakeLogger) -> bytes:
    return bytes(logger.eeprom[MARK_ADDRESS : MARK_ADDRESS + MARK_SIZE])


def only(items: list[Item], code: int) -> bool:
    return all((item.counts == code).all() for item in items if isinstance(item, Block))


def other_told(items: list[Item]) -> list[str]:
    return [change.value for change in changes(items, ChangeKind.DEVICE) if change.value == OTHER_LOGGER]


def replugged(table: Table, logger: FakeLogger, boots: bool) -> None:
    table.link.unplugged(table.now_ns)
    table.now_ns += 300 * MS
    table.logger = logger
    table.link.plugged_in("/dev/test", table.now_ns)
    if boots:
        table.extra = logger.boot(table.now_ns)


def test_a_logger_without_serial_number_is_marked_once_and_nothing_else_is_written() -> None:
    table = Table(logger=nameless(1))
    table.run(500)
    mark = mark_of(table.logger)
    assert valid_mark(mark)
    assert bytes(table.logger.eeprom).replace(mark, b"\xff" * MARK_SIZE) == b"\xff" * 1024
    again = Table(logger=table.logger)
    again.link._fresh_mark = b"0123456789"
    again.run(500)
    assert mark_of(table.logger) == mark
    numbered = Table()
    numbered.run(500)
    assert bytes(numbered.logger.eeprom) == b"\xff" * 1024


@pytest.mark.parametrize("boots", [True, False])
@pytest.mark.parametrize("was_marked", [True, False])
def test_one_with_the_same_boot_id_and_no_calibration_is_not_taken(boots: bool, was_marked: bool) -> None:
    """Two that were flashed one after the other differ in nothing but the mark."""
    one, two = nameless(1), nameless(2)
    if was_marked:
        earlier = Table(logger=two)
        earlier.link._fresh_mark = b"another10b"
        earlier.run(500)
    before = mark_of(two)
    table = Table(logger=one)
    table.run(500)
    replugged(table, two, boots)
    with pytest.raises(OtherLoggerError, match="Another logger without serial number answers"):
        table.run(1000)
    assert mark_of(two) == before
    replugged(table, one, boots)
    table.run(500)
    assert table.link.running
    assert only(table.items, 1)


def test_one_that_keeps_no_mark_is_gone_on_with_as_long_as_its_cable_holds() -> None:
    logger = nameless(1)
    logger.worn = True
    table = Table(logger=logger)
    table.run(500)
    table.extra = logger.boot(table.now_ns)
    table.run(500)
    assert len(gaps(table.items)) == 1
    assert table.link.running
    replugged(table, logger, boots=True)
    with pytest.raises(OtherLoggerError, match=r"keeps no mark.*begin a new recording\.$"):
        table.run(1000)


def test_a_mark_cut_short_by_the_power_is_written_anew() -> None:
    table = Table(logger=nameless(1))
    table.logger.eeprom[MARK_ADDRESS : MARK_ADDRESS + 5] = b"\x01\x02\x03\x04\x05"
    table.run(500)
    assert valid_mark(mark_of(table.logger))


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[PtyLogger, PtyLogger]]:
    """Two ports, a logger on each; they differ in what they read alone."""
    monkeypatch.setattr(logger_source, "OTHER_S", 0.1)
    folders = (tmp_path / "a", tmp_path / "b")
    for folder in folders:
        folder.mkdir()
    with PtyLogger(folders[0], nameless(100)) as one, PtyLogger(folders[1], nameless(200)) as two:
        yield one, two


def test_two_are_unplugged_and_come_back_under_swapped_names(bench: tuple[PtyLogger, PtyLogger]) -> None:
    chance = random.Random(5)
    recordings = [Recording(SerialSource(port.port)) for port in bench]
    loggers = [port.logger for port in bench]
    for swaps in (1, 2):
        for recording in recordings:
            recording.until(more_pairs(recording, 100))
        replug(bench, recordings, loggers[::-1], boots=chance.random() < 0.5)
        for recording in recordings:
            recording.until(lambda items, swaps=swaps: len(other_told(items)) == swaps)  # type: ignore[misc]
            assert recording.source.away
        replug(bench, recordings, loggers, boots=chance.random() < 0.5)
    for recording, code in zip(recordings, (100, 200), strict=True):
        recording.until(more_pairs(recording, 100))
        items = recording.end()
        assert recording.error is None
        assert only(items, code)
        assert pairs_in(items) > 300
        check_dense(items)
        assert len(gaps(items)) == 2


def replug(
    bench: tuple[PtyLogger, PtyLogger], recordings: list[Recording], loggers: list[FakeLogger], boots: bool
) -> None:
    for port in bench:
        port.unplug()
    for recording in recordings:
        recording.until(lambda _, source=recording.source: source.away)  # type: ignore[misc]
    for port, logger in zip(bench, loggers, strict=True):
        port.replace_by(logger)
        if boots:
            logger.boot(0)
        port.plug_in()


def test_the_other_one_at_the_end_is_what_is_said(bench: tuple[PtyLogger, PtyLogger]) -> None:
    one, two = bench
    recording = Recording(SerialSource(one.port))
    recording.until(more_pairs(recording, 100))
    one.unplug()
    one.replace_by(two.logger)
    one.plug_in()
    recording.until(other_told)
    items = recording.end()
    assert only(items, 100)
    assert not any(isinstance(item, Gap) for item in items)
    assert isinstance(recording.error, DeviceError)
    assert "Another logger without serial number answers" in str(recording.error)
    assert "kept" in str(recording.error)


def test_adapters_that_nothing_tells_apart_are_not_opened_by_themselves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    alike = UsbIdentity(0x1A86, 0x7523, None, None)
    remember(alike)
    ports = [PortInfo(f"/dev/ttyUSB{n}", "", alike) for n in (0, 1)]
    monkeypatch.setattr(serial_port, "list_ports", lambda: ports)
    assert serial_port.remembered_port() is None
    monkeypatch.setattr(serial_port, "list_ports", lambda: ports[1:])
    assert serial_port.remembered_port() == "/dev/ttyUSB1"
