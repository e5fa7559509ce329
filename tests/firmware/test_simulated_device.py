"""The real firmware in the simulator: hello, EEPROM, bias, supply, watchdog, garbage."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from daq.messages import BiasState, Echo, EepromBytes, EepromRead, Identify, Start, Statistics, Stop, Supply
from daq.pairs import DataFrame
from daq.results import Feature, Identity, ResetCause, SupplySum, Tally
from daq.samples import Bias
from tests.firmware.board import Script

LOWEST_V, CODE_V = -8.0, 48.0 / 1024
TIMER2_INTERRUPTS = "70"  # TIMSK2 of the ATmega328P


@pytest.fixture
def script(tmp_path: Path) -> Script:
    return Script(tmp_path)


def test_hello_comes_first_and_identify_repeats_it(script: Script) -> None:
    heard = script.send(0.05, Identify(), tag=1).run(0.1)
    assert heard.sent[0] == 0  # ends whatever was on the line before
    (hello,) = heard.hellos
    assert heard.messages[0] is hello
    assert Identity.parse(heard.reply(1).result) == hello
    assert (hello.clock_hz, hello.shortest_interval, hello.longest_interval) == (16_000_000, 1000, 65_535)
    assert (hello.board, hello.features) == (1, Feature.WHISPER | Feature.UP_AND_DOWN)
    assert (hello.reset_cause, hello.boot_id, hello.serial_number) == (ResetCause.POWER_ON, 1, "")


def test_every_reset_tells_its_cause(script: Script) -> None:
    script.order(0.1, "reset").order(0.2, "power").order(0.3, f"poke {TIMER2_INTERRUPTS} 0")
    causes = [(hello.boot_id, hello.reset_cause) for hello in script.run(2.0).hellos]
    # Without its clock the firmware pats no watchdog, which bites after a second.
    assert causes == [
        (1, ResetCause.POWER_ON),
        (2, ResetCause.RESET_PIN),
        (3, ResetCause.POWER_ON),
        (4, ResetCause.WATCHDOG),
    ]


def test_a_reset_ends_the_run_and_the_bias(script: Script) -> None:
    script.send(0.05, BiasState(Bias.UP, Bias.UP), Start(2000, 0, 31)).order(0.2, "reset")
    script.send(0.3, Start(2000, 0, 31), tag=9).send(0.4, Stop(), tag=10)
    heard = script.run(0.5)
    assert heard.hellos[-1].reset_cause == ResetCause.RESET_PIN
    after = heard.messages[heard.messages.index(heard.hellos[-1]) :]
    frames = [m for m in after if isinstance(m, DataFrame)]
    assert {frame.bias for frame in frames} == {(Bias.OFF, Bias.OFF)}
    assert frames[0].first == 0
    assert heard.damaged <= 1  # the frame that the reset cut


def test_eeprom_outlives_power(tmp_path: Path) -> None:
    data = bytes(random.Random(3).randbytes(64))
    eeprom = tmp_path / "eeprom"
    Script(tmp_path).send(0.05, EepromBytes(0x20, data), tag=1).run(0.5, eeprom=eeprom)
    again = Script(tmp_path).send(0.05, EepromRead(0x20, 64), tag=2).run(0.2, eeprom=eeprom)
    assert EepromBytes.parse(again.reply(2).result) == EepromBytes(0x20, data)
    assert again.hellos[0].boot_id == 2


def test_an_eeprom_write_keeps_the_device_alive(script: Script) -> None:
    """64 bytes take 0.22 s (3.4 ms each: data sheet); the clock and the receiver go on meanwhile."""
    script.send(0.9, EepromBytes(0x20, bytes(64)), Echo(b"after"), tag=1)
    heard = script.send(1.25, Statistics(), tag=3).run(1.3)
    assert heard.reply(1).status == 0
    assert Tally.parse(heard.reply(3).result).uptime_ms == pytest.approx(1250, abs=16)
    assert heard.reply(2).result == b"after"
    assert heard.facts["eeprom_writes"] == 64 + 4  # and the first boot's number
    assert len(heard.heartbeats) == 1


@pytest.mark.parametrize("supply_v", [4.5, 5.0, 5.25])
def test_supply(script: Script, supply_v: float) -> None:
    heard = script.send(0.05, Supply(), tag=1).run(0.2, supply=supply_v)
    # One code of 225 (bandgap against 5 V) at most: the simulated bandgap has no noise.
    measured = SupplySum.parse(heard.reply(1).result).supply_v(1.1)
    assert measured == pytest.approx(supply_v, rel=1 / 200)


def volts_under(script: Script, circuit: str, lead1: Bias, lead2: Bias) -> np.ndarray:
    script.send(0.05, BiasState(lead1, lead2), Start(2000, 0, 31)).send(0.1, Stop())
    heard = script.run(0.2, circuit=circuit)
    assert {frame.bias for frame in heard.data} == {(lead1, lead2)}
    volts: np.ndarray = LOWEST_V + heard.counts().mean(axis=0) * CODE_V
    return volts


BIASED = [
    ("lead1=open lead2=open", Bias.OFF, Bias.OFF, 0.0, 0.0),
    # 5 V through 1 Mohm onto 1.1 Mohm; through 10 kohm and a diode (design figure 4.62 V).
    ("lead1=open lead2=open", Bias.WHISPER, Bias.UP, 2.62, 4.62),
    ("lead1=open lead2=1k", Bias.DOWN, Bias.UP, 0.0, 0.41),
    ("lead1=feed lead2=grounded", Bias.WHISPER, Bias.WHISPER, 12.6, 0.0),
    ("lead1=feed lead2=grounded", Bias.UP, Bias.UP, 12.6, 0.0),
    ("lead1=feed lead2=open", Bias.DOWN, Bias.DOWN, 12.6, 0.0),
    ("lead1=feed lead2=open load=6", Bias.OFF, Bias.OFF, 12.6, 12.6),
    ("lead1=12.6/0.1 lead2=0/0.5 load=6", Bias.OFF, Bias.OFF, 12.41, 0.95),
]


@pytest.mark.parametrize(("circuit", "lead1", "lead2", "volts1", "volts2"), BIASED)
def test_bias_reaches_the_leads(
    script: Script, circuit: str, lead1: Bias, lead2: Bias, volts1: float, volts2: float
) -> None:
    measured = volts_under(script, circuit, lead1, lead2)
    assert measured == pytest.approx([volts1, volts2], abs=0.03)  # half a code, and the figures' last digit


def test_bias_moves_the_leads_in_the_frame_that_says_so(script: Script) -> None:
    script.send(0.05, Start(2000, 0, 31)).send(0.1, BiasState(Bias.OFF, Bias.UP)).send(
        0.15, BiasState(Bias.OFF, Bias.OFF)
    )
    heard = script.send(0.2, Stop()).run(0.3)
    assert [f.bias[1] for f in heard.data].count(Bias.UP) > 5
    for frame in heard.data:
        lifted = frame.counts[:, 1] > 200
        assert lifted.all() if frame.bias[1] is Bias.UP else not lifted.any()
    assert np.array_equal(heard.indices(), np.arange(len(heard.indices())))


def test_strong_bias_lets_go_by_itself(script: Script) -> None:
    script.send(0.05, BiasState(Bias.OFF, Bias.UP), Start(32_000, 0, 12)).send(5.5, Stop())
    heard = script.run(5.6)
    held = sum(len(frame.counts) for frame in heard.data if frame.bias[1] is Bias.UP)
    assert held / 250 == pytest.approx(5.0, abs=0.05)


def test_range_straps(script: Script) -> None:
    script.send(0.05, Start(2000, 0, 31)).order(0.1, "strap 2 1").order(0.15, "strap 2 0").send(0.2, Stop())
    heard = script.run(0.3)
    seen = [frame.ranges for frame in heard.data]
    changes = [seen[0]] + [now for before, now in pairwise(seen) if now != before]
    assert changes == [(0, 0), (0, 1), (0, 0)]
    assert np.array_equal(heard.indices(), np.arange(len(heard.indices())))


@pytest.mark.parametrize("begins_s", [(0.05,), (2.0,), (0.05, 0.5)])
def test_leads_from_a_text_file_begin_with_each_run(
    script: Script, tmp_path: Path, begins_s: tuple[float, ...]
) -> None:
    """Also late after power on, and anew."""
    leads = tmp_path / "leads.csv"
    leads.write_text("time_s,lead1_v,lead2_v\n0,12.6,12.6\n0.1,12.6,12.6\n0.1,0,0\n1,0,0\n")
    for begin_s in begins_s:
        script.send(begin_s, Start(2000, 0, 31)).send(begin_s + 0.25, Stop())
    heard = script.run(begins_s[-1] + 0.35, leads=leads, leads_from="run")
    # Lead 1 of pair j is held (2 j + 2) intervals and two converter clocks after the first trigger, lead 2
    # an interval later.
    held_s = ((2 * heard.indices()[:, None] + [2, 3]) * 2000 + 2 * 128) / 16e6
    assert np.array_equal(heard.counts() < 200, held_s >= 0.1)
    assert np.count_nonzero(held_s >= 0.1) > 1000 * len(begins_s)


def test_garbage_on_the_line(script: Script) -> None:
    chance = random.Random(5)
    for at_ms in range(50, 250, 10):
        script.order(at_ms / 1000, f"send {chance.randbytes(chance.randint(1, 400)).hex()}")
    script.send(0.1, Start(2000, 0, 31), tag=1)
    heard = script.send(0.3, Stop(), tag=2).send(0.4, Echo(b"still there"), tag=3).run(0.5)
    assert heard.damaged == 0
    assert heard.reply(3).result == b"still there"
    assert len(heard.hellos) == 1
