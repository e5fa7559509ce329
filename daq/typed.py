"""Typed lines: the keys of the dashboard as words and Enter, for --plain at a keyboard."""

from __future__ import annotations

import os
import queue
import sys
import threading
from pathlib import Path

from daq.errors import WhichsideError
from daq.lead_check import LIFTED, SEAT
from daq.samples import ChangeKind
from daq.session import Session
from daq.source import Capability, Operate
from daq.walk_doubts import on_positive

HELP = (
    "type: on, off or other (you switched it), in or out (the load's connector), check, wiggled, skip, stop "
    "(lead check), note TEXT, expect WORD, record FILE, end (the recording), clear, quit; then Enter"
)
_BENCH_HELP = "bench: do WHAT TO, as in: do control on; do plug out; do lead 1 off pin"

_CHANGES: dict[str, tuple[ChangeKind, str, str]] = {
    "on": (ChangeKind.MARK, "on", "marked: switched on"),
    "off": (ChangeKind.MARK, "off", "marked: switched off"),
    "other": (ChangeKind.MARK, "other", "marked: switched to the other direction"),
    "in": (ChangeKind.PLUG, "in", "noted: plugged in"),
    "out": (ChangeKind.PLUG, "out", "noted: unplugged"),
    "check": (ChangeKind.LEAD_CHECK, "start", "lead check started"),
    "wiggled": (ChangeKind.LEAD_CHECK, "wiggled", "noted: the reference lead was wiggled"),
    "skip": (ChangeKind.LEAD_CHECK, "skip", "step skipped"),
    "stop": (ChangeKind.LEAD_CHECK, "stop", "lead check stopped"),
}
_EXPECTATIONS = ("switching", "steady", "automatic", "unknown")
_WHATS = ("control", "plug", "lead 1", "lead 2", "reference", "light", "key", "neighbour", "fault")


class TypedLines:
    """Lines from the keyboard, read by a thread of its own; nothing when standard input is no terminal."""

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._listening = sys.stdin is not None and sys.stdin.isatty()
        if self._listening:
            # A daemon on the bare descriptor: at exit, a thread inside sys.stdin would hold its lock.
            threading.Thread(target=self._listen, args=(sys.stdin.fileno(),), daemon=True).start()

    def greeting(self) -> list[str]:
        return [HELP] if self._listening else []

    def take(self) -> list[str]:
        taken = []
        while not self._lines.empty():
            taken.append(self._lines.get_nowait())
        return taken

    def _listen(self, descriptor: int) -> None:
        while text := os.read(descriptor, 4096):  # a terminal hands over whole lines
            for line in text.decode(errors="replace").splitlines():
                self._lines.put(line)


class Typist:
    """Does what typed lines say; asks where the keys ask: before evidence goes, before leads are believed."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._asked = ""  # the question that the line before was answered with

    def obey(self, line: str) -> str | None:
        """The reply to a line; None to quit."""
        word, _, rest = line.strip().partition(" ")
        if word == "quit":
            return None
        asked, self._asked = self._asked, ""
        try:
            if word == "clear" and not rest:
                return self._clear(asked)
            return _carry_out(self._session, word, rest.strip())
        except WhichsideError as error:
            return str(error)

    def _clear(self, asked: str) -> str:
        check = self._session.latest.lead_check
        if check.just_failed:
            return "not taken: the check has just ended by itself; read why, type clear once leads are seated"
        seats = check.step == SEAT
        question = on_positive(check, "clear") if seats else "type clear again to clear the evidence"
        if question and question != asked:
            self._asked = question
            return question
        self._session.change(ChangeKind.CLEAR, "")
        if seats:
            return "from here everything is evidence: switch the load on and off"
        return "evidence cleared: judging anew from here"


def _carry_out(session: Session, word: str, rest: str) -> str:
    if word == "wiggled" and session.latest.lead_check.instruction == LIFTED:
        return "nothing is counted while no lead reads battery positive: put one there first"
    if word in _CHANGES and not rest:
        kind, value, reply = _CHANGES[word]
        session.change(kind, value)
        return reply
    if word == "note" and rest:
        session.change(ChangeKind.NOTE, rest)
        return "noted"
    if word == "expect" and rest in _EXPECTATIONS:
        session.change(ChangeKind.EXPECT, rest)
        return f"expected now: {rest}"
    if word == "record" and rest:
        session.start_recording(Path(rest))
        return "recording asked for"
    if word == "end":
        session.stop_recording()
        return "end of the recording asked for"
    return _operate(session, rest) if word == "do" else _help(session)


def _operate(session: Session, rest: str) -> str:
    for what in _WHATS:
        if rest.startswith(f"{what} "):
            session.command(Operate(what, rest.removeprefix(what).strip()))
            return f"done: {rest}"
    return _help(session)


def _help(session: Session) -> str:
    bench = Capability.OPERATE in session.source.capabilities
    return f"{HELP}. {_BENCH_HELP}" if bench else HELP
