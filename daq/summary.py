"""Findings in plain lines, for a terminal without a screen and for pipes."""

from __future__ import annotations

from collections.abc import Sequence

from daq import event_lines, words
from daq.cautions import MEASURED
from daq.explain_words import could_be
from daq.findings import Event, Findings, Side
from daq.marked import Marked
from daq.reason_words import outcome_lines

VERDICTS = {
    Side.LOW: "switched on the ground side (low side)",
    Side.HIGH: "switched on the positive side (high side)",
    Side.BOTH_ENDS: "both ends switched",
    Side.REVERSING: "reversing",
    Side.UNDETERMINED: "not determined",
    Side.UNSWITCHED: "not switched",
}
MOST_LISTED = 20


def summary(findings: Findings, file: str, marked: Sequence[Marked] = ()) -> list[str]:
    """One fact a line; `marked` is what the user said himself."""
    j = findings.judgement
    lines = [
        f"file: {words.printable(file, 200)}",
        f"length: {findings.duration_s:.3f} s at {findings.sample_rate_hz:g} pairs/s",
        f"verdict: {VERDICTS[j.side]}" + (f", {words.sureness(j)}" if j.confidence else ""),
    ]
    if j.control_lead is not None:
        lines.append(f"leads: {words.roles(j)}")
    lines.append(f"why: {j.why}")
    lines += [f"could be: {line}" for line in could_be(j)]
    for test in j.next_test.and_otherwise if j.next_test is not None else ():
        lines.append(f"next: {test.do}")
        if test.reading:
            lines += outcome_lines(test.splits)
        if test.caution:
            lines.append(f"caution: {test.caution}")
    lines += _levels(findings)
    lines += [f"caution: {MEASURED.get(c, c)}" for c in findings.cautions]
    edges = [f"{e.state.value} at {e.t_s:.4f} s" for e in findings.edges]
    events = [_event(event) for event in findings.events]
    gaps = [f"{g.reason}: {g.duration_s:.3f} s lost at {g.t_s:.3f} s" for g in findings.gaps]
    lines += _listed("edges", edges)
    lines += _listed("events", events)
    lines += event_lines.all_lines(findings.summary)[:MOST_LISTED]
    lines += _listed("lost time", gaps)
    return lines + _listed("marks and notes", [_marked(at_s, text) for at_s, text in marked])


def _event(event: Event) -> str:
    at = f"{event.kind.value} at {event.t_s:.4f} s"
    return f"{at} for {1000 * event.duration_s:.2f} ms" if event.duration_s >= words.SHORTEST_SAID_S else at


def _marked(at_s: float | None, text: str) -> str:
    said = words.printable(text, 500)
    return f"{said} (about all of it)" if at_s is None else f"{said} at {at_s:.4f} s"


def _levels(findings: Findings) -> list[str]:
    out = []
    for name, value in (
        ("source", findings.source_v),
        ("feed-side drop while on", findings.feed_drop_v),
        ("ground-side drop while on", findings.ground_drop_v),
    ):
        if value is not None:
            out.append(f"{name}: {value + 0.0:.2f} V".replace("-0.00", "0.00"))
    if findings.pwm is not None:
        pwm = findings.pwm
        out.append(f"pulsed: {pwm.frequency_hz:.2f} Hz, load on {100 * pwm.duty:.1f} % of the time")
    if findings.pwm_note:
        out.append(f"pulsed: {findings.pwm_note}")
    if findings.load_kind.value != "unknown":
        out.append(f"load looks like: {findings.load_kind.value}")
    return out


def _listed(name: str, entries: list[str]) -> list[str]:
    if not entries:
        return []
    more = [f"  and {len(entries) - MOST_LISTED} more"] if len(entries) > MOST_LISTED else []
    return [f"{name}: {len(entries)}", *(f"  {e}" for e in entries[:MOST_LISTED]), *more]
