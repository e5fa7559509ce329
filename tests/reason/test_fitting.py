"""Explanations that chance does not fit to all readings at once are not lost, whatever the seed of the draws.

Readings are of circuits solved by ngspice (campaign.py); what was true of each is known from there.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from daq.aiming import PRIOR_SHARE, aimed_singly
from daq.climbing import Climb, Mode, Start, relevant, relevant_dials
from daq.diagnosis import Belief, diagnose
from daq.explained import circuits
from daq.fitting import Earlier, Fits, Search
from daq.hypotheses import HEALTHY, Fault, Hypothesis, hypotheses
from daq.knowledge import shipped, with_changes
from daq.likelihood import highest, scored
from daq.points import draws_at, point_of
from daq.readings import Reading, parse_all
from daq.unknowns import DIALS, SEED, Array, unaimed

# A string of LEDs behind a switch that leaks clamps what rests at the pin; a driver tests its wire.
CLAMPED = ["source 12.1", "in on 12 -0", "in off 4.5 -0", "out off bias up lead 2 6.3 0"]
BOTH_ENDS = [
    "source 14.01",
    "in on 0.02 14.01",
    "in off 13.01 12.8",
    "in off jumper negative lead 1 0.01 8.09",
]
# 300 W on thin wires, the engine started in between, and a bad ground.
HEAVY = ["source 14.2", "in on 12.9 9.6", "in off 14.1 14.2", "in on at fuse 13.1", "in other 13 9.6"]
# 270 W behind wires as thin as any, at both ends a switch, one of them stuck on: as if switched to ground.
THIN_WIRES = [
    *("source 12.14", "in on 0.3 11.58", "in off 12.1 12.25", "in other 0.29 11.59"),
    *("out on bias up lead 1 -0 12.13", "out off -0.01 12.28", "key on in on 0.28 11.61"),
]
# A bulb that is pulsed, read as an average.
PULSED = [
    *("source 12.28", "in on 12.21 11.04", "in off 12.24 12.18", "in other 12.23 11.1"),
    "out on bias up lead 2 12.23 4.19",
]
# LEDs on an open ground that is shared with a lit neighbour, their feed behind the key: "high resistance" in
# the same place comes near, and is met by many more draws.
LIT_NEIGHBOUR = [
    *("source 12.85", "in on 12.33 5.14", "in off 13.06 12.12", "in other 12.35 5.1"),
    "key off in off 0.01 12.15",
]
# A saturated driver, the source moved, and a control wire that leaks: little is hoped of so rare a fault.
LEAK = ["source 11.8", "in on 10.3 0.3", "in off 0 0", "in other 10.3 0.3"]
BAD_GROUND = Fault("high resistance", "ground wire")
SEEDS = (1, 2)


def chance(belief: Belief, side: str, fault: Fault, order: int, *conditions: str | None) -> float:
    return sum(
        float(belief.probability[order - 1, n])
        for n, h in enumerate(belief.hypotheses)
        if (h.side, h.fault) == (side, fault) and h.condition in conditions and h.second is None
    )


@pytest.mark.parametrize(
    ("texts", "truth", "least"),
    [
        (CLAMPED, ("high", HEALTHY, 1, None), 0.6),
        (BOTH_ENDS, ("both ends", HEALTHY, 2, "shared feed"), 0.01),
        (HEAVY, ("low", BAD_GROUND, 1, None), 0.02),
        (THIN_WIRES, ("both ends", Fault("stuck on", "switch", "feed"), 2, None), 5e-4),
        (PULSED, ("low", HEALTHY, 1, "averaged"), 0.8),
    ],
    ids=["clamped", "both ends", "heavy", "thin wires", "pulsed"],
)
def test_the_truth_is_found_with_any_seed(
    texts: list[str], truth: tuple[str, Fault, int, str | None], least: float
) -> None:
    given = parse_all(texts)
    found = [chance(diagnose(given, seed=seed), *truth) for seed in SEEDS]
    assert min(found) > least, found
    assert np.std(found) < 0.05, found


def test_no_draw_is_spent_on_what_an_explanation_does_not_hang_on() -> None:
    k, seed = shipped(), 5
    first, base = unaimed(k, 160, 12.6, seed), unaimed(k, 320, 12.6, seed + 7)
    weight = np.exp(3.0 * first.dials["short"])  # as if readings told of a short
    sound, shorted = (
        h
        for h in hypotheses(k)
        if h.side == "low"
        and h.condition is None
        and h.second is None
        and h.fault in (HEALTHY, Fault("load shorted", "load"))
    )
    relevant = np.stack([relevant_dials(sound), relevant_dials(shorted)])
    drawn = aimed_singly(first, np.repeat(weight, 2, axis=0), relevant, k, 320, 12.6, seed)
    moved = (drawn.dials["short"] != base.dials["short"]).mean(axis=1)
    assert moved[0] == 0
    assert moved[1] > 0.3


def test_what_else_it_might_be_in_the_likeliest_place_is_looked_into() -> None:
    """Else what is met by chance alone would be believed for want of a rival."""
    truth = ("low", Fault("open", "ground point"), 1, "shared ground")
    found = [chance(diagnose(parse_all(LIT_NEIGHBOUR), seed=seed), *truth) for seed in (1, 2, 3, 4)]
    assert min(found) > 0.3, found


def test_what_was_not_looked_into_to_the_end_is_not_told_lower_for_it() -> None:
    """Before, 0.00005 with the seed that is shipped; where climbs went on it is about 0.0004, and of twenty
    seeds the highest say 0.008."""
    leak = Fault("short to ground", "control wire", leaking=True)
    found = [chance(diagnose(parse_all(LEAK), seed=seed), "high", leak, 1, None) for seed in (SEED, 4, 6)]
    assert min(found) > 0.00008, found
    assert max(found) < 0.01, found


def test_healthy_with_a_source_that_sags_is_not_missed() -> None:
    """Without a reading of the source, 8.9 V may be one that is cranking: no wrong fault, but rare."""
    found = chance(diagnose(parse_all(["in off 0 0", "in on 8.9 0.1"])), "high", HEALTHY, 1, None)
    assert found > 0.005


def test_a_level_half_way_that_is_read_again_does_not_count_again() -> None:
    """A bad fuse holder takes half of 28 V, in states that are one to it: a 12 V system, misread once, is no
    surer for that. With many draws either is as likely as the other."""
    texts = ["source 28.08", "in on 0.03 12.69", "in off 0.04 0", "in other 12.74 0.04"]
    again = ["key on in on 0.02 12.81", "key on in other 12.66 0.03"]
    fault = Fault("high resistance", "fuse")
    once, often = (diagnose(parse_all(some)) for some in (texts, [*texts, *again]))
    assert chance(often, "reversing", fault, 2, None) > 0.5 * chance(once, "reversing", fault, 2, None) > 0.01
    assert max(often.misread) < 0.65


def test_no_short_to_power_stands_behind_a_closed_switch_to_ground() -> None:
    """What switches it burns or protects itself: it is read at source, on and off (common practice)."""
    belief = diagnose(parse_all(HEAVY))
    assert chance(belief, "low", Fault("short to power", "control wire"), 1, None) < 0.01


def test_wires_of_a_small_load_drop_next_to_nothing() -> None:
    """1.4 W at 28 V, stuck on: not told from a short to ground by 0.00 V where a bigger load drops some."""
    texts = ["source 28.06", "in on 0.02 27.74", "in off -0 27.93", "out off bias up lead 1 -0.01 27.92"]
    belief = diagnose(parse_all([*texts, "in off at switch 0"]))
    assert chance(belief, "low", Fault("stuck on", "switch"), 2, None) > 0.1


def test_a_kind_that_a_user_rules_out_is_drawn_nowhere(tmp_path: Path) -> None:
    """Warnings are errors here: the logarithm of nothing is not asked for."""
    file = tmp_path / "mine.toml"
    file.write_text('[choices.load]\n"LED string" = 0\n[choices.source]\nmoved = 0\n')
    belief = diagnose(parse_all(CLAMPED), with_changes(file))
    assert not (belief.circuits.led_v > 0).any()
    assert (belief.circuits.moved == 1.0).all()


def some(side: str, fault: Fault) -> tuple[Hypothesis, ...]:
    return tuple(h for h in hypotheses(shipped()) if (h.side, h.fault) == (side, fault) and h.second is None)


def test_a_climb_ends_where_no_single_unknown_makes_it_better() -> None:
    """From draws of the prior, a shorted load among them, whose fuse is blown by some and not by others."""
    given, k = parse_all(HEAVY), shipped()
    chosen = some("low", BAD_GROUND) + some("low", Fault("load shorted", "load"))
    first = unaimed(k, 200, highest(given), 5)
    scorer = scored(circuits(chosen, first, k), given, k.reading, orders=(1,))
    fit = scorer.log_density(np.arange(len(chosen)), np.ones((1, len(chosen))))[0].sum(axis=0)
    best = enumerate(fit.argmax(axis=1))
    starts = [Start(row, 1, point_of(first, row, int(column), k)) for row, column in best]
    for start, mode in zip(starts, Climb(chosen, starts, given, k).modes(), strict=True):
        posts = log_posts(chosen[start.row], mode, given)
        assert posts[0] > fit[start.row].max() - 10
        assert posts[1:].max() < posts[0] + 0.5, (chosen[start.row], posts.round(2))


def test_climbs_of_either_lead_order_do_not_meddle_with_each_other() -> None:
    given, k = parse_all(HEAVY), shipped()
    chosen = some("low", BAD_GROUND) + some("high", HEALTHY)
    first = unaimed(k, 200, highest(given), 5)
    each = ((0, 1, 3), (1, 2, 5), (0, 2, 7), (1, 1, 11))
    starts = [Start(row, order, point_of(first, row, column, k)) for row, order, column in each]
    together = Climb(chosen, starts, given, k).modes()
    for start, mode in zip(starts, together, strict=True):
        (alone,) = Climb(chosen, [start], given, k).modes()
        assert mode.order == start.order
        assert mode.point.x == pytest.approx(alone.point.x, abs=1e-4)
        assert mode.log_mass == pytest.approx(alone.log_mass, abs=1e-4)


def test_a_climb_that_was_cut_short_goes_on_from_there() -> None:
    given, k = parse_all(HEAVY), shipped()
    chosen = some("low", BAD_GROUND)[:1]
    first = unaimed(k, 200, highest(given), 5)
    start = Start(0, 1, point_of(first, 0, 26, k))
    (short,) = Climb(chosen, [start], given, k).modes(2)
    (whole,) = Climb(chosen, [start], given, k).modes(20)
    (later,) = Climb(chosen, [Start(0, 1, short.point, resumed=True)], given, k).modes(20)
    assert short.rising
    assert not whole.rising
    assert short.log_mass < whole.log_mass - 1
    assert later.log_mass == pytest.approx(whole.log_mass, abs=0.1)


def test_a_misfit_that_either_of_two_kinds_would_mend_is_mended_once() -> None:
    """A driver's test current that no reading shows: it is none, or the switch no transistor."""
    texts = ["source 12.3", "in off 0 0", "in on 12.2 0", "out off 0 0", "out off bias up lead 1 4.6 0"]
    given, k = parse_all(texts), shipped()
    chosen = some("high", HEALTHY)[:1]
    first = unaimed(k, 400, highest(given), 5)
    scorer = scored(circuits(chosen, first, k), given, k.reading, orders=(1,))
    fit = scorer.log_density(np.arange(1), np.ones((1, 1)))[0].sum(axis=0)[0]
    transistor = list(k.choices["switch"]).index("transistor")
    up = list(k.choices["test_current"]).index("up")
    fit[first.choices["switch"][0] != transistor] = -np.inf
    best = int(fit.argmax())
    here = point_of(first, 0, best, k)
    starts = [Start(0, 1, here), Start(0, 1, here.otherwise("test_current", up))]
    as_found, contradicted = Climb(chosen, starts, given, k).modes()
    assert contradicted.log_mass < as_found.log_mass + 2


def log_posts(h: Hypothesis, mode: Mode, given: list[Reading]) -> Array:
    """ln of likelihood and prior at a mode, then with one dial after the other 0.3 less and 0.3 more."""
    k = shipped()
    dials = relevant(h)
    x = np.repeat(mode.point.x[None], 2 * len(dials) + 1, axis=0)
    for n, name in enumerate(dials):
        x[2 * n + 1 : 2 * n + 3, DIALS.index(name)] += (-0.3, 0.3)
    made = circuits((h,), draws_at(x[None], mode.point.codes, k), k)
    scorer = scored(made, given, k.reading, orders=(mode.order,))
    density = scorer.log_density(np.arange(1), np.ones((1, 1)))[0].sum(axis=0)[0]
    found: Array = density - 0.5 * (x**2).sum(axis=1)
    return found


def test_what_is_thinly_drawn_is_not_believed_above_its_best_fit() -> None:
    """A switch that does not close fits nothing of these: widened readings had it at a fifth."""
    belief = diagnose(parse_all(PULSED), seed=2)
    assert chance(belief, "low", Fault("stuck off", "switch"), 1, None) < 0.01


def test_weights_of_fitted_draws_are_those_of_their_density() -> None:
    """Prior over proposal: 1 on average, and never above 1 / PRIOR_SHARE but for the battery (aimed at)."""
    given, k, count = parse_all(HEAVY), shipped(), 1024
    chosen = some("low", BAD_GROUND)
    first = unaimed(k, count, highest(given), 5)
    rows = np.arange(len(chosen))
    scorer = scored(circuits(chosen, first, k), given, k.reading)
    log_fit = scorer.log_fit(rows, np.full((2, len(rows)), 6.0)).sum(axis=1)
    weight = np.exp(log_fit - log_fit.max())
    earlier, search = Earlier(first, weight, weight), Search(0, [4] * len(chosen))
    drawn, _ = Fits(given, k, highest(given)).drawn(chosen, earlier, search, 4096, 7)
    share = np.exp(drawn.log_weight)
    assert share.mean(axis=1) == pytest.approx(1.0, abs=0.08)
    assert share.max() < 2.5 / PRIOR_SHARE
    again = scored(circuits(chosen, drawn, k), given, k.reading)
    fit = again.log_fit(rows, np.ones((2, len(rows)))).sum(axis=1)[0] + drawn.log_weight
    each = np.exp(fit - fit.max(axis=1, keepdims=True))
    assert (each.sum(axis=1) ** 2 / (each**2).sum(axis=1) > 100).all()  # where 4096 of the prior have 1 or 2
