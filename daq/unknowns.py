"""What is not known about a circuit, drawn from the stated distributions.

A draw is a point in a space of dials (independent standard normal numbers, one for each continuous unknown)
and choices (which kind of part). The same draw serves every reading of one explanation, and the same draws
serve all explanations, so that what two of them have in common cancels. Draws are stratified in every dial
and come from a fixed seed: the same readings give the same answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from statistics import NormalDist
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from daq.knowledge import Knowledge

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int8]

T = TypeVar("T", bound=np.generic)

SEED = 20_240_917
DIALS = (
    "source",
    "source_moved",
    "load",
    "led",
    "contact fuse",
    "contact feed",
    "contact high wire",
    "contact pin",
    "contact low wire",
    "contact ground wire",
    "contact ground point",
    "contact switch",
    "fault",
    "second fault",
    "short",
    "open",
    "neighbour",
    "shared_contact",
    "saturation",
    "test_current",
    "step",
    "fuse",
    "duty",
)
CHOICES = (
    "system",
    "source",
    "load",
    "switch",
    "test_current",
    "bridge_rest",
    "neighbour",
    "key",
    "test_light",
)
SYSTEM_V = {"6 V": 6.0, "12 V": 12.0, "24 V": 24.0}
SOFT_SHORTS = {"short": (1.8, 0.7), "fuse": (1.3, 0.7)}  # dials: where, and how far about
AIMED_SPREAD = 0.012
AIMED_MEDIAN = 1.004


@dataclass(frozen=True, slots=True)
class Draws:
    """Draws for many explanations at once.

    Attributes:
        dials: name -> array (1, d) or (h, d): explanations, draws.
        choices: name -> codes, same shapes; the code counts the kinds in the order of knowledge.toml.
        log_weight: (1, d) or (h, d): ln of prior density over the density drawn from.
        emf_v: battery voltage, same shapes.
    """

    dials: Mapping[str, Array]
    choices: Mapping[str, Codes]
    log_weight: Array
    emf_v: Array

    @property
    def count(self) -> int:
        return int(self.emf_v.shape[-1])

    def chosen(self, rows: npt.NDArray[np.intp]) -> Draws:
        """The draws of some explanations."""
        return Draws(
            {name: _rows(values, rows) for name, values in self.dials.items()},
            {name: _rows(values, rows) for name, values in self.choices.items()},
            _rows(self.log_weight, rows),
            _rows(self.emf_v, rows),
        )

    def replaced(self, rows: npt.NDArray[np.intp], others: Draws, shape: tuple[int, ...]) -> Draws:
        """These draws, over explanations of `shape`, with `others` for the explanations `rows`."""

        def mixed(mine: npt.NDArray[T], theirs: npt.NDArray[T]) -> npt.NDArray[T]:
            new = np.array(np.broadcast_to(mine, shape))
            new[rows] = theirs
            return new

        return Draws(
            {name: mixed(values, others.dials[name]) for name, values in self.dials.items()},
            {name: mixed(values, others.choices[name]) for name, values in self.choices.items()},
            mixed(self.log_weight, others.log_weight),
            mixed(self.emf_v, others.emf_v),
        )


def _rows(values: npt.NDArray[T], rows: npt.NDArray[np.intp]) -> npt.NDArray[T]:
    return values[rows] if values.shape[0] > 1 else values


@cache
def stratified(count: int, columns: int, seed: int) -> Array:
    """(columns, count) standard normal numbers, each column one from every 1/count of the distribution.

    Latin hypercube sampling: McKay, Beckman and Conover, Technometrics 21 (1979).
    """
    inverse = NormalDist().inv_cdf
    quantiles = np.array([inverse((k + 0.5) / count) for k in range(count)])
    random = np.random.default_rng(seed)
    return np.stack([random.permutation(quantiles) for _ in range(columns)])


@cache
def stratified_shares(count: int, columns: int, seed: int) -> Array:
    """(columns, count) numbers in (0, 1), stratified like `stratified`."""
    random = np.random.default_rng(seed)
    return np.stack([random.permutation((np.arange(count) + 0.5) / count) for _ in range(columns)])


def unaimed(
    knowledge: Knowledge, count: int, seen_v: float | None, seed: int = SEED, evened: tuple[str, ...] = ()
) -> Draws:
    """Draws from the prior; only the battery voltage is aimed, half of the draws, at `seen_v`.

    `seen_v` is the highest voltage that the readings show: in most cases source. The choices `evened` are
    drawn half from the prior and half evenly, so that rare kinds meet among few draws too.
    """
    normal = stratified(count, len(DIALS), seed)
    share = stratified_shares(count, len(CHOICES) + 1, seed + 1)
    dials = {name: normal[n][None, :] for n, name in enumerate(DIALS)}
    choices, log_weight = {}, np.zeros((1, count))
    for n, name in enumerate(CHOICES):
        prior = np.array(list(knowledge.choices[name].values()))
        drawn = 0.5 * prior + 0.5 * (prior > 0) / np.count_nonzero(prior) if name in evened else prior
        choices[name] = chosen(share[n], drawn)[None, :]
        if name in evened:
            log_weight += np.log(prior[choices[name]] / drawn[choices[name]])
    if seen_v is None:
        emf = _unaimed_battery(knowledge, dials["source"], choices["system"])
        return Draws(dials, choices, log_weight, emf)
    near = np.array([[np.log(seen_v * AIMED_MEDIAN)]]), np.array([[AIMED_SPREAD]])
    emf, log_source = aimed_battery(knowledge, dials["source"], choices["system"], share[-1], near, 0.5)
    return Draws(dials, choices, log_weight + log_source, emf)


def with_soft_shorts(draws: Draws, seed: int) -> tuple[Draws, Array]:
    """The same draws, half of them with a short that blows no fuse: a short of some tenths of an ohm, and a
    fuse large enough. From the prior hardly a draw has both.

    Returns:
        the draws, and what is added to their log_weight for explanations with a short, (1, draws).
    """
    soft = stratified_shares(draws.count, 1, seed + 3) < 0.5
    prior, close = np.zeros((1, draws.count)), np.zeros((1, draws.count))
    dials = dict(draws.dials)
    for name, (centre, width) in SOFT_SHORTS.items():
        dials[name] = np.where(soft, centre + width * dials[name], dials[name])
        prior += np.log(_normal(dials[name]))
        close += np.log(_normal((dials[name] - centre) / width) / width)
    log_weight = prior - np.logaddexp(prior, close)
    return replace(draws, dials=dials), log_weight - np.log(np.exp(log_weight).mean())


def further_about(draws: Draws, times: float) -> Draws:
    """The same points, every dial but the battery's so much further out; of no known density."""
    dials = {n: values if n == "source" else times * values for n, values in draws.dials.items()}
    return replace(draws, dials=dials)


def chosen(share: Array, weights: Array) -> Codes:
    """Codes 0.. in proportion to `weights` (summing to 1) for numbers in (0, 1)."""
    return np.minimum(np.searchsorted(np.cumsum(weights), share), len(weights) - 1).astype(np.int8)


def _unaimed_battery(knowledge: Knowledge, dial: Array, system: Codes) -> Array:
    spread = knowledge.spread["source"]
    nominal = np.array([SYSTEM_V[name] for name in knowledge.choices["system"]])
    emf: Array = nominal[system] * spread.median * np.exp(np.log(spread.factor) * dial)
    return emf


def aimed_battery(
    knowledge: Knowledge, dial: Array, system: Codes, share: Array, near: tuple[Array, Array], aimed: float
) -> tuple[Array, Array]:
    """Battery voltages, V, with the ln of their prior density over that drawn from.

    Args:
        dial, system: as from the prior, (h, d) or (1, d).
        share: (d,) numbers in (0, 1); below `aimed` a draw is normal in ln V about `near`.
        near: (mean, standard deviation) of ln V, each (h, 1).
    """
    centre, narrow = near
    own = _unaimed_battery(knowledge, dial, system)
    x = np.where(share < aimed, centre + narrow * dial, np.log(own))
    prior = battery_density(knowledge, x)
    close = _normal((x - centre) / narrow) / narrow
    log_weight = np.log(prior + 1e-12) - np.log((1 - aimed) * prior + aimed * close + 1e-12)
    return np.exp(x), log_weight


def battery_density(knowledge: Knowledge, ln_v: Array) -> Array:
    """Prior density of ln V of the battery."""
    spread, width = knowledge.spread["source"], np.log(knowledge.spread["source"].factor)
    total: Array = np.zeros_like(ln_v)
    for name, weight in knowledge.choices["system"].items():
        total = total + weight * _normal((ln_v - np.log(SYSTEM_V[name] * spread.median)) / width) / width
    return total


def _normal(z: Array) -> Array:
    density: Array = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    return density
