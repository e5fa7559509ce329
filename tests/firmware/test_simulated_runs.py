"""The real firmware in the simulator: what it samples, when, and that nothing is lost."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from daq.messages import Echo, EepromBytes, Reply, Start, Statistics, Stop
from daq.pairs import DataFrame
from daq.results import Started, Stopped, Tally
from tests.firmware.board import CLOCK_HZ, Heard, Script, settings_record, write_leads

LOWEST_V, SPAN_V, CODES = -8.0, 48.0, 1024  # the simulated front end
RUN_AT = 0.05
START, STOP, ASK = 2, 3, 4  # tags
HOLD_CLOCKS = 2  # converter clocks from trigger to hold: ATmega328P data sheet, auto-triggered conversions


@pytest.fixture
def script(tmp_path: Path) -> Script:
    return Script(tmp_path)


def ramp(directory: Path, seconds: float) -> Path:
    """Lead 1 rises, lead 2 falls through the whole span; a code is the same to within nanoseconds then."""
    ends = np.array([LOWEST_V, LOWEST_V + SPAN_V])
    return write_leads(directory / "ramp", [0.0, seconds], ends, ends[::-1])


def ramp_codes(time_s: npt.NDArray[np.float64], seconds: float, lead: int) -> npt.NDArray[np.int64]:
    part = np.clip(time_s / seconds, 0, 1)
    part = part if lead == 1 else 1 - part
    return np.clip(np.floor(part * CODES + 0.5), 0, CODES - 1).astype(np.int64)


def expected(heard: Heard, started: Started, seconds: float) -> npt.NDArray[np.int64]:
    """(n, 2): what the pairs heard must be, from indices, interval and the time of the first trigger."""
    per_sum = 1 << started.sum_shift
    raw = heard.indices()[:, None] * per_sum + np.arange(per_sum)
    leads = []
    for lead in (1, 2):
        conversion = 2 + 2 * raw + (lead - 1)  # one of each lead is thrown away
        cycle = conversion * started.interval + HOLD_CLOCKS * started.adc_divider
        time_s = heard.facts["run_began_s"] + cycle / CLOCK_HZ
        leads.append(ramp_codes(time_s, seconds, lead).sum(axis=1))
    return np.stack(leads, axis=1)


def run(script: Script, directory: Path, start: Start, seconds: float, **options: float | Path) -> Heard:
    script.send(RUN_AT, start, tag=START).order(RUN_AT + 0.02, "measure")
    script.send(RUN_AT + seconds, Stop(), tag=STOP).send(RUN_AT + seconds + 0.3, Statistics(), tag=ASK)
    leads = ramp(directory, RUN_AT + seconds)
    return script.run(RUN_AT + seconds + 0.35, leads=leads, **options)


def check_nothing_lost(heard: Heard) -> None:
    """Every frame and every pair is there, none was missed, and the logger says so too;
    the run's data are between the replies to start and stop."""
    assert heard.damaged == 0
    assert heard.sequences == [i % 256 for i in range(len(heard.sequences))]
    replies = [heard.messages.index(heard.reply(tag)) for tag in (START, STOP)]
    places = [n for n, message in enumerate(heard.messages) if isinstance(message, DataFrame)]
    assert replies[0] < places[0] <= places[-1] < replies[1]
    stopped = Stopped.parse(heard.reply(STOP).result)
    assert np.array_equal(heard.indices(), np.arange(stopped.pairs))
    tally = Tally.parse(heard.reply(ASK).result)
    assert (tally.lost_pairs, tally.missed_triggers, tally.receive_overruns) == (0, 0, 0)
    assert heard.facts["missed_triggers"] == 0


RATES = [
    (Start(32_000, 0, 12), 250, 128),
    (Start(8000, 0, 31), 1000, 128),
    (Start(2000, 0, 31), 4000, 128),
    (Start(1978, 0, 80), 4044.489, 128),
    (Start(1977, 0, 31), 4046.535, 64),
    (Start(1000, 0, 31), 8000, 64),
    (Start(2000, 2, 31), 1000, 128),
    (Start(2000, 4, 12), 250, 128),
    (Start(2000, 6, 3), 62.5, 128),
    (Start(65_535, 0, 6), 122.072, 128),
]


@pytest.mark.parametrize(("start", "rate_hz", "divider"), RATES)
def test_pairs_are_what_their_index_says(
    script: Script, tmp_path: Path, start: Start, rate_hz: float, divider: int
) -> None:
    heard = run(script, tmp_path, start, 0.5)
    started = Started.parse(heard.reply(START).result)
    assert (started.interval, started.adc_divider) == (start.interval, divider)
    assert CLOCK_HZ / (2 * started.interval << started.sum_shift) == pytest.approx(rate_hz, rel=1e-5)
    check_nothing_lost(heard)
    assert len(heard.indices()) == pytest.approx(0.5 * rate_hz, abs=6)
    # The simulator starts a conversion up to three cycles late: a code in a thousand may differ by one.
    off = np.abs(heard.counts() - expected(heard, started, RUN_AT + 0.5))
    assert off.max() <= 1
    assert np.count_nonzero(off) <= 2 + off.size // 500


@pytest.mark.parametrize("seconds", [18, pytest.param(120, marks=pytest.mark.long)])
def test_at_4000_pairs_a_second_without_a_loss(script: Script, tmp_path: Path, seconds: int) -> None:
    """Longer than the 16.4 s in which 16 bits of the index go round, and with --long than 65.5 s of ms."""
    heard = run(script, tmp_path, Start(2000, 0, 31), seconds)
    check_nothing_lost(heard)
    assert len(heard.indices()) == pytest.approx(4000 * seconds, abs=3)
    assert [beat.running for beat in heard.heartbeats] == [1] * seconds
    assert heard.facts["cpu_load"] < 0.35


def test_the_fast_mode_bears_commands_all_the_time(script: Script, tmp_path: Path) -> None:
    """Bytes arrive and leave at full speed; still every interrupt is in time for the next trigger."""
    chance = random.Random(1)
    times = [RUN_AT + 0.02 + i * 0.0021 + chance.random() * 0.0003 for i in range(200)]
    for i, at_s in enumerate(times):
        script.send(at_s, Echo(chance.randbytes(16)), tag=20 + i)
    heard = run(script, tmp_path, Start(1000, 0, 31), 0.5)
    check_nothing_lost(heard)
    assert len([m for m in heard.messages if isinstance(m, Reply)]) == 203
    assert heard.facts["conversion_to_flag_cleared_cycles"] < 1000 - 13.5 * 64
    assert heard.facts["deepest_stack_bytes"] < 200  # firmware/Makefile leaves 400


@pytest.mark.parametrize(("code", "baud"), [(0, 115_200), (1, 500_000), (2, 1_000_000)])
def test_line_speeds(script: Script, tmp_path: Path, code: int, baud: int) -> None:
    eeprom = tmp_path / "eeprom"
    eeprom.write_bytes(settings_record(baud_code=code))
    chance = random.Random(code)
    for i in range(40):
        script.send(RUN_AT + 0.05 + i * 0.01, Echo(chance.randbytes(64)), tag=20 + i)
    heard = run(script, tmp_path, Start(8000, 0, 31), 0.5, eeprom=eeprom)
    assert heard.facts["baud"] == pytest.approx(baud, rel=0.022)  # 2.1 % at 115 200, none at the others
    check_nothing_lost(heard)
    chance = random.Random(code)
    assert [heard.reply(20 + i).result for i in range(40)] == [chance.randbytes(64) for _ in range(40)]


@pytest.mark.parametrize(("interval", "late_by"), [(2000, 500), (1000, 400)])
def test_a_trigger_missed_costs_a_pair_and_no_time(
    script: Script, tmp_path: Path, interval: int, late_by: int
) -> None:
    """Something holds all interrupts up, in many places of an interval: a conversion does not take place when
    its flag was not cleared in time. Its pair is lost; all others keep index, lead and time."""
    for i in range(60):
        script.order(RUN_AT + 0.05 + i * 0.007 + i * 1.7e-6, f"deaf {late_by}")
    heard = run(script, tmp_path, Start(interval, 0, 31), 0.5)
    started = Started.parse(heard.reply(START).result)
    off = np.abs(heard.counts() - expected(heard, started, RUN_AT + 0.5))
    assert off.max() <= 1
    tally = Tally.parse(heard.reply(ASK).result)
    assert heard.facts["missed_triggers"] > 5
    assert tally.missed_triggers == heard.facts["missed_triggers"]
    missing = Stopped.parse(heard.reply(STOP).result).pairs - len(heard.indices())
    assert missing == tally.lost_pairs >= tally.missed_triggers
    jumped = [frame for frame in heard.data if frame.overflow]
    assert all(frame.missed for frame in jumped)
    assert len(jumped) <= tally.missed_triggers


def test_a_line_too_slow_loses_pairs_and_accounts_for_each(script: Script, tmp_path: Path) -> None:
    """115 200 baud carry about 3300 pairs a second: at 4000 the rest is lost, in exact jumps."""
    script.send(0.01, EepromBytes(0, settings_record(baud_code=0)), tag=1).order(0.2, "reset")
    script.send(0.3, Start(2000, 0, 31), tag=START)
    script.send(2.3, Stop(), tag=STOP).send(2.8, Statistics(), tag=ASK)
    heard = script.run(2.9, leads=ramp(tmp_path, 2.3))
    # 16 MHz / 8 / 17, the nearest that the divider gives.
    assert heard.facts["baud"] == pytest.approx(117_647, abs=1)
    # The reset cut no frame: nothing was being sent. Bytes of both speeds are whole in the simulator.
    assert heard.damaged == 0
    started = Started.parse(heard.reply(START).result)
    off = np.abs(heard.counts() - expected(heard, started, 2.3))
    assert off.max() <= 1
    assert np.count_nonzero(off) <= 2 + off.size // 500
    lost, following = 0, 0
    for frame in heard.data:
        assert frame.overflow == (frame.first > following)
        lost += frame.first - following
        following = frame.first + len(frame.counts)
    stopped = Stopped.parse(heard.reply(STOP).result)
    assert lost + stopped.pairs - following == Tally.parse(heard.reply(ASK).result).lost_pairs
    assert stopped.pairs == pytest.approx(8000, abs=20)
    # 107 bytes carry 31 pairs; what is in both buffers at the end goes out after the stop.
    assert stopped.pairs - lost == pytest.approx(2 * 117_647 / 10 / 107 * 31 + 128 + 512 / 107 * 31, rel=0.03)
    assert (
        len([frame for frame in heard.data if frame.overflow]) < 25
    )  # few large losses, not many small ones


def test_runs_are_the_same_to_the_last_byte(tmp_path: Path) -> None:
    sent = []
    for seed in (7, 7, 8):
        heard = run(Script(tmp_path), tmp_path, Start(2000, 0, 31), 0.3, noise=0.7, seed=seed)
        sent.append(heard.sent)
    assert sent[0] == sent[1]
    assert sent[0] != sent[2]


@pytest.mark.parametrize(
    ("shift", "noise", "rms_codes"), [(2, 0.5, 0.292), (4, 0.5, 0.140), (6, 0.5, 0.072), (4, 0.0, 0.29)]
)
def test_sums_gain_a_bit_only_with_noise(
    script: Script, tmp_path: Path, shift: int, noise: float, rms_codes: float
) -> None:
    """Root mean square error of averages of 4, 16 and 64 codes of 10 bits with Gaussian noise of half a code:
    our own Monte Carlo of ideal rounding (1/4 by each factor 16, as the textbooks' 4 samples a bit); without
    noise nothing is gained on 1/sqrt(12). Slow ramp, so that the level within a sum hardly moves."""
    seconds = 4.0
    begin_v, end_v = 2.0, 2.0 + 10 * SPAN_V / CODES
    leads = write_leads(tmp_path / "slow", [0, seconds], [begin_v, end_v], [begin_v, end_v])
    script.send(RUN_AT, Start(2000, shift, 3), tag=START).send(seconds - 0.1, Stop(), tag=STOP)
    heard = script.run(seconds, leads=leads, noise=noise)
    per_sum = 1 << shift
    middle = (2 + 2 * (heard.indices() * per_sum + (per_sum - 1) / 2)) * 2000 / CLOCK_HZ
    volts = begin_v + (end_v - begin_v) * (heard.facts["run_began_s"] + middle) / seconds
    true_codes = (volts - LOWEST_V) / SPAN_V * CODES
    error = heard.counts()[:, 0] / per_sum - true_codes
    # 250 independent averages or more: a standard deviation is known to 5 %, three of them.
    assert np.sqrt(np.mean(error**2)) == pytest.approx(rms_codes, rel=0.15)
