"""What may be added to a finished capture: notes, and findings kept so that they load at once.

Neither is part of the log, and neither changes it. A capture that is still being recorded is refused; to
one that was cut off, the left-over -wal is taken in first.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from daq import capture_schema as schema
from daq.capture_files import open_for_writing
from daq.errors import WorkError

LONGEST_DOCUMENT = 8 << 20  # characters; findings longer than this are quicker to work out again


def add_note(path: Path | str, text: str, at_s: float | None = None, written: datetime | None = None) -> None:
    """Add a note about the moment `at_s` (s from the first pair), or about all of the recording.

    Raises WorkError where the file cannot be written or is in use, InputError where it is no capture.
    """
    moment = (written or datetime.now(UTC)).isoformat()
    with _adding(Path(path)) as connection:
        ((last,),) = connection.execute("SELECT coalesce(max(id), 0) FROM note").fetchall()
        row = schema.NOTE.row(last + 1, moment, None if at_s is None else float(at_s), schema.clean(text))
        connection.execute(schema.NOTE.insert, row)


def keep_findings(
    path: Path | str, analysis_version: int, settings: str, document: Mapping[str, Any]
) -> bool:
    """Keep a findings document; False when it is too long to be worth it. Raises as `add_note`."""
    text = json.dumps(dict(document))
    if len(text) > LONGEST_DOCUMENT:
        return False
    with _adding(Path(path)) as connection:
        connection.execute(
            "DELETE FROM finding WHERE analysis_version = ? AND settings = ?", (analysis_version, settings)
        )
        connection.execute(schema.FINDING.insert, schema.FINDING.row(analysis_version, settings, text))
    return True


@contextmanager
def _adding(path: Path) -> Iterator[sqlite3.Connection]:
    """One transaction in a finished capture."""
    connection = open_for_writing(path)
    try:
        connection.execute("BEGIN IMMEDIATE")
        yield connection
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise WorkError(f"{path} cannot be written ({error}): copy it to where you may write.") from error
    finally:
        connection.close()
