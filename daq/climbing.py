"""Where an explanation fits readings best without being unlikely itself: its posterior modes.

Gauss's and Newton's method in the space of dials, whose prior is standard normal: misses are taken as linear
in the dials, the step to the best of that is tried, and shortened where it does no good. First steps see the
readings widened, as misses bend. Kinds of parts stay as they were at the start. All starts climb side by
side, those at rest no longer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from daq.explained import circuits
from daq.hypotheses import Hypothesis
from daq.knowledge import Knowledge
from daq.likelihood import Scorer, scorers
from daq.readings import Reading
from daq.unknowns import CHOICES, DIALS, SYSTEM_V, Array, Codes, Draws

T = TypeVar("T", bound=np.generic)

LEVELS = (4.0, 2.0, 1.0)  # of the readings' deviation
STEPS = (0, 1, 2, 2, 2, 2, 2)  # which of them each step sees
STEP = 0.05  # of a dial, for slopes
MOST_STEP = 1.5
SHORTER, SHORTEST = 0.3, 0.05  # a step that did no good is tried again so much shorter, and no shorter than
AT_REST = 0.1  # of ln posterior, gained by a step
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
    """A best fit: where it is, how wide, which kinds fit there, and how good it is.

    Attributes:
        dials, at: which dials it hangs on, and where they are, in standard deviations, (dials,).
        root: of their covariance, lower, (dials, dials).
        nominal_ln: ln V of the battery where the dial `source` is 0.
        kinds: choice -> chances.
        log_mass: ln of the evidence that lies about it (Laplace), kinds that fit there summed.
        order: the lead on the feed pin with which it fits.
    """

    dials: tuple[str, ...]
    at: Array
    root: Array
    nominal_ln: float
    kinds: dict[str, Array]
    log_mass: float
    order: int


def relevant(h: Hypothesis) -> tuple[str, ...]:
    """The dials on which this explanation's circuit hangs."""
    second = () if h.second is None else ("second fault",)
    own = (*BY_FAULT.get(h.fault.fault, ()), *BY_CONDITION.get(h.condition or "", ()), *second)
    return (*ALWAYS, *own)


@dataclass(slots=True, eq=False)
class _Stand:
    """Where starts stand, and what is seen from there.

    Attributes:
        x: (starts, DIALS).
        miss: (starts, values), in standard deviations.
        slope: (starts, values, dials), of it.
        fit: (levels, starts, readings), ln density, misreading left out.
        wrong: (readings,), ln density of a misreading.
        reading: (values,), which reading each is of.
    """

    x: Array
    miss: Array
    slope: Array
    fit: Array
    wrong: Array
    reading: npt.NDArray[np.intp]

    def log_post(self) -> Array:
        """(levels, starts), the prior of the kinds left out."""
        density = np.logaddexp(self.fit, self.wrong).sum(axis=-1)
        found: Array = density - 0.5 * (self.x**2).sum(axis=1)
        return found

    def sure(self) -> Array:
        """(levels, starts, values): how surely each is no misreading."""
        share: Array = 1.0 / (1.0 + np.exp(np.clip(self.wrong - self.fit, -60, 60)))
        return share[..., self.reading]

    def replace(self, rows: npt.NDArray[np.intp], other: _Stand, theirs: npt.NDArray[np.bool_]) -> None:
        """Take what `other` has where `theirs`, for `rows`."""
        self.x[rows], self.fit[:, rows] = other.x[theirs], other.fit[:, theirs]
        self.miss[rows], self.slope[rows] = other.miss[theirs], other.slope[theirs]


def _together(stands: list[tuple[npt.NDArray[np.intp], _Stand]]) -> _Stand:
    """Stands of some starts each, as one."""
    back = np.argsort(np.concatenate([rows for rows, _ in stands]))
    each = [stand for _, stand in stands]
    return _Stand(
        np.concatenate([s.x for s in each])[back],
        np.concatenate([s.miss for s in each])[back],
        np.concatenate([s.slope for s in each])[back],
        np.concatenate([s.fit for s in each], axis=1)[:, back],
        each[0].wrong,
        each[0].reading,
    )


class Climb:
    """Explanations going up to their modes."""

    def __init__(
        self,
        some: tuple[Hypothesis, ...],
        earlier: Draws,
        starts: list[Start],
        given: list[Reading],
        knowledge: Knowledge,
    ) -> None:
        self._some = tuple(some[s.row] for s in starts)
        self._starts = starts
        self._orders = np.array([s.order for s in starts])
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
        system = np.abs(emf[:, None] - nominal).argmin(axis=1)
        self._nominal = nominal[system]
        self._log_system = np.log(list(knowledge.choices["system"].values()))[system]
        self._x[:, 0] = (emf - self._nominal) / self._width
        names = [relevant(h) for h in self._some]
        most = max(map(len, names))
        self._names = names
        self._place = np.array([[DIALS.index(n) for n in each] + [-1] * (most - len(each)) for each in names])

    def modes(self) -> list[Mode]:
        """One for each start, in their order."""
        going = np.arange(len(self._starts))
        stand, stride = self._looked(going, self._x), np.ones(len(going))
        for level in STEPS:
            tried = stand.x[going] + stride[going, None] * self._steps(stand, going, level)
            new = self._looked(going, tried)
            gained = new.log_post()[level] - stand.log_post()[level, going]
            better = gained > 0
            stand.replace(going[better], new, better)
            stride[going] = np.where(better, np.minimum(1.0, 2 * stride[going]), SHORTER * stride[going])
            if LEVELS[level] == 1.0:
                going = going[np.where(better, gained > AT_REST, stride[going] > SHORTEST)]
            if not len(going):
                break
        self._x = stand.x
        (kinds, log_kinds), slopes = self._kinds(), stand.slope * np.sqrt(stand.sure()[-1])[..., None]
        log_post = stand.log_post()[-1] + log_kinds + self._log_system
        return [
            self._mode(n, log_post[n], slopes[n], {c: v[n] for c, v in kinds.items()})
            for n in range(len(self._starts))
        ]

    def _drawn(self, rows: npt.NDArray[np.intp], x: Array, choices: dict[str, Codes]) -> Draws:
        """`x` is (rows, columns, dials)."""
        dials = {name: x[:, :, n] for n, name in enumerate(DIALS)}
        emf = np.exp(self._nominal[rows, None] + self._width * x[:, :, 0])
        return Draws(dials, choices, np.zeros(emf.shape), emf)

    def _scorers(self, rows: npt.NDArray[np.intp], draws: Draws) -> list[tuple[npt.NDArray[np.intp], Scorer]]:
        """Either lead order's places among `rows`, with their scorer."""
        made = circuits(tuple(self._some[n] for n in rows), draws, self._k)
        return scorers(made, self._given, self._k.reading, self._orders[rows])

    def _looked(self, rows: npt.NDArray[np.intp], at: Array) -> _Stand:
        """What is seen from `at`, (rows, DIALS), and from a small step further in each dial."""
        place = self._place[rows]
        x = np.repeat(at[:, None, :], place.shape[1] + 1, axis=1)
        n, c = np.nonzero(place >= 0)
        x[n, c + 1, place[n, c]] += STEP
        shape = x.shape[:2]
        choices = {name: np.broadcast_to(v[rows, None], shape) for name, v in self._choices.items()}
        stands = []
        for mine, scorer in self._scorers(rows, self._drawn(rows, x, choices)):
            miss, reading = scorer.misses()
            every, one = np.arange(len(mine)), np.ones((1, len(mine)))
            fit = np.stack([scorer.log_fit(every, level * one)[0, :, :, 0].T for level in LEVELS])
            slope = (miss[..., 1:] - miss[..., :1]) / STEP
            stands.append((mine, _Stand(at[mine], miss[..., 0], slope, fit, scorer.log_misread, reading)))
        return _together(stands)

    def _steps(self, stand: _Stand, rows: npt.NDArray[np.intp], level: int) -> Array:
        """(rows, DIALS): to the best fit, were misses linear."""
        place, x, slope = self._place[rows], stand.x[rows], stand.slope[rows]
        here = np.where(place >= 0, np.take_along_axis(x, np.maximum(place, 0), axis=1), 0)
        heavy = slope * (stand.sure()[level, rows] / LEVELS[level] ** 2)[..., None]
        matrix = np.einsum("nri,nrj->nij", slope, heavy) + np.eye(slope.shape[-1])
        push = (heavy * stand.miss[rows][..., None]).sum(axis=1) + here
        step = np.clip(-np.linalg.solve(matrix, push[..., None])[..., 0], -MOST_STEP, MOST_STEP)
        found = np.zeros(x.shape)
        n, c = np.nonzero(place >= 0)
        found[n, place[n, c]] = step[n, c]
        return found

    def _kinds(self) -> tuple[dict[str, Array], Array]:
        """Chances of each kind, all else being as it is at the mode: choice -> (starts, kinds).

        And ln of what all kinds have together, over what those at the mode would have were they certain,
        (starts,): of choices that would mend the same misfit only the best counts for more than nothing.
        """
        kinds = [(name, code) for name in CHOSEN for code in range(len(self._k.choices[name]))]
        shape = (len(self._starts), len(kinds))
        choices = {name: np.array(np.broadcast_to(v[:, None], shape)) for name, v in self._choices.items()}
        for column, (name, code) in enumerate(kinds):
            choices[name][:, column] = code
        x = np.repeat(self._x[:, None, :], len(kinds), axis=1)
        rows = np.arange(shape[0])
        density = np.empty(shape)
        for mine, scorer in self._scorers(rows, self._drawn(rows, x, choices)):
            wider = np.full((1, len(mine)), WIDER)
            density[mine] = scorer.log_density(np.arange(len(mine)), wider)[0].sum(axis=0)
        found, gained = {}, []
        for name in CHOSEN:
            prior = np.array(list(self._k.choices[name].values()))
            each = density[:, [n for n, (other, _) in enumerate(kinds) if other == name]]
            share = prior * np.exp(each - each.max(axis=1, keepdims=True))
            here = each[rows, self._choices[name]]
            gained.append(np.log(share.sum(axis=1)) + each.max(axis=1) - here)
            share = share / share.sum(axis=1, keepdims=True)
            found[name] = KINDS_PRIOR * prior + (1 - KINDS_PRIOR) * share
        less, more = np.minimum(gained, 0).sum(axis=0), np.maximum(gained, 0).max(axis=0)
        return found, less + more

    def _mode(self, n: int, log_post: float, slope: Array, kinds: dict[str, Array]) -> Mode:
        names = self._names[n]
        slope = slope[:, : len(names)] / WIDER
        covariance = np.linalg.inv(slope.T @ slope + np.eye(len(names)))
        root = np.linalg.cholesky((covariance + covariance.T) / 2).astype(np.float64)
        return Mode(
            names,
            self._x[n, self._place[n, : len(names)]],
            root,
            float(self._nominal[n]),
            kinds,
            float(log_post + np.log(np.diag(root)).sum()),
            self._starts[n].order,
        )
