"""The entropy code against published examples; sources beside each."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from daq.information import Array, entropy, expected_bits


def test_entropy_of_known_coins() -> None:
    """H(0.99) = 0.08 bits: Russell and Norvig, Artificial Intelligence, 3rd ed., p. 704."""
    assert float(entropy(np.array([0.99, 0.01]))) == pytest.approx(0.08, abs=0.001)
    assert float(entropy(np.array([0.5, 0.5, 0.0]))) == 1.0


def test_the_restaurant_of_russell_and_norvig() -> None:
    """Patrons tells 0.541 bits (3rd ed., p. 704): None 0 of 2, Some 4 of 4, Full 2 of 6 wait."""
    wait = np.array([0, 4, 2]) / 6
    leave = np.array([2, 0, 4]) / 6
    assert expected_bits(np.array([0.5, 0.5]), np.stack([wait, leave])) == pytest.approx(0.541, abs=5e-4)


def test_play_tennis() -> None:
    """Quinlan's set as on an IBM page: H 0.940, humidity .151 (.1518); the others computed from it."""
    yes, no = np.array([9, 5]) / 14
    assert float(entropy(np.array([yes, no]))) == pytest.approx(0.940, abs=5e-4)
    tables = {
        "humidity": ([3, 6], [4, 1], 0.1518),
        "outlook": ([2, 4, 3], [3, 0, 2], 0.247),
        "temperature": ([2, 4, 3], [2, 2, 1], 0.029),
        "wind": ([6, 3], [2, 3], 0.048),
    }
    for for_it, against, bits in tables.values():
        chances = np.stack([np.array(for_it) / 9, np.array(against) / 5])
        assert expected_bits(np.array([yes, no]), chances) == pytest.approx(bits, abs=5e-4)


@pytest.mark.parametrize(("each", "bits"), [(4, 1.585), (6, 1.0), (5, 1.483), (3, 1.5)])
def test_twelve_balls(each: int, bits: float) -> None:
    """MacKay, Information Theory, Inference, and Learning Algorithms, exercise 4.1: one ball is odd."""
    odd = list(itertools.product(range(12), (1, -1)))
    chances = np.zeros((24, 3))
    for n, (ball, weight) in enumerate(odd):
        side = 1 if ball < each else -1 if ball < 2 * each else 0
        chances[n, 1 + side * weight] = 1.0
    assert expected_bits(np.full(24, 1 / 24), chances) == pytest.approx(bits, abs=6e-4)


@pytest.mark.parametrize(("faults", "bits"), [(8, 1.0), (5, 0.971)])
def test_half_split_is_best_for_equal_faults_in_series(faults: int, bits: float) -> None:
    """n places in a row, one of them open: a reading behind place k tells on which side (half split)."""
    prior = np.full(faults, 1 / faults)
    told = [
        expected_bits(prior, np.stack([np.arange(faults) <= k, np.arange(faults) > k], axis=1).astype(float))
        for k in range(faults - 1)
    ]
    assert max(told) == pytest.approx(bits, abs=5e-4)
    assert int(np.argmax(told)) == (faults - 1) // 2 or told[(faults - 1) // 2] == pytest.approx(max(told))


def polybox() -> tuple[Array, list[tuple[int, ...]], Callable[[tuple[int, ...]], dict[str, int | None]]]:
    """Three multipliers M1..M3 and two adders; inputs 3, 2, 2, 3, 3; outputs seen F = 10, G = 12.

    The box of de Kleer and Williams (Artificial Intelligence 32, 1987); the figures below are computed for it
    with p = 0.01 for each part, not the paper's.
    """
    sets = [c for n in range(6) for c in itertools.combinations(range(5), n)]

    def predicted(broken: tuple[int, ...]) -> dict[str, int | None]:
        x, y, z = (None if m in broken else 6 for m in range(3))
        if 3 not in broken:  # A1: F = X + Y = 10
            x, y = x if x is not None else _less(10, y), y if y is not None else _less(10, x)
        if 4 not in broken:  # A2: G = Y + Z = 12
            y, z = y if y is not None else _less(12, z), z if z is not None else _less(12, y)
        if 3 not in broken and x is None:
            x = _less(10, y)
        return {"X": x, "Y": y, "Z": z, "F": _sum(x, y), "G": _sum(y, z)}

    def consistent(broken: tuple[int, ...]) -> bool:
        v = predicted(broken)
        return (3 in broken or v["F"] in (None, 10)) and (4 in broken or v["G"] in (None, 12))

    kept = [s for s in sets if consistent(s)]
    prior = np.array([0.01 ** len(s) * 0.99 ** (5 - len(s)) for s in kept])
    return prior / prior.sum(), kept, predicted


def _less(total: int, part: int | None) -> int | None:
    return None if part is None else total - part


def _sum(a: int | None, b: int | None) -> int | None:
    return None if a is None or b is None else a + b


def told_by(
    name: str, prior: Array, sets: Sequence[tuple[int, ...]], predicted: Callable[..., dict[str, int | None]]
) -> float:
    """A value that a set does not predict is uniform over 20 numbers."""
    chances = np.zeros((len(sets), 20))
    for n, broken in enumerate(sets):
        value = predicted(broken)[name]
        if value is None:
            chances[n] = 1 / 20
        else:
            chances[n, value] = 1.0
    return expected_bits(prior, chances)


def test_the_polybox() -> None:
    prior, sets, predicted = polybox()
    assert len(sets) == 27
    assert float(entropy(prior)) == pytest.approx(1.359, abs=1e-3)
    chance = {s: float(p) for s, p in zip(sets, prior, strict=True)}
    assert chance[(0,)] == pytest.approx(0.4780, abs=1e-4)  # M1
    assert chance[(3,)] == pytest.approx(0.4780, abs=1e-4)  # A1
    assert chance[(1, 2)] == pytest.approx(0.00483, abs=1e-5)
    minimal = {s for s in sets if not any(set(t) < set(s) for t in sets)}
    assert minimal == {(3,), (0,), (1, 4), (1, 2)}
    told = {name: told_by(name, prior, sets, predicted) for name in "XYZ"}
    assert told == pytest.approx({"X": 1.035, "Y": 0.081, "Z": 0.047}, abs=1.5e-3)
    assert max(told, key=lambda name: told[name]) == "X"  # the University of Edinburgh's slides measure X too


def test_a_test_that_is_known_already_tells_nothing() -> None:
    rng = np.random.default_rng(1)
    prior = rng.dirichlet(np.ones(6))
    assert expected_bits(prior, np.tile(rng.dirichlet(np.ones(4)), (6, 1))) == pytest.approx(0.0, abs=1e-12)


def test_sampling_alone_is_not_taken_for_information() -> None:
    """Two explanations that predict alike, known from 48 samples each: the promise stays near 0."""
    rng = np.random.default_rng(2)
    told = []
    for _ in range(200):
        counts = rng.multinomial(48, [0.25] * 4, size=2)
        told.append(expected_bits(np.array([0.5, 0.5]), counts / 48, samples=48))
    assert np.mean(told) < 0.012
