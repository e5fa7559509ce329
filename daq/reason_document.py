"""The answer of the reasoning as the document of the hand-reading contract."""

from __future__ import annotations

from typing import Any

from daq.reason_words import Explanation
from daq.reasoning import Answer, Proposal

SCHEMA = 1


def to_json(answer: Answer) -> dict[str, Any]:
    """The document of the hand-reading contract."""
    chances = dict(answer.candidates)
    return {
        "schema": SCHEMA,
        "side": {side: round(p, 4) for side, p in answer.side.items()},
        "candidates": [_candidate(e, p) for e, p in answer.candidates],
        "next_test": None if answer.next_test is None else _next_test(answer.next_test),
        "fits": answer.fits,
        "misfits": [str(r) for r in answer.misfits],
        "look_alikes": [[_candidate(e, chances[e]) for e in group] for group in answer.look_alikes],
        "stop": answer.stop or None,
    }


def _candidate(e: Explanation, probability: float) -> dict[str, Any]:
    document: dict[str, Any] = {
        "side": e.side,
        "control_lead": e.control_lead,
        "fault": e.fault,
        "place": e.place,
        "condition": e.condition,
        "probability": round(probability, 6),
    }
    if e.also is not None:
        document["also"] = {"fault": e.also[0], "place": e.also[1]}
    if e.leaking:
        document["quality"] = "leaking"
    if e.seized:
        document["quality"] = "seized"
    return document


def _next_test(p: Proposal) -> dict[str, Any]:
    beside = {} if p.otherwise is None else {"otherwise": _next_test(p.otherwise)}
    return {
        "do": p.do,
        "reading": p.reading,
        "expected_bits": round(p.expected_bits, 3),
        "splits": p.splits,
        "caution": p.caution,
        "minutes": round(p.minutes, 1),
        **beside,
    }
