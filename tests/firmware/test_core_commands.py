"""The firmware's core on this computer: what it answers. Sanitizers watch (a finding ends the program)."""

from __future__ import annotations

import subprocess

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.framing import Kind, encode_frame
from daq.messages import (
    BiasState,
    Command,
    Echo,
    EepromBytes,
    EepromRead,
    Heartbeat,
    Identify,
    Reply,
    Start,
    Statistics,
    Status,
    Stop,
    Supply,
)
from daq.results import EepromWritten, Identity, Started, Stopped, SupplySum, Tally
from daq.samples import Bias
from tests.firmware.board import FIRMWARE, build, to_logger
from tests.firmware.host_core import HostCore, data_in
from tests.wire.vectors import vectors


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_shared_examples(compiler: str) -> None:
    """CRC values of crccheck, frames put together by hand: see the sources in the file."""
    ran = subprocess.run(
        [build() / f"host-{compiler}", "vectors", FIRMWARE / "vectors.txt"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    # Frames are checked twice, sent and heard; none may have been left out by a misread line.
    expected = 2 * len(vectors("frame")) + len(vectors("crc", "broken", "quiet"))
    assert ran.stdout.splitlines()[-1] == f"{expected} checks, 0 failures"


def test_hello_tells_boot_and_cause() -> None:
    with HostCore() as core:
        first, second = core.boot(cause=1), core.boot(cause=8)
    (hello,), (again,) = first, second
    assert isinstance(hello, Identity)
    assert isinstance(again, Identity)
    assert (hello.boot_id, hello.reset_cause, hello.serial_number) == (1, 1, "")
    assert (again.boot_id, again.reset_cause) == (2, 8)


def test_boot_count_writes_one_cell_a_boot(core: HostCore) -> None:
    before = core.state().eeprom_writes
    for _ in range(10):
        core.boot()
    assert core.state().eeprom_writes == before + 10


@pytest.mark.parametrize("stored", [0xFF, 0xFFFF, 0x00FFFFFE, 0xFFFFFFFE])
def test_boot_count_carries(core: HostCore, stored: int) -> None:
    core.ask(EepromBytes(0x010, stored.to_bytes(4, "little")))
    (hello,) = core.boot()
    assert isinstance(hello, Identity)
    assert hello.boot_id == (stored + 1) % 2**32


def test_settings_record_of_the_examples(core: HostCore) -> None:
    (record,) = [v for v in vectors("record") if v.name == "settings"]
    core.ask(EepromBytes(0, record.data[0]))
    (hello,) = core.boot()
    assert isinstance(hello, Identity)
    assert hello.serial_number == record.fields["serial"]


@pytest.mark.parametrize("spoilt", [0, 1, 5, 15])
def test_damaged_settings_count_as_blank(core: HostCore, spoilt: int) -> None:
    record = bytearray(next(v for v in vectors("record") if v.name == "settings").data[0])
    record[spoilt] ^= 0x10
    core.ask(EepromBytes(0, bytes(record)))
    (hello,) = core.boot()
    assert isinstance(hello, Identity)
    assert hello.serial_number == ""


def test_identify_is_the_hello(core: HostCore) -> None:
    (hello,) = core.boot()
    assert isinstance(hello, Identity)
    reply = core.ask(Identify())
    assert Identity.parse(reply.result) == hello


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        (Start(2000, 0, 31), Started(1, 2000, 0, 31, 128)),
        (Start(1, 0, 0), Started(1, 1000, 0, 1, 64)),
        (Start(1977, 0, 255), Started(1, 1977, 0, 80, 64)),
        (Start(65535, 6, 255), Started(1, 65535, 6, 60, 128)),
        (Start(2000, 2, 60), Started(1, 2000, 2, 60, 128)),
    ],
)
def test_start_does_what_it_can_and_says_so(core: HostCore, asked: Start, given: Started) -> None:
    assert Started.parse(core.ask(asked).result) == given
    assert core.state()[1:3] == (True, given.interval)


def test_runs_are_counted_and_zero_is_none(core: HostCore) -> None:
    runs = []
    for _ in range(256):
        runs.append(Started.parse(core.ask(Start(2000, 0, 31)).result).run)
        core.ask(Stop())
    assert runs == [*range(1, 256), 1]


REFUSED: list[tuple[bool, Kind, bytes, Status]] = [
    (False, Kind.IDENTIFY, b"x", Status.LENGTH),
    (False, Kind.START, b"\0\0\0", Status.LENGTH),
    (False, Kind.START, bytes([0xD0, 7, 1, 31]), Status.VALUE),
    (False, Kind.START, bytes([0xD0, 7, 8, 31]), Status.VALUE),
    (True, Kind.START, bytes([0xD0, 7, 0, 31]), Status.RUNNING),
    (True, Kind.START, bytes([0xD0, 7, 1, 31]), Status.RUNNING),
    (True, Kind.START, bytes([0xD0, 7, 1]), Status.LENGTH),
    (False, Kind.STOP, b"\0", Status.LENGTH),
    (False, Kind.BIAS, b"", Status.LENGTH),
    (False, Kind.BIAS, b"\x10", Status.VALUE),
    (False, Kind.SUPPLY, b"\0", Status.LENGTH),
    (True, Kind.SUPPLY, b"", Status.RUNNING),
    (False, Kind.EEPROM_READ, b"\0\0", Status.LENGTH),
    (False, Kind.EEPROM_READ, bytes([0, 0, 0]), Status.VALUE),
    (False, Kind.EEPROM_READ, bytes([0, 0, 65]), Status.VALUE),
    (False, Kind.EEPROM_READ, bytes([0xFF, 3, 2]), Status.VALUE),
    (False, Kind.EEPROM_READ, bytes([0xFF, 0xFF, 1]), Status.VALUE),
    (False, Kind.EEPROM_WRITE, b"\0\0", Status.LENGTH),
    (False, Kind.EEPROM_WRITE, bytes([0xFF, 3, 1, 2]), Status.VALUE),
    (True, Kind.EEPROM_WRITE, bytes([0, 1, 2]), Status.RUNNING),
    (True, Kind.EEPROM_WRITE, bytes([0xFF, 3, 1, 2]), Status.RUNNING),
    (False, Kind.STATISTICS, b"\0", Status.LENGTH),
    (False, Kind.ECHO, bytes(65), Status.LENGTH),
    (False, 0x19, b"", Status.UNKNOWN),  # type: ignore[list-item]  # the first type that is nothing
    (False, 0x00, b"", Status.UNKNOWN),  # type: ignore[list-item]
]


@pytest.mark.parametrize(("running", "kind", "payload", "status"), REFUSED)
def test_refused_with_a_reason(
    core: HostCore, running: bool, kind: Kind, payload: bytes, status: Status
) -> None:
    if running:
        core.ask(Start(2000, 0, 31))
    before = core.state()
    core.say(b"\0" + encode_frame(kind, 77, payload))
    assert core.hear() == [Reply(kind, 77, status)]
    assert core.state() == before


def test_a_command_too_long_is_damage(core: HostCore) -> None:
    """A body of 71 bytes, one more than the longest command has."""
    core.say(b"\0" + encode_frame(Kind.EEPROM_WRITE, 77, bytes([0x20, 0] + [5] * 65)))
    assert core.hear() == []
    assert Tally.parse(core.ask(Statistics()).result).damaged_frames == 1


def test_a_device_does_not_answer_devices(core: HostCore) -> None:
    core.say(b"\0" + encode_frame(Kind.REPLY, 0, b"\x10\0\0") + encode_frame(0xFF, 0, b""))
    assert core.hear() == []


def test_eeprom_is_written_read_and_kept(core: HostCore) -> None:
    data = bytes(range(64))
    written = core.ask(EepromBytes(1024 - 64, data))
    assert EepromWritten.parse(written.result) == EepromWritten(1024 - 64, 64)
    core.boot()
    assert EepromBytes.parse(core.ask(EepromRead(1024 - 64, 64)).result).data == data


def test_a_worn_eeprom_is_noticed(core: HostCore) -> None:
    core.order("worn 1")
    assert core.ask(EepromBytes(0x20, b"\1\2")).status == Status.FAILED


def test_supply(core: HostCore) -> None:
    core.order("supply 14418")
    assert SupplySum.parse(core.ask(Supply()).result).supply_v(1.1) == pytest.approx(5.0, abs=1e-4)


def test_bias_at_once_while_idle(core: HostCore) -> None:
    asked = BiasState(Bias.UP, Bias.WHISPER)
    assert BiasState.parse(core.ask(asked).result) == asked
    assert core.state().bias == 0b0110


@pytest.mark.parametrize("running", [False, True])
@pytest.mark.parametrize("kind", [Kind.STATISTICS, 0x19])
def test_strong_bias_is_let_go(core: HostCore, running: bool, kind: int) -> None:
    """Five seconds after the last command of any kind, known or not."""
    core.ask(BiasState(Bias.WHISPER, Bias.DOWN))
    if running:
        core.ask(Start(2000, 0, 31))
    core.poll(4000)
    core.say(encode_frame(kind, 77, b""))  # a sign of life
    core.poll(4992)
    core.convert([0] * 4)
    assert core.state().bias == 0b1101
    core.poll(8)
    core.convert([0] * 4)
    assert core.state().bias == 0
    core.hear()


def test_whisper_stays(core: HostCore) -> None:
    core.ask(BiasState(Bias.WHISPER, Bias.WHISPER))
    core.poll(60_000)
    assert core.state().bias == 0b0101


def test_heartbeats_every_second(core: HostCore) -> None:
    beats: list[int] = []
    for _ in range(500):
        core.poll(8)
        beats += [core.now_ms] * len(core.hear())
    assert beats == [1000, 2000, 3000, 4000]


def test_heartbeat_says_what_comes_next(core: HostCore) -> None:
    core.ask(Start(2000, 0, 31))
    core.convert([5] * 2 * 51)  # the first pair is thrown away
    core.poll()
    core.poll(1000)
    data, beat = core.hear()
    assert len(data_in([data])[0].counts) == 31
    assert beat == Heartbeat(boot_id=1, run=1, running=1, next=31)


def test_a_block_that_promises_more_is_damage(core: HostCore) -> None:
    """A right CRC does not help a frame whose last COBS code points beyond its end."""
    core.say(b"\0" + b"\x06\x12\x03\x48\x7d\0")
    assert core.hear() == []
    assert Tally.parse(core.ask(Statistics()).result).damaged_frames == 1


def test_statistics_count_damage_and_overruns(core: HostCore) -> None:
    core.say(b"\x05\x12\x03\x48\x7c\0")
    core.order(f"rx {bytes([1] * 131).hex()}")  # the queue holds 128
    core.poll()
    core.say(b"\0")
    core.now_ms = 984
    tally = Tally.parse(core.ask(Statistics()).result)
    assert (tally.damaged_frames, tally.receive_overruns, tally.uptime_ms) == (2, 3, 984)


COMMANDS: list[Command] = [Identify(), Stop(), Statistics(), EepromRead(0, 9), BiasState(Bias.UP, Bias.OFF)]


@given(st.lists(st.one_of(st.binary(max_size=90), st.sampled_from(COMMANDS)), max_size=12))
@settings(max_examples=40, deadline=None)
def test_garbage_between_commands_harms_nothing(pieces: list[bytes | Command]) -> None:
    """Every command that arrives whole is answered, once, in order; nothing else is (a CRC of 16 bits lets
    one in 65 536 pieces of garbage pass, and hypothesis does not know how to make one)."""
    with HostCore() as core:
        core.boot()
        asked, replies = [], []
        for tag, piece in enumerate(pieces):
            if isinstance(piece, bytes):
                core.say(piece)
            else:
                asked.append((piece.KIND, tag))
                core.say(to_logger(piece, first_tag=tag))
            replies += core.hear()
        core.say(to_logger(Echo(b"still there"), first_tag=200))
        *replies, last = [*replies, *core.hear()]
    assert last == Reply(Kind.ECHO, 200, Status.DONE, b"still there")
    assert [(r.command, r.tag) for r in replies if isinstance(r, Reply)] == asked


def test_stop_without_a_run(core: HostCore) -> None:
    assert Stopped.parse(core.ask(Stop()).result) == Stopped(0, 0)
