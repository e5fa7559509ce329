"""What can be had of a damaged capture, in a new one: rows found page by page, checked one by one.

SQLite needs the first page and the inner pages of a table to find its rows; here every page is looked at
alone, and a row is taken when its checksum fits, so what is lost is what lay on the damaged pages. The few
rows that many samples hang on (layout, segment) are in the file twice. Times and volts are never guessed.

The rows become a capture without a pyramid beside the new one; that is copied item for item, so that the
pyramid is made anew and what is missing is a gap. The damaged file is only read.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from daq import capture_schema as schema
from daq.capture_check import CheckReport, LostTime, check_capture, lost_lines
from daq.capture_files import create, require_file
from daq.capture_found import sound_rows
from daq.capture_make import Heritage, write_capture
from daq.capture_reader import CaptureSource
from daq.capture_schema import APPLICATION_ID, VERSION, Row, Table
from daq.capture_trim import KEPT_FACTS
from daq.errors import InputError, WorkError
from daq.new_file import refuse_existing, vanishing


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What `salvage_capture` saved in `out`, and what of `file` it could not."""

    file: str
    out: str
    pairs: int
    duration_s: float
    pairs_missing: int
    seconds_missing: float
    entries_missing: int  # gaps and changes (marks, ...) that are known to be gone
    lost: tuple[LostTime, ...]

    @property
    def everything(self) -> bool:
        return not self.pairs_missing and not self.entries_missing

    def to_json(self) -> dict[str, Any]:
        return {"schema": 1, "everything": self.everything, **asdict(self)}

    def sentence(self) -> str:
        if self.everything:
            return f"{self.out} holds every sample and mark of {self.file}; that file is as it was."
        entries = f", and {self.entries_missing} marks or gaps" if self.entries_missing else ""
        return (
            f"{self.out} holds what could be saved of {self.file}: of {self.duration_s:.1f} s, "
            f"{self.seconds_missing:.3f} s are lost{entries}. That file is as it was."
        )

    def lines(self) -> list[str]:
        """What is lost, place by place."""
        return lost_lines(self.lost)


def salvage_capture(path: Path | str, out: Path | str) -> Salvaged:
    """Make a sound capture `out` of what can be read of `path`, damaged in whatever way.

    Raises InputError where nothing of a capture is found, WorkError for a newer version and where `out`
    exists or cannot be written.
    """
    path, out = Path(path), Path(out)
    require_file(path)
    refuse_existing(out)
    _refuse_newer(path)
    with vanishing(out) as bare:
        _gather(path, bare)
        report = check_capture(bare)
        with CaptureSource(bare) as source:
            if not report.pairs and not report.changes:
                raise InputError(f"{path}: nothing of a capture can be found in it; look for another copy.")
            write_capture(out, source, source.info, _heritage(source, path))
    return _told(path, out, report)


def _refuse_newer(path: Path) -> None:
    """By the first page, where it has the version; without SQLite, which would take a left-over -wal in."""
    with path.open("rb") as file:
        header = file.read(72)
    version, application = (int.from_bytes(header[at : at + 4], "big") for at in (60, 68))
    if application == APPLICATION_ID and version > VERSION:
        raise WorkError(f"{path} was made by a newer whichside (file version {version}): update to open it.")


def _heritage(source: CaptureSource, path: Path) -> Heritage:
    names = (*KEPT_FACTS, "started_utc", "trimmed_from")
    facts = {name: source.meta[name] for name in names if name in source.meta}
    return Heritage({**facts, "salvaged_from": path.name}, source.clock_points(), source.notes())


def _told(path: Path, out: Path, report: CheckReport) -> Salvaged:
    return Salvaged(
        file=str(path),
        out=str(out),
        pairs=report.pairs,
        duration_s=report.duration_s,
        pairs_missing=report.pairs_missing,
        seconds_missing=report.seconds_missing,
        entries_missing=report.entries_missing,
        lost=report.lost,
    )


def _gather(path: Path, bare: Path) -> None:
    """Every sound row of `path` into the new capture `bare`."""
    with closing(create(bare)) as connection:
        try:
            connection.execute("BEGIN IMMEDIATE")
            for table, row in sound_rows(path):
                _insert(connection, table, row)
            _mend(connection)
            connection.execute("COMMIT")
            connection.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.Error as error:
            raise WorkError(f"{bare.parent} cannot be written ({error}): choose another place.") from error


def _insert(connection: sqlite3.Connection, table: Table, row: Row) -> None:
    """Stale pages give rows twice; of meta, what was written last says how the recording ended."""
    final = table is schema.META and row[0] in ("complete", "end") and row[1] not in ("no", "")
    verb = "INSERT OR REPLACE" if final else "INSERT OR IGNORE"
    connection.execute(table.insert.replace("INSERT", verb, 1), row)


def _mend(connection: sqlite3.Connection) -> None:
    """What is missing of layout, channel and segment, from the copies in meta."""
    copies = "SELECT name, value FROM meta WHERE name LIKE 'layout %' OR name LIKE 'segment %'"
    for name, text in connection.execute(copies).fetchall():
        with suppress(ValueError):
            for table, row in schema.restored(name, text):
                _insert(connection, table, row)
