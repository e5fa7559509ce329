"""Pipeline: folds the ordered log into findings and snapshots. Pure: no clock, no files, no threads.

Push Block | Gap | Change in order; ask for `findings()` or `snapshot()` at any time; call `finish()` when
the log ends. The same log gives the same answer, however its blocks are cut.
"""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from daq.analysis import Analysis, Context, analyse
from daq.crossings import MICRO_LIMIT, UV, window_pairs
from daq.evidence import Mark
from daq.findings import Findings, GapFound
from daq.hazards import Hazards
from daq.samples import Block, Change, ChangeKind, Gap, Item, Layout, Scale
from daq.steady import Segmenter
from daq.stretches import Lost, Raw, Steady, Stretch, end_of, start_of

SPAN_V = (-7.97, 39.9)  # the front end's range; text files are held to it too


class Pipeline:
    """The analysis of one recording."""

    def __init__(self, expectation: str = "switching") -> None:
        self.expectation = expectation
        self._first: int | None = None
        self._next = 0
        self._layout: Layout | None = None
        self._segments: list[tuple[int, float, float]] = []  # first pair, its time, rate
        self._segmenter: Segmenter | None = None
        self._hazards: Hazards | None = None
        self._ac = False
        self._clipped = 0
        self._stretches: list[Stretch] = []
        self._gaps: list[GapFound] = []
        self._marks: list[Mark] = []
        self._plug = "unknown"

    # -- in ---------------------------------------------------------------------------------------------

    def push(self, item: Item) -> None:
        if isinstance(item, Block):
            self._push_block(item)
        elif isinstance(item, Gap):
            self._push_gap(item)
        else:
            self._push_change(item)

    def finish(self) -> None:
        """The log has ended: what is still open ends here."""
        if self._segmenter is not None:
            self._segmenter.finish()
            self._segmenter = None

    def _push_block(self, block: Block) -> None:
        if not len(block.counts):
            return
        if self._first is None:
            self._first = self._next = block.first
            self._segments.append((block.first, 0.0, block.layout.rate_hz))
        if self._layout is not None and block.layout.rate_hz != self._layout.rate_hz:
            self.finish()
            self._segments.append((block.first, self.seconds(block.first), block.layout.rate_hz))
        if self._segmenter is None:
            self._begin_segment(block.first, block.layout.rate_hz)
        self._layout = block.layout
        assert self._segmenter is not None
        assert self._hazards is not None
        micro = microvolts(block.counts, block.layout.scale)
        self._clipped += clipped_pairs(block, micro)
        self._hazards.push(micro)
        self._ac |= self._hazards.ac
        self._segmenter.push(micro)
        self._next = block.end

    def _begin_segment(self, first: int, rate_hz: float) -> None:
        self._segmenter = Segmenter(first, rate_hz, self._stretches.append, self._take_back)
        self._hazards = Hazards(window_pairs(rate_hz))

    def _push_gap(self, gap: Gap) -> None:
        if self._first is None:
            return  # nothing came before it: the recording starts after
        self.finish()
        at = self.seconds(gap.sample)
        rate = self._segments[-1][2]
        self._stretches.append(Lost(gap.sample, gap.seconds))
        self._segments.append((gap.sample, at + gap.seconds, rate))
        self._gaps.append(GapFound(at, gap.seconds, gap.uncertainty_s, gap.pairs, gap.reason.value))

    def _push_change(self, change: Change) -> None:
        if change.kind is ChangeKind.EXPECT:
            self.expectation = change.value
        elif change.kind is ChangeKind.PLUG:
            self._plug = change.value
        elif change.kind is ChangeKind.MARK:
            at = change.sample if change.at_s is None else self.pair_at(change.at_s)
            self._marks.append(Mark(at, change.value != "off"))
        elif change.kind is ChangeKind.CLEAR:
            self._clear()

    def _clear(self) -> None:
        self._stretches.clear()
        self._marks.clear()
        self._ac = False
        self._clipped = 0
        self.finish()
        self._stretches.clear()

    def _take_back(self, at: float) -> None:
        """A pulse train began at `at`: what was cut since then is part of it."""
        while self._stretches and start_of(self._stretches[-1]) >= at:
            self._stretches.pop()
        last = self._stretches[-1] if self._stretches else None
        if last is not None and not isinstance(last, Lost) and end_of(last) > at:
            last.end = int(at)
            if isinstance(last, Steady):
                last.raw = None

    # -- time -------------------------------------------------------------------------------------------

    def seconds(self, pair: float) -> float:
        """Seconds from the first sample, gaps included."""
        starts = [s[0] for s in self._segments]
        first, at, rate = self._segments[max(0, bisect_right(starts, pair) - 1)]
        return at + (pair - first) / rate

    def pair_at(self, seconds: float) -> float:
        """The (fractional) pair at a time; a time within a gap gives the pair after it."""
        if not self._segments:
            return 0.0
        times = [s[1] for s in self._segments]
        first, at, rate = self._segments[max(0, bisect_right(times, seconds) - 1)]
        return first + (seconds - at) * rate

    @property
    def duration_s(self) -> float:
        return self.seconds(self._next) if self._segments else 0.0

    # -- out --------------------------------------------------------------------------------------------

    def findings(self) -> Findings:
        rate = self._segments[0][2] if self._segments else 0.0
        a = self._analysis(rate)
        return Findings(
            sample_rate_hz=rate,
            duration_s=self.duration_s,
            reference_proven=False,
            source_v=a.source_v,
            judgement=a.judgement,
            initial_state=a.initial,
            edges=a.edges,
            pwm=a.pwm,
            pwm_note=a.pwm_note,
            feed_drop_v=a.feed_drop_v,
            ground_drop_v=a.ground_drop_v,
            load_kind=a.load,
            events=a.events,
            gaps=tuple(self._gaps),
            cautions=a.cautions,
        )

    def _analysis(self, rate: float) -> Analysis:
        context = Context(
            rate_hz=rate or 1.0,
            marks=tuple(self._marks),
            expectation=self.expectation,
            plug=self._plug,
            ac=self._ac,
            noise=self._hazards.noise if self._hazards else False,
            clipped=self._clipped > 0,
        )
        return analyse(self._stretches, context, self.seconds if self._segments else lambda pair: pair)


def microvolts(counts: np.ndarray[tuple[int, ...], np.dtype[np.int32]], scale: Scale) -> Raw:
    """(n, 2) integer microvolts of counts, held within ±1 kV."""
    volts = scale.volts(counts)
    return np.clip(np.rint(volts * UV), -MICRO_LIMIT, MICRO_LIMIT).astype(np.int32)


def clipped_pairs(block: Block, micro: Raw) -> int:
    """Pairs with a lead at the end of the converter's range, or of the front end's."""
    low, high = SPAN_V
    beyond = (micro <= low * UV) | (micro >= high * UV)
    scale = block.layout.scale
    if scale.lowest is not None:
        beyond |= block.counts <= np.asarray(scale.lowest)
    if scale.highest is not None:
        beyond |= block.counts >= np.asarray(scale.highest)
    return int(beyond.any(axis=1).sum())
