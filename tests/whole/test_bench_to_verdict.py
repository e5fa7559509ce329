"""Circuit, front end, simulated logger, wire, link, analysis: every bench circuit to its verdict.

The bench knows nothing of the analysis, and the analysis nothing of the bench.
"""

from __future__ import annotations

import pytest

from daq.bench import BenchSource, benches
from daq.bench_rig import BenchCircuit
from daq.findings import Findings, Side
from daq.pipeline import Pipeline
from daq.source import Command, Operate

HOLD_S = 0.7
CYCLES = 3


def cycled(circuit: BenchCircuit) -> tuple[Findings, list[float]]:
    """The control worked three times in each direction; and when."""
    at, moments = 0.6, []
    script = []
    for _ in range(CYCLES):
        for choice in circuit.controls.get("control", {}):
            if choice != "off":
                script += [(at, Operate("control", choice)), (at + HOLD_S, Operate("control", "off"))]
                moments += [at, at + HOLD_S]
                at += 2 * HOLD_S
    pipeline = Pipeline()
    for item in BenchSource(circuit.name, speed=None, script=script, duration_s=at + 0.5):
        pipeline.push(item)
    pipeline.finish()
    return pipeline.findings(), moments


# What two voltages cannot decide, by the trade's own rules (common practice, no source).
OPEN = {
    "tailgate-lamp",  # feed asleep until the key is on
    "cargo-lamp",  # 0/0 throughout
    "fog-lamp",  # source/source while "on"
    "mixer-valve",  # source/0 throughout
    "parade-lamp",
    "stable-lamp",
}


@pytest.mark.parametrize("circuit", benches(), ids=lambda c: c.name)
def test_each_circuit_gets_its_verdict(circuit: BenchCircuit) -> None:
    found, moments = cycled(circuit)
    judged = found.judgement
    if circuit.name in OPEN:
        assert judged.side is Side.UNDETERMINED
        assert judged.next_test is not None
        return
    assert judged.side.value == circuit.truth.side
    assert judged.control_lead == circuit.truth.control_lead
    assert (judged.feed_lead, judged.ground_lead) == (circuit.truth.feed_lead, circuit.truth.ground_lead)
    assert len(found.edges) == len(moments)
    late = [edge.t_s - moment for edge, moment in zip(found.edges, moments, strict=True)]
    period = 1 / circuit.truth.pwm[0] if circuit.truth.pwm else 0.0  # between pulses nothing is seen
    assert all(-0.002 - period < seconds < 0.075 for seconds in late), late


def test_pulses_are_measured_through_the_wire() -> None:
    for name in ("gauge-lamps", "cabin-blower"):
        circuit = next(b for b in benches() if b.name == name)
        found, _ = cycled(circuit)
        assert found.pwm is not None
        assert circuit.truth.pwm is not None
        frequency, duty = circuit.truth.pwm
        assert found.pwm.frequency_hz == pytest.approx(frequency, rel=1e-3)
        assert found.pwm.duty == pytest.approx(duty, abs=0.05)


def test_a_loose_reference_is_seen() -> None:
    circuit = next(b for b in benches() if b.name == "rake-lamp")
    found, _ = cycled(circuit)
    assert "reference lost" in {e.kind.value for e in found.events}
    assert "reference_lost" in found.cautions


@pytest.mark.parametrize(("whisper", "side"), [(True, "both ends"), (False, "undetermined")])
def test_the_whisper_tells_two_switched_ends_from_one(whisper: bool, side: str) -> None:
    """With the leads' own 1.1 Mohm alone, pins that nothing holds read zero, as on a high-side load; but the
    ground closes some milliseconds after the feed."""
    script: list[tuple[float, Command]] = []
    for n in range(CYCLES):
        script += [(0.6 + 1.4 * n, Operate("control", "on")), (1.3 + 1.4 * n, Operate("control", "off"))]
    pipeline = Pipeline()
    for item in BenchSource("boat-relay", speed=None, script=script, duration_s=5.3, whisper=whisper):
        pipeline.push(item)
    pipeline.finish()
    assert pipeline.findings().judgement.side.value == side
