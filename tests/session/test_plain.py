"""--plain: facts as lines when they change, no control codes, pipes that close."""

from __future__ import annotations

import io
import os
import pty
import subprocess
import sys
import threading
import time
from contextlib import closing
from dataclasses import replace
from functools import partial
from typing import cast

import pytest

from daq.errors import DeviceError
from daq.findings import Edge, Event, EventKind, LoadState, Pwm
from daq.lead_check import LIFTED, SEAT
from daq.live_reasons import LiveReasons
from daq.plain import Reporter, run_plain
from daq.samples import Bias, ChangeKind, DeviceInfo
from daq.seen import Seen, SeenState
from daq.session import Session
from daq.snapshot import LeadCheckView, LeadView, Losses, Snapshot, StateWord
from daq.source import Operate
from daq.typed import Typist
from tests.session.test_session import DyingSource
from tests.tui.scenes import GROUND_SIDE, NO_CHECK, NOT_YET, ListSource, StagePipeline, snapshot, switched


def test_the_first_facts_are_complete_and_in_order() -> None:
    lines = Reporter().lines(snapshot())
    assert lines[:10] == [
        "12.345 s  verdict: GROUND SIDE; low side: switched between load and ground; "
        "control wire: lead 2, feed: lead 1; reference not proven; 97 % sure",
        "12.345 s  why: Off: both leads at source; on: lead 2 fell to 0.1 V: switched on the ground side, "
        "lead 2 is the control wire.",
        "12.345 s  next: Switch off, unplug the load, and read lead 1: it should stay at source. At source: "
        "the feed is sound. Near zero: the feed comes through the load. CAUTION: Unplug with the circuit "
        "off; the two pins must never touch.",
        "12.345 s  lead 1: at source, 12.61 V ±0.03",
        "12.345 s  lead 2: at source, 12.58 V ±0.03",
        "12.345 s  load off",
        "12.345 s  source 12.61 V ±0.03 (seen at rest)",
        "12.345 s  bias: off",
        "12.345 s  nothing lost",
        "12.345 s  plugged in",
    ]
    assert "edge: 10.250 s off" in lines
    opened = "The ground-side lead rose to source while on: the ground opened."
    assert f"EVENT: 7.315 s ground dropout, 3.2 ms: {opened}" in lines


def test_a_failed_lead_check_is_told_from_one_that_was_skipped() -> None:
    for refuted, said, proof in (
        (True, "FAILED", "lead check FAILED"),
        (False, "not passed", "reference not"),
    ):
        lines = Reporter().lines(
            replace(snapshot(), lead_check=replace(NO_CHECK, passed=False, refuted=refuted))
        )
        assert f"12.345 s  lead check {said}" in lines
        assert proof in lines[0]


def test_a_floating_lead_is_said_and_a_probe_is_no_news() -> None:
    reporter, now = Reporter(), replace(snapshot(), bias=(Bias.WHISPER, Bias.WHISPER))
    reporter.lines(now)
    assert reporter.lines(replace(now, bias=(Bias.OFF, Bias.OFF))) == []
    loose = replace(now, leads=(now.leads[0], LeadView(2.62, 0.03, StateWord.FLOATING)))
    said = reporter.lines(loose)
    assert "12.345 s  lead 2: floating, 2.62 V ±0.03" in said
    assert any(line.startswith("12.345 s  see to this first: lead 2 on nothing?") for line in said)
    assert (
        reporter.lines(replace(now, bias=(Bias.UP, Bias.OFF)))[-1] == "12.345 s  bias: lead 1 up, lead 2 off"
    )


def test_nothing_is_said_twice_and_figures_alone_are_no_news() -> None:
    reporter, now = Reporter(), snapshot()
    reporter.lines(now)
    moved = replace(
        now,
        time_s=20.0,
        leads=(LeadView(12.40, 0.03, StateWord.AT_SOURCE), LeadView(0.3, 0.1, StateWord.CHANGING)),
        judgement=replace(now.judgement, confidence=0.99, why=now.judgement.why.replace("0.1", "0.2")),
    )
    assert reporter.lines(moved) == []


def test_what_changes_is_said_once() -> None:
    reporter, now = Reporter(), snapshot()
    reporter.lines(now)
    on = replace(
        now,
        time_s=13.0,
        load=LoadState.ON,
        leads=(now.leads[0], LeadView(0.12, 0.03, StateWord.NEAR_ZERO)),
        edge_count=9,
        edges=(*now.edges[1:], Edge(12.9, LoadState.ON)),
        losses=Losses(1, 0.25, 1000),
    )
    assert reporter.lines(on) == [
        "13.000 s  lead 2: near zero, 0.12 V ±0.03",
        "13.000 s  load on",
        "13.000 s  1 gap, 250 ms lost (1000 pairs)",
        "edge: 8.250 s on",
        "edge: 10.250 s off",
        "edge: 12.900 s on",
    ]
    again = Event(EventKind.GROUND_DROPOUT, 12.95, 0.004)
    more = replace(on, event_count=2, events=(*on.events, again))
    assert reporter.lines(more) == ["EVENT: 12.950 s ground dropout, 4.0 ms"], "its meaning was said"
    many = replace(on, edge_count=109)
    assert reporter.lines(many)[0] == "94 more edges"


def test_a_pulsed_load_does_not_flood_the_listener() -> None:
    reporter, now = Reporter(), snapshot()
    reporter.lines(now)
    pulsed = replace(now, pulsed=True, load=LoadState.ON, pwm=Pwm(120.0, 0.35))
    assert reporter.lines(pulsed) == ["12.345 s  load on, pulsed 120.0 Hz, on 35 % of the time"]
    for word in (StateWord.NEAR_ZERO, StateWord.AT_SOURCE):
        assert reporter.lines(replace(pulsed, leads=(now.leads[0], LeadView(1.0, 0.1, word)))) == []


def test_text_from_a_capture_cannot_work_the_terminal() -> None:
    nasty = replace(NOT_YET, why="a\x1b[2Jb\nc\u202ed\x07")
    lines = Reporter().lines(replace(snapshot(), judgement=nasty))
    assert "12.345 s  why: a\ufffd[2Jb c\ufffdd\ufffd" in lines


def test_it_follows_a_run_to_its_end_and_returns_the_code(capsys: pytest.CaptureFixture[str]) -> None:
    source = DyingSource(DeviceError("The logger went away: plug it in again."))
    source.info = DeviceInfo("logger \x1b[31m")
    out = io.StringIO()
    assert run_plain(Session(source, StagePipeline()).start(), out) == 3
    assert out.getvalue().startswith("measuring with logger \ufffd[31m\n12.345 s  verdict: GROUND SIDE")
    assert "\x1b" not in out.getvalue()
    assert capsys.readouterr().err == "whichside: The logger went away: plug it in again.\n"


def test_a_logger_without_calibration_says_so_first() -> None:
    for calibration, said in (("nominal", True), ("2026-01-05", False)):
        source = DyingSource(DeviceError("The logger went away: plug it in again."))
        source.info = DeviceInfo("logger", details={"calibration": calibration})
        out = io.StringIO()
        run_plain(Session(source, StagePipeline()).start(), out)
        assert ("not calibrated" in out.getvalue().splitlines()[1]) is said


def test_stop_ends_it() -> None:
    stop = threading.Event()
    timer = threading.Timer(0.2, stop.set)
    timer.start()
    assert run_plain(Session(ListSource(switched(0.1)), StagePipeline()).start(), io.StringIO(), stop) == 0


def test_a_reader_that_goes_away_is_a_normal_end() -> None:
    """Run as `python … | head -1`: no traceback, code 0."""
    code = (
        "import sys; from daq.plain import run_plain; from daq.session import Session;"
        "from tests.tui.scenes import *;"
        "p = StagePipeline(); s = Session(ListSource(switched(0.1)), p).start();"
        "import threading, dataclasses;"
        "threading.Thread(target=lambda: [__import__('time').sleep(0.05) or "
        "s.change(ChangeKind.PLUG, v) for v in ['in', 'out'] * 40], daemon=True).start();"
        "sys.exit(run_plain(s))"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stderr is not None
    assert process.stdout.readline() == "measuring with bench: brake lamp\n"
    process.stdout.close()
    assert process.wait(20) == 0
    assert process.stderr.read() == ""
    process.stderr.close()


def test_typed_lines_do_what_the_keys_do() -> None:
    pipeline = StagePipeline()
    source = ListSource(switched(0.1))
    session = Session(source, pipeline).start()
    typist = Typist(session)
    try:
        replies = [
            typist.obey(line)
            for line in ("on", "note under the dash", "expect steady", "out", "do lead 1 off pin", "what?")
        ]
        deadline = time.monotonic() + 2.0
        while len(pipeline.changes) < 4 and time.monotonic() < deadline:
            time.sleep(0.01)
    finally:
        session.close()
    assert replies[:5] == [
        "marked: switched on",
        "noted",
        "expected now: steady",
        "noted: unplugged",
        "done: lead 1 off pin",
    ]
    assert replies[5] is not None
    assert "then Enter" in replies[5]
    assert [(c.kind, c.value) for c in pipeline.changes] == [
        (ChangeKind.MARK, "on"),
        (ChangeKind.NOTE, "under the dash"),
        (ChangeKind.EXPECT, "steady"),
        (ChangeKind.PLUG, "out"),
    ]
    assert source.commands == [Operate("lead 1", "off pin")]
    assert typist.obey("quit") is None
    assert typist.obey("on") == "The run is over: nothing can be added to it. Start a new one."


def replies(check: LeadCheckView, *lines: str) -> tuple[list[str | None], list[ChangeKind]]:
    """To lines typed one after the other while the lead check is there; and what went into the log."""
    pipeline = StagePipeline(replace(snapshot(), lead_check=check))
    with closing(Session(ListSource(switched(0.1)), pipeline).start()) as session:
        deadline = time.monotonic() + 2.0
        while session.latest.lead_check != check and time.monotonic() < deadline:
            time.sleep(0.01)
        typist = Typist(session)
        said = [typist.obey(line) for line in lines]
    return said, [c.kind for c in pipeline.changes]


SEATING = replace(NO_CHECK, step=SEAT, passed=True, source_v=12.6)
SEATED = "from here everything is evidence: switch the load on and off"


def test_evidence_is_thrown_away_only_when_clear_is_typed_twice() -> None:
    said, changes = replies(NO_CHECK, "clear", "on", "clear")
    assert said[0] == said[2] == "type clear again to clear the evidence"
    assert changes == [ChangeKind.MARK], "another line takes the question back"
    said, changes = replies(NO_CHECK, "clear", "clear")
    assert (said[1], changes) == ("evidence cleared: judging anew from here", [ChangeKind.CLEAR])


class _Desk:
    """As much of a session as a typist asks, with a lead check that moves on."""

    def __init__(self, *checks: LeadCheckView) -> None:
        self._checks = iter(checks)
        self.told: list[ChangeKind] = []

    @property
    def latest(self) -> Snapshot:
        return replace(snapshot(), lead_check=next(self._checks))

    def change(self, kind: ChangeKind, value: str) -> None:
        self.told.append(kind)


def test_a_confirmation_is_of_the_question_that_was_asked() -> None:
    """The lead check reaches its end between two lines."""
    stays = replace(SEATING, on_positive=(2,))
    for checks in ((NO_CHECK, stays, stays), (stays, NO_CHECK, NO_CHECK)):
        desk = _Desk(*checks)
        typist = Typist(cast(Session, desk))
        first, second = typist.obey("clear"), typist.obey("clear")
        assert "again" in str(first)
        assert "again" in str(second)
        assert first != second
        assert desk.told == []
        typist.obey("clear")
        assert desk.told == [ChangeKind.CLEAR]


def test_leads_that_still_read_battery_positive_are_asked_about_before_they_count_as_seated() -> None:
    said, changes = replies(replace(SEATING, on_positive=(2,)), "clear")
    assert said == [
        "Lead 2 reads as on battery positive (12.6 V), and it was not seen to leave it. Is each lead on its "
        "pin of the load? clear again if so."
    ]
    assert changes == []
    assert replies(replace(SEATING, on_positive=(2,)), "clear", "clear")[0][1] == SEATED
    assert replies(SEATING, "clear") == ([SEATED], [ChangeKind.CLEAR])
    said, changes = replies(replace(SEATING, passed=False, just_failed=True), "clear", "clear")
    assert "has just ended by itself" in str(said[1])
    assert changes == []


def test_wiggling_while_no_lead_is_on_positive_is_not_noted() -> None:
    said, changes = replies(replace(NO_CHECK, step=3, instruction=LIFTED), "wiggled")
    assert "put one there first" in str(said[0])
    assert changes == []


def test_a_keyboard_is_listened_to_without_holding_the_interpreter() -> None:
    """Typed at a pseudo-terminal; the process still ends by itself."""
    code = (
        "from daq.plain import run_plain; from daq.session import Session;"
        "from tests.tui.scenes import *;"
        "raise SystemExit(run_plain(Session(ListSource(switched(0.1)), StagePipeline()).start()))"
    )
    keyboard, screen = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=screen,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    os.close(screen)
    os.write(keyboard, b"out\nquit\n")
    output, _ = process.communicate(timeout=20)
    os.close(keyboard)
    assert process.returncode == 0
    assert "type: on, off or other" in output
    assert "noted: unplugged" in output


def test_what_it_could_be_is_said_once_and_asked_seldom() -> None:
    off = SeenState(None, LoadState.OFF, (12.6, 12.6), (0.01, 0.01))
    bad = SeenState(None, LoadState.FORWARD, (12.4, 2.9), (0.01, 0.01))
    asked = []

    def look(*states: SeenState) -> Seen:
        asked.append(states)
        return Seen(states)

    now = replace(snapshot(), judgement=GROUND_SIDE, time_s=5.0, look=partial(look, off, bad))
    reasons, reporter = LiveReasons(), Reporter()
    for after_s in (0.0, 1.0, 9.9):
        reasons.follow(replace(now, time_s=5.0 + after_s))
    reasons.wait()
    assert reasons.latest is not None
    said = reporter.reasons(now, reasons.latest)
    assert any("could be: " in line and "high resistance, ground" in line for line in said)
    assert any("next: " in line for line in said)
    assert reporter.reasons(now, reasons.latest) == []
    first = reasons.latest
    reasons.follow(replace(now, time_s=16.0))
    reasons.wait()
    assert reasons.latest is first, "the same levels are not reasoned about again"
    assert len(asked) == 3, "looked at twice, and once by the reasoning"


def test_nothing_is_reasoned_about_before_it_was_switched() -> None:
    reasons = LiveReasons()
    still = SeenState(None, LoadState.OFF, (12.6, 12.6), (0.01, 0.01))
    reasons.follow(replace(snapshot(), judgement=NOT_YET, look=lambda: Seen((still,))))
    reasons.wait()
    assert reasons.latest is None
