"""The numbers over all events as short lines: for the drive screen, `record`, `review` and the details."""

from __future__ import annotations

from collections.abc import Sequence

from daq import words
from daq.findings import Cluster, Coincidence, Event, EventSummary, KindCount


def kind_line(found: KindCount, now_s: float | None = None) -> str:
    """'feed dropout: 7, longest 12 ms'; with `now_s` also ', last 2 min 05 s ago'."""
    line = f"{found.kind.value}: {found.count}"
    if found.longest_s >= words.SHORTEST_SAID_S:
        line += f", longest {words.duration(found.longest_s)}"
    return line if now_s is None else f"{line}, last {since(found.last, now_s)}"


def since(event: Event, now_s: float) -> str:
    """How long ago it ended."""
    return ago(now_s - event.t_s - event.duration_s)


def ago(seconds: float) -> str:
    """'just now', '72 s ago', '2 min 05 s ago'."""
    if seconds < 1.0:
        return "just now"
    return f"{words.duration(seconds)} ago" if seconds >= 100.0 else f"{int(seconds)} s ago"


def counts(kinds: Sequence[KindCount]) -> str:
    """'feed dropout: 7, supply dip: 1', or 'no events'."""
    return ", ".join(f"{k.kind.value}: {k.count}" for k in kinds) or "no events"


def coincidence_line(found: Coincidence) -> str:
    """'feed dropout: 7 of 9 within 2 s of mark "bump", 4 of 5 such marks (chance: 0.4)'."""
    what = f'mark "{words.printable(found.what, 40)}"' if found.mark else f"a {found.what}"
    met = f"{found.met} of {found.times} such {'marks' if found.mark else 'dips'}"
    near = f"{found.kind.value}: {found.near} of {found.of} within {found.within_s:g} s of {what}, {met}"
    return f"{near} ({_chance(found)})"


def _chance(found: Coincidence) -> str:
    number = "under 0.1" if found.by_chance < 0.05 else f"{found.by_chance:.1f}"
    return f"chance: {number}" if found.telling else f"chance: {number}, no proof"


def cluster_line(found: Cluster) -> str:
    """'feed dropout: 6 of 9 within 12.0 s, at 2:05.3'."""
    within = words.duration(max(found.last_s - found.first_s, 0.001))
    return (
        f"{found.kind.value}: {found.count} of {found.of} within {within}, at {words.moment(found.first_s)}"
    )


def telling_lines(summary: EventSummary) -> list[str]:
    """What chance does not explain, what tells most first."""
    return [
        *(coincidence_line(c) for c in summary.coincidences if c.telling),
        *(cluster_line(c) for c in summary.clusters),
    ]


def all_lines(summary: EventSummary) -> list[str]:
    """Counts, then what tells, then coincidences that chance explains."""
    weak = [coincidence_line(c) for c in summary.coincidences if not c.telling]
    return [*map(kind_line, summary.kinds), *telling_lines(summary), *weak]
