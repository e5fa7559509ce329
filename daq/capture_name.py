"""What a capture file is called."""

from __future__ import annotations

from pathlib import Path

from daq.errors import CommandError
from daq.new_file import require_new

SUFFIX = ".whichside"


def require_capture_name(path: Path) -> None:
    """CommandError for the name of a new capture that would not be known as one afterwards."""
    if path.suffix != SUFFIX:
        raise CommandError(f"{path}: the new capture's name must end in {SUFFIX}.")


def require_new_capture(path: Path) -> None:
    """Before anything is opened or measured: CommandError or WorkError where no capture can be made there."""
    require_capture_name(path)
    require_new(path)
