"""A side is said as sure only where readings speak for it, not because other sides are rarer.

Two readings of each: with the switch open, a load switched at both ends floats at zero as one on the positive
side does, and behind an open ground point nothing tells them apart (the circuit itself; ngspice below).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daq.hypotheses import Fault, Hypothesis
from daq.knowledge import shipped
from daq.naming import explanation
from daq.offered_tests import Means
from daq.readings import parse_all
from daq.reason_words import Explanation
from daq.reasoning import reason, rival_sides, without_prior_alone
from tests.reason.told_apart import told_apart
from tests.reason.wild_circuits import Wild, wild

OPEN_GROUND = Fault("open", "ground point")


def test_where_no_test_tells_two_sides_apart_none_is_definite() -> None:
    """Behind an open fuse nothing flows: whether the feed is switched as well does not show."""
    awake = ["key on in on 0 0", "key on in on at fuse 0"]
    biased = ["out off bias up lead 1 4.6 0", "out off bias up lead 2 0 4.6", "out on bias up lead 2 0 0"]
    found = reason(
        parse_all(["source 11.8", "in on 0 0", *awake, *(f"key on {b}" for b in biased)]),
        means=Means(bias=False, test_light=False, barred=frozenset({"unplugging", "neighbour", "other"})),
    )
    assert found.next_test is None
    assert 0.5 < found.side["low"] < 0.9
    assert found.side["both ends"] > 0.1
    listed = sum(p for e, p in found.candidates if e.side == "low")
    assert listed == pytest.approx(found.side["low"], abs=0.01)


def test_a_place_that_is_known_but_for_the_side_is_tested_on() -> None:
    """Awake with the key, healthy; a bridge looks the same until it is asked for its other direction."""
    found = reason(parse_all(["source 24.2", "in on 0 0", "key on in on 0 23.9", "key on in off 0 0"]))
    assert found.next_test is not None
    assert found.stop == ""


def test_a_test_that_rules_out_much_of_a_rival_side_is_proposed() -> None:
    """An open ground wire of a bridge reads the same in both directions, an open control wire does not."""
    texts = ["source 12.51", "in on 12.48 12.41", "in off 0.01 0.01", "out on bias up lead 2 0.01 12.48"]
    texts += ["out off bias up lead 1 4.57 0", "out off bias up lead 2 -0.03 4.6", "in on at ground-point -0"]
    found = reason(parse_all(texts))
    assert found.next_test is not None
    assert found.next_test.reading == "in other V V"


def test_the_bayes_factor_and_the_cap() -> None:
    """Priors 0.42 and 0.025: posteriors in that proportion are all prior, and one of 20 times that is not."""
    sides = {
        "low": 0.0,
        "high": 0.42 / 0.445,
        "both ends": 0.025 / 0.445,
        "reversing": 0.0,
        "unswitched": 0.0,
    }
    assert rival_sides(sides, shipped()) == ["both ends"]
    capped = without_prior_alone(sides, ["both ends"], shipped())
    assert capped["high"] == pytest.approx(0.8)
    assert sum(capped.values()) == pytest.approx(1.0)
    odds = 20 * 0.42 / 0.025
    told = sides | {"high": odds / (1 + odds), "both ends": 1 / (1 + odds)}
    assert rival_sides(told, shipped()) == []


def ungrounded(side: str) -> Wild:
    circuit = wild(np.random.default_rng(57721500050))
    return replace(circuit, hypothesis=replace(circuit.hypothesis, side=side, fault=OPEN_GROUND), order=2)


def test_a_rival_with_another_driver_is_not_told_apart() -> None:
    """Of a load whose ground is open nobody sees whether its ground is switched, but for a driver that tests
    its wire with 5 V; a driver need not."""
    truth = wild(np.random.default_rng(54772200016))
    given = parse_all(["source 25.5", "in on 25.7 25.8"])
    switched = Explanation("low", 2, "open", "ground wire", None, None)
    assert told_apart(truth, switched, given, same_parts=True)
    assert not told_apart(truth, switched, given)


def test_ngspice_tells_a_ground_side_circuit_from_a_positive_side_one() -> None:
    truth = ungrounded("both ends")
    given = parse_all(["source 12.84", "in on 12.82 12.68", "in off 0.07 0.08"])
    high, low = (explanation(ungrounded(side).hypothesis, 2) for side in ("high", "low"))
    assert not told_apart(truth, high, given)
    assert told_apart(truth, low, given)


@pytest.mark.parametrize(
    ("fault", "place", "words"),
    [
        ("none", None, "not switched: nothing wrong"),
        ("load shorted", "load", "not switched: load shorted"),
        ("open", "load", "not switched: open, load"),
        ("high resistance", "fuse", "not switched: high resistance, fuse"),
    ],
)
def test_an_explanation_says_what_is_wrong(fault: str, place: str | None, words: str) -> None:
    assert str(Explanation("unswitched", None, fault, place, None)) == words


def test_words_tell_a_bad_terminal_from_a_sound_circuit_where_somebody_sees_the_load() -> None:
    """Half of its volts stay in the connector, beyond the leads: what is made for all is dim, or dead."""
    whole = wild(np.random.default_rng(57721500050))
    bad = Hypothesis("high", Fault("high resistance", "connector pin"), None, 0.0)
    parts = replace(whole.parts, kind="resistive", bad=(whole.parts.load, whole.parts.bad[1]))
    truth = replace(whole, hypothesis=bad, order=2, parts=parts, heard=True)
    sound = Explanation("high", 2, "none", None, None)
    given = parse_all(["source 12.8", "in on 0 12.7", "in off 0 0"])
    assert told_apart(truth, sound, given)
    unheard = replace(truth, heard=False)
    assert not told_apart(unheard, sound, [*given, *parse_all(["in on load ?"])])
    assert told_apart(unheard, sound, [*given, *parse_all(["in on load dead"])])


def test_a_rival_that_is_no_explanation_is_no_proof() -> None:
    with pytest.raises(AssertionError, match="nothing is explained as"):
        told_apart(ungrounded("high"), Explanation("high", 2, "open", "moon", None), parse_all(["in on 0 0"]))


def test_beside_a_lost_lead_too_a_side_is_not_sure_for_being_common_alone() -> None:
    """A load that works between leads that read nothing: lead 1 has no contact. Fed and grounded by a module,
    or from the positive side alone, nothing here tells."""
    texts = ["source 12.9", "in on 0 0.39", "in off 0 0", "in other 0 0.35", "in on at fuse 12.8"]
    answer = reason(parse_all([*texts, "in on load works", "out on 0 0"]))
    assert answer.lost == "lead 1"
    assert max(answer.side.values()) <= shipped().stop["common_alone"] + 1e-9
