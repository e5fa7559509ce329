"""Details: everything known, in full sentences, on a page that scrolls; at a recording's end its findings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static
from textual.worker import get_current_worker

from daq import event_lines, words
from daq.cautions import TEXT as CAUTION_TEXT
from daq.events import REGISTRY
from daq.explain import reasoned
from daq.explain_words import could_be
from daq.findings import Findings, Judgement
from daq.samples import DeviceInfo
from daq.session import Noted
from daq.snapshot import Snapshot

_LISTED = 40  # edges and events of a long recording; the report and --json have them all

Fact = tuple[str, str]  # heading and text; the heading is empty on following lines


def facts(
    device: DeviceInfo, snapshot: Snapshot, findings: Findings | None, notes: Sequence[Noted] = ()
) -> Iterator[Fact]:
    """The facts of the moment, or of the whole recording where `findings` is given; without the verdict."""
    why_not = "the lead check FAILED" if snapshot.lead_check.refuted else "the lead check was not passed"
    yield "reference", "proven" if snapshot.reference_proven else f"not proven: {why_not}"
    for result in snapshot.lead_check.results:
        yield "lead check", result
    yield "source", words.source(snapshot).removeprefix("source ")
    for number, view in enumerate(snapshot.leads, start=1):
        yield "", words.lead(number, view)
    load = words.load(snapshot).removeprefix("load").lstrip(": ")
    yield "load", f"{load}; kind: {snapshot.load_kind.value}"
    yield "told", f"{words.plug(snapshot.plug)}; {words.expected(snapshot)}"
    yield "bias", words.bias(snapshot)
    if findings is not None:
        yield from _whole(findings)
    edges = findings.edges if findings else snapshot.edges
    yield from _listed("edges", [words.edge(edge) for edge in edges], snapshot.edge_count)
    events = findings.events if findings else snapshot.events
    yield from _listed("events", [words.event(event) for event in events], snapshot.event_count)
    for kind in dict.fromkeys(event.kind for event in events):
        yield "", f"{kind.value}: {REGISTRY[kind].sentence}"
    for line in event_lines.all_lines(findings.summary if findings else snapshot.summary):
        yield "", line
    for note in notes:
        yield "note", note.text if note.at_s is None else f"{words.moment(note.at_s)}  {note.text}"
    yield "losses", words.losses(snapshot.losses)
    for caution in snapshot.cautions:
        yield "caution", CAUTION_TEXT.get(caution, caution)
    yield from _device(device, snapshot)


def verdict(judgement: Judgement, waits: bool = False) -> Iterator[Fact]:
    """The verdict and what goes with it; `waits`: what it could be is still being worked out."""
    sure = words.sureness(judgement)
    side = f"{words.SIDE[judgement.side].upper()} ({words.MEANING[judgement.side]})"
    yield "verdict", "; ".join(part for part in (side, words.roles(judgement), sure) if part)
    yield "why", judgement.why
    tests = judgement.next_test.and_otherwise if judgement.next_test is not None else ()
    for test in tests:
        yield "next test", test.do
        for meaning in test.splits.split("; ") if test.splits else ():
            yield "", meaning
        if test.caution:
            yield "", f"CAUTION: {test.caution}"
    if waits:
        yield "could be", "being worked out"
    for n, line in enumerate(could_be(judgement)):
        yield "" if n else "could be", line


def _whole(findings: Findings) -> Iterator[Fact]:
    yield "recorded", f"{words.duration(findings.duration_s)} at {words.rate(findings.sample_rate_hz)}"
    yield "at first", f"load {findings.initial_state.value}"
    if findings.pwm is not None:
        yield "pulses", words.pulses(findings.pwm)
    if findings.pwm_note:
        yield "pulses", findings.pwm_note
    drops = (("feed side", findings.feed_drop_v), ("ground side", findings.ground_drop_v))
    measured = [f"{side} {words.volts(drop)}" for side, drop in drops if drop is not None]
    if measured:
        yield "drops", f"{', '.join(measured)}, while on"


def _listed(noun: str, texts: list[str], count: int) -> Iterator[Fact]:
    yield noun, str(count)
    for text in texts[-_LISTED:]:
        yield "", text


def _device(device: DeviceInfo, snapshot: Snapshot) -> Iterator[Fact]:
    named = {"serial number": device.serial_number, "firmware": device.firmware, "port": device.port}
    known = [device.name, *(f"{what} {value}" for what, value in named.items() if value)]
    yield "device", ", ".join([*known, words.rate(snapshot.rate_hz)])
    for name, value in device.details.items():
        yield "", f"{name}: {value}"


class DetailsScreen(ModalScreen[None]):
    """Shows the facts of the moment it was opened at; what it could be is added once it is worked out."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,d,q,enter", "dismiss", "back", show=False)]

    def __init__(
        self,
        device: DeviceInfo,
        snapshot: Snapshot,
        findings: Findings | None,
        notes: Sequence[Noted] = (),
    ) -> None:
        super().__init__()
        self._title = "FINDINGS" if findings else f"DETAILS at {words.moment(snapshot.time_s)}"
        self._judgement = findings.judgement if findings else snapshot.judgement
        self._look = findings.look if findings else snapshot.look
        self._facts = list(facts(device, snapshot, findings, notes))

    def compose(self) -> ComposeResult:
        with VerticalScroll(classes="page"):
            yield Static(Content.assemble((self._title, "bold"), "  (arrows scroll, Esc goes back)"))
            with Vertical(id="judged", classes="facts"):
                for heading, text in self.judged():
                    yield FactRow(heading, text)
            for heading, text in self._facts:
                yield FactRow(heading, text)

    def judged(self) -> Iterator[Fact]:
        """What stands above the facts at first."""
        return verdict(self._judgement, waits=self._look is not None)

    def on_mount(self) -> None:
        if self._look is not None:
            self.run_worker(self._explain, thread=True)

    def _explain(self) -> None:
        """On a thread of its own: it takes some tenths of a second, in which nothing may stand still."""
        judgement = reasoned(self._judgement, self._look)
        if not get_current_worker().is_cancelled:
            self.app.call_from_thread(self.call_later, self._show, judgement)

    async def _show(self, judgement: Judgement) -> None:
        if not self.is_attached:
            return
        rows = [FactRow(heading, text) for heading, text in verdict(judgement)]
        judged = self.query_one("#judged", Vertical)
        async with self.batch():
            await judged.remove_children()
            await judged.mount(*rows)


class FactRow(Horizontal):
    """One fact: the heading in a column of its own, the text wrapped beside it."""

    def __init__(self, heading: str, text: str) -> None:
        super().__init__(classes="fact")
        self._heading, self._text = heading, words.printable(text, 2000)

    def compose(self) -> ComposeResult:
        yield Static(self._heading, markup=False, classes="fact-heading")
        yield Static(self._text, markup=False, classes="fact-text")
