"""The generator and its truth: repeatable, coherent, and visible to a reader as plain as possible."""

from __future__ import annotations

import ast
import json
import math
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.physics import campaign, circuits
from tests.physics.recordings import Recording, record
from tests.physics.score import score
from tests.physics.spice import UnsolvedError
from tests.physics.truth import Truth, from_dict, to_dict

SEED = 90210
NAMES = [c.name for c in circuits.CATEGORIES]


@pytest.fixture(scope="module")
def recordings() -> dict[str, list[Recording]]:
    """One recording of every category, five of the plain ones."""
    wanted = [*NAMES, *(["contact", "transistor"] * 4)]
    plans = [(name, *circuits.plan(SEED, number, name)) for number, name in enumerate(wanted)]
    halves = [plans[::2], plans[1::2]]
    with ThreadPoolExecutor(2) as pool:  # each waits for an ngspice of its own
        answers = [pair for half in pool.map(record, halves) for pair in half]
    out: dict[str, list[Recording]] = {}
    for (name, _, _), answer in zip([*halves[0], *halves[1]], answers, strict=True):
        assert not isinstance(answer, UnsolvedError), name
        out.setdefault(name, []).append(answer)
    return out


def answer_of(truth: Truth) -> dict[str, Any]:
    """What somebody would say who knows the truth."""
    pwm = truth.pwm if truth.pwm is not None and truth.pwm.required else None
    return {
        "side": truth.side,
        "control_lead": truth.control_lead,
        "confidence": 0.97 if truth.side != "undetermined" else 0.3,
        "edges": [{"t_s": e.t_s, "state": e.state} for e in truth.edges if e.required],
        "events": [
            {"kind": e.kind, "t_s": e.t_s, "duration_s": e.duration_s} for e in truth.events if e.required
        ],
        "pwm": None if pwm is None else {"frequency_hz": pwm.frequency_hz, "duty": pwm.duty},
        "feed_drop_v": truth.feed_drop_v,
        "ground_drop_v": truth.ground_drop_v,
        "load_kind": truth.load_kinds[0] if truth.load_kinds else "unknown",
        "cautions": [s for s in truth.safety if s == "ac"],
        "why": "",
    }


def test_truth_told_back_gets_full_marks(recordings: dict[str, list[Recording]]) -> None:
    for recording in (r for group in recordings.values() for r in group):
        s = score(answer_of(recording.truth), recording.truth)
        assert not s.wrong_definite, recording.truth
        assert s.side in ("right", "rightly open", "allowed"), recording.truth
        assert (s.edges.found, s.edges.false) == (s.edges.required, 0), recording.truth
        assert s.events.found == s.events.required, recording.truth
        assert (s.events.hard_found, s.events.false) == (s.events.hard_required, 0), recording.truth
        assert s.pwm in ("", "right")
        assert s.reference_lost in ("", "seen")


def test_saying_nothing_is_never_wrong(recordings: dict[str, list[Recording]]) -> None:
    silent: dict[str, Any] = {
        "side": "undetermined",
        "control_lead": None,
        "confidence": 0.0,
        "edges": [],
        "events": [],
    }
    for recording in (r for group in recordings.values() for r in group):
        s = score(silent, recording.truth)
        assert not s.wrong_definite
        assert s.side == ("abstained" if recording.truth.decidable else "rightly open")


def test_truth_survives_json(recordings: dict[str, list[Recording]]) -> None:
    for recording in (r for group in recordings.values() for r in group):
        assert from_dict(json.loads(json.dumps(to_dict(recording.truth)))) == recording.truth


def test_recordings_look_like_the_converter(recordings: dict[str, list[Recording]]) -> None:
    for recording in (r for group in recordings.values() for r in group):
        truth, volts = recording.truth, recording.volts
        assert volts.shape == (int(truth.duration_s * truth.rate_hz), 2)
        assert np.isfinite(volts).all()
        assert volts.min() >= -8.0 - 1e-9
        assert volts.max() <= 40.0 + 1e-9


def settled(recording: Recording, state: str) -> list[np.ndarray[Any, Any]]:
    """Median of both leads over the second half of every long enough stretch of one state."""
    truth = recording.truth
    bounds = [(0.0, truth.initial_state), *((e.t_s, e.state) for e in truth.edges)]
    ends = [*(e.t_s for e in truth.edges), truth.duration_s]
    out = []
    for (begin, now), end in zip(bounds, ends, strict=True):
        judged = not any(a < end and b > begin for a, b in truth.unjudged_spans)
        if now == state and judged and end - begin > 0.1:
            first, last = int((begin + end) / 2 * truth.rate_hz), int((end - 0.004) * truth.rate_hz)
            out.append(np.median(recording.volts[first:last], axis=0))
    return out


def test_the_lead_that_moves_is_the_control_lead(recordings: dict[str, list[Recording]]) -> None:
    """The rule taught to apprentices (common practice, no source): off and on differ mostly on the lead
    whose wire is switched. Where truth says the side can be known, plain medians must show it."""
    shown = 0
    for recording in (r for group in recordings.values() for r in group):
        truth = recording.truth
        if truth.side not in ("low", "high") or not truth.decidable or truth.pwm is not None:
            continue
        on, off = settled(recording, "on"), settled(recording, "off")
        if not on or not off:
            continue
        moved = np.abs(np.median(on, axis=0) - np.median(off, axis=0))
        assert int(np.argmax(moved)) + 1 == truth.control_lead, truth
        assert truth.control_lead == (truth.ground_lead if truth.side == "low" else truth.feed_lead)
        shown += 1
    assert shown > 20


def test_same_seed_same_recording() -> None:
    """A campaign can be repeated from its seed."""
    first, second = (record([("again", *circuits.plan(5, 3))])[0] for _ in range(2))
    assert isinstance(first, Recording)
    assert isinstance(second, Recording)
    assert np.array_equal(first.volts, second.volts)
    assert first.truth == second.truth


def test_every_category_is_drawn() -> None:
    weights = sum(c.weight for c in circuits.CATEGORIES)
    assert len(set(NAMES)) == len(NAMES)
    assert all(c.weight / weights > 0.003 for c in circuits.CATEGORIES)


def lying_low(volts: np.ndarray[Any, Any], rate_hz: float) -> dict[str, Any]:
    """An analysis that always says the same, to see the campaign from end to end."""
    assert volts.shape[1] == 2
    assert rate_hz > 0
    return {"side": "low", "control_lead": 2, "confidence": 0.95, "edges": [], "events": []}


def test_campaign_end_to_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    where = tmp_path / "set"
    size = ["--count", "4", "--seed", "3", "--category", "contact", "--workers", "1"]
    assert campaign.main(["--make", str(where), *size]) == 0
    truths = campaign.truths_of(where)
    assert len(truths) == 4
    words = "tests.physics.test_campaign:lying_low"
    stem = tmp_path / "table"
    options = ["--analyse", words, "--list", "--out", str(stem), "--workers", "1"]
    assert campaign.main(["--score", str(where), *options]) == 0
    right = sum(t.side == "low" and t.control_lead == 2 for t in truths)
    document = json.loads(stem.with_suffix(".json").read_text())
    assert document["proportions"][0]["hits"] == right
    assert "<svg" in stem.with_suffix(".svg").read_text()
    assert "WRONG" in capsys.readouterr().out


def test_physics_imports_nothing_from_the_program() -> None:
    for file in Path(__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text())):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not any(n.split(".")[0] in ("daq", "tui") for n in names), file


def test_spans_end_with_the_recording(recordings: dict[str, list[Recording]]) -> None:
    for recording in (r for group in recordings.values() for r in group):
        truth = recording.truth
        times = [e.t_s for e in truth.edges]
        assert times == sorted(times)
        assert all(e.earliest_s <= e.t_s <= e.latest_s + 1e-6 for e in truth.edges)
        assert all(e.t_s >= 0 for e in truth.events)
        assert all(e.t_s + e.duration_s <= truth.duration_s + 0.1 for e in truth.events)
        assert all(math.isfinite(x) for e in truth.events for x in (e.t_s, e.duration_s))
