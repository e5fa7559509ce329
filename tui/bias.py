"""The bias key: what may be put on the leads now, and in what order the key offers it.

A whisper moves a free lead and no connected one, so it may be used at any time, and is on from the start.
Up and down go through about 10 kΩ: only while the user says that the load is unplugged.
"""

from __future__ import annotations

from collections.abc import Set

from daq.samples import Bias
from daq.source import Capability, SetBias

OFF = SetBias(Bias.OFF, Bias.OFF)
WHISPER = SetBias(Bias.WHISPER, Bias.WHISPER)
_UNPLUGGED = (
    SetBias(Bias.UP, Bias.OFF),
    SetBias(Bias.OFF, Bias.UP),
    SetBias(Bias.DOWN, Bias.OFF),
    SetBias(Bias.OFF, Bias.DOWN),
)


def following(now: SetBias, plug: str, can: Set[Capability]) -> SetBias:
    """What the key gives after `now`."""
    offered = (
        *((WHISPER,) if Capability.WHISPER in can else ()),
        OFF,
        *(_UNPLUGGED if plug == "out" and Capability.BIAS in can else ()),
    )
    at = offered.index(now) if now in offered else -1
    wanted: SetBias = offered[(at + 1) % len(offered)]
    return wanted


def at_rest(can: Set[Capability]) -> SetBias:
    """What stands on the leads while nothing special is asked for."""
    return WHISPER if Capability.WHISPER in can else OFF


def strong(bias: SetBias) -> bool:
    return bias in _UNPLUGGED


def name(bias: SetBias) -> str:
    """'off', 'whisper', 'up on lead 1'."""
    for lead, kind in enumerate((bias.lead1, bias.lead2), start=1):
        if kind in (Bias.UP, Bias.DOWN):
            return f"{kind.name.lower()} on lead {lead}"
    return bias.lead1.name.lower()
