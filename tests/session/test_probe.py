"""The prober: asks a lead that may float, once, and lets everybody else have the bias."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daq.probe import AGAIN_S, ANSWER_S, AWAY_S, QUIET, STEADY_S, WHISPER, Prober
from daq.samples import Bias
from daq.snapshot import LeadView, Snapshot, StateWord
from daq.source import SetBias
from tests.tui.scenes import NO_CHECK, snapshot

FREE_V = 2.62
STEP_S = 0.05


def shot(at_s: float, lead2_v: float = FREE_V, bias: SetBias = WHISPER) -> Snapshot:
    leads = (LeadView(12.6, 0.03, StateWord.AT_SOURCE), LeadView(lead2_v, 0.03, StateWord.BETWEEN))
    return replace(snapshot(), time_s=at_s, leads=leads, bias=(bias.lead1, bias.lead2))


class Logger:
    """Does as it is told one snapshot later; `free`: lead 2 follows the whisper."""

    def __init__(self, free: bool = True) -> None:
        self.prober, self.free = Prober(), free
        self.bias, self.at_s = WHISPER, 0.0
        self.asked: list[tuple[float, SetBias]] = []

    def run(self, seconds: float, lead2_v: float = FREE_V) -> None:
        for _ in range(round(seconds / STEP_S)):
            self.at_s += STEP_S
            away = self.free and self.bias == QUIET
            wanted = self.prober.next(shot(self.at_s, 0.0 if away else lead2_v, self.bias))
            if wanted is not None:
                self.asked.append((round(self.at_s, 3), wanted))
                self.bias = wanted


@pytest.mark.parametrize("free", [True, False])
def test_a_suspicious_lead_is_asked_once_and_the_whisper_comes_back(free: bool) -> None:
    logger = Logger(free)
    logger.run(5.0)
    (away_s, away), (back_s, back) = logger.asked
    assert (away, back) == (QUIET, WHISPER)
    assert STEADY_S <= away_s <= STEADY_S + 0.3
    assert AWAY_S <= back_s - away_s <= AWAY_S + 0.15
    logger.run(AGAIN_S)
    assert len(logger.asked) == 4, "and now and then again"


def test_each_time_it_comes_to_that_level_it_is_asked() -> None:
    logger = Logger()
    for _ in range(3):
        logger.run(0.9)
        logger.run(0.7, lead2_v=0.1)
    assert [what for _, what in logger.asked] == [QUIET, WHISPER] * 3


@pytest.mark.parametrize("volts", [0.1, 1.5, 6.0, 12.6])
def test_other_levels_are_not_asked(volts: float) -> None:
    logger = Logger()
    logger.run(3.0, lead2_v=volts)
    assert logger.asked == []


def test_nothing_is_asked_while_readings_are_no_evidence() -> None:
    for change in ({"plug": "out"}, {"lead_check": replace(NO_CHECK, step=1)}):
        prober = Prober()
        for n in range(40):
            now = replace(shot(n * STEP_S), **change)
            assert prober.next(now) is None


def test_somebody_elses_bias_is_left_alone() -> None:
    for bias in (QUIET, SetBias(Bias.UP, Bias.OFF), SetBias(Bias.WHISPER, Bias.OFF)):
        prober = Prober()
        assert all(prober.next(shot(n * STEP_S, bias=bias)) is None for n in range(40))
    logger = Logger()
    logger.run(0.35)
    assert logger.bias == QUIET
    logger.prober.stand_down(QUIET)  # the user switches it off himself
    logger.run(1.0)
    assert logger.bias == QUIET


def test_a_bias_that_the_logger_has_not_followed_yet_is_left_alone() -> None:
    """The whisper still stands when the user has switched it off: asked then, it would be put back after."""
    logger = Logger()
    logger.run(0.2)
    logger.prober.stand_down(QUIET)
    logger.run(2.0)
    assert logger.asked == []
    logger.prober.stand_down(WHISPER)
    logger.run(1.0)
    assert [what for _, what in logger.asked] == [QUIET, WHISPER]


@pytest.mark.parametrize("followed", [True, False])
def test_a_bias_that_the_logger_let_go_of_is_wanted_no_more(followed: bool) -> None:
    """A strong bias ends after its time, a refused one never comes, and one that was away whispers again."""
    strong = SetBias(Bias.UP, Bias.OFF)
    prober = Prober()
    prober.stand_down(strong)
    if followed:
        assert prober.next(shot(0.0, bias=strong)) is None
    asked = [prober.next(shot(n * STEP_S)) for n in range(1, round((ANSWER_S + 1) / STEP_S))]
    assert QUIET in asked


def test_a_logger_that_does_not_answer_is_not_asked_for_ever() -> None:
    prober = Prober()
    asked = [prober.next(shot(n * STEP_S)) for n in range(round(5 / STEP_S))]
    assert [a for a in asked if a] == [QUIET]
    assert not prober.probing
    assert ANSWER_S < 5
