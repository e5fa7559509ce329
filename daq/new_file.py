"""A file that appears whole or not at all: written under another name beside it, renamed at the end."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from daq.errors import WorkError

_BESIDE = ("-wal", "-shm", "-journal")  # what SQLite may keep beside a file


@contextmanager
def appearing(path: Path) -> Iterator[Path]:
    """Yields a free name beside `path` to write to; `path` exists only once the block has ended well.

    Raises WorkError where `path` exists (before and after: nothing is ever written over) or the disk
    refuses. An exception, Ctrl-C among them, leaves nothing behind; a kill leaves a file ending in `.part`.
    """
    refuse_existing(path)
    aside = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        yield aside
        _publish(aside, path)
    except OSError as error:
        raise WorkError(
            f"{path} cannot be written ({error.strerror or error}): make room or choose another place; "
            "nothing is left of it."
        ) from error
    finally:
        remove(aside)


def refuse_existing(path: Path) -> None:
    """Raises WorkError where something of that name is there."""
    if os.path.lexists(path):
        raise WorkError(f"{path} exists already: choose another name; nothing is ever written over.")


def remove(path: Path) -> None:
    """Delete a file that was never finished, with all that SQLite keeps beside it."""
    for tail in ("", *_BESIDE):
        with suppress(OSError):
            path.with_name(path.name + tail).unlink(missing_ok=True)


def _publish(aside: Path, path: Path) -> None:
    """Give the finished file its name, its bytes on the disk first."""
    with aside.open("rb+") as file:
        os.fsync(file.fileno())
    try:
        os.link(aside, path)  # the one call that names a file and refuses a name in use
    except FileExistsError:
        refuse_existing(path)
        raise
    except OSError:  # file systems without hard links
        refuse_existing(path)
        aside.rename(path)
