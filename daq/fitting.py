"""Draws about the best fits, for explanations that chance seldom fits to all readings at once.

Where several unknowns must be right together, draws from the prior do not meet them. From the best of earlier
draws, Gauss's and Newton's method goes to where an explanation fits best without being unlikely itself (its
posterior mode); the slopes there tell how far each unknown may lie off, alone and with others (Laplace's
approximation: Tierney and Kadane, JASA 81, 1986). The new draws are normal about a few such modes, kinds of
parts as they fit at the mode, mixed with the prior so that weights stay bounded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from daq.aiming import PRIOR_SHARE
from daq.hypotheses import Hypothesis, circuits
from daq.knowledge import Knowledge
from daq.likelihood import ORDERS, Scorer
from daq.readings import Reading
from daq.unknowns import (
    AIMED_MEDIAN,
    AIMED_SPREAD,
    CHOICES,
    DIALS,
    SYSTEM_V,
    Array,
    Codes,
    Draws,
    battery_density,
    stratified_shares,
    unaimed,
)

T = TypeVar("T", bound=np.generic)

MOST_LOOKED = 60  # draws among which starts are chosen
LEAST_START = 1e-3  # of the best
OTHERS = (  # kinds to be tried where no good draw has them, one after another
    *(("source", "moved"), ("load", "LED string"), ("switch", "transistor"), ("load", "filament")),
    *(("bridge_rest", "source"), ("bridge_rest", "floating"), ("neighbour", "dark")),
    *(("test_current", "up"), ("test_current", "down"), ("test_current", "logic"), ("switch", "saturated")),
)
TOLD_APART = ("source", "load", "switch", "test_current", "bridge_rest", "neighbour")
WIDENED = (4.0, 2.0, 1.0, 1.0)  # of the readings' deviation, step by step
STEP = 0.05  # of a dial, for slopes
MOST_STEP = 1.5
WIDER = 1.4  # the draws than the readings allow at the mode
KINDS_PRIOR = 0.1  # share of the prior in the kinds drawn
ALWAYS = (
    *("source", "load", "led", "open", "saturation", "test_current", "source_moved"),
    *(name for name in DIALS if name.startswith("contact ")),
)
CHOSEN = tuple(name for name in CHOICES if name not in ("system", "test_light"))
BY_CONDITION = {
    "averaged": ("duty",),
    "stepped": ("step",),
    "shared feed": ("neighbour",),
    "shared ground": ("neighbour", "shared_contact"),
}
BY_FAULT = {
    "high resistance": ("fault",),
    "short to ground": ("short", "fuse"),
    "short to power": ("short",),
    "load shorted": ("short", "fuse"),
}


@dataclass(frozen=True, slots=True)
class Start:
    """An earlier draw, `column`, of explanation `row`, with lead `order` on the feed pin."""

    row: int
    order: int
    column: int
    other: tuple[str, int] | None = None  # a choice made otherwise than in that draw


@dataclass(frozen=True, slots=True, eq=False)
class Mode:
    """A best fit: where it is, how wide, which kinds fit there, and how good it is."""

    row: int
    dials: tuple[str, ...]
    at: Array  # (dials,)
    root: Array  # (dials, dials) of the covariance, lower
    nominal_ln: float  # ln V of the battery where the dial `source` is 0
    kinds: dict[str, Array]  # choice -> chances
    log_mass: float


def fitted(
    some: tuple[Hypothesis, ...],
    earlier: Draws,
    weight: Array,
    given: list[Reading],
    knowledge: Knowledge,
    count: int,
    seen_v: float | None,
    seed: int,
    turn: int,
    modes: Sequence[int],
) -> Draws:
    """Draws for `some`, about their best fits.

    Args:
        earlier: draws, (h, draws).
        weight: (orders, h, draws) what each counts, either way round.
        modes: how many are looked for, of each of `some`.
        turn: how often they were fitted before; each time another kind of part is tried, which no draw had.
    """
    starts: list[Start] = []
    for row, (h, most) in enumerate(zip(some, modes, strict=True)):
        found = _best_draws(row, weight[:, row], earlier, most - 1)
        starts += list(found.values())
        others = [other for other in _others(h, knowledge) if all(other not in k for k in found)]
        if others:
            starts.append(replace(starts[-len(found)], other=others[turn % len(others)]))
    reached: list[Mode] = []
    for order in ORDERS:
        mine = [s for s in starts if s.order == order]
        if mine:
            reached += _Climb(some, earlier, mine, order, given, knowledge).modes()
    return _Mixture(len(some), reached, knowledge, count, seen_v, seed).drawn()


Kind = tuple[str, int]  # of a part: a choice and its code


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


def relevant(h: Hypothesis) -> tuple[str, ...]:
    """The dials on which this explanation's circuit hangs."""
    second = () if h.second is None else ("second fault",)
    own = (*BY_FAULT.get(h.fault.fault, ()), *BY_CONDITION.get(h.condition or "", ()), *second)
    return (*ALWAYS, *own)


class _Climb:
    """Explanations going up to their modes, all from starts with the same lead order."""

    def __init__(
        self,
        some: tuple[Hypothesis, ...],
        earlier: Draws,
        starts: list[Start],
        order: int,
        given: list[Reading],
        knowledge: Knowledge,
    ) -> None:
        self._some = tuple(some[s.row] for s in starts)
        self._starts = starts
        self._order = order
        self._given = given
        self._k = knowledge
        rows, columns = np.array([s.row for s in starts]), np.array([s.column for s in starts])

        def of(values: npt.NDArray[T]) -> npt.NDArray[T]:
            taken: npt.NDArray[T] = values[rows if values.shape[0] > 1 else 0, columns]
            return taken

        self._choices = {name: of(v) for name, v in earlier.choices.items()}
        for n, start in enumerate(starts):
            if start.other is not None:
                self._choices[start.other[0]][n] = start.other[1]
        self._x = np.stack([of(earlier.dials[name]) for name in DIALS], axis=1)
        spread = knowledge.spread["source"]
        self._width = float(np.log(spread.factor))
        nominal = np.log([SYSTEM_V[name] * spread.median for name in knowledge.choices["system"]])
        emf = np.log(of(earlier.emf_v))
        self._nominal = nominal[np.abs(emf[:, None] - nominal).argmin(axis=1)]
        self._x[:, 0] = (emf - self._nominal) / self._width
        names = [relevant(h) for h in self._some]
        most = max(map(len, names))
        self._names = names
        self._place = np.array([[DIALS.index(n) for n in each] + [-1] * (most - len(each)) for each in names])

    def modes(self) -> list[Mode]:
        best = np.full(len(self._starts), -np.inf)
        at, slopes = self._x.copy(), np.zeros((len(self._starts), 0, self._place.shape[1]))
        for turn, widen in enumerate(WIDENED):
            miss, log_density, sure = self._looked(widen)
            log_post = log_density - 0.5 * (self._x**2).sum(axis=1)
            slope = (miss[..., 1:] - miss[..., :1]) / STEP
            if not turn:
                slopes = np.zeros(slope.shape)
            better = log_post > best
            best = np.where(better, log_post, best)
            at[better], slopes[better] = self._x[better], (slope * np.sqrt(sure)[..., None])[better]
            if turn + 1 < len(WIDENED):
                self._step(miss[..., 0], slope, sure / widen**2)
        self._x = at
        kinds = self._kinds()
        return [
            self._mode(n, best[n], slopes[n], {c: v[n] for c, v in kinds.items()}) for n in range(len(at))
        ]

    def _drawn(self, x: Array, choices: dict[str, Codes]) -> Draws:
        """`x` is (starts, columns, dials)."""
        dials = {name: x[:, :, n] for n, name in enumerate(DIALS)}
        emf = np.exp(self._nominal[:, None] + self._width * x[:, :, 0])
        return Draws(dials, choices, np.zeros(emf.shape), emf)

    def _scorer(self, draws: Draws) -> Scorer:
        made = circuits(self._some, draws, self._k)
        return Scorer(made, self._given, self._k.reading, orders=(self._order,))

    def _looked(self, widen: float) -> tuple[Array, Array, Array]:
        """Misses (starts, values, columns), ln density (starts,), how surely each is no misreading.

        The first column is where it stands, the others a step further in one dial.
        """
        columns = self._place.shape[1]
        x = np.repeat(self._x[:, None, :], columns + 1, axis=1)
        n, c = np.nonzero(self._place >= 0)
        x[n, c + 1, self._place[n, c]] += STEP
        shape = x.shape[:2]
        choices = {name: np.broadcast_to(v[:, None], shape) for name, v in self._choices.items()}
        scorer = self._scorer(self._drawn(x, choices))
        miss, reading = scorer.misses()
        rows, one = np.arange(shape[0]), np.ones((1, shape[0]))
        log_density = scorer.log_density(rows, one)[0].sum(axis=0)[:, 0]
        fit = scorer.log_fit(rows, widen * one)[0][:, :, 0]
        sure = 1.0 / (1.0 + np.exp(np.clip(scorer.log_misread[:, None] - fit, -60, 60)))
        return miss, log_density, sure[reading].T

    def _step(self, miss: Array, slope: Array, trust: Array) -> None:
        columns = slope.shape[-1]
        here = np.where(self._place >= 0, np.take_along_axis(self._x, np.maximum(self._place, 0), axis=1), 0)
        heavy = slope * trust[..., None]
        matrix = np.einsum("nri,nrj->nij", slope, heavy) + np.eye(columns)
        push = (heavy * miss[..., None]).sum(axis=1) + here
        step = np.clip(-np.linalg.solve(matrix, push[..., None])[..., 0], -MOST_STEP, MOST_STEP)
        n, c = np.nonzero(self._place >= 0)
        self._x[n, self._place[n, c]] += step[n, c]

    def _kinds(self) -> dict[str, Array]:
        """choice -> (starts, kinds): chances of each kind, all else being as it is at the mode."""
        kinds = [(name, code) for name in CHOSEN for code in range(len(self._k.choices[name]))]
        shape = (len(self._starts), len(kinds))
        choices = {name: np.array(np.broadcast_to(v[:, None], shape)) for name, v in self._choices.items()}
        for column, (name, code) in enumerate(kinds):
            choices[name][:, column] = code
        x = np.repeat(self._x[:, None, :], len(kinds), axis=1)
        scorer = self._scorer(self._drawn(x, choices))
        rows = np.arange(shape[0])
        density = scorer.log_density(rows, np.full((1, shape[0]), WIDER))[0].sum(axis=0)
        found = {}
        for name in CHOSEN:
            prior = np.array(list(self._k.choices[name].values()))
            mine = density[:, [n for n, (other, _) in enumerate(kinds) if other == name]]
            share = prior * np.exp(mine - mine.max(axis=1, keepdims=True))
            share = share / share.sum(axis=1, keepdims=True)
            found[name] = KINDS_PRIOR * prior + (1 - KINDS_PRIOR) * share
        return found

    def _mode(self, n: int, log_post: float, slope: Array, kinds: dict[str, Array]) -> Mode:
        names = self._names[n]
        slope = slope[:, : len(names)] / WIDER
        covariance = np.linalg.inv(slope.T @ slope + np.eye(len(names)))
        root = np.linalg.cholesky((covariance + covariance.T) / 2).astype(np.float64)
        chosen = sum(
            float(np.log(list(self._k.choices[name].values())[self._choices[name][n]])) for name in CHOSEN
        )
        return Mode(
            self._starts[n].row,
            names,
            self._x[n, self._place[n, : len(names)]],
            root,
            float(self._nominal[n]),
            kinds,
            float(log_post + chosen + np.log(np.diag(root)).sum()),
        )


class _Mixture:
    """Draws from the prior and about modes, with their weights."""

    def __init__(
        self, rows: int, modes: Sequence[Mode], k: Knowledge, count: int, seen_v: float | None, seed: int
    ) -> None:
        self._modes = modes
        self._k = k
        self._count = count
        self._width = float(np.log(k.spread["source"].factor))
        base = unaimed(k, count, seen_v, seed + 31)
        self._near_v = None if seen_v is None else float(np.log(seen_v * AIMED_MEDIAN))
        shape = (rows, count)
        self._dials = {n: np.array(np.broadcast_to(v, shape)) for n, v in base.dials.items()}
        self._choices = {n: np.array(np.broadcast_to(v, shape)) for n, v in base.choices.items()}
        self._ln_v = np.array(np.broadcast_to(np.log(base.emf_v), shape))
        self._which = stratified_shares(count, 1, seed + 37)[0]
        self._kind = stratified_shares(count, len(CHOSEN), seed + 53)

    def drawn(self) -> Draws:
        rows = self._ln_v.shape[0]
        log_weight = np.zeros((rows, self._count))
        for row in range(rows):
            mine = [m for m in self._modes if m.row == row]
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
        close = [np.log(s) + self._log_ratio(row, m) for s, m in zip(share, modes, strict=True)]
        log_close = np.logaddexp.reduce(close) + np.log(1 - PRIOR_SHARE)
        found: Array = np.log(prior_v + 1e-12) - np.logaddexp(np.log(PRIOR_SHARE * base_v + 1e-12), log_close)
        return found

    def _log_ratio(self, row: int, mode: Mode) -> Array:
        """ln of a mode's density over the prior's, but for the battery, whose prior is left out (ln V)."""
        x = np.stack([self._dials[name][row] for name in mode.dials])
        x[0] = (self._ln_v[row] - mode.nominal_ln) / self._width
        z = np.linalg.solve(mode.root, x - mode.at[:, None])
        found = -0.5 * (z * z).sum(axis=0) - np.log(np.diag(mode.root)).sum()
        found += 0.5 * (x[1:] ** 2).sum(axis=0) - 0.5 * np.log(2 * np.pi) - np.log(self._width)
        for name in CHOSEN:
            prior, codes = np.array(list(self._k.choices[name].values())), self._choices[name][row]
            found += np.log(mode.kinds[name][codes] / prior[codes])
        log_ratio: Array = found
        return log_ratio
