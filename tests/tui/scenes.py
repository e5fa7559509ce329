"""Frozen scenes for the screens: snapshots, sources and pipelines that do as they are told."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np

from daq.findings import (
    Edge,
    Event,
    EventKind,
    Findings,
    Judgement,
    LoadKind,
    LoadState,
    NextTest,
    Side,
)
from daq.samples import Bias, Block, Change, ChangeKind, DeviceInfo, Item, Layout, Scale
from daq.snapshot import Bands, LeadCheckView, LeadView, Losses, Snapshot, StateWord
from daq.source import Capability, Command, SetBias

RATE_HZ = 4000.0
SCALE = Scale(volts_per_count=(0.0469, 0.0469), offset_v=(-8.0, -8.0))
LAYOUT = Layout(RATE_HZ, SCALE)

NOT_YET = Judgement(
    side=Side.UNDETERMINED,
    control_lead=None,
    feed_lead=None,
    ground_lead=None,
    confidence=0.0,
    why="Nothing was switched so far: both leads stay where they are.",
    next_test=NextTest(
        "Switch the load on and off a few times, holding each for a second.",
        splits="The lead that moves is the control wire: down to zero is ground side, up to source is "
        "positive side.",
        caution="Keep clear of anything the load can move.",
    ),
)

GROUND_SIDE = Judgement(
    side=Side.LOW,
    control_lead=2,
    feed_lead=1,
    ground_lead=None,
    confidence=0.974,
    why="Off: both leads at source; on: lead 2 fell to 0.1 V: switched on the ground side, lead 2 is the "
    "control wire.",
    next_test=NextTest(
        "Switch off, unplug the load, and read lead 1: it should stay at source.",
        splits="At source: the feed is sound. Near zero: the feed comes through the load.",
        caution="Unplug with the circuit off; the two pins must never touch.",
    ),
)

NO_CHECK = LeadCheckView(step=0, instruction="", results=(), passed=None, source_v=None)


def snapshot() -> Snapshot:
    """A ground-side lamp, switched off, six edges and one event so far."""
    return Snapshot(
        samples=49_380,
        time_s=12.345,
        rate_hz=RATE_HZ,
        leads=(LeadView(12.61, 0.03, StateWord.AT_SOURCE), LeadView(12.58, 0.03, StateWord.AT_SOURCE)),
        bands=Bands(near_zero_v=(-0.6, 0.6), at_source_v=(11.9, 13.3)),
        load=LoadState.OFF,
        pulsed=False,
        source_v=12.61,
        source_uncertainty_v=0.03,
        source_origin="seen at rest",
        judgement=GROUND_SIDE,
        reference_proven=False,
        edge_count=6,
        edges=tuple(Edge(2.0 * i + 0.25, (LoadState.ON, LoadState.OFF)[i % 2]) for i in range(6)),
        event_count=1,
        events=(Event(EventKind.GROUND_DROPOUT, 7.315, 0.0032),),
        pwm=None,
        load_kind=LoadKind.LAMP,
        lead_check=NO_CHECK,
        plug="in",
        expectation="switching",
        bias=(Bias.OFF, Bias.OFF),
        losses=Losses(0, 0.0, 0),
        cautions=(),
    )


def findings(of: Snapshot) -> Findings:
    return Findings(
        sample_rate_hz=of.rate_hz,
        duration_s=of.time_s,
        reference_proven=of.reference_proven,
        source_v=of.source_v,
        judgement=of.judgement,
        initial_state=LoadState.OFF,
        edges=of.edges,
        pwm=of.pwm,
        pwm_note="",
        feed_drop_v=0.21,
        ground_drop_v=0.12,
        load_kind=of.load_kind,
        events=of.events,
        gaps=(),
        cautions=of.cautions,
    )


class StagePipeline:
    """Shows `stage`, whatever is pushed; keeps the log. A LEAD_CHECK or PLUG change is obeyed."""

    def __init__(self, stage: Snapshot | None = None) -> None:
        self.stage = stage or snapshot()
        self.log: list[Item] = []

    def push(self, item: Item) -> None:
        self.log.append(item)
        if isinstance(item, Block):
            self.stage = replace(self.stage, bias=item.layout.bias)
        if not isinstance(item, Change):
            return
        if item.kind is ChangeKind.PLUG:
            self.stage = replace(self.stage, plug=item.value)
        if item.kind is ChangeKind.EXPECT:
            self.stage = replace(self.stage, expectation=item.value)
        if item.kind is ChangeKind.LEAD_CHECK:
            step = {"start": 1, "skip": self.stage.lead_check.step + 1}.get(item.value, 0)
            told = "Touch lead 1 to battery positive." if step else ""
            self.stage = replace(self.stage, lead_check=replace(NO_CHECK, step=step, instruction=told))

    def finish(self) -> None:
        pass

    def snapshot(self) -> Snapshot:
        return self.stage

    def findings(self) -> Findings:
        return findings(self.stage)

    @property
    def changes(self) -> list[Change]:
        return [item for item in self.log if isinstance(item, Change)]


class ListSource:
    """Yields `items`, then stays open until it is closed (or ends, when `ends`)."""

    def __init__(
        self,
        items: Iterable[Item] = (),
        *,
        ends: bool = False,
        capabilities: frozenset[Capability] = frozenset(),
        info: DeviceInfo | None = None,
    ) -> None:
        self._items = list(items)
        self._ends = ends
        self._capabilities = capabilities
        self._bias = (Bias.OFF, Bias.OFF)
        for item in self._items:
            if isinstance(item, Block):
                self._bias = item.layout.bias
        self.goes_on = True  # with samples, after the items
        self.closed = threading.Event()
        self.commands: list[Command] = []
        self.info = info or DeviceInfo("bench: brake lamp")

    @property
    def capabilities(self) -> frozenset[Capability]:
        return self._capabilities

    def __iter__(self) -> Iterator[Item]:
        yield from self._items
        if self._ends:
            return
        at = max((item.end for item in self._items if isinstance(item, Block)), default=0)
        while not self.closed.wait(0.01):  # keep the worker turning, as a live device does
            if not self.goes_on:
                continue
            yield Block(at, np.full((40, 2), 440, dtype=np.int32), replace(LAYOUT, bias=self._bias))
            at += 40

    def command(self, command: Command) -> None:
        self.commands.append(command)
        if isinstance(command, SetBias):
            self._bias = (command.lead1, command.lead2)

    def close(self) -> None:
        self.closed.set()


def counts(volts1: np.ndarray, volts2: np.ndarray) -> np.ndarray:
    """Counts of two arrays of volts, as the scene's scale has them."""
    volts = np.stack([volts1, volts2], axis=1)
    return np.rint((volts + 8.0) / 0.0469).astype(np.int32)


def switched(seconds: float, on_hz: float = 0.25, duty: float = 0.5) -> list[Block]:
    """Lead 1 at source, lead 2 falling to zero while on; 32 pairs a block."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    noise = np.random.default_rng(7).normal(0.0, 0.02, (2, len(t)))
    on = (t * on_hz) % 1.0 < duty
    both = counts(12.6 - 0.2 * on + noise[0], np.where(on, 0.12, 12.58) + noise[1])
    return [Block(at, both[at : at + 32], LAYOUT) for at in range(0, len(both), 32)]


def biased(blocks: Iterable[Block], bias: tuple[Bias, Bias]) -> list[Block]:
    """The same blocks with a bias on the leads."""
    return [replace(block, layout=replace(block.layout, bias=bias)) for block in blocks]
