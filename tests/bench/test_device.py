"""The simulated logger on the wire, as firmware/README.md says. Commands are written here byte by byte."""

from __future__ import annotations

import numpy as np
import pytest

from daq.bench_catalog import find
from daq.bench_device import SimulatedLogger
from daq.bench_workbench import Workbench
from daq.calibration import SLOT_ADDRESSES, Calibration, record_size
from daq.framing import Deframer, Frame, encode_frame
from daq.messages import EepromBytes, Heartbeat, Reply, Status
from daq.pairs import DataFrame
from daq.results import Identity, Started, Stopped, SupplySum, Tally
from daq.samples import Bias

DATA, HEARTBEAT, REPLY, HELLO = 0x81, 0x82, 0x83, 0x80


class Wire:
    """A logger and the frames that came from it."""

    def __init__(self, name: str = "trailer-lamp") -> None:
        self.bench = Workbench(find(name), 1)
        self.logger = SimulatedLogger(self.bench, 1, boot_id=41)
        self._deframer = Deframer()
        self.frames = self._deframer.push(self.logger.take())

    def ask(self, kind: int, payload: bytes = b"", tag: int = 9) -> Reply:
        """Send one command; its reply is the last frame that comes."""
        self.logger.receive(b"\0" + encode_frame(kind, tag, payload))
        self.frames += self._deframer.push(self.logger.take())
        reply = Reply.parse(self.frames[-1].payload)
        assert self.frames[-1].type == REPLY
        assert (reply.command, reply.tag) == (kind, tag)
        return reply

    def advance(self, seconds: float) -> list[Frame]:
        before = len(self.frames)
        self.logger.advance(self.logger.now_us + round(seconds * 1e6))
        self.frames += self._deframer.push(self.logger.take())
        return self.frames[before:]

    @property
    def data(self) -> list[DataFrame]:
        return [DataFrame.parse(f.payload) for f in self.frames if f.type == DATA]


def start(wire: Wire, interval: int = 2000, shift: int = 0, pairs: int = 31) -> Started:
    reply = wire.ask(0x11, interval.to_bytes(2, "little") + bytes((shift, pairs)))
    assert reply.status == Status.DONE
    return Started.parse(reply.result)


def test_hello_and_identify() -> None:
    wire = Wire()
    (hello,) = wire.frames
    assert (hello.type, hello.sequence) == (HELLO, 0)
    identity = Identity.parse(hello.payload)
    assert (identity.boot_id, identity.board, identity.clock_hz) == (41, 127, 16_000_000)
    assert wire.ask(0x10).result == hello.payload


def test_sequence_counts_every_frame() -> None:
    wire = Wire()
    start(wire)
    wire.advance(3.0)
    assert [f.sequence for f in wire.frames] == [n & 0xFF for n in range(len(wire.frames))]
    assert len(wire.frames) > 300


@pytest.mark.parametrize(
    ("interval", "shift", "pairs"), [(2000, 0, 31), (2000, 2, 31), (2000, 6, 3), (1000, 0, 80)]
)
def test_a_run_is_dense_and_as_fast_as_it_says(interval: int, shift: int, pairs: int) -> None:
    wire = Wire()
    started = start(wire, interval, shift, pairs)
    wire.advance(2.0)
    stopped = Stopped.parse(wire.ask(0x12).result)
    data = wire.data
    assert [d.first for d in data] == list(np.cumsum([0] + [len(d.counts) for d in data[:-1]]))
    assert all(len(d.counts) == pairs for d in data[:-1])
    assert stopped.pairs == data[-1].first + len(data[-1].counts)
    expected = 2.0 * 16e6 / (2 * started.interval << shift)
    assert stopped.pairs == pytest.approx(expected, abs=1)
    assert {d.run for d in data} == {started.run} == {1}
    level = np.concatenate([d.counts for d in data]).mean() / (1 << shift)
    assert level == pytest.approx((12.6 + 8) / 48 * 1024, abs=0.3)


def test_what_it_clamps_and_refuses() -> None:
    wire = Wire()
    assert wire.ask(0x11, bytes((0, 8, 3, 31))).status == Status.VALUE  # no such sum
    assert wire.ask(0x11, b"\0").status == Status.LENGTH
    assert wire.ask(0x19).status == Status.UNKNOWN
    assert wire.ask(0x13, b"\x10").status == Status.VALUE
    assert wire.ask(0x13, b"").status == Status.LENGTH
    started = start(wire, interval=5, pairs=200)
    assert (started.interval, started.pairs_per_frame, started.adc_divider) == (1000, 80, 64)
    assert wire.ask(0x11, bytes((208, 7, 0, 31))).status == Status.RUNNING
    assert wire.ask(0x14).status == Status.RUNNING
    assert wire.ask(0x16, b"\0\0x").status == Status.RUNNING
    wire.ask(0x12)
    assert start(wire).run == 2


def test_echo_supply_statistics() -> None:
    wire = Wire()
    assert wire.ask(0x18, b"\x00whatever\x00").result == b"\x00whatever\x00"
    assert SupplySum.parse(wire.ask(0x14).result).supply_v(1.1) == pytest.approx(5.02, abs=0.01)
    wire.advance(1.5)
    wire.logger.receive(b"\x05rubbish\x00")
    tally = Tally.parse(wire.ask(0x17).result)
    assert (tally.damaged_frames, tally.uptime_ms, tally.lost_pairs) == (1, 1500, 0)


def test_memory() -> None:
    wire = Wire()
    read = EepromBytes.parse(wire.ask(0x15, SLOT_ADDRESSES[0].to_bytes(2, "little") + bytes((64,))).result)
    assert Calibration.decode(read.data[: record_size(read.data)]).lines[0, 2].offset_v == -8.0
    assert wire.ask(0x16, b"\xfe\x03ab").result == b"\xfe\x03\x02"
    assert wire.ask(0x15, b"\xfe\x03\x02").result == b"\xfe\x03ab"
    assert wire.ask(0x16, b"\xff\x03ab").status == Status.VALUE
    assert wire.ask(0x15, b"\xff\x03\x02").status == Status.VALUE
    assert wire.ask(0x15, b"\x00\x00\x41").status == Status.VALUE


def test_heartbeat_every_second() -> None:
    wire = Wire()
    start(wire)
    wire.advance(3.5)
    beats = [(n, Heartbeat.parse(f.payload)) for n, f in enumerate(wire.frames) if f.type == HEARTBEAT]
    assert len(beats) == 3
    for n, beat in beats:
        following = next(DataFrame.parse(f.payload) for f in wire.frames[n:] if f.type == DATA)
        assert (beat.boot_id, beat.run, beat.running, beat.next) == (41, 1, 1, following.first)


def test_bias_begins_with_a_frame_and_reaches_the_pin() -> None:
    wire = Wire("work-lamp")
    start(wire)
    wire.bench.operate("plug", "out", 0)
    wire.advance(0.1001)
    assert wire.ask(0x13, b"\x0a").result == b"\x0a"  # up on both
    wire.advance(0.1)
    off = [d for d in wire.data if d.bias == (Bias.OFF, Bias.OFF)]
    up = [d for d in wire.data if d.bias == (Bias.UP, Bias.UP)]
    assert up[0].first == off[-1].first + len(off[-1].counts) == 401
    volts = np.concatenate([d.counts for d in up]) * 0.046875 - 8
    assert volts[20:, 1].mean() == pytest.approx(4.6, abs=0.05)  # pin 2 is free
    assert volts[20:, 0].mean() == pytest.approx(0.0, abs=0.05)  # pin 1 is grounded
    before = np.concatenate([d.counts for d in off]) * 0.046875 - 8
    assert np.abs(before[-8:].mean(axis=0)).max() < 0.1


def test_a_strong_bias_is_held_for_five_seconds_only() -> None:
    wire = Wire()
    start(wire)
    wire.ask(0x13, b"\x02")
    wire.advance(4.0)
    wire.ask(0x18)  # any command
    wire.advance(4.9)
    assert wire.data[-1].bias == (Bias.UP, Bias.OFF)
    wire.advance(0.2)
    assert wire.data[-1].bias == (Bias.OFF, Bias.OFF)
    wire.ask(0x13, b"\x01")
    wire.advance(6.0)
    assert wire.data[-1].bias == (Bias.WHISPER, Bias.OFF)
