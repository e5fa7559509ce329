"""What several sets of draws say together of each explanation's evidence."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.scores import LEAST_EFFECTIVE, Scores
from daq.unknowns import Array

LEAST_ADDED = 2.5  # effective draws of one set that add to those of another
LEAST_SUMMED = 6.0  # effective draws of all sets: with fewer the widened evidence stands
APART = 1.5  # of ln evidence: sets that differ by more do not speak of the same
SAMPLING = 0.025  # what sampling may move a probability by


def enough(probability: Array) -> Array:
    """Effective draws with which sampling moves a probability by about SAMPLING: it goes with their root."""
    wanted: Array = np.maximum(LEAST_SUMMED, (probability * (1 - probability) / SAMPLING) ** 2)
    return wanted


class EvidenceSum:
    """Evidence from all sets of draws together.

    Where two sets agree, each counts as its effective draws do. Where one found much more than the other, the
    other missed it, and does not count; but not where hardly a draw found it, and many tell less or the best
    fits do not allow it: there it is looked again, from what was found (`unsettled`, (orders, explanations)).
    """

    def __init__(self, scores: Scores) -> None:
        told = scores.widened == 1  # before the best fits were looked for, few draws tell of none
        self.effective = np.where(told, scores.plain_effective, np.minimum(scores.plain_effective, 1.0))
        self.log_evidence = scores.plain_evidence.copy()
        self._most = np.full(told.shape, np.inf)
        self.unsettled = np.zeros(told.shape, dtype=np.bool_)
        self._widened, self._wide = scores.widened.copy(), scores.log_evidence.copy()

    def add(
        self, rows: npt.NDArray[np.intp], scores: Scores, most: Array, gained: npt.NDArray[np.bool_]
    ) -> npt.NDArray[np.bool_]:
        """(orders, rows): where the new set is the one to go on from.

        Args:
            most: (orders, rows), ln evidence that their best fits allow.
            gained: (rows,), where a good fit was found of which earlier sets knew nothing.
        """
        self._most[:, rows] = most
        mine, theirs = self.effective[:, rows], scores.plain_effective
        old, new = self.log_evidence[:, rows], scores.plain_evidence
        lucky = (mine < LEAST_SUMMED) & (theirs >= LEAST_EFFECTIVE)
        more = new > old + APART
        chance = more & (theirs < LEAST_SUMMED) & ((mine >= LEAST_EFFECTIVE) | (new > most))
        newer = (more & ~chance) | ((new < old - APART) & lucky) | (gained & (theirs >= LEAST_EFFECTIVE))
        agreed = ((np.abs(new - old) <= APART) | chance) & ~newer
        self.unsettled[:, rows] = chance
        pooled = np.logaddexp(np.log(mine) + old, np.log(theirs) + new) - np.log(mine + theirs)
        fewer = np.minimum(mine, theirs)
        both = np.maximum(mine, theirs) + np.where((fewer >= LEAST_ADDED) & ~chance, fewer, 0.0)
        self.log_evidence[:, rows] = np.where(newer, new, np.where(agreed, pooled, old))
        self.effective[:, rows] = np.where(newer, theirs, np.where(agreed, both, mine))
        return newer | chance | (agreed & (theirs > mine))

    def against(self, scores: Scores, fairly: bool = True) -> Array:
        """ln evidence, (orders, explanations): of those that enough draws carry, as it is; of the others
        widened, but no more than their best fits allow, and `fairly` less what widening gave to the first
        ones before they were carried. What a few draws say as it is stands, if it is more; what one says does
        not, but for the hope of finding more there."""
        told = self.effective >= LEAST_SUMMED
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
