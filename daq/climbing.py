"""Where an explanation fits readings best without being unlikely itself: its posterior modes.

Gauss's and Newton's method in the space of dials, whose prior is standard normal: misses are taken as linear
in the dials, the step to the best of that is tried, and shortened where it does no good. First steps see the
readings widened, as misses bend. Kinds of parts stay as they were at the start. All starts climb side by
side, those at rest no longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from daq.explained import circuits
from daq.hypotheses import Hypothesis
from daq.knowledge import Knowledge
from daq.likelihood import Scorer, or_misread, scorers
from daq.points import SYSTEM, Point, draws_at, nominal_ln
from daq.readings import Reading
from daq.unknowns import CHOICES, DIALS, Array, Draws

LEVELS = (4.0, 2.0, 1.0)  # of the readings' deviation
STEPS = (0, 1, 2, 2)  # which of them each step sees, and the last of them all that follow
FULL = len(LEVELS) - 1  # the readings as they are
STEP = 0.05  # of a dial, for slopes
MOST_STEP = 1.5
SHORTER, SHORTEST = 0.3, 0.05  # a step that did no good is tried again so much shorter, and no shorter than
EVERY_DIAL = 1  # the step after which all dials are moved again; at others, those that do something
LEAST_SLOPE = 0.02
AT_REST = 0.1  # of ln posterior: no step that would gain less is made
WIDER = 1.4  # the draws than the readings allow at the mode
OTHER_KIND = 2.0  # of ln density, gained by another kind of a part
KINDS_PRIOR = 0.1  # share of the prior in the kinds drawn
# A fuse larger than need be changes nothing, so it stays where the climb began: pulled to what is usual it
# blows, and every step with it is in vain.
FUSE = DIALS.index("fuse")
ALWAYS = (
    *("source", "load", "led", "open", "saturation", "test_current", "source_moved"),
    *(name for name in DIALS if name.startswith("contact ")),
)
TOLD_APART = ("source", "load", "switch", "test_current", "bridge_rest", "neighbour")
SAME_DIALS = 0.3  # fits that differ by less are one
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


Mask = npt.NDArray[np.bool_]
Kind = tuple[str, int]  # of a part: a choice and its code


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Where a climb of explanation `row` starts, lead `order` on the feed pin, or goes on (`resumed`)."""

    row: int
    order: int
    point: Point
    resumed: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Mode:
    """A best fit: where it is, how wide, which kinds fit there, and how good it is.

    Attributes:
        point: where it is; dials on which it does not hang are at 0.
        root: of the covariance of all dials, lower, (DIALS, DIALS).
        nominal_ln: ln V of the battery where the dial `source` is 0.
        kinds: chances of each kind of each choice, (CHOSEN, most kinds).
        log_mass: ln of the evidence that lies about it (Laplace), kinds that fit there summed.
        order: the lead on the feed pin with which it fits.
        better: another kind of a part that would fit much better there, if any.
        rising: the climb might have gone on.
    """

    point: Point
    root: Array
    nominal_ln: float
    kinds: Array
    log_mass: float
    order: int
    better: Kind | None
    rising: bool


def prior_kinds(knowledge: Knowledge) -> Array:
    """Prior chances of each kind, (CHOSEN, most kinds), 0 where a choice has fewer."""
    each = [list(knowledge.choices[name].values()) for name in CHOSEN]
    found = np.zeros((len(each), max(map(len, each))))
    for n, some in enumerate(each):
        found[n, : len(some)] = some
    return found


def relevant(h: Hypothesis) -> tuple[str, ...]:
    """The dials on which this explanation's circuit hangs."""
    second = () if h.second is None else ("second fault",)
    own = (*BY_FAULT.get(h.fault.fault, ()), *BY_CONDITION.get(h.condition or "", ()), *second)
    return (*ALWAYS, *own)


@cache
def relevant_dials(h: Hypothesis) -> Mask:
    """The same as a mask, (DIALS,)."""
    mine = relevant(h)
    return np.array([name in mine for name in DIALS])


def hangs_on(h: Hypothesis) -> set[str]:
    """The choices on which its circuit hangs."""
    found = {"source", "load", "switch", "test_current", "key"}
    found |= {"neighbour"} if (h.condition or "").startswith("shared") else set()
    return found | ({"bridge_rest"} if h.side == "reversing" else set())


@dataclass(slots=True, eq=False)
class _Stand:
    """Where starts stand, and what is seen from there.

    Attributes:
        x: (starts, DIALS).
        miss: (starts, values), in standard deviations.
        slope: (starts, values, DIALS), of it; 0 where a dial was not moved.
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
        density = or_misread(self.fit, self.wrong).sum(axis=-1)
        found: Array = density - 0.5 * (self.x**2).sum(axis=1)
        return found

    def sure(self) -> Array:
        """(levels, starts, values): how surely each is no misreading."""
        share: Array = 1.0 / (1.0 + np.exp(np.clip(self.wrong - self.fit, -60, 60)))
        return share[..., self.reading]

    def replace(self, rows: npt.NDArray[np.intp], other: _Stand, theirs: Mask, moved: Mask) -> None:
        """Take what `other` has where `theirs`, for `rows`; slopes of the dials that were `moved`."""
        self.x[rows], self.fit[:, rows] = other.x[theirs], other.fit[:, theirs]
        self.miss[rows] = other.miss[theirs]
        self.slope[rows] = np.where(moved[:, None], other.slope[theirs], self.slope[rows])


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
        starts: Sequence[Start],
        given: list[Reading],
        knowledge: Knowledge,
    ) -> None:
        self._some = tuple(some[s.row] for s in starts)
        self._starts = starts
        self._orders = np.array([s.order for s in starts])
        self._resumed = np.array([s.resumed for s in starts])
        self._given = given
        self._k = knowledge
        self._codes = np.stack([s.point.codes for s in starts])
        self._nominal = nominal_ln(knowledge)[self._codes[:, SYSTEM]]
        self._log_system = np.log(
            np.array(list(knowledge.choices["system"].values()))[self._codes[:, SYSTEM]]
        )
        self._relevant = np.stack([relevant_dials(h) for h in self._some])
        self._x = np.where(self._relevant, np.stack([s.point.x for s in starts]), 0.0)

    def modes(self, most_steps: int = len(STEPS)) -> list[Mode]:
        """One for each start, in their order."""
        going = np.arange(len(self._starts))
        stand, stride = self._looked(going, self._x, self._relevant), np.ones(len(going))
        for n in range(most_steps):
            level = np.where(self._resumed[going], FULL, STEPS[min(n, len(STEPS) - 1)])
            steps, gains = self._steps(stand, going, level)
            on = (level < FULL) | (gains > AT_REST)
            going, steps, level = going[on], steps[on], level[on]
            if not len(going):
                break
            tried = stand.x[going] + stride[going, None] * steps
            moved = self._relevant[going]
            if n != EVERY_DIAL:
                moved = moved & (np.abs(stand.slope[going]).max(axis=1) > LEAST_SLOPE)
            new = self._looked(going, tried, moved)
            gained = new.log_post()[level, np.arange(len(going))] - stand.log_post()[level, going]
            better = gained > 0
            stand.replace(going[better], new, better, moved[better])
            stride[going] = np.where(better, np.minimum(1.0, 2 * stride[going]), SHORTER * stride[going])
            going = going[(level < FULL) | better | (stride[going] > SHORTEST)]
        rising = np.zeros(len(self._starts), dtype=np.bool_)
        rising[going] = self._steps(stand, going, np.full(len(going), FULL))[1] > AT_REST
        self._x = stand.x
        slopes = stand.slope * np.sqrt(stand.sure()[-1])[..., None]
        kinds, log_kinds, other_kinds = self._kinds()
        root = self._roots(slopes)
        log_mass = stand.log_post()[-1] + log_kinds + self._log_system
        log_mass += np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        return [
            Mode(
                Point(self._x[n], self._codes[n]),
                root[n],
                float(self._nominal[n]),
                kinds[n],
                float(log_mass[n]),
                start.order,
                other_kinds[n],
                bool(rising[n]),
            )
            for n, start in enumerate(self._starts)
        ]

    def _scorers(
        self, rows: npt.NDArray[np.intp], draws: Draws, fuses_as_first: bool = False
    ) -> list[tuple[npt.NDArray[np.intp], Scorer]]:
        """Either lead order's places among `rows`, with their scorer."""
        made = circuits(tuple(self._some[n] for n in rows), draws, self._k, fuses_as_first)
        return scorers(made, self._given, self._k.reading, self._orders[rows])

    def _looked(self, rows: npt.NDArray[np.intp], at: Array, moved: Mask) -> _Stand:
        """What is seen from `at`, (rows, DIALS), and a small step further in each of the dials `moved`."""
        n, dial = np.nonzero(moved)
        column = np.cumsum(moved, axis=1)[n, dial]
        x = np.repeat(at[:, None, :], column.max(initial=0) + 1, axis=1)
        x[n, column, dial] += STEP
        stands = []
        for mine, scorer in self._scorers(rows, draws_at(x, self._codes[rows, None], self._k), True):
            miss, reading = scorer.misses()
            every, one = np.arange(len(mine)), np.ones((1, len(mine)))
            fit = np.stack([scorer.log_fit(every, level * one)[0, :, :, 0].T for level in LEVELS])
            here, dials = np.nonzero(moved[mine])
            columns = np.cumsum(moved[mine], axis=1)[here, dials]
            slope = np.zeros((*miss.shape[:2], len(DIALS)))
            slope[here, :, dials] = (miss[here, :, columns] - miss[here, :, 0]) / STEP
            stands.append((mine, _Stand(at[mine], miss[..., 0], slope, fit, scorer.log_misread, reading)))
        return _together(stands)

    def _steps(
        self, stand: _Stand, rows: npt.NDArray[np.intp], level: npt.NDArray[np.intp]
    ) -> tuple[Array, Array]:
        """(rows, DIALS): to the best fit, were misses linear; and what ln posterior would gain, (rows,)."""
        slope = stand.slope[rows]
        sure = stand.sure()[level, rows] / np.array(LEVELS)[level, None] ** 2
        heavy = slope * sure[..., None]
        push = (heavy * stand.miss[rows][..., None]).sum(axis=1) + stand.x[rows]
        push[:, FUSE] = 0.0
        # (1 + S'WS)^-1 = 1 - S'(1 + WSS')^-1 WS: there are fewer values than dials (Woodbury's identity).
        across = heavy @ np.concatenate([slope.transpose(0, 2, 1), push[..., None]], axis=2)
        values = slope.shape[1]
        pull = np.linalg.solve(np.eye(values) + across[..., :values], across[..., values:])
        found = (slope.transpose(0, 2, 1) @ pull)[..., 0] - push
        return np.clip(found, -MOST_STEP, MOST_STEP), -0.5 * (found * push).sum(axis=-1)

    def _kinds(self) -> tuple[Array, Array, list[Kind | None]]:
        """Chances of each kind, all else being as it is at the mode, (starts, CHOSEN, most kinds).

        And ln of what all kinds have together, over what those at the mode would have were they certain,
        (starts,): of choices that would mend the same misfit only the best counts for more than nothing.
        And which other kind would fit much better there, if any, of each start.
        """
        prior, count = prior_kinds(self._k), len(self._starts)
        choices = [c for c, name in enumerate(CHOSEN) if any(name in hangs_on(h) for h in self._some)]
        kinds = [(c, code) for c in choices for code in range(len(self._k.choices[CHOSEN[c]]))]
        codes = np.repeat(self._codes[:, None], len(kinds), axis=1)
        for column, (c, code) in enumerate(kinds):
            codes[:, column, CHOICES.index(CHOSEN[c])] = code
        x = np.repeat(self._x[:, None, :], len(kinds), axis=1)
        density = np.full((count, *prior.shape), -np.inf)
        for mine, scorer in self._scorers(np.arange(count), draws_at(x, codes, self._k)):
            wider = np.full((1, len(mine)), WIDER)
            found = scorer.log_density(np.arange(len(mine)), wider)[0].sum(axis=0)
            for column, (c, code) in enumerate(kinds):
                density[mine, c, code] = found[:, column]
        chances = np.broadcast_to(prior, density.shape).copy()
        gained = np.zeros((count, len(CHOSEN)))
        best = np.zeros(gained.shape, dtype=np.intp)
        for c in choices:
            most = density[:, c].max(axis=1, keepdims=True)
            share = prior[c] * np.exp(density[:, c] - most)
            here = density[np.arange(count), c, self._codes[:, CHOICES.index(CHOSEN[c])]]
            gained[:, c] = np.log(share.sum(axis=1)) + most[:, 0] - here
            best[:, c] = share.argmax(axis=1)
            share /= share.sum(axis=1, keepdims=True)
            chances[:, c] = KINDS_PRIOR * prior[c] + (1 - KINDS_PRIOR) * share
        first, more = gained.argmax(axis=1), np.maximum(gained, 0).max(axis=1)
        better: list[Kind | None] = [
            (CHOSEN[first[n]], int(best[n, first[n]])) if more[n] > OTHER_KIND else None for n in range(count)
        ]
        return chances, np.minimum(gained, 0).sum(axis=1) + more, better

    def _roots(self, slopes: Array) -> Array:
        """Of the covariances at the modes, (starts, DIALS, DIALS); dials that do nothing vary as before."""
        slopes = np.where(self._relevant[:, None], slopes, 0.0) / WIDER
        precision = np.einsum("nri,nrj->nij", slopes, slopes) + np.eye(len(DIALS))
        covariance = np.linalg.inv(precision)
        return np.linalg.cholesky((covariance + covariance.transpose(0, 2, 1)) / 2).astype(np.float64)
