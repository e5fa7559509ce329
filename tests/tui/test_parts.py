"""Letters, prompts, keys, bias, bell: the small parts, without a screen."""

from __future__ import annotations

import string
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq import event_lines, words
from daq.event_summary import summarise
from daq.findings import Event, EventKind, Side
from daq.samples import Bias
from daq.source import Capability, SetBias
from tui import bias, keys
from tui.hands import HANDS
from tui.keys import wrap
from tui.letters import ROWS, big
from tui.prompts import SCHEDULE, TOTAL_S, Prompter
from tui.terminal import Bell

BIG_WORDS = [
    *(words.SIDE[side].upper() for side in Side),
    *(prompt.word for prompt in SCHEDULE),
    "LEAD CHECK",
    "SEAT LEADS",
    "WHICH SIDE",
]


@pytest.mark.parametrize("word", sorted(set(BIG_WORDS)))
def test_every_big_word_fits_80_columns_five_rows_tall(word: str) -> None:
    rows = big(word, 80)
    assert len(rows) == ROWS
    assert all(len(row) == len(rows[0]) <= 80 for row in rows)
    assert rows == big(word, 10_000), "not cut"


def test_big_words_grow_with_the_screen() -> None:
    assert len(big("NOT YET", 200, 12)) == 10
    assert len(big("NOT YET", 80, 12)) == 10
    assert len(big("GROUND SIDE", 80, 12)) == 5


def test_letters_differ() -> None:
    letters = {letter: tuple(big(letter, 80)) for letter in string.ascii_uppercase if letter not in "JMQXZ"}
    assert len(set(letters.values())) == len(letters)


def test_prompts_come_in_turn_each_once_and_end() -> None:
    prompter = Prompter()
    assert prompter.poll(100.0) == (None, False)
    prompter.start(100.0)
    begun = []
    for step in range(int(TOTAL_S * 20) + 2):
        prompt, new = prompter.poll(100.0 + step / 20)
        if prompt is not None and new:
            begun.append((prompt.word, prompt.mark, prompt.rings, step / 20))
    assert begun == [
        ("GET READY", "", 0, 0.0),
        ("SWITCH ON", "on", 1, 4.0),
        ("SWITCH OFF", "off", 2, 7.0),
        ("SWITCH ON", "on", 1, 10.0),
        ("SWITCH OFF", "off", 2, 13.0),
        ("SWITCH ON", "on", 1, 16.0),
        ("SWITCH OFF", "off", 2, 19.0),
    ]
    assert not prompter.running


def test_a_prompt_counts_down() -> None:
    prompter = Prompter()
    prompter.start(0.0)
    prompt, _ = prompter.poll(0.01)
    assert prompt is not None
    assert [prompter.left_s(prompt, at) for at in (0.01, 1.0, 1.5, 3.2, 3.99)] == [4, 3, 3, 1, 1]


def test_the_bell_is_limited() -> None:
    now, rung = [10.0], []
    bell = Bell(lambda: rung.append(now[0]), clock=lambda: now[0])
    for step in range(100):
        now[0] = 10.0 + step * 0.05
        bell()
    assert 0 < len(rung) <= 13
    assert min(b - a for a, b in pairwise(rung)) >= 0.4


@given(
    st.lists(st.tuples(st.text("ab", min_size=1, max_size=5), st.text("cd ", max_size=30)), max_size=30),
    st.integers(40, 120),
    st.integers(1, 2),
)
def test_wrapped_keys_keep_their_order_and_the_width(
    entries: list[tuple[str, str]], width: int, gap: int
) -> None:
    rows = wrap(entries, width, gap)
    assert [entry for row in rows for entry in row] == entries
    assert all(
        sum(len(c) + 1 + len(t) for c, t in row) + gap * (len(row) - 1) <= width for row in rows if row
    )


@pytest.mark.parametrize(
    "groups", [(keys.LIVE, keys.COMMON, HANDS, [keys.BIAS, keys.SKIP]), (keys.REVIEW, keys.COMMON)]
)
def test_no_key_has_two_meanings(groups: tuple[list[keys.Key], ...]) -> None:
    names = [name for group in groups for key in group for name in key.key.split(",")]
    assert len(names) == len(set(names))


def test_strong_bias_is_offered_unplugged_only() -> None:
    def offered(plug: str) -> list[str]:
        found, now = [], bias.WHISPER
        for _ in range(7):
            found.append(bias.name(now))
            now = bias.following(now, plug, frozenset(Capability))
        return found

    assert offered("out")[:7] == [
        "whisper",
        "off",
        "up on lead 1",
        "up on lead 2",
        "down on lead 1",
        "down on lead 2",
        "whisper",
    ]
    for plug in ("in", "unknown"):
        assert set(offered(plug)) == {"off", "whisper"}
    assert bias.following(SetBias(Bias.UP, Bias.OFF), "in", frozenset(Capability)) == bias.WHISPER


def test_a_board_is_offered_only_the_bias_it_has() -> None:
    assert bias.following(bias.OFF, "out", frozenset({Capability.WHISPER})) == bias.WHISPER
    assert bias.following(bias.WHISPER, "out", frozenset({Capability.WHISPER})) == bias.OFF
    assert bias.following(bias.OFF, "out", frozenset({Capability.BIAS})) == SetBias(Bias.UP, Bias.OFF)
    assert bias.at_rest(frozenset({Capability.BIAS})) == bias.OFF


def test_what_happens_in_a_moment_is_not_said_to_last() -> None:
    woke, fell = Event(EventKind.FEED_AWAKE, 7.947, 0.0), Event(EventKind.FEED_DROPOUT, 1.26, 0.0032)
    assert words.event(woke) == "7.947 s feed awake"
    assert words.event(fell) == "1.260 s feed dropout, 3.2 ms"
    said = [event_lines.kind_line(kind, 10.0) for kind in summarise([fell, woke], [], 0.0, 10.0).kinds]
    assert said == ["feed dropout: 1, longest 3.2 ms, last 8 s ago", "feed awake: 1, last 2 s ago"]
