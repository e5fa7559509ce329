"""The settled levels that were seen, and the few states of the circuit that they come down to.

A recording holds a level for every stretch; a circuit has a few states: on, off, what the user marked, what
was read unplugged. Of each state the level that was shown most is taken, so that what came and went (dips,
dropouts: they are events) does not blur what stands. Every state carries the standard error of its level.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, inf

import numpy as np
import numpy.typing as npt

from daq.crossings import UV
from daq.evidence import MARK_REACH_S, Mark, OffKind, OffPart
from daq.findings import LoadState
from daq.labels import ON, Label
from daq.pulses import train_levels
from daq.samples import Scale
from daq.seen import SeenState
from daq.stretches import Pair, Steady, Stretch, Train
from daq.switching import Part
from daq.turns import Turn

LOAD = {
    Label.OFF: LoadState.OFF,
    Label.FORWARD: LoadState.FORWARD,
    Label.REVERSE: LoadState.REVERSE,
    Label.UNKNOWN: LoadState.UNKNOWN,
}
KICKED_UV = -1.0 * UV  # a level below is a coil's kick, not the circuit's
MOVES = 0.05  # of its first level
MOVING_WEIGHT = 0.05
LEAST_S = 0.02  # shorter stretches show no level
WEIGHT_MOST_S = 0.3  # a long stretch counts no more than this: many short ones are more than one long fault
TOGETHER_UV = 1.0 * UV
DEAD_UV, AWAKE_UV = 1.0 * UV, 4.0 * UV  # both leads below, or above: nothing flows either way
ALIKE_V = 0.25  # levels closer than this, or than
ALIKE_SHARE = 0.03  # this part of the highest level, are one


@dataclass(frozen=True, slots=True)
class Level:
    """Settled levels of one stretch, µV, and what the load did by them."""

    start: float
    end: float
    levels: Pair
    label: Label
    moves: bool = False
    kind: OffKind | None = None  # how it differs from on, where it is off beside on
    short: bool = False  # of milliseconds: no state, but a dropout's level


def levels_of(
    parts: Sequence[Part], offs: Sequence[OffPart], stretches: Sequence[Stretch], rate_hz: float
) -> list[Level]:
    """The settled levels of these parts; of the bare stretches where the load's state is not known at all."""
    kinds = {id(o.part): o.kind for o in offs if not o.slipped}  # a lead beside its pin shows no fault
    upright = [p for p in parts if not p.mirrored]
    if not any(p.label in ON for p in upright):
        upright = list(parts)  # on was seen without the reference lead only
    found = [x for p in upright for x in _of_part(p, kinds.get(id(p)), LEAST_S * rate_hz)]
    if found:
        return found
    return [_level(s, Label.UNKNOWN) for s in stretches if isinstance(s, Steady) and _lasts(s, rate_hz)]


def _lasts(s: Steady, rate_hz: float) -> bool:
    return s.end - s.start >= LEAST_S * rate_hz


def _of_part(part: Part, kind: OffKind | None, least: float) -> Iterable[Level]:
    long = [s for s in part.stretches if s.end - s.start >= least]
    yield from (_level(s, part.label, kind) for s in long)
    if part.train is not None and part.label in ON:
        yield from _pulsed(part, part.train)
    if not long and kind is not None and part.levels is not None:
        yield Level(part.start, part.end, part.levels, part.label, kind=kind, short=True)


def _level(s: Steady, label: Label, kind: OffKind | None = None) -> Level:
    return Level(s.start, s.end, s.settled, label, _moves(s), kind)


def _moves(s: Steady) -> bool:
    """A motor coasts, a capacitor empties: such a stretch has no level yet."""
    return max(abs(a - b) for a, b in zip(s.head, s.settled, strict=True)) > MOVES * max(*s.head, UV)


def _pulsed(part: Part, train: Train) -> Iterable[Level]:
    """The level on of a pulse train, where pulses are long enough to show it on both leads."""
    on, off = (train.up, train.down) if part.label is Label.FORWARD else (train.down, train.up)
    (one, other), _ = train_levels(train, on, off)
    if one is not None and other is not None:
        yield Level(train.start, train.end, (one, other), part.label)


def states_of(
    levels: Sequence[Level],
    turns: Sequence[Turn],
    marks: Sequence[Mark],
    rate_hz: float,
    scale: Scale | None,
    switched: OffKind | None = None,
    undetermined: bool = False,
) -> tuple[SeenState, ...]:
    """The states that these levels come down to: marked ones first, then those that only the levels tell.

    `switched` is how off differs from on where the side is known: what differs otherwise is no off. Where it
    is `undetermined`, off at zero and off at source are two states.
    """
    levels = [x for x in levels if not x.short]
    if switched is not None and any(x.kind is switched for x in levels):
        levels = [x for x in levels if x.label is not Label.OFF or x.kind is switched]
    marked = _marked_spans(marks, turns, _moved_together(levels), rate_hz)
    groups: dict[tuple[str | None, LoadState], list[tuple[Pair, float]]] = {}
    for level in levels:
        for control, length in _controls(level, marked, LEAST_S * rate_hz):
            label = LoadState.UNKNOWN if control is not None else LOAD[level.label]
            weight = min(length / rate_hz, WEIGHT_MOST_S) * (MOVING_WEIGHT if level.moves else 1.0)
            groups.setdefault((control, label), []).append((level.levels, weight))
    told = {_load_by(control) for control, _ in groups if control is not None}
    found = [
        _usual(control, label, some, scale)
        for (control, label), members in groups.items()
        if control is not None or (label is not LoadState.OFF) not in told
        for some in (_dead_and_awake(members) if undetermined and control is None else [members])
    ]
    return tuple(sorted(found, key=lambda s: (s.control is None, s.control or "", s.load.value)))


def broken_state(
    levels: Sequence[Level], rate_hz: float, scale: Scale | None, switched: OffKind
) -> SeenState | None:
    """What the pins read while a fault kept the load off though it was switched on; None if never."""
    kinds = {OffKind.FEED_FELL, OffKind.GROUND_ROSE} - {switched}
    members = [
        (x.levels, min((x.end - x.start) / rate_hz, WEIGHT_MOST_S))
        for x in levels
        if x.kind in kinds and min(x.levels) > KICKED_UV
    ]
    return _usual("on", LoadState.OFF, members, scale) if members else None


def _dead_and_awake(members: list[tuple[Pair, float]]) -> list[list[tuple[Pair, float]]]:
    """Both leads at zero, and both at source: how long each lasted says nothing of which of them counts."""
    dead = [m for m in members if max(m[0]) < DEAD_UV]
    awake = [m for m in members if min(m[0]) > AWAKE_UV]
    return [dead, awake] if dead and awake else [members]


def _load_by(control: str) -> bool:
    return control != "off"


def _moved_together(levels: Sequence[Level]) -> list[float]:
    """When both leads went to another level though the load stayed off: something was switched there too."""
    return [
        b.start
        for a, b in pairwise(levels)
        if a.label is b.label is Label.OFF
        and min(abs(x - y) for x, y in zip(a.levels, b.levels, strict=True)) > TOGETHER_UV
    ]


def _marked_spans(
    marks: Sequence[Mark], turns: Sequence[Turn], moves: Sequence[float], rate_hz: float
) -> list[tuple[float, float, str]]:
    """(from, to, control) before and after each mark, as far as nothing else changed the load's state.

    A mark means the nearest change of its kind within reach; without one, nothing changed at the pins when
    the control was moved, and people are off by up to the reach.
    """
    reach = MARK_REACH_S * rate_hz
    bounds: list[tuple[float, float, str]] = []  # earliest, latest, control after it
    for mark in marks:
        after = "other" if mark.other else "on" if mark.on else "off"
        of_its_kind = [*(t.at for t in turns if (t.label in ON) is mark.on), *moves]
        near = [t for t in of_its_kind if abs(t - mark.at) < reach]
        at = min(near, key=lambda t: abs(t - mark.at), default=None)
        bounds.append((mark.at - reach, mark.at + reach, after) if at is None else (at, at, after))
    bounds.sort()
    changes = sorted([*(t.at for t in turns), *moves])
    spans = []
    before = [(-inf, "on" if bounds and bounds[0][2] == "off" else "off"), *((b[1], b[2]) for b in bounds)]
    until = [b[0] for b in bounds] + [inf]
    for n, ((start, control), end) in enumerate(zip(before, until, strict=True)):
        if not bounds:
            break
        inside = [t for t in changes if start < t < end]
        if not inside:
            spans.append((start, end, control))
            continue
        if n > 0:
            spans.append((start, inside[0], control))
        if n < len(bounds):
            spans.append((inside[-1], end, _opposite(bounds[n][2], control)))
    return spans


def _opposite(after: str, control: str) -> str:
    """How the control stood before it was moved to `after`."""
    return "off" if after != "off" else control if control != "off" else "on"


def _controls(
    level: Level, marked: Sequence[tuple[float, float, str]], least: float
) -> Iterable[tuple[str | None, float]]:
    found = False
    for start, end, control in marked:
        common = min(level.end, end) - max(level.start, start)
        if common >= least:
            found = True
            yield control, common
    if not found:
        yield None, level.end - level.start


def _usual(
    control: str | None, load: LoadState, members: Sequence[tuple[Pair, float]], scale: Scale | None
) -> SeenState:
    """The level that most of the time was near, its mean and standard error."""
    volts = np.array([m[0] for m in members]) / UV
    weight = np.array([m[1] for m in members])
    near = max(ALIKE_V, ALIKE_SHARE * float(volts.max()))
    close: npt.NDArray[np.bool_] = np.abs(volts[:, None] - volts[None]).max(axis=-1) < near
    chosen = close[int(np.argmax(close @ weight))]
    mean, error = _mean(volts[chosen], weight[chosen])
    known = [0.0 if scale is None else scale.uncertainty_v(n, mean[n]) for n in (0, 1)]
    return SeenState(
        control,
        load,
        mean,
        (hypot(error[0], known[0]), hypot(error[1], known[1])),
    )


def _mean(volts: npt.NDArray[np.float64], weight: npt.NDArray[np.float64]) -> tuple[Pair, Pair]:
    share = weight / weight.sum()
    mean = share @ volts
    variance = share @ (volts - mean) ** 2 * float((share**2).sum())
    error = np.sqrt(variance)
    return (float(mean[0]), float(mean[1])), (float(error[0]), float(error[1]))
