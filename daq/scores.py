"""The readings scored on every circuit of every explanation, widened where too few draws carry one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.circuit import Circuits
from daq.circuit_case import Seen
from daq.knowledge import Knowledge
from daq.likelihood import Place, or_misread, scored
from daq.readings import Reading
from daq.unknowns import Array

LEAST_EFFECTIVE = 12.0
WIDENINGS = (1.0, 1.4, 1.9, 2.5, 3.3)


class Scores:
    """The readings scored on every circuit, widened where too few draws carry an explanation.

    `plain_fit`, (orders, explanations, draws), is the ln density of all readings before any widening;
    `right_fit` the same with none of them misread. `wrong`, (orders, readings, explanations, draws), is how
    probably each reading is a wrong one there.
    """

    def __init__(
        self,
        made: Circuits,
        readings: list[Reading],
        knowledge: Knowledge,
        log_prior: Array,
        widenings: tuple[float, ...] = WIDENINGS,
        known: dict[Place, Seen] | None = None,
    ) -> None:
        explanations, draws = made.shape
        log_prior = self._log_prior = np.array(np.broadcast_to(log_prior, made.shape))
        scorer = scored(made, readings, knowledge.reading, known)
        self._misread = scorer.log_misread
        shape = (2, explanations, draws)
        self.widened = np.ones(shape[:2])
        self.fit, self.log_fit = np.empty(shape), np.empty(shape[:2])
        self.effective = np.zeros(shape[:2])
        misread = self._misread[:, None, None]
        for factor in widenings:
            thin = self.effective < LEAST_EFFECTIVE
            rows = np.flatnonzero(thin.any(axis=0))
            if not len(rows):
                break
            self.widened[thin] = factor
            fit = scorer.log_fit_of_all(rows, self.widened[:, rows])
            self.fit[:, rows], self.log_fit[:, rows] = weighed(fit + log_prior[rows])
            self.effective[:, rows] = 1.0 / (self.fit[:, rows] ** 2).sum(axis=-1)
            if factor == 1.0:
                self.plain_effective = self.effective.copy()
                fit = scorer.log_fit(rows, self.widened)
                self.right_fit = fit.sum(axis=1)
                self._single = or_misread(fit, misread)
                self.plain_fit = self._single.sum(axis=1)
                self.wrong = np.exp(misread - self._single)
                self.weight, self.plain_evidence = weighed(self.plain_fit + log_prior)
        self.log_evidence = self.plain_evidence.copy()
        rows = np.flatnonzero((self.widened > 1).any(axis=0))
        if len(rows):
            fit = scorer.log_fit(rows, self.widened[:, rows])
            self._single[:, :, rows] = or_misread(fit, misread)
            self.weight[:, rows], self.log_evidence[:, rows] = weighed(
                self._single[:, :, rows].sum(axis=1) + log_prior[rows]
            )
        self.log_evidence -= np.log(self.widened)

    def fitting(self) -> Array:
        """(orders, explanations, draws): what each draw counts that explains every reading, in proportion."""
        found: Array = self.fit * np.exp(self.log_fit - self.log_fit.max(axis=0))[..., None]
        return found

    def with_misread(self) -> Array:
        """(orders, explanations, draws): what each draw counts, in proportion, wrong readings allowed."""
        log_weight = self.plain_fit + self._log_prior
        found: Array = np.exp(log_weight - log_weight.max(axis=(0, 2), keepdims=True))
        return found

    @property
    def both(self) -> Array:
        """(explanations, draws): what each draw counts, either way round, in proportion; half of it as if no
        reading were misread, or what would explain them all were not looked for."""
        total = np.zeros(self.weight.shape[1:])
        for weight, log_evidence in ((self.weight, self.log_evidence), (self.fit, self.log_fit)):
            share = np.exp(log_evidence - log_evidence.max(axis=0))
            share /= share.sum(axis=0)
            total += 0.5 * (weight * share[..., None]).sum(axis=0)
        return total

    def replace(self, rows: npt.NDArray[np.intp], other: Scores, theirs: npt.NDArray[np.intp]) -> None:
        """Take the scores of `other`'s explanations `theirs` for `rows`."""
        self._single[:, :, rows] = other._single[:, :, theirs]
        for mine, new in (
            (self.widened, other.widened),
            (self.weight, other.weight),
            (self.fit, other.fit),
            (self.log_fit, other.log_fit),
            (self.effective, other.effective),
            (self.log_evidence, other.log_evidence),
            (self.plain_effective, other.plain_effective),
            (self.plain_evidence, other.plain_evidence),
            (self.plain_fit, other.plain_fit),
            (self.right_fit, other.right_fit),
        ):
            mine[:, rows] = new[:, theirs]
        self.wrong[:, :, rows] = other.wrong[:, :, theirs]
        self._log_prior[rows] = other._log_prior[theirs]

    def misread(self) -> Array:
        """(orders, readings, explanations): how probably each reading is a wrong one, as widened."""
        share = np.exp(self._misread[:, None, None] - self._single)
        found: Array = np.einsum("ohd,orhd->orh", self.weight, share)
        return found


def weighed(log_weight: Array) -> tuple[Array, Array]:
    """Weights that sum to 1 over the last axis, and ln of their mean before."""
    most = log_weight.max(axis=-1, keepdims=True)
    raw = np.exp(log_weight - most)
    total = raw.sum(axis=-1)
    return raw / total[..., None], most[..., 0] + np.log(total / log_weight.shape[-1])
