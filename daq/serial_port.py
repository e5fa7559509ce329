"""The serial port: the only module that imports pyserial, termios and fcntl.

A private thread reads, stamps and queues; it never parses. Ports are listed without opening them (opening
resets other people's boards); a port is opened for this program alone.
"""

from __future__ import annotations

import errno
import os
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import serial
from serial.tools import list_ports as pyserial_ports

from daq.byte_queue import LIMIT_BYTES, ByteQueue
from daq.errors import CommandError, DeviceError, WhichsideError, WorkError
from daq.logger_source import Arrival, LineLostError, LoggerSource
from daq.remembered import UsbIdentity, recall, remember
from daq.sampling_plan import DEFAULT_RATE_HZ

try:
    import fcntl
    import termios

    _POSIX_ERRORS: tuple[type[Exception], ...] = (termios.error,)
except ImportError:  # Windows: its ports are exclusive anyway
    _POSIX_ERRORS = ()

BAUD_RATES = (115_200, 500_000, 1_000_000)
DEFAULT_BAUD = 500_000

# termios.error is no OSError; a port closed under a call shows as TypeError from pyserial's select.
PORT_ERRORS: tuple[type[Exception], ...] = (serial.SerialException, OSError, TypeError, *_POSIX_ERRORS)
OPEN_ERRORS: tuple[type[Exception], ...] = (*PORT_ERRORS, ValueError)

GATHER_S = 0.02
"""Pause between two reads: a frame comes every 8 ms at 4000 pairs a second, and waking two threads for each
costs more than all that is done with it. In this time 2 kB come at the fastest, half of what a port's own
buffer holds."""

READ_TIMEOUT_S = 0.1
WRITE_TIMEOUT_S = 1.0
JOIN_S = 2.0


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A port as the system lists it."""

    device: str
    description: str
    usb: UsbIdentity | None  # None for a port that is no USB adapter

    def to_json(self) -> dict[str, str | None]:
        usb = self.usb
        return {
            "device": self.device,
            "description": self.description,
            "usb": f"{usb.vid:04x}:{usb.pid:04x}" if usb else None,
            "serial_number": usb.serial_number if usb else None,
        }


def list_ports() -> list[PortInfo]:
    """The ports there are, USB adapters first. Opens none; may take seconds on some systems."""
    found = [
        PortInfo(port.device, _about(port.description), _usb_of(port)) for port in pyserial_ports.comports()
    ]
    return sorted(found, key=lambda port: (port.usb is None, port.device))


def _about(description: str | None) -> str:
    return "" if description in (None, "n/a") else str(description)


def _usb_of(port: object) -> UsbIdentity | None:
    vid, pid = getattr(port, "vid", None), getattr(port, "pid", None)
    if vid is None or pid is None:
        return None
    return UsbIdentity(vid, pid, getattr(port, "serial_number", None), getattr(port, "location", None))


def remembered_port() -> str | None:
    """The port that the remembered logger is on now; None when there is none, it is not attached, or nothing
    tells its adapter from another that is."""
    adapter = recall()
    matching = [] if adapter is None else _ports_of(adapter)
    return matching[0] if len(matching) == 1 else None


def _ports_of(adapter: UsbIdentity) -> list[str]:
    return [port.device for port in list_ports() if port.usb and adapter.matches(port.usb)]


def open_port(device: str, baud: int) -> serial.Serial:
    """Open for this program alone; raises DeviceError or WorkError with what to do."""
    try:
        port = serial.Serial(
            device, baud, timeout=READ_TIMEOUT_S, write_timeout=WRITE_TIMEOUT_S, exclusive=True
        )
    except OPEN_ERRORS as error:
        raise _why_not(device, error) from error
    try:
        if os.name == "posix":
            # pyserial's exclusive is an advisory lock: a plain open elsewhere would steal bytes.
            fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
    except PORT_ERRORS as error:
        port.close()
        raise _why_not(device, error) from error
    return port


def _why_not(device: str, error: BaseException) -> WhichsideError:
    number = _number_of(error)
    if number in (errno.ENOTTY, errno.EISDIR, errno.EINVAL):
        return DeviceError(f"{device} is no serial port: choose another (whichside ports lists them).")
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or isinstance(error, FileNotFoundError):
        named = device or repr(device)
        return DeviceError(f"There is no port {named}: plug the logger in (whichside ports lists them).")
    if number in (errno.EBUSY, errno.EAGAIN) or (sys.platform == "win32" and "denied" in str(error)):
        return WorkError(f"{device} is in use by another program: close that one and start again.")
    if number in (errno.EACCES, errno.EPERM):
        return WorkError(f"No rights to open {device}: {_how_to_get_rights(device)}")
    return DeviceError(f"{device} cannot be used as a serial port ({error}): choose another.")


def _number_of(error: BaseException) -> int | None:
    """The system's error number; pyserial hides that of termios in the text of its own."""
    number = getattr(error, "errno", None)
    hidden = error.__context__.args[:1] if number is None and error.__context__ is not None else ()
    return hidden[0] if hidden and isinstance(hidden[0], int) else number


def _how_to_get_rights(device: str) -> str:
    try:
        group = Path(device).group()
    except (OSError, KeyError):
        group = "dialout"
    if group in ("root", "nogroup"):
        return 'it belongs to root alone; have its owner allow it, or add a udev rule with GROUP="dialout".'
    return f'it belongs to the group "{group}"; run  sudo usermod -aG {group} $USER  and log in again.'


class SerialConnection:
    """An open port with its reader thread."""

    def __init__(self, device: str, baud: int, queue_bytes: int = LIMIT_BYTES) -> None:
        self.port = device
        self._queue = ByteQueue(queue_bytes)
        self._stop = threading.Event()
        self._serial = open_port(device, baud)
        self._thread = threading.Thread(target=self._read_on, name=f"whichside-reader {device}", daemon=True)
        self._thread.start()

    def read(self, timeout_s: float) -> Arrival | None:
        return self._queue.take(timeout_s)

    def write(self, data: bytes) -> None:
        try:
            self._serial.write(data)
        except PORT_ERRORS as error:
            raise LineLostError(str(error)) from error

    def close(self) -> None:
        self._stop.set()
        self._thread.join(JOIN_S)

    def _read_on(self) -> None:
        """Read, stamp, queue; closes the port in the end, at once when it is lost: a handle that is kept
        makes the device come back under another name."""
        port = self._serial
        try:
            while not self._stop.is_set():
                # At least one byte with a finite wait, then all there is: a large fixed size would lose the
                # tail when the device vanishes, single bytes cost a quarter of a core.
                data = port.read(port.in_waiting or 1)
                if data:
                    self._queue.put(data, time.perf_counter_ns())
                    self._stop.wait(GATHER_S)
        except PORT_ERRORS as error:
            self._queue.end(error)
        else:
            self._queue.end(LineLostError("closed"))
        finally:
            self._close_port()

    def _close_port(self) -> None:
        try:
            self._serial.close()
        except PORT_ERRORS as error:
            self._queue.end(error)


class SerialConnector:
    """Opens a port, and finds the same adapter again after it was unplugged."""

    def __init__(self, device: str, baud: int = DEFAULT_BAUD, queue_bytes: int = LIMIT_BYTES) -> None:
        if baud not in BAUD_RATES:
            raise CommandError(
                f"{baud} baud is not one of {', '.join(map(str, BAUD_RATES))}: choose one of them."
            )
        self.port, self.baud = device, baud
        self.adapter: UsbIdentity | None = None
        self._queue_bytes = queue_bytes

    def connect(self) -> SerialConnection:
        connection = SerialConnection(self.port, self.baud, self._queue_bytes)
        real = os.path.realpath(self.port)
        self.adapter = next((port.usb for port in list_ports() if port.device in (self.port, real)), None)
        return connection

    def find_again(self) -> SerialConnection | None:
        """By the adapter's identity; a port without one by its name. Whether it is the same logger is told
        by its serial number, or its mark, in the conversation that follows."""
        if self.adapter is not None:
            matching = _ports_of(self.adapter)
        else:
            matching = [self.port] if os.name != "posix" or Path(self.port).exists() else []
        if not matching:
            return None
        device = self.port if self.port in matching else matching[0]
        return SerialConnection(device, self.baud, self._queue_bytes)


class SerialSource(LoggerSource):
    """A logger on a serial port, as a SampleSource; waits up to 5 s for it. See LoggerSource for errors."""

    def __init__(
        self,
        port: str,
        rate_hz: float = DEFAULT_RATE_HZ,
        baud: int = DEFAULT_BAUD,
        whisper: bool = True,
        turn_s: float = 0.0,
    ) -> None:
        connector = SerialConnector(port, baud)
        super().__init__(connector, rate_hz, whisper, turn_s)
        if connector.adapter is not None:
            remember(connector.adapter)
