"""Readings that nobody expects: their order, the seed and a missed best fit must not decide the answer.

The sets were found by trying; evidence to compare with is from many times the draws, climbs from all over.
"""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from daq.climbing import Climb
from daq.diagnosis import Belief, diagnose
from daq.hypotheses import HEALTHY, Fault, Hypothesis, hypotheses
from daq.knowledge import shipped
from daq.likelihood import highest
from daq.readings import parse_all
from daq.reasoning import Switching, reason
from daq.screening import screened
from daq.unknowns import SEED

SEEDS = (SEED, 1, 2, 3)
LEAKY = ["source 12.6", "in off 8.1 0", "in on 12.5 0.1", "out off 8 0"]
LOADED = ["source 12.6", "in on at fuse 11.2", "in on 11.1 0.3", "in off 0 0"]
FLAT = ["source 9.6", "in off 0 0", "in on 9.5 0.1"]
LOW_FLAT = ["source 8.7", "in off 8.7 8.7", "in on 8.6 0.1"]
ALWAYS = ["source 12.6", "in off 11.9 0.35", "in on 11.9 0.35"]
SAGGING = ["source 12.6", "in off 0 0", "in on 10.9 0.9", "in on source 11.9"]
WRONG_SOURCE = ["source 28.08", "in on 0.03 12.69", "in off 0.04 0", "in other 12.74 0.04"]
UNLOADED = ["source 12.4", "in on 12.2 12.2", "in off 12.2 12.2"]
DROOPING = ["source 13.9", "in on 13.4 0.4", "in off 13.8 13.7"]


def shares(belief: Belief) -> dict[tuple[Hypothesis, int], float]:
    each = np.ndenumerate(belief.probability)
    return {(belief.hypotheses[n], o + 1): float(p) for (o, n), p in each}


def of_fault(belief: Belief, side: str, fault: Fault) -> float:
    each = shares(belief).items()
    return sum(p for (h, _), p in each if (h.side, h.fault) == (side, fault) and h.second is None)


@pytest.mark.parametrize("texts", [LEAKY, WRONG_SOURCE], ids=["leaky", "wrong source"])
def test_the_order_of_readings_is_nothing(texts: list[str]) -> None:
    once = diagnose(parse_all(texts))
    for order in list(permutations(range(len(texts))))[1::5]:
        again = diagnose(parse_all([texts[n] for n in order]))
        assert shares(again) == shares(once)
        assert again.misread == tuple(once.misread[n] for n in order)


@pytest.mark.parametrize(
    ("texts", "most"),
    [(LEAKY, 0.03), (LOADED, 0.06), (FLAT, 0.06), (LOW_FLAT, 0.1), (ALWAYS, 0.12), (SAGGING, 0.17)],
    ids=["leaky", "loaded", "flat", "low flat", "always", "sagging"],
)
def test_the_seed_decides_little(texts: list[str], most: float) -> None:
    """Before, 0.92, 0.29, 0.25, 0.09, 0.14 and 0.19 apart. In the last two a load that is shorted by some
    tenths of an ohm and a fuse that holds are met by few draws even so."""
    found = [shares(diagnose(parse_all(texts), seed=seed)) for seed in SEEDS]
    names = set().union(*found)
    apart = {name: np.ptp([one.get(name, 0.0) for one in found]) for name in names}
    assert max(apart.values()) < most, max(apart.items(), key=lambda pair: pair[1])


def test_a_driver_with_a_test_current_behind_an_open_load_is_met() -> None:
    """Two kinds and a dial must be right at once: ln evidence is -5.2, and -11.7 where that is missed."""
    for seed in SEEDS:
        belief = diagnose(parse_all(LEAKY), seed=seed)
        assert of_fault(belief, "high", Fault("open", "load")) > 0.6
        assert max(belief.misread) < 0.1


@pytest.mark.parametrize(
    ("texts", "side", "fault", "least"),
    [
        (UNLOADED, "both ends", Fault("open", "ground wire"), 2e-4),
        (DROOPING, "low", Fault("short to ground", "control wire", leaking=True), 4e-4),
    ],
    ids=["open ground wire", "leak"],
)
def test_one_look_puts_nothing_out_of_sight(texts: list[str], side: str, fault: Fault, least: float) -> None:
    """0.0002 and 0.0018 by two hundred times the draws, 0.00007 and 0.00004 by some seeds' first fits alone;
    of twenty seeds 0.0003 and 0.0005 are the least that is told."""
    for seed in (*SEEDS, 4):
        assert of_fault(diagnose(parse_all(texts), seed=seed), side, fault) > least


def test_what_switching_says_does_not_hide_what_fits() -> None:
    """It makes priors add up to many times 1."""
    seen = Switching("high", 1, 0.95)
    answer = reason(parse_all(DROOPING), switching=seen)
    assert sum(p for e, p in answer.candidates if (e.fault, e.place) == ("open", "ground wire")) > 0.001


def test_what_fits_as_it_stands_is_kept_beside_what_fits_widened() -> None:
    """A bridge explains 9.6 V no worse; with readings widened others were so much better that it was out."""
    belief = diagnose(parse_all(FLAT))
    sides = {h.side for h in belief.hypotheses}
    assert "reversing" in sides
    assert sum(p for (h, _), p in shares(belief).items() if h.side == "high") < 0.95


def test_climbs_may_begin_where_kinds_and_dials_are_right_together() -> None:
    k, given = shipped(), parse_all(LEAKY)
    some = [h for h in hypotheses(k) if h.side == "high" and h.fault == Fault("open", "load")]
    open_load = next(h for h in some if h.condition is None and h.second is None)
    best = []
    for seed in SEEDS:  # what is likely is looked for twice
        each = [screened([open_load], given, k, highest(given), seed + n)[0] for n in (0, 100)]
        climb = Climb((open_load,), [*each[0], *each[1]], given, k)
        best.append(max(m.log_mass for m in climb.modes(20)))
    assert min(best) > -6.0  # most of the evidence, -5.2 in ln


def test_a_wrong_reading_is_one_in_all_draws_together() -> None:
    """A 12 V circuit, its source read elsewhere: about as likely as a bad fuse holder, whatever the seed."""
    texts = [*WRONG_SOURCE, "key on in on 0.02 12.81", "key on in other 12.66 0.03"]
    found = [diagnose(parse_all(texts), seed=seed).misread[0] for seed in SEEDS]
    assert max(found) - min(found) < 0.1
    assert 0.35 < min(found) < max(found) < 0.65  # many draws say 0.5


def test_healthy_is_still_told() -> None:
    belief = diagnose(parse_all(["in off 12.6 12.6", "in on 12.5 0.1"]))
    assert of_fault(belief, "low", HEALTHY) > 0.7
