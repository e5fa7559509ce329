"""What several sets of draws say together of each explanation's evidence.

An explanation's sets count as one, drawn from the mean of the mixtures that they came from (adaptive
multiple importance sampling: Cornuet, Marin, Mira and Robert, Scand. J. Stat. 39, 2012). So what an early set
met by luck weighs less once a later one was drawn about it, and an early set that missed it takes nothing
away.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from daq.knowledge import Knowledge
from daq.mixture import Drawn, Mixture, as_drawn, log_ratio
from daq.scores import LEAST_EFFECTIVE, Scores, weighed
from daq.unknowns import Array, Draws

LEAST_ADDED = 2.5  # effective draws: what fewer say is luck
# Effective draws of all sets: with fewer the widened evidence stands. With so few it may be off by 2 in ln,
# and more; what is likely gets more (`enough`), and while a newer set moves it much, more again.
LEAST_SUMMED = 6.0
APART = 1.5  # of ln evidence: what is more by that is worth going on from
SAMPLING = 0.025  # what sampling may move a probability by


def enough(probability: Array) -> Array:
    """Effective draws with which sampling moves a probability by about SAMPLING: it goes with their root."""
    wanted: Array = np.maximum(LEAST_SUMMED, (probability * (1 - probability) / SAMPLING) ** 2)
    return wanted


@dataclass(slots=True)
class _Sets:
    """All sets of one explanation.

    Attributes:
        fit: of each set, ln density of all readings, (orders, draws).
        right: the same, none of them misread.
        wrong: of each set, how probably each reading is a wrong one, (orders, readings, draws).
        ratio: of each set, ln of each mixture's density over the prior's, mixture by mixture, (draws,).
    """

    mixtures: list[Mixture] = field(default_factory=list)
    drawn: list[Drawn] = field(default_factory=list)
    fit: list[Array] = field(default_factory=list)
    right: list[Array] = field(default_factory=list)
    wrong: list[Array] = field(default_factory=list)
    ratio: list[list[Array]] = field(default_factory=list)

    def wanted(self) -> list[tuple[int, Mixture, Drawn]]:
        """Ratios not known yet, (set, mixture, the set's draws): the newest mixture's at earlier sets, and
        the earlier ones' at the newest set."""
        *earlier, newest = range(len(self.drawn))
        found = [(n, self.mixtures[-1], self.drawn[n]) for n in earlier]
        return found + [(newest, m, self.drawn[newest]) for m in self.mixtures[:-1]]


class EvidenceSum:
    """Evidence from all sets of draws together; the first set, which was aimed otherwise, stands where it
    tells more than all that were drawn about best fits. Where these have met far more, it is as few draws.

    Attributes:
        effective, log_evidence: (orders, explanations).
        carried: the same as `effective`, of draws that explain every reading alone: many that take one of
            them for a mistake tell nothing of those that were not met yet.
        moving: (orders, explanations), whether a newer set changed the evidence by much.
    """

    def __init__(self, scores: Scores, knowledge: Knowledge, seen_v: float | None) -> None:
        told = scores.widened == 1  # before the best fits were looked for, few draws tell of none
        self.effective = np.where(told, scores.plain_effective, np.minimum(scores.plain_effective, 1.0))
        self.carried = self.effective.copy()
        self.moving = np.zeros(told.shape, dtype=np.bool_)
        self._wrong = scores.misread()
        self.log_evidence = scores.plain_evidence.copy()
        self._k = knowledge
        self._seen_v = seen_v
        self._first, self._first_evidence = self.effective.copy(), self.log_evidence.copy()
        self._sets = [_Sets() for _ in range(told.shape[1])]
        self._most = np.full(told.shape, np.inf)
        self._widened, self._wide = scores.widened.copy(), scores.log_evidence.copy()

    def add(
        self,
        rows: npt.NDArray[np.intp],
        scores: Scores,
        draws: Draws,
        mixtures: Sequence[Mixture],
        most: Array,
    ) -> npt.NDArray[np.bool_]:
        """(orders, rows): where the new set is the one to go on from.

        Args:
            scores, draws: of the new set, with the mixtures that it came from.
            most: (orders, rows), ln evidence that their best fits allow.
        """
        self._most[:, rows] = most
        sets = [self._sets[row] for row in rows]
        for n, (mine, new) in enumerate(zip(sets, mixtures, strict=True)):
            mine.mixtures.append(new)
            mine.drawn.append(as_drawn(draws, n))
            mine.fit.append(scores.plain_fit[:, n])
            mine.right.append(scores.right_fit[:, n])
            mine.wrong.append(scores.wrong[:, :, n])
            mine.ratio.append([])
        self._fill_ratios(sets)
        for n, mine in enumerate(sets):
            mine.ratio[-1].append(-draws.log_weight[n])  # known already: it was drawn from there
        better = np.empty((2, len(rows)), dtype=np.bool_)
        for count in {len(mine.fit) for mine in sets}:
            some = np.flatnonzero([len(mine.fit) == count for mine in sets])
            better[:, some] = self._weigh(rows[some], [sets[n] for n in some])
        return better

    def _fill_ratios(self, sets: Sequence[_Sets]) -> None:
        """But those of the new mixtures at the sets drawn from them."""
        wanted = [(mine.ratio[n], m, drawn) for mine in sets for n, m, drawn in mine.wanted()]
        if wanted:
            found = log_ratio([m for _, m, _ in wanted], [d for *_, d in wanted], self._k, self._seen_v)
            for (ratio, *_), one in zip(wanted, found, strict=True):
                ratio.append(one)

    def _weigh(self, rows: npt.NDArray[np.intp], sets: Sequence[_Sets]) -> npt.NDArray[np.bool_]:
        """Evidence from all sets, of explanations `rows` that have as many; the same answer as `add`."""
        ratio = np.array([mine.ratio for mine in sets])  # (rows, sets, mixtures, draws)
        mean = np.logaddexp.reduce(ratio, axis=2) - np.log(ratio.shape[2])
        log_weight = np.array([mine.fit for mine in sets]).transpose(2, 0, 1, 3) - mean
        weight, evidence = weighed(log_weight.reshape(*log_weight.shape[:2], -1))
        right = np.array([mine.right for mine in sets]).transpose(2, 0, 1, 3) - mean
        right_weight, _ = weighed(right.reshape(weight.shape))
        effective = 1.0 / (weight**2).sum(axis=-1)
        self.carried[:, rows] = np.minimum(1.0 / (right_weight**2).sum(axis=-1), effective)
        first, known = self._first[:, rows], self._first_evidence[:, rows]
        told, missed = effective >= first, evidence > known + APART
        moved = np.abs(evidence - self.log_evidence[:, rows]) > APART
        self.moving[:, rows] = told & moved & (ratio.shape[1] > 1)  # from a first set it always is
        first = np.where(missed, np.minimum(first, LEAST_ADDED), first)
        self.log_evidence[:, rows] = np.where(told, evidence, known)
        wrong = np.array([mine.wrong for mine in sets])  # (rows, sets, orders, readings, draws)
        wrong = np.einsum("ohsd,hsord->orh", weight.reshape(log_weight.shape), wrong)
        self._wrong[:, :, rows] = np.where(told[:, None], wrong, self._wrong[:, :, rows])
        self.effective[:, rows] = np.where(told, effective, first)
        better: npt.NDArray[np.bool_] = (told | missed) & _goes_on(log_weight)
        return better

    def misread(self, scores: Scores) -> Array:
        """(orders, readings, explanations): how probably each reading is a wrong one; of those whose evidence
        stands widened, as widened."""
        told = (self.effective >= LEAST_SUMMED)[:, None]
        return np.where(told, self._wrong, scores.misread())

    def best_fit(self, scores: Scores) -> Array:
        """(orders, explanations): ln density of all readings, none misread, of the draw that fits best."""
        found: Array = scores.right_fit.max(axis=2)
        for n, sets in enumerate(self._sets):
            for right in sets.right:
                found[:, n] = np.maximum(found[:, n], right.max(axis=-1))
        return found

    def hoped(self, scores: Scores, rising: npt.NDArray[np.bool_]) -> Array:
        """The same as `against`, to hope for: nothing is taken off in fairness, and where the best fits were
        still `rising`, (explanations,), it is as if few draws were known."""
        found = self._against(scores, (self.effective >= LEAST_SUMMED) & ~rising, fairly=False)
        return np.where(rising, np.maximum(found, self.log_evidence), found)

    def against(self, scores: Scores) -> Array:
        """ln evidence, (orders, explanations): of those that enough draws carry, as it is; of the others
        widened, but no more than their best fits allow, and to be fair less what widening gave to the first
        ones before they were carried. What a few draws say as it is stands, if it is more; what one says does
        not, but for the hope of finding more there."""
        return self._against(scores, self.effective >= LEAST_SUMMED, fairly=True)

    def _against(self, scores: Scores, told: npt.NDArray[np.bool_], fairly: bool) -> Array:
        once = told & (self._widened > 1)
        gain = 0.0
        if fairly and once.any():
            share = np.exp(self.log_evidence[once] - self.log_evidence[once].max())
            each = (self._wide - self.log_evidence)[once] / np.log(self._widened[once])
            gain = max(float(each @ share / share.sum()), 0.0)
        wide = np.minimum(scores.log_evidence - gain * np.log(scores.widened), self._most)
        some = (self.effective >= LEAST_ADDED) | (not fairly)  # one lucky draw is no reason to believe
        plain = np.where(some, self.log_evidence, np.minimum(self.log_evidence, self._most))
        return np.where(told, self.log_evidence, np.maximum(wide, plain))


def _goes_on(log_weight: Array) -> npt.NDArray[np.bool_]:
    """(orders, rows): whether the last set tells most, or has by far the best draw.

    Args:
        log_weight: (orders, rows, sets, draws).
    """
    if log_weight.shape[2] == 1:
        return np.ones(log_weight.shape[:2], dtype=np.bool_)
    share = np.exp(log_weight - log_weight.max(axis=(2, 3), keepdims=True))
    effective = share.sum(axis=3) ** 2 / (share**2).sum(axis=3)
    told = share.sum(axis=3) * np.minimum(effective, LEAST_EFFECTIVE)
    last = log_weight.shape[2] - 1
    best: npt.NDArray[np.bool_] = told.argmax(axis=2) == last
    most = log_weight.max(axis=3)
    lucky: npt.NDArray[np.bool_] = most[..., last] > most[..., :last].max(axis=2) + APART
    return best | lucky
