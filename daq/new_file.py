"""Files that appear whole or not at all: written under another name beside it, renamed at the end."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from daq.errors import WorkError

_BESIDE = ("-wal", "-shm", "-journal")  # what SQLite may keep beside a file


class NewFiles:
    """Files that appear together; see `appearing_together`."""

    def __init__(self) -> None:
        self._named: dict[Path, Path] = {}

    def beside(self, path: Path) -> Path:
        """A free name beside `path` to write to; the file gets the name `path` at the end.

        Raises WorkError where `path` exists.
        """
        refuse_existing(path)
        aside = _part(path)
        self._named[aside] = path
        return aside

    def rename(self, aside: Path, path: Path) -> None:
        """Let it get another name."""
        refuse_existing(path)
        self._named[aside] = path

    def publish(self) -> None:
        published: list[Path] = []
        try:
            for aside, path in self._named.items():
                _publish(aside, path)
                published.append(path)
        except BaseException:
            for path in published:
                remove(path)
            raise

    def clear(self) -> None:
        for aside in self._named:
            remove(aside)


@contextmanager
def appearing_together() -> Iterator[NewFiles]:
    """Files that exist under their names only once the block has ended well.

    Nothing that exists is ever written over: WorkError. OSError becomes WorkError. An exception, Ctrl-C
    among them, leaves nothing behind; a kill leaves files whose names end in `.part`.
    """
    files = NewFiles()
    try:
        yield files
        files.publish()
    except OSError as error:
        name = next(iter(files._named.values()), Path(str(error.filename)))
        why = os.strerror(error.errno) if error.errno else str(error)
        raise WorkError(
            f"{name} cannot be written ({why}): make room or choose another place; nothing is left of it."
        ) from error
    finally:
        files.clear()


@contextmanager
def appearing(path: Path) -> Iterator[Path]:
    """`appearing_together` for one file: yields the name to write to."""
    with appearing_together() as files:
        yield files.beside(path)


@contextmanager
def vanishing(beside: Path) -> Iterator[Path]:
    """A free name beside another for what is needed only meanwhile."""
    name = _part(beside)
    try:
        yield name
    finally:
        remove(name)


def refuse_existing(path: Path) -> None:
    """Raises WorkError where something of that name is there."""
    if os.path.lexists(path):
        raise WorkError(f"{path} exists already: choose another name; nothing is ever written over.")


def require_new(path: Path) -> None:
    """Before any work: raises WorkError where no new file of that name can be made."""
    refuse_existing(path)
    folder = path.absolute().parent
    if not folder.is_dir():
        raise WorkError(f"{path} cannot be made: there is no folder {folder}; make it or name another.")
    if not os.access(folder, os.W_OK | os.X_OK):
        raise WorkError(f"{path} cannot be made: no rights to write in {folder}; name another place.")


def _part(path: Path) -> Path:
    return path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")


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
