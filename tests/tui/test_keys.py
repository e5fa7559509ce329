"""The keys: apart enough to be read, none that does nothing, the same work on the same key."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from textual.screen import Screen

from daq.bench import BenchSource, benches
from daq.bench_rig import BenchCircuit
from daq.session import Session
from tests.tui.scenes import StagePipeline
from tests.tui.stage import SMALL
from tui import look_back_keys
from tui.bench import BenchScreen
from tui.drive import DriveScreen
from tui.hands import CIRCUIT, HANDS, Hands
from tui.keys import (
    AFTER_DRIVE,
    AFTER_WIGGLE,
    BIAS,
    COMMON,
    DRIVE,
    DRIVE_MARKS,
    LIVE,
    NOTE_AFTERWARDS,
    REPAIRED,
    REVIEW,
    SILENCE,
    SKIP,
    WALK,
    WALK_LIGHT,
    WALK_WIGGLE,
    WIGGLE_KEYS,
    Key,
    wrap,
)
from tui.log_keys import LogKeys
from tui.look_back import LookBackScreen
from tui.review import ReviewScreen
from tui.walk import WalkScreen
from tui.wiggle import WiggleScreen


@pytest.mark.parametrize("circuit", benches(), ids=lambda circuit: circuit.name)
def test_the_keys_of_a_bench_stand_well_apart_on_a_small_screen(circuit: BenchCircuit) -> None:
    """Two columns between them, in four rows; closer only where a neighbour's key comes too."""
    source = BenchSource(circuit.name)
    session = Session(source, StagePipeline())
    hands = Hands(session, circuit.controls, circuit.start, source).shown(HANDS)
    session.close()
    shown = [(key.cap, "10 s wide" if key.action == "window" else key.label) for key in (*LIVE, *COMMON)]
    bar = [*hands, *shown, ("i", "bias: whisper")]
    assert len(wrap(bar, SMALL[0], 2)) <= 4 + ("neighbour" in circuit.controls)


SCREENS: list[tuple[type[Screen[None]], Sequence[Key]]] = [
    (BenchScreen, (*LIVE, *COMMON, *HANDS, SKIP, BIAS)),
    (DriveScreen, (*DRIVE_MARKS, *DRIVE, SILENCE, *AFTER_DRIVE, *CIRCUIT)),
    (WalkScreen, (*WALK, *WALK_LIGHT, REPAIRED, WALK_WIGGLE, *AFTER_DRIVE, *HANDS)),
    (WiggleScreen, (*WIGGLE_KEYS, SILENCE, *AFTER_WIGGLE, *HANDS)),
    (ReviewScreen, (*REVIEW, NOTE_AFTERWARDS, *COMMON)),
    (LookBackScreen, (*look_back_keys.LOOK, NOTE_AFTERWARDS, *look_back_keys.COMMON)),
]


@pytest.mark.parametrize(("screen", "shown"), SCREENS, ids=lambda value: getattr(value, "__name__", ""))
def test_no_screen_shows_a_key_that_does_nothing(screen: type[Screen[None]], shown: Sequence[Key]) -> None:
    for key in shown:
        action = key.action.split("(")[0]
        if not action.startswith("app."):
            assert hasattr(screen, f"action_{action}"), key


def test_what_is_the_same_work_is_the_same_key_on_every_live_screen() -> None:
    live = [shown for screen, shown in SCREENS if issubclass(screen, LogKeys)]
    for action in (
        "record",
        "note",
        "expect",
        "help",
        "leave",
        "wiggle",
        "silence",
        "mark('on')",
        "mark('off')",
    ):
        assert len({key.cap for shown in live for key in shown if key.action == action}) == 1, action
