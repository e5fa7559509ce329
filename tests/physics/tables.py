"""Tables and the reliability picture of a campaign, from its scores."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from tests.physics.intervals import Z_99, wilson
from tests.physics.score import Score

BINS = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.99, 1.0000001)


@dataclass(frozen=True)
class Bin:
    """Answers whose confidence lies in [low, high): how many, how many right, Wilson's interval."""

    low: float
    high: float
    answers: int
    right: int
    mean_confidence: float
    interval: tuple[float, float]


def reliability(scores: Sequence[Score]) -> list[Bin]:
    """Of the answers that name a side: how often each confidence was right (side and control lead)."""
    named = [s for s in scores if s.said != "undetermined"]
    out = []
    for low, high in pairwise(BINS):
        inside = [s for s in named if low <= s.confidence < high]
        right = sum(s.side in ("right", "allowed") and (s.control_right or not s.decidable) for s in inside)
        mean = float(np.mean([s.confidence for s in inside])) if inside else 0.0
        out.append(Bin(low, min(high, 1.0), len(inside), right, mean, wilson(right, len(inside))))
    return out


def proportions(scores: Sequence[Score]) -> list[tuple[str, int, int]]:
    """(what, hits, trials): the campaign's headline numbers."""
    decidable = [s for s in scores if s.decidable]
    avoidable = [s for s in scores if not (s.wrong_definite and s.unavoidable)]
    given = [s for s in scores if s.load in ("right", "wrong")]
    judged = [s for s in scores if s.pwm in ("right", "frequency", "duty", "missing")]
    alternating = [s for s in scores if s.ac_warned is not None]
    return [
        (
            "decidable: definite and right",
            sum(s.definite and not s.wrong_definite for s in decidable),
            len(decidable),
        ),
        ("decidable: abstained", sum(not s.definite for s in decidable), len(decidable)),
        (
            "wrong and definite (unavoidable look-alikes left out)",
            sum(s.wrong_definite for s in avoidable),
            len(avoidable),
        ),
        ("wrong and definite, unavoidable look-alikes", sum(s.unavoidable for s in scores), len(scores)),
        ("required edges found", sum(s.edges.found for s in scores), sum(s.edges.required for s in scores)),
        (
            "edges claimed that are false",
            sum(s.edges.false for s in scores),
            sum(s.edges.claimed for s in scores),
        ),
        (
            "required events found",
            sum(s.events.found for s in scores),
            sum(s.events.required for s in scores),
        ),
        (
            "hard events found",
            sum(s.events.hard_found for s in scores),
            sum(s.events.hard_required for s in scores),
        ),
        (
            "events claimed that are false",
            sum(s.events.false for s in scores),
            sum(s.events.claimed for s in scores),
        ),
        ("PWM frequency and duty right", sum(s.pwm == "right" for s in judged), len(judged)),
        ("PWM invented", sum(s.pwm == "invented" for s in scores), len(scores)),
        ("feed drop within 50 mV", *_within([s.feed_drop_error_v for s in scores])),
        ("ground drop within 50 mV", *_within([s.ground_drop_error_v for s in scores])),
        ("load kind right, of those given", sum(s.load == "right" for s in given), len(given)),
        (
            "reference lost: seen",
            sum(s.reference_lost == "seen" for s in scores),
            sum(s.reference_lost in ("seen", "missed") for s in scores),
        ),
        ("reference lost: false", sum(s.reference_lost == "false" for s in scores), len(scores)),
        ("AC warned of", sum(bool(s.ac_warned) for s in alternating), len(alternating)),
    ]


def _within(errors: Iterable[float | None], limit_v: float = 0.05) -> tuple[int, int]:
    given = [abs(e) for e in errors if e is not None]
    return sum(e <= limit_v for e in given), len(given)


def markdown(scores: Sequence[Score]) -> str:
    """The campaign as text."""
    lines = [
        f"{len(scores)} recordings",
        "",
        "| what | hits | of | share | 95 % interval |",
        "|---|---|---|---|---|",
    ]
    for what, hits, trials in proportions(scores):
        low, high = wilson(hits, trials)
        share = f"{100 * hits / trials:.2f} %" if trials else "–"
        lines.append(f"| {what} | {hits} | {trials} | {share} | {100 * low:.2f}–{100 * high:.2f} % |")
    errors = np.abs([e for s in scores for e in s.edges.errors_s])
    if len(errors):
        p50, p95, p99 = np.percentile(errors * 1e3, [50, 95, 99])
        lines += ["", f"Edge time error: median {p50:.2f} ms, 95 % {p95:.2f} ms, 99 % {p99:.2f} ms."]
    lines += ["", "| confidence | answers | right | share | 95 % interval |", "|---|---|---|---|---|"]
    for b in reliability(scores):
        share = f"{100 * b.right / b.answers:.1f} %" if b.answers else "–"
        lines.append(
            f"| {b.low:.2f}–{b.high:.2f} | {b.answers} | {b.right} | {share} "
            f"| {100 * b.interval[0]:.1f}–{100 * b.interval[1]:.1f} % |"
        )
    return "\n".join([*lines, "", *_by_category(scores)])


def _by_category(scores: Sequence[Score]) -> list[str]:
    lines = [
        "| category | n | definite | wrong | edges found | false | events found | false |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for category in sorted({s.category for s in scores}):
        group = [s for s in scores if s.category == category]
        lines.append(
            f"| {category} | {len(group)} | {sum(s.definite for s in group)} "
            f"| {sum(s.wrong_definite for s in group)} "
            f"| {sum(s.edges.found for s in group)}/{sum(s.edges.required for s in group)} "
            f"| {sum(s.edges.false for s in group)} "
            f"| {sum(s.events.found for s in group)}/{sum(s.events.required for s in group)} "
            f"| {sum(s.events.false for s in group)} |"
        )
    return lines


def complaints(scores: Sequence[Score]) -> list[str]:
    """One line for every recording in which something is not as it should be."""
    return [f"{s.name} [{s.category}] {'; '.join(c)}" for s in scores if (c := list(_complaints(s)))]


def _complaints(s: Score) -> Iterable[str]:
    if s.wrong_definite:
        yield f"WRONG: {s.said} at {s.confidence:.2f}" + (" (unavoidable)" if s.unavoidable else "")
    elif s.decidable and not s.definite:
        yield f"open: {s.said} at {s.confidence:.2f}"
    if s.edges.missed_at:
        yield "edges missed at " + " ".join(f"{t:.4f}" for t in s.edges.missed_at[:6])
    if s.edges.false_at:
        yield "false edges at " + " ".join(f"{t:.4f}" for t in s.edges.false_at[:6])
    for words in s.events.missed[:4]:
        yield f"event missed: {words}"
    for words in s.events.invented[:4]:
        yield f"event invented: {words}"
    if s.pwm not in ("", "right"):
        yield f"pwm {s.pwm} {s.pwm_errors or ''}"
    for name, error in (("feed", s.feed_drop_error_v), ("ground", s.ground_drop_error_v)):
        if error is not None and abs(error) > 0.05:
            yield f"{name} drop off by {error:.3f} V"
    if s.load == "wrong":
        yield f"load kind wrong: {s.load_told}"
    if s.reference_lost in ("missed", "false"):
        yield f"reference lost {s.reference_lost}"
    if s.ac_warned is False:
        yield "no AC caution"


def outside(scores: Sequence[Score], table: dict[str, Any]) -> list[str]:
    """What a smaller campaign's proportions say against a written table: intervals that do not meet.

    Those of the smaller one at 99 %: so many proportions are compared that one in twenty is always outside.
    """
    written = {p["what"]: p["interval"] for p in table["proportions"]}
    words = []
    for what, hits, trials in proportions(scores):
        low, high = wilson(hits, trials, Z_99)
        if what in written and trials and (high < written[what][0] or low > written[what][1]):
            words.append(
                f"{what}: {hits} of {trials}, table {written[what][0]:.4f} to {written[what][1]:.4f}"
            )
    return words


def write(scores: Sequence[Score], stem: Path) -> None:
    """STEM.json (the numbers), STEM.md, STEM.svg."""
    document: dict[str, Any] = {
        "proportions": [
            {"what": w, "hits": h, "trials": n, "interval": wilson(h, n)} for w, h, n in proportions(scores)
        ],
        "reliability": [asdict(b) for b in reliability(scores)],
    }
    stem.with_suffix(".json").write_text(json.dumps(document, indent=1) + "\n")
    stem.with_suffix(".md").write_text(markdown(scores) + "\n")
    stem.with_suffix(".svg").write_text(picture(reliability(scores)))


def picture(bins: Sequence[Bin]) -> str:
    """Reliability diagram: confidence to the right, share right upwards, Wilson bars, the diagonal."""
    size, edge = 400, 50
    shapes = [
        f'<rect x="{edge}" y="{edge}" width="{size}" height="{size}" fill="none" stroke="#444"/>',
        f'<path d="M{edge} {edge + size} L{edge + size} {edge}" stroke="#999" stroke-dasharray="5 4"/>',
    ]
    for tick in range(0, 11, 2):
        at = edge + size * tick / 10
        up = edge + size * (1 - tick / 10) + 4
        shapes.append(f'<text x="{at}" y="{edge + size + 18}" text-anchor="middle">{tick / 10:.1f}</text>')
        shapes.append(f'<text x="{edge - 8}" y="{up}" text-anchor="end">{tick / 10:.1f}</text>')
    for b in bins:
        if b.answers:
            shapes += _mark(b, size, edge)
    shapes.append(
        f'<text x="{edge + size / 2}" y="{edge + size + 40}" text-anchor="middle">confidence said</text>'
    )
    shapes.append(f'<text x="{edge}" y="{edge - 14}">share right, 95 % Wilson interval, answers</text>')
    whole = size + 2 * edge
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{whole}" height="{whole}" font-family="sans-serif" '
        f'font-size="12">\n' + "\n".join(shapes) + "\n</svg>\n"
    )


def _mark(b: Bin, size: int, edge: int) -> list[str]:
    x = edge + size * b.mean_confidence
    y, low, high = (edge + size * (1 - v) for v in (b.right / b.answers, *b.interval))
    return [
        f'<line x1="{x:.1f}" y1="{low:.1f}" x2="{x:.1f}" y2="{high:.1f}" stroke="#0072b2" stroke-width="2"/>',
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="#0072b2"/>',
        f'<text x="{x - 7:.1f}" y="{low + 14:.1f}" text-anchor="end" font-size="10">{b.answers}</text>',
    ]


def readme(
    truths: Sequence[dict[str, Any]],
    seed: int,
    count: int,
    unsolved: Sequence[str],
    stories: Sequence[tuple[str, str]],
) -> str:
    """What is in a folder of recordings."""
    counts = Counter((t["category"], t["decidable"]) for t in truths)
    lines = [
        f"# {count} recordings, seed {seed}",
        "",
        "`NAME.npz` holds `volts` (n, 2) in lead order; `truth.jsonl` one truth a line (see truth.py).",
        f"Did not solve: {', '.join(unsolved) or 'none'}.",
        "",
        "| category | decidable | recordings |",
        "|---|---|---|",
    ]
    lines += [f"| {c} | {'yes' if d else 'no'} | {n} |" for (c, d), n in sorted(counts.items())]
    lines += ["", "## Stories", "", *(f"- {name}: {about}" for name, about in stories)]
    return "\n".join(lines) + "\n"
