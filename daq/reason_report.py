"""The answer of the reasoning in plain lines."""

from __future__ import annotations

from daq.reason_words import SIDE_WORDS, Explanation, misreadings
from daq.reasoning import Answer

MOST_LISTED = 8


def lines(answer: Answer) -> list[str]:
    """The answer as a person reads it: the side, what it could be, what to do next and why."""
    side, chance = max(answer.side.items(), key=lambda pair: pair[1])
    out = [
        f"side: {SIDE_WORDS[side]}, {_percent(chance)}" + ("" if chance >= 0.9 else " (not enough to say so)")
    ]
    if not answer.fits:
        out.append("No single fault explains these: check the leads, or there are two faults. Does not fit:")
        out += [f"  {reading}" for reading in answer.misfits]
    out.append("could be:")
    listed = answer.candidates[:MOST_LISTED]
    out += [f"  {_percent(p):>6}  {found}" for found, p in listed]
    rest = 1.0 - sum(p for _, p in listed)
    if rest > 0.005:
        out.append(f"  {_percent(rest):>6}  others")
    for group in answer.look_alikes:
        out.append(f"no test here tells apart: {_joined(group)}")
    out += _next(answer)
    out += [f"mind: {note}" for note in misreadings(answer.given)]
    return out


def _next(answer: Answer) -> list[str]:
    test = answer.next_test
    if test is None:
        reason = {
            "known": "nothing: the place is known. Confirm it, repair, and read the same again.",
        }.get(answer.stop, "nothing: no test offered here would tell more; follow the wire itself.")
        return [f"next: {reason}"]
    out = [f"next: {test.do}"]
    if test.caution:
        out.append(f"caution: {test.caution}")
    out.append("what it would mean:")
    out += [f"  {meaning}" for meaning in test.splits.split("; ")]
    out.append(f"then add: '{test.reading}'")
    return out


def _joined(group: tuple[Explanation, ...]) -> str:
    return "; ".join(f"{SIDE_WORDS[e.side]}, {e.what}" for e in group)


def _percent(probability: float) -> str:
    return "<1 %" if 0 < probability < 0.01 else f"{100 * probability:.0f} %"
