"""A part of a capture becomes a capture of its own: the same pairs, gaps, changes, notes and wall time."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from daq.backlog import Rebase
from daq.capture_make import Heritage, write_capture
from daq.capture_reader import CaptureSource
from daq.capture_records import Note
from daq.errors import CommandError, InputError
from daq.samples import Change, ChangeKind, Item, Origin
from daq.standing import Standing
from daq.standing_check import StandingCheck, failed_change
from daq.wall_clock import ClockPoint, WallClock

KEPT_FACTS = ("analysis_version", "utc_offset_s")


@dataclass(frozen=True, slots=True)
class Trimmed:
    """What `trim_capture` wrote. `damage_count` places of the part could not be read and are gaps now."""

    pairs: int
    begin_s: float  # in the original's time
    duration_s: float
    damage_count: int


def trim_capture(
    path: Path | str, out: Path | str, from_s: float | None = None, to_s: float | None = None
) -> Trimmed:
    """Write the pairs taken from `from_s` until before `to_s` (s from the first pair) to a new capture.

    Samples keep their counts, flags and layout; gaps, changes, notes and wall time in between come along,
    renumbered so that the part begins at pair 0 and 0 s. What was in force before the part is restated at
    its beginning (plug state, expectation, bias, last mark, a lead check that failed or is under way); what
    a lead check proved cannot be. Raises CommandError where nothing lies in between, InputError and WorkError
    as reading and writing do.
    """
    with CaptureSource(path) as source:
        cut = _Cut(source, from_s, to_s)
        write_capture(out, cut.items(), source.info, cut.heritage())
        damaged = source.damage_count
    with CaptureSource(out) as part:
        return Trimmed(part.end, cut.begin_s, part.duration_s, damaged)


class _Cut:
    """One part of a capture; `first` is the first pair of it that can be read."""

    def __init__(self, source: CaptureSource, from_s: float | None, to_s: float | None) -> None:
        self._source = source
        first, self.end = self._pairs(from_s, to_s)
        self.whole = first == source.first and self.end == source.end
        if self.end <= first:
            raise CommandError(
                f"{source.path}: {self._why_nothing(from_s, to_s)}; the recording has samples from 0 to "
                f"{source.duration_s:.3f} s. Give times in between, the earlier with --from."
            )
        found = next(source.samples(first, self.end), None)
        if found is None:
            raise InputError(f"{source.path}: no sample of that part can be read; choose another part.")
        self.first = found.first
        self.begin_s = source.time_of(self.first)
        self._moved = Rebase(self.first, self.begin_s)

    def _pairs(self, from_s: float | None, to_s: float | None) -> tuple[int, int]:
        source = self._source
        first = source.first if from_s is None else source.sample_at(from_s)
        return first, source.end if to_s is None else min(source.sample_at(to_s), source.end)

    def _why_nothing(self, from_s: float | None, to_s: float | None) -> str:
        """Times the wrong way round may lie where nothing is as well: turned round they would not do."""
        nothing = "there is nothing in that part"
        if from_s is None or to_s is None or from_s < to_s:
            return nothing
        if from_s == to_s:
            return "--from is the same as --to"
        first, end = self._pairs(to_s, from_s)
        return f"{nothing}, and --from is after --to" if end <= first else "--from is after --to"

    def items(self) -> Iterator[Item]:
        """The new log, its first pair numbered 0."""
        first = None if self.first == self._source.first else self.first
        end = None if self.end == self._source.end else self.end
        if first is not None:
            yield from self._standing()
        for item in self._source.log(first, end):
            yield self._moved(item)

    def _standing(self) -> Iterator[Change]:
        standing, check, at = Standing(), StandingCheck(), self._source.first
        for change in self._source.changes_before(self.first):
            standing.remember(change)
            self._read(check, at, change.sample)
            check.follow(change)
            at = change.sample
        self._read(check, at, self.first)
        yield from standing.restated()
        yield from self._restated(check)
        late = f"trimmed: begins {self.begin_s:.6f} s into the recording"
        yield Change(0, Origin.DEVICE, ChangeKind.DEVICE, late)

    def _read(self, check: StandingCheck, begin: int, end: int) -> None:
        """What the leads read up to a change; where no check runs, the last pair, which tells the rate."""
        begin = begin if check.running else max(begin, end - 1)
        for block in self._source.samples(begin, end) if begin < end else ():
            check.follow(block)

    def _restated(self, check: StandingCheck) -> Iterator[Change]:
        """A check that the part cuts in two may fail on what only the whole of it shows."""
        refuted, told = check.refuted, list(check.restated())
        for item in self._source.log(self.first) if check.running else ():
            check.follow(item)
            if not check.running:
                break
        if check.refuted and not refuted:
            yield failed_change()
        yield from told

    def heritage(self) -> Heritage:
        source = self._source
        wall = source.wall_clock()
        facts = {name: source.meta[name] for name in KEPT_FACTS if name in source.meta}
        facts["started_utc"] = wall.utc(self.begin_s).isoformat() if wall else ""
        origin = {"file": source.path.name, "begin_s": self.begin_s, "end_s": self._end_s()}
        facts["trimmed_from"] = json.dumps({**origin, "started_utc": source.meta.get("started_utc", "")})
        return Heritage(facts, self._clock(wall), self._notes())

    def _end_s(self) -> float:
        return self._source.time_of(self.end - 1)

    def _clock(self, wall: WallClock | None) -> Sequence[ClockPoint]:
        """What was noted in the part, and the fitted clock at both its ends: no part is too short for it."""
        if wall is None:
            return ()
        first_s, last_s = self.begin_s, self._end_s()
        inside = [p for p in self._source.clock_points() if first_s < p.time_s < last_s]
        points = [wall.point(first_s), *inside, wall.point(last_s)]
        return [replace(point, time_s=point.time_s - first_s) for point in points]

    def _notes(self) -> list[Note]:
        end_s = math.inf if self.end == self._source.end else self._end_s()
        return [
            note if note.at_s is None else replace(note, at_s=note.at_s - self.begin_s)
            for note in self._source.notes()
            if note.at_s is None or self.begin_s <= note.at_s <= end_s
        ]
