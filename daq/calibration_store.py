"""Calibration records in the logger's EEPROM: read, written so that a power cut harms nothing, taken back.

There are two slots (firmware/README.md, EEPROM). The record in force is never touched while a new one is
written: that goes where the older one stands, its first byte last, so that it counts only once it is whole.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from daq.calibration import HEAD_SIZE, SLOT_ADDRESSES, Calibration, newest, record_size
from daq.errors import WorkError
from daq.messages import LONGEST_TRANSFER, Command, EepromBytes, EepromRead
from daq.pairs import MalformedError

Ask = Callable[[Command], bytes]
"""Carries out a command and gives its result; raises WorkError when the device refuses."""

_NOTHING = b"\xff"


def read_slots(ask: Ask) -> list[Calibration | None]:
    """What the two slots hold."""
    return [_record_at(ask, address) for address in SLOT_ADDRESSES]


def in_force(slots: list[Calibration | None]) -> Calibration | None:
    """The record that counts."""
    which = newest(slots)
    return None if which is None else slots[which]


def former(slots: list[Calibration | None]) -> Calibration | None:
    """The record that counts once that in force is taken back."""
    which = newest(slots)
    return None if which is None else slots[1 - which]


def write(ask: Ask, record: Calibration) -> Calibration:
    """Put `record` in force and give it as it stands in the EEPROM, with its sequence number.

    Raises WorkError when it cannot be read back; what was in force before is so still.
    """
    slots = read_slots(ask)
    which, known = newest(slots), in_force(slots)
    address = SLOT_ADDRESSES[0 if which is None else 1 - which]
    numbered = replace(record, sequence=(known.sequence + 1) & 0xFFFF if known else 1)
    data = numbered.encode()
    _put(ask, address, _NOTHING)
    for at in range(1, len(data), LONGEST_TRANSFER):
        _put(ask, address + at, data[at : at + LONGEST_TRANSFER])
    if _read(ask, address + 1, len(data) - 1) != data[1:]:
        raise WorkError("The logger did not keep the calibration: the former one is in force. Try once more.")
    _put(ask, address, data[:1])
    found = in_force(read_slots(ask))
    if found is None or found.encode() != data:
        raise WorkError(
            "The calibration cannot be read back: see whichside calibrate --show, and try once more."
        )
    return found


def undo(ask: Ask) -> Calibration | None:
    """Take back the record in force; gives the one that is now, None when the logger is uncalibrated then."""
    which = newest(read_slots(ask))
    if which is not None:
        _put(ask, SLOT_ADDRESSES[which], _NOTHING)
    return in_force(read_slots(ask))


def _put(ask: Ask, address: int, data: bytes) -> None:
    ask(EepromBytes(address, data))


def _read(ask: Ask, address: int, length: int) -> bytes:
    data = b""
    while len(data) < length:
        piece = EepromRead(address + len(data), min(LONGEST_TRANSFER, length - len(data)))
        got = EepromBytes.parse(ask(piece)).data
        if not got:
            raise WorkError(
                "The logger gives nothing of its EEPROM: unplug it, plug it in again, start anew."
            )
        data += got
    return data


def _record_at(ask: Ask, address: int) -> Calibration | None:
    size = record_size(_read(ask, address, HEAD_SIZE))
    if not size:
        return None
    try:
        return Calibration.decode(_read(ask, address, size))
    except MalformedError:
        return None
