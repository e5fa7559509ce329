"""Pipeline: folds the ordered log into findings and snapshots. Pure: no clock, no files, no threads.

Push Block | Gap | Change in order; ask for `findings()` or `snapshot()` at any time; call `finish()` when
the log ends. The same log gives the same answer, however its blocks are cut.
"""

from __future__ import annotations

from daq.analysis import Analysis, Context, conclude
from daq.chapters import Chapters
from daq.crossings import window_pairs
from daq.event_counts import Counted, Labelled, count_events, label_of
from daq.event_summary import weigh
from daq.events import Span
from daq.evidence import Mark, Told
from daq.findings import EventSummary, Findings, GapFound
from daq.floating import Whispers
from daq.hazards import Hazards
from daq.lead_check import FAILED, NOT_DONE, SEAT, LeadCheck, failed_earlier
from daq.live_view import Moment, Readout, bands_of, held_views, lead_views, look_at, moment_of
from daq.microvolts import clipped_pairs, microvolts
from daq.samples import BASELINE, Bias, Block, Change, ChangeKind, Gap, Item, Layout, Origin
from daq.seen import NO_BIAS
from daq.snapshot import LeadCheckView, LeadView, Snapshot, losses_of
from daq.steady import Segmenter
from daq.stretches import Lost, Raw, Stretch
from daq.timeline import Timeline
from daq.unplugged import Unplugged
from daq.waiting_blocks import WaitingBlocks

SHOWN = 100  # edges and events in a snapshot


class Pipeline:
    """The analysis of one recording."""

    def __init__(self, expectation: str = "switching") -> None:
        self.expectation = expectation
        self._waiting = WaitingBlocks()
        self._next = 0
        self._layout: Layout | None = None
        self._time = Timeline()
        self._segmenter: Segmenter | None = None
        self._chapters = Chapters()
        self._chapters.told = Told(steady_expected=expectation == "steady")
        self._hazards: Hazards | None = None
        self._clipped = 0
        self._gaps: list[GapFound] = []
        self._marks: list[Mark] = []
        self._labels: list[Labelled] = []  # everything the user marked, in the order of the log
        self._cleared_s = 0.0  # from when on events are known
        self._counted: tuple[tuple[tuple[Span, ...], int], Counted] | None = None
        self._baseline: float | None = None
        self._whispers = Whispers()
        self._plug = "unknown"
        self._control: str | None = None  # as the user marked it last
        self._unplugged = Unplugged()
        self._check: LeadCheck | None = None
        self._checking = False
        self._readout = Readout(1)
        self._conclusion: tuple[tuple[object, ...], Analysis] | None = None
        self._version = 0
        self._last_moment: Moment | None = None  # once the log has ended

    # -- in ---------------------------------------------------------------------------------------------

    def push(self, item: Item) -> None:
        """Take the next item of the log."""
        if isinstance(item, Block):
            if len(item.counts):
                self._gather(item)
            return
        self._catch_up()
        if isinstance(item, Gap):
            self._push_gap(item)
        else:
            self._push_change(item)

    def expect(self, expectation: str) -> None:
        """Analyse with another expectation than the recording says."""
        if expectation != self.expectation:
            self._catch_up()
            self._push_change(Change(self._next, Origin.USER, ChangeKind.EXPECT, expectation))

    def finish(self) -> None:
        """The log has ended: what is still open ends here."""
        self._catch_up()
        self._last_moment = moment_of(self._segmenter)
        self._end_segment()

    def _gather(self, block: Block) -> None:
        if not self._waiting.fits(block):
            self._catch_up()
        self._waiting.add(block)
        if self._waiting.full:
            self._catch_up()

    def _catch_up(self) -> None:
        """Analyse everything that was pushed."""
        block = self._waiting.take()
        if block is not None:
            self._push_block(block)

    def _push_block(self, block: Block) -> None:
        rate = block.layout.rate_hz
        if not self._time:
            self._time.begin(block.first, rate)
        elif self._layout is not None and rate != self._layout.rate_hz:
            self._end_segment()
            self._time.begin(block.first, rate)
        self._follow_bias(block)
        self._layout = block.layout
        micro = microvolts(block.counts, block.layout.scale)
        if self._aside:
            self._readout.push(micro)
            if not self._checking:
                self._unplugged.push(micro, rate, block.layout.scale)
        else:
            self._measure(block, micro)
        if self._check is not None:
            self._check.push(micro, Bias.WHISPER in block.layout.bias, self._checking)
        self._next = block.end

    def _follow_bias(self, block: Block) -> None:
        if self._layout is None or block.layout.bias != self._layout.bias:
            self._whispers = self._whispers.then(block.first, Bias.WHISPER in block.layout.bias)
            self._unplugged.begin(self._control, block.layout.bias)
            self._tell()

    def _measure(self, block: Block, micro: Raw) -> None:
        if self._segmenter is None:
            rate = block.layout.rate_hz
            self._chapters.rate_hz = rate
            self._hazards = Hazards(window_pairs(rate), block.first, self._hazards)
            taken_back, seen = self._chapters.take_back, self._hazards.push
            self._segmenter = Segmenter(block.first, rate, self._emit, taken_back, seen)
        self._clipped += clipped_pairs(block, micro)
        self._segmenter.push(micro)

    def _emit(self, stretch: Stretch) -> None:
        self._chapters.emit(stretch)
        self._version += 1

    def _end_segment(self) -> None:
        if self._segmenter is not None:
            self._segmenter.finish()
            self._segmenter = None
            self._version += 1

    def _push_gap(self, gap: Gap) -> None:
        if not self._time:
            return  # nothing came before it: the recording starts after
        self._end_segment()
        at = self._time.end(gap.sample)
        assert self._layout is not None
        self._chapters.emit(Lost(gap.sample, gap.seconds))
        self._time.begin(gap.sample, self._layout.rate_hz, gap.seconds)
        self._gaps.append(GapFound(at, gap.seconds, gap.uncertainty_s, gap.pairs, gap.reason.value))

    def _push_change(self, change: Change) -> None:
        kind, value = change.kind, change.value
        if kind is ChangeKind.EXPECT:
            self.expectation = value
        elif kind is ChangeKind.SETTING and value == BASELINE:
            self._baseline = float(change.sample)
        elif kind is ChangeKind.LEAD_CHECK:
            self._change_lead_check(value)
        if label := label_of(change):
            at_s = self._time.seconds(change.sample) if change.at_s is None else change.at_s
            self._labels.append(Labelled(at_s, label))
        if kind in (ChangeKind.PLUG, ChangeKind.MARK, ChangeKind.CLEAR):
            if self._checking and self._check is not None and self._check.step == SEAT:
                self._checking = False
            if kind is ChangeKind.PLUG:
                self._change_plug(value)
            elif kind is ChangeKind.MARK:
                at = change.sample if change.at_s is None else self._time.pair_at(change.at_s)
                self._control = value
                self._begin_held()
                self._marks.append(Mark(at, value != "off", value == "other"))
            else:
                self._clear()
        self._tell()

    def _tell(self) -> None:
        """What is known beside the samples has changed."""
        told = Told(tuple(self._marks), self.expectation == "steady", self._whispers)
        self._chapters.told = told
        self._version += 1

    @property
    def _aside(self) -> bool:
        """Readings are shown but are no evidence: leads being proven, or the load's connector apart."""
        return self._checking or self._plug == "out"

    def _set_aside(self) -> None:
        """What follows is not joined to what came before."""
        self._end_segment()
        self._chapters.emit(Lost(self._next, 0.0))
        rate = self._layout.rate_hz if self._layout is not None else 4000.0
        self._readout = Readout(window_pairs(rate))

    def _change_plug(self, value: str) -> None:
        if value == "out" and not self._aside:
            self._set_aside()
        self._plug = value
        self._begin_held()

    def _begin_held(self) -> None:
        bias = self._layout.bias if self._layout is not None else NO_BIAS
        self._unplugged.begin(self._control, bias)

    def _change_lead_check(self, value: str) -> None:
        if value == "start":
            self._set_aside()
            before = self._check_failed
            self._check, self._checking = LeadCheck(self._readout.window, failed_before=before), True
        elif value == "skip" and self._check is not None:
            self._check.skip()
        elif value == "wiggled" and self._check is not None:
            self._check.wiggled()
        elif value == FAILED:
            self._check, self._checking = failed_earlier(self._readout.window), False
        elif value == "stop":
            self._checking = False

    def _clear(self) -> None:
        """Forget the evidence; the lead check and the recording's time stay."""
        self._end_segment()
        rate = self._chapters.rate_hz
        self._chapters = Chapters()
        self._chapters.rate_hz = rate
        self._marks.clear()
        self._control = None
        self._unplugged = Unplugged()
        self._labels.clear()
        self._counted = None
        self._cleared_s = self._duration_s
        self._baseline = None
        self._hazards = None
        self._clipped = 0

    # -- out --------------------------------------------------------------------------------------------

    @property
    def _duration_s(self) -> float:
        return self._time.seconds(self._next) if self._time else 0.0

    @property
    def _reference_proven(self) -> bool:
        return self._check is not None and self._check.passed is True

    @property
    def _check_failed(self) -> bool:
        return self._check is not None and self._check.refuted

    def findings(self) -> Findings:
        """Everything that the recording so far says."""
        self._catch_up()
        a = self._analysis(whole=True)
        return Findings(
            sample_rate_hz=self._time.first_rate_hz,
            duration_s=self._duration_s,
            reference_proven=self._reference_proven and "reference_lost" not in a.cautions,
            source_v=a.source_v,
            judgement=a.judgement,
            initial_state=a.initial,
            edges=a.edges(self._time.seconds),
            pwm=a.pwm,
            pwm_note=a.pwm_note,
            feed_drop_v=a.feed_drop_v,
            ground_drop_v=a.ground_drop_v,
            load_kind=a.load,
            events=a.events(self._time.seconds),
            gaps=tuple(self._gaps),
            cautions=a.cautions,
            summary=self._summary(a),
            look=a.look,
        )

    def snapshot(self) -> Snapshot:
        """The picture of this moment; what is still open counts as far as it has come."""
        self._catch_up()
        a = self._analysis()
        bands = bands_of(a.source_v)
        scale = self._layout.scale if self._layout is not None else None
        return Snapshot(
            samples=self._next,
            time_s=self._duration_s,
            rate_hz=self._layout.rate_hz if self._layout is not None else 0.0,
            leads=self._views(a),
            bands=bands,
            load=a.now,
            pulsed=self._segmenter is not None and self._segmenter.in_train,
            source_v=a.source_v,
            source_uncertainty_v=None
            if a.source_v is None or scale is None
            else scale.uncertainty_v(0, a.source_v),
            source_origin=self._source_origin(a),
            judgement=a.judgement,
            reference_proven=self._reference_proven and "reference_lost" not in a.cautions,
            edge_count=len(a.turns),
            edges=a.edges(self._time.seconds, SHOWN),
            event_count=len(a.spans),
            events=a.events(self._time.seconds, SHOWN),
            pwm=a.pwm,
            load_kind=a.load,
            lead_check=self._lead_check_view(),
            plug=self._plug,
            expectation=self.expectation,
            bias=self._layout.bias if self._layout is not None else (Bias.OFF, Bias.OFF),
            losses=losses_of(self._gaps),
            cautions=a.cautions,
            summary=self._summary(a),
            baseline_s=None if self._baseline is None else self._time.seconds(self._baseline),
            look=a.look,
        )

    def _summary(self, a: Analysis) -> EventSummary:
        """Counted anew only when an event or a mark has come, or another name for an event."""
        key = (a.spans, len(self._labels))
        if self._counted is None or self._counted[0] != key:
            self._counted = (key, count_events(a.events(self._time.seconds), self._labels))
        return weigh(self._counted[1], self._duration_s - self._cleared_s)

    def _views(self, a: Analysis) -> tuple[LeadView, LeadView]:
        scale = self._layout.scale if self._layout is not None else None
        bands = bands_of(a.source_v)
        if self._aside and self._readout.volts is not None:
            return held_views(self._readout.volts, scale, bands, self._whispering)
        return lead_views(self._last_moment or moment_of(self._segmenter), scale, bands, a.floats_now)

    @property
    def _whispering(self) -> bool:
        return self._layout is not None and Bias.WHISPER in self._layout.bias

    def _source_origin(self, a: Analysis) -> str:
        if self._check is not None and self._check.source_v is not None:
            return "lead check"
        if a.source_v is None:
            return "not seen"
        return "seen at rest" if a.source_resting else "seen while on"

    def _lead_check_view(self) -> LeadCheckView:
        return NOT_DONE if self._check is None else self._check.view(self._checking)

    def _analysis(self, whole: bool = False) -> Analysis:
        """Concluded anew only when something that matters has changed.

        `whole` looks at all stretches of the chapter together; a live picture does not. Once the log has
        ended every answer is of the whole.
        """
        whole |= self._last_moment is not None
        spans = () if self._segmenter is None else self._segmenter.open_spans()
        hazards, rate_hz = self._hazards, self._chapters.rate_hz
        ac, noise = hazards is not None and hazards.ac, hazards is not None and hazards.noise
        swings = hazards is not None and hazards.swings
        unresolved = () if hazards is None else hazards.unresolved.spans
        ends = tuple(end if whole else look_at(start, end, rate_hz) for start, end in spans)
        checked_v = self._check.source_v if self._check is not None else None
        known = (
            self.expectation,
            self._reference_proven,
            self._check_failed,
            checked_v,
            self._unplugged.readings,
        )
        key = (self._version, ends, ac, swings, unresolved, noise, self._clipped > 0, known, whole)
        if self._conclusion is None or self._conclusion[0] != key:
            context = Context(
                rate_hz=rate_hz,
                expectation=self.expectation,
                reference_proven=self._reference_proven,
                check_failed=self._check_failed,
                checked_source_v=checked_v,
                whispered=self._whispers.ever,
                ac=ac,
                swings=swings,
                unresolved=unresolved,
                noise=noise,
                clipped=self._clipped > 0,
                skew_s=self._layout.scale.skew_s if self._layout is not None else (0.0, 0.0),
                marks=tuple(self._marks),
                baseline=self._baseline,
                held=self._unplugged.readings,
                scale=self._layout.scale if self._layout is not None else None,
            )
            open_now = () if self._segmenter is None else self._segmenter.still_open()
            chapters = self._chapters
            material = chapters.material(open_now) if whole else chapters.picture(open_now)
            self._conclusion = (key, conclude(material, context))
        return self._conclusion[1]
