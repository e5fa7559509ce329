"""What other loads on a shared wire do to an off part, and a lead that comes off its pin: told by the current
that the ground side shows (Ohm's law)."""

from __future__ import annotations

from daq.crossings import UV
from daq.evidence import OffKind
from daq.labels import Label, Scale
from daq.switching import Part

RESIDUE_OF_D = 0.12
MUCH_OF_D = 0.6  # of the load's voltage: more than a leaking driver leaves on a string of diodes
FADES = 0.05  # of it: a motor that coasts, a capacitor
PULLED = 0.06  # of source
CURRENT_SURE_UV = 0.15 * UV  # more than two leads of an uncalibrated logger differ by
CURRENT_SHARE = 0.5  # of the drop that Ohm's law gives
PULLED_DOWN = 0.4  # of the ground side: what leaks from the feed pin takes no load lower
SAME_CURRENT, SAME_CURRENT_UV = 0.1, 0.02 * UV


def partly_off(part: Part, scale: Scale) -> bool:
    """Some load voltage is left, and stays: leakage through a diode string, or a source far down."""
    if not part.stretches:
        return False
    s = part.stretches[0]
    d = abs(s.tail[0] - s.tail[1])
    fades = abs(s.head[0] - s.head[1]) - d > FADES * scale.full
    return d > RESIDUE_OF_D * scale.full and not fades


def slipped(off: Part, on: Part, switched_on: bool) -> bool:
    """Whether the feed lead fell off its pin: it reads nothing while the ground side shows the load's current
    as before. Through a load that is off both pins would be alike. (A load that blocks, as LEDs do, on a
    ground that another load lifts, looks the same.)"""
    if not off.stretches or not on.stretches:
        return False
    feed = 0 if on.label is Label.FORWARD else 1
    lost = off.stretches[-1 if switched_on else 0].settled
    ground = (on.stretches[0] if switched_on else on.stretches[-1]).settled[1 - feed]
    stays = abs(lost[1 - feed] - ground) < max(SAME_CURRENT * ground, SAME_CURRENT_UV)
    free = lost[feed] < min(lost[1 - feed] - CURRENT_SURE_UV, PULLED_DOWN * lost[1 - feed])
    return ground > CURRENT_SURE_UV and stays and free


def _current_goes_on(off: Part, on: Part) -> bool:
    """Whether the ground side shows that the voltage left across the load drives its share of the current
    (Ohm's law): the feed sags under another load. A driver or a string of diodes that leaks shows none."""
    if off.levels is None or not on.stretches:
        return False
    feed = 0 if on.label is Label.FORWARD else 1
    full = max((s.settled for s in on.stretches), key=lambda x: abs(x[0] - x[1]))
    ground, left = full[1 - feed], abs(off.levels[0] - off.levels[1]) / abs(full[0] - full[1])
    return ground > CURRENT_SURE_UV and off.levels[1 - feed] > CURRENT_SHARE * left * ground


def another_load(off: Part, on: Part, kind: OffKind, scale: Scale) -> bool:
    """Whether this off part looks as if another load had lifted the shared ground, or pulled the shared feed.

    Such a load leaves much of the voltage, and the current that this drives; or it moves the other lead as
    well, towards the middle, where a load that is switched off gives back what it took (Ohm's law). A starter
    behind a bad engine strap is the usual one: common practice, no source.
    """
    if not off.stretches:
        return False
    left = [abs(s.tail[0] - s.tail[1]) for s in off.stretches]
    fades = abs(off.stretches[0].head[0] - off.stretches[0].head[1]) - min(left) > FADES * scale.full
    if min(left) > MUCH_OF_D * scale.full and not fades:
        return True
    partly = min(left) > RESIDUE_OF_D * scale.full and not fades
    if kind is OffKind.FEED_FELL and partly and _current_goes_on(off, on):
        return True
    if kind is OffKind.BOTH_MOVED:
        return partly  # a starter does that to both; nothing else is left of a load with both ends open
    return _pulled(off, on) > PULLED * scale.source


def _pulled(off: Part, on: Part) -> float:
    """How far the lead that was not switched went towards the other one while off, µV."""
    if off.levels is None or not on.stretches:
        return 0.0
    on_levels = min((s.settled for s in on.stretches), key=lambda x: abs(x[0] - x[1]))
    feed = 0 if on.label is Label.FORWARD else 1
    fell, rose = on_levels[feed] - off.levels[feed], off.levels[1 - feed] - on_levels[1 - feed]
    return min(fell, rose)
