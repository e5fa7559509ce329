"""How well a circuit explains a reading.

A reading's density is normal about what the circuit would show, with a standard deviation of
sqrt(zero² + (gain V)² + between²), where "between" grows from nothing at the rails to its most half-way,
because there a level hangs on what no model has; on the same, when the level is read again. A small part of
the density, the same for every circuit, stands for a reading that is simply wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from daq.circuit import Circuits, Instrument, Light, Setup
from daq.circuit_case import Case, Seen
from daq.circuit_reading import all_readings
from daq.knowledge import Weights
from daq.looks import said
from daq.readings import At, Lamp, Levels, Reading, Told, Working

Array = npt.NDArray[np.float64]
Place = tuple[Setup, bool]  # where a reading is taken, and whether by the logger
Level = tuple[Place, str, float]  # where it was read, on what, and its value
ORDERS = (1, 2)  # which lead is on the feed pin
PINS = ("feed", "ground")
SAME_LEVEL = 0.03  # of source: a circuit's levels that are one, read again
ALIKE_V, ALIKE_SHARE = 0.1, 0.02  # readings that may be of one level


def case(
    reading: Reading, order: int, k: Weights, rows: npt.NDArray[np.intp], control: str | None = None
) -> Case:
    """Explanations `rows` where this reading was taken, lead `order` on the feed pin."""
    instrument = Instrument(k["logger_ohm" if logged(reading) else "meter_ohm"])
    return Case(setup(reading, order, control), instrument, rows)


def logged(reading: Reading) -> bool:
    """Bias comes from the logger, so its input resistance is there too."""
    return reading.logged or (isinstance(reading.what, Levels) and reading.what.bias != (None, None))


def setup(reading: Reading, order: int, control: str | None = None) -> Setup:
    state, what = reading.state, reading.what
    bias: tuple[str | None, str | None] = (None, None)
    light, jumper, substitute, at = None, None, False, None
    if isinstance(what, Levels):
        bias = what.bias if order == 1 else (what.bias[1], what.bias[0])
        substitute = what.substitute
        if what.jumper is not None:
            jumper = Light(what.jumper[0], PINS[0] if what.jumper[1] == order else PINS[1])
    elif isinstance(what, Lamp):
        light = Light(what.pole, PINS[0] if what.lead == order else PINS[1])
    elif isinstance(what, At):
        at = what.place
    return Setup(
        state.plugged,
        control or state.control,
        state.key,
        state.neighbour_off,
        bias,
        light,
        jumper,
        substitute,
        at,
        isinstance(what, Working),
        isinstance(what, Working) and what.alone,
    )


class Scorer:
    """How well circuits explain readings, for any widening.

    Args:
        source: of each circuit, V, (explanations, draws).
        seen: what the circuits show, in all places where the readings were taken.
        orders: the lead orders that are looked at.
    """

    def __init__(
        self,
        source: Array,
        given: list[Reading],
        knowledge: Weights,
        seen: dict[Place, Seen],
        orders: tuple[int, ...] = ORDERS,
    ) -> None:
        self._knowledge = knowledge
        self._orders = orders
        self._given = given
        self._source = source
        self._seen = seen
        scale = 20.0 if _highest(given) <= 20 else 40.0
        self.log_misread = np.array([np.log(knowledge["misread"] * _misread(r, scale)) for r in given])
        self._variances: dict[tuple[Place, str], Array] = {}
        self._scored: dict[tuple[int, Place, str], tuple[Array, Array]] = {}
        self._sums: Array | None = None  # (orders, miss and height, explanations, draws)
        self._fits = [
            [[self._fit(n, reading, order, c) for c in _controls(reading)] for order in orders]
            for n, reading in enumerate(given)
        ]

    def log_density(self, rows: npt.NDArray[np.intp], widen: Array) -> Array:
        """ln density of each reading, misread part included: (orders, readings, rows, draws).

        A density keeps its height where it is widened.

        Args:
            rows: the explanations wanted.
            widen: (orders, rows), factor on the readings' standard deviation.
        """
        return or_misread(self.log_fit(rows, widen), self.log_misread[:, None, None])

    def log_fit(self, rows: npt.NDArray[np.intp], widen: Array) -> Array:
        """The same without the misread part."""
        found = np.empty((len(self._orders), len(self._given), len(rows), self._source.shape[1]))
        narrow = -0.5 / widen[..., None] ** 2
        for n, fits in enumerate(self._fits):
            for o, parts in enumerate(fits):
                right = np.log((1.0 - self._knowledge["misread"]) / len(parts))
                each = [narrow[o] * miss[rows] + height[rows] for miss, height in parts]
                found[o, n] = right + (each[0] if len(each) == 1 else np.logaddexp(*each))
        return found

    def log_fit_of_all(self, rows: npt.NDArray[np.intp], widen: Array) -> Array:
        """ln density of all readings together, none misread, (orders, rows, draws): `log_fit` summed."""
        if not self._given or any(len(parts) > 1 for fits in self._fits for parts in fits):
            summed: Array = self.log_fit(rows, widen).sum(axis=1)
            return summed
        if self._sums is None:
            each = [[fits[o][0] for fits in self._fits] for o in range(len(self._orders))]
            self._sums = np.array([np.sum(one, axis=0) for one in each])
        right = len(self._given) * np.log(1.0 - self._knowledge["misread"])
        miss, height = self._sums[:, 0, rows], self._sums[:, 1, rows]
        found: Array = right - 0.5 / widen[..., None] ** 2 * miss + height
        return found

    def misses(self) -> tuple[Array, npt.NDArray[np.intp]]:
        """For one lead order: how far off each value is, in standard deviations, (explanations, values,
        draws), and which reading it belongs to. A light's is the root of what its look counts against it."""
        found, reading = [], []
        for n, r in enumerate(self._given):
            controls = _controls(r)
            values = [np.array(self._signed(r, n, c)) for c in range(len(controls))]
            if len(values) > 1:  # as the control more likely was where the first draw stands
                off = [(each**2).sum(axis=0)[:, :1] for each in values]
                values = [np.where(off[0] <= off[1], *values)]
            found += list(values[0])
            reading += [n] * len(values[0])
        return np.stack(found, axis=1), np.array(reading, dtype=np.intp)

    def _signed(self, reading: Reading, n: int, control: int) -> list[Array]:
        order = self._orders[0]
        place = _place(reading, order, _controls(reading)[control])
        if isinstance(reading.what, Told):
            log_look = self._fits[n][0][control][1]
            return [np.sqrt(np.maximum(-2.0 * log_look, 0.0))]
        return [self._distance(n, place, which, value) for value, _, which in _values(reading, order)]

    def _distance(self, n: int, place: Place, which: str, value: float) -> Array:
        expected, square = self._scored[n, place, which]
        distance: Array = (expected - value) / np.sqrt(square)
        return distance

    def _fit(self, n: int, reading: Reading, order: int, control: str) -> tuple[Array, Array]:
        """Squared distance in standard deviations, and ln density where it is none; (explanations, draws)."""
        place = _place(reading, order, control)
        seen, what = self._seen[place], reading.what
        if isinstance(what, Told):
            return np.zeros(self._source.shape), np.log(said(getattr(seen, shown_as(what)), what))
        miss, height = np.zeros(self._source.shape), np.zeros(self._source.shape)
        for value, error, which in _values(reading, order):
            off, peak = self._off(n, place, which, value, error, self._earlier(n, order, value))
            miss, height = miss + off, height + peak
        return miss, height

    def _off(
        self, n: int, place: Place, which: str, value: float, error: float, earlier: Level | None
    ) -> tuple[Array, Array]:
        volts: Array = getattr(self._seen[place], which)
        if (place, which) not in self._variances:
            self._variances[place, which] = variance(volts, self._source, self._knowledge)
        expected, square = volts, self._variances[place, which] + error**2
        if earlier is not None:
            expected, square = self._repeated(volts, square, *earlier)
        self._scored[n, place, which] = expected, square
        return (value - expected) ** 2 / square, -0.5 * np.log(2 * np.pi * square)

    def _earlier(self, n: int, order: int, value: float) -> Level | None:
        """The first reading before reading `n`, on the same instrument, that showed this level; where the
        control may stand either way, which level it was is not known."""
        mine = self._given[n]
        for r in self._given[:n]:
            if logged(r) != logged(mine) or "?" in (r.state.control, mine.state.control):
                continue
            for before, _, which in _values(r, order):
                if abs(before - value) < ALIKE_V + ALIKE_SHARE * abs(value):
                    return _place(r, order, r.state.control), which, before
        return None

    def _repeated(
        self, volts: Array, square: Array, place: Place, which: str, value: float
    ) -> tuple[Array, Array]:
        """What is expected where a circuit's level was read before, and its variance.

        What no model has is there again: of two normal deviations with that part in common, the second given
        the first.
        """
        before: Array = getattr(self._seen[place], which)
        first = self._variances[place, which]
        common = between(before, self._source, self._knowledge) * between(
            volts, self._source, self._knowledge
        )
        common = np.where(np.abs(before - volts) < SAME_LEVEL * self._source, common, 0.0)
        return volts + (value - before) * common / first, square - common**2 / first


def scored(
    circuits: Circuits,
    given: list[Reading],
    knowledge: Weights,
    known: dict[Place, Seen] | None = None,
    orders: tuple[int, ...] = ORDERS,
) -> Scorer:
    """What every circuit shows at every reading, computed once.

    Args:
        known: what the circuits show in some places already; what is found is added.
        orders: the lead orders that are looked at.
    """
    seen = {} if known is None else known
    cases = _cases(given, orders, knowledge, np.arange(circuits.shape[0]))
    missing = [place for place in cases if place not in seen]
    found = all_readings(circuits, [cases[place] for place in missing])
    seen |= zip(missing, found, strict=True)
    return Scorer(np.broadcast_to(circuits.emf, circuits.shape), given, knowledge, seen, orders)


def or_misread(log_fit: Array, log_misread: Array) -> Array:
    """ln of the sum of both densities. A reading fits better than a wrong one by far less than e^500; numpy's
    own way, which has no such bound, takes four times as long."""
    found = np.exp(np.minimum(log_fit - log_misread, 500.0))
    found += 1.0
    np.log(found, out=found)
    found += log_misread
    return found


def scorers(
    circuits: Circuits, given: list[Reading], knowledge: Weights, orders: npt.NDArray[np.intp]
) -> list[tuple[npt.NDArray[np.intp], Scorer]]:
    """Explanations of which each is read one way round alone, (explanations,) `orders`: for either order the
    rows that have it, and their scorer. All are solved together."""
    each = [(order, np.flatnonzero(orders == order)) for order in ORDERS if np.any(orders == order)]
    of_order = [_cases(given, (order,), knowledge, rows) for order, rows in each]
    cases = [
        either_way(some, orders == ORDERS[1]) for some in zip(*(c.values() for c in of_order), strict=True)
    ]
    seen, source = all_readings(circuits, cases), np.broadcast_to(circuits.emf, circuits.shape)
    found = []
    for (order, rows), some in zip(each, of_order, strict=True):
        mine = {place: shown.chosen(rows) for place, shown in zip(some, seen, strict=True)}
        found.append((rows, Scorer(source[rows], given, knowledge, mine, (order,))))
    return found


def either_way(cases: Sequence[Case], turned: npt.NDArray[np.bool_]) -> Case:
    """One case for all explanations, from that of the only lead order there is or those of both.

    Args:
        turned: (explanations,), where lead 2 is on the feed pin.
    """
    whole = replace(cases[0], rows=np.arange(len(turned)))
    if len(cases) == 1 or cases[1].setup == cases[0].setup:
        return whole
    return replace(whole, other=cases[1].setup, turned=turned)


def _cases(
    given: list[Reading], orders: tuple[int, ...], knowledge: Weights, rows: npt.NDArray[np.intp]
) -> dict[Place, Case]:
    return {
        _place(reading, order, control): case(reading, order, knowledge, rows, control)
        for reading in given
        for order in orders
        for control in _controls(reading)
    }


def _values(reading: Reading, order: int) -> list[tuple[float, float, str]]:
    """What was read, its standard error, and where."""
    what = reading.what
    if isinstance(what, At):
        return [(what.volts, 0.0, "place")]
    if isinstance(what, Told):
        return []
    pins = PINS if order == 1 else PINS[::-1]
    each = zip(what.volts, what.error_v, pins, strict=True)
    return [(value, error, pin) for value, error, pin in each if value is not None]


def _controls(reading: Reading) -> tuple[str, ...]:
    """The positions the control may have been in."""
    return ("on", "off") if reading.state.control == "?" else (reading.state.control,)


def _place(reading: Reading, order: int, control: str) -> Place:
    return setup(reading, order, control), logged(reading)


def variance(volts: Array, source: Array, knowledge: Weights) -> Array:
    """Variance, V², of what is read where a circuit shows `volts`."""
    unknown = between(volts, source, knowledge)
    found: Array = knowledge["zero_v"] ** 2 + (knowledge["gain"] * volts) ** 2 + unknown**2
    return found


def between(volts: Array, source: Array, knowledge: Weights) -> Array:
    """What no model has, V: nothing at the rails, most half-way."""
    share = np.clip(volts / source, 0.0, 1.0)
    found: Array = knowledge["between"] * source * 4.0 * share * (1.0 - share)
    return found


def log_height(given: Sequence[Reading], knowledge: Weights) -> float:
    """ln density of all readings where every level lies on a rail and is met: no explanation has more."""
    levels = [level for reading in given for level in _values(reading, ORDERS[0])]
    square = [knowledge["zero_v"] ** 2 + (knowledge["gain"] * v) ** 2 + e**2 for v, e, _ in levels]
    return float(-0.5 * np.log(2 * np.pi * np.array(square)).sum())


def shown_as(what: At | Told) -> str:
    """Where `Seen` has it."""
    return "place" if isinstance(what, At) else "light" if isinstance(what, Lamp) else "work"


def _misread(reading: Reading, scale_v: float) -> float:
    """Density of a wrong reading: anywhere on the scale."""
    if isinstance(reading.what, Told):
        return 1.0 / len(reading.what.words)
    if isinstance(reading.what, At):
        return 1.0 / scale_v
    return float(scale_v ** -sum(v is not None for v in reading.what.volts))


def highest(given: list[Reading]) -> float | None:
    """The highest voltage between any two points that were read; None when all are near zero."""
    found = _highest(given)
    return found if found > 4.0 else None


def _highest(given: list[Reading]) -> float:
    sources = [r.what.volts for r in given if isinstance(r.what, At) and r.what.place == "source"]
    if sources and max(sources) > 4.0:
        return max(sources)
    most = 0.0
    for reading in given:
        what = reading.what
        if isinstance(what, At):
            most = max(most, what.volts)
        elif isinstance(what, Levels):
            values = [v for v in what.volts if v is not None]
            most = max(most, *values, max(values) - min(values))
    return most
