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
LEAST_SUMMED = 6.0  # effective draws of all sets: with fewer the widened evidence stands
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
        ratio: of each set, ln of each mixture's density over the prior's, mixture by mixture, (draws,).
    """

    mixtures: list[Mixture] = field(default_factory=list)
    drawn: list[Drawn] = field(default_factory=list)
    fit: list[Array] = field(default_factory=list)
    ratio: list[list[Array]] = field(default_factory=list)

    def log_weight(self) -> Array:
        """ln of what each draw counts, (orders, sets, draws)."""
        ratio = np.array(self.ratio)  # (sets, mixtures, draws)
        mean = np.logaddexp.reduce(ratio, axis=1) - np.log(len(self.mixtures))
        found: Array = np.stack(self.fit, axis=1) - mean
        return found


class EvidenceSum:
    """Evidence from all sets of draws together; the first set, which was aimed otherwise, stands where it
    tells more than all that were drawn about best fits.

    Attributes:
        effective, log_evidence: (orders, explanations).
    """

    def __init__(self, scores: Scores, knowledge: Knowledge, seen_v: float | None) -> None:
        told = scores.widened == 1  # before the best fits were looked for, few draws tell of none
        self.effective = np.where(told, scores.plain_effective, np.minimum(scores.plain_effective, 1.0))
        self.log_evidence = scores.plain_evidence.copy()
        self._k = knowledge
        self._seen_v = seen_v
        self._first = self.effective.copy()
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
            mine.ratio.append([])
        self._fill_ratios(sets)
        better = np.empty((2, len(rows)), dtype=np.bool_)
        for n, (row, mine) in enumerate(zip(rows, sets, strict=True)):
            log_weight = mine.log_weight()
            weight, evidence = weighed(log_weight.reshape(len(log_weight), -1))
            effective = 1.0 / (weight**2).sum(axis=-1)
            told = effective >= self._first[:, row]
            self.log_evidence[told, row], self.effective[told, row] = evidence[told], effective[told]
            better[:, n] = told & _goes_on(log_weight)
        return better

    def _fill_ratios(self, sets: Sequence[_Sets]) -> None:
        """Every mixture's density at every set of its explanation, where it is not known yet."""
        wanted = [
            (mine.ratio[n], mixture, drawn)
            for mine in sets
            for n, drawn in enumerate(mine.drawn)
            for mixture in mine.mixtures[len(mine.ratio[n]) :]
        ]
        found = log_ratio([m for _, m, _ in wanted], [d for *_, d in wanted], self._k, self._seen_v)
        for (ratio, *_), one in zip(wanted, found, strict=True):
            ratio.append(one)

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
    """(orders,): whether the last set tells most, or has by far the best draw.

    Args:
        log_weight: (orders, sets, draws).
    """
    if log_weight.shape[1] == 1:
        return np.ones(len(log_weight), dtype=np.bool_)
    share = np.exp(log_weight - log_weight.max(axis=(1, 2), keepdims=True))
    effective = share.sum(axis=2) ** 2 / (share**2).sum(axis=2)
    told = share.sum(axis=2) * np.minimum(effective, LEAST_EFFECTIVE)
    best: npt.NDArray[np.bool_] = told.argmax(axis=1) == log_weight.shape[1] - 1
    lucky: npt.NDArray[np.bool_] = log_weight[:, -1].max(axis=1) > log_weight[:, :-1].max(axis=(1, 2)) + APART
    return best | lucky
