"""Draws about the best fits, for explanations that chance seldom fits to all readings at once.

Where several unknowns must be right together, draws from the prior do not meet them. From the best of earlier
draws a climb goes to where an explanation fits best without being unlikely itself (its posterior mode,
climbing.py); the slopes there tell how far each unknown may lie off, alone and with others (Laplace's
approximation: Tierney and Kadane, JASA 81, 1986). The new draws are normal about the modes found so far,
kinds of parts as they fit at the mode, mixed with the prior so that weights stay bounded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from daq.aiming import PRIOR_SHARE
from daq.climbing import CHOSEN, Climb, Mode, Start
from daq.hypotheses import Hypothesis
from daq.knowledge import Knowledge
from daq.likelihood import ORDERS
from daq.readings import Reading
from daq.unknowns import (
    AIMED_MEDIAN,
    AIMED_SPREAD,
    Array,
    Draws,
    battery_density,
    stratified_shares,
    unaimed,
)

# ln evidence is not above that at the modes found by more: in 99 of 100 explanations that many draws carried
# (189, of 26 sets of readings from ngspice) it was above by less than 8.
MOST_ABOVE = 8.0
MOST_LOOKED = 60  # draws among which starts are chosen
LEAST_START = 1e-3  # of the best
MOST_MODES = 6  # kept of one explanation
SAME_DIALS, SAME_KINDS = 0.3, 0.1  # modes that differ by less are one
OTHERS = (  # kinds to be tried where no good draw has them, one after another
    *(("source", "moved"), ("load", "LED string"), ("switch", "transistor"), ("load", "filament")),
    *(("bridge_rest", "source"), ("bridge_rest", "floating"), ("neighbour", "dark")),
    *(("test_current", "up"), ("test_current", "down"), ("test_current", "logic"), ("switch", "saturated")),
)
TOLD_APART = ("source", "load", "switch", "test_current", "bridge_rest", "neighbour")

Kind = tuple[str, int]  # of a part: a choice and its code


class Fits:
    """The best fits found so far of each explanation, and draws about them."""

    def __init__(self, given: list[Reading], knowledge: Knowledge, count: int, seen_v: float | None) -> None:
        self._given = given
        self._k = knowledge
        self._count = count
        self._seen_v = seen_v
        self._modes: dict[Hypothesis, list[Mode]] = {}
        self._tried: set[tuple[object, ...]] = set()

    def drawn(
        self,
        some: tuple[Hypothesis, ...],
        earlier: Draws,
        weight: Array,
        seed: int,
        turn: int,
        modes: Sequence[int],
    ) -> Draws:
        """Draws for `some`, about their best fits.

        Args:
            earlier: draws, (h, draws).
            weight: (orders, h, draws) what each counts, either way round.
            turn: how often there were fits before; each time another kind is tried, which no draw had.
            modes: how many are looked for, of each of `some`; from where it was looked before, not again.
        """
        starts: list[Start] = []
        for row, (h, most) in enumerate(zip(some, modes, strict=True)):
            found = _best_draws(row, weight[:, row], earlier, most - 1)
            mine = list(found.values())
            others = [other for other in _others(h, self._k) if all(other not in k for k in found)]
            if others:
                mine.append(replace(mine[0], other=others[turn % len(others)]))
            starts += [s for s in mine if self._is_new(h, s, earlier)]
        starts.sort(key=lambda s: s.order)
        if starts:
            reached = Climb(some, earlier, starts, self._given, self._k).modes()
            for start, mode in zip(starts, reached, strict=True):
                self._keep(some[start.row], mode)
        each = [self._modes[h] for h in some]
        return _Mixture(each, self._k, self._count, self._seen_v, seed).drawn()

    def most(self, some: Sequence[Hypothesis]) -> Array:
        """(orders, explanations): ln evidence that is not exceeded; infinite where no mode was looked for."""
        found = np.full((len(ORDERS), len(some)), np.inf)
        for n, h in enumerate(some):
            for o, order in enumerate(ORDERS):
                mine = [m.log_mass for m in self._modes.get(h, []) if m.order == order]
                if mine:
                    found[o, n] = np.logaddexp.reduce(mine) + MOST_ABOVE
        return found

    def _is_new(self, h: Hypothesis, start: Start, earlier: Draws) -> bool:
        """No climb of this explanation began there yet; told by the battery, which no two draws share."""
        row = start.row if earlier.emf_v.shape[0] > 1 else 0
        where = (h, start.order, start.other, float(earlier.emf_v[row, start.column]))
        if where in self._tried:
            return False
        self._tried.add(where)
        return True

    def _keep(self, h: Hypothesis, mode: Mode) -> None:
        """Unless it was found before; the best are kept."""
        mine = self._modes.setdefault(h, [])
        if not any(_same(mode, other) for other in mine):
            mine.append(mode)
            mine.sort(key=lambda m: -m.log_mass)
            del mine[MOST_MODES:]


def _same(one: Mode, other: Mode) -> bool:
    near = one.nominal_ln == other.nominal_ln and np.abs(one.at - other.at).max() < SAME_DIALS
    return bool(near) and all(np.abs(one.kinds[c] - other.kinds[c]).max() < SAME_KINDS for c in CHOSEN)


def _best_draws(row: int, weight: Array, earlier: Draws, most: int) -> dict[tuple[Kind | int, ...], Start]:
    """The best draw of each of the likeliest combinations of lead order and kinds, best first."""
    flat = weight.ravel()
    best = np.argsort(-flat, kind="stable")[:MOST_LOOKED]
    order, column = np.unravel_index(best[flat[best] > LEAST_START * flat[best[0]]], weight.shape)
    found: dict[tuple[Kind | int, ...], Start] = {}
    for o, c in zip(order.tolist(), column.tolist(), strict=True):
        codes = {name: earlier.choices[name] for name in TOLD_APART}
        kinds = ((name, int(v[row if v.shape[0] > 1 else 0, c])) for name, v in codes.items())
        found.setdefault((o, *kinds), Start(row, o + 1, c))
        if len(found) == most:
            break
    return found


def _others(h: Hypothesis, k: Knowledge) -> list[Kind]:
    """Kinds to be tried for this explanation."""
    return [
        (name, list(k.choices[name]).index(kind))
        for name, kind in OTHERS
        if name in _hangs_on(h) and k.choices[name][kind] > 0
    ]


def _hangs_on(h: Hypothesis) -> set[str]:
    """The choices on which its circuit hangs."""
    found = {"source", "load", "switch", "test_current"}
    found |= {"neighbour"} if (h.condition or "").startswith("shared") else set()
    return found | ({"bridge_rest"} if h.side == "reversing" else set())


class _Mixture:
    """Draws from the prior and about modes, those of each explanation, with their weights."""

    def __init__(
        self, modes: Sequence[list[Mode]], k: Knowledge, count: int, seen_v: float | None, seed: int
    ) -> None:
        self._modes = modes
        self._k = k
        self._count = count
        self._width = float(np.log(k.spread["source"].factor))
        self._prior = {name: np.array(list(k.choices[name].values())) for name in CHOSEN}
        base = unaimed(k, count, seen_v, seed + 31)
        self._near_v = None if seen_v is None else float(np.log(seen_v * AIMED_MEDIAN))
        shape = (len(modes), count)
        self._dials = {n: np.array(np.broadcast_to(v, shape)) for n, v in base.dials.items()}
        self._choices = {n: np.array(np.broadcast_to(v, shape)) for n, v in base.choices.items()}
        self._ln_v = np.array(np.broadcast_to(np.log(base.emf_v), shape))
        self._which = stratified_shares(count, 1, seed + 37)[0]
        self._kind = stratified_shares(count, len(CHOSEN), seed + 53)

    def drawn(self) -> Draws:
        log_weight = np.zeros(self._ln_v.shape)
        for row, mine in enumerate(self._modes):
            log_mass = 0.5 * np.array([m.log_mass for m in mine])  # half: approximations are not relied upon
            share = np.exp(log_mass - log_mass.max())
            share = 0.8 * share / share.sum() + 0.2 / len(mine)
            self._draw(row, mine, share)
            log_weight[row] = self._log_weight(row, mine, share)
        return Draws(self._dials, self._choices, log_weight, np.exp(self._ln_v))

    def _draw(self, row: int, modes: list[Mode], share: Array) -> None:
        ends = PRIOR_SHARE + (1 - PRIOR_SHARE) * np.cumsum(share)
        number = np.searchsorted(ends, self._which)
        for n, mode in enumerate(modes):
            some = np.flatnonzero((self._which >= PRIOR_SHARE) & (np.minimum(number, len(modes) - 1) == n))
            free = np.stack([self._dials[name][row, some] for name in mode.dials])
            moved = mode.at[:, None] + mode.root @ free
            for name, values in zip(mode.dials, moved, strict=True):
                self._dials[name][row, some] = values
            self._ln_v[row, some] = mode.nominal_ln + self._width * self._dials["source"][row, some]
            for c, name in enumerate(CHOSEN):
                ends_here = np.cumsum(mode.kinds[name])[:-1]
                self._choices[name][row, some] = np.searchsorted(ends_here, self._kind[c, some])

    def _log_weight(self, row: int, modes: list[Mode], share: Array) -> Array:
        ln_v = self._ln_v[row]
        prior_v = battery_density(self._k, ln_v)
        base_v = prior_v
        if self._near_v is not None:
            z = (ln_v - self._near_v) / AIMED_SPREAD
            base_v = 0.5 * prior_v + 0.5 * np.exp(-0.5 * z * z) / (AIMED_SPREAD * np.sqrt(2 * np.pi))
        at = np.stack(
            [self._dials[name][row] for name in modes[0].dials]
        )  # an explanation's, in all its modes
        close = [np.log(s) + self._log_ratio(row, m, at) for s, m in zip(share, modes, strict=True)]
        log_close = np.logaddexp.reduce(close) + np.log(1 - PRIOR_SHARE)
        found: Array = np.log(prior_v + 1e-12) - np.logaddexp(np.log(PRIOR_SHARE * base_v + 1e-12), log_close)
        return found

    def _log_ratio(self, row: int, mode: Mode, x: Array) -> Array:
        """ln of a mode's density over the prior's, but for the battery, whose prior is left out (ln V).

        Args:
            x: (dials, draws); the first is set to the battery as this mode sees it.
        """
        x[0] = (self._ln_v[row] - mode.nominal_ln) / self._width
        z = np.linalg.inv(mode.root) @ (x - mode.at[:, None])
        found = -0.5 * (z * z).sum(axis=0) - np.log(np.diag(mode.root)).sum()
        found += 0.5 * (x[1:] ** 2).sum(axis=0) - 0.5 * np.log(2 * np.pi) - np.log(self._width)
        for name in CHOSEN:
            ratio = mode.kinds[name] / np.maximum(
                self._prior[name], 1e-300
            )  # a kind that is none is not drawn
            found += np.log(np.maximum(ratio, 1e-300))[self._choices[name][row]]
        log_ratio: Array = found
        return log_ratio
