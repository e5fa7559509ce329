"""The computer's side of the conversation with a logger, as a pure state machine.

Bytes and the host's time go in; log items and bytes to send come out. Serial port, simulated device and
tests share it. Order of a conversation: stop (a port closed without it is still streaming), identify,
bias off, calibration, supply, start; then data until the end. Whatever interrupts it, it begins again
with stop and identify, and the time lost becomes a Gap.

    link = LoggerLink(rate_hz, port, baud, now_ns)
    loop: send(link.to_send(now_ns)); items = link.receive(data, now_ns)     # data may be empty
"""

from __future__ import annotations

from functools import partial

from daq.calibration import MARK_BYTES, scale_of
from daq.errors import CommandError, DeviceError
from daq.framing import Deframer, Frame, Kind
from daq.logger_setup import Known, Setup, check_version
from daq.messages import (
    BiasState,
    Heartbeat,
    Identify,
    Reply,
    Start,
    Status,
    Stop,
    encode_message,
)
from daq.pair_stream import PairStream, Run
from daq.pairs import MalformedError
from daq.requests import Requests
from daq.results import Feature, Identity, Started, Stopped
from daq.samples import (
    LOGGER_AWAY,
    LOGGER_SILENT,
    NOMINAL,
    Bias,
    Change,
    ChangeKind,
    DeviceInfo,
    GapReason,
    Item,
    Layout,
    Origin,
)
from daq.sampling_plan import exact_rate_hz, plan_start
from daq.source import Capability, SetBias, SetRate
from daq.source import Command as SourceCommand

SILENCE_NS = 3_000_000_000
"""Three heartbeats missing: the logger is not there any more."""

SEEK_NS = 5_000_000_000
"""How long a port may stay without an answer: longer than any boot loader takes (4 s)."""

REFRESH_NS = 2_000_000_000
"""A strong bias is held by the device for 5 s after the last command."""

_STRONG = (Bias.UP, Bias.DOWN)
_OFF = BiasState(Bias.OFF, Bias.OFF)
_WHISPER = BiasState(Bias.WHISPER, Bias.WHISPER)

FAREWELL = b"\0" + encode_message(_OFF, 0) + encode_message(Stop(), 1)
"""Bias off and stop, for a port that is closed without waiting for answers."""

_BOARDS = {1: "ATmega328P", 2: "STM32F103", 127: "simulated"}


class LoggerLink:
    """One logger on one port, across its restarts; see the module's docstring.

    With `whisper` every run begins with the whisper bias on both leads, where the board has it and nobody
    has switched it off. `fresh_mark`, random bytes, becomes the mark of a logger that has no serial number
    and no mark yet.

    Attributes:
        known: who answered, set up; None before. A later one must be the same logger.
        running: data of a confirmed run flows.
        stream: the pairs received, with their counters and clock anchors.
        finished: the device has confirmed the stop that `finish` asked for.
    """

    def __init__(
        self,
        rate_hz: float,
        port: str,
        baud: int,
        now_ns: int,
        whisper: bool = False,
        fresh_mark: bytes = bytes(MARK_BYTES),
    ) -> None:
        self.port, self.baud = port, baud
        self.known: Known | None = None
        self._fresh_mark = fresh_mark
        self._replugged = False
        self.running = False
        self.finished = False
        self.stream = PairStream()
        self._rate_hz = rate_hz
        self._standing = _WHISPER if whisper else _OFF  # what every run begins with
        self._deframer = Deframer()
        self._requests = Requests()
        self._items: list[Item] = []
        self._data: list[bytes] = []
        self._run = self._heard_bytes = self._echoes = 0
        self._now_ns = self._heard_ns = self._seeking_ns = self._bias_ns = now_ns
        self._seek(now_ns)

    @property
    def identity(self) -> Identity | None:
        return None if self.known is None else self.known.identity

    @property
    def info(self) -> DeviceInfo:
        """Who is measuring; call it once it is `known`."""
        if self.known is None:
            return DeviceInfo("whichside logger", port=self.port)
        known, calibration = self.known.identity, self.known.calibration
        details = {
            "board": _BOARDS.get(known.board, str(known.board)),
            "clock": f"{known.clock_hz} Hz",
            "baud": str(self.baud),
            "calibration": str(calibration.date) if calibration else NOMINAL,
        }
        if self.known.supply_v is not None:
            details["supply"] = f"{self.known.supply_v:.2f} V"
        return DeviceInfo("whichside logger", known.serial_number, known.firmware_version, self.port, details)

    @property
    def capabilities(self) -> frozenset[Capability]:
        """What the logger can be asked for; without bias before it has answered."""
        features = self.identity.features if self.identity is not None else 0
        can = {Capability.RATE}
        if features & Feature.WHISPER:
            can.add(Capability.WHISPER)
        if features & Feature.UP_AND_DOWN:
            can.add(Capability.BIAS)
        return frozenset(can)

    @property
    def damaged(self) -> int:
        """Frames that arrived broken, or with impossible content."""
        return self._deframer.damaged + self.stream.counters.malformed

    def check(self, command: SourceCommand) -> None:
        """Raise CommandError when the logger cannot do that at all. Callable from any thread."""
        known = self.identity
        if known is None:
            raise CommandError("The logger has not answered yet: try again in a moment.")
        if isinstance(command, SetRate):
            plan_start(command.pairs_per_second, known, self.baud)
        elif isinstance(command, SetBias):
            wanted = {command.lead1, command.lead2}
            missing = (Bias.WHISPER in wanted and not known.features & Feature.WHISPER) or (
                wanted & set(_STRONG) and not known.features & Feature.UP_AND_DOWN
            )
            if missing:
                raise CommandError("This logger's board has no such bias: go on without this test.")
        else:
            raise CommandError("The logger cannot move your switches: operate the circuit by hand.")

    def command(self, command: SourceCommand) -> None:
        """Ask for a bias or a rate that `check` accepts; it shows up in the log once the device confirms."""
        self.check(command)
        if isinstance(command, SetRate):
            self._rate_hz = command.pairs_per_second
            if self.running:
                self._requests.add(Stop(), self._stopped_for_rate)
        elif isinstance(command, SetBias):
            self._set_bias(BiasState(command.lead1, command.lead2))

    def _set_bias(self, wanted: BiasState) -> None:
        if not _strong(wanted):
            self._standing = wanted
        if self.running:
            self._bias = wanted
            self._requests.add(wanted, self._bias_done)

    def finish(self) -> None:
        """Ask the device to stop; the last items come until `finished`."""
        self._requests.clear()
        self._requests.add(_OFF, self._ignore)
        self._requests.add(Stop(), self._stopped_for_good)

    def to_send(self, now_ns: int) -> bytes:
        """What to send now; ask after every `receive`."""
        if (
            self.running
            and _strong(self._bias)
            and not self._requests
            and now_ns - self._bias_ns > REFRESH_NS
        ):
            self._requests.add(self._bias, self._bias_done)
        sent = self._requests.due(now_ns)
        if sent:
            self._bias_ns = now_ns
        return sent

    def receive(self, data: bytes, now_ns: int) -> list[Item]:
        """Items that `data` makes (empty: only time has passed).

        Raises OtherLoggerError when not this logger answers, DeviceError when nobody does; WorkError for
        another protocol version.
        """
        self._now_ns = now_ns
        self._heard_bytes += len(data)
        for frame in self._deframer.push(data):
            if frame.type == Kind.DATA:
                self._heard_ns = now_ns
                self._data.append(frame.payload)
            else:
                self._take_data()
                self._take_other(frame)
        self._take_data()
        self._watch()
        items, self._items = self._items, []
        return items

    def bytes_lost(self, reason: GapReason = GapReason.UNREAD) -> None:
        """Bytes that should follow here were lost in this computer."""
        self._deframer.bytes_lost()
        self.stream.hint(reason)

    def unplugged(self, now_ns: int) -> list[Item]:
        """The port is gone: call `plugged_in` once it is back, then `receive` again."""
        self._deframer.bytes_lost()
        first_notice = self.running
        self._replugged = True
        self._interrupt(GapReason.UNPLUGGED, now_ns)
        return [self.note(LOGGER_AWAY)] if first_notice else []

    def plugged_in(self, port: str, now_ns: int) -> None:
        """The port is open again, perhaps under another name."""
        self.port = port
        self._seek(now_ns)

    # What arrives.

    def _take_data(self) -> None:
        if self._data:
            self._items += self.stream.take(self._data, self._now_ns)
            self._data = []

    def _take_other(self, frame: Frame) -> None:
        if not frame.type & 0x80:
            self._echoes += 1
            return
        self._heard_ns = self._now_ns
        try:
            if frame.type == Kind.REPLY:
                self._requests.answer(Reply.parse(frame.payload))
            elif frame.type == Kind.HEARTBEAT:
                self._heartbeat(Heartbeat.parse(frame.payload))
            elif frame.type == Kind.HELLO:
                self._hello(frame.payload)
        except MalformedError:
            self.stream.counters.malformed += 1

    def _hello(self, payload: bytes) -> None:
        check_version(payload, self.port)
        boot_id = Identity.parse(payload).boot_id
        if self.running and self.identity is not None and boot_id == self.identity.boot_id:
            return  # an old one, repeated on the way
        self._interrupt(GapReason.RESTARTED, self._now_ns)

    def _heartbeat(self, beat: Heartbeat) -> None:
        if not self.running or self.identity is None or self._requests:
            return
        if beat.boot_id != self.identity.boot_id:
            self._interrupt(GapReason.RESTARTED, self._now_ns)
        elif not beat.running or beat.run != self._run:
            self.running = False
            self.stream.interrupt(GapReason.RESTARTED)
            self._ask_to_start()
        else:
            self._items += self.stream.confirm(beat.next, self._now_ns)

    def _watch(self) -> None:
        """Time-outs: silence while running, no answer while seeking, a command that gets lost."""
        now_ns = self._now_ns
        if self.running:
            if now_ns - self._heard_ns > SILENCE_NS:
                self._items.append(self.note(LOGGER_SILENT))
                self._interrupt(GapReason.UNPLUGGED, now_ns)
            elif (command := self._requests.overdue(now_ns)) is not None:
                self._items.append(self.note(f"no answer to {type(command).__name__.lower()}"))
        elif now_ns - self._seeking_ns > SEEK_NS and now_ns - self._heard_ns > SEEK_NS:
            raise DeviceError(self._why_no_answer())
        elif self._requests.overdue(now_ns) is not None:
            raise DeviceError(
                f"The logger on {self.port} stopped answering while it was being set up: unplug it, plug it "
                "in again and start anew."
            )

    def _why_no_answer(self) -> str:
        if self._heard_bytes == 0:
            return (
                f"Nothing answers on {self.port} at {self.baud} baud: check the port (whichside ports lists "
                "them), that the logger has its firmware, and its baud rate (115200, 500000 or 1000000)."
            )
        if self._echoes:
            return (
                f"{self.port} only repeats what is sent to it: it is not a whichside logger; choose another."
            )
        return (
            f"What answers on {self.port} is not a whichside logger, or not at {self.baud} baud: choose "
            "another port, or the logger's own baud rate (115200, 500000 or 1000000)."
        )

    # The steps of the conversation, in order.

    def _seek(self, now_ns: int) -> None:
        self.running = False
        self._bias = _OFF  # a strong one is never raised again by itself: the leads may be elsewhere
        self._bias_ns = self._now_ns = self._seeking_ns = self._heard_ns = now_ns
        self._heard_bytes = self._echoes = self._run = 0
        self._requests.clear()
        self._requests.add(Stop(), self._ignore)
        self._requests.add(Identify(), self._identified)

    def _interrupt(self, reason: GapReason, now_ns: int) -> None:
        self.stream.interrupt(reason)
        self._seek(now_ns)

    def _ignore(self, reply: Reply, sent_ns: int) -> None:
        """The answer itself says enough: from here on there is no data of an old run."""

    def _identified(self, reply: Reply, sent_ns: int) -> None:
        check_version(reply.result, self.port)
        identity = Identity.parse(reply.result)
        plan_start(self._rate_hz, identity, self.baud)
        bias = self._standing if identity.features & Feature.WHISPER else _OFF
        setup = Setup(self._requests, self.port, self._fresh_mark, self._set_up)
        setup.begin(identity, bias, self.known, self._replugged)
        self._bias = bias
        cause = str(identity.reset_cause.name or "UNKNOWN").lower().replace("_", " ")
        self._hello_note = f"hello boot={identity.boot_id} cause={cause}"

    def _set_up(self, known: Known) -> None:
        self.known, self._replugged = known, False
        self._items += [self.note(line) for line in (self._hello_note, known.supply_line()) if line]
        self._ask_to_start()

    def _ask_to_start(self) -> None:
        assert self.identity is not None
        plan: Start = plan_start(self._rate_hz, self.identity, self.baud)
        self._requests.add(plan, self._started)

    def _started(self, reply: Reply, sent_ns: int) -> None:
        if reply.status == Status.RUNNING:
            # The first start's reply was lost: its run cannot be trusted to begin here.
            self._requests.add(Stop(), self._stopped_first)
            return
        if reply.status != Status.DONE or self.known is None:
            raise DeviceError(f"The logger on {self.port} refuses to sample: unplug it and plug it in again.")
        started = Started.parse(reply.result)
        clock_hz = self.known.identity.clock_hz
        scale_for = partial(
            scale_of,
            self.known.calibration,
            run=started,
            clock_hz=clock_hz,
            supply_sum=self.known.supply_sum,
            code_bits=self.known.identity.code_bits,
        )
        layout = Layout(exact_rate_hz(started, clock_hz), scale_for((0, 0)))
        half_ns = (self._now_ns - sent_ns) // 2
        self._run, self.running = started.run, True
        self.stream.begin(Run(started.run, layout, scale_for, sent_ns + half_ns, half_ns * 1e-9))

    def _stopped_first(self, reply: Reply, sent_ns: int) -> None:
        self._ask_to_start()

    def _stopped_for_rate(self, reply: Reply, sent_ns: int) -> None:
        self.running = False
        self._items += self.stream.confirm(Stopped.parse(reply.result).pairs, self._now_ns)
        self.stream.interrupt(GapReason.RATE)
        self._ask_to_start()

    def _stopped_for_good(self, reply: Reply, sent_ns: int) -> None:
        stopped = Stopped.parse(reply.result)
        if stopped.run == self._run:
            self._items += self.stream.end(stopped.pairs, self._now_ns)
        self.running, self.finished = False, True

    def _bias_done(self, reply: Reply, sent_ns: int) -> None:
        if reply.status != Status.DONE:
            self._items.append(self.note("bias refused"))

    def note(self, value: str) -> Change:
        """Something about the device, as it stands in the log."""
        return Change(self.stream.next_sample, Origin.DEVICE, ChangeKind.DEVICE, value)


def _strong(bias: BiasState) -> bool:
    return bias.lead1 in _STRONG or bias.lead2 in _STRONG
