"""The command for hand readings. Heavy packages are imported after the readings have been understood."""

from __future__ import annotations

import argparse

from daq.commands import print_json
from daq.readings import parse_all


def reason(options: argparse.Namespace) -> int:
    """What hand readings could mean, and what to test next."""
    given = parse_all(options.readings)
    from daq import drops
    from daq.knowledge import shipped, with_changes
    from daq.reason_report import lines
    from daq.reasoning import reason, to_json

    knowledge = shipped() if options.knowledge is None else with_changes(options.knowledge)
    answer = reason(given, knowledge)
    lost = drops.drops(given, knowledge, options.amps)
    if options.json:
        print_json({**to_json(answer), "drops": drops.to_json(lost, knowledge)})
    else:
        print("\n".join([*lines(answer), *drops.lines(lost, knowledge)]))
    return 0
