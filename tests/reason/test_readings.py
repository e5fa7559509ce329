"""The grammar of hand readings: what is written parses to what was meant; all else is one clear sentence."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import CommandError
from daq.readings import MOST_V, PLACES, UNHEARD, At, Lamp, Levels, Reading, State, Working, parse

VOLTS = st.floats(-MOST_V, MOST_V, allow_nan=False).map(lambda v: float(f"{v:.3g}"))
STATES = st.builds(
    State,
    st.booleans(),
    st.sampled_from(["off", "on", "other", "?"]),
    st.sampled_from([None, "off", "on"]),
    st.booleans(),
)
PAIRS = st.tuples(st.none() | VOLTS, st.none() | VOLTS).filter(lambda p: p != (None, None))
BIASES = st.sampled_from([(None, None), ("up", None), (None, "up"), ("down", None), (None, "down")])
KINDS = st.one_of(
    st.builds(Levels, PAIRS, BIASES),
    st.builds(At, st.sampled_from(["source", *PLACES]), VOLTS),
    st.builds(
        Lamp, st.sampled_from(["positive", "negative"]), st.sampled_from([1, 2]), st.sampled_from(Lamp.words)
    ),
)
WORDS = [*Working.words, UNHEARD]
PLUGGED = st.builds(State, st.just(True), st.sampled_from(["off", "on", "other"]))
READINGS = st.one_of(
    st.builds(Reading, STATES, KINDS),
    st.builds(Reading, PLUGGED, st.builds(Working, st.sampled_from(WORDS))),
    st.builds(Reading, st.just(State(False)), st.builds(Working, st.sampled_from(WORDS), st.just(True))),
)


@given(READINGS)
def test_what_is_written_out_parses_to_the_same(reading: Reading) -> None:
    assert parse(str(reading)) == reading


@given(READINGS, st.randoms())
def test_case_and_spaces_do_not_matter(reading: Reading, random: object) -> None:
    text = str(reading)
    assert parse(f"  {text.upper()} ".replace(" ", "   ")) == reading


PIECES = ["key", "on", "in", "?", "lamp", "bias", "up", "1", "_", "load", "dead", "12.6", "source", "at", "x"]
TEXTS = st.one_of(st.text(), st.lists(st.sampled_from(PIECES)).map(" ".join))


@given(TEXTS)
def test_any_text_is_a_reading_or_one_clear_sentence(text: str) -> None:
    found, sentence = None, ""
    try:
        found = parse(text)
    except CommandError as error:
        sentence = str(error)
    if found is None:
        assert "READING" in sentence
        assert sentence.isprintable()
    else:
        assert parse(str(found)) == found


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("in off 12.6 12.6", Reading(State(), Levels((12.6, 12.6)))),
        ("in off 12,6 12.6V", Reading(State(), Levels((12.6, 12.6)))),
        ("out on _ -0.2", Reading(State(False, "on"), Levels((None, -0.2)))),
        ("key on neighbour off in ? 0 0", Reading(State(True, "?", "on", True), Levels((0.0, 0.0)))),
        ("source 12.6", Reading(State(), At("source", 12.6))),
        ("in on source 9", Reading(State(True, "on"), At("source", 9.0))),
        ("in on at ground-point 0.4", Reading(State(True, "on"), At("ground-point", 0.4))),
        ("out off lamp positive lead 2 dim", Reading(State(False), Lamp("positive", 2, "dim"))),
        ("in on load weak", Reading(State(True, "on"), Working("weak"))),
        ("in on load ?", Reading(State(True, "on"), Working("?"))),
        ("in on load works|weak|dead|?", Reading(State(True, "on"), Working("?"))),
        ("out off load alone works", Reading(State(False), Working("works", True))),
        ("out off load alone works|weak|dead|?", Reading(State(False), Working("?", True))),
        ("out off bias up lead 2 0 4.9", Reading(State(False), Levels((0.0, 4.9), (None, "up")))),
    ],
)
def test_each_form_of_the_contract(text: str, meant: Reading) -> None:
    assert parse(text) == meant


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "'' ends, where in or out should stand"),
        ("in off 12.6", "READING 'in off 12.6' ends, where volts"),
        ("in off 12.6 V", "'V', where volts"),
        ("in off _ _", "neither lead read"),
        ("in on load bright", "'bright', where works, weak, dead or ? should stand"),
        ("out on load works", "tells what the circuit does for no load"),
        ("in off load alone works", "tries alone a load that is plugged in"),
        ("in off 12.6 12.6 0", "'0' after the reading is complete"),
        ("in maybe 1 2", "'maybe', where off, on, other or ? should stand"),
        ("key in off 0 0", "'in', where off or on should stand"),
        ("in on at hood 3", "'hood', where fuse, switch, switch-far or ground-point"),
        ("in on lamp positive lead 3 lit", "'3', where 1 or 2"),
        ("in off 230 0", "beyond the DC circuits up to 32 V"),
        ("in off nan 0", "'nan', where volts"),
        ("in off 12,6,1 0", "'12,6,1', where volts"),
    ],
)
def test_each_mistake_is_named(text: str, words: str) -> None:
    with pytest.raises(CommandError, match="READING") as caught:
        parse(text)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    "text", ["in on jumper positive lead 1 12.5 0.1", "key on out on substitute 12.4 0.2"]
)
def test_what_is_put_on_the_circuit_reads_back(text: str) -> None:
    assert str(parse(text)) == text
