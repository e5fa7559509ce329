"""From data frames to Block | Gap | Change with dense indices. Pure.

Every data frame says where it belongs: its run and the index of its first pair in that run. What is missing
before it is therefore known exactly and becomes a Gap; what was there already (doubled or late frames) is
dropped and counted. Nothing is ever interpolated.

A frame that leaps further ahead than a few seconds is believed only when the next frame, a
heartbeat or the end of the run agrees with it: a 16-bit CRC lets one damaged frame in 65 000 pass, and an
index believed wrongly would make every later frame look late.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from daq.pairs import HEAD, MISSED, OVERFLOW, SUMS, Head, MalformedError, bias_pair, read_head, unpack_pairs
from daq.samples import (
    Bias,
    Block,
    BlockFlag,
    Change,
    ChangeKind,
    Gap,
    GapReason,
    Item,
    Layout,
    Origin,
    Scale,
)

LEAP_S = 4.0
"""A jump ahead over this much time waits for a second opinion."""

STAMP_ERROR_S = 0.03
"""Standard uncertainty of when bytes arrived (USB adapters hand over every 1 to 16 ms), s."""

_WRAP, _HALF = 1 << 32, 1 << 31


@dataclass(slots=True)
class Counters:
    """What went wrong on the way, since the source was opened."""

    pairs: int = 0  # received
    lost_pairs: int = 0  # counted by the device and not received
    stale: int = 0  # data frames dropped as doubled or late
    malformed: int = 0  # frames with a right CRC and impossible content


@dataclass(frozen=True, slots=True)
class Run:
    """A run that the device confirmed: its number, and when its first pair was taken."""

    number: int
    layout: Layout  # without bias and ranges
    scale_for: Callable[[tuple[int, int]], Scale]  # by range ids
    start_ns: int  # host clock
    start_error_s: float

    def layout_of(self, head: Head) -> Layout:
        ranges = (head.ranges & 15, head.ranges >> 4)
        return replace(
            self.layout, scale=self.scale_for(ranges), bias=bias_pair(head.flags >> 4), ranges=ranges
        )


class PairStream:
    """Begin a run, `take` its data frames as they arrive; `next_sample` is the next dense index."""

    def __init__(self) -> None:
        self.counters = Counters()
        self.next_sample = 0
        self.layout: Layout | None = None  # of the last block
        self._run: Run | None = None
        self._expected = 0  # index in the run of the next pair, not wrapped
        self._held: tuple[Head, bytes] | None = None
        self._broken: GapReason | None = None
        self._hint: GapReason | None = None
        self._last_ns: int | None = None  # arrival of the last pairs
        self._bias = (Bias.OFF, Bias.OFF)
        self._batch: list[bytes] = []
        self._batch_head: Head | None = None
        self._layouts: dict[tuple[int, int], Layout] = {}
        self._items: list[Item] = []

    def begin(self, run: Run) -> None:
        """What arrives from here on belongs to `run`."""
        self._drop_held()
        self._run, self._expected = run, 0
        self._layouts.clear()

    def interrupt(self, reason: GapReason) -> None:
        """The run is over. The next pairs come after a gap measured by the host's clock."""
        self._run = None
        self._drop_held()
        # The first reason is the cause of what follows it: a cable pulled also restarts the logger.
        if self._last_ns is not None and self._broken is None:
            self._broken = reason

    def hint(self, reason: GapReason) -> None:
        """If pairs turn out to be missing next, this is why."""
        self._hint = reason

    def take(self, payloads: Sequence[bytes], arrival_ns: int) -> list[Item]:
        """The items that these data frames, in their order of arrival, make."""
        for payload in payloads:
            try:
                self._offer(read_head(payload), payload)
            except MalformedError:
                self.counters.malformed += 1
        return self._give(arrival_ns)

    def confirm(self, next_index: int, arrival_ns: int) -> list[Item]:
        """The device says that it has sent all pairs below `next_index` (u32) or lost them."""
        if self._held is not None:
            head, payload = self._held
            beyond = (next_index - head.first - head.pairs) % _WRAP
            if beyond < _HALF:
                self._held = None
                self._accept(head, payload)
        return self._give(arrival_ns)

    def end(self, pairs: int, arrival_ns: int) -> list[Item]:
        """The run is over after `pairs` (u32): what is missing at its end is a gap too."""
        items = self.confirm(pairs, arrival_ns)
        run, lost = self._run, (pairs - self._expected) % _WRAP
        if run is not None and self._broken is None and 0 < lost < _HALF:
            items.append(self._exact_gap(lost, run, self._hint or GapReason.DAMAGED))
        self.interrupt(GapReason.RATE)
        return items

    def _give(self, arrival_ns: int) -> list[Item]:
        self._flush()
        items, self._items = self._items, []
        if any(isinstance(item, Block) for item in items):
            self._last_ns = arrival_ns
        return items

    def _offer(self, head: Head, payload: bytes) -> None:
        """Sort out what is late, doubled or leaps ahead; accept the rest."""
        run = self._run
        if run is None:
            return
        ahead = (head.first - self._expected) % _WRAP
        if head.run != run.number or ahead >= _HALF:
            self.counters.stale += 1
            return
        leap = int(LEAP_S * run.layout.rate_hz)
        if ahead > leap:
            held = self._held
            if held is None or (head.first - held[0].first - held[0].pairs) % _WRAP > leap:
                self._drop_held()
                self._held = (head, payload)
                return
            self._held = None
            self._accept(*held)
        self._drop_held()
        self._accept(head, payload)

    def _drop_held(self) -> None:
        if self._held is not None:
            self._held = None
            self.counters.stale += 1

    def _accept(self, head: Head, payload: bytes) -> None:
        run = self._run
        assert run is not None
        lost = (head.first - self._expected) % _WRAP
        if lost or self._broken is not None:
            self._flush()
            self._items.append(self._gap(head, lost, run))
            self._expected += lost
        elif self._batch_head is not None and head.layout_key != self._batch_head.layout_key:
            self._flush()
        if not self._batch:
            self._batch_head = head
            self._note_bias(head)
        self._hint = None
        self._batch.append(payload)
        self._expected += head.pairs

    def _gap(self, head: Head, lost: int, run: Run) -> Gap:
        reason, self._broken = self._broken, None
        if reason is None or self._last_ns is None:
            told = GapReason.OVERFLOW if head.flags & OVERFLOW else GapReason.DAMAGED
            return self._exact_gap(lost, run, self._hint or told)
        seconds = (run.start_ns - self._last_ns) * 1e-9 + lost / run.layout.rate_hz
        error = STAMP_ERROR_S + run.start_error_s
        return Gap(self.next_sample, max(0.0, seconds), error, None, reason)

    def _exact_gap(self, lost: int, run: Run, reason: GapReason) -> Gap:
        self.counters.lost_pairs += lost
        return Gap(self.next_sample, lost / run.layout.rate_hz, 0.0, lost, reason)

    def _note_bias(self, head: Head) -> None:
        bias = bias_pair(head.flags >> 4)
        if bias != self._bias:
            self._bias = bias
            value = f"{bias[0].name} {bias[1].name}".lower()
            self._items.append(Change(self.next_sample, Origin.DEVICE, ChangeKind.BIAS, value))

    def _flush(self) -> None:
        """The frames gathered become one block."""
        head, run = self._batch_head, self._run
        if head is None or run is None:
            return
        key = (head.flags >> 4, head.ranges)
        layout = self._layouts.get(key) or self._layouts.setdefault(key, run.layout_of(head))
        counts = unpack_pairs(b"".join([payload[HEAD.size :] for payload in self._batch]), head.flags & SUMS)
        flags = BlockFlag.NONE
        if head.flags & MISSED:
            flags |= BlockFlag.MISSED_TRIGGER
        if head.flags & OVERFLOW:
            flags |= BlockFlag.OVERFLOW
        self._items.append(Block(self.next_sample, counts, layout, flags))
        self.layout = layout
        self.next_sample += len(counts)
        self.counters.pairs += len(counts)
        self._batch, self._batch_head = [], None
