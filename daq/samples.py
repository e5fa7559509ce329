"""What flows through the house: Block | Gap | Change, the one ordered log.

Samples stay integer counts from the converter to the analysis, so that sums are exact and the answer
cannot depend on how a stream was chunked; volts appear at the edge, with their uncertainty.

The sample index is dense: it counts the pairs that exist. Time that was lost is a `Gap` between two
indices, never a hole in the numbering.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, IntFlag

import numpy as np
import numpy.typing as npt

Counts = npt.NDArray[np.int32]  # (n, 2): lead 1, lead 2
Volts = npt.NDArray[np.float64]


class Bias(Enum):
    """What the logger puts on a lead while it reads (ids as on the wire)."""

    OFF = 0
    WHISPER = 1  # about 1 MΩ: moves a free lead and no connected one; harmless while plugged in
    UP = 2  # 5 V through about 10 kΩ: unplugged only
    DOWN = 3  # 0 V through about 10 kΩ: unplugged only


class BlockFlag(IntFlag):
    """What the device says of the pairs missing just before a block; those in it are as they should be."""

    NONE = 0
    MISSED_TRIGGER = 1  # of those missing, at least one was never converted
    OVERFLOW = 2  # the device dropped pairs: its buffer was full, or a trigger was missed


@dataclass(frozen=True, slots=True)
class Scale:
    """How counts become volts, per lead: ``volts = counts * volts_per_count + offset_v``.

    Attributes:
        volts_per_count: V per count, (lead 1, lead 2).
        offset_v: V at count 0.
        skew_s: when each lead is sampled after the pair's nominal time, s.
        lowest, highest: counts at which the converter saturates; None where unknown (text files).
        offset_error_v: standard uncertainty of the zero, V.
        gain_error: relative standard uncertainty of the gain.
        calibrated: False while the figures are nominal.
    """

    volts_per_count: tuple[float, float]
    offset_v: tuple[float, float] = (0.0, 0.0)
    skew_s: tuple[float, float] = (0.0, 0.0)
    lowest: tuple[int, int] | None = None
    highest: tuple[int, int] | None = None
    offset_error_v: tuple[float, float] = (0.0, 0.0)
    gain_error: tuple[float, float] = (0.0, 0.0)
    calibrated: bool = False

    def volts(self, counts: npt.NDArray[np.integer] | npt.NDArray[np.floating]) -> Volts:
        """Volts of an (n, 2) array of counts (or of mean counts)."""
        per_count = np.asarray(self.volts_per_count, dtype=np.float64)
        volts: Volts = np.multiply(counts, per_count) + np.asarray(self.offset_v, dtype=np.float64)
        return volts

    def uncertainty_v(self, lead: int, volts: float) -> float:
        """Standard uncertainty of the calibration at `volts` on lead index 0 or 1 (noise not included)."""
        return float(np.hypot(self.offset_error_v[lead], self.gain_error[lead] * abs(volts)))


@dataclass(frozen=True, slots=True)
class Layout:
    """What every sample of a block has in common. A new layout starts a new segment."""

    rate_hz: float  # pairs per second
    scale: Scale
    bias: tuple[Bias, Bias] = (Bias.OFF, Bias.OFF)
    ranges: tuple[int, int] = (0, 0)  # front-end range ids; 0 is the full span


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Consecutive pairs. `counts` is read-only by agreement: sources give it away, nobody writes to it.

    A live source gives an empty one now and then while nothing comes, so that whoever iterates gets a turn.
    """

    first: int  # dense index of the first pair
    counts: Counts
    layout: Layout
    flags: BlockFlag = BlockFlag.NONE

    @property
    def end(self) -> int:
        return self.first + len(self.counts)

    def part(self, begin: int, end: int) -> Block:
        """Pairs `begin` to `end` - 1, both inside. What the flags tell of came before the first pair only."""
        if (begin, end) == (self.first, self.end):
            return self
        flags = self.flags if begin == self.first else BlockFlag.NONE
        return Block(begin, self.counts[begin - self.first : end - self.first], self.layout, flags)


@dataclass(frozen=True, slots=True)
class Gap:
    """Time without samples, before the pair with index `sample`.

    `pairs` is the exact number lost where the device counted it, else None; `seconds` is how long it
    lasted, known to `uncertainty_s` (host clock after a replug, exact index jump otherwise).
    """

    sample: int
    seconds: float
    uncertainty_s: float
    pairs: int | None
    reason: GapReason


class GapReason(Enum):
    OVERFLOW = "overflow"  # the logger itself dropped pairs: its buffer was full, or a trigger was missed
    DAMAGED = "damaged"  # bytes arrived broken and were left out
    UNREAD = "unread"  # this computer did not read in time
    UNPLUGGED = "unplugged"  # the cable or the logger was away
    RESTARTED = "restarted"  # the logger started anew
    SLEPT = "slept"  # this computer slept
    RATE = "rate"  # the sample rate or layout was changed
    MISSING = "missing"  # a capture lost a block


class Origin(Enum):
    USER = "user"
    DEVICE = "device"


class ChangeKind(Enum):
    """What can change beside the voltages. The comment gives the values allowed."""

    PLUG = "plug state"  # "in", "out", "unknown": the load's connector
    MARK = "control mark"  # "on", "off": the user switched it; "other": the other direction
    EXPECT = "expectation"  # "switching", "steady", "automatic", "unknown"
    BIAS = "bias"  # "off off", "whisper whisper", "up off", ...: as the device confirmed it
    LEAD_CHECK = "lead check"  # "start", "wiggled", "skip" (this step), "stop"; "failed": restated
    CLEAR = "clear evidence"  # ""
    SETTING = "setting"  # "name=value"; `BASELINE`: the last minute is what is normal
    NOTE = "note"  # free text, a labelled mark
    DEVICE = "device"  # what the logger reports: "hello boot=… cause=…", "supply 5.02 V"


BASELINE = "baseline=here"


@dataclass(frozen=True, slots=True)
class Change:
    """Something the user or the device did; applies before the pair with index `sample`.

    `at_s` is the moment the user means, in seconds from the first sample, where it differs from the
    sample's own time (people are off by half a second); None elsewhere.
    """

    sample: int
    origin: Origin
    kind: ChangeKind
    value: str = ""
    at_s: float | None = None


Item = Block | Gap | Change

LOGGER_AWAY, LOGGER_SILENT, OTHER_LOGGER = "logger away", "logger silent", "other logger"
"""Values of a DEVICE change: no samples come until the next block that holds some. With OTHER_LOGGER
another one is in its place, and is not measured with."""


NOMINAL = "nominal"
"""In place of a calibration's date where there is none."""


@dataclass(frozen=True, slots=True)
class DeviceInfo:
    """Who is measuring; stored with a capture and shown on screen."""

    name: str  # "whichside logger", "bench: brake lamp", "text file"
    serial_number: str = ""
    firmware: str = ""
    port: str = ""
    details: Mapping[str, str] = field(default_factory=dict)

    @property
    def nominal(self) -> bool:
        """A logger that was never calibrated."""
        return self.details.get("calibration") == NOMINAL
