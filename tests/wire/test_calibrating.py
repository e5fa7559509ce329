"""Calibrating: the line through known voltages, the two slots and power cuts, and the refusals."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest

from daq import calibration_store as store
from daq.calibrate_command import telling_what_is_left
from daq.calibration import NOMINAL, SLOT_ADDRESSES, Calibration, Line, scale_of
from daq.calibration_fit import Point, check_point, fit
from daq.errors import InputError, WorkError
from daq.messages import Command, EepromBytes, EepromRead
from daq.results import Started

OLD = Calibration({(0, 1): Line(0.047, -8.0, 0.01, 0.002), (0, 2): Line(0.048, -8.1, 0.01, 0.002)},
                  datetime.date(2025, 1, 2))  # fmt: skip
NEW = replace(OLD, date=datetime.date(2026, 3, 4), supply_sum=14418)


class PowerCutError(Exception):
    """The chip lost its supply."""


class Memory:
    """An EEPROM behind the wire's commands; after `bytes_left` written the power goes, amid the next."""

    def __init__(self, bytes_left: int | None = None) -> None:
        self.cells = bytearray(b"\xff" * 1024)
        self.bytes_left = bytes_left

    def ask(self, command: Command) -> bytes:
        if isinstance(command, EepromRead):
            end = command.address + command.length
            return EepromBytes(command.address, bytes(self.cells[command.address : end])).payload()
        assert isinstance(command, EepromBytes)
        for i, byte in enumerate(command.data):
            at = command.address + i
            if self.cells[at] == byte:
                continue  # as the firmware: bytes that are so already are not written
            if self.bytes_left == 0:
                self.cells[at] = 0xFF  # erased and not yet written
                raise PowerCutError
            self.bytes_left = None if self.bytes_left is None else self.bytes_left - 1
            self.cells[at] = byte
        return b""


def in_force(memory: Memory) -> Calibration | None:
    return store.in_force(store.read_slots(memory.ask))


def test_each_record_goes_where_the_older_one_stands_and_can_be_taken_back() -> None:
    memory = Memory()
    records = [replace(NEW, date=datetime.date(2026, 1, day)) for day in (1, 2, 3)]
    for record in records:
        written = store.write(memory.ask, record)
        assert in_force(memory) == written
        assert written.date == record.date
    back = store.undo(memory.ask)
    assert back is not None
    assert back.date == records[1].date
    assert store.undo(memory.ask) is None
    assert in_force(memory) is None


def test_the_sequence_number_wraps() -> None:
    memory = Memory()
    store.write(memory.ask, OLD)
    data = replace(OLD, sequence=65535).encode()
    memory.cells[SLOT_ADDRESSES[0] : SLOT_ADDRESSES[0] + len(data)] = data
    assert store.write(memory.ask, NEW).sequence == 0
    found = in_force(memory)
    assert found is not None
    assert found.date == NEW.date


def test_power_cut_at_every_byte_leaves_the_former_or_the_new_one_whole() -> None:
    cut, finished = 0, False
    while not finished:
        memory = Memory()
        store.write(memory.ask, OLD)
        store.write(memory.ask, replace(OLD, date=datetime.date(2025, 5, 5)))
        memory.bytes_left = cut
        try:
            store.write(memory.ask, NEW)
            finished = True
        except PowerCutError:
            found = in_force(memory)
            assert found is not None
            assert found.date == datetime.date(2025, 5, 5)
        cut += 1
    assert cut > 10
    found = in_force(memory)
    assert found is not None
    assert found.date == NEW.date


class Interrupted:
    """Commands for a Memory; at the one with number `at` Ctrl-C comes, before or after it is carried out."""

    def __init__(self, memory: Memory, at: int, carried_out: bool) -> None:
        self.memory, self.at, self.carried_out = memory, at, carried_out
        self.asked = 0

    def __call__(self, command: Command) -> bytes:
        self.asked += 1
        if self.asked != self.at:
            return self.memory.ask(command)
        if self.carried_out:
            self.memory.ask(command)
        raise KeyboardInterrupt


@pytest.mark.parametrize("carried_out", [True, False])
def test_ctrl_c_at_any_command_of_the_write_tells_what_is_in_force(carried_out: bool) -> None:
    counting = Interrupted(Memory(), 0, carried_out)
    store.write(counting.memory.ask, OLD)
    store.write(counting, NEW)
    told = []
    for at in range(1, counting.asked + 1):
        memory = Memory()
        store.write(memory.ask, OLD)
        former = in_force(memory)
        ask = Interrupted(memory, at, carried_out)
        with pytest.raises(KeyboardInterrupt) as caught, telling_what_is_left(ask, former):
            store.write(ask, NEW)
        found = in_force(memory)
        assert found is not None
        assert found.date in (OLD.date, NEW.date)
        words = "Nothing was changed" if found == former else "It had been written"
        assert str(caught.value) == f"{words}: the calibration of {found.date} is in force."
        told.append(words)
    assert sorted(set(told)) == ["It had been written", "Nothing was changed"]


def test_memory_that_keeps_nothing_is_noticed() -> None:
    class Worn(Memory):
        def ask(self, command: Command) -> bytes:
            if isinstance(command, EepromBytes) and command.address > SLOT_ADDRESSES[1]:
                return b""
            return super().ask(command)

    memory = Worn()
    store.write(memory.ask, OLD)
    with pytest.raises(WorkError):
        store.write(memory.ask, NEW)
    found = in_force(memory)
    assert found is not None
    assert found.date == OLD.date


def test_least_squares_against_numpy() -> None:
    """numpy.polyfit with w = 1/u is the same weighted least squares, written by others."""
    points = [Point(v, c, 0.3, 0, 16000) for v, c in ((0.0, 172.1), (4.7, 271.2), (12.6, 440.4))]
    found = fit(1, 0, points)
    weights = [1 / p.error_v(NOMINAL.volts_per_count) for p in points]
    gain, offset = np.polyfit([p.code for p in points], [p.volts for p in points], 1, w=weights)
    assert found.line.volts_per_count == pytest.approx(gain, rel=1e-9)
    assert found.line.offset_v == pytest.approx(offset, rel=1e-9)
    assert sum(found.residuals_v) != 0


def code_at(volts: float, gain: float = 1.0) -> float:
    return (volts * gain - NOMINAL.offset_v) / NOMINAL.volts_per_count


def on_line(*volts: float, gain: float = 1.0) -> list[Point]:
    return [Point(v, code_at(v, gain), 0.0, 0.0, 16000) for v in volts]


@pytest.mark.parametrize(
    ("points", "word"),
    [
        (on_line(0, 5, 12, gain=1.13), "of gain"),
        (on_line(0, 1, 12), "too close"),
        (on_line(0, 3, 6), "too close"),
        ([*on_line(0, 5), Point(12.0, code_at(12.6), 0.0, 0.0, 16000)], "not on a line"),
        ([*on_line(0, 5), Point(12.0, code_at(0.1), 0.0, 0.0, 16000)], "reads about"),
        ([*on_line(0, 5), Point(12.0, code_at(12), 9.0, 0.0, 16000)], "keep still"),
        ([*on_line(0, 5), Point(12.0, code_at(12), 0.0, 4.0, 16000)], "keep still"),
        ([*on_line(0, 5), Point(39.9, 1023, 0.0, 0.0, 16000)], "beyond"),
        ([*on_line(0, 5), Point(float("nan"), code_at(12), 0.0, 0.0, 16000)], "reads about"),
    ],
)
def test_nonsense_is_refused(points: list[Point], word: str) -> None:
    with pytest.raises(InputError, match=word):
        fit(1, 0, points)


def test_noise_of_a_code_comes_from_the_sums() -> None:
    rng = np.random.default_rng(1)
    sums = np.rint(440 + 0.8 * rng.standard_normal((500, 64))).sum(axis=1).astype(np.int64)
    point = Point.of(12.6, sums, 64)
    assert point.noise == pytest.approx(np.hypot(0.8, 1 / 12**0.5), rel=0.15)
    check_point(1, 0, point)


def test_readings_follow_the_supply() -> None:
    """The converter measures against the supply: at 4 % less of it the same code is 4 % less of volts, and
    the bandgap's sum is 4 % more (ratiometric conversion, ATmega328P data sheet, from memory)."""
    run = Started(1, 2000, 0, 31, 128)
    then = scale_of(NEW, (0, 0), run, 16_000_000, 14418)
    now = scale_of(NEW, (0, 0), run, 16_000_000, 15019)
    codes = np.array([[440, 440]])
    assert now.volts(codes) == pytest.approx(then.volts(codes) * 14418 / 15019)
    assert scale_of(NEW, (0, 0), run, 16_000_000).volts(codes) == pytest.approx(then.volts(codes))
