"""When pictures are made: soon after the leads have come to rest, seldom while nothing happens."""

from __future__ import annotations

import numpy as np

from daq.picture_pace import PICTURE_EVERY_S, PROMPT_MOST, SHARE, TOLD_AFTER_S, PicturePace
from daq.samples import Block, Layout, Scale

RATE_HZ = 4000.0
FRAME = 31
FRAME_S = FRAME / RATE_HZ
LAYOUT = Layout(RATE_HZ, Scale((48 / 1024, 48 / 1024), (-8.0, -8.0)))
SOURCE, ZERO = round(20.6 * 1024 / 48), round(8 * 1024 / 48)


def pictures(levels: list[int], every_s: float = PICTURE_EVERY_S, cost_s: float = 0.0) -> list[float]:
    """When pictures are made while lead 2 reads `levels`, one a pair."""
    pace, made = PicturePace(every_s), []
    noise = np.random.default_rng(3).integers(-1, 2, (len(levels), 2))
    counts = np.column_stack([np.full(len(levels), SOURCE), levels]) + noise
    for first in range(0, len(levels) - FRAME, FRAME):
        block = Block(first, counts[first : first + FRAME].astype(np.int32), LAYOUT)
        end_s = block.end / RATE_HZ
        pace.push(block, end_s)
        if pace.due(end_s):
            made.append(end_s)
            pace.made(end_s, cost_s)
    return made


def turning(*at_s: float, length_s: float) -> list[int]:
    """Levels of a lead that is switched at these times."""
    times_s = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    on = np.searchsorted(at_s, times_s, side="right") % 2 == 1
    return [int(n) for n in np.where(on, ZERO, SOURCE)]


def test_nothing_moves_a_screen_s_worth() -> None:
    made = pictures(turning(length_s=5.0))
    assert np.diff(made).min() >= PICTURE_EVERY_S
    assert len(made) >= 5.0 / (PICTURE_EVERY_S + FRAME_S) - 1


def test_soon_after_a_switching_there_is_a_picture() -> None:
    for offset_s in np.arange(0.0, 0.1, 0.007):
        at_s = 1.0 + offset_s
        made = np.array(pictures(turning(at_s, length_s=2.0)))
        for told_s in TOLD_AFTER_S:
            assert ((made >= at_s + told_s) & (made <= at_s + told_s + 2 * FRAME_S + 0.001)).any()


def test_what_moves_all_the_time_gets_no_more_than_its_share() -> None:
    """Seven pulses a second, each long enough to be told: a few at once, then about one more in 0.15 s."""
    made = pictures(turning(*np.arange(1.0, 21.0, 0.07).tolist(), length_s=21.0))
    calm = 21.0 / PICTURE_EVERY_S
    assert len(made) <= calm + PROMPT_MOST + 20.0 / 0.15
    assert len(made) > calm


def test_faster_pulses_never_come_to_rest() -> None:
    made = pictures(turning(*np.arange(1.0, 6.0, 0.005).tolist(), length_s=6.0))
    assert np.diff(made).min() >= PICTURE_EVERY_S


def test_dear_pictures_come_seldom_but_one_dear_one_changes_nothing() -> None:
    assert np.diff(pictures(turning(length_s=5.0), cost_s=0.04)[1:]).min() >= 0.4
    pace = PicturePace()
    for at_s in (1.0, 2.0, 3.0):
        pace.made(at_s, 0.005)
    pace.made(4.0, 0.2)
    assert pace.due(4.0 + PICTURE_EVERY_S)


def test_dear_pictures_keep_to_their_share_where_much_moves() -> None:
    """A slow computer after thousands of edges, and a lamp that flickers seven times a second."""
    made = pictures(turning(*np.arange(1.0, 41.0, 0.07).tolist(), length_s=41.0), cost_s=0.1)
    first_few = PROMPT_MOST
    assert 0.1 * (len(made) - first_few) < 2.2 * SHARE * 41.0


def test_who_asks_for_few_gets_none_out_of_turn() -> None:
    made = pictures(turning(1.2, 1.7, 3.3, length_s=5.0), every_s=1.0)
    assert np.diff(made).min() >= 1.0
