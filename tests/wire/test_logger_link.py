"""The conversation with a logger: handshake, commands, restarts, and one clear sentence for each trouble."""

from __future__ import annotations

import datetime
from dataclasses import replace

import pytest

from daq.calibration import SLOT_ADDRESSES, Calibration, Line
from daq.errors import CommandError, DeviceError, WorkError
from daq.framing import Frame, Kind
from daq.messages import Heartbeat, encode_message
from daq.results import Feature
from daq.samples import Bias, Block, BlockFlag, ChangeKind, GapReason
from daq.source import Capability, Operate, SetBias, SetRate
from tests.wire.fake_logger import FakeLogger
from tests.wire.talk import Table, changes, check_dense, check_one_run, gaps, pairs_in


def test_from_power_on_to_samples() -> None:
    table = Table()
    table.run(2000)
    asked = [frame.type for frame in table.logger.commands]
    assert asked == [
        Kind.STOP,
        Kind.IDENTIFY,
        Kind.BIAS,
        Kind.EEPROM_READ,
        Kind.EEPROM_READ,
        Kind.SUPPLY,
        Kind.START,
    ]
    assert check_one_run(table.items) > 7000
    assert gaps(table.items) == []
    assert table.link.info.serial_number == "WS01"
    told = [change.value for change in changes(table.items, ChangeKind.DEVICE)]
    assert told == ["hello boot=41 cause=power on", "supply 5.00 V"]


def test_a_boot_loader_swallows_the_first_commands() -> None:
    """Boards reset when their port opens; commands before the receiver is ready vanish."""
    table = Table()
    logger, table.logger = table.logger, _Silent()
    table.run(3500)
    assert table.items == []
    table.logger, table.extra = logger, b"\x55\x13garbage" + logger.boot(table.now_ns)
    table.run(1000)
    assert table.link.running
    assert check_one_run(table.items) > 3000


class _Silent(FakeLogger):
    def at(self, now_ns: int, received: bytes = b"") -> bytes:
        return b""


def test_a_port_left_without_stop_is_still_streaming() -> None:
    before = Table()
    before.run(1000)
    after = Table(logger=before.logger)
    after.now_ns = before.now_ns
    after.link._seek(after.now_ns)
    after.extra = before.logger.at(before.now_ns + 500_000_000)[13:]
    after.run(1000)
    assert after.logger.pairs == check_one_run(after.items) + after.logger.pairs % 31
    assert after.link.stream.counters.stale == 0


def test_sums_and_their_scale() -> None:
    table = Table(rate_hz=250)
    table.run(2000)
    block = next(item for item in table.items if isinstance(item, Block))
    assert block.layout.rate_hz == 250
    scale = block.layout.scale
    assert scale.volts_per_count == (48 / 1024 / 16, 48 / 1024 / 16)
    # 16 conversions at 4000/s: the mean moment of lead 1 is 15 half periods later, lead 2 one more.
    assert scale.skew_s == pytest.approx((15 * 125e-6, 16 * 125e-6))
    assert scale.highest == (16 * 1023, 16 * 1023)
    assert len(block.counts) == 12  # 20.8 frames a second


def test_the_calibration_in_the_logger_is_used() -> None:
    lines = {
        (r, lead): Line(0.0469 + r / 1000 + lead / 10_000, -8, 0.004, 0.002)
        for r in range(4)
        for lead in (1, 2)
    }
    record = Calibration(lines, datetime.date(2025, 3, 14), bandgap_v=1.05).encode()
    assert len(record) > 64  # read in several pieces
    table = Table()
    table.logger.eeprom[SLOT_ADDRESSES[0] : SLOT_ADDRESSES[0] + len(record)] = record
    table.run(1000)
    block = next(item for item in table.items if isinstance(item, Block))
    assert block.layout.scale.calibrated
    assert block.layout.scale.volts_per_count == pytest.approx((0.0470, 0.0471), rel=1e-6)
    assert table.link.info.details["calibration"] == "2025-03-14"
    assert changes(table.items, ChangeKind.DEVICE)[-1].value == "supply 4.77 V"  # 1.05 * 65536 / 14418


def test_an_overflow_is_an_exact_gap() -> None:
    table = Table()
    table.run(1000)
    table.logger.overflow_pairs = 1234
    table.run(1000)
    (gap,) = gaps(table.items)
    assert (gap.pairs, gap.seconds, gap.reason) == (1234, 1234 / 4000, GapReason.OVERFLOW)
    flagged = [b for b in table.items if isinstance(b, Block) and b.flags & BlockFlag.OVERFLOW]
    assert [block.first for block in flagged] == [gap.sample]
    check_one_run(table.items)


def test_damage_and_bytes_that_were_not_read() -> None:
    table = Table()
    table.run(500)
    table.run(100, spoil=lambda data: data[: len(data) // 2])
    table.run(500)
    assert {gap.reason for gap in gaps(table.items)} == {GapReason.DAMAGED}
    assert table.link.damaged > 0
    damaged = len(gaps(table.items))
    table.logger.at(table.now_ns + 200_000_000)  # said, but nobody took it
    table.link.bytes_lost()
    table.run(500)
    assert [gap.reason for gap in gaps(table.items)[damaged:]] == [GapReason.UNREAD]
    check_one_run(table.items)


def test_bias_is_told_where_the_device_applied_it() -> None:
    table = Table()
    table.run(500)
    table.link.command(SetBias(Bias.WHISPER, Bias.OFF))
    table.run(500)
    (change,) = changes(table.items, ChangeKind.BIAS)
    assert change.value == "whisper off"
    first = next(b for b in table.items if isinstance(b, Block) and b.layout.bias[0] is Bias.WHISPER)
    assert change.sample == first.first
    check_one_run(table.items)


def test_a_strong_bias_is_held_and_not_raised_again_after_a_restart() -> None:
    table = Table()
    table.run(500)
    table.link.command(SetBias(Bias.UP, Bias.DOWN))
    table.run(10_000)
    sent = [f for f in table.logger.commands if f.type == Kind.BIAS]
    assert len(sent) >= 5  # the device lets go 5 s after the last command
    table.extra = table.logger.boot(table.now_ns)
    table.run(5000)
    assert [c.value for c in changes(table.items, ChangeKind.BIAS)] == ["up down", "off off"]


def test_the_whisper_is_there_from_the_first_pair_and_after_a_restart() -> None:
    table = Table(whisper=True)
    table.run(500)
    table.extra = table.logger.boot(table.now_ns)
    table.run(1000)
    table.link.command(SetBias(Bias.UP, Bias.OFF))
    table.run(500)
    table.extra = table.logger.boot(table.now_ns)
    table.run(1000)
    told = [c.value for c in changes(table.items, ChangeKind.BIAS)]
    assert told == ["whisper whisper", "up off", "whisper whisper"]
    blocks = [item for item in table.items if isinstance(item, Block)]
    assert blocks[0].layout.bias == (Bias.WHISPER, Bias.WHISPER)


def test_a_whisper_switched_off_stays_off() -> None:
    table = Table(whisper=True)
    table.run(500)
    table.link.command(SetBias(Bias.OFF, Bias.OFF))
    table.run(500)
    table.extra = table.logger.boot(table.now_ns)
    table.run(1000)
    assert [c.value for c in changes(table.items, ChangeKind.BIAS)] == ["whisper whisper", "off off"]


def test_a_board_without_whisper_is_not_asked_for_one() -> None:
    logger = FakeLogger()
    logger.identity = replace(logger.identity, features=Feature.UP_AND_DOWN)
    table = Table(logger=logger, whisper=True)
    assert table.link.capabilities == {Capability.RATE}
    table.run(1000)
    assert changes(table.items, ChangeKind.BIAS) == []
    assert table.link.capabilities == {Capability.RATE, Capability.BIAS}


def test_another_rate_is_a_new_layout_after_a_gap() -> None:
    table = Table()
    table.run(1000)
    table.link.command(SetRate(1000))
    table.run(1000)
    (gap,) = gaps(table.items)
    assert gap.reason is GapReason.RATE
    assert gap.pairs is None
    assert 0 <= gap.seconds < 0.05
    assert gap.uncertainty_s > 0
    rates = [b.layout.rate_hz for b in table.items if isinstance(b, Block)]
    assert set(rates) == {4000, 1000}
    assert rates == sorted(rates, reverse=True)
    check_dense(table.items)


def test_a_restart_is_a_gap_of_host_time() -> None:
    table = Table()
    table.run(1000)
    table.logger.boot(table.now_ns)  # the hello is lost on the way
    table.run(5000)
    (gap,) = gaps(table.items)
    assert gap.reason is GapReason.RESTARTED
    assert gap.pairs is None
    # Seen at the next heartbeat, up to 1 s after the boot.
    assert 0.9 < gap.seconds < 1.3
    total_s = pairs_in(table.items) / 4000 + gap.seconds
    assert total_s == pytest.approx(6.0, abs=0.1)
    check_dense(table.items)


def test_an_old_hello_changes_nothing() -> None:
    table = Table()
    table.run(1000)
    table.extra = encode_message(table.logger.identity, 0)
    table.run(1000)
    assert gaps(table.items) == []
    assert check_one_run(table.items) > 7000


def test_a_run_that_somebody_stopped_is_started_again() -> None:
    table = Table()
    table.run(1000)
    table.logger._started = None
    table.run(3000)
    (gap,) = gaps(table.items)
    assert gap.reason is GapReason.RESTARTED
    assert table.link.running


def test_lost_replies() -> None:
    """Every reply lost once: asked again; a start whose reply was lost is stopped and started anew."""
    seen: set[int] = set()

    class Forgetful(FakeLogger):
        def _answer(self, frame: Frame, now_ns: int) -> bytes:
            answer = super()._answer(frame, now_ns)
            lost = frame.type not in seen
            seen.add(frame.type)
            return b"" if lost else answer

    table = Table(logger=Forgetful())
    table.run(5000)
    assert table.link.running
    assert gaps(table.items) == []
    assert check_one_run(table.items) > 1000


def test_silence_is_noticed_and_the_logger_found_again() -> None:
    table = Table()
    table.run(1000)
    logger, table.logger = table.logger, _Silent()
    table.run(4000)
    assert not table.link.running
    table.logger = logger
    table.run(2000)
    (gap,) = gaps(table.items)
    assert gap.reason is GapReason.UNPLUGGED
    assert gap.seconds == pytest.approx(4.0, abs=0.1)


def test_finish_accounts_for_the_last_pairs() -> None:
    table = Table()
    table.run(1000)
    table.link.finish()
    table.run(100)
    assert table.link.finished
    assert check_one_run(table.items) == table.logger.pairs


def fails(table: Table, error: type[Exception], saying: str, ms: float = 6000) -> None:
    with pytest.raises(error, match=saying) as caught:
        table.run(ms)
    assert str(caught.value).count("\n") == 0
    assert str(caught.value).endswith(".")


def test_nobody_answers() -> None:
    fails(Table(logger=_Silent()), DeviceError, "Nothing answers on /dev/test at 500000 baud")


def test_somebody_else_answers() -> None:
    class Talker(FakeLogger):
        def at(self, now_ns: int, received: bytes = b"") -> bytes:
            return b"$GNTXT,01,01,02*4B\r\n\0"

    fails(Table(logger=Talker()), DeviceError, "is not a whichside logger")


def test_an_echo_answers() -> None:
    class Mirror(FakeLogger):
        def at(self, now_ns: int, received: bytes = b"") -> bytes:
            return received

    fails(Table(logger=Mirror()), DeviceError, "only repeats what is sent")


def test_another_protocol_version() -> None:
    fails(Table(logger=FakeLogger(protocol=2)), WorkError, "protocol version 2, this program speaks 1")


def test_it_stops_answering_amid_the_handshake() -> None:
    class Half(FakeLogger):
        def _answer(self, frame: Frame, now_ns: int) -> bytes:
            return b"" if frame.type == Kind.SUPPLY else super()._answer(frame, now_ns)

    fails(Table(logger=Half()), DeviceError, "stopped answering while it was being set up", 9000)


def test_a_logger_that_restarts_while_it_is_away_was_unplugged() -> None:
    """The cable is the cause of the restart, and one gap tells the whole time."""
    table = Table()
    table.run(1000)
    table.items += table.link.unplugged(table.now_ns)
    table.now_ns += 20_000_000_000
    table.link.plugged_in("/dev/test", table.now_ns)
    table.extra = table.logger.boot(table.now_ns)
    table.run(1000)
    (gap,) = gaps(table.items)
    assert gap.reason is GapReason.UNPLUGGED
    assert gap.seconds == pytest.approx(20, abs=0.1)
    check_dense(table.items)


def test_half_a_frame_in_the_logger_does_not_swallow_the_first_command() -> None:
    table = Table()
    table.logger.at(table.now_ns, b"\x11\x22\x33")
    table.run(10)
    assert table.logger.commands[0].type == Kind.STOP


def test_another_logger_after_a_replug() -> None:
    table = Table()
    table.run(1000)
    told = changes(table.link.unplugged(table.now_ns), ChangeKind.DEVICE)
    assert [change.value for change in told] == ["logger away"]
    assert table.link.unplugged(table.now_ns) == []
    table.logger = FakeLogger(serial_number="WS02")
    table.link.plugged_in("/dev/other", table.now_ns)
    fails(table, DeviceError, "Logger WS02 answers on /dev/other, not WS01")


def test_what_the_logger_cannot_do_is_said_at_once() -> None:
    table = Table()
    with pytest.raises(CommandError, match="not answered yet"):
        table.link.check(SetRate(1000))
    table.run(500)
    for rate in (20_000, 0.1):
        with pytest.raises(CommandError, match=r"samples 1.91 to 4044 pairs a second"):
            table.link.command(SetRate(rate))
    with pytest.raises(CommandError, match="operate the circuit by hand"):
        table.link.check(Operate("plug", "out"))
    assert table.link.known is not None
    bare = replace(table.logger.identity, features=Feature(0))
    table.link.known = replace(table.link.known, identity=bare)
    with pytest.raises(CommandError, match="no such bias"):
        table.link.check(SetBias(Bias.UP, Bias.OFF))
    table.link.check(SetBias(Bias.OFF, Bias.OFF))


def test_a_slow_line_refuses_a_fast_rate() -> None:
    table = Table(baud=115_200)
    with pytest.raises(CommandError, match=r"115200 baud carry about 33.. pairs a second, not 4000"):
        table.run(1000)


def test_heartbeats_of_the_run_do_not_disturb() -> None:
    table = Table()
    table.run(500)
    table.extra = encode_message(Heartbeat(41, table.logger._run, 1, table.logger.pairs), 0)
    table.run(3000)
    assert gaps(table.items) == []
