"""The answer of the reasoning in plain lines."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

from daq.premises import Premise
from daq.reason_words import SIDE_WORDS, Explanation, misreadings, outcome_lines, refit, sound_circuit, unseen
from daq.reasoning import SOUND, Answer, Proposal
from daq.stopping import KNOWN

MOST_LISTED = 8
MOST_ALIKE = 3
INDENT = 4


def lines(answer: Answer) -> list[str]:
    """The answer as a person reads it: the side, what it could be, what to do next and why."""
    if answer.premise is not None:
        return _premise(answer, answer.premise)
    side, chance = max(answer.side.items(), key=lambda pair: pair[1])
    out = [
        f"side: {SIDE_WORDS[side]}, {percent(chance)}" + ("" if chance >= 0.9 else " (not enough to say so)")
    ]
    if not answer.fits:
        out.append("No single fault explains these: check the leads, or there are two faults. Does not fit:")
        out += [f"  {reading}" for reading in answer.misfits]
    out.append("could be:" if answer.fits else "could be, if what does not fit was misread:")
    merged = either_way(answer.candidates)
    total = 1.0 if answer.fits else sum(p for _, p in merged)
    merged = [(text, p / total) for text, p in merged]
    out += [f"  {percent(p):>6}  {text}" for text, p in merged[:MOST_LISTED]]
    rest = 1.0 - sum(p for _, p in merged[:MOST_LISTED])
    if rest > 0.005:
        out.append(f"  {percent(rest):>6}  others")
    alike = list(dict.fromkeys(_joined(group) for group in answer.look_alikes))
    out += [f"no test here tells one from another: {text}" for text in alike[:MOST_ALIKE] if text]
    out += _next(answer)
    notes = (*unseen(answer.candidates, answer.given), *misreadings(answer.given))
    out += [f"mind: {note}" for note in notes]
    return out


def fitted(found: Sequence[str], columns: int) -> list[str]:
    """The lines broken between words, what goes on a little further in: a terminal breaks words instead."""
    out = []
    for line in found:
        further = " " * (len(line) - len(line.lstrip()) + INDENT)
        out += wrap(line, columns, subsequent_indent=further, break_on_hyphens=False) or [""]
    return out


def _premise(answer: Answer, premise: Premise) -> list[str]:
    """What must be put right first, and which readings say nothing for it."""
    out = ["side: not told by these readings. They say nothing of a circuit:"]
    out += [f"  {reading}" for reading in premise.readings]
    if not premise.read_on:
        return [*out, f"next: {premise.told}"]
    return [*out, f"mind: {premise.told}", *_next(answer), *(f"mind: {n}" for n in misreadings(answer.given))]


def _next(answer: Answer) -> list[str]:
    test = answer.next_test
    if answer.lost is not None:
        return [f"next: {refit(answer.lost)}"]
    if test is None:
        if answer.healthy >= SOUND:
            wiggle = "record it, wiggle what may be loose"
            return [f"next: {sound_circuit(answer.given, wiggle)}"]
        reason = {
            KNOWN: "nothing: the place is known. Confirm it, repair, and read the same again.",
            "known, but for look-alikes": "nothing: what is left cannot be told apart by readings here.",
        }.get(answer.stop, "nothing: no test offered here would tell more; follow the wire itself.")
        return [f"next: {reason}"]
    return [line for each in test.and_otherwise for line in _said(each)]


def _said(test: Proposal) -> list[str]:
    out = [f"next: {test.do}"]
    if test.caution:
        out.append(f"caution: {test.caution}")
    out.append("what it would mean:")
    out += outcome_lines(test.splits)
    out.append(f"then add: '{test.reading}'")
    return out


def either_way(candidates: Sequence[tuple[Explanation, float]]) -> list[tuple[str, float]]:
    """Explanations in words, most probable first.

    Two that differ by lead order alone, and are alike probable, are one line: "either lead".
    """
    found: dict[tuple[object, ...], list[tuple[Explanation, float]]] = {}
    for e, p in candidates:
        found.setdefault((e.side, e.fault, e.place, e.condition, e.also, e.leaking, e.seized), []).append(
            (e, p)
        )
    lines = []
    for group in found.values():
        chances = [p for _, p in group]
        if len(group) == 2 and min(chances) > 0.6 * max(chances):
            text = str(group[0][0]).replace(f"lead {group[0][0].control_lead})", "either lead)")
            lines.append((text, sum(chances)))
        else:
            lines += [(str(e), p) for e, p in group]
    return sorted(lines, key=lambda line: -line[1])


def _joined(group: tuple[Explanation, ...]) -> str:
    """Without lead numbers; empty where nothing but those differs."""
    each = list(dict.fromkeys(e.without_leads for e in group))
    return " | ".join(each) if len(each) > 1 else ""


def percent(probability: float) -> str:
    """'76 %', '<1 %'."""
    return "<1 %" if 0 < probability < 0.01 else f"{100 * probability:.0f} %"
