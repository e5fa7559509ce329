"""What could it be: the posterior over explanations and lead orders, given readings.

Importance sampling. For each explanation the unknowns are drawn once and serve all readings; its likelihood
is the mean over draws of the product of the readings' densities. A first set of draws, from the prior and
shared by all explanations, finds what survives and where each survivor's unknowns must lie. A second set is
drawn for each survivor from a mixture of stories: the prior, and for each unknown that the readings pin
down, the prior with that one unknown moved to where the first draws put it (aiming.py). Explanations that are
still carried by too few draws, or that were hoped for and fell far, get further sets about their best fits
(fitting.py; adaptive importance sampling: Cappé et al., J. Comput. Graph. Stat. 13, 2004).

How many draws carry an explanation is counted among those that explain every reading: draws that all take one
of them for a mistake are many, and tell nothing of those that were not met yet. What is thin is not trusted:
the readings' deviation is widened, within reason, until the effective number of draws is at least
LEAST_EFFECTIVE (Kong, Liu and Wong, JASA 89, 1994). The kernel keeps its height while it is widened, and the
evidence pays once for the width: where a level lies on a rail, poor sampling of another must not count
against an explanation for each reading anew. So one may be overrated, up to what its best fits allow, but
none is lost by bad luck. Before one is believed, what else it might be in the same place is fitted from
where the likeliest fits: draws of chance may have missed it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from daq.aiming import aimed_singly
from daq.circuit import Circuits
from daq.circuit_reading import Seen
from daq.explained import circuits
from daq.fitting import Fits
from daq.hypotheses import Hypothesis, hypotheses
from daq.knowledge import Knowledge, shipped
from daq.likelihood import Place, highest
from daq.readings import Reading
from daq.scores import LEAST_EFFECTIVE, WIDENINGS, Scores
from daq.unknowns import SEED, Array, unaimed

FIRST_DRAWS = 160
EVENED = ("load", "switch", "test_current")
DRAWS = 320
LEAST_DRAWS = 160
MOST_CIRCUITS = 10_000  # where many survive, little has been pinned down and fewer draws do
LEAST_SUMMED = 6.0  # effective draws of all sets: with fewer the widened evidence stands
LIKELY, MODES, FEWER_MODES = 0.02, 4, 2  # fits are looked for from so many starts
HOPED, FALLEN = 0.03, 0.01  # hoped for at first, and fallen so far: the draws may have missed it
APART = 1.5  # of ln evidence: sets that differ by more do not speak of the same
SAMPLING = 0.025  # what sampling may move a probability by
FIRST_WIDENINGS = (*WIDENINGS, 6.0, 11.0)  # few draws choose who stays: none is to be lost by bad luck
LARGE_BLOCK = 31 << 20  # bytes, never touched: from 32 MB on it would teach nothing
MOST_PLACES = 24  # less than 1 MB each
OF_KIN = 0.2  # as likely as the best, at first: what else it might be in its place is kept
SURE = 0.8  # when one is as probable as that, it is looked into
KEPT = 1e-4  # of the best, in the first set: less is not looked at again
# Explanations more probable than this are drawn again where draws are few, round after round.
LOOKED_INTO = (7e-4, 2e-3, 0.01, 0.02, 0.04, 0.04, 0.04)


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is believed after the readings.

    Attributes:
        hypotheses: the survivors, (h).
        probability: (orders, h): lead 1 on the feed pin, lead 2 on it; sums to 1.
        misread: for each reading, the probability that it is a wrong one.
        circuits, weight: the draws, (h, d), and each order's posterior weight of them, (orders, h, d).
        effective: (orders, h), effective number of draws.
        widened: (orders, h), factor on the readings' deviation.
    """

    given: tuple[Reading, ...]
    knowledge: Knowledge
    hypotheses: tuple[Hypothesis, ...]
    probability: Array
    misread: tuple[float, ...]
    circuits: Circuits
    weight: Array
    effective: Array
    widened: Array


Likelihood = Callable[[Hypothesis, int], float]
"""How well an explanation with lead 1 or 2 on the feed pin explains what else was seen, above 0."""


def diagnose(
    given: Sequence[Reading],
    knowledge: Knowledge | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
    beside: Likelihood | None = None,
) -> Belief:
    """The belief that these readings support; without readings, the prior."""
    knowledge = knowledge or shipped()
    sampler = _Sampler(list(given), knowledge, draws, seed, beside)
    sampler.survivors()
    for again, least in enumerate(LOOKED_INTO):
        if not sampler.refined(least, seed + 100 * again, again):
            break
    scores, probability = sampler.scores, sampler.probability
    return Belief(
        tuple(given),
        knowledge,
        sampler.kept,
        probability,
        scores.misread(probability),
        sampler.circuits,
        scores.weight,
        scores.effective,
        scores.widened,
    )


class FirstLook:
    """The first draws of every explanation, which hang on the readings by their highest voltage alone.

    What they show is kept, so that who asks again with one reading more is answered sooner.
    """

    def __init__(self, knowledge: Knowledge, seen_v: float | None, seed: int) -> None:
        _keep_memory()
        self.draws = unaimed(knowledge, FIRST_DRAWS, seen_v, seed, EVENED)
        self.circuits = circuits(hypotheses(knowledge), self.draws, knowledge)
        self._places: dict[Place, Seen] = {}

    def places(self) -> dict[Place, Seen]:
        """What is known so far, to be added to; a new one once it is large: another thread may hold it."""
        if len(self._places) > MOST_PLACES:
            self._places = {}
        return self._places


def _keep_memory() -> None:
    """Have freed memory kept for the next array, where the C library is GNU's.

    It hands arrays of half a megabyte back to the system at once, which costs a third of the time of solving
    circuits; after a larger block was freed, it keeps what is smaller (mallopt(3), M_MMAP_THRESHOLD).
    """
    np.empty(LARGE_BLOCK, dtype=np.uint8)


first_look = lru_cache(maxsize=2)(FirstLook)


class _Sampler:
    """The explanations that survive, with their draws, circuits and scores."""

    def __init__(
        self, given: list[Reading], knowledge: Knowledge, draws: int, seed: int, beside: Likelihood | None
    ) -> None:
        self._given = given
        self._beside = beside
        self._knowledge = knowledge
        self._count = draws
        self._seed = seed
        self._seen = highest(given)
        self._kin: set[Hypothesis] = set()  # looked into because one in the same place is likely

    def survivors(self) -> None:
        """The first draws, from the prior, choose who stays; the second are drawn for each of them."""
        k, everything = self._knowledge, hypotheses(self._knowledge)
        look = first_look(k, self._seen, self._seed)
        first = look.draws
        scores = Scores(look.circuits, self._given, k, first.log_weight, FIRST_WIDENINGS, look.places())
        log_total = self._log_prior(everything) + scores.log_evidence
        least = log_total.max() + np.log(KEPT) if self._given else -np.inf
        found = np.exp(log_total - log_total.max()).max(axis=0)
        survives = (log_total > least).any(axis=0)
        self._count = min(self._count, max(LEAST_DRAWS, MOST_CIRCUITS // int(survives.sum())))
        alive = np.flatnonzero(survives | _kin(everything, found, OF_KIN))
        self.kept = tuple(everything[n] for n in alive)
        self._first_hope = np.exp(log_total - log_total.max())[:, alive]
        self._fits = Fits(self._given, k, self._count, self._seen)
        self._drawn = aimed_singly(first, scores.both[alive], k, self._count, self._seen, self._seed)
        self.circuits = circuits(self.kept, self._drawn, k)
        self.scores = Scores(self.circuits, self._given, k, self._drawn.log_weight)
        self._sum = _Sum(self.scores)

    def refined(self, least: float, seed: int, turn: int = 0) -> bool:
        """Draw again for those above `least` that too few draws carry; False when there are none."""
        probability = self.probability
        few = (self._sum.effective < enough(probability)) | self._sum.unsettled
        hope = self._normalised(self._sum.against(self.scores, fairly=False))
        if not turn:  # where hardly a draw came near, the first draws, widened further, tell better
            hope = np.where(self.scores.effective < LEAST_EFFECTIVE, np.maximum(hope, self._first_hope), hope)
            few |= (self._first_hope > HOPED) & (probability < FALLEN * self._first_hope)
            hope = np.where(few, np.maximum(hope, np.minimum(self._first_hope, LIKELY)), hope)
        kin = self._kin_not_looked_into(probability)
        hope[:, kin] = np.maximum(hope[:, kin], HOPED)
        thin = np.flatnonzero((few & (hope > least)).any(axis=0) | kin)
        if not len(thin):
            return False
        k, some = self._knowledge, tuple(self.kept[n] for n in thin)
        modes = [MODES if p > LIKELY else FEWER_MODES for p in hope[:, thin].max(axis=0)]
        source = np.where(kin[thin], self._likeliest_there(thin, probability), thin)
        earlier, weight = self._drawn.chosen(source), self.scores.fitting(source)
        drawn = self._fits.drawn(some, earlier, weight, seed, turn, modes)
        made = circuits(some, drawn, k)
        scores = Scores(made, self._given, k, drawn.log_weight)
        newer = self._sum.add(thin, scores, self._fits.most(some))
        likelier = hope[:, thin].argmax(axis=0)
        better = np.flatnonzero(newer[likelier, np.arange(len(thin))])
        self._drawn = self._drawn.replaced(thin[better], drawn.chosen(better), self.circuits.shape)
        self.circuits = self.circuits.replaced(thin[better], made.chosen(better))
        self.scores.replace(thin[better], scores, better)
        return True

    def _kin_not_looked_into(self, probability: Array) -> npt.NDArray[np.bool_]:
        """(explanations,): those in the place of the likeliest that few draws carry; each is told once."""
        thin = (self._sum.effective < LEAST_SUMMED).all(axis=0)
        new = np.array([h not in self._kin for h in self.kept])
        kin: npt.NDArray[np.bool_] = _kin(self.kept, probability.max(axis=0), SURE) & thin & new
        self._kin.update(self.kept[n] for n in np.flatnonzero(kin))
        return kin

    def _likeliest_there(self, rows: npt.NDArray[np.intp], probability: Array) -> npt.NDArray[np.intp]:
        """For each explanation the likeliest in its place: what fits that one is the best start."""
        likely, places = probability.max(axis=0), [(h.side, h.fault.place) for h in self.kept]
        best: dict[tuple[str, str | None], int] = {}
        for n in np.argsort(likely, kind="stable"):
            best[places[n]] = int(n)
        return np.array([best[places[n]] for n in rows], dtype=np.intp)

    def _log_prior(self, some: Sequence[Hypothesis]) -> Array:
        """(orders, explanations): before the readings, and after what else was seen."""
        log_prior: Array = np.log([[h.prior / 2 for h in some]] * 2)
        if self._beside is not None:
            log_prior += np.log([[self._beside(h, order) for h in some] for order in (1, 2)])
        return log_prior

    @property
    def probability(self) -> Array:
        """(orders, explanations), summing to 1."""
        return self._normalised(self._sum.against(self.scores))

    def _normalised(self, log_evidence: Array) -> Array:
        log_total = self._log_prior(self.kept) + log_evidence
        probability = np.exp(log_total - log_total.max())
        total: Array = probability / probability.sum()
        return total


def _kin(some: Sequence[Hypothesis], probability: Array, least: float) -> npt.NDArray[np.bool_]:
    """(explanations,): those in the same place as one more probable than `least`.

    They show nearly the same, by other values of the same parts; few draws may have missed what makes one of
    them fit, and without it the likeliest would be believed for want of a rival.
    """
    places = {(h.side, h.fault.place) for h, p in zip(some, probability, strict=True) if p > least}
    return np.array([(h.side, h.fault.place) in places for h in some])


def enough(probability: Array) -> Array:
    """Effective draws with which sampling moves a probability by about SAMPLING: it goes with their root."""
    wanted: Array = np.maximum(LEAST_SUMMED, (probability * (1 - probability) / SAMPLING) ** 2)
    return wanted


class _Sum:
    """Evidence from all sets of draws together.

    Where two sets agree, each counts as its effective draws do. Where one found much more than the other, the
    other missed it, and does not count; but not where hardly a draw found it and many tell less: there it is
    looked again, from what was found (`unsettled`, (orders, explanations)).
    """

    def __init__(self, scores: Scores) -> None:
        told = scores.widened == 1  # before the best fits were looked for, few draws tell of none
        self.effective = np.where(told, scores.plain_effective, np.minimum(scores.plain_effective, 1.0))
        self.log_evidence = scores.plain_evidence.copy()
        self._most = np.full(told.shape, np.inf)
        self.unsettled = np.zeros(told.shape, dtype=np.bool_)
        self._widened, self._wide = scores.widened.copy(), scores.log_evidence.copy()

    def add(self, rows: npt.NDArray[np.intp], scores: Scores, most: Array) -> npt.NDArray[np.bool_]:
        """(orders, rows): where the new set is the one to go on from.

        Args:
            most: (orders, rows), ln evidence that their best fits allow.
        """
        self._most[:, rows] = most
        mine, theirs = self.effective[:, rows], scores.plain_effective
        old, new = self.log_evidence[:, rows], scores.plain_evidence
        lucky = (mine < LEAST_SUMMED) & (theirs >= LEAST_EFFECTIVE)
        more = new > old + APART
        chance = more & (mine >= LEAST_EFFECTIVE) & (theirs < LEAST_SUMMED)
        newer = (more & ~chance) | ((new < old - APART) & lucky)
        agreed = (np.abs(new - old) <= APART) | chance
        self.unsettled[:, rows] = chance
        pooled = np.logaddexp(np.log(mine) + old, np.log(theirs) + new) - np.log(mine + theirs)
        both = np.maximum(mine, theirs)
        both = both + np.where(np.minimum(mine, theirs) >= LEAST_SUMMED, np.minimum(mine, theirs), 0.0)
        self.log_evidence[:, rows] = np.where(newer, new, np.where(agreed, pooled, old))
        self.effective[:, rows] = np.where(newer, theirs, np.where(agreed, both, mine))
        return newer | chance | (agreed & (theirs > mine))

    def against(self, scores: Scores, fairly: bool = True) -> Array:
        """ln evidence, (orders, explanations): of those that enough draws carry, as it is; of the others
        widened, but no more than their best fits allow, and `fairly` less what widening gave to the first
        ones before they were carried."""
        told = self.effective >= LEAST_SUMMED
        once = told & (self._widened > 1)
        gain = 0.0
        if fairly and once.any():
            share = np.exp(self.log_evidence[once] - self.log_evidence[once].max())
            each = (self._wide - self.log_evidence)[once] / np.log(self._widened[once])
            gain = max(float(each @ share / share.sum()), 0.0)
        wide = np.minimum(scores.log_evidence - gain * np.log(scores.widened), self._most)
        return np.where(told, self.log_evidence, np.maximum(wide, self.log_evidence))
