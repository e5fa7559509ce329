"""The records in the logger's EEPROM, and the scale that turns its counts into volts.

Bytes: firmware/README.md, EEPROM. A record is read as a whole or not at all: a wrong CRC or layout means
that there is none, and nominal figures apply, which say of themselves that they are not calibrated.
"""

from __future__ import annotations

import datetime
import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from daq.framing import crc16
from daq.pairs import MalformedError
from daq.results import Started
from daq.samples import Scale

SETTINGS_ADDRESS, SETTINGS_SIZE = 0x000, 16
MARK_ADDRESS, MARK_BYTES = 0x014, 10
MARK_SIZE = MARK_BYTES + 2
"""The mark: random bytes and their CRC, written once into a logger that has no serial number."""
MOST_ENTRIES = 8
SLOT_ADDRESSES = (0x020, 0x0C0)
"""Two places for a calibration record: a new one goes where the older one stands, so that a power cut while
it is written leaves the one in force whole, and a calibration can be undone."""
BAUD_CODES = {0: 115_200, 1: 500_000, 2: 1_000_000}

FULL_CODE = 1023
COUNT_BITS = 10
"""Lines are told in counts of 1024 to the converter's span; a code of 12 bits is a quarter of one."""

NOMINAL_BANDGAP_V = 1.1
"""The chip's reference, ±10 % untrimmed (ATmega328P datasheet, from memory): a supply reading is a hint."""

_BANDGAP_V = {2: 1.2}
"""Of other boards: STM32F103 1.16 to 1.24 V (datasheet, from memory)."""


def nominal_bandgap_v(board: int) -> float:
    """The reference of an untrimmed chip, V, by the board number of its identity."""
    return _BANDGAP_V.get(board, NOMINAL_BANDGAP_V)


_SETTINGS = struct.Struct("<BB12s")
_HEAD = struct.Struct("<BBHBBHHH")
_ENTRY = struct.Struct("<BBffff")
_LAYOUT = 1  # of the settings
_RECORD_LAYOUT = 2
HEAD_SIZE = _HEAD.size


@dataclass(frozen=True, slots=True)
class Settings:
    """What the device reads at boot."""

    baud: int = 500_000
    serial_number: str = ""

    def encode(self) -> bytes:
        code = next(code for code, baud in BAUD_CODES.items() if baud == self.baud)
        body = _SETTINGS.pack(_LAYOUT, code, self.serial_number.encode("ascii")[:10])
        return body + crc16(body).to_bytes(2, "big")

    @classmethod
    def decode(cls, record: bytes) -> Settings:
        """Raises MalformedError when `record` (16 bytes) holds no settings."""
        if len(record) != SETTINGS_SIZE or crc16(record):
            raise MalformedError("no settings")
        layout, code, serial = _SETTINGS.unpack_from(record)
        if layout != _LAYOUT or code not in BAUD_CODES:
            raise MalformedError("settings of another layout")
        return cls(BAUD_CODES[code], serial.rstrip(b"\0").decode("ascii", "replace"))


def encode_mark(chosen: bytes) -> bytes:
    """`chosen` (10 bytes) as it stands in the EEPROM."""
    return chosen + crc16(chosen).to_bytes(2, "big")


def valid_mark(record: bytes) -> bool:
    """Whether `record` is a mark that was written whole."""
    return len(record) == MARK_SIZE and crc16(record) == 0


@dataclass(frozen=True, slots=True)
class Line:
    """One range of one lead: volts = counts * volts_per_count + offset_v, with standard uncertainties.

    A count is a 1024th of the converter's span, whatever bits its codes have.
    """

    volts_per_count: float
    offset_v: float
    offset_error_v: float
    gain_error: float

    def times(self, factor: float) -> Line:
        """The same line where the supply is `factor` times as large: 0 V stays at its count."""
        return replace(self, volts_per_count=self.volts_per_count * factor, offset_v=self.offset_v * factor)


# The front end spans −8 to +40 V over 1024 codes; code k is centred on k steps (first transition at half a
# step), so 0 V lies between code 170 (−31 mV) and code 171 (+16 mV). Uncertainties: firmware/board/BUDGET.md,
# not calibrated; the gain's is that of the USB supply, which the converter measures against.
NOMINAL = Line(volts_per_count=48.0 / 1024, offset_v=-8.0, offset_error_v=0.06, gain_error=0.03)
NEAR_ZERO = 1
"""Range id of a lead whose switch is on near zero: −1 to +5 V."""

_NOMINAL_NEAR_ZERO = Line(volts_per_count=6.0 / 1024, offset_v=-1.0, offset_error_v=0.02, gain_error=0.03)


def nominal(range_id: int) -> Line:
    """The figures of a lead that was never calibrated in this range."""
    return _NOMINAL_NEAR_ZERO if range_id == NEAR_ZERO else NOMINAL


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibration record: lines by (range id, lead 1 or 2).

    Attributes:
        sequence: of two records the one with the higher number is in force, modulo 65536.
        supply_sum: what the device answered to Supply while it was calibrated; 0 where it was not asked.
    """

    lines: Mapping[tuple[int, int], Line]
    date: datetime.date
    bandgap_v: float = NOMINAL_BANDGAP_V
    sequence: int = 0
    supply_sum: int = 0

    def encode(self) -> bytes:
        day = self.date
        body = _HEAD.pack(
            _RECORD_LAYOUT,
            len(self.lines),
            day.year,
            day.month,
            day.day,
            round(self.bandgap_v * 10_000),
            self.sequence & 0xFFFF,
            self.supply_sum,
        )
        for (range_id, lead), line in self.lines.items():
            figures = (line.volts_per_count, line.offset_v, line.offset_error_v, line.gain_error)
            body += _ENTRY.pack(range_id, lead, *figures)
        return body + crc16(body).to_bytes(2, "big")

    @classmethod
    def decode(cls, record: bytes) -> Calibration:
        """Raises MalformedError when `record`, exactly as long as `record_size` says, is none."""
        if len(record) < _HEAD.size or len(record) != record_size(record) or crc16(record):
            raise MalformedError("no calibration record")
        _, entries, year, month, day, bandgap, sequence, supply_sum = _HEAD.unpack_from(record)
        lines = {}
        for n in range(entries):
            range_id, lead, *figures = _ENTRY.unpack_from(record, _HEAD.size + n * _ENTRY.size)
            lines[range_id, lead] = _checked(Line(*figures))
        try:
            date = datetime.date(year, month, day)
        except ValueError as error:
            raise MalformedError("a calibration without a date") from error
        return cls(lines, date, bandgap / 10_000, sequence, supply_sum)


def record_size(head: bytes) -> int:
    """How long the calibration record is that begins with `head` (12 bytes); 0 when none begins there."""
    if len(head) < _HEAD.size or head[0] != _RECORD_LAYOUT or not 1 <= head[1] <= MOST_ENTRIES:
        return 0
    return _HEAD.size + head[1] * _ENTRY.size + 2


def newest(records: Sequence[Calibration | None]) -> int | None:
    """Which of the two slots' records is in force; None when neither holds one."""
    one, two = records
    if one is None or two is None:
        return None if one is two else int(one is None)
    return int((two.sequence - one.sequence) & 0xFFFF < 0x8000)


def supply_factor(calibration: Calibration, supply_sum: int) -> float:
    """How much larger the supply is than when it was calibrated; 1 where that is not known.

    The converter measures against the supply, and the front end's lift comes from it too: all voltages away
    from 0 V read in proportion. The chip's bandgap reference does not follow the supply, so the two sums of
    it tell the proportion, whatever its own voltage.
    """
    known = calibration.supply_sum and supply_sum
    return calibration.supply_sum / supply_sum if known else 1.0


def _checked(line: Line) -> Line:
    figures = (line.volts_per_count, line.offset_v, line.offset_error_v, line.gain_error)
    if not all(map(math.isfinite, figures)) or line.volts_per_count <= 0 or min(figures[2:]) < 0:
        raise MalformedError("a calibration that cannot be")
    return line


def scale_of(
    calibration: Calibration | None,
    ranges: tuple[int, int],
    run: Started,
    clock_hz: int,
    supply_sum: int = 0,
    code_bits: int = COUNT_BITS,
) -> Scale:
    """The scale of a run's counts; nominal for a lead whose range the record lacks.

    `supply_sum` is what the device says of its supply now; 0 where unknown. `code_bits`: of its converter.

    A sum of N raw pairs takes the mean moment of its conversions: lead 1 at (N − 1) intervals, lead 2 at N
    intervals after the pair's first conversion.
    """
    lines: list[Line | None] = [None, None]
    if calibration is not None:
        factor = supply_factor(calibration, supply_sum)
        found = [calibration.lines.get((ranges[n], n + 1)) for n in (0, 1)]
        lines = [line and line.times(factor) for line in found]
    one, two = (line or nominal(ranges[n]) for n, line in enumerate(lines))
    sums = 1 << run.sum_shift
    in_a_count = sums << (code_bits - COUNT_BITS)
    full = ((1 << code_bits) - 1) * sums
    interval_s = run.interval / clock_hz
    return Scale(
        volts_per_count=(one.volts_per_count / in_a_count, two.volts_per_count / in_a_count),
        offset_v=(one.offset_v, two.offset_v),
        skew_s=((sums - 1) * interval_s, sums * interval_s),
        lowest=(0, 0),
        highest=(full, full),
        offset_error_v=(one.offset_error_v, two.offset_error_v),
        gain_error=(one.gain_error, two.gain_error),
        calibrated=None not in lines,
    )
