"""What `report` does: analyses a recording, draws it, and writes one page about it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from daq import __version__, words
from daq.errors import CommandError, InputError
from daq.events import REGISTRY
from daq.explain import explained
from daq.file_commands import cleanly_stopped
from daq.findings import Event, Findings
from daq.live_view import bands_of
from daq.look_back import LookBack
from daq.marked import marked_in
from daq.new_file import appearing, require_new
from daq.recordings_in import analyse
from daq.report import Figure, Recorded, numbered, page
from daq.report_picture import COLUMNS, picture
from daq.time_window import TimeWindow
from daq.wall_facts import recorded_line

CLOSE_UPS = 8
"""Events that get a drawing of their own: the worst ones."""


def write_report(options: argparse.Namespace) -> int:
    """One page about a recording, for whoever was not there."""
    if options.out.suffix.lower() not in (".html", ".htm"):
        raise CommandError(f"{options.out}: the report's name must end in .html.")
    require_new(options.out)
    with cleanly_stopped():
        look = LookBack(options.file, options.expect)
        try:
            text, damaged = _written_up(look, options.expect, options.anonymous)
        finally:
            look.close()
        with appearing(options.out) as aside:
            aside.write_text(text, encoding="utf-8")
    print(f"saved {options.out}", file=sys.stderr)
    if not damaged:
        return 0
    print(words.damaged(options.file, damaged, "the report says what the rest tells"), file=sys.stderr)
    return InputError.exit_code


def _written_up(look: LookBack, expectation: str | None, anonymous: bool) -> tuple[str, int]:
    """The page, and in how many places the recording is damaged."""
    findings = _analysed(look, expectation)
    damaged = look.source.damage_count
    title = "A recording" if anonymous else look.named.name
    notes = [] if anonymous else marked_in(look.source)
    recorded = Recorded(title, _lines(look, findings, anonymous, damaged), notes)
    return page(recorded, findings, *_figures(look, findings)), damaged


def _analysed(look: LookBack, expectation: str | None) -> Findings:
    return explained(analyse(look.source, expectation))


def _lines(look: LookBack, findings: Findings, anonymous: bool, damaged: int) -> list[tuple[str, str]]:
    lines = []
    wall = None if look.is_text else look.source.wall_clock()
    if wall is not None:
        lines.append(("recorded", recorded_line(look.source, wall).removeprefix("recorded: ")))
    lines.append(
        ("length", f"{words.duration(findings.duration_s)} at {words.rate(findings.sample_rate_hz)}")
    )
    if not anonymous:
        lines.append(("logger", "text recording" if look.is_text else look.source.info.name))
    if damaged:
        lines.append(("damaged", f"in {words.count(damaged, 'place')}: this is what the rest says"))
    return [*lines, ("written by", f"whichside {__version__}")]


def _figures(look: LookBack, findings: Findings) -> tuple[Figure, list[Figure]]:
    """All of it, and the worst events close up."""
    listed = numbered(findings.events)
    bands = bands_of(findings.source_v)

    def figure(window: TimeWindow, events: Sequence[tuple[int, Event]], caption: str) -> Figure:
        columns = look.columns(window, COLUMNS)
        return Figure(picture(columns, window, bands, events, caption), caption)

    worst = sorted(listed, key=lambda n: (-REGISTRY[n[1].kind].severity, -n[1].duration_s))[:CLOSE_UPS]
    closer = [
        figure(look.around(event), [(number, event)], f"{number}: {words.event(event)}")
        for number, event in sorted(worst)
    ]
    whole = f"All of it: {words.duration(findings.duration_s)}"
    numbers = ", the numbers are those of the events below" if listed else ""
    return figure(look.whole, listed, f"{whole}{numbers}."), closer
