"""Waveforms on the converter's pins of the real firmware, through pty, pyserial and session to findings."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daq.findings import Findings
from daq.pipeline import Pipeline
from daq.samples import Block, DeviceInfo, Gap, Item
from daq.sampling_plan import DEFAULT_RATE_HZ
from daq.serial_port import SerialSource
from daq.session import Session, SessionState
from tests.firmware.board import CLOCK_HZ, Board, write_leads
from tests.physics.spice import Waves

LOWEST_V, SPAN_V, CODES = -8.0, 48.0, 1024  # the board's front end
NOISE_CODES = 0.4
HOLD_CLOCKS = 2  # converter clocks from trigger to hold: ATmega328P data sheet, auto-triggered conversions
SHORTEST_FULL_INTERVAL = 1978  # cycles; below, the converter's clock is doubled (firmware/avr/sampling.c)
PATIENCE_S = 90.0  # on a machine with much else to do

LATE_S = 3 / CLOCK_HZ

Floats = npt.NDArray[np.float64]


class Kept:
    """A recorder that keeps the log in memory."""

    def __init__(self, path: Path, info: DeviceInfo) -> None:
        self.items: list[Item] = []

    def append(self, item: Item) -> None:
        self.items.append(item)

    def tick(self) -> None:
        pass

    def close(self) -> None:
        pass


@dataclass(frozen=True)
class Logged:
    """What came of it.

    Attributes:
        findings: of the session, after its end.
        items: the ordered log.
        lost: every way in which something can be lost, by name; all 0 when nothing was.
    """

    findings: Findings
    items: list[Item]
    lost: dict[str, int]

    @property
    def blocks(self) -> list[Block]:
        return [item for item in self.items if isinstance(item, Block)]

    def counts(self) -> npt.NDArray[np.int32]:
        return np.concatenate([block.counts for block in self.blocks])

    @property
    def sums(self) -> int:
        """Raw pairs in a pair."""
        highest = self.blocks[0].layout.scale.highest
        assert highest is not None
        return highest[0] // (CODES - 1)

    @property
    def interval_s(self) -> float:
        """From a conversion of lead 1 to the next one of lead 2."""
        return 1 / (2 * self.blocks[0].layout.rate_hz * self.sums)

    @property
    def began_s(self) -> float:
        """The waveform's moment from which the findings' times count: lead 1 of the first pair is held.

        By the protocol and the chip, not by a fit: the waveform begins with the run's first trigger, one
        conversion of each lead is thrown away, then lead 1 is triggered, and held two converter clocks later.
        """
        divider = 128 if self.interval_s * CLOCK_HZ > SHORTEST_FULL_INTERVAL else 64
        return 2 * self.interval_s + HOLD_CLOCKS * divider / CLOCK_HZ

    def taken_s(self) -> Floats:
        """(n, 2): the waveform's moment that each count stands for, as the log tells by rate and skew."""
        parts = [
            np.arange(b.first, b.end)[:, None] / b.layout.rate_hz + np.asarray(b.layout.scale.skew_s)
            for b in self.blocks
        ]
        return self.began_s + np.concatenate(parts)

    def worst_count(self, waves: Waves, until_s: float) -> float:
        """Largest difference between a raw code and the waveform at its moment, in codes.

        What the wave moves in the three cycles by which the simulator may be late is taken off.
        """
        taken_s = self.taken_s()
        inside = taken_s[:, 1] < until_s
        within = (np.arange(self.sums) - (self.sums - 1) / 2) * 2 * self.interval_s
        worst = 0.0
        for lead in (0, 1):
            wave = np.column_stack((waves.time_s, waves[f"shown{lead + 1}"]))
            moments = taken_s[inside, lead][:, None] + within
            codes, later = _codes(wave, moments), _codes(wave, moments + LATE_S)
            off = np.abs(self.counts()[inside, lead] - codes) - np.abs(later - codes)
            worst = max(worst, float(off.max()))
        return worst / self.sums


def _codes(wave: Floats, moments: Floats) -> Floats:
    """Converter codes, not rounded, of a wave (s, V) at each row's moments, summed."""
    volts = np.interp(moments, wave[:, 0], wave[:, 1])
    codes: Floats = np.clip((volts - LOWEST_V) / SPAN_V * CODES, 0, CODES - 1).sum(axis=1)
    return codes


def log_waves(directory: Path, waves: Waves, length_s: float, rate_hz: float = DEFAULT_RATE_HZ) -> Logged:
    """Play `waves` ("shown1", "shown2") from the moment the run begins; log at least `length_s` of them.

    The board plays from the first trigger of the run, so the two clocks are one and need no fit.
    """
    leads = write_leads(directory / "leads", waves.time_s, waves["shown1"], waves["shown2"])
    kept: list[Kept] = []

    def keep(path: Path, info: DeviceInfo) -> Kept:
        kept.append(Kept(path, info))
        return kept[-1]

    board = Board(directory, fast=True, leads=leads, leads_from="run", noise=NOISE_CODES)
    with board:
        source = SerialSource(board.port, rate_hz)
        session = Session(source, Pipeline(), keep, directory / "kept").start()
        try:
            _wait(session, length_s)
        finally:
            session.close()
    assert session.error is None
    assert session.findings is not None
    return Logged(session.findings, kept[0].items, _lost(kept[0].items, source, board))


def _wait(session: Session, length_s: float) -> None:
    patience = time.monotonic() + PATIENCE_S
    while session.latest.time_s < length_s:
        assert session.state is SessionState.RUNNING, session.error
        assert time.monotonic() < patience, f"only {session.latest.time_s} s were logged"
        time.sleep(0.005)


def _lost(items: list[Item], source: SerialSource, board: Board) -> dict[str, int]:
    counters = source.link.stream.counters
    return {
        "gaps": sum(isinstance(item, Gap) for item in items),
        "lost pairs": counters.lost_pairs,
        "stale frames": counters.stale,
        "damaged frames": source.link.damaged,
        "unread bytes": source.unread_bytes,
        "bytes before the pty": board.facts["terminal_lost"],
        "missed triggers": board.facts["missed_triggers"],
    }
