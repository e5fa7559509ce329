"""A conversation with a logger step by step, for work that is no measurement: calibrating.

One command, one answer; nothing runs in between. `LoggerLink` is the one that measures.
"""

from __future__ import annotations

import time
from types import TracebackType
from typing import Self

import numpy as np

from daq.errors import DeviceError, WorkError
from daq.framing import Deframer, Frame, Kind
from daq.logger_link import FAREWELL
from daq.logger_setup import check_version
from daq.logger_source import READ_S, Connection, Connector, LineLostError
from daq.messages import Command, Identify, Reply, Start, Status, Stop, Supply
from daq.pairs import DataFrame, MalformedError
from daq.requests import Requests
from daq.results import Identity, Started, SupplySum
from daq.samples import Counts

SILENCE_S = 3.0
SUMS_HZ = 62.5
IN_A_SUM = 64
"""A sum that fills 16 bits is 64 counts of 1024 to the span, be it of 64 codes of 10 bits or 16 of 12."""


class LoggerTalk:
    """Use it as a context.

    Raises DeviceError when nobody answers or the line is lost, WorkError for other firmware.

    `identity` is known from the start; the logger is stopped then.
    """

    def __init__(self, connector: Connector) -> None:
        self.port = connector.port
        self._connection: Connection = connector.connect()
        self._deframer = Deframer()
        self._requests = Requests()
        self._data: list[DataFrame] = []
        self._heard_bytes = 0
        try:
            self.ask(Stop())
            self.identity = self._identified(self.ask(Identify())[1])
        except BaseException:
            self.close()
            raise

    def _identified(self, result: bytes) -> Identity:
        check_version(result, self.port)
        try:
            return Identity.parse(result)
        except MalformedError as error:
            raise DeviceError(
                f"What answers on {self.port} is no whichside logger: choose another port."
            ) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Bias off, stop, and hang up; idempotent."""
        try:
            self._connection.write(FAREWELL)
        except LineLostError:
            pass
        finally:
            self._connection.close()

    def ask(self, command: Command) -> tuple[int, bytes]:
        """Status and result of one command, sent until it is answered."""
        answers: list[Reply] = []
        self._requests.clear()
        self._requests.add(command, lambda reply, _: answers.append(reply))
        while not answers:
            self._exchange(self._requests.due(time.perf_counter_ns()))
            if self._requests.overdue(time.perf_counter_ns()) is not None:
                raise DeviceError(self._why_no_answer())
        return answers[0].status, answers[0].result

    def _why_no_answer(self) -> str:
        who = "What is" if self._heard_bytes else "Nothing answers"
        what = " does not answer as a whichside logger" if self._heard_bytes else ""
        return (
            f"{who} on {self.port}{what}: check the port (whichside ports lists them), its baud rate, and "
            "that the logger has its firmware."
        )

    def must(self, command: Command) -> bytes:
        """The result of a command that there is no reason to refuse."""
        status, result = self.ask(command)
        if status != Status.DONE:
            raise WorkError(
                f"The logger on {self.port} refuses ({type(command).__name__}, status "
                f"{status}): unplug it, plug it "
                "in again and start anew."
            )
        return result

    def supply_sum(self) -> int:
        """The bandgap's sum against the supply; 0 when the logger cannot tell."""
        status, result = self.ask(Supply())
        return SupplySum.parse(result).sum if status == Status.DONE else 0

    def sums(self, pairs: int) -> tuple[tuple[int, int], Counts]:
        """(range ids, (pairs, 2) sums of IN_A_SUM counts); WorkError when a range switch was moved."""
        self._data = []
        shift = self.identity.most_sum_shift
        interval = round(self.identity.clock_hz / SUMS_HZ) >> (shift + 1)
        started = Started.parse(self.must(Start(interval, shift, 3)))
        heard = time.monotonic()
        while sum(len(frame.counts) for frame in self._data) < pairs:
            before = len(self._data)
            self._exchange(b"")
            self._data = [frame for frame in self._data if frame.run == started.run]
            if len(self._data) > before:
                heard = time.monotonic()
            elif time.monotonic() - heard > SILENCE_S:
                raise DeviceError(f"The logger on {self.port} fell silent: plug it in again and start anew.")
        self.must(Stop())
        frames = [frame for frame in self._data if frame.run == started.run]
        ranges = {frame.ranges for frame in frames}
        if len(ranges) != 1:
            raise WorkError("A range switch was moved while it was measured: leave both and start anew.")
        return ranges.pop(), np.concatenate([frame.counts for frame in frames])[:pairs]

    def _exchange(self, to_send: bytes) -> None:
        try:
            if to_send:
                self._connection.write(to_send)
            arrival = self._connection.read(READ_S)
        except LineLostError as error:
            raise DeviceError(f"{self.port} went away: plug the logger in again and start anew.") from error
        if arrival is not None:
            self._heard_bytes += len(arrival.data)
            for frame in self._deframer.push(arrival.data):
                self._take(frame)

    def _take(self, frame: Frame) -> None:
        try:
            if frame.type == Kind.REPLY:
                self._requests.answer(Reply.parse(frame.payload))
            elif frame.type == Kind.DATA:
                self._data.append(DataFrame.parse(frame.payload))
        except MalformedError:
            pass  # as good as lost: what is missing is asked again, or not counted
