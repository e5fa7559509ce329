"""A recording written up: one page that prints, mails and opens in any browser, with nothing to fetch. Pure.

Whatever comes out of a recording (names, notes) is text on the page, never markup.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape

from daq import event_lines, look_words, words
from daq.cautions import MEASURED, WORKING
from daq.events import REGISTRY
from daq.explain_words import could_be
from daq.findings import Event, Findings, Judgement, Side

EDGES_LISTED = 40
EVENTS_LISTED = 200

TWO_LEADS = (
    "Two voltages tell how a circuit is controlled and what to test next. They are where to begin, never "
    "proof: confirm by the next test, and by a wiring diagram where one exists."
)
AFTER_REPAIR = ("Found at", "Repaired", "Same readings taken again", "By, on")
"""What a hand fills in on the printed page."""

_STYLE = """
body {font:15px/1.45 system-ui,sans-serif; color:#16181a; background:#fff; max-width:50rem;
  margin:1.5rem auto; padding:0 1rem}
h1 {font-size:1.1rem; margin:0 0 .2rem}
h2 {font-size:1.05rem; margin:1.6rem 0 .4rem; border-bottom:1px solid #999}
.verdict {font-size:2rem; font-weight:700; line-height:1.15; margin:.6rem 0 .2rem}
.small {color:#444; font-size:.87rem}
table {border-collapse:collapse; width:100%}
td,th {padding:.15rem .6rem .15rem 0; text-align:left; vertical-align:top}
th {font-weight:600}
tr {break-inside:avoid}
.caution {border-left:.3rem solid #8a4b00; padding-left:.6rem; margin:.4rem 0}
figure {margin:.8rem 0; break-inside:avoid}
figcaption {font-size:.87rem}
svg {width:100%; height:auto}
.lane {fill:none; stroke:#999}
.band {fill:#eceae4}
.trace {fill:none; stroke-width:1.3; stroke-linejoin:round}
.lost {fill:#bbb; fill-opacity:.6}
.mark {stroke:#8a4b00; stroke-dasharray:2 3}
text {font:11px system-ui,sans-serif; fill:#333}
.beside {text-anchor:end; font-size:9px}
.lead {font-weight:700}
.number {text-anchor:middle; fill:#8a4b00; font-weight:700}
.by-hand td {border-bottom:1px solid #666; height:1.9rem; width:75%}
"""


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing (an `<svg>` element) and the sentence under it."""

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class Recorded:
    """What was recorded, by whom and when, as far as it may be told: (heading, text) lines."""

    title: str
    lines: Sequence[tuple[str, str]]
    notes: Sequence[tuple[float | None, str]]  # the moment it speaks of (s), and its text


def numbered(events: Sequence[Event]) -> list[tuple[int, Event]]:
    """The events that a report lists, numbered in the order of time: the worst where there are many."""
    worst = sorted(events, key=lambda e: (-REGISTRY[e.kind].severity, -e.duration_s, e.t_s))[:EVENTS_LISTED]
    return list(enumerate(sorted(worst, key=lambda e: e.t_s), start=1))


def page(recorded: Recorded, findings: Findings, whole: Figure, closer: Sequence[Figure]) -> str:
    """The HTML document; `whole` shows all of the recording, `closer` single events."""
    j = findings.judgement
    body = [
        f"<h1>{_text(recorded.title)}</h1>",
        _table(recorded.lines),
        f'<p class="verdict">{_text(_big(j))}</p>',
        _paragraph(_verdict(j)),
        _paragraph(j.why),
        *(_caution(MEASURED.get(c, c)) for c in findings.cautions),
        _figure(whole),
        *_section("What it read", _table(_readings(findings))),
        *_section("What to test next", *_next(j)),
        *_section("Events", *_events(findings)),
        *map(_figure, closer),
        *_section("Switched", *_edges(findings)),
        *_section("Notes", *(_note(n) for n in recorded.notes)),
        *_section("Before and after", _by_hand()),
        *_section("Cautions", _table(WORKING.items())),
        _paragraph(TWO_LEADS, "small"),
    ]
    head = (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width">'
        f"<title>{_text(recorded.title)}</title><style>{_STYLE}</style></head><body>"
    )
    return "\n".join([head, *body, "</body></html>", ""])


def _big(j: Judgement) -> str:
    return "NOT DETERMINED" if j.side is Side.UNDETERMINED else words.SIDE[j.side].upper()


def _verdict(j: Judgement) -> str:
    parts = (words.MEANING[j.side], words.roles(j), words.sureness(j))
    return "; ".join(part for part in parts if part) + "."


def _readings(findings: Findings) -> Iterator[tuple[str, str]]:
    yield "source", words.volts(findings.source_v) if findings.source_v is not None else "not seen"
    drops = (("feed side, on", findings.feed_drop_v), ("ground side, on", findings.ground_drop_v))
    for name, drop in drops:
        yield f"drop, {name}", words.volts(drop) if drop is not None else "not seen"
    yield "load looks like", findings.load_kind.value
    if findings.pwm is not None:
        yield "pulses", words.pulses(findings.pwm)
    if findings.pwm_note:
        yield "pulses", findings.pwm_note
    proven = (
        "proven by the lead check" if findings.reference_proven else "not proven: no lead check was passed"
    )
    yield "reference lead", proven
    if findings.gaps:
        lost_s = sum(gap.duration_s for gap in findings.gaps)
        yield "lost time", f"{words.count(len(findings.gaps), 'gap')}, {words.duration(lost_s)}"


def _next(j: Judgement) -> Iterator[str]:
    for test in j.next_test.and_otherwise if j.next_test is not None else ():
        yield _paragraph(test.do)
        for meaning in filter(None, test.splits.split("; ")):
            yield _paragraph(meaning, "small")
        if test.caution:
            yield _caution(test.caution)
    if j.candidates:
        yield _table(line.split("  ", 1) for line in could_be(j))


def _events(findings: Findings) -> Iterator[str]:
    if not findings.events:
        yield _paragraph("None.")
        return
    listed = numbered(findings.events)
    rows = [(str(n), words.moment(e.t_s), words.duration(e.duration_s), e.kind.value) for n, e in listed]
    yield _rows(("", "at", "long", "what"), rows)
    if len(findings.events) > len(listed):
        yield _paragraph(f"The worst {len(listed)} of {len(findings.events)}.", "small")
    for kind in dict.fromkeys(e.kind for _, e in listed):
        example = next(e for _, e in listed if e.kind is kind)
        yield _paragraph(f"{kind.value}: {look_words.told(example, findings.judgement)}", "small")
    for line in event_lines.all_lines(findings.summary):
        yield _paragraph(line, "small")


def _edges(findings: Findings) -> Iterator[str]:
    yield _paragraph(f"At first the load was {findings.initial_state.value}.")
    if not findings.edges:
        yield _paragraph("It was not switched.")
        return
    shown = ", ".join(words.edge(edge) for edge in findings.edges[:EDGES_LISTED])
    more = len(findings.edges) - EDGES_LISTED
    yield _paragraph(shown + (f", and {more} more." if more > 0 else "."))


def _note(note: tuple[float | None, str]) -> str:
    at_s, text = note
    return _paragraph(text if at_s is None else f"{words.moment(at_s)}: {text}")


# -- markup -------------------------------------------------------------------------------------------------


def _text(text: str) -> str:
    return escape(words.printable(text, 2000))


def _paragraph(text: str, kind: str = "") -> str:
    return f"<p{f' class={kind!r}' if kind else ''}>{_text(text)}</p>"


def _caution(text: str) -> str:
    return f'<p class="caution"><b>Caution:</b> {_text(text)}</p>'


def _table(lines: Iterable[Sequence[str]]) -> str:
    rows = "".join(f"<tr><th>{_text(name)}</th><td>{_text(text)}</td></tr>" for name, text in lines)
    return f"<table>{rows}</table>"


def _rows(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    top = "".join(f"<th>{_text(head)}</th>" for head in heads)
    all_rows = "".join(f"<tr>{''.join(f'<td>{_text(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><tr>{top}</tr>{all_rows}</table>"


def _by_hand() -> str:
    rows = "".join(f"<tr><th>{_text(name)}</th><td></td></tr>" for name in AFTER_REPAIR)
    return f'<table class="by-hand">{rows}</table>'


def _figure(figure: Figure) -> str:
    return f"<figure>{figure.svg}<figcaption>{_text(figure.caption)}</figcaption></figure>"


def _section(title: str, *parts: str) -> list[str]:
    return [f"<h2>{_text(title)}</h2>", *parts] if parts else []
