"""The real firmware's supply goes: amid a calibration's write, or below the brown-out level in a run."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from daq import calibration_store as store
from daq.calibration import Calibration, Line
from daq.messages import Command, EepromBytes, EepromRead, Start
from daq.results import ResetCause
from daq.samples import ChangeKind, GapReason
from tests.firmware.board import Script, settings_record
from tests.wire.talk import Table, changes, gaps
from tests.wire.test_calibrating import Memory

CELL_S = 0.0034  # data sheet, EEPROM programming time, from memory
SPACING_S = 0.3
LINES = {(0, 1): Line(0.047, -8.0, 0.01, 0.002), (0, 2): Line(0.048, -8.1, 0.01, 0.002)}
OLD = Calibration(LINES, datetime.date(2025, 5, 5))
NEW = Calibration(
    {(0, 1): Line(0.04613, -7.912, 0.0098, 0.0017), (0, 2): Line(0.04881, -8.237, 0.0113, 0.0023)},
    datetime.date(2026, 3, 4),
    supply_sum=14418,
)


def sent_by(change: Callable[[store.Ask], object], memory: Memory) -> list[tuple[EepromBytes, int]]:
    """What the host sends to write, and how many cells each command changes."""
    sent = []

    def ask(command: Command) -> bytes:
        if isinstance(command, EepromBytes):
            before = bytes(memory.cells[command.address : command.address + len(command.data)])
            sent.append((command, sum(a != b for a, b in zip(before, command.data, strict=True))))
        return memory.ask(command)

    change(ask)
    return sent


def kept() -> Memory:
    """A logger that was calibrated twice before."""
    memory = Memory()
    memory.cells[:0x10] = settings_record(baud_code=1)
    memory.cells[0x10:0x14] = (7).to_bytes(4, "little")
    store.write(memory.ask, replace(OLD, date=datetime.date(2024, 4, 4)))
    store.write(memory.ask, OLD)
    return memory


def sent_record(record: Calibration, sequence: int) -> bytes:
    return replace(record, sequence=sequence).encode()


def after_cut(folder: Path, sent: list[EepromBytes], cut_in: int, cell: int, left: int) -> Memory:
    """The EEPROM after the power went amid a cell of a command and the logger booted again."""
    eeprom = folder / "eeprom"
    eeprom.write_bytes(bytes(kept().cells))
    script = Script(folder)
    for n, command in enumerate(sent[: cut_in + 1]):
        script.send(0.1 + n * SPACING_S, command, tag=n)
    script.order(0.1 + cut_in * SPACING_S - 0.001, f"cut {left:02x} {cell + 1}")
    end_s = 0.1 + (cut_in + 1) * SPACING_S
    reads = [EepromRead(at, 64) for at in range(0x020, 0x160, 64)]
    for n, read in enumerate(reads):
        script.send(end_s + 0.02 * n, read, tag=100 + n)
    heard = script.run(end_s + 0.02 * len(reads) + 0.05, eeprom=eeprom)
    assert len(heard.hellos) == 2
    memory = Memory()
    for n, read in enumerate(reads):
        memory.cells[read.address : read.address + 64] = EepromBytes.parse(heard.reply(100 + n).result).data
    return memory


@pytest.mark.parametrize("left", [0xFF, 0x02, 0x6B])
def test_a_cut_anywhere_in_a_write_leaves_the_former_one_whole(tmp_path: Path, left: int) -> None:
    """The cell that was being written may hold anything: erased, the layout's number, garbage."""
    sent = sent_by(lambda ask: store.write(ask, NEW), kept())
    commands = [command for command, _ in sent]
    assert commands[0].data == b"\xff"
    assert commands[-1].data == NEW.encode()[:1]
    points = [(n, cell) for n, (_, cells) in enumerate(sent) for cell in range(cells)]
    assert len(points) > 30
    whole = [sent_record(OLD, 2), sent_record(NEW, 3)]
    step = max(1, len(points) // 8)
    found = set()
    for n, cell in [*points[::step], points[-1]]:
        record = store.in_force(store.read_slots(after_cut(tmp_path, commands, n, cell, left).ask))
        assert record is not None
        assert record.encode() in whole
        found.add(record.date)
        assert record.date == OLD.date or (n, cell) == points[-1]
    assert found == ({OLD.date, NEW.date} if left == NEW.encode()[0] else {OLD.date})


def test_a_cut_while_one_is_taken_back_leaves_it_or_the_one_before(tmp_path: Path) -> None:
    ((command, _),) = sent_by(store.undo, kept())
    for left, year in ((0xFF, 2024), (0x02, 2025), (0x6B, 2024)):
        record = store.in_force(store.read_slots(after_cut(tmp_path, [command], 0, 0, left).ask))
        assert record is not None
        assert record.date.year == year


def test_a_dip_below_the_brown_out_level_is_told_and_makes_a_gap(tmp_path: Path) -> None:
    """simavr has no brown-out detector: what is run is the reset that it makes and what the firmware and the
    host make of that, not the detector. Never run on silicon."""
    script = Script(tmp_path).send(0.1, Start(2000, 0, 31), tag=1).order(0.5, "brownout 0.05")
    heard = script.run(0.8)
    assert [hello.reset_cause for hello in heard.hellos] == [ResetCause.POWER_ON, ResetCause.BROWN_OUT]
    assert heard.hellos[1].boot_id == heard.hellos[0].boot_id + 1
    table = Table()
    table.run(500)
    table.logger.identity = replace(table.logger.identity, reset_cause=ResetCause.BROWN_OUT)
    table.extra = table.logger.boot(table.now_ns)
    table.run(500)
    assert [gap.reason for gap in gaps(table.items)] == [GapReason.RESTARTED]
    assert "hello boot=42 cause=brown out" in [c.value for c in changes(table.items, ChangeKind.DEVICE)]
