"""The firmware's core on this computer (firmware/tests/host.c), built with sanitizers, order by order."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from daq.framing import Deframer
from daq.messages import Command, Message, Reply, parse_message
from daq.pairs import DataFrame
from tests.firmware.board import to_logger
from tests.firmware.host_program import HostProgram

EVERYTHING = 100_000


class State(NamedTuple):
    """What the core asked of its hardware."""

    bias: int
    sampling: bool
    interval: int
    eeprom_writes: int
    stored: int


class HostCore(HostProgram):
    """One process; `boot` makes it a freshly reset device (the EEPROM keeps)."""

    def __init__(self, compiler: str = "gcc") -> None:
        super().__init__(f"host-{compiler}", "talk")
        self.now_ms = 0
        self._deframer = Deframer()

    def boot(self, cause: int = 1) -> list[Message]:
        """Reset; gives the hello."""
        self.now_ms = 0
        self._deframer = Deframer()
        self.order(f"boot {cause}")
        return self.hear()

    def poll(self, after_ms: int = 0) -> None:
        self.now_ms += after_ms
        self.order(f"poll {self.now_ms}")

    def hear(self, most: int = EVERYTHING) -> list[Message]:
        """The messages completed by the next `most` bytes of the transmitter."""
        frames = self._deframer.push(bytes.fromhex(self.order(f"tx {most}")))
        assert self._deframer.damaged == 0
        return [parse_message(frame) for frame in frames]

    def say(self, data: bytes) -> None:
        """Bytes for the receiver; polls between pieces, as the main loop does."""
        for at in range(0, len(data), 64):
            self.order(f"rx {data[at : at + 64].hex()}")
            self.poll()

    def ask(self, command: Command, tag: int = 0) -> Reply:
        """The reply to a command, the only thing said meanwhile."""
        self.say(to_logger(command, first_tag=tag))
        (reply,) = self.hear()
        assert isinstance(reply, Reply)
        assert reply.tag == tag
        return reply

    def convert(self, codes: Iterable[int]) -> None:
        """Conversions, lead 1 first."""
        self.order("take " + " ".join(map(str, codes)))

    def state(self) -> State:
        bias, sampling, interval, writes, stored = map(int, self.order("state").split())
        return State(bias, bool(sampling), interval, writes, stored)


def data_in(messages: Iterable[Message]) -> list[DataFrame]:
    return [m for m in messages if isinstance(m, DataFrame)]
