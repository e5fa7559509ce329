"""Several sets of draws of one explanation count as one: against plain Monte Carlo with many more draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daq.climbing import Climb, Mode, Start
from daq.evidence_sum import LEAST_SUMMED, EvidenceSum
from daq.explained import circuits
from daq.hypotheses import HEALTHY, Fault, Hypothesis, hypotheses
from daq.knowledge import Knowledge, shipped
from daq.likelihood import highest, scored
from daq.mixture import Mixture, drawn_from, mixture
from daq.points import point_of
from daq.readings import Reading, parse_all
from daq.scores import Scores, weighed
from daq.unknowns import SOFT_SHORTS, Array, unaimed, with_soft_shorts

READ = parse_all(["source 12.6", "in off 12.6 12.6", "in on 12.5 0.21"])
SEEN = highest(READ)
LOW = next(
    h
    for h in hypotheses(shipped())
    if (h.side, h.fault, h.condition, h.second) == ("low", HEALTHY, None, None)
)
EVERY = np.arange(1)


def by_many_draws(h: Hypothesis, given: list[Reading]) -> Array:
    """ln evidence, (orders,), from the prior alone."""
    k = shipped()
    draws = unaimed(k, 60_000, highest(given), 77)
    scorer = scored(circuits((h,), draws, k), given, k.reading)
    fit = scorer.log_density(EVERY, np.ones((2, 1))).sum(axis=1)
    return weighed(fit + draws.log_weight)[1][:, 0]


def best_fit(given: list[Reading] = READ) -> Mode:
    k = shipped()
    draws = unaimed(k, 60, SEEN, 5)
    scorer = scored(circuits((LOW,), draws, k), given, k.reading, orders=(1,))
    best = int(scorer.log_density(EVERY, np.ones((1, 1)))[0].sum(axis=0)[0].argmax())
    (mode,) = Climb((LOW,), [Start(0, 1, point_of(draws, 0, best, k))], given, k).modes(20)
    return mode


def together(
    *mixtures: Mixture, given: list[Reading] = READ, knowledge: Knowledge | None = None
) -> EvidenceSum:
    """What sets from these say, one after the other."""
    k = knowledge or shipped()
    first = unaimed(k, 8, SEEN, 3)
    scores = Scores(circuits((LOW,), first, k), given, k, first.log_weight)
    found = EvidenceSum(scores, k, SEEN)
    for n, one in enumerate(mixtures):
        draws = drawn_from([one], k, 320, SEEN, 100 * n)
        new = Scores(circuits((LOW,), draws, k), given, k, draws.log_weight)
        found.add(EVERY, new, draws, [one], np.full((2, 1), np.inf))
    return found


def test_sets_about_the_best_fit_and_far_from_it_say_what_many_draws_say() -> None:
    right = best_fit()
    wrong = replace(right, point=right.point.moved({"load": 2.5, "contact ground point": -2.5}))
    truth = by_many_draws(LOW, READ)[0]
    for mixtures in ([right], [wrong, right], [wrong, wrong, wrong, right], [right, wrong]):
        found = together(*(mixture([m]) for m in mixtures))
        assert found.log_evidence[0, 0] == pytest.approx(truth, abs=0.2), len(mixtures)
        assert found.effective[0, 0] > 40


def test_a_set_drawn_about_a_lucky_draw_takes_its_luck_away() -> None:
    """Far from what fits, one draw of the prior's share carries all; once that was drawn about, it weighs as
    much as it should."""
    right = best_fit()
    wrong = replace(right, point=right.point.moved({"load": 4.0, "contact ground point": -4.0}))
    before = together(*[mixture([wrong])] * 3)
    after = together(*[mixture([wrong])] * 3, mixture([right]))
    assert after.effective[0, 0] > 2 * before.effective[0, 0]
    assert after.log_evidence[0, 0] == pytest.approx(by_many_draws(LOW, READ)[0], abs=0.2)


def test_a_first_set_that_missed_what_later_ones_met_counts_as_few_draws() -> None:
    """It carries more draws than one lucky one; but that one lies where there may be far more."""
    k = shipped()
    first = unaimed(k, 2000, SEEN, 3)
    found = EvidenceSum(Scores(circuits((LOW,), first, k), READ, k, first.log_weight), k, SEEN)
    assert found.effective[0, 0] > LEAST_SUMMED
    before = found.log_evidence[0, 0]
    for n, lucky in enumerate((0.0, 30.0)):
        draws = drawn_from([mixture([best_fit()])], k, 8, SEEN, n)
        new = Scores(circuits((LOW,), draws, k), READ, k, draws.log_weight)
        new.plain_fit[0, 0, 0] += lucky
        goes_on = found.add(EVERY, new, draws, [mixture([best_fit()])], np.full((2, 1), np.inf))
    assert found.log_evidence[0, 0] == before
    assert found.effective[0, 0] < LEAST_SUMMED
    assert goes_on[0, 0]


def test_a_short_that_blows_no_fuse_is_drawn_and_weighed() -> None:
    """A load shorted to 0.3 ohm behind a fuse of 25 A: 40 A blow none that is rated half as much again."""
    given, k = parse_all(["source 12.6", "in off 11.9 0.35", "in on 11.9 0.35"]), shipped()
    shorted = next(
        h
        for h in hypotheses(k)
        if (h.side, h.fault, h.second) == ("unswitched", Fault("load shorted", "load"), None)
    )
    every = unaimed(k, 60_000, highest(given), 77)
    drawn, log_soft = with_soft_shorts(every, 77)
    for name in SOFT_SHORTS:  # weighed they are from the prior again: standard normal
        share = np.exp(log_soft)[0] / log_soft.shape[1]
        assert share @ drawn.dials[name][0] == pytest.approx(0.0, abs=0.05)
        assert share @ drawn.dials[name][0] ** 2 == pytest.approx(1.0, abs=0.1)
    scorer = scored(circuits((shorted,), drawn, k), given, k.reading)
    fit = scorer.log_density(EVERY, np.ones((2, 1))).sum(axis=1) + drawn.log_weight + log_soft
    assert weighed(fit)[1][0, 0] == pytest.approx(by_many_draws(shorted, given)[0], abs=0.3)
    fits = scorer.log_fit(EVERY, np.ones((2, 1)))[0].sum(axis=0)[0]
    plain = (
        scored(circuits((shorted,), every, k), given, k.reading).log_fit(EVERY, np.ones((2, 1)))[0].sum(0)[0]
    )
    assert (fits > fits.max() - 20).sum() > 5 * (plain > fits.max() - 20).sum()


def test_a_wrong_reading_is_as_probable_in_all_sets_together_as_in_many_draws() -> None:
    """A drop above those of a sound contact and below those of a transistor, by one who errs every
    other time."""
    given = parse_all(["source 12.6", "in off 12.6 12.6", "in on 12.1 0.4"])
    k = replace(shipped(), reading={**shipped().reading, "misread": 0.5})
    many = unaimed(k, 60_000, SEEN, 77)
    scores = Scores(circuits((LOW,), many, k), given, k, many.log_weight, (1.0,))
    truth = scores.misread()[0, :, 0]
    assert 0.3 < truth[2] < 0.5
    found = together(*[mixture([best_fit()])] * 8, given=given, knowledge=k)
    assert found.effective[0, 0] > LEAST_SUMMED
    assert found.misread(scores)[0, :, 0] == pytest.approx(truth, abs=0.06)


def test_draws_that_take_a_reading_for_a_mistake_do_not_carry_an_explanation() -> None:
    """They are many about this best fit, and tell nothing of one where no reading is wrong."""
    given = parse_all(["source 12.6", "in off 12.6 12.6", "in on 12.5 0.21", "in off 4 12.6"])
    found = together(mixture([best_fit()]), given=given)
    assert found.effective[0, 0] > 30
    assert found.carried[0, 0] < 4


def test_evidence_that_a_newer_set_moves_is_moving() -> None:
    """A best fit that all mixtures so far had missed, of a load so heavy that a fuse box drops 3.6 V."""
    given = parse_all(["source 12.6", "in off 12.6 12.6", "in on 9 0.2"])
    right, wrong = mixture([best_fit(given)]), mixture([best_fit()])
    assert not together(right, given=given).moving[0, 0]
    assert not together(right, right, given=given).moving[0, 0]
    assert together(wrong, wrong, right, given=given).moving[0, 0]
