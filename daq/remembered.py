"""The logger that answered last, so that the next start opens it without asking.

A tiny JSON file in the platform's configuration directory. Only USB adapters are remembered: a bare port
name says nothing about what hangs on it. A file that cannot be read or written is as good as none.
"""

from __future__ import annotations

import contextlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import platformdirs


@dataclass(frozen=True, slots=True)
class UsbIdentity:
    """What tells one USB serial adapter from another, wherever it is plugged in."""

    vid: int
    pid: int
    serial_number: str | None
    location: str | None  # bus and sockets, with the interface number; tells adapters without number apart

    def matches(self, other: UsbIdentity) -> bool:
        """The same adapter: by its serial number, else by the socket it is in."""
        if (self.vid, self.pid, self.serial_number) != (other.vid, other.pid, other.serial_number):
            return False
        if self.serial_number is None:
            return self.location == other.location
        return self.interface == other.interface

    @property
    def interface(self) -> str:
        """The interface number within the device ("1.0" in "1-2:1.0"); one device may have several ports."""
        return (self.location or "").partition(":")[2]


def remembered_file() -> Path:
    return Path(platformdirs.user_config_dir("whichside", appauthor=False)) / "logger.json"


def recall() -> UsbIdentity | None:
    """The remembered logger's adapter; None when there is none or the file says nothing usable."""
    try:
        known: dict[str, Any] = json.loads(remembered_file().read_text("utf-8"))
        return UsbIdentity(
            int(known["vid"]), int(known["pid"]), _text(known["serial_number"]), _text(known["location"])
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def remember(adapter: UsbIdentity) -> None:
    """Keep `adapter` for the next start; a disk that refuses is no reason to stop measuring."""
    path = remembered_file()
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(asdict(adapter)) + "\n", "utf-8")


def _text(value: object) -> str | None:
    return None if value is None else str(value)
