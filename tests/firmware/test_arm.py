"""The firmware for the STM32F103 in a simulated one (arm_chip.py): the same core, twelve bits."""

from __future__ import annotations

import random
from itertools import pairwise

import numpy as np
import pytest

from daq.calibration import Settings
from daq.messages import (
    BiasState,
    Command,
    Echo,
    EepromBytes,
    EepromRead,
    Identify,
    Start,
    Statistics,
    Status,
    Stop,
    Supply,
    encode_message,
)
from daq.results import Feature, Identity, ResetCause, Started, Stopped, SupplySum, Tally
from daq.samples import Bias
from tests.firmware.arm_chip import POWER_ON, RESET_PIN, Chip
from tests.firmware.arm_flash import Flash, PowerCutError
from tests.firmware.arm_parts import CLOCK_HZ
from tests.firmware.board import Heard, to_logger
from tests.firmware.test_board_on_pty import own_configuration

__all__ = ["own_configuration"]

FIRST_BOOT_S = 0.22  # erasing four pages
INTERVAL = 1000
STEP = 20  # cycles that a lead of `clockwork` takes to the next code


def booted(**options: object) -> Chip:
    chip = Chip(**options)  # type: ignore[arg-type]
    chip.run(FIRST_BOOT_S)
    return chip


def heard(chip: Chip) -> Heard:
    found = Heard(chip.heard(), {})
    assert found.damaged == 0
    return found


def ask(chip: Chip, command: Command, tag: int = 200) -> tuple[int, bytes]:
    """(status, result)"""
    before = len(chip.heard())
    chip.say(to_logger(command, first_tag=tag))
    chip.run(0.03)
    reply = Heard(chip.heard()[before:], {}).reply(tag)
    return reply.status, reply.result


def clockwork(channel: int, at_s: float) -> float:
    """Leads whose codes tell the time and which lead it is: 0 to 2999 and 3000 to 3999, a code each STEP."""
    steps = round(at_s * CLOCK_HZ) // STEP
    code = 3000 + steps % 1000 if channel else steps % 3000
    return code * 48 / 4096 - 8


def check_clockwork(found: Heard, interval: int = INTERVAL) -> np.ndarray:
    """Every pair has the time that its index says; gives the indices."""
    indices, counts = found.indices(), found.counts()
    pace = 2 * interval // STEP
    since = (indices - indices[0])[:, None] * pace
    assert np.all(counts[:, 0] < 3000)
    assert np.all(counts[:, 1] >= 3000)
    assert np.array_equal(counts[:, :1], (counts[0, 0] + since) % 3000)
    assert np.array_equal(counts[:, 1:] - 3000, (counts[0, 1] + since) % 1000)
    assert (counts[0, 1] - counts[0, 0]) % 1000 == interval // STEP  # half a period later
    return indices


def test_hello_comes_first_and_identify_repeats_it() -> None:
    chip = booted()
    assert chip.heard()[0] == 0
    status, result = ask(chip, Identify())
    (hello,) = heard(chip).hellos
    assert heard(chip).messages[0] == hello
    assert (status, Identity.parse(result)) == (Status.DONE, hello)
    assert (hello.clock_hz, hello.shortest_interval, hello.longest_interval) == (16_000_000, 1000, 65_535)
    assert (hello.board, hello.features) == (2, Feature.WHISPER | Feature.UP_AND_DOWN | Feature.TWELVE_BITS)
    assert (hello.code_bits, hello.highest_range) == (12, 1)
    assert (hello.reset_cause, hello.boot_id, hello.serial_number) == (ResetCause.POWER_ON, 1, "")


@pytest.mark.parametrize("crystal", [True, False])
def test_sixteen_megahertz_with_and_without_a_crystal(crystal: bool) -> None:
    chip = booted(crystal=crystal)
    chip.run(0 if crystal else 0.1)  # waiting for it
    assert chip.clocks.hertz() == CLOCK_HZ
    assert chip.line.byte_cycles() == 10 * CLOCK_HZ // 500_000
    assert heard(chip).hellos


def test_commands_are_answered() -> None:
    chip = booted()
    assert ask(chip, Echo(b"\0a\0b")) == (Status.DONE, b"\0a\0b")
    chip.say(b"\0" + encode_message(Echo(), 9).replace(b"\x18", b"\x19"))  # its CRC is wrong now
    assert ask(chip, Start(2000, 6, 1))[0] == Status.VALUE  # 64 codes of 12 bits are more than 16 bits
    status, result = ask(chip, Supply())
    assert status == Status.DONE
    assert SupplySum.parse(result).supply_v(1.2) == pytest.approx(3.3, rel=1e-3)
    tally = Tally.parse(ask(chip, Statistics())[1])
    assert (tally.damaged_frames, tally.receive_overruns) == (1, 0)
    assert tally.uptime_ms == pytest.approx(1000 * chip.now / CLOCK_HZ, abs=35)


def test_an_unknown_command_is_refused() -> None:
    chip = booted()
    unknown = type("Unknown", (Echo,), {"KIND": 0x55})
    assert ask(chip, unknown())[0] == Status.UNKNOWN


def test_every_pair_has_the_lead_and_the_time_that_its_index_says() -> None:
    chip = booted(volts=clockwork)
    assert Started.parse(ask(chip, Start(INTERVAL, 0, 31))[1]) == Started(1, INTERVAL, 0, 31, 2)
    chip.run(0.01)
    _, result = ask(chip, Stop(), tag=201)
    found = heard(chip)
    indices = check_clockwork(found)
    assert np.array_equal(indices, np.arange(len(indices)))
    assert len(indices) > 300
    assert Stopped.parse(result) == Stopped(1, len(indices))
    assert chip.converter.ignored == 0
    assert not any(frame.overflow for frame in found.data)


@pytest.mark.parametrize("seed", [2, 3])
def test_interrupts_held_up_cost_pairs_and_move_none(seed: int) -> None:
    """By up to ten conversions; let in just before a trigger; and again just after the next one, when the end
    of a conversion that was passed over looks like that of a new one."""
    chance = random.Random(seed)
    chip = booted(volts=clockwork)
    ask(chip, Start(INTERVAL, 0, 31))
    for n in range(60):
        chip.run(0.0005 + chance.random() * 0.0005)
        length = chance.randrange(10 * INTERVAL)
        if n % 3 == 0:
            chip.hold(chip.now + length)
            continue
        chip.hold(chip.pace.due() + length // INTERVAL * INTERVAL - chance.randrange(-20, 90))
        if n % 3 == 1:
            chip.run_to(chip.held_until + 100)
            chip.hold(chip.pace.due() + chance.randrange(90))
    chip.run(0.01)
    triggers = chip.converter
    _, result = ask(chip, Stop())
    found = heard(chip)
    indices = check_clockwork(found)
    lost = Stopped.parse(result).pairs - len(indices)
    tally = Tally.parse(ask(chip, Statistics())[1])
    assert Stopped.parse(result).pairs == (triggers.conversions + triggers.ignored) // 2 - 1
    assert lost == tally.lost_pairs > 30
    assert tally.missed_triggers > 30
    for before, after in pairwise(found.data):
        jumped = after.first != before.first + len(before.counts)
        assert jumped == after.overflow == after.missed


@pytest.mark.parametrize("lead", [0, 1])
def test_an_interrupt_let_in_at_any_cycle_takes_no_other_conversion(lead: int) -> None:
    """Held up over two triggers, so that the end of one that was passed over still asks for it; then let in
    at each cycle from before the next trigger to after its conversion: the code of another one is there.
    Slowly enough that the core has done with the loss before, and so would keep it."""
    interval = 8 * INTERVAL
    chip = booted(volts=clockwork)
    ask(chip, Start(interval, 0, 1))
    for offset in range(-50, 110):
        chip.run(0.004)
        triggers = chip.counter.kept[0x24]
        chip.hold(chip.pace.due() + (1 + (triggers + lead) % 2) * interval + 5)
        chip.run_to(chip.held_until + 50)
        chip.hold(chip.pace.due() + offset)
    chip.run(0.01)
    _, result = ask(chip, Stop())
    found = heard(chip)
    indices = check_clockwork(found, interval)
    lost = Stopped.parse(result).pairs - len(indices)
    assert lost == Tally.parse(ask(chip, Statistics())[1]).lost_pairs > 160
    assert len(indices) > 160


def test_a_byte_lost_while_another_is_read_is_counted_and_makes_none_double() -> None:
    """The interrupt is let in at each cycle about the end of an empty frame's byte, which may be lost."""
    chip = booted()
    pace = chip.line.byte_cycles()
    overruns = []
    for n in range(60):
        frame = encode_message(Echo(b"x"), n)
        begun = chip.now
        chip.say(frame + b"\0")  # frames end at 0, and empty ones mean nothing
        chip.run_to(begun + pace * (len(frame) - 1) - 50)
        chip.hold(begun + pace * len(frame) - 40 + n)
        chip.run(0.01)
        tally = Tally.parse(ask(chip, Statistics())[1])
        overruns.append(tally.receive_overruns)
        assert tally.damaged_frames == 0, n
    assert overruns[-1] > overruns[0]


def test_a_slow_line_makes_jumps_and_moves_nothing() -> None:
    flash = Flash()
    chip = booted(flash=flash, volts=clockwork)
    ask(chip, EepromBytes(0, Settings(115_200).encode()))
    chip = booted(flash=flash, volts=clockwork)
    chip.say(to_logger(Start(INTERVAL, 0, 31)))
    chip.run(0.14)
    chip.say(to_logger(Stop()))
    chip.run(0.06)
    found = heard(chip)
    indices = check_clockwork(found)
    assert any(frame.overflow for frame in found.data)
    assert indices[-1] > len(indices) + 100
    assert not any(frame.missed for frame in found.data)


def test_sums_of_sixteen() -> None:
    chip = booted(volts=lambda channel, _: (12.6, 45.0)[channel])
    ask(chip, Start(2000, 4, 3))
    chip.run(0.04)
    ask(chip, Stop())
    counts = heard(chip).counts()
    assert counts.tolist() == [[16 * 1758, 16 * 4095]] * len(counts)
    assert len(counts) > 10


def test_bias_takes_effect_at_a_pair_and_is_told() -> None:
    chip = booted()
    assert ask(chip, BiasState(Bias.UP, Bias.DOWN))[0] == Status.DONE
    assert chip.pins.moves[-1][1] >> 10 == 0b100_010  # whisper, up, down of lead 1, then of lead 2
    ask(chip, Start(2000, 0, 31))
    ask(chip, BiasState(Bias.OFF, Bias.WHISPER))
    chip.run(0.02)
    ask(chip, Stop())
    assert chip.pins.moves[-1][1] >> 10 == 0b001_000
    told = [frame.bias for frame in heard(chip).data]
    assert [told[0], told[-1]] == [(Bias.UP, Bias.DOWN), (Bias.OFF, Bias.WHISPER)]
    assert sum(a != b for a, b in pairwise(told)) == 1


def test_a_dead_converter_holds_nothing_up() -> None:
    """It answers that the supply is unknown, and a strong bias goes off after its 5 s all the same."""
    chip = booted()
    assert ask(chip, BiasState(Bias.UP, Bias.OFF))[0] == Status.DONE
    chip.converter.dead = True
    chip.say(to_logger(Supply(), first_tag=7))
    chip.run(6)
    reply = Heard(chip.heard(), {}).reply(7)
    assert (reply.status, SupplySum.parse(reply.result).sum) == (Status.DONE, 0)
    assert chip.pins.moves[-1][1] >> 10 == 0
    assert chip.resets == 0


def test_no_input_that_may_be_left_open_floats() -> None:
    """The receiver without a bridge; PB4, the reset of the debug port (RM0008, debug port pins)."""
    chip = booted()
    assert chip.pins_a.pulled_up(10)
    assert chip.pins.pulled_up(0)
    assert chip.pins.pulled_up(1)
    assert chip.pins.pulled_up(4)


def test_an_erasure_is_waited_for_to_its_end() -> None:
    """40 ms (data sheet, from memory), also where the processor does not stand still meanwhile."""
    chip = Chip()
    chip.memory.stalls = False
    chip.run(FIRST_BOOT_S + 0.03)
    assert chip.flash.erased == 4
    assert heard(chip).hellos


def test_range_straps() -> None:
    chip = booted()
    chip.pins.grounded = 0b10
    ask(chip, Start(2000, 0, 31))
    ask(chip, Stop())
    assert {frame.ranges for frame in heard(chip).data} == {(0, 1)}


def test_settings_and_boots_are_kept_without_power() -> None:
    flash = Flash()
    chip = booted(flash=flash)
    settings = Settings(1_000_000, "WS00000042").encode()
    assert ask(chip, EepromBytes(0, settings))[0] == Status.DONE
    assert ask(chip, EepromRead(0, len(settings)))[1] == b"\0\0" + settings
    assert ask(chip, EepromRead(1020, 8))[0] == Status.VALUE
    assert chip.memory.kept[0x10] == 1 << 7  # locked again
    for boot, (flags, cause) in enumerate(((RESET_PIN, 2), (POWER_ON, 1)), 2):
        chip = Chip(flash=flash)
        chip.reset(flags)
        chip.run(0.05)
        (hello,) = heard(chip).hellos
        assert (hello.boot_id, hello.reset_cause, hello.serial_number) == (boot, cause, "WS00000042")
        assert chip.line.byte_cycles() == 160


@pytest.mark.parametrize("cut", [0, 1, 2, 3, 9])
def test_a_power_cut_while_settings_are_written(cut: int) -> None:
    """Byte by byte, each whole or not at all; the record's CRC does the rest."""
    flash = Flash()
    chip = booted(flash=flash)
    flash.cut_after = cut
    with pytest.raises(PowerCutError):
        ask(chip, EepromBytes(0, Settings(1_000_000, "WS00000042").encode()))
    flash.cut_after = None
    chip = booted(flash=flash)
    (hello,) = heard(chip).hellos
    assert (hello.boot_id, hello.serial_number) == (2, "")


def test_the_watchdog_ends_a_sleep_that_nothing_ends() -> None:
    chip = booted()
    chip.hold(1 << 62)
    chip.run(1.5)
    assert chip.resets == 1
    chip.hold(0)
    chip.run(0.1)
    assert heard(chip).hellos[-1].reset_cause == ResetCause.WATCHDOG


def test_the_fastest_watchdog_waits_for_the_slowest_work() -> None:
    """Its oscillator is 30 to 60 kHz (data sheet, from memory); a first boot erases four pages."""
    chip = booted(watchdog_hz=60_000)
    ask(chip, Start(32_000, 0, 12))
    chip.run(1.0)
    assert chip.resets == 0
