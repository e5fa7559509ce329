"""What it could be, in lines: for details, reports and plain output."""

from __future__ import annotations

from daq.findings import Judgement
from daq.reason_report import either_way, percent
from daq.reason_words import Explanation

MOST_LISTED = 6
OTHERS = 0.005


def could_be(judgement: Judgement, most: int = MOST_LISTED) -> list[str]:
    """'76 %  ground side (control wire: lead 2): nothing wrong', most probable first, and what is left."""
    found = [
        (
            Explanation(c.side.value, c.control_lead, c.fault, c.place, c.condition, c.also, c.leaking),
            c.probability,
        )
        for c in judgement.candidates
    ]
    merged = either_way(found)
    lines = [f"{percent(p)}  {text}" for text, p in merged[:most] if p >= OTHERS]
    rest = 1.0 - sum(p for _, p in merged[: len(lines)])
    return [*lines, f"{percent(rest)}  others"] if lines and rest > OTHERS else lines
