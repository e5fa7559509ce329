"""Every example of firmware/vectors.txt, read and written on this side of the wire."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import fields, is_dataclass

import numpy as np
import pytest
from cobs import cobs
from crccheck import crc as crccheck

from daq.calibration import Calibration, Settings, record_size
from daq.framing import Deframer, Kind, crc16, encode_frame
from daq.messages import (
    BiasState,
    Echo,
    EepromBytes,
    Heartbeat,
    Message,
    Reply,
    encode_message,
    parse_message,
)
from daq.pairs import DataFrame
from daq.results import EepromWritten, Identity, Started, Stopped, SupplySum, Tally
from daq.samples import Bias
from tests.wire.vectors import Vector, vector_id, vectors

RESULTS: dict[Kind, Callable[[bytes], object]] = {
    Kind.IDENTIFY: Identity.parse,
    Kind.START: Started.parse,
    Kind.STOP: Stopped.parse,
    Kind.BIAS: BiasState.parse,
    Kind.SUPPLY: SupplySum.parse,
    Kind.EEPROM_READ: EepromBytes.parse,
    Kind.EEPROM_WRITE: EepromWritten.parse,
    Kind.STATISTICS: Tally.parse,
    Kind.ECHO: Echo.parse,
}
NAMES = {"serial_number": "serial", "shortest_interval": "shortest", "longest_interval": "longest"} | {
    "missed_triggers": "missed",
    "damaged_frames": "damaged",
    "receive_overruns": "overruns",
    "deepest_transmit": "deepest",
}


def said(message: object) -> dict[str, str]:
    """The fields of a message in the words of the vectors file."""
    if isinstance(message, DataFrame):
        return _said_of_data(message)
    assert is_dataclass(message)
    words = {}
    for field in fields(message):
        value = getattr(message, field.name)
        words[NAMES.get(field.name, field.name)] = _word(value)
    if isinstance(message, Reply):
        del words["result"]
        if message.status == 0:
            words |= said(RESULTS[Kind(message.command)](message.result))
    return words


def _word(value: object) -> str:
    if isinstance(value, Bias):
        return value.name.lower()
    if isinstance(value, bytes):
        return value.hex() or "-"
    if isinstance(value, tuple):
        return ".".join(map(str, value))
    return str(int(value)) if isinstance(value, int) else str(value) or "-"


def _said_of_data(frame: DataFrame) -> dict[str, str]:
    words = {"first": str(frame.first), "run": str(frame.run)}
    words |= {name: str(int(getattr(frame, name))) for name in ("sums", "missed", "overflow")}
    for lead in (1, 2):
        words[f"bias{lead}"] = str(frame.bias[lead - 1].value)
        words[f"range{lead}"] = str(frame.ranges[lead - 1])
    return words | {"pairs": ",".join(f"{one}:{two}" for one, two in frame.counts.tolist())}


@pytest.mark.parametrize("vector", vectors("crc"), ids=vector_id)
def test_crc(vector: Vector) -> None:
    data, crc = vector.data
    assert crc16(data).to_bytes(2, "big") == crc
    # The same from another implementation, by the name in the CRC catalogues.
    assert crccheck.Crc16Ibm3740.calc(data).to_bytes(2, "big") == crc


def test_the_crc_is_not_one_of_its_relatives() -> None:
    """Check values over "123456789" as crccheck 1.3.1 declares them: only one is ours."""
    check = b"123456789"
    declared = {"Ibm3740": 0x29B1, "Xmodem": 0x31C3, "Kermit": 0x2189, "Modbus": 0x4B37, "Arc": 0xBB3D}
    for name, value in declared.items():
        assert getattr(crccheck, f"Crc16{name}").calc(check) == value
        assert (crc16(check) == value) == (name == "Ibm3740")


@pytest.mark.parametrize("vector", vectors("cobs", "loose"), ids=vector_id)
def test_cobs(vector: Vector) -> None:
    raw, encoded = vector.data
    assert cobs.decode(encoded) == raw
    if vector.kind == "cobs":
        assert cobs.encode(raw) == encoded


@pytest.mark.parametrize("vector", vectors("frame"), ids=vector_id)
def test_frame_both_ways(vector: Vector) -> None:
    body, wire = vector.data
    (frame,) = Deframer().push(wire)
    assert (frame.type, frame.sequence, frame.payload) == (body[0], body[1], body[2:-2])
    message: Message = parse_message(frame)
    kind = vector.fields.pop("kind")
    assert Kind[{"eeprom_write": "EEPROM_WRITE"}.get(kind, kind.upper())] == frame.type
    assert said(message) == vector.fields
    assert encode_message(message, frame.sequence) == wire
    assert encode_frame(*frame) == wire


@pytest.mark.parametrize("vector", vectors("broken", "quiet"), ids=vector_id)
def test_no_frame(vector: Vector) -> None:
    deframer = Deframer()
    assert deframer.push(vector.data[0]) == []
    assert deframer.damaged == (vector.kind == "broken")


def test_records() -> None:
    settings, calibration = (vector.data[0] for vector in vectors("record"))
    assert Settings.decode(settings) == Settings(500_000, "WS00000042")
    assert Settings(500_000, "WS00000042").encode() == settings
    read = Calibration.decode(calibration)
    assert record_size(calibration[:12]) == len(calibration)
    assert read.date == datetime.date(2025, 3, 14)
    assert (read.bandgap_v, read.sequence, read.supply_sum) == (1.095, 3, 14418)
    one, two = read.lines[0, 1], read.lines[0, 2]
    assert math.isclose(one.volts_per_count, 0.0469, rel_tol=1e-6)
    assert math.isclose(two.offset_v, -7.995, rel_tol=1e-6)
    assert np.allclose([one.offset_error_v, one.gain_error], [0.004, 0.002])
    assert read.encode() == calibration


def test_every_message_has_an_example() -> None:
    shown = {vector.data[0][0] for vector in vectors("frame")}
    assert shown == set(Kind)
    beats = [v for v in vectors("frame") if v.data[0][0] == Heartbeat.KIND]
    assert {v.fields["running"] for v in beats} == {"0", "1"}
