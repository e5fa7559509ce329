"""What the board makes of a voltage, in ngspice: gain, zero, noise, bandwidth, settling, loading."""

from __future__ import annotations

import numpy as np
import pytest

from tests.board.bench import on_voltages, on_wires
from tests.board.budget import NOMINAL_FULL, NOMINAL_NEAR, Use, entries, step_v
from tests.board.circuit import PUMP_V, State
from tests.board.figures import DIVIDER, NEAR, SINK, line, ohms
from tests.board.parts import design
from tests.board.spectra import noise_v, response
from tests.physics.spice import Transient, operating_points, transient

PLAN = design()
CODES, SUPPLY_V = PLAN.converter["codes"], PLAN.supply["volts"]
BOTH_NEAR = State(near=(True, True))


def pin_volts(state: State, volts: list[float]) -> np.ndarray:
    """ADC1 against the logger's ground for voltages at lead 1."""
    found = operating_points(on_voltages(state), ["adc1", "lg"], [{"v1": v} for v in volts])
    return found[:, 0] - found[:, 1]


@pytest.mark.parametrize(("state", "near", "volts"), [
    (State(), False, [-7.8, -1.0, 0.0, 0.1, 12.6, 28.0, 39.0]),
    (BOTH_NEAR, True, [-0.9, 0.0, 0.1, 2.0, 4.8]),
])  # fmt: skip
def test_ngspice_and_the_closed_form_agree(state: State, near: bool, volts: list[float]) -> None:
    """Topology and arithmetic were written apart. 1 mV: the clamps' leakage, the lead's 52 ohm."""
    reckoned = line(ohms(PLAN), near, SUPPLY_V)
    expected = [reckoned.gain * v + reckoned.lift_v for v in volts]
    assert pin_volts(state, volts) == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(("state", "nominal", "most_v"), [
    (State(), NOMINAL_FULL, 0.02), (BOTH_NEAR, NOMINAL_NEAR, 0.02),
])  # fmt: skip
def test_zero_volts_reads_zero_by_the_nominal_figures(
    state: State, nominal: tuple[float, float], most_v: float
) -> None:
    code = pin_volts(state, [0.0])[0] / SUPPLY_V * CODES
    assert abs(code * nominal[0] + nominal[1]) < most_v


def drawn(count: int, seed: int) -> list[dict[str, float]]:
    """Boards within tolerance: every resistor of the divider, the offset, the leakage; uniform."""
    rng = np.random.default_rng(seed)
    amplifier, clamp = PLAN.of_kind("op_amp")[0].kind, PLAN.of_kind("quiet_diode")[0].kind
    boards = []
    for _ in range(count):
        board = {}
        for number in (*DIVIDER, *NEAR, *SINK):
            part = PLAN.parts[f"R1{number[1:]}"]
            board[part.ref.lower()] = part.ohm * (1 + part.kind["tolerance"] * rng.uniform(-1, 1))
        board["voffseta"] = amplifier["offset_v"] * rng.uniform(-1, 1)
        board["ileak"] = clamp["leakage_a"] * rng.uniform(-1, 1)
        boards.append(board)
    return boards


def zero_and_gain(near: bool, count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Of boards drawn: V that 0 V reads as, relative error of the gain, both against exact values."""
    top = 4.5 if near else 36.0
    boards = drawn(count, seed)
    settings = [{**board, "v1": v} for v in (0.0, top) for board in boards]  # near each other: quicker
    net = on_voltages(BOTH_NEAR if near else State(), "ileak lg mid1 0")
    found = operating_points(net, ["adc1", "lg"], settings)
    volts = (found[:, 0] - found[:, 1]).reshape(2, count)
    exact = pin_volts(BOTH_NEAR if near else State(), [0.0, top])
    gain = (exact[1] - exact[0]) / top
    return (volts[0] - exact[0]) / gain, (volts[1] - volts[0]) / (exact[1] - exact[0]) - 1


def check_tolerance(near: bool, count: int, seed: int) -> None:
    zero, gain = zero_and_gain(near, count, seed)
    found = {e.cause: e for e in entries(PLAN, Use(near, False, 1, 0.05), 0.0)}
    causes = ("tolerance of resistors", "offset of the amplifier", "leakage of the clamps")
    expected = np.sqrt(sum(found[c].zero_v ** 2 for c in causes))
    # The spread of n draws has itself a relative spread of about 1/sqrt(2n): four of them.
    slack = 4 / np.sqrt(2 * count)
    assert zero.std() == pytest.approx(expected, rel=slack)
    assert gain.std() == pytest.approx(found["tolerance of resistors"].share, rel=slack + 0.03)
    assert np.abs(zero).max() < 0.12
    assert np.abs(gain).max() < 0.01


@pytest.mark.parametrize("near", [False, True])
def test_gain_and_zero_over_tolerance(near: bool) -> None:
    check_tolerance(near, 60, seed=5)


@pytest.mark.long
@pytest.mark.parametrize("near", [False, True])
def test_gain_and_zero_over_tolerance_widely(near: bool) -> None:
    check_tolerance(near, 2000, seed=6)


@pytest.mark.parametrize("near", [False, True])
def test_bandwidth_is_that_of_the_campaigns(near: bool) -> None:
    """tests/physics/frontend.py reckons with one pole at 1 kHz."""
    hertz, size = response(on_voltages(BOTH_NEAR if near else State()), "adc1", 1, 1e5)
    corner = np.interp(-size[0] / np.sqrt(2), -size, hertz)
    assert corner == pytest.approx(1000, rel=0.1)
    # One sample in 4000 a second: what folds onto 0 Hz is at 4 kHz and above.
    assert np.interp(4000, hertz, size) / size[0] < 0.27
    assert np.interp(4000, hertz, size) / size[0] == pytest.approx(1 / np.hypot(1, 4), rel=0.2)


@pytest.mark.parametrize("near", [False, True])
def test_the_board_makes_too_little_noise_to_dither(near: bool) -> None:
    """A tenth of a step at most: averaging alone gains nothing, which the budget must reckon with."""
    found = noise_v(on_voltages(BOTH_NEAR if near else State()), "adc1", "v1", 0.1, 1e6)
    assert found * CODES / SUPPLY_V < 0.1
    # Johnson noise of the divider's 126 kohm over 1.57 kHz is 1.8 uV (4kTRB, from memory), the amplifier's
    # 40 nV/√Hz over 12 kHz 4.4 uV.
    assert 3e-6 < found / (8 if near else 1) < 12e-6


@pytest.mark.parametrize(("window_s", "period_s", "ohm"), [
    (12e-6, 250e-6, PLAN.converter["sampling_ohm"]), (6e-6, 125e-6, 10e3),
])  # fmt: skip
def test_the_converter_settles_between_leads_far_apart(window_s: float, period_s: float, ohm: float) -> None:
    """1.5 converter clocks of 125 and 250 kHz to fill 14 pF through 1 to 100 kohm (data sheet, from memory).

    With the worst 100 kohm the fast mode's 6 us are 4.3 time constants: no front end mends that.
    """
    farad = PLAN.converter["sampling_f"]
    steps = [f"chold hold lg {farad}", "rhold hold lg 1e12"]
    for lead, delay in ((1, 0.1 * period_s), (2, 0.6 * period_s)):
        steps.append(f"vtake{lead} take{lead} 0 pulse(0 1 {delay} 10n 10n {window_s} {period_s})")
        steps.append(f"btake{lead} adc{lead} hold i=v(adc{lead},hold)*v(take{lead})/{ohm}")
    net = on_wires(State(), "\n".join(["v1 wire1 0 36", "v2 wire2 0 0", *steps]))
    waves = transient(Transient(net, 4 * period_s, period_s / 100, ("hold", "lg", "out1", "out2")))
    for lead, delay in ((1, 0.1 * period_s), (2, 0.6 * period_s)):
        at = np.array([3 * period_s + delay + window_s])
        held = waves.at("hold", at)[0] - waves.at("lg", at)[0]
        true = waves.at(f"out{lead}", at)[0] - waves.at("lg", at)[0]
        assert abs(held - true) / SUPPLY_V * CODES < 0.25


def test_a_step_settles_to_a_percent_in_a_millisecond() -> None:
    net = on_wires(State(), "v1 wire1 0 pwl(0 12.6 1m 12.6 1.001m 0)\nv2 wire2 0 12.6")
    waves = transient(Transient(net, 3e-3, 1e-5, ("adc1", "lg")))
    pin = waves.at("adc1", np.array([0.9e-3, 2e-3, 3e-3]))
    assert abs(pin[1] - pin[2]) < 0.01 * (pin[0] - pin[2])


def test_loading_of_a_floating_driver_pin() -> None:
    """A driver's test current behind 200 kohm (the host's median) must keep what the host reckons."""
    net = on_wires(State(), "v1 source 0 12.6\nrweak source wire1 200k\nv2 wire2 0 0")
    left = operating_points(net, ["wire1"], [{}, {"rweak": 1e3}, {"rweak": 1e6}])[:, 0]
    reckoned = [12.6 * 1.1e6 / (1.1e6 + r) for r in (200e3, 1e3, 1e6)]
    assert left == pytest.approx(reckoned, rel=0.02)
    # 50 uA of a driver's open-load test lift the pin as far as its 12.6 V supply allows (design figure).
    lifted = on_wires(
        State(), "v1 source 0 12.6\nbtest source wire1 i=50u*tanh(v(source,wire1)/0.3)\nv2 wire2 0 0"
    )
    assert operating_points(lifted, ["wire1"], [{}])[0, 0] == pytest.approx(12.6, abs=0.2)


def test_a_free_lead_rests_at_zero() -> None:
    """What daq/floating.py calls at rest is 0.6 V; without R#08 to R#10 it would be 0.94 V."""
    net = on_wires(State(), "rfree wire1 0 1e12\nv2 wire2 0 12.6")
    free = operating_points(net, ["wire1"], [{}, {"v2": 40.0}, {"v2": -8.0}, {"r110": 1e12}])[:, 0]
    assert np.abs(free[:3]).max() < 0.05
    assert free[3] == pytest.approx(0.94, abs=0.02)


def test_a_free_lead_rests_at_zero_over_tolerance() -> None:
    net = on_wires(State(), "rfree wire1 0 1e12\nv2 wire2 0 0\nileak lg mid1 0")
    settings = [{**board, "vpump": PUMP_V * scale} for board in drawn(50, 7) for scale in (0.88, 1.07)]
    assert np.abs(operating_points(net, ["wire1"], settings)).max() < 0.25


@pytest.mark.parametrize("state", [State(), BOTH_NEAR])
def test_crosstalk(state: State) -> None:
    """One lead through its whole span moves the other by less than 1 mV; at 1 kHz, 1 in 10 000."""
    points = [{"v1": 0.0, "v2": v} for v in (-8.0, 0.0, 40.0)]
    found = operating_points(on_voltages(state), ["adc1", "lg"], points)
    pin = found[:, 0] - found[:, 1]
    gain = line(ohms(PLAN), state.near[0], SUPPLY_V).gain
    assert np.abs(pin - pin[1]).max() / gain < 1e-3
    hertz, size = response(on_voltages(state), "adc2", 1, 1e4)
    assert np.interp(1000, hertz, size) / gain < 1e-4


def test_the_negative_supply() -> None:
    """The oscillator runs near 14 kHz, RC (ln 32/23 + ln 3/2), and holds about -4.2 V."""
    net = on_wires(State(pump=True), "v1 wire1 0 0\nv2 wire2 0 0\n.ic v(saw)=0 v(neg)=-4.15 v(v5)=5")
    waves = transient(Transient(net, 6e-3, 4e-6, ("neg", "clock", "lg")))
    late = waves.time_s > 5e-3
    assert np.mean(waves["neg"][late]) == pytest.approx(PUMP_V, abs=0.2)
    assert np.ptp(waves["neg"][late]) < 0.02
    clock = waves["clock"] > 2.5
    rises = np.count_nonzero(np.diff(clock.astype(int)) == 1)
    assert 8e3 < rises / 6e-3 < 22e3


def test_a_step_is_what_the_firmware_says() -> None:
    assert step_v(PLAN, False) == pytest.approx(48 / 1024, rel=0.01)
    assert step_v(PLAN, True) == pytest.approx(6 / 1024, rel=0.01)
