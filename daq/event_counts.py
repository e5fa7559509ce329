"""Events counted: of each kind, near marks and supply dips, and in runs. What chance makes of it comes later.

Pure, and free of how long the whole took, so that the counts stand until another event or mark comes.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from daq.events import REGISTRY
from daq.findings import Event, EventKind, KindCount
from daq.samples import Change, ChangeKind

MARK_WITHIN_S = 2.0
"""People mark within half a second of a prompt; what takes them by surprise, a second or two late."""

DIP_WITHIN_S = 0.5
"""A dip and what it causes are simultaneous; the engine's first turn may come a moment before or after."""

LINKED_S = (1.0, 10.0, 60.0, 600.0)
"""Events that follow each other at most this closely may be a cluster: fretting, a bad road, a hot engine."""

CLUSTER_LEAST = 3

_SWITCHED = {"on": "switched on", "off": "switched off", "other": "switched the other way"}

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Labelled:
    """A mark: the moment it means (s from the first sample) and its label."""

    t_s: float
    label: str


@dataclass(frozen=True, slots=True)
class Together:
    """Events of `kind` and the windows around what may go with them: a mark's label, or supply dips.

    Attributes:
        near, of: events whose span touches a window, and all of them.
        moments, moments_near: the same, events closer than a window's width being one moment.
        lasting_s, moments_lasting_s: all events' lengths, and the longest of each moment.
        met, times: windows touched by an event, and all of them.
        windows, windows_s: how many windows do not overlap, and the time they cover.
    """

    kind: EventKind
    what: str
    mark: bool
    within_s: float
    near: int
    of: int
    moments: int
    moments_near: int
    lasting_s: float
    moments_lasting_s: float
    met: int
    times: int
    windows: int
    windows_s: float


@dataclass(frozen=True, slots=True)
class Run:
    """`count` of the `of` events of a kind began from `first_s` to `last_s`."""

    kind: EventKind
    first_s: float
    last_s: float
    count: int
    of: int


@dataclass(frozen=True, slots=True)
class Counted:
    """All that is counted; the worst kinds first."""

    count: int
    kinds: tuple[KindCount, ...]
    together: tuple[Together, ...]
    runs: tuple[Run, ...]


def label_of(change: Change) -> str:
    """The label of a mark or a note, "" for every other Change."""
    if change.kind is ChangeKind.MARK:
        return _SWITCHED.get(change.value, change.value)
    return " ".join(change.value.split()) if change.kind is ChangeKind.NOTE else ""


def count_events(events: Sequence[Event], labels: Iterable[Labelled]) -> Counted:
    """Cost: n log n for each kind and label."""
    spans = {kind: _Spans(events, kind) for kind in _worst_first(events)}
    return Counted(
        count=len(events),
        kinds=tuple(of.counted for of in spans.values()),
        together=tuple(
            _together(of, windows)
            for windows in _windows(spans, labels)
            for kind, of in spans.items()
            if windows.mark or kind is not EventKind.SUPPLY_DIP
        ),
        runs=tuple(run for of in spans.values() for run in _runs(of)),
    )


def _worst_first(events: Sequence[Event]) -> list[EventKind]:
    counts: dict[EventKind, int] = {}
    for event in events:
        counts[event.kind] = counts.get(event.kind, 0) + 1
    return sorted(counts, key=lambda kind: (-REGISTRY[kind].severity, -counts[kind], kind.value))


class _Spans:
    """The events of one kind, in order of their begins."""

    def __init__(self, events: Sequence[Event], kind: EventKind) -> None:
        found = sorted((e.t_s, e.t_s + e.duration_s, e.duration_s) for e in events if e.kind is kind)
        self.kind = kind
        self.begins, self.ends, lengths = np.array(found, dtype=np.float64).T
        self.lengths: Numbers = lengths
        self.ends_so_far = np.maximum.accumulate(self.ends)

    @property
    def counted(self) -> KindCount:
        at = int(self.ends.argmax())
        last = Event(self.kind, float(self.begins[at]), float(self.lengths[at]))
        return KindCount(self.kind, len(self.begins), float(self.lengths.max()), last)


@dataclass(frozen=True, slots=True)
class _Windows:
    """Moments at which `what` was, widened by `within_s` to either side."""

    what: str
    mark: bool
    within_s: float
    begins: Numbers
    ends: Numbers

    def merged(self) -> tuple[Numbers, Numbers]:
        """The same time as windows that do not touch."""
        apart = self.begins[1:] > np.maximum.accumulate(self.ends)[:-1]
        first = np.concatenate([[True], apart])
        return self.begins[first], np.maximum.reduceat(self.ends, np.flatnonzero(first))


def _windows(spans: dict[EventKind, _Spans], labels: Iterable[Labelled]) -> list[_Windows]:
    """Of each label, however it is spelt, and of the supply dips."""
    moments: dict[str, list[float]] = {}
    spelt: dict[str, str] = {}
    for mark in labels:
        key = mark.label.casefold()
        spelt.setdefault(key, mark.label)
        moments.setdefault(key, []).append(mark.t_s)
    out = []
    for key, at in moments.items():
        times = np.sort(np.array(at, dtype=np.float64))
        begins, ends = times - MARK_WITHIN_S, times + MARK_WITHIN_S
        out.append(_Windows(spelt[key], True, MARK_WITHIN_S, begins, ends))
    if (dips := spans.get(EventKind.SUPPLY_DIP)) is not None:
        begins, ends = dips.begins - DIP_WITHIN_S, dips.ends + DIP_WITHIN_S
        out.append(_Windows(EventKind.SUPPLY_DIP.value, False, DIP_WITHIN_S, begins, ends))
    return out


def _together(of: _Spans, windows: _Windows) -> Together:
    begins, ends = windows.merged()
    last = np.searchsorted(begins, of.ends, side="right") - 1
    near = (last >= 0) & (ends[last] >= of.begins)
    until = np.searchsorted(of.begins, windows.ends, side="right") - 1
    met = (until >= 0) & (of.ends_so_far[until] >= windows.begins)
    apart = of.begins[1:] - of.ends_so_far[:-1] > 2 * windows.within_s
    moment = np.flatnonzero(np.concatenate([[True], apart]))
    return Together(
        kind=of.kind,
        what=windows.what,
        mark=windows.mark,
        within_s=windows.within_s,
        near=int(near.sum()),
        of=len(near),
        moments=len(moment),
        moments_near=int(np.logical_or.reduceat(near, moment).sum()),
        lasting_s=float(of.lengths.sum()),
        moments_lasting_s=float((np.maximum.reduceat(of.ends, moment) - of.begins[moment]).sum()),
        met=int(met.sum()),
        times=len(met),
        windows=len(begins),
        windows_s=float((ends - begins).sum()),
    )


def _runs(of: _Spans) -> list[Run]:
    """Runs of linked events, those left out than which another has as many in less time."""
    runs = []
    for linked_s in LINKED_S:
        cuts = np.flatnonzero(np.diff(of.begins) > linked_s) + 1
        for first, end in pairwise([0, *cuts.tolist(), len(of.begins)]):
            if end - first >= CLUSTER_LEAST:
                begin_s, last_s = float(of.begins[first]), float(of.begins[end - 1])
                runs.append(Run(of.kind, begin_s, last_s, end - first, len(of.begins)))
    runs.sort(key=lambda run: (-run.count, run.last_s - run.first_s, run.first_s))
    kept: list[Run] = []
    for run in runs:
        if not kept or run.last_s - run.first_s < kept[-1].last_s - kept[-1].first_s:
            kept.append(run)
    return kept
