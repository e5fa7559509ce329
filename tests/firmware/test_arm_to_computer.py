"""The simulated STM32F103 as the program reads and calibrates it."""

from __future__ import annotations

import argparse

import numpy as np
import pytest

from daq import calibration_store
from daq.calibrate_command import Terminal
from daq.calibrate_command import run as calibrate
from daq.calibration import scale_of
from daq.logger_link import LoggerLink
from daq.logger_talk import LoggerTalk
from daq.results import Started
from daq.samples import Block, Gap, Item
from daq.serial_port import SerialConnector, SerialSource
from tests.firmware.arm_chip import OnPty
from tests.firmware.arm_parts import CLOCK_HZ
from tests.firmware.test_board_on_pty import Reading, blocks, last_volts, own_configuration, pairs_in

__all__ = ["own_configuration"]

from tests.firmware.test_arm import booted


def test_the_computer_reads_it_as_any_logger() -> None:
    """The program's own conversation, time running in step; volts, rate and moments come out right."""
    chip = booted()
    link = LoggerLink(4000, "port", 500_000, 0)
    items: list[Item] = []
    while sum(len(item.counts) for item in items if isinstance(item, Block)) < 300:
        now_ns = round(chip.now / CLOCK_HZ * 1e9)
        assert now_ns < 2e9
        before = len(chip.heard())
        chip.say(link.to_send(now_ns))
        chip.run(0.005)
        items += link.receive(chip.heard()[before:], now_ns + 5_000_000)
    found = [item for item in items if isinstance(item, Block)]
    layout = found[0].layout
    assert layout.rate_hz == 4000
    assert layout.scale.skew_s == (0.0, 1 / 8000)
    # A code is 11.7 mV; to the nearest one.
    volts = layout.scale.volts(np.concatenate([block.counts for block in found]))
    assert volts == pytest.approx(np.tile([12.6, 0.1], (len(volts), 1)), abs=0.5 * 48 / 4096)
    assert [block.first for block in found] == [0, *np.cumsum([len(b.counts) for b in found])[:-1]]
    assert not [item for item in items if isinstance(item, Gap)]
    assert link.damaged == 0
    assert link.info.details["board"] == "STM32F103"
    assert link.info.details["supply"] == "3.30 V"


def test_the_serial_source_reads_it() -> None:
    with OnPty(booted()) as port:
        reading = Reading(SerialSource(port, rate_hz=62.5))
        reading.until(lambda items: pairs_in(items) > 10, within_s=30)
        items = reading.end()
    assert last_volts(items) == pytest.approx([12.6, 0.1], abs=0.006)
    assert blocks(items)[0].layout.rate_hz == 62.5
    assert not [item for item in items if isinstance(item, Gap)]


def test_calibrating_takes_out_what_its_front_end_is_off() -> None:
    """Gain and zero of each lead, told in counts of a quarter as many to the span as its codes."""
    on = [0.0]
    said: list[str] = []
    known = iter((4.71, 12.63))

    def reply(question: str) -> str:
        if "meter" in question:
            on[0] = next(known)
            return str(on[0])
        return "yes"

    chip = booted(volts=lambda lead, _: (1.028 * on[0] + 0.12, 0.967 * on[0] - 0.09)[lead])
    with OnPty(chip) as port:
        assert (
            calibrate(
                SerialConnector(port),
                argparse.Namespace(show=False, undo=False),
                Terminal(said.append, reply),
                8,
            )
            == 0
        )
        with LoggerTalk(SerialConnector(port)) as talk:
            record = calibration_store.in_force(calibration_store.read_slots(talk.must))
            on[0] = 28.8
            ranges, sums = talk.sums(4)
            run = Started(1, 8000, talk.identity.most_sum_shift, 3, 2)
            scale = scale_of(record, ranges, run, CLOCK_HZ, talk.supply_sum(), talk.identity.code_bits)
    assert scale.calibrated
    assert scale.volts(sums[-1:]) == pytest.approx(np.array([[28.8, 28.8]]), abs=0.02)
