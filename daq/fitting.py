"""Draws about the best fits, for explanations that chance seldom fits to all readings at once.

Where several unknowns must be right together, draws from the prior do not meet them. From the best of earlier
draws a climb goes to where an explanation fits best without being unlikely itself (its posterior mode,
climbing.py); the slopes there tell how far each unknown may lie off, alone and with others (Laplace's
approximation: Tierney and Kadane, JASA 81, 1986). The new draws are normal about the modes found so far,
kinds of parts as they fit at the mode, mixed with the prior so that weights stay bounded.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from daq.climbing import SAME_DIALS, TOLD_APART, Climb, Kind, Mode, Start, hangs_on, relevant
from daq.hypotheses import Hypothesis
from daq.knowledge import Knowledge
from daq.likelihood import ORDERS
from daq.mixture import Mixture, drawn_from, mixture
from daq.points import point_of
from daq.readings import Reading
from daq.screening import screened
from daq.unknowns import SOFT_SHORTS, Array, Draws

# ln evidence is not above that at the modes found by more: of 768 explanations that many draws carried (47
# sets of readings from ngspice) it was above by less than 0.6 in 99 of 100, by 4 in one, half below by 0.9.
# Of odd readings, that fit by rare chances alone, it may be above by 5 while their best fit is missed. And
# kinds are tried one after another: after one look or two there may be better fits still.
MOST_ABOVE = (6.0, 3.5, 1.0)
MOST_LOOKED = 60  # draws among which starts are chosen
LEAST_START = 1e-3  # of the best
MODES, FEWER_MODES = 4, 2  # looked for of a likely explanation, and of another
MOST_MODES = 6  # kept of one explanation
FEW_STEPS, MANY_STEPS = 4, 10  # of many climbs at first, most of them done then, and of those later
RISING = 2.5  # in ln: where the best fits within that were still rising, more is to be found
MUCH_WORSE = 9.0  # than the best, in ln: not worth its draws
SAME_KINDS = 0.1  # modes that differ by less are one, see SAME_DIALS
# Dials to be tried for likely explanations: heavy and light loads, a short that blows no fuse.
LOADS = ({"load": -3.0}, {"load": -1.5}, {"load": 1.5})
SOFT_SHORT = {name: centre for name, (centre, _) in SOFT_SHORTS.items()}
OTHERS = (  # kinds to be tried where no good draw has them, one after another
    *(("switch", "contact"), ("load", "resistive")),  # as a rule some draw has them
    *(("source", "moved"), ("load", "LED string"), ("switch", "transistor"), ("load", "filament")),
    *(("bridge_rest", "source"), ("bridge_rest", "floating"), ("neighbour", "dark")),
    *(("test_current", "up"), ("test_current", "down"), ("test_current", "logic"), ("switch", "saturated")),
)


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """Draws of explanations, and what each counts either way round, (orders, explanations, draws).

    Attributes:
        right: where it explains every reading.
        any: where some reading may be a wrong one.
    """

    draws: Draws
    right: Array
    any: Array

    def chosen(self, rows: npt.NDArray[np.intp]) -> Earlier:
        """Those of some explanations."""
        return Earlier(self.draws.chosen(rows), self.right[:, rows], self.any[:, rows])

    def replaced(self, rows: npt.NDArray[np.intp], newer: Earlier) -> Earlier:
        """These with `newer` for the explanations `rows`."""
        right, some = self.right.copy(), self.any.copy()
        right[:, rows], some[:, rows] = newer.right, newer.any
        return Earlier(self.draws.replaced(rows, newer.draws, right.shape[1:]), right, some)


@dataclass(frozen=True, slots=True)
class Search:
    """How best fits are looked for.

    Attributes:
        turn: how often there were fits before; each time another kind is tried, which no draw had.
        modes: how many are looked for, of each explanation; from where it was looked before, not again. Of
            which MOST_MODES are looked for, all kinds are tried; of which MODES, loads and shorts of other
            sizes.
        widely: where MODES are looked for, from all over the space of unknowns, and from where some reading
            is a wrong one.
        offered: where to look as well.
    """

    turn: int
    modes: Sequence[int]
    widely: bool = False
    offered: Sequence[Start] = ()


class Fits:
    """The best fits found so far of each explanation, and draws about them."""

    def __init__(self, given: list[Reading], knowledge: Knowledge, seen_v: float | None) -> None:
        self._given = given
        self._k = knowledge
        self._seen_v = seen_v
        self._steady = list(knowledge.choices["source"]).index("steady")
        self._modes: dict[Hypothesis, list[Mode]] = {}
        self._next: dict[Hypothesis, list[Start]] = {}
        self._looks: Counter[Hypothesis] = Counter()
        self._tried: set[tuple[object, ...]] = set()

    def drawn(
        self, some: tuple[Hypothesis, ...], earlier: Earlier, search: Search, count: int, seed: int
    ) -> tuple[Draws, list[Mixture]]:
        """`count` draws for each of `some`, about their best fits, and where they come from."""
        starts = list(search.offered)
        for row, h in enumerate(some):
            starts += self._near(h, row, earlier, search)
            starts += [replace(start, row=row) for start in self._next.pop(h, [])]
        if search.widely:
            starts += self._screened(some, search.modes, seed)
        starts = sorted((s for s in starts if self._is_new(some[s.row], s)), key=lambda s: s.order)
        if starts:
            climb = Climb(some, starts, self._given, self._k)
            reached = climb.modes(FEW_STEPS if search.turn == 0 else MANY_STEPS)
            for start, mode in zip(starts, reached, strict=True):
                self._keep(some[start.row], mode)
        self._looks.update({some[s.row] for s in starts})
        mixtures = [mixture(self._modes[h]) for h in some]
        return drawn_from(mixtures, self._k, count, self._seen_v, seed), mixtures

    def _near(self, h: Hypothesis, row: int, earlier: Earlier, search: Search) -> list[Start]:
        """Its best draws, and what is a step away from the best of them."""
        most = search.modes[row]
        found = _best_draws(row, earlier.right[:, row], earlier.draws, min(most, MODES) - 1, self._k)
        first, starts = next(iter(found.values())), list(found.values())
        widely = search.widely and most >= MODES
        others = [other for other in _others(h, self._k) if all(other not in kinds for kinds in found)]
        if most < MOST_MODES and others:
            others = [others[search.turn % len(others)]]
        if not widely:  # else all kinds are met
            starts += [replace(first, point=first.point.otherwise(*other)) for other in others]
        shorted = "fuse" in relevant(h)
        if most >= MODES or (search.widely and shorted):
            sizes = [SOFT_SHORT] if shorted else LOADS
            steady = first.point.otherwise("source", self._steady)
            bases = (first.point, steady) if widely else (first.point,)
            starts += [replace(first, point=base.moved(to)) for base in bases for to in sizes]
        if widely:
            starts += _best_draws(row, earlier.any[:, row], earlier.draws, 1, self._k).values()
        return starts

    def _screened(self, some: tuple[Hypothesis, ...], modes: Sequence[int], seed: int) -> list[Start]:
        rows = [row for row, most in enumerate(modes) if most >= MODES]
        likely = [some[row] for row in rows]
        each = screened(likely, self._given, self._k, self._seen_v, seed + 67) if rows else []
        return [replace(start, row=row) for row, starts in zip(rows, each, strict=True) for start in starts]

    def found(self, h: Hypothesis) -> list[Mode]:
        """Its best fits so far, best first."""
        return self._modes.get(h, [])

    def looks(self, h: Hypothesis) -> int:
        """How often its best fits were looked for."""
        return self._looks[h]

    def is_rising(self, h: Hypothesis, within: float) -> bool:
        """Whether climbs to its fits, those `within` so much of the best, were not at the top."""
        found = self.found(h)
        return any(m.rising and m.log_mass > found[0].log_mass - within for m in found)

    def most(self, some: Sequence[Hypothesis]) -> Array:
        """(orders, explanations): ln evidence, by best fits hardly exceeded (see MOST_ABOVE); infinite where
        none was looked for."""
        found = np.full((len(ORDERS), len(some)), np.inf)
        for n, h in enumerate(some):
            above = MOST_ABOVE[min(max(self._looks[h], 1), len(MOST_ABOVE)) - 1]
            for o, order in enumerate(ORDERS):
                mine = [m.log_mass for m in self.found(h) if m.order == order]
                if mine:
                    found[o, n] = np.logaddexp.reduce(mine) + above
        return found

    def _is_new(self, h: Hypothesis, start: Start) -> bool:
        """No climb of this explanation began there yet."""
        where = (h, start.order, start.point.name)
        if where in self._tried:
            return False
        self._tried.add(where)
        return True

    def _keep(self, h: Hypothesis, mode: Mode) -> None:
        """Unless one as good was found there before; the best are kept.

        Where the climb might have gone on, it does so next time. Where another kind of a part would fit much
        better, it is looked for from there next time; the mode itself counts only while there is no other.
        """
        mine = self._modes.setdefault(h, [])
        better = [n for n, m in enumerate(mine) if _same(mode, m) and _goodness(m) >= _goodness(mode)]
        if better:
            for n in better if not mode.rising else ():  # nor is more to be found from there
                mine[n] = replace(mine[n], rising=False)
            return
        mine[:] = [other for other in mine if not _same(mode, other)]
        if mode.rising:
            self._next.setdefault(h, []).append(Start(0, mode.order, mode.point, resumed=True))
        if mode.better is not None:
            other = mode.point.otherwise(*mode.better)
            self._next.setdefault(h, []).append(Start(0, mode.order, other))
            if any(m.better is None and m.order == mode.order for m in mine):
                return
        mine.append(mode)
        mine.sort(key=_goodness, reverse=True)
        best = {m.order: m for m in reversed(mine)}
        mine[:] = [m for m in mine[:MOST_MODES] if _is_worth_draws(m, best[m.order])]


def _best_draws(
    row: int, weight: Array, earlier: Draws, most: int, k: Knowledge
) -> dict[tuple[Kind | int, ...], Start]:
    """The best draw of each of the likeliest combinations of lead order and kinds, best first."""
    flat = weight.ravel()
    best = np.argsort(-flat, kind="stable")[:MOST_LOOKED]
    order, column = np.unravel_index(best[flat[best] > LEAST_START * flat[best[0]]], weight.shape)
    found: dict[tuple[Kind | int, ...], Start] = {}
    for o, c in zip(order.tolist(), column.tolist(), strict=True):
        codes = {name: earlier.choices[name] for name in TOLD_APART}
        kinds = ((name, int(v[row if v.shape[0] > 1 else 0, c])) for name, v in codes.items())
        name = (o, *kinds)
        if name not in found:
            found[name] = Start(row, o + 1, point_of(earlier, row, c, k))
        if len(found) == most:
            break
    return found


def _goodness(mode: Mode) -> tuple[bool, float]:
    """What other modes are found by goes first, however much they seem to hold."""
    return mode.better is None, mode.log_mass


def _is_worth_draws(mode: Mode, best: Mode) -> bool:
    """Whether draws about it tell more, beside the best with the same lead order."""
    if mode is best:
        return True
    return mode.log_mass > best.log_mass - MUCH_WORSE and (mode.better is None) == (best.better is None)


def _same(one: Mode, other: Mode) -> bool:
    near = one.nominal_ln == other.nominal_ln and np.abs(one.point.x - other.point.x).max() < SAME_DIALS
    return bool(near) and bool(np.abs(one.kinds - other.kinds).max() < SAME_KINDS)


def _others(h: Hypothesis, k: Knowledge) -> list[Kind]:
    """Kinds to be tried for this explanation."""
    return [
        (name, list(k.choices[name]).index(kind))
        for name, kind in OTHERS
        if name in hangs_on(h) and k.choices[name][kind] > 0
    ]
