"""What was said live is what the recording says later, whatever the user did meanwhile."""

from __future__ import annotations

import json
import time
from pathlib import Path

import pytest

from daq.bench import BenchSource
from daq.bench_rig import CARRY_S
from daq.capture import CaptureWriter
from daq.findings import Findings, to_json
from daq.pipeline import Pipeline
from daq.recordings_in import analyse, open_recording
from daq.samples import Change, ChangeKind
from daq.session import Session
from daq.source import Operate

SCRIPT = [
    (at, Operate("control", to))
    for n in range(4)
    for at, to in ((0.4 + 1.2 * n, "on"), (1.0 + 1.2 * n, "off"))
]


def live(path: Path, circuit: str, worked: tuple[tuple[ChangeKind, str], ...]) -> Findings:
    """A run on the bench, forty times faster than life, with a user who presses keys now and then."""
    source = BenchSource(circuit, speed=40.0, script=SCRIPT, duration_s=6.0)
    session = Session(source, Pipeline(), CaptureWriter, record_to=path).start()
    for kind, value in worked:
        time.sleep(0.02)
        session.change(kind, value)
    assert session.join(30)
    session.close()
    assert session.error is None
    assert session.findings is not None
    return session.findings


@pytest.mark.parametrize("circuit", ["trailer-lamp", "cabin-blower", "rake-lamp", "horn-relay"])
def test_review_equals_live(circuit: str, tmp_path: Path) -> None:
    path = tmp_path / "run.whichside"
    worked = (
        (ChangeKind.MARK, "on"),
        (ChangeKind.PLUG, "in"),
        (ChangeKind.NOTE, "the lamp flickered [bold]here[/bold]"),
        (ChangeKind.CLEAR, ""),
        (ChangeKind.EXPECT, "automatic"),
        (ChangeKind.MARK, "off"),
    )
    said = live(path, circuit, worked)
    source = open_recording(path)
    reviewed = analyse(source)
    source.close()
    assert json.dumps(to_json(said, "")) == json.dumps(to_json(reviewed, ""))


def test_a_lead_that_comes_off_is_probed_live_and_judged_alike_in_review(tmp_path: Path) -> None:
    """The whisper goes away for a moment while the lead hangs free; the recording shows the same."""
    path = tmp_path / "loose.whichside"
    script = [*SCRIPT, (5.5, Operate("lead 2", "off pin")), (7.5, Operate("lead 2", "on pin"))]
    source = BenchSource("trailer-lamp", speed=10.0, script=script, duration_s=8.5)
    session = Session(source, Pipeline(), CaptureWriter, record_to=path).start()
    assert session.join(30)
    session.close()
    said = session.findings
    assert said is not None
    assert (said.judgement.side.value, said.judgement.control_lead) == ("low", 2)
    assert [event.kind.value for event in said.events] == ["lead off"]
    assert said.events[0].t_s == pytest.approx(5.5, abs=0.005)
    assert said.events[0].duration_s == pytest.approx(2.0 + CARRY_S, abs=0.005)
    reviewed = open_recording(path)
    biases = [item.value for item in reviewed if isinstance(item, Change) and item.kind is ChangeKind.BIAS]
    reviewed.close()
    assert biases == ["whisper whisper", "off off", "whisper whisper"]
    again = open_recording(path)
    assert to_json(analyse(again), "") == to_json(said, "")
    again.close()


def test_a_recording_begun_late_holds_the_whole_run(tmp_path: Path) -> None:
    path = tmp_path / "late.whichside"
    source = BenchSource("work-lamp", speed=40.0, script=SCRIPT, duration_s=6.0)
    session = Session(source, Pipeline(), CaptureWriter).start()
    time.sleep(0.05)
    session.start_recording(path)
    assert session.join(30)
    session.close()
    assert session.findings is not None
    reviewed = open_recording(path)
    assert to_json(analyse(reviewed), "") == to_json(session.findings, "")
    reviewed.close()
