"""The simulated board (firmware/simulator): the real firmware, its leads and its serial line in our hands."""

from __future__ import annotations

import fcntl
import functools
import json
import struct
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from daq.framing import Deframer, crc16
from daq.messages import Command, Heartbeat, Message, Reply, encode_message, parse_message
from daq.pairs import DataFrame
from daq.results import Identity

FIRMWARE = Path(__file__).parents[2] / "firmware"
BUILD = FIRMWARE / "build"
CLOCK_HZ = 16_000_000
ORDER_TIMEOUT_S = 5.0


@functools.cache
def build() -> Path:
    """Build image, host programs and simulated board once; gives the directory they are in.

    One worker at a time: a second make would use, or write again, what the first one has half written.
    """
    with (FIRMWARE / "Makefile").open() as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        made = subprocess.run(
            ["make", "--silent", "-j2", "-C", str(FIRMWARE)], capture_output=True, text=True, check=False
        )
    assert made.returncode == 0, made.stdout + made.stderr
    return BUILD


def to_logger(*commands: Command, first_tag: int = 0) -> bytes:
    """The commands as bytes, an empty frame before them; tags count on from `first_tag`."""
    frames = (encode_message(command, first_tag + i) for i, command in enumerate(commands))
    return b"\0" + b"".join(frames)


def write_leads(path: Path, time_s: npt.ArrayLike, lead1_v: npt.ArrayLike, lead2_v: npt.ArrayLike) -> Path:
    """A recording for the leads, in the board's binary form; gives its path, which ends in .f64."""
    target = path.with_suffix(".f64")
    np.stack([np.asarray(v, dtype="<f8") for v in (time_s, lead1_v, lead2_v)], axis=1).tofile(target)
    return target


def settings_record(baud_code: int, serial_number: str = "") -> bytes:
    """The device's settings as they stand at the beginning of its EEPROM (firmware/README.md)."""
    body = struct.pack("<BB12s", 1, baud_code, serial_number.encode("ascii"))
    return body + crc16(body).to_bytes(2, "big")


@dataclass
class Heard:
    """What the logger said, and what the simulator measured meanwhile."""

    sent: bytes
    facts: Mapping[str, Any]
    messages: list[Message] = field(init=False)
    sequences: list[int] = field(init=False)
    damaged: int = field(init=False)

    def __post_init__(self) -> None:
        deframer = Deframer()
        frames = deframer.push(self.sent)
        self.messages = [parse_message(frame) for frame in frames]
        self.sequences = [frame.sequence for frame in frames]
        self.damaged = deframer.damaged

    @property
    def hellos(self) -> list[Identity]:
        return [m for m in self.messages if isinstance(m, Identity)]

    @property
    def data(self) -> list[DataFrame]:
        return [m for m in self.messages if isinstance(m, DataFrame)]

    @property
    def heartbeats(self) -> list[Heartbeat]:
        return [m for m in self.messages if isinstance(m, Heartbeat)]

    def reply(self, tag: int) -> Reply:
        """The one reply with this tag."""
        (found,) = [m for m in self.messages if isinstance(m, Reply) and m.tag == tag]
        return found

    def indices(self) -> npt.NDArray[np.int64]:
        """The index of every pair of data, in the order they came."""
        spans = [np.arange(frame.first, frame.first + len(frame.counts)) for frame in self.data]
        return np.concatenate(spans) if spans else np.zeros(0, dtype=np.int64)

    def counts(self) -> npt.NDArray[np.int32]:
        return np.concatenate([frame.counts for frame in self.data])


class Script:
    """Orders in simulated time, then `run`: the same bytes every time."""

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        self._orders: list[tuple[float, str]] = []

    def order(self, at_s: float, order: str) -> Self:
        self._orders.append((at_s, order))
        return self

    def send(self, at_s: float, *commands: Command, tag: int = 0) -> Self:
        return self.order(at_s, f"send {to_logger(*commands, first_tag=tag).hex()}")

    def run(self, until_s: float, **options: str | float | Path) -> Heard:
        """Run the board; `options` are those of the program, with _ for -."""
        script = self._directory / "orders"
        facts = self._directory / "facts.json"
        self.order(until_s, "end")
        lines = [f"{at:.9f} {order}\n" for at, order in sorted(self._orders, key=lambda line: line[0])]
        script.write_text("".join(lines))
        arguments = _arguments({"script": script, "facts": facts, **options})
        ran = subprocess.run(arguments, capture_output=True, check=False, timeout=60)
        assert ran.returncode == 0, ran.stderr.decode()
        return Heard(ran.stdout, json.loads(facts.read_text()))


def _arguments(options: Mapping[str, str | float | Path | bool]) -> Sequence[str]:
    arguments = [str(build() / "board"), "--elf", str(build() / "whichside.elf")]
    for name, value in options.items():
        arguments.append("--" + name.replace("_", "-"))
        if value is not True:
            arguments.append(str(value))
    return arguments


class Board:
    """The board on a pty: `with Board(directory, circuit="lead1=feed") as board: ... board.port`.

    `options` are those of the program, with _ for - and True for those without a value; `fast=True` runs as
    fast as possible instead of in real time. `facts` are there after the end.
    """

    def __init__(self, directory: Path, **options: str | float | Path | bool) -> None:
        self.port = str(directory / "logger")
        self.facts: Mapping[str, Any] = {}
        self._facts = directory / "board.json"
        self._errors = directory / "board.err"
        self._arguments = _arguments({"pty": self.port, "facts": self._facts, **options})

    def __enter__(self) -> Self:
        with self._errors.open("w") as errors:
            self._process = subprocess.Popen(
                self._arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, text=True
            )
        assert self._process.stdout is not None
        assert self._process.stdout.readline() == "ready\n", self._errors.read_text()
        return self

    def order(self, order: str) -> None:
        """One of the orders in firmware/simulator/orders.h, at once."""
        assert self._process.stdin is not None
        self._process.stdin.write(order + "\n")
        self._process.stdin.flush()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()  # the end of its orders is the board's end
        try:
            code = self._process.wait(ORDER_TIMEOUT_S)
        finally:
            self._process.kill()
            self._process.wait()
            self._process.stdout.close()
        if kind is None:
            assert code == 0, self._errors.read_text()
            self.facts = json.loads(self._facts.read_text())
