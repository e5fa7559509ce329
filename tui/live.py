"""The live screen: the dashboard over a logger or a bench, and the keys that put things into the log."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from time import monotonic
from typing import ClassVar

from textual.binding import BindingType

from daq import words
from daq.errors import WhichsideError
from daq.lead_check import LIFTED, SEAT, WIGGLE
from daq.samples import ChangeKind
from daq.session import Session
from daq.snapshot import Snapshot
from daq.source import Capability, SetBias
from daq.walk import Walk
from daq.walk_doubts import on_positive
from tui import bias, keys, panels
from tui.dashboard import Dashboard
from tui.drive import DriveScreen
from tui.hands import Hands
from tui.keys import Key
from tui.log_keys import LogKeys
from tui.prompts import Prompter
from tui.walk import WalkScreen, means_of
from tui.wiggle import WiggleScreen

_SECOND_RING_S = 0.5  # after the first: beyond the bell's own limit, short enough to be one signal

ASKED_S = 15.0
"""How long a question about the leads stands, and its answer is taken (s): somebody looks at them first."""

_NOT_CALIBRATED_S = 10.0  # then the first line alone says so

_STRONG = "stand clear of what it can operate; never on airbags or 5 V sensors"
_ABOUT_BIAS = {
    bias.WHISPER: "whisper on: a lead on nothing now reads 2.6 V and says so",
    bias.OFF: "bias off: a lead on nothing reads zero now, like a ground",
}


class LiveScreen(Dashboard, LogKeys):
    """Keys work on `session`; `new_capture` names the file that the record key begins."""

    bench_hands: Hands | None = None
    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(keys.LIVE, [keys.SKIP, keys.BIAS], keys.COMMON)

    def __init__(self, session: Session, new_capture: Callable[[], Path]) -> None:
        super().__init__(session)
        self.new_capture = new_capture
        self._prompter = Prompter()
        self._walk: Walk | None = None  # begun with its key; goes on where it was left
        self._wanted = bias.OFF  # asked for last; what the logger did stands in the log

    def on_mount(self) -> None:
        """Runs beside the dashboard's own."""
        if self.device.nominal:
            self.notice(words.NOT_CALIBRATED, _NOT_CALIBRATED_S)

    def mood(self) -> str:
        if self.over:
            return "ENDED"
        if self.session.away:
            return "OTHER LOGGER" if self.session.other else "LOGGER AWAY"
        return "PAUSED" if self._frozen else ""

    def keys(self) -> Sequence[Key]:
        step = self.session.latest.lead_check.step
        check = [{WIGGLE: keys.WIGGLED, SEAT: keys.SEATED}.get(step, keys.SKIP)] if step else []
        return (*keys.LIVE, *check, *keys.COMMON)

    def extra_keys(self) -> Sequence[tuple[str, str]]:
        return [(keys.BIAS.cap, f"bias: {bias.name(self._bias)}")] if self._has_bias else []

    @property
    def _bias(self) -> SetBias:
        """What the logger has on the leads; the moment of a probe is not worth showing."""
        return bias.WHISPER if self.session.probing else SetBias(*self.session.latest.bias)

    def big_word(self, snapshot: Snapshot) -> str:
        prompt, _ = self._prompter.poll(monotonic())
        return prompt.word if prompt else super().big_word(snapshot)

    def roles_line(self, snapshot: Snapshot) -> tuple[panels.Part, ...]:
        now_s = monotonic()
        prompt, _ = self._prompter.poll(now_s)
        if prompt is None:
            return super().roles_line(snapshot)
        left = self._prompter.left_s(prompt, now_s)
        return ((f"{prompt.word.lower()} now, hold for {left} s (t stops)", "bold"),)

    def pull(self, hurry: bool = False) -> None:
        self._prompt()
        super().pull(hurry)

    def _prompt(self) -> None:
        """Ring and mark when a prompt begins, whether or not the terminal keeps up."""
        prompt, new = self._prompter.poll(monotonic())
        if prompt is None or not new:
            return
        if prompt.mark:
            self.change(ChangeKind.MARK, prompt.mark)
        if prompt.rings:
            self.bell()
        if prompt.rings == 2:
            self.set_timer(_SECOND_RING_S, self.bell)

    def refused(self, error: WhichsideError) -> None:
        self._prompter.stop()
        super().refused(error)

    def action_lead_check(self) -> None:
        if 0 < self.session.latest.lead_check.step < SEAT:
            self.change(ChangeKind.LEAD_CHECK, "stop", "lead check stopped")
        else:
            self.change(ChangeKind.LEAD_CHECK, "start", "lead check started")

    def action_check_on(self) -> None:
        """Go on in the lead check: skip a lead, say that the reference was wiggled, the leads seated."""
        check = self.session.latest.lead_check
        step = check.step
        if step == SEAT and check.just_failed:
            self.notice("not taken: the check has just ended by itself; read why, k once leads are seated")
        elif step == SEAT and (asks := on_positive(check, "k")) and not self.sure("seated", asks, ASKED_S):
            return
        elif step == SEAT:
            self.change(ChangeKind.CLEAR, "", "from here everything is evidence: switch the load on and off")
        elif step == WIGGLE and check.instruction == LIFTED:
            self.notice("nothing is counted while no lead reads battery positive: put one there first")
        elif step == WIGGLE:
            self.change(ChangeKind.LEAD_CHECK, "wiggled", "noted, three seconds of it count at least")
        elif step:
            self.change(ChangeKind.LEAD_CHECK, "skip", "step skipped")

    def action_plug(self) -> None:
        value = "in" if self.session.latest.plug == "out" else "out"
        if value != "out" and (bias.strong(self._wanted) or bias.strong(self._bias)):
            self._put_bias(bias.at_rest(self.session.source.capabilities))
        answers = {
            "out": "now unplug, circuit off; leads stay on the harness half; p once it is plugged in again",
            "in": "noted: plugged in; judging goes on",
        }
        self.change(ChangeKind.PLUG, value, answers[value])

    @property
    def _has_bias(self) -> bool:
        return bool({Capability.BIAS, Capability.WHISPER} & self.session.source.capabilities)

    def action_bias(self) -> None:
        if self._has_bias:
            can = self.session.source.capabilities
            self._put_bias(bias.following(self._bias, self.session.latest.plug, can))

    def _put_bias(self, wanted: SetBias) -> None:
        try:
            self.session.command(wanted)
        except WhichsideError as error:
            self.notice(str(error))
            return
        self._wanted = wanted
        self.notice(_ABOUT_BIAS.get(wanted, f"bias {bias.name(wanted)}: {_STRONG}"))

    def action_prompts(self) -> None:
        if self._prompter.running:
            self._prompter.stop()
            self.notice("timed prompts stopped")
        else:
            self._prompter.start(monotonic())
            self.notice(
                "hand on the switch: one ring is on, two rings are off; keep clear of what it can move"
            )

    def action_pause(self) -> None:
        self._frozen = None if self._frozen else self.session.latest
        self.notice("the picture is held, measuring goes on" if self._frozen else "the picture runs again")
        self.pull(hurry=True)

    def action_drive(self) -> None:
        self._prompter.stop()
        self.app.push_screen(DriveScreen(self.session, self.new_capture, self.bench_hands))

    def action_walk(self) -> None:
        self._prompter.stop()
        self._walk = self._walk or Walk(means_of(self.session))
        self.app.push_screen(WalkScreen(self.session, self.new_capture, self._walk, self.bench_hands))

    def action_wiggle(self) -> None:
        self._prompter.stop()
        self.app.push_screen(WiggleScreen(self.session, self.new_capture, self.bench_hands))

    def action_clear(self) -> None:
        if self.sure("clear", "press c again to clear the evidence and judge anew"):
            self.change(ChangeKind.CLEAR, "", "evidence cleared: judging anew from here")

    def action_leave(self) -> None:
        recording = self.session.recording.path is not None and not self.over
        if not recording or self.sure("leave", "still recording: press q again to stop and save"):
            super().action_leave()
