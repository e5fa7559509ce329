"""What was seen of the circuit's states: plain records that the reasoning is given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from daq.findings import LoadState
from daq.samples import Bias

NO_BIAS = (Bias.OFF, Bias.OFF)


@dataclass(frozen=True, slots=True)
class SeenState:
    """A state of the plugged-in circuit with its levels, V.

    `control` is "on", "off" or "other" where the user marked it, None where only the levels tell; `load` is
    what the levels tell: forward or reverse, off, unknown.
    """

    control: str | None
    load: LoadState
    volts: tuple[float, float]
    error_v: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Held:
    """Read while the load's connector was apart, V; `control` as marked, None where nobody said."""

    volts: tuple[float, float]
    error_v: tuple[float, float]
    control: str | None
    bias: tuple[Bias, Bias] = NO_BIAS


@dataclass(frozen=True, slots=True)
class Seen:
    """Everything that is there to reason about.

    Attributes:
        usual: the polarity in which the load was on for longest.
        checked_source_v: battery positive as the lead check read it.
        broken: levels while a fault that came and went kept the load off; None where none was seen.
        drew_current: what followed the switching is that of a lamp, a coil or a motor: it was not open.
        reference_proven: leads and reference were proven, and the reference was not lost since.
    """

    states: tuple[SeenState, ...]
    held: tuple[Held, ...] = ()
    usual: LoadState = LoadState.FORWARD
    checked_source_v: float | None = None
    reference_proven: bool = False
    broken: SeenState | None = None
    drew_current: bool = False

    @property
    def marked(self) -> frozenset[str]:
        """The positions of the control that the user marked, with levels to each."""
        told = [s.control for s in self.states] + [h.control for h in self.held]
        return frozenset(control for control in told if control is not None)


Look = Callable[[], Seen]
"""Works out what was seen when it is asked for: most pictures do not need it."""
