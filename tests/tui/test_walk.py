"""Walking the wire on the bench, by keys alone: what the walk finds, what it refuses, how it goes back.

What is hidden in each circuit stands in the bench's catalogue, which knows nothing of the reasoning; that
such readings mean such faults is common practice of the trade, no source.
"""

from __future__ import annotations

from time import monotonic
from types import SimpleNamespace
from unittest.mock import patch

import pytest
from textual.pilot import Pilot

from daq.bench_catalog import find
from daq.readings import Lamp, Levels, Reading, State, Working
from daq.source import Capability
from daq.walk_here import Phase
from tests.tui.scenes import ListSource, switched
from tests.tui.stage import LARGE, SMALL, a_run, lines, settled, shows_big, tap, text, until
from tests.tui.walker import LONG, strong_bias, walking
from tests.walk.strider import LEAST, found
from tui.keys import AFTER_DRIVE, WALK, WALK_WIGGLE
from tui.walk import means_of

OUT = State(plugged=False)
PLAIN = Levels((0.0, 0.0), ("whisper", "whisper"))


async def test_the_walk_finds_what_is_hidden_by_keys_alone() -> None:
    """A welded switch, to readings the same as a shorted control wire. The other circuits: tests/walk."""
    async with walking("stable-lamp") as (pilot, person):
        doubts = await person.on_to(Phase.END)
        await until(pilot, lambda: "Repaired?" in text(pilot.app))
        answer = person.screen.walk.answer
        assert answer is not None
        assert found(find("stable-lamp").truth, answer) >= LEAST
        assert all("NOT TAKEN" not in doubt for doubt in doubts)
        assert any(shows_big(lines(pilot.app), word) for word in ("GROUND SIDE", "NOT KNOWN YET"))


async def test_a_lead_that_slips_off_is_noticed_and_nothing_is_taken_until_it_is_back() -> None:
    async with walking("trailer-lamp") as (pilot, person):
        await person.turn("lead 2", "off pin")
        await tap(pilot, "enter")
        await until(pilot, lambda: "NOT TAKEN: Lead 2 reads as on nothing" in text(pilot.app), LONG)
        assert person.taken == 0
        await person.turn("lead 2", "on pin")
        await until(pilot, lambda: person.taken == 1, LONG)
        what = person.screen.walk.here.taken[0].what
        assert isinstance(what, Levels)
        assert what.volts == pytest.approx((12.6, 12.6), abs=0.1)


async def test_a_load_still_plugged_in_is_noticed_and_going_back_takes_the_plug_in_again() -> None:
    """The load feeds the control wire from the feed; unplugged, nothing holds it."""
    clock = [0.0]
    async with walking("gate-lamp", asked=[Reading(OUT, PLAIN)]) as (
        pilot,
        person,
    ):
        while not person.asks_to("Unplug"):
            await person.one_step()
        await until(pilot, lambda: person.session.latest.plug == "out")  # before it is pulled
        await tap(pilot, "enter")  # said, and not done
        await until(pilot, lambda: "NOT TAKEN" in text(pilot.app), LONG)
        whole = text(pilot.app)
        assert "Nothing changed when it was unplugged" in whole or "something joins them" in whole
        before = person.taken
        await person.turn("plug", "out")
        await until(pilot, lambda: person.taken == before + 1, LONG)
        leaving = "plug the load in (then p); q again leaves"
        with patch("tui.notice.time", SimpleNamespace(monotonic=lambda: monotonic() + clock[0])):
            await tap(pilot, "q")
            await until(pilot, lambda: leaving in text(pilot.app))
            clock[0] = 600.0
            await settled(pilot)
            assert leaving in text(pilot.app), "it stands until a key is pressed"
        assert pilot.app.screen is person.screen
        await tap(pilot, "v")
        await until(pilot, lambda: leaving not in text(pilot.app))
        await tap(pilot, "b")
        await until(pilot, lambda: person.asks_to("'out, off' is read again"))
        await until(pilot, lambda: "undo what you had begun, so that it is 'unplugged" in text(pilot.app))
        await tap(pilot, "b")
        await until(pilot, lambda: person.asks_to("Plug the load in again"))
        assert person.session.latest.plug == "out"
        await person.obey()
        await until(pilot, lambda: person.asks_to("Unplug"))
        await tap(pilot, "b")
        await until(pilot, lambda: person.session.latest.plug == "in")
        await until(pilot, lambda: not strong_bias(person))


async def test_a_load_that_is_still_on_is_not_unplugged_and_no_stray_key_skips_that() -> None:
    """The levels with the control said to be off are those of on: a live circuit."""
    asked = [Reading(State(control="on"), PLAIN), Reading(OUT, PLAIN)]
    async with walking("trailer-lamp", asked=asked) as (pilot, person):
        while not person.asks_to("Switch the control off"):
            await person.one_step()
        await person.settle()
        await tap(pilot, "enter")
        await until(pilot, lambda: "NOT TAKEN: lead" in text(pilot.app), LONG)
        assert "still reads as it did while on" in text(pilot.app)
        assert "Unplug the load" not in text(pilot.app)
        await person.turn("control", "off")
        await until(pilot, lambda: person.asks_to("The load is to be unplugged next"), LONG)
        await until(pilot, lambda: "control off, unplug, only then on" in text(pilot.app))
        with patch("tui.walk.BY_ITSELF_S", 1e9):  # as long as that is: an Enter that was on its way
            await tap(pilot, "enter")
            await until(pilot, lambda: "by itself, and this step is new" in text(pilot.app))
        assert person.asks_to("The load is to be unplugged next")
        await person.settle()
        await tap(pilot, "enter")
        await until(pilot, lambda: person.asks_to("Unplug the load."), LONG)
        assert not person.screen.walk.here.insisted


@pytest.mark.parametrize(
    ("name", "looks"),
    [
        ("van-lamp", "lit"),  # two ohms too many: the light draws too little to show it
        pytest.param("fog-lamp", "dark", marks=pytest.mark.long),  # open
    ],
)
async def test_the_constant_ground_is_tried_with_the_benchs_own_test_light(name: str, looks: str) -> None:
    """That a bad ground still lights a test light is common practice of the trade, no source."""
    async with walking(name, asked=[Reading(OUT, Lamp("positive", 1, "lit"))]) as (pilot, person):
        await person.on_to(Phase.SAY)
        whole = text(pilot.app)
        assert "Hold a test light from battery positive to lead 1's pin. How does it look?" in whole
        assert "CAUTION: Never on yellow connectors" in whole
        assert "4 light 5 jumper 6 5 W lamp l lit" in whole
        await person.on_to(Phase.END)
        assert person.lights == [f"out, off, light from positive on lead 1: {looks}"]
        light = person.screen.walk.here.taken[-1]
        assert light == Reading(OUT, Lamp("positive", 1, looks))
        await until(pilot, lambda: "Take the test light away from the pin." in text(pilot.app))


async def test_what_the_load_does_is_asked_and_the_bench_shows_it() -> None:
    """An open winding: both pins at source, and nothing moves."""
    load, alone = Reading(State(control="on"), Working("works")), Reading(OUT, Working("works", alone=True))
    async with walking("mixer-valve", asked=[load, alone]) as (pilot, person):
        await person.on_to(Phase.SAY)
        await until(pilot, lambda: "At this bench it is dead." in text(pilot.app))  # nobody can look there
        whole = text(pilot.app)
        assert "See or hear what the load itself does. l it works, m weak (dim, slow), k dead; s:" in whole
        assert "Keep clear of anything the load can move." in whole
        assert "l works m weak k dead" in whole
        await says(pilot, "enter", "say what the load does: l it works, m weak, k dead; s where nobody can")
        await tap(pilot, "k")
        await until(pilot, lambda: person.phase is not Phase.SAY)
        assert person.screen.walk.here.taken[-1] == Reading(State(control="on"), Working("dead"))
        await person.on_to(Phase.SAY)
        await until(pilot, lambda: "At this bench it is dead." in text(pilot.app))
        whole = text(pilot.app)
        assert "Feed the load itself straight from the battery, by two leads, the positive one fused" in whole
        assert "battery end last on, first off" in whole
        assert "airbags" in whole
        await tap(pilot, "k")
        await person.on_to(Phase.END)
        assert person.screen.walk.here.taken[-1] == Reading(OUT, Working("dead", alone=True))


@pytest.mark.long
async def test_after_the_repair_the_same_readings_are_taken_and_shown_beside_those_before() -> None:
    async with walking("cargo-lamp", LARGE) as (pilot, person):
        await person.on_to(Phase.END)
        await until(pilot, lambda: "a repaired: read again" in text(pilot.app))
        before = len(person.screen.walk.here.taken)
        assert "ground side (control wire: lead 2): open, feed wire" in text(pilot.app)
        await person.turn("fault", "off")
        await tap(pilot, "a")
        await person.on_to(Phase.PROVEN)
        await until(pilot, lambda: shows_big(lines(pilot.app), "PROVEN"))
        assert len(person.screen.walk.here.after) == before
        rows = [line.split() for line in lines(pilot.app)]
    assert ["reading", "before", "after"] in rows
    on = next(row for row in rows if row[:2] == ["in,", "on"])
    assert [float(on[n].replace("\N{MINUS SIGN}", "-")) for n in (2, 4, 6, 8)] == pytest.approx(
        [0, 0, 12.5, 0.0], abs=0.2
    )


async def test_no_key_is_silent_where_it_has_nothing_to_do() -> None:
    async with walking("trailer-lamp", proven=False, asked=[Reading(OUT, Lamp("positive", 1, "lit"))]) as (
        pilot,
        person,
    ):
        await until(pilot, lambda: person.session.latest.lead_check.step == 1)
        await says(pilot, "enter", "the check goes on by itself once lead 1 reads a steady source")
        for step in (2, 3, 4):
            await tap(pilot, "s")
            await until(pilot, lambda step=step: person.session.latest.lead_check.step == step)  # type: ignore[misc]
        await says(pilot, "s", "nothing is passed over here: Enter once both leads are seated")
        await tap(pilot, "enter")
        await until(pilot, lambda: person.phase is Phase.MOVE)
        await says(pilot, "s", "this reading is where everything begins: it cannot be passed over")
        await tap(pilot, "enter")
        await tap(pilot, "enter")
        nothing = "nothing to confirm: it is read by itself once both leads stand still"
        await until(pilot, lambda: nothing in text(pilot.app) or person.phase is not Phase.READ)
        await person.on_to(Phase.SAY)
        await says(pilot, "enter", "say how the light looks: l lit, m dim, k dark")
        await person.on_to(Phase.END)
        await says(pilot, "enter", "the walk is at its end: a once it is repaired, b goes back, q leaves")
        await says(pilot, "q", "take the test light away from the pin, plug the load in (then p)")
        await tap(pilot, "q")
        await until(pilot, lambda: pilot.app.screen is not person.screen)


async def says(pilot: Pilot[None], key: str, answer: str) -> None:
    await tap(pilot, key)
    await until(pilot, lambda: answer in text(pilot.app))


def test_a_jumper_is_planned_with() -> None:
    with a_run(source=ListSource(switched(0.1), capabilities=frozenset({Capability.BIAS}))) as run:
        assert means_of(run.session).aids


@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_every_key_is_shown_with_why_and_caution(size: tuple[int, int]) -> None:
    async with walking("trailer-lamp", size, proven=False) as (pilot, person):
        await until(pilot, lambda: "Take lead 1 off its pin" in text(pilot.app))
        for key in (*WALK[1:], WALK_WIGGLE, *AFTER_DRIVE):
            await until(pilot, lambda shown=f"{key.cap} {key.label}": shown in text(pilot.app))  # type: ignore[misc]
        whole = text(pilot.app)
        assert "Enter done" not in whole, "it goes on by itself"
        for fact in ("CAUTION: Key off.", "why: A lead that is off", "x control: off"):
            assert fact in whole
        await tap(pilot, "w")
        await until(pilot, lambda: shows_big(lines(pilot.app), "STEADY"), LONG)
        await person.turn("lead 2", "off pin")
        await until(pilot, lambda: "lead 2 fell: 1" in text(pilot.app), LONG)
        assert shows_big(lines(pilot.app), "LEAD 2 AWAY")
        await tap(pilot, "q", "q")
        await until(pilot, lambda: person.session.latest.lead_check.step == 0)


async def test_where_neither_lead_is_fed_the_wiggle_test_says_what_it_would_not_see() -> None:
    """Key off: nothing departs, whatever breaks in the feed (common practice, no source)."""
    async with walking("tailgate-lamp", SMALL, proven=False) as (pilot, person):
        await until(pilot, lambda: "Take lead 1 off its pin" in text(pilot.app))
        await tap(pilot, "w")
        await until(pilot, lambda: shows_big(lines(pilot.app), "NO FEED"), LONG)
        whole = " ".join(text(pilot.app).split())
        assert "a feed which opens cannot be seen" in whole
        assert "What shows so: a ground that a lead at zero loses, a short." in whole
        with patch.object(person.session, "hold_probes") as hold:  # held since the screen came
            await tap(pilot, "q")
            await until(pilot, lambda: hold.call_args is not None)
        assert hold.call_args.args == (False,)
