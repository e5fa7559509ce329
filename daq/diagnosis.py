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
Where the likeliest explains odd readings by rare chances alone, best fits are looked for twice, from all over
the space of unknowns (screening.py): else which of them is met would hang on the seed.
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
from daq.fitting import FEWER_MODES, MODES, MOST_MODES, MUCH_WORSE, RISING, Earlier, Fits, Search
from daq.hypotheses import Hypothesis, hypotheses
from daq.in_sight import ToldAs, by_place, kept_in_sight
from daq.knowledge import Knowledge, shipped
from daq.lending import AS_GOOD, Lender, Lending, Offered
from daq.likelihood import ORDERS, Place, highest, log_height
from daq.points import point_of
from daq.readings import Reading
from daq.scores import LEAST_EFFECTIVE, WIDENINGS, Scores
from daq.unknowns import SEED, Array, Draws, unaimed, with_soft_shorts

FIRST_DRAWS = 160
EVENED = ("load", "switch", "test_current")
DRAWS = 320
LEAST_DRAWS = 160
MOST_CIRCUITS = 10_000  # where many survive, little has been pinned down and fewer draws do
LIKELY = 0.02  # more is looked for
LIKELIEST = 3  # and most
SETTLED = 2.0  # times as many draws as are enough: no fits that are no better are looked for
LOOKS = 3  # for what explains every reading, where only draws that do not are many
MISREAD = 0.5  # a reading as probably wrong as that does not fit
FIT_BY = 3  # rounds: a reading that nothing fits by then seldom fits later
CARRIED = 0.5  # of all probability, by enough draws: less is little to go by
HOPED, FALLEN = 0.03, 0.01  # hoped for at first, and fallen so far: the draws may have missed it
FIRST_WIDENINGS = (*WIDENINGS, 6.0, 11.0)  # few draws choose who stays: none is to be lost by bad luck
LARGE_BLOCK = 31 << 20  # bytes, never touched: from 32 MB on it would teach nothing
MOST_PLACES = 24  # less than 1 MB each
ODD = 8.0  # below the most that readings can have, in ln; half of circuits with a fault are at 5 or less
KEPT = 1e-4  # of the best, in the first draws: less is not looked at again
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
    seed: int = SEED,
    beside: Likelihood | None = None,
) -> Belief:
    """The belief that these readings support, in whatever order; without readings, the prior."""
    knowledge = knowledge or shipped()
    order = sorted(range(len(given)), key=lambda n: repr(given[n]))
    sampler = _Sampler([given[n] for n in order], knowledge, seed, beside)
    sampler.survivors()
    sampler.look_into()
    if missed := sampler.missed():
        sampler.survivors(missed)
        sampler.look_into()
    probability = sampler.told()
    misread = dict(zip(order, sampler.misread(probability), strict=True))
    return Belief(
        tuple(given),
        knowledge,
        sampler.kept,
        probability,
        tuple(misread[n] for n in range(len(given))),
        sampler.circuits,
        sampler.scores.weight,
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
        self, given: list[Reading], knowledge: Knowledge, seed: int, beside: Likelihood | None
    ) -> None:
        self._given = given
        self._beside = beside
        self._knowledge = knowledge
        self._seed = seed
        self._seen = highest(given)
        self._fits = Fits(given, knowledge, self._seen)
        self._height = log_height(given, knowledge.reading)

    def survivors(self, missed: frozenset[Hypothesis] = frozenset()) -> None:
        """The first draws, from the prior, choose who stays beside `missed`; then each gets its own.

        They see readings widened, as few draws meet them; and as they are, or what fits so would be judged by
        what others seem to fit.
        """
        k, everything = self._knowledge, hypotheses(self._knowledge)
        look = first_look(k, self._seen, self._seed)
        first = look.draws
        scores = Scores(look.circuits, self._given, k, first.log_weight, FIRST_WIDENINGS, look.places())
        log_prior = self._log_prior(everything)
        self._all_prior = float(np.exp(log_prior).sum())  # more than 1 with what else was seen
        log_total = log_prior + scores.log_evidence
        survives = _is_near_the_best(log_total) | _is_near_the_best(log_prior + scores.plain_evidence)
        alive = np.flatnonzero(survives | (not self._given) | np.array([h in missed for h in everything]))
        self.kept = tuple(everything[n] for n in alive)
        self._count = min(DRAWS, max(LEAST_DRAWS, MOST_CIRCUITS // len(alive)))
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
        self._latest = _earlier(self._drawn, self.scores)
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

    def _is_odd(self) -> bool:
        """Whether what is likeliest explains the readings by rare chances: better fits may be missed yet."""
        total = self._log_prior(self.kept) + (log_evidence := self._sum.against(self.scores))
        return self._height - float(log_evidence.flat[total.argmax()]) > ODD

    def _in_doubt(self) -> bool:
        return max(self.misread(self.probability), default=0.0) > MISREAD

    def misread(self, probability: Array) -> tuple[float, ...]:
        """For each reading, the probability that it is a wrong one."""
        found: Array = np.einsum("oh,orh->r", probability, self._sum.misread(self.scores))
        return tuple(np.minimum(found, 1.0).tolist())

    def refined(self, least: float, seed: int, turn: int) -> bool:
        """Draw again for those above `least` that too few draws carry; False when there are none."""
        probability, odd = self.probability, self._is_odd()
        rising = self._rising(np.where(probability.max(axis=0) > LIKELY, MUCH_WORSE, RISING))
        few: Mask = self._few(probability, odd) | rising
        hope = np.maximum(self._normalised(self._sum.hoped(self.scores, rising)), probability)
        if not turn:
            few, hope = self._as_first_hoped(few, hope, probability)
        known = np.where(self._sum.effective >= LEAST_SUMMED, self._sum.log_evidence, -np.inf)
        settled = self._sum.effective > SETTLED * enough(probability)
        offers = self._offers(self.kept, known, settled, least)
        lent = np.zeros(len(self.kept), dtype=np.bool_)
        lent[[offer.row for offer in offers]] = True
        thin = np.flatnonzero((few & (hope > least)).any(axis=0) | lent)
        if len(thin):
            search = Search(turn, self._modes(hope[:, thin].max(axis=0)), odd, _of_rows(offers, thin))
            self._draw_again(thin, search, seed)
        return len(thin) > 0

    def _few(self, probability: Array, odd: bool) -> Mask:
        """(orders, explanations): those with too few draws, or whose best fits may not all be found."""
        wanted, looked = enough(probability), np.array([self._fits.looks(h) for h in self.kept])
        few: Mask = (self._sum.effective < wanted) | self._sum.moving
        few |= (self._sum.carried < wanted) & (looked < LOOKS)
        if odd:
            few |= (looked == 1) & (probability.max(axis=0) > LIKELY)
        return few

    def _as_first_hoped(self, few: Mask, hope: Array, probability: Array) -> tuple[Mask, Array]:
        """Where hardly a draw came near, the first draws, widened further, tell better what to hope for."""
        first = self._first_hope
        hope = np.where(self.scores.effective < LEAST_EFFECTIVE, np.maximum(hope, first), hope)
        few = few | ((first > HOPED) & (probability < FALLEN * first))
        hope = np.where(few, np.maximum(hope, np.minimum(first, LIKELY)), hope)
        hope[:, self._missed] = np.maximum(hope[:, self._missed], LIKELY / 2)
        return few, hope

    def _modes(self, hope: Array) -> list[int]:
        """How many best fits are looked for; more where more is hoped for."""
        modes = np.where(hope > LIKELY, MODES, FEWER_MODES)
        modes[np.argsort(-hope, kind="stable")[:LIKELIEST]] = MOST_MODES
        found: list[int] = modes.tolist()
        return found

    def _draw_again(self, rows: npt.NDArray[np.intp], search: Search, seed: int) -> None:
        """New sets for `rows`, about their best fits."""
        k, some = self._knowledge, tuple(self.kept[n] for n in rows)
        drawn, mixtures = self._fits.drawn(some, self._latest.chosen(rows), search, self._count, seed)
        made = circuits(some, drawn, k)
        scores = Scores(made, self._given, k, drawn.log_weight)
        newer = self._sum.add(rows, scores, drawn, mixtures, self._fits.most(some))
        self._latest = self._latest.replaced(rows, _earlier(drawn, scores))
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
        lower for it than what was hoped, and what fits is not put out of sight."""
        probability, rising = self.probability, self._rising(RISING)
        hoped = np.minimum(self._normalised(self._sum.hoped(self.scores, rising)), LOOKED_INTO[0])
        found = np.where(rising, np.maximum(probability, hoped), probability)
        found /= found.sum()
        if self._in_doubt():  # then nothing explains every reading
            return found
        sought = np.array([self._fits.looks(h) > 1 for h in self.kept])
        return kept_in_sight(found, self._before(), self._sum.best_fit(self.scores), self.kept, sought)

    def _before(self) -> dict[ToldAs, float]:
        """What was believed of each place before any reading."""
        everything = hypotheses(self._knowledge)
        return by_place(np.exp(self._log_prior(everything)) / self._all_prior, everything)

    def _rising(self, within: float | Array) -> Mask:
        """(explanations,): those whose best fits, `within` so much of the best, might be better yet."""
        each = zip(self.kept, np.broadcast_to(within, len(self.kept)).tolist(), strict=True)
        return np.array([self._fits.is_rising(*one) for one in each])

    def _normalised(self, log_evidence: Array) -> Array:
        log_total = self._log_prior(self.kept) + log_evidence
        probability = np.exp(log_total - log_total.max())
        total: Array = probability / probability.sum()
        return total


def _is_near_the_best(log_total: Array) -> Mask:
    """(explanations,): those that are to be looked at again, either way round."""
    near: Mask = (log_total > log_total.max() + np.log(KEPT)).any(axis=0)
    return near


def _earlier(drawn: Draws, scores: Scores) -> Earlier:
    return Earlier(drawn, scores.fitting(), scores.with_misread())


def _of_rows(offers: Sequence[Offered], rows: npt.NDArray[np.intp]) -> list[Start]:
    """Where to look among the explanations `rows`, all of those that have offers."""
    where = {int(row): n for n, row in enumerate(rows)}
    return [Start(where[offer.row], offer.order, offer.point) for offer in offers]
