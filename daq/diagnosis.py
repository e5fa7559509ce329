"""What could it be: the posterior over explanations and lead orders, given readings.

Importance sampling. For each explanation the unknowns are drawn once and serve all readings; its likelihood
is the mean over draws of the product of the readings' densities. A first set of draws, from the prior and
shared by all explanations, finds what survives and where each survivor's unknowns must lie. A second set is
drawn for each survivor from a mixture of stories: the prior, and for each unknown that the readings pin down,
the prior with that one unknown moved to where the first draws put it. No dial's weight can exceed
1 / PRIOR_SHARE. Where too few draws carry an explanation, the readings' deviation is widened until the
effective number of draws is at least LEAST_EFFECTIVE (Kong, Liu and Wong, JASA 89, 1994), so that no
explanation is lost by bad luck.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.circuit import Circuits
from daq.hypotheses import Hypothesis, circuits, hypotheses
from daq.knowledge import Knowledge, shipped
from daq.likelihood import Scorer, highest
from daq.readings import Reading
from daq.unknowns import SEED, Array, Draws, chosen, stratified, stratified_shares, unaimed

FIRST_DRAWS = 128
DRAWS = 512
LEAST_EFFECTIVE = 25.0
WIDENINGS = (1.0, 1.5, 2.2, 3.3, 5.0, 7.5)
PRIOR_SHARE = 0.25
KEPT = 1e-5  # of the best, in the first set: less is not looked at again
AIMABLE = (
    "fault",
    "second fault",
    "short",
    "open",
    "led",
    "duty",
    "step",
    "saturation",
    "test_current",
    "neighbour",
    "shared_contact",
    "source_moved",
)
AIMABLE_CHOICES = ("source", "load", "switch", "test_current", "neighbour", "meters", "key", "bridge_rest")
BINS = 16


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


def diagnose(
    given: Sequence[Reading],
    knowledge: Knowledge | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
    first_draws: int = FIRST_DRAWS,
) -> Belief:
    """The belief that these readings support; without readings, the prior."""
    knowledge = knowledge or shipped()
    readings = list(given)
    everything = hypotheses(knowledge)
    seen = highest(readings)
    first = unaimed(knowledge, first_draws, seen, seed)
    made = circuits(everything, first, knowledge)
    log_prior = np.broadcast_to(first.log_weight, made.shape)
    scores = _Scores(made, readings, knowledge, log_prior)
    prior = np.array([h.prior for h in everything])
    log_total = np.log(prior / 2) + scores.log_evidence
    alive = np.flatnonzero((log_total > log_total.max() + np.log(KEPT)).any(axis=0))
    if not readings:
        alive = np.arange(len(everything))
    kept = tuple(everything[n] for n in alive)
    second = _aimed(first, scores, alive, knowledge, draws, seen, seed)
    made = circuits(kept, second, knowledge)
    scores = _Scores(made, readings, knowledge, second.log_weight)
    log_total = np.log(prior[alive] / 2) + scores.log_evidence
    probability = np.exp(log_total - log_total.max())
    probability /= probability.sum()
    return Belief(
        tuple(readings),
        knowledge,
        kept,
        probability,
        scores.misread(probability),
        made,
        scores.weight,
        scores.effective,
        scores.widened,
    )


class _Scores:
    """The readings scored on every circuit, widened where too few draws carry an explanation."""

    def __init__(
        self, made: Circuits, readings: list[Reading], knowledge: Knowledge, log_prior: Array
    ) -> None:
        explanations, draws = made.shape
        scorer = Scorer(made, readings, knowledge.reading)
        self._misread = scorer.log_misread
        self._single = np.zeros((2, len(readings), explanations, draws))
        self.widened = np.ones((2, explanations))
        self.weight = np.empty((2, explanations, draws))
        self.effective = np.zeros((2, explanations))
        self.log_evidence = np.empty((2, explanations))
        for factor in WIDENINGS:
            thin = self.effective < LEAST_EFFECTIVE
            rows = np.flatnonzero(thin.any(axis=0))
            if not len(rows):
                break
            self.widened[thin] = factor
            self._single[:, :, rows] = scorer.log_density(rows, self.widened[:, rows])
            self._weigh(rows, self._single[:, :, rows].sum(axis=1) + log_prior[rows])

    def _weigh(self, rows: npt.NDArray[np.intp], log_weight: Array) -> None:
        most = log_weight.max(axis=-1, keepdims=True)
        raw = np.exp(log_weight - most)
        total = raw.sum(axis=-1)
        self.weight[:, rows] = raw / total[..., None]
        self.effective[:, rows] = 1.0 / (self.weight[:, rows] ** 2).sum(axis=-1)
        self.log_evidence[:, rows] = most[..., 0] + np.log(total / log_weight.shape[-1])

    def misread(self, probability: Array) -> tuple[float, ...]:
        """For each reading, the probability that it is a wrong one."""
        found = []
        for n, log_wrong in enumerate(self._misread):
            share = np.exp(log_wrong - self._single[:, n])
            found.append(float((probability * (self.weight * share).sum(axis=-1)).sum()))
        return tuple(found)


def _aimed(
    first: Draws,
    scores: _Scores,
    alive: npt.NDArray[np.intp],
    knowledge: Knowledge,
    count: int,
    seen: float | None,
    seed: int,
) -> Draws:
    """Draws for each survivor, from its mixture of stories."""
    base = unaimed(knowledge, count, seen, seed + 7)
    order_share = np.exp(scores.log_evidence - scores.log_evidence.max(axis=0))
    order_share /= order_share.sum(axis=0)
    weight = (scores.weight * order_share[..., None]).sum(axis=0)[alive]
    shape = (len(alive), count)
    dials = {n: np.array(np.broadcast_to(v, shape)) for n, v in base.dials.items()}
    choices = {n: np.array(np.broadcast_to(v, shape)) for n, v in base.choices.items()}
    log_weight = np.array(np.broadcast_to(base.log_weight, shape))
    _aim_dials(dials, log_weight, first, weight, count, seed)
    _aim_choices(choices, log_weight, first, weight, knowledge, count, seed)
    return Draws(dials, choices, log_weight, base.emf_v)


def _aim_dials(
    dials: dict[str, Array], log_weight: Array, first: Draws, weight: Array, count: int, seed: int
) -> None:
    """In three draws of four, one dial that the readings pin down is drawn where the first draws put it."""
    edges = np.quantile(stratified(4096, 1, 0)[0], np.linspace(0, 1, BINS + 1)[1:-1])
    pinned, shares = [], []
    for name in AIMABLE:
        codes = np.searchsorted(edges, first.dials[name][0])
        mass = np.stack([weight[:, codes == b].sum(axis=1) for b in range(BINS)], axis=1)
        mass = 0.9 * _smoothed(mass) + 0.1 / BINS
        shares.append(mass / mass.sum(axis=1, keepdims=True))
        pinned.append((shares[-1] * np.log(shares[-1] * BINS)).sum(axis=1))
    told = np.maximum(np.array(pinned) - 0.15, 0.0) ** 2  # (dials, h), in nats
    silent = told.sum(axis=0) <= 0
    mixture = np.where(silent, 0.0, (1 - PRIOR_SHARE) * told / np.maximum(told.sum(axis=0), 1e-12))
    which = stratified_shares(count, 1, seed + 11)[0]
    inside = stratified_shares(count, 2, seed + 13)
    ratio = 1.0 - mixture.sum(axis=0)[:, None] + np.zeros((len(weight), count))
    begin = np.zeros(len(silent))
    for n, name in enumerate(AIMABLE):
        end = begin + mixture[n]
        moved = (which[None, :] >= begin[:, None]) & (which[None, :] < end[:, None])
        for row in np.flatnonzero(mixture[n] > 0):
            bins = chosen(inside[0], shares[n][row])
            value = _in_bin(bins, inside[1])
            dials[name][row] = np.where(moved[row], value, dials[name][row])
        begin = end
    for n, name in enumerate(AIMABLE):
        rows = np.flatnonzero(mixture[n] > 0)
        codes = np.searchsorted(edges, dials[name][rows])
        ratio[rows] += mixture[n][rows, None] * BINS * np.take_along_axis(shares[n][rows], codes, axis=1)
    log_weight -= np.log(ratio)


def _in_bin(bins: npt.NDArray[np.int8], share: Array) -> Array:
    """A standard normal number within the given equal-probability bin."""
    table = np.sort(stratified(4096, 1, 0)[0])
    values: Array = table[((bins + share) * (len(table) / BINS)).astype(np.intp)]
    return values


def _aim_choices(
    choices: dict[str, npt.NDArray[np.int8]],
    log_weight: Array,
    first: Draws,
    weight: Array,
    knowledge: Knowledge,
    count: int,
    seed: int,
) -> None:
    """Half of each choice is drawn as the first draws favour it."""
    share = stratified_shares(count, len(AIMABLE_CHOICES), seed + 17)
    for n, name in enumerate(AIMABLE_CHOICES):
        prior = np.array(list(knowledge.choices[name].values()))
        codes = first.choices[name][0]
        mass = np.stack([weight[:, codes == b].sum(axis=1) for b in range(len(prior))], axis=1)
        drawn = 0.5 * prior + 0.5 * mass / mass.sum(axis=1, keepdims=True)
        for row in range(len(weight)):
            choices[name][row] = chosen(share[n], drawn[row])
        log_weight += np.log(prior)[choices[name]] - np.log(
            np.take_along_axis(drawn, choices[name].astype(np.intp), axis=1)
        )


def _smoothed(mass: Array) -> Array:
    """Spread over the neighbouring bins."""
    padded = np.pad(mass, ((0, 0), (1, 1)), mode="edge")
    smooth: Array = 0.5 * mass + 0.25 * padded[:, :-2] + 0.25 * padded[:, 2:]
    return smooth
