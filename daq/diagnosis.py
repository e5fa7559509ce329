"""What could it be: the posterior over explanations and lead orders, given readings.

Importance sampling. For each explanation the unknowns are drawn once and serve all readings; its likelihood
is the mean over draws of the product of the readings' densities. A first set of draws, from the prior and
shared by all explanations, finds what survives and where each survivor's unknowns must lie. A second set is
drawn for each survivor from a mixture of stories: the prior, and for each unknown that the readings pin
down, the prior with that one unknown moved to where the first draws put it (aiming.py). Explanations that are
still carried by too few draws, whose best fits were still rising, or that were hoped for and fell far, get
further sets about their best fits (fitting.py; adaptive importance sampling: Cappé et al., J. Comput. Graph.
Stat. 13, 2004), which count together as one (evidence_sum.py).

How many draws carry an explanation is counted among those that explain every reading: draws that all take one
of them for a mistake are many, and tell nothing of those that were not met yet. What is thin is not trusted:
the readings' deviation is widened, within reason, until the effective number of draws is at least
LEAST_EFFECTIVE (Kong, Liu and Wong, JASA 89, 1994). The kernel keeps its height while it is widened, and the
evidence pays once for the width: where a level lies on a rail, poor sampling of another must not count
against an explanation for each reading anew. So one may be overrated, up to what its best fits allow, but
none is lost by bad luck.

What one explanation owes to an unlikely combination of parts is tried for the others too, those that did not
survive among them (lending.py): else what chance met would be believed for want of a rival. And before a
reading is called a mistake, or where hardly a draw carries what is left, everything is looked at again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from daq.aiming import aimed_singly
from daq.circuit import Circuits
from daq.circuit_case import Seen
from daq.climbing import Mask, Start, relevant_dials
from daq.evidence_sum import LEAST_SUMMED, EvidenceSum, enough
from daq.explained import SHORTS, circuits
from daq.fitting import FEWER_MODES, MODES, MOST_MODES, MUCH_WORSE, RISING, Fits
from daq.hypotheses import Hypothesis, hypotheses
from daq.knowledge import Knowledge, shipped
from daq.lending import AS_GOOD, Lender, Lending, Offered
from daq.likelihood import ORDERS, Place, highest
from daq.points import point_of
from daq.readings import Reading
from daq.scores import LEAST_EFFECTIVE, WIDENINGS, Scores
from daq.unknowns import SEED, Array, unaimed, with_soft_shorts

FIRST_DRAWS = 160
EVENED = ("load", "switch", "test_current")
DRAWS = 320
LEAST_DRAWS = 160
MOST_CIRCUITS = 10_000  # where many survive, little has been pinned down and fewer draws do
LIKELY = 0.02  # more is looked for
LIKELIEST = 3  # and most
SETTLED = 2.0  # times as many draws as are enough: no fits that are no better are looked for
MISREAD = 0.5  # a reading as probably wrong as that does not fit
FIT_BY = 3  # rounds: a reading that nothing fits by then seldom fits later
CARRIED = 0.5  # of all probability, by enough draws: less is little to go by
HOPED, FALLEN = 0.03, 0.01  # hoped for at first, and fallen so far: the draws may have missed it
FIRST_WIDENINGS = (*WIDENINGS, 6.0, 11.0)  # few draws choose who stays: none is to be lost by bad luck
LARGE_BLOCK = 31 << 20  # bytes, never touched: from 32 MB on it would teach nothing
MOST_PLACES = 24  # less than 1 MB each
KEPT = 1e-4  # of the best, in the first set: less is not looked at again
ABSURD = 1e-11  # unless nothing else is left; but less is not
# Explanations more probable than this are drawn again where draws are few, round after round.
LOOKED_INTO = (7e-4, 2e-3, 0.01, 0.02, *(0.04,) * 6)


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is believed after the readings.

    Attributes:
        hypotheses: the survivors, (h).
        probability: (orders, h): lead 1 on the feed pin, lead 2 on it; sums to 1.
        misread: for each reading, the probability that it is a wrong one.
        circuits, weight: the draws, (h, d), and each order's posterior weight of them, (orders, h, d).
    """

    given: tuple[Reading, ...]
    knowledge: Knowledge
    hypotheses: tuple[Hypothesis, ...]
    probability: Array
    misread: tuple[float, ...]
    circuits: Circuits
    weight: Array


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
    sampler.look_into()
    if missed := sampler.missed():
        sampler.survivors(missed)
        sampler.look_into()
    scores, probability = sampler.scores, sampler.told()
    return Belief(
        tuple(given),
        knowledge,
        sampler.kept,
        probability,
        scores.misread(probability),
        sampler.circuits,
        scores.weight,
    )


class FirstLook:
    """The first draws of every explanation, which hang on the readings by their highest voltage alone.

    What they show is kept, so that who asks again with one reading more is answered sooner.
    """

    def __init__(self, knowledge: Knowledge, seen_v: float | None, seed: int) -> None:
        _keep_memory()
        everything = hypotheses(knowledge)
        draws, log_soft = with_soft_shorts(unaimed(knowledge, FIRST_DRAWS, seen_v, seed, EVENED), seed)
        shorted = np.array([[h.fault.fault in SHORTS] for h in everything])
        self.draws = replace(draws, log_weight=draws.log_weight + np.where(shorted, log_soft, 0.0))
        self.circuits = circuits(everything, self.draws, knowledge)
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
        self._draws = draws
        self._seed = seed
        self._seen = highest(given)
        self._fits = Fits(given, knowledge, self._seen)

    def survivors(self, missed: frozenset[Hypothesis] = frozenset()) -> None:
        """The first draws, from the prior, choose who stays beside `missed`; then each gets its own."""
        k, everything = self._knowledge, hypotheses(self._knowledge)
        look = first_look(k, self._seen, self._seed)
        first = look.draws
        scores = Scores(look.circuits, self._given, k, first.log_weight, FIRST_WIDENINGS, look.places())
        log_total = self._log_prior(everything) + scores.log_evidence
        least = log_total.max() + np.log(KEPT) if self._given else -np.inf
        survives = (log_total > least).any(axis=0) | np.array([h in missed for h in everything])
        self._count = min(self._draws, max(LEAST_DRAWS, MOST_CIRCUITS // int(survives.sum())))
        alive = np.flatnonzero(survives)
        self.kept = tuple(everything[n] for n in alive)
        absurd = log_total.max(axis=0) < log_total.max() + np.log(ABSURD)
        self._not_absurd = frozenset(h for h, out in zip(everything, absurd, strict=True) if not out)
        self._missed = np.array([h in missed for h in self.kept])
        self._rare = scores.plain_effective[:, alive] < LEAST_EFFECTIVE
        self._first_hope = np.exp(log_total - log_total.max())[:, alive]
        relevant = np.stack([relevant_dials(h) for h in self.kept])
        self._drawn = aimed_singly(
            first, scores.both[alive], relevant, k, self._count, self._seen, self._seed
        )
        self.circuits = circuits(self.kept, self._drawn, k)
        self.scores = Scores(self.circuits, self._given, k, self._drawn.log_weight)
        self._sum = EvidenceSum(self.scores, k, self._seen)
        self._latest, self._latest_fit = self._drawn, self.scores.fitting(np.arange(len(alive)))
        self._lending = Lending(self._given, k)  # what was offered to who was left out is offered again

    def look_into(self) -> None:
        """Round after round, those that too few draws carry; no longer where some reading fits nothing."""
        for turn, least in enumerate(LOOKED_INTO):
            if turn >= FIT_BY and self._in_doubt():
                break
            if not self.refined(least, self._seed + 100 * turn, turn):
                break

    def missed(self) -> frozenset[Hypothesis]:
        """Those who did not stay, though they would make something of what fits best; before a reading is
        called a mistake, and where hardly a draw carries those who did, all that are not out of question."""
        kept = set(self.kept)
        others = tuple(h for h in hypotheses(self._knowledge) if h not in kept)
        if not others:
            return frozenset()
        probability = self.probability
        carried = float(probability[self._sum.effective >= LEAST_SUMMED].sum())
        if carried < CARRIED or self._in_doubt():
            return self._not_absurd - kept
        nothing = np.full((len(ORDERS), len(others)), -np.inf)
        unsettled = np.zeros(nothing.shape, dtype=np.bool_)
        return frozenset(others[offer.row] for offer in self._offers(others, nothing, unsettled, LIKELY))

    def _in_doubt(self) -> bool:
        return max(self.scores.misread(self.probability), default=0.0) > MISREAD

    def refined(self, least: float, seed: int, turn: int = 0) -> bool:
        """Draw again for those above `least` that too few draws carry; False when there are none."""
        probability = self.probability
        few = self._sum.effective < enough(probability)
        within = np.where(probability.max(axis=0) > LIKELY, MUCH_WORSE, RISING)
        rising = self._rising(within)
        few |= rising
        hope = np.maximum(self._normalised(self._sum.hoped(self.scores, rising)), probability)
        if not turn:  # where hardly a draw came near, the first draws, widened further, tell better
            hope = np.where(self.scores.effective < LEAST_EFFECTIVE, np.maximum(hope, self._first_hope), hope)
            few |= (self._first_hope > HOPED) & (probability < FALLEN * self._first_hope)
            hope = np.where(few, np.maximum(hope, np.minimum(self._first_hope, LIKELY)), hope)
            hope[:, self._missed] = np.maximum(hope[:, self._missed], LIKELY / 2)
        known = np.where(self._sum.effective >= LEAST_SUMMED, self._sum.log_evidence, -np.inf)
        settled = self._sum.effective > SETTLED * enough(probability)
        offers = self._offers(self.kept, known, settled, least)
        lent = np.zeros(len(self.kept), dtype=np.bool_)
        lent[[offer.row for offer in offers]] = True
        thin = np.flatnonzero((few & (hope > least)).any(axis=0) | lent)
        if len(thin):
            self._draw_again(thin, hope[:, thin].max(axis=0), offers, seed, turn)
        return len(thin) > 0

    def _draw_again(
        self, rows: npt.NDArray[np.intp], hope: Array, offers: Sequence[Offered], seed: int, turn: int
    ) -> None:
        """New sets for `rows`, about their best fits; more are looked for where more is hoped for."""
        k, some = self._knowledge, tuple(self.kept[n] for n in rows)
        modes = np.where(hope > LIKELY, MODES, FEWER_MODES)
        modes[np.argsort(-hope, kind="stable")[:LIKELIEST]] = MOST_MODES
        earlier, weight = self._latest.chosen(rows), self._latest_fit[:, rows]
        where = {int(row): n for n, row in enumerate(rows)}
        offered = [Start(where[offer.row], offer.order, offer.point) for offer in offers]
        drawn, mixtures = self._fits.drawn(
            some, earlier, weight, self._count, seed, turn, modes.tolist(), offered
        )
        made = circuits(some, drawn, k)
        scores = Scores(made, self._given, k, drawn.log_weight)
        newer = self._sum.add(rows, scores, drawn, mixtures, self._fits.most(some))
        self._latest = self._latest.replaced(rows, drawn, self.circuits.shape)
        self._latest_fit[:, rows] = scores.fitting(np.arange(len(rows)))
        likelier = self.probability[:, rows].argmax(axis=0)
        better = np.flatnonzero(newer[likelier, np.arange(len(rows))])
        self._drawn = self._drawn.replaced(rows[better], drawn.chosen(better), self.circuits.shape)
        self.circuits = self.circuits.replaced(rows[better], made.chosen(better))
        self.scores.replace(rows[better], scores, better)

    def _offers(
        self, some: tuple[Hypothesis, ...], log_evidence: Array, settled: Mask, least: float
    ) -> list[Offered]:
        """What `some` would make of good fits that chance seldom meets."""
        likeliest = float((self._log_prior(self.kept) + self._sum.against(self.scores)).max())
        prior = self._log_prior(some)
        return self._lending.offers(self._lenders(), some, prior, log_evidence, settled, likeliest, least)

    def _lenders(self) -> list[Lender]:
        """Good fits of explanations that the first draws hardly met: their best ones, or their best draw."""
        total = self._log_prior(self.kept) + self._sum.log_evidence
        found = []
        for o, n in zip(*np.nonzero((total > total.max() - AS_GOOD) & self._rare), strict=True):
            h, order, worth = self.kept[n], int(o) + 1, float(self._sum.log_evidence[o, n])
            good = [(m.point, m.log_mass) for m in self._fits.found(h) if m.order == order]
            if good:  # draws found all that there is, in most cases about its best fit
                good[0] = good[0][0], max(worth, good[0][1])
            elif self._sum.effective[o, n] >= LEAST_SUMMED:  # else its best fits are still to be looked for
                best = int(self.scores.fit[o, n].argmax())
                good = [(point_of(self._drawn, n, best, self._knowledge), worth)]
            prior = float(total[o, n]) - worth
            found += [Lender(h, order, point, log_mass, log_mass + prior) for point, log_mass in good]
        return found

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

    def told(self) -> Array:
        """The same, to be told: those of which too little was hoped to look into them to the end are put no
        lower for it than what was hoped."""
        probability, rising = self.probability, self._rising(RISING)
        hoped = np.minimum(self._normalised(self._sum.hoped(self.scores, rising)), LOOKED_INTO[0])
        found = np.where(rising, np.maximum(probability, hoped), probability)
        total: Array = found / found.sum()
        return total

    def _rising(self, within: float | Array) -> Mask:
        """(explanations,): those whose best fits, `within` so much of the best, might be better yet."""
        each = zip(self.kept, np.broadcast_to(within, len(self.kept)).tolist(), strict=True)
        return np.array([self._fits.is_rising(*one) for one in each])

    def _normalised(self, log_evidence: Array) -> Array:
        log_total = self._log_prior(self.kept) + log_evidence
        probability = np.exp(log_total - log_total.max())
        total: Array = probability / probability.sum()
        return total
