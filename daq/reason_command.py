"""The command for hand readings. Heavy packages are imported after the readings have been understood."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from shutil import get_terminal_size
from typing import TYPE_CHECKING

import platformdirs

from daq.cli import print_json
from daq.errors import CommandError, InputError
from daq.readings import parse_all

if TYPE_CHECKING:
    from daq.knowledge import Knowledge


def reason(options: argparse.Namespace) -> int:
    """What hand readings could mean, and what to test next."""
    given = parse_all(options.readings)
    from daq import drops
    from daq.reason_document import to_json
    from daq.reason_report import fitted, lines
    from daq.reasoning import reason

    knowledge = _knowledge(options.knowledge)
    answer = reason(given, knowledge)
    lost = drops.drops(given if answer.premise is None else [], knowledge, options.amps)
    if options.json:
        print_json({**to_json(answer), "drops": drops.to_json(lost, knowledge)})
    else:
        found = [*lines(answer), *drops.lines(lost, knowledge)]
        print("\n".join(fitted(found, get_terminal_size().columns) if sys.stdout.isatty() else found))
    return 0


def own_file() -> Path:
    """Where a knowledge file of the user's own is looked for when none is named."""
    return Path(platformdirs.user_config_dir("whichside", appauthor=False)) / "knowledge.toml"


def _knowledge(named: Path | None) -> Knowledge:
    """The knowledge of the named file, else of the user's own, else as shipped.

    Raises:
        CommandError: the named file cannot be used.
        InputError: the user's own cannot; the command line was right.
    """
    from daq.knowledge import shipped, with_changes

    if named is not None:
        return with_changes(named)
    own = own_file()
    if not own.exists():
        return shipped()
    try:
        changed = with_changes(own)
    except CommandError as error:
        raise InputError(f"{error} It is read at every start: mend it, or move it away.") from None
    print(f"Priors, costs and limits changed by {own}.", file=sys.stderr)
    return changed
