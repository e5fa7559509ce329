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
from dataclasses import replace

import numpy as np

from daq.aiming import PRIOR_SHARE
from daq.climbing import CHOSEN, SAME_DIALS, TOLD_APART, Climb, Kind, Mode, Start, hangs_on, prior_kinds
from daq.hypotheses import Hypothesis
from daq.knowledge import Knowledge
from daq.likelihood import ORDERS
from daq.points import Point, battery_width, point_of
from daq.readings import Reading
from daq.unknowns import (
    AIMED_MEDIAN,
    AIMED_SPREAD,
    CHOICES,
    DIALS,
    Array,
    Draws,
    battery_density,
    stratified_shares,
    unaimed,
)

# ln evidence is not above that at the modes found by more: of 768 explanations that many draws carried (47
# sets of readings from ngspice) it was above by less than 0.6 in 99 of 100, by 4 in one, half below by 0.9.
# But kinds are tried one after another: after one look or two there may be better fits still.
MOST_ABOVE = (6.0, 3.5, 1.0)
MOST_LOOKED = 60  # draws among which starts are chosen
LEAST_START = 1e-3  # of the best
MODES, FEWER_MODES = 4, 2  # looked for of a likely explanation, and of another
MOST_MODES = 6  # kept of one explanation
GAINED = 0.2  # of ln evidence, by a fit that was not known before
MUCH_WORSE = 9.0  # than the best, in ln: not worth its draws
SAME_KINDS = 0.1  # modes that differ by less are one, see SAME_DIALS
OTHERS = (  # kinds to be tried where no good draw has them, one after another
    *(("source", "moved"), ("load", "LED string"), ("switch", "transistor"), ("load", "filament")),
    *(("bridge_rest", "source"), ("bridge_rest", "floating"), ("neighbour", "dark")),
    *(("test_current", "up"), ("test_current", "down"), ("test_current", "logic"), ("switch", "saturated")),
)


class Fits:
    """The best fits found so far of each explanation, and draws about them."""

    def __init__(self, given: list[Reading], knowledge: Knowledge, seen_v: float | None) -> None:
        self._given = given
        self._k = knowledge
        self._seen_v = seen_v
        self._modes: dict[Hypothesis, list[Mode]] = {}
        self.gained: set[Hypothesis] = set()  # found a good fit, when they were looked at last
        self._next: dict[Hypothesis, list[tuple[int, Point]]] = {}
        self._looks: Counter[Hypothesis] = Counter()
        self._tried: set[tuple[object, ...]] = set()

    def drawn(
        self,
        some: tuple[Hypothesis, ...],
        earlier: Draws,
        weight: Array,
        count: int,
        seed: int,
        turn: int,
        modes: Sequence[int],
        offered: Sequence[Start] = (),
    ) -> Draws:
        """Draws for `some`, about their best fits.

        Args:
            earlier: draws, (h, draws).
            weight: (orders, h, draws) what each counts, either way round.
            count: of draws.
            turn: how often there were fits before; each time another kind is tried, which no draw had.
            modes: how many are looked for, of each of `some`; from where it was looked before, not again. Of
                which MOST_MODES are looked for, all kinds are tried.
            offered: where to look as well.
        """
        starts = list(offered)
        for row, (h, most) in enumerate(zip(some, modes, strict=True)):
            found = self._best_draws(row, weight[:, row], earlier, min(most, MODES) - 1)
            mine = list(found.values())
            others = [other for other in _others(h, self._k) if all(other not in k for k in found)]
            if most < MOST_MODES and others:
                others = [others[turn % len(others)]]
            mine += [replace(mine[0], point=mine[0].point.otherwise(*other)) for other in others]
            starts += mine
            starts += [Start(row, order, point) for order, point in self._next.pop(h, [])]
        starts = sorted((s for s in starts if self._is_new(some[s.row], s)), key=lambda s: s.order)
        before = {h: self._mass(h) for h in some}
        if starts:
            reached = Climb(some, starts, self._given, self._k).modes()
            for start, mode in zip(starts, reached, strict=True):
                self._keep(some[start.row], mode)
        self._looks.update({some[s.row] for s in starts})
        self.gained = {h for h in some if self._mass(h) > before[h] + GAINED}
        each = [self._modes[h] for h in some]
        return _Mixture(each, self._k, count, self._seen_v, seed).drawn()

    def found(self, h: Hypothesis) -> list[Mode]:
        """Its best fits so far, best first."""
        return self._modes.get(h, [])

    def _mass(self, h: Hypothesis) -> float:
        """ln of the evidence that lies about its best fits, in either lead order."""
        return float(np.logaddexp.reduce([m.log_mass for m in self.found(h)])) if self.found(h) else -np.inf

    def most(self, some: Sequence[Hypothesis]) -> Array:
        """(orders, explanations): ln evidence that is not exceeded; infinite where no mode was looked for."""
        found = np.full((len(ORDERS), len(some)), np.inf)
        for n, h in enumerate(some):
            above = MOST_ABOVE[min(max(self._looks[h], 1), len(MOST_ABOVE)) - 1]
            for o, order in enumerate(ORDERS):
                mine = [m.log_mass for m in self.found(h) if m.order == order]
                if mine:
                    found[o, n] = np.logaddexp.reduce(mine) + above
        return found

    def _best_draws(
        self, row: int, weight: Array, earlier: Draws, most: int
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
                found[name] = Start(row, o + 1, point_of(earlier, row, c, self._k))
            if len(found) == most:
                break
        return found

    def _is_new(self, h: Hypothesis, start: Start) -> bool:
        """No climb of this explanation began there yet."""
        where = (h, start.order, start.point.name)
        if where in self._tried:
            return False
        self._tried.add(where)
        return True

    def _keep(self, h: Hypothesis, mode: Mode) -> None:
        """Unless it was found before; the best are kept. Where another kind of a part would fit much better,
        it is looked for from there next time, and the mode itself counts only while there is no other."""
        mine = self._modes.setdefault(h, [])
        if any(_same(mode, other) for other in mine):
            return
        if mode.better is not None:
            self._next.setdefault(h, []).append((mode.order, mode.point.otherwise(*mode.better)))
            if any(m.better is None and m.order == mode.order for m in mine):
                return
        mine.append(mode)
        mine.sort(key=lambda m: (m.better is not None, -m.log_mass))
        best = {m.order: m for m in reversed(mine)}
        mine[:] = [m for m in mine[:MOST_MODES] if _is_worth_draws(m, best[m.order])]


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


class _Mixture:
    """Draws from the prior and about modes, those of each explanation, with their weights."""

    def __init__(
        self, modes: Sequence[list[Mode]], k: Knowledge, count: int, seen_v: float | None, seed: int
    ) -> None:
        self._modes = modes
        self._k = k
        self._width = battery_width(k)
        base = unaimed(k, count, seen_v, seed + 31)
        self._near_v = None if seen_v is None else float(np.log(seen_v * AIMED_MEDIAN))
        each = (len(modes), count)
        self._x = np.repeat(np.stack([base.dials[name][0] for name in DIALS])[None], len(modes), axis=0)
        self._kinds = np.repeat(
            np.stack([base.choices[name][0] for name in CHOSEN])[None], len(modes), axis=0
        )
        self._other = {name: np.broadcast_to(base.choices[name], each) for name in set(CHOICES) - set(CHOSEN)}
        self._ln_v = np.array(np.broadcast_to(np.log(base.emf_v), each))
        self._which = stratified_shares(count, 1, seed + 37)[0]
        self._kind = stratified_shares(count, len(CHOSEN), seed + 53)
        self._log_prior_kinds = np.log(np.maximum(prior_kinds(k), 1e-300))

    def drawn(self) -> Draws:
        shares = [_shares(mine) for mine in self._modes]
        for row, (mine, share) in enumerate(zip(self._modes, shares, strict=True)):
            self._draw(row, mine, share)
        log_weight = self._log_weight(np.concatenate(shares))
        dials = {name: self._x[:, n] for n, name in enumerate(DIALS)}
        choices = {name: self._kinds[:, n] for n, name in enumerate(CHOSEN)} | self._other
        return Draws(dials, choices, log_weight, np.exp(self._ln_v))

    def _draw(self, row: int, modes: list[Mode], share: Array) -> None:
        ends = PRIOR_SHARE + (1 - PRIOR_SHARE) * np.cumsum(share)
        number = np.minimum(np.searchsorted(ends, self._which), len(modes) - 1)
        x, kinds = self._x[row], self._kinds[row]
        for n, mode in enumerate(modes):
            some = np.flatnonzero((self._which >= PRIOR_SHARE) & (number == n))
            x[:, some] = mode.point.x[:, None] + mode.root @ x[:, some]
            self._ln_v[row, some] = mode.nominal_ln + self._width * x[0, some]
            ends_here = np.cumsum(mode.kinds, axis=1)[:, :-1, None]
            kinds[:, some] = (ends_here <= self._kind[:, None, some]).sum(axis=1)

    def _log_weight(self, share: Array) -> Array:
        """(explanations, draws): ln of the prior's density over the mixture's.

        Args:
            share: of the modes of all explanations, one after another.
        """
        prior_v = battery_density(self._k, self._ln_v)
        base_v = prior_v
        if self._near_v is not None:
            z = (self._ln_v - self._near_v) / AIMED_SPREAD
            base_v = 0.5 * prior_v + 0.5 * np.exp(-0.5 * z * z) / (AIMED_SPREAD * np.sqrt(2 * np.pi))
        first = np.cumsum([0, *(len(mine) for mine in self._modes[:-1])])
        close = np.log(share)[:, None] + self._log_ratio()
        log_close = np.logaddexp.reduceat(close, first, axis=0) + np.log(1 - PRIOR_SHARE)
        found: Array = np.log(prior_v + 1e-12) - np.logaddexp(np.log(PRIOR_SHARE * base_v + 1e-12), log_close)
        return found

    def _log_ratio(self) -> Array:
        """(modes, draws): ln of each mode's density over the prior's at the draws of its explanation, but for
        the battery, whose prior is left out (ln V)."""
        modes = [mode for mine in self._modes for mode in mine]
        rows = np.repeat(np.arange(len(self._modes)), [len(mine) for mine in self._modes])
        x, root = self._x[rows], np.stack([mode.root for mode in modes])
        x[:, 0] = (self._ln_v[rows] - np.array([[mode.nominal_ln] for mode in modes])) / self._width
        prior = 0.5 * (x[:, 1:] ** 2).sum(axis=1)
        x -= np.stack([mode.point.x for mode in modes])[:, :, None]
        z = np.linalg.inv(root) @ x
        found = prior - 0.5 * (z * z).sum(axis=1) - 0.5 * np.log(2 * np.pi) - np.log(self._width)
        found -= np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)[:, None]
        chances = np.stack([mode.kinds for mode in modes])
        log_ratio = np.log(np.maximum(chances, 1e-300)) - self._log_prior_kinds
        kinds = self._kinds[rows].astype(np.intp)
        log_found: Array = found + np.take_along_axis(log_ratio, kinds, axis=2).sum(axis=1)
        return log_found


def _shares(modes: Sequence[Mode]) -> Array:
    """Of the draws about the modes of one explanation."""
    log_mass = 0.5 * np.array([m.log_mass for m in modes])  # half: approximations are not relied upon
    share = np.exp(log_mass - log_mass.max())
    found: Array = 0.8 * share / share.sum() + 0.2 / len(modes)
    return found
