"""One recording, one row of a table: a function of the file alone, for `survey_runs` to call anywhere.

A file that cannot be used is a row that says why.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from daq.cells import Cell
from daq.errors import InputError, WhichsideError
from daq.findings import ANALYSIS_VERSION, EventKind, Findings

Row = dict[str, Cell]


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the table; `kind` is of its cells where they are not None."""

    name: str
    kind: type
    unit: str = ""


def _count_name(kind: EventKind) -> str:
    return "events_" + kind.value.replace(" ", "_").replace("-", "_")


COLUMNS: tuple[Column, ...] = (
    Column("file", str),
    Column("error", str),  # why there is no answer; empty where there is one
    Column("damaged_places", int),
    Column("complete", bool),
    Column("started_utc", str),
    Column("duration_s", float, "s"),
    Column("sample_rate_hz", float, "Hz"),
    Column("side", str),
    Column("control_lead", str),
    Column("feed_lead", int),
    Column("ground_lead", int),
    Column("confidence", float),
    Column("reference_proven", bool),
    Column("source_v", float, "V"),
    Column("feed_drop_v", float, "V"),
    Column("ground_drop_v", float, "V"),
    Column("load_kind", str),
    Column("edges", int),
    Column("pwm_hz", float, "Hz"),
    Column("pwm_duty", float),
    Column("events", int),
    *(Column(_count_name(kind), int) for kind in EventKind),
    Column("longest_event_s", float, "s"),
    Column("first_event_s", float, "s"),
    Column("gaps", int),
    Column("lost_s", float, "s"),
    Column("cautions", str),
    Column("why", str),
    Column("analysis_version", int),
)


@dataclass(frozen=True, slots=True)
class Task:
    """A file to analyse: as it is shown, where it is, bytes."""

    shown: str
    path: str
    size: int


def tasks_in(places: Sequence[Path]) -> list[Task]:
    """Every capture below the directories, in order of name, and every file named itself.

    Raises InputError where a place does not exist or no file is found.
    """
    from daq.capture_name import SUFFIX

    found: dict[str, Task] = {}
    for place in places:
        if not place.exists():
            raise InputError(f"{place} does not exist: name directories with captures, or captures.")
        inside = sorted(_files_below(place, SUFFIX)) if place.is_dir() else [place]
        for path in inside:
            size = 0
            with suppress(OSError):  # it may go while we look: then its row says so
                size = path.stat().st_size
            found[str(path.absolute())] = Task(str(path), str(path.absolute()), size)
    if not found:
        raise InputError(f"No capture ({SUFFIX}) in {', '.join(map(str, places))}: name other places.")
    return list(found.values())


def _files_below(place: Path, suffix: str) -> Iterator[Path]:
    for folder, _, names in os.walk(place):
        yield from (Path(folder) / name for name in names if name.endswith(suffix))


def survey_file(shown: str, path: str, expectation: str | None = None) -> Row:
    """The row of one recording; never raises. Cells that are not known are None."""
    try:
        return row_without_answer(shown, "") | _findings_of(Path(path), expectation)
    except WhichsideError as error:
        return row_without_answer(shown, str(error))
    except Exception as error:  # one odd file must not cost the table
        return row_without_answer(shown, f"the analysis failed ({type(error).__name__}: {error})")


def row_without_answer(shown: str, error: str) -> Row:
    empty: Row = dict.fromkeys(column.name for column in COLUMNS)
    return empty | {"file": shown, "error": error, "analysis_version": ANALYSIS_VERSION}


def _findings_of(path: Path, expectation: str | None) -> Row:
    from daq.recordings_in import analyse, open_recording

    source = open_recording(path, expectation)
    try:
        findings = analyse(source, expectation)
        started = getattr(source, "started", None)
        return {
            "damaged_places": getattr(source, "damage_count", 0),
            "complete": getattr(source, "complete", None),
            "started_utc": started.isoformat() if started else None,
            **_cells(findings),
        }
    finally:
        source.close()


def _cells(findings: Findings) -> Row:
    judgement, pwm, events = findings.judgement, findings.pwm, findings.events
    counts = {_count_name(kind): sum(event.kind is kind for event in events) for kind in EventKind}
    return {
        "duration_s": round(findings.duration_s, 6),
        "sample_rate_hz": round(findings.sample_rate_hz, 6),
        "side": judgement.side.value,
        "control_lead": None if judgement.control_lead is None else str(judgement.control_lead),
        "feed_lead": judgement.feed_lead,
        "ground_lead": judgement.ground_lead,
        "confidence": round(judgement.confidence, 3),
        "reference_proven": findings.reference_proven,
        "source_v": _rounded(findings.source_v),
        "feed_drop_v": _rounded(findings.feed_drop_v),
        "ground_drop_v": _rounded(findings.ground_drop_v),
        "load_kind": findings.load_kind.value,
        "edges": len(findings.edges),
        "pwm_hz": None if pwm is None else round(pwm.frequency_hz, 4),
        "pwm_duty": None if pwm is None else round(pwm.duty, 4),
        "events": len(events),
        **counts,
        "longest_event_s": max((round(e.duration_s, 6) for e in events), default=None),
        "first_event_s": min((round(e.t_s, 6) for e in events), default=None),
        "gaps": len(findings.gaps),
        "lost_s": round(sum(gap.duration_s for gap in findings.gaps), 6),
        "cautions": " ".join(findings.cautions),
        "why": judgement.why,
    }


def _rounded(volts: float | None) -> float | None:
    return None if volts is None else round(volts, 3)
