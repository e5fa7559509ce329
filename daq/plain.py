"""The facts of the screens as lines of text: for screen readers, pipes and terminals that cannot draw.

A line is written when a fact changes, never because time passed; no control codes, every line flushed.
"""

from __future__ import annotations

import os
import re
import sys
import threading
from collections.abc import Callable
from typing import TextIO

from daq import words
from daq.cautions import TEXT as CAUTION_TEXT
from daq.events import REGISTRY
from daq.explain import NO_FIT
from daq.explain_words import could_be
from daq.findings import Event, Judgement, NextTest
from daq.lead_check import SEAT, WIGGLE
from daq.live_reasons import LiveReasons
from daq.samples import Bias
from daq.session import Session, SessionState
from daq.snapshot import Snapshot, StateWord
from daq.typed import TypedLines, Typist

MOST_REASONS = 3
BACK = "the logger is back"


POLL_S = 0.1
"""How often the latest snapshot is looked at (s): below what a listener notices."""


class Reporter:
    """Remembers what was said; `lines` gives what is new in a snapshot."""

    def __init__(self) -> None:
        self._said: dict[str, str] = {}
        self._edges = 0
        self._events = 0

    def lines(self, now: Snapshot) -> list[str]:
        """New facts, each one line, the verdict first."""
        out: list[str] = []

        def say(subject: str, text: str, essence: str | None = None) -> None:
            essence = text if essence is None else essence
            if text and self._said.get(subject) != essence:
                self._said[subject] = essence
                out.append(f"{words.moment(now.time_s)}  {words.printable(text, 2000)}")

        self._verdict(now, say)
        self._lead_check(now, say)
        self._readings(now, say)
        say("advice", f"see to this first: {words.advice(now)}" if words.advice(now) else "")
        strong = {Bias.UP, Bias.DOWN} & {*now.bias}  # the whisper goes away now and then by itself
        say("bias", f"bias: {words.bias(now)}", words.bias(now) if strong else "harmless")
        say("losses", words.losses(now.losses), "" if now.losses.gaps == 0 else None)
        say("plug", words.plug(now.plug))
        say("expectation", words.expected(now))
        for caution in now.cautions:
            say(f"caution {caution}", f"caution: {CAUTION_TEXT.get(caution, caution)}")
        return out + self._happenings(now)

    def reasons(self, now: Snapshot, judgement: Judgement) -> list[str]:
        """What it could be and which test tells, where that was not said yet."""
        lines = [f"could be: {line}" for line in could_be(judgement, MOST_REASONS)]
        if not judgement.fits:
            lines.insert(0, NO_FIT)
        if judgement.next_test is not None and judgement.next_test.reading:
            lines += map(_next_line, judgement.next_test.and_otherwise)
        essence = _without_numbers("; ".join(lines))
        if self._said.get("reasons") == essence:
            return []
        self._said["reasons"] = essence
        return [f"{words.moment(now.time_s)}  {words.printable(line, 2000)}" for line in lines]

    def _verdict(self, now: Snapshot, say: Callable[..., None]) -> None:
        judgement = now.judgement
        parts = [words.SIDE[judgement.side].upper(), words.MEANING[judgement.side], words.roles(judgement)]
        proven = "reference proven" if now.reference_proven else "reference not proven"
        proven = "lead check FAILED" if now.lead_check.refuted else proven
        essence = "; ".join(part for part in [*parts, proven] if part)
        say("verdict", f"verdict: {essence}; {words.sureness(judgement)}".removesuffix("; "), essence)
        say("why", f"why: {judgement.why}", _without_numbers(judgement.why))
        if judgement.next_test is not None:
            text = _next_line(judgement.next_test)
            say("next", text, _without_numbers(text))

    def _lead_check(self, now: Snapshot, say: Callable[..., None]) -> None:
        check = now.lead_check
        for number, result in enumerate(check.results):
            say(f"lead check {number}", f"lead check: {result}")
        if check.step:
            then = {WIGGLE: " Type: wiggled", SEAT: " Then type: clear"}.get(check.step, "")
            say("lead check", f"lead check: {check.instruction}{then}")
        elif check.passed is not None:
            end = "FAILED" if check.refuted else "passed" if check.passed else "not passed"
            say("lead check", f"lead check {end}")

    def _readings(self, now: Snapshot, say: Callable[..., None]) -> None:
        for number, view in enumerate(now.leads, start=1):
            if view.word is not StateWord.CHANGING and not now.pulsed:
                say(f"lead {number}", words.lead(number, view), view.word.value)
        say("load", words.load(now), f"{now.load.value} {now.pulsed}")
        if now.source_v is not None:
            say("source", words.source(now), f"{now.source_origin} {now.source_v:.0f}")

    def _happenings(self, now: Snapshot) -> list[str]:
        edges = [f"edge: {words.edge(edge)}" for edge in now.edges]
        events = [f"EVENT: {words.event(event)}{self._meaning(event)}" for event in now.events]
        out = _newest(edges, now.edge_count - self._edges, "edges")
        out += _newest(events, now.event_count - self._events, "events")
        self._edges, self._events = now.edge_count, now.event_count
        return out

    def _meaning(self, event: Event) -> str:
        """What a kind of event means, the first time it is seen."""
        first = self._said.setdefault(f"event {event.kind.value}", words.event(event))
        return f": {REGISTRY[event.kind].sentence}" if first == words.event(event) else ""


def run_plain(session: Session, out: TextIO | None = None, stop: threading.Event | None = None) -> int:
    """Write the facts of a started session until it ends, `stop` is set or the reader goes away.

    With a keyboard on standard input, typed lines work the marks (see `typed`). Closes the session and
    returns the exit code.
    """
    out = out or sys.stdout
    stop = stop or threading.Event()
    try:
        _follow(session, out, stop)
    except KeyboardInterrupt:
        pass  # the normal stop
    except BrokenPipeError:
        mute(out)
    finally:
        session.close()
    for trouble in (session.error, session.recording.error):
        if trouble is not None:
            print(f"whichside: {words.printable(str(trouble), 500)}", file=sys.stderr)
    return session.exit_code


def _follow(session: Session, out: TextIO, stop: threading.Event) -> None:
    reporter, typed, typist, reasons = Reporter(), TypedLines(), Typist(session), LiveReasons()
    info = session.source.info
    nominal = [words.NOT_CALIBRATED] if info.nominal else []
    _write(out, [f"measuring with {words.printable(info.name)}", *nominal, *typed.greeting()])
    recording, away = session.recording, (False, False)
    while True:
        over = session.state is not SessionState.RUNNING  # looked at first, so that the last facts get out
        if session.latest.samples:
            _write(out, reporter.lines(session.latest))
            reasons.follow(session.latest)
            if over:
                reasons.wait()
            if reasons.latest is not None:
                _write(out, reporter.reasons(session.latest, reasons.latest))
        if session.recording != recording:
            recording = session.recording
            _write(out, [words.recording(recording.path, recording.saved, recording.error)])
        if (session.away, session.other) != away:
            away = session.away, session.other
            _write(out, [words.away(session.other) if session.away else BACK])
        for line in typed.take():
            reply = typist.obey(line)
            if reply is None:
                return
            _write(out, [reply])
        if over or stop.wait(POLL_S):
            return


def _write(out: TextIO, lines: list[str]) -> None:
    if lines:
        out.write("".join(f"{line}\n" for line in lines))
        out.flush()


def mute(out: TextIO) -> None:
    """The reader is gone: keep the interpreter's last flush from failing again."""
    if out is sys.stdout:
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, sys.stdout.fileno())
        os.close(nothing)


def _newest(lines: list[str], new: int, noun: str) -> list[str]:
    """The last `new` of the lines; says how many more there were than a snapshot holds."""
    if new <= 0:
        return []
    unseen = [f"{new - len(lines)} more {noun}"] if new > len(lines) else []
    return unseen + lines[-new:]


def _next_line(test: NextTest) -> str:
    caution = f"CAUTION: {test.caution}" if test.caution else ""
    return " ".join(part for part in ("next:", test.do, test.splits, caution) if part)


def _without_numbers(text: str) -> str:
    """A sentence whose figures move with every reading is said again only when its words change."""
    return re.sub(r"[\d.,−±]+", "#", text)
