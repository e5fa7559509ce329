"""Asking a logger who it is and for what its counts mean, before each run. Pure: requests in, a record out.

After identify: the mark that stands in for a serial number, the standing bias, both calibration slots, the
supply. `Setup` adds the requests one after the other and calls `done` with what it has found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from daq.calibration import (
    MARK_ADDRESS,
    MARK_SIZE,
    SLOT_ADDRESSES,
    Calibration,
    encode_mark,
    newest,
    nominal_bandgap_v,
    record_size,
    supply_factor,
    valid_mark,
)
from daq.errors import OtherLoggerError, OtherVersionError
from daq.messages import LONGEST_TRANSFER, BiasState, EepromBytes, EepromRead, Reply, Status, Supply
from daq.pairs import MalformedError
from daq.requests import Requests
from daq.results import PROTOCOL_VERSION, Identity, SupplySum, protocol_version

MOST_SUPPLY_MOVED = 0.05
"""Further from the supply at calibration than this, one of the two was not in order."""

SUPPLY_MOVED = ", {:+.0f} % since calibration: check its cable, then calibrate again"


@dataclass(frozen=True, slots=True)
class Known:
    """A logger that is set up.

    Attributes:
        mark: what tells a logger without a serial number from others; empty where it has one, or keeps none.
        supply_sum: what it answered to Supply; 0 where it cannot tell.
    """

    identity: Identity
    mark: bytes = b""
    calibration: Calibration | None = None
    supply_sum: int = 0

    @property
    def supply_v(self) -> float | None:
        """The chip's supply as it says itself, V."""
        if not self.supply_sum:
            return None
        nominal_v = nominal_bandgap_v(self.identity.board)
        bandgap_v = self.calibration.bandgap_v if self.calibration else nominal_v
        return SupplySum(self.supply_sum).supply_v(bandgap_v)

    def supply_line(self) -> str:
        """'supply 5.02 V', and how far it has moved where that is much; empty where unknown."""
        if self.supply_v is None:
            return ""
        moved = supply_factor(self.calibration, self.supply_sum) - 1 if self.calibration else 0.0
        much = SUPPLY_MOVED.format(100 * moved) if abs(moved) > MOST_SUPPLY_MOVED else ""
        return f"supply {self.supply_v:.2f} V{much}"


class Setup:
    """One logger being set up; `before` is the one that the recording began with, if there was one.

    `fresh_mark` is written into a logger that has neither serial number nor mark, unless there was one
    before. `replugged`: the line was lost in between, so that another logger may be on it now.
    """

    def __init__(
        self, requests: Requests, port: str, fresh_mark: bytes, done: Callable[[Known], None]
    ) -> None:
        self._requests, self._port, self._fresh_mark, self._done = requests, port, fresh_mark, done
        self._mark = b""
        self._records: list[Calibration | None] = []

    def begin(self, identity: Identity, bias: BiasState, before: Known | None, replugged: bool) -> None:
        """Ask on; raises OtherLoggerError here or from a later answer."""
        self._identity, self._bias, self._before, self._replugged = identity, bias, before, replugged
        if before is not None and identity.serial_number != before.identity.serial_number:
            raise OtherLoggerError(
                f"Logger {_named(identity)} answers on {self._port}, not {_named(before.identity)}: plug in "
                "the right one."
            )
        if identity.serial_number:
            self._read_on()
        else:
            self._requests.add(EepromRead(MARK_ADDRESS, MARK_SIZE), self._mark_came)

    def _mark_came(self, reply: Reply, sent_ns: int) -> None:
        found = EepromBytes.parse(reply.result).data if reply.status == Status.DONE else b""
        mark = found if valid_mark(found) else b""
        before = self._before
        if before is None and not mark:
            written = encode_mark(self._fresh_mark)
            self._requests.add(EepromBytes(MARK_ADDRESS, written), partial(self._mark_written, written))
            return
        if before is not None and mark != before.mark:
            raise OtherLoggerError(
                f"Another logger without serial number answers on {self._port} than the one that the "
                "recording began with: plug that one in there."
            )
        if before is not None and not mark and self._replugged:
            raise OtherLoggerError(
                f"The logger on {self._port} has no serial number and its memory keeps no mark, so nothing "
                "tells whether it is the one that the recording began with: begin a new recording."
            )
        self._mark = mark
        self._read_on()

    def _mark_written(self, written: bytes, reply: Reply, sent_ns: int) -> None:
        self._mark = written if reply.status == Status.DONE else b""
        self._read_on()

    def _read_on(self) -> None:
        self._requests.add(self._bias, _ignore)
        self._read_calibration(b"", LONGEST_TRANSFER)

    def _read_calibration(self, before: bytes, length: int) -> None:
        address = SLOT_ADDRESSES[len(self._records)] + len(before)
        self._requests.add(EepromRead(address, length), partial(self._calibration_came, before))

    def _calibration_came(self, before: bytes, reply: Reply, sent_ns: int) -> None:
        record = before
        if reply.status == Status.DONE:
            record += EepromBytes.parse(reply.result).data
        size = record_size(record)
        if len(before) < len(record) < size:
            self._read_calibration(record, min(LONGEST_TRANSFER, size - len(record)))
            return
        try:
            self._records.append(Calibration.decode(record[:size]))
        except MalformedError:
            self._records.append(None)
        if len(self._records) < len(SLOT_ADDRESSES):
            self._read_calibration(b"", LONGEST_TRANSFER)
        else:
            self._requests.add(Supply(), self._supply_came)

    def _supply_came(self, reply: Reply, sent_ns: int) -> None:
        which = newest(self._records)
        calibration = None if which is None else self._records[which]
        supply_sum = SupplySum.parse(reply.result).sum if reply.status == Status.DONE else 0
        self._done(Known(self._identity, self._mark, calibration, supply_sum))


def check_version(identity: bytes, port: str) -> None:
    """Raise OtherVersionError where `identity`, as it came, is of another protocol version."""
    version = protocol_version(identity)
    if version != PROTOCOL_VERSION:
        newer = "update this program, or " if version > PROTOCOL_VERSION else ""
        raise OtherVersionError(
            f"The firmware of the logger on {port} speaks protocol version {version}, this program "
            f"speaks {PROTOCOL_VERSION}: {newer}put the firmware on it that came with this program "
            f"(whichside flash --port {port})."
        )


def _named(identity: Identity) -> str:
    return identity.serial_number or "without serial number"


def _ignore(reply: Reply, sent_ns: int) -> None:
    """The answer itself says enough."""
