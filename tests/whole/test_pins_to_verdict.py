"""ngspice waveforms on the pins of the real firmware, to the verdict a technician would give.

ngspice solves a circuit and the front end behind its two leads; the simulated ATmega328P converts those
voltages and sends them; a pty carries the bytes; pyserial reads them; the session analyses them. The truth is
the circuit's: where the load's own voltage crosses its middle at the load's pins, before filter, converter
and wire. Times are compared on one clock (see `Logged.began_s`), and every single code is compared with the
waveform at the moment that the log gives it, so a lead taken for the other, or half a period of skew
forgotten, shows by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from daq.findings import Event, Findings
from tests.physics import drawn
from tests.physics.loads import Motor
from tests.physics.recordings import Plan, Solved, solve
from tests.physics.spice import Waves
from tests.physics.truth import TrueEvent
from tests.session.leaks import no_thread_leaks
from tests.whole.pins import NOISE_CODES, Logged, log_waves

__all__ = ["no_thread_leaks"]

DROP_V = 0.05
# Rounding, and noise: six standard deviations are not to be expected in a million codes.
WORST_CODES = 0.5 + 6 * NOISE_CODES


@dataclass(frozen=True)
class RightEdge:
    """`earliest_s` to `latest_s` are right (s of the waveform); mostly one moment."""

    state: str
    earliest_s: float
    latest_s: float

    def off_by_s(self, moment_s: float) -> float:
        return max(self.earliest_s - moment_s, moment_s - self.latest_s, 0.0)


def right_edges(plan: Plan, solution: Solved) -> list[RightEdge]:
    """The first crossing of the middle. A motor let go goes on as a generator, perhaps above the middle: it
    is off from the opening of its contact until the contacts are at rest."""
    edges = []
    for edge, command in zip(solution.truth.edges, plan.commands, strict=True):
        coasts = edge.state == "off" and isinstance(plan.harness.load, Motor)
        span = (command.t_s, command.settled_s) if coasts else (edge.t_s, edge.t_s)
        edges.append(RightEdge(edge.state, *span))
    return edges


@pytest.fixture(autouse=True)
def own_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.fixture(scope="module")
def solved() -> dict[str, Solved]:
    """All circuits, solved in one ngspice process."""
    plans = [(plan.category, plan) for plan in drawn.CIRCUITS]
    answers = {}
    for (name, _), answer in zip(plans, solve(plans), strict=True):
        assert isinstance(answer, Solved), f"{name}: {answer}"
        answers[name] = answer
    return answers


def tolerance_s(logged: Logged) -> float:
    return max(1e-3, 1.5 / logged.findings.sample_rate_hz)


def check_nothing_lost(logged: Logged) -> None:
    assert not any(logged.lost.values()), logged.lost
    assert logged.findings.gaps == ()


def check_edges(logged: Logged, right: list[RightEdge]) -> None:
    """All of them, in order, no other, each at its moment."""
    found = logged.findings.edges
    assert [edge.state.value for edge in found] == [edge.state for edge in right]
    off_by_s = [of.off_by_s(logged.began_s + edge.t_s) for edge, of in zip(found, right, strict=True)]
    assert max(off_by_s) <= tolerance_s(logged), off_by_s


def check_events(logged: Logged, right: tuple[TrueEvent, ...]) -> None:
    found = logged.findings.events
    assert [event.kind.value for event in found] == [event.kind for event in right]
    for event, of in zip(found, right, strict=True):
        check_event(event, of, logged)


def check_event(event: Event, of: TrueEvent, logged: Logged) -> None:
    """Begin and end at their moments; a start of the engine has no sharp end: its length within a tenth."""
    begin_s = logged.began_s + event.t_s
    assert begin_s == pytest.approx(of.t_s, abs=tolerance_s(logged))
    sharp = of.kind != "supply dip"
    allowed_s = tolerance_s(logged) if sharp else 0.1 * of.duration_s
    assert begin_s + event.duration_s == pytest.approx(of.t_s + of.duration_s, abs=allowed_s)


def check_side(found: Findings, solution: Solved) -> None:
    truth, judged = solution.truth, found.judgement
    assert judged.side.value == truth.side
    assert judged.control_lead in truth.acceptable_controls
    assert (judged.feed_lead, judged.ground_lead) == (truth.feed_lead, truth.ground_lead)
    assert judged.confidence >= 0.9


def check_pulses(found: Findings, solution: Solved) -> None:
    true = solution.truth.pwm
    if true is None:
        assert found.pwm is None
        return
    assert found.pwm is not None
    assert found.pwm.frequency_hz == pytest.approx(true.frequency_hz, rel=1e-3)
    assert found.pwm.duty == pytest.approx(true.duty, abs=true.duty_tolerance)


def check_drops(found: Findings, solution: Solved) -> None:
    for said, true in (
        (found.feed_drop_v, solution.truth.feed_drop_v),
        (found.ground_drop_v, solution.truth.ground_drop_v),
    ):
        assert true is None or said == pytest.approx(true, abs=DROP_V)


@pytest.mark.parametrize("plan", drawn.CIRCUITS, ids=lambda plan: plan.category)
def test_from_the_pins_to_the_verdict(plan: Plan, solved: dict[str, Solved], tmp_path: Path) -> None:
    solution = solved[plan.category]
    logged = log_waves(tmp_path, solution.waves, plan.length_s)
    check_nothing_lost(logged)
    assert logged.worst_count(solution.waves, plan.length_s) < WORST_CODES
    assert logged.findings.sample_rate_hz == 4000
    assert logged.findings.initial_state.value == "off"
    check_side(logged.findings, solution)
    check_edges(logged, right_edges(plan, solution))
    check_events(logged, solution.truth.events)
    check_pulses(logged.findings, solution)
    check_drops(logged.findings, solution)


@pytest.mark.parametrize(("rate_hz", "sums"), [(8000.0, 1), (1000.0, 4), (250.0, 16)])
def test_at_other_rates(rate_hz: float, sums: int, solved: dict[str, Solved], tmp_path: Path) -> None:
    """Sums of 4 and 16 for weak links, and the fast mode with its doubled converter clock."""
    plan = drawn.CIRCUITS[0]
    solution = solved[plan.category]
    logged = log_waves(tmp_path, solution.waves, plan.length_s, rate_hz)
    assert (logged.findings.sample_rate_hz, logged.sums) == (rate_hz, sums)
    check_nothing_lost(logged)
    assert logged.worst_count(solution.waves, plan.length_s) < WORST_CODES
    check_side(logged.findings, solution)
    check_edges(logged, right_edges(plan, solution))


def test_a_minute_at_4000_pairs_a_second_loses_nothing(solved: dict[str, Solved], tmp_path: Path) -> None:
    """Sixty seconds of the device's time, the last edge as exactly timed as the first."""
    plan = drawn.CIRCUITS[0]
    once = solved[plan.category]
    times = 15
    waves = repeated(once.waves, plan.length_s, times)
    logged = log_waves(tmp_path, waves, times * plan.length_s)
    check_nothing_lost(logged)
    assert len(logged.counts()) >= 60 * 4000
    assert logged.worst_count(waves, times * plan.length_s) < WORST_CODES
    check_side(logged.findings, once)
    right = right_edges(plan, once)
    check_edges(
        logged,
        [
            RightEdge(e.state, e.earliest_s + n * plan.length_s, e.latest_s + n * plan.length_s)
            for n in range(times)
            for e in right
        ],
    )


def repeated(waves: Waves, length_s: float, times: int) -> Waves:
    """The same again and again: it ends as it began."""
    time_s = np.concatenate([waves.time_s[:-1] + n * length_s for n in range(times)])
    return Waves(time_s, np.tile(waves.values[:-1], (times, 1)), waves.probes)
