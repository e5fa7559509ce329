"""Opening, creating and settling the SQLite file behind a capture; every open connection comes from here.

Who may write. `create` makes the file with O_EXCL, so of two recorders that name the same file one is
refused. While a recorder lives, its connection holds SQLite's shared lock on the file, as every connection
to a file in WAL mode does; `settle` needs the exclusive one, so nobody can write notes into a running
recording. The operating system drops these locks when a process dies: they cannot go stale.

Never open a capture with plain open() in a process that may also hold it through SQLite: on POSIX, closing
any descriptor of a file drops all of that process's locks on it.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.capture_found import has_rows
from daq.capture_schema import APPLICATION_ID, LONGEST_VALUE, PAGE_SIZE, TABLES, VERSION
from daq.errors import InputError, WorkError
from daq.new_file import remove
from daq.words import how_to_repair

WAIT_S = 5.0  # how long to wait for another connection's short transaction
CHECKPOINT_PAGES = 128  # keeps the -wal file at a quarter of a megabyte


@dataclass(frozen=True, slots=True)
class Opened:
    """A connection for reading; `copy` is the private directory it lives in where it had to be copied."""

    connection: sqlite3.Connection
    copy: tempfile.TemporaryDirectory[str] | None = None

    def close(self) -> None:
        self.connection.close()
        if self.copy is not None:
            self.copy.cleanup()


def create(path: Path) -> sqlite3.Connection:
    """A new, empty capture, ready for a recorder; raises WorkError when it cannot be made.

    The tables are made in rollback mode with synchronous EXTRA, so that the file and its directory entry
    are on the disk before the first sample; then WAL with FULL: each commit is on the disk when it returns.
    """
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o666))
    except FileExistsError as error:
        raise WorkError(
            f"{path} exists already: choose another name; captures are never written over."
        ) from error
    except OSError as error:
        raise WorkError(f"{path} cannot be created ({error.strerror}): choose another place.") from error
    connection = None
    try:
        connection = _connect(path, "mode=rw")
        _make_tables(connection)
    except sqlite3.Error as error:
        if connection is not None:
            connection.close()
        remove(path)
        raise WorkError(f"{path} cannot be written ({error}): choose another place.") from error
    return connection


def _make_tables(connection: sqlite3.Connection) -> None:
    run = connection.execute
    run(f"PRAGMA page_size={PAGE_SIZE}")
    run("PRAGMA synchronous=EXTRA")
    run("BEGIN IMMEDIATE")
    run(f"PRAGMA application_id={APPLICATION_ID}")
    run(f"PRAGMA user_version={VERSION}")
    for table in TABLES:
        run(table.sql)
    run("COMMIT")
    (mode,) = run("PRAGMA journal_mode=WAL").fetchone()
    if mode == "wal":  # else a network drive without shared memory: rollback mode with EXTRA is as safe
        run("PRAGMA synchronous=FULL")
    run(f"PRAGMA wal_autocheckpoint={CHECKPOINT_PAGES}")


def open_for_reading(path: Path) -> Opened:
    """A verified read-only connection; raises InputError, or WorkError for a newer version.

    A recording that was cut off leaves a -wal file; it is taken in first where that is allowed. On media
    that cannot be written the file is read as it stands, or, with a -wal, from a private copy.
    """
    require_file(path)
    if has_leftovers(path):
        with suppress(sqlite3.Error):  # being recorded, or not ours to write
            settle_file(path)
    try:
        return Opened(_verified(path, "mode=ro"))
    except sqlite3.OperationalError as error:
        if not _is(error, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
            raise InputError(_unreadable(path, error)) from error
    return _open_unwritable(path)


def open_for_writing(path: Path) -> sqlite3.Connection:
    """A settled connection for notes and findings; raises WorkError while someone records into the file."""
    require_file(path)
    connection = None
    try:
        connection = _verified(path, "mode=rw")
        _settle(connection)
    except sqlite3.OperationalError as error:
        if connection is not None:
            connection.close()
        if _is(error, sqlite3.SQLITE_BUSY):
            raise WorkError(
                f"{path} is still being recorded or read: add to it when that has ended."
            ) from error
        raise WorkError(f"{path} cannot be written ({error}): copy it to where you may write.") from error
    return connection


def settle_file(path: Path) -> None:
    """Take a left-over -wal or -journal into the file; raises sqlite3.Error while it is in use."""
    connection = _connect(path, "mode=rw")
    try:
        _settle(connection)
    finally:
        connection.close()


def rows_of(connection: sqlite3.Connection, sql: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
    """All rows; raises sqlite3.Error only.

    A damaged file's own bytes may break the text of an error, and a blob that claims more than the file
    holds is reported as a lack of memory.
    """
    try:
        return connection.execute(sql, values).fetchall()
    except (UnicodeDecodeError, MemoryError) as error:
        raise sqlite3.DatabaseError("damaged beyond what can be said") from error


def has_leftovers(path: Path) -> bool:
    """Whether SQLite keeps something beside the file: it is in use, or was cut off."""
    return bool(_leftovers(path))


def _leftovers(path: Path) -> list[Path]:
    beside = [path.with_name(path.name + tail) for tail in ("-wal", "-journal")]
    return [file for file in beside if file.exists()]


def require_file(path: Path) -> None:
    if not path.exists():
        raise InputError(f"{path} does not exist: check the name.")
    if not path.is_file():
        raise InputError(f"{path} is not a file: name a capture.")


def _settle(connection: sqlite3.Connection) -> None:
    rows_of(connection, "PRAGMA journal_mode=DELETE")


def _open_unwritable(path: Path) -> Opened:
    try:
        if any(file.stat().st_size for file in _leftovers(path)):
            return _open_copy(path)
        return Opened(_verified(path, "mode=ro&immutable=1"))
    except (OSError, sqlite3.Error) as error:
        raise InputError(_unreadable(path, error)) from error


def _open_copy(path: Path) -> Opened:
    copy = tempfile.TemporaryDirectory(prefix="whichside-")
    try:
        for part in (path, *_leftovers(path)):
            shutil.copyfile(part, Path(copy.name) / part.name)
        moved = Path(copy.name) / path.name
        settle_file(moved)
        return Opened(_verified(moved, "mode=ro"), copy)
    except BaseException:
        copy.cleanup()
        raise


def _connect(path: Path, query: str) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?{query}"
    connection = sqlite3.connect(uri, uri=True, timeout=WAIT_S, isolation_level=None, check_same_thread=False)
    # Text as it comes: a flipped bit must fail the checksum, not the decoder.
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_VALUE)
    connection.execute("PRAGMA trusted_schema=OFF")
    connection.execute("PRAGMA cell_size_check=ON")
    return connection


def _verified(path: Path, query: str) -> sqlite3.Connection:
    """A connection to a capture of a version we know; OperationalError where it cannot be opened so."""
    connection = _connect(path, query)
    try:
        _verify(connection, path)
    except sqlite3.OperationalError:
        connection.close()
        raise
    except sqlite3.DatabaseError as error:
        connection.close()
        raise InputError(_unreadable(path, error)) from error
    except BaseException:
        connection.close()
        raise
    return connection


def _verify(connection: sqlite3.Connection, path: Path) -> None:
    """Only our own tables, word for word: a view or trigger in their place would be someone's program."""
    ((application,),) = rows_of(connection, "PRAGMA application_id")
    ((version,),) = rows_of(connection, "PRAGMA user_version")
    if application != APPLICATION_ID:
        raise InputError(_not_ours(path))
    if version > VERSION:
        raise WorkError(f"{path} was made by a newer whichside (file version {version}): update to open it.")
    found = rows_of(connection, "SELECT type, name, sql FROM sqlite_master")
    ours = {(table.name, table.sql) for table in TABLES}
    strange = {kind for kind, _, _ in found} - {"table", "index"}
    if version < 1 or strange or not ours <= {(name, sql) for _, name, sql in found}:
        raise InputError(
            f"{path} is damaged or not a capture: its tables are not those of a whichside file. "
            f"{how_to_repair(path)}"
        )


def _is(error: sqlite3.Error, *codes: int) -> bool:
    """Whether an error is one of SQLite's primary result codes."""
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in codes


def _unreadable(path: Path, error: Exception) -> str:
    """SQLite's own words may quote the damaged file, and so bring anything to a terminal: only the code."""
    why = getattr(error, "sqlite_errorname", None) or getattr(error, "strerror", None) or "damaged"
    text = f"{path} cannot be read as a capture ({why})"
    if isinstance(error, OSError) or getattr(error, "sqlite_errorname", "") == "SQLITE_CANTOPEN":
        return f"{text}: see whether you may read it, or copy it to where you may."
    return f"{text}: it is damaged. {how_to_repair(path)}" if has_rows(path) else _no_capture(path)


def _not_ours(path: Path) -> str:
    if not path.stat().st_size and not has_leftovers(path):
        return f"{path} is empty (0 bytes): nothing was ever recorded into it; look for another copy."
    if has_rows(path):
        return f"{path} was a capture and is damaged. {how_to_repair(path)}"
    return _no_capture(path)


def _no_capture(path: Path) -> str:
    return (
        f"{path} is not a capture, nor is anything of one left in it: choose a .whichside file, or import a "
        ".csv first."
    )
