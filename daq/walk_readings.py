"""The readings of a walk: the first, those that were wanted with what was seen, those taken again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from daq.offered_tests import kind
from daq.readings import At, Levels, Reading, State, Working
from daq.samples import Bias
from daq.source import SetBias
from daq.stillness import Look
from daq.walk_here import QUIET
from daq.walk_moves import MOVED_LEAD, aid_for


def first(plain: Levels) -> Reading:
    return Reading(State(), plain, logged=True)


_KINDS = {"up": Bias.UP, "down": Bias.DOWN, "whisper": Bias.WHISPER, None: Bias.OFF}


def bias_for(wanted: Reading, plugged: bool, rest: SetBias) -> SetBias:
    """What is on the leads while it is read; a place or an aid is read with nothing on them."""
    what = wanted.what
    if isinstance(what, Levels) and what.driven and not plugged:
        return SetBias(_KINDS[what.bias[0]], _KINDS[what.bias[1]])
    return QUIET if isinstance(what, At) or aid_for(wanted) else rest


def plainly_first(asks: Reading, plain: Levels, taken: Sequence[Reading]) -> Reading:
    """Unplugged, both leads are read before anything drives one of them: a load that is still plugged in
    shows there, and nowhere else without doubt."""
    if asks.state.plugged or isinstance(asks.what, At | Working):
        return asks
    first_of_all = replace(asks, what=plain)
    return asks if kind(first_of_all) in map(kind, taken) else first_of_all


def filled(wanted: Reading, look: Look) -> Reading:
    """What was wanted, with what was seen."""
    volts, what = look.levels, wanted.what
    of_pulses = look.on_v is not None and volts == look.on_v  # the median's error says nothing there
    error_v = (0.0, 0.0) if of_pulses else look.error_v
    if isinstance(what, At):
        return replace(wanted, what=replace(what, volts=volts[MOVED_LEAD - 1]), logged=True)
    assert isinstance(what, Levels)
    return replace(wanted, what=replace(what, volts=volts, error_v=error_v), logged=True)


def can_be_again(reading: Reading) -> bool:
    """A jumper that was safe across a broken circuit may stand across the supply of a mended one; who could
    not tell what the load does still cannot. What it does alone, it does plugged in to a sound circuit."""
    what = reading.what
    if isinstance(what, Working):
        return not (what.alone or what.unheard)
    return what.place != "source" if isinstance(what, At) else not (isinstance(what, Levels) and what.aided)
