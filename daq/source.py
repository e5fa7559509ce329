"""SampleSource: the one shape of live serial, bench, text file and capture.

A source is iterated by one thread (the session's worker). `command` may be called from any thread and
returns at once; its effect shows up in the log as a Change or a new Layout. Iteration ends when the
recording ends or after `close()`; a device that is lost for good raises DeviceError from the iterator.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from daq.samples import Bias, DeviceInfo, Item


class Capability(Enum):
    WHISPER = "whisper"  # answers SetBias with the whisper
    BIAS = "bias"  # answers SetBias with up and down
    RATE = "rate"  # answers SetRate
    OPERATE = "operate"  # a bench: the control, plug and leads can be moved from the keyboard
    FINITE = "finite"  # ends by itself (captures and text files)


@dataclass(frozen=True, slots=True)
class SetBias:
    lead1: Bias
    lead2: Bias


@dataclass(frozen=True, slots=True)
class SetRate:
    pairs_per_second: float


@dataclass(frozen=True, slots=True)
class Operate:
    """A hand on the bench: `what` is one of control, plug, lead 1, lead 2, reference, light, key,
    neighbour, fault; `to` is on/off, in/out, on pin/off pin/on positive/on negative, ..."""

    what: str
    to: str


Command = SetBias | SetRate | Operate


class SampleSource(Protocol):
    """What the session needs from anything that yields samples."""

    @property
    def info(self) -> DeviceInfo: ...

    @property
    def capabilities(self) -> frozenset[Capability]: ...

    def __iter__(self) -> Iterator[Item]: ...

    def command(self, command: Command) -> None:
        """Ask the device for something; raises CommandError when it cannot do that at all."""
        ...

    def close(self) -> None:
        """Stop; idempotent, callable from any thread."""
        ...
