"""What looks like switching and may be something else: a shaken contact, a neighbour, a fault.

Each could be told as a side with confidence from the levels alone. Trade facts: common practice, no source,
but for what a load that is switched off gives back, which is Ohm's law.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daq.evidence import Evidence, Votes
from daq.findings import Side
from daq.judge import judge
from tests.analysis.volts import analyse, blocks, findings_of
from tests.analysis.waves import Volts, levels, rounded

RATE_HZ = 4000.0
ON_V, LOW_OFF_V, HIGH_OFF_V = (12.4, 0.1), (12.6, 12.5), (0.0, 0.0)
GROUND_OPEN_V, FEED_OPEN_V = (12.6, 12.5), (0.1, 0.1)

Span = tuple[float, float, float]


def opened_by_chance(times: int, opened: tuple[float, float], off: tuple[float, float]) -> Volts:
    """On already, opened `times` times for a while, then switched off by hand at last."""
    spans: list[Span] = []
    for n in range(times):
        spans += [(0.9 + 0.3 * n, *ON_V), (0.4 + 0.1 * (n % 3), *opened)]
    return levels([*spans, (1.2, *ON_V), (1.0, *off)])


@pytest.mark.parametrize("times", [1, 2, 3, 5])
@pytest.mark.parametrize(("opened", "off"), [(GROUND_OPEN_V, HIGH_OFF_V), (FEED_OPEN_V, LOW_OFF_V)])
def test_a_fault_does_not_outvote_the_one_time_the_hand_switched(
    times: int, opened: tuple[float, float], off: tuple[float, float]
) -> None:
    found = analyse(opened_by_chance(times, opened, off), RATE_HZ)
    assert found["side"] == "undetermined"
    assert not [e for e in found["events"] if "dropout" in e["kind"]], "what opened is not known"
    assert found["edges"][-1]["state"] == "off"


def shaken(hz: float, gap_s: float, opened: tuple[float, float], jitter: float = 0.02) -> Volts:
    """A load on throughout, whose contact opens `hz` times a second for two seconds."""
    rng = np.random.default_rng(7)
    spans: list[Span] = [(1.5, *ON_V)]
    for _ in range(round(2 * hz)):
        gap = gap_s * (1 + jitter * rng.normal())
        spans += [(gap, *opened), ((1 + jitter * rng.normal()) / hz - gap, *ON_V)]
    return levels([*spans, (1.5, *ON_V)])


@pytest.mark.parametrize(("hz", "gap_s"), [(8.0, 0.05), (13.0, 0.03), (26.0, 0.004), (26.0, 0.012)])
@pytest.mark.parametrize(
    ("opened", "kind"), [(GROUND_OPEN_V, "ground dropout"), (FEED_OPEN_V, "feed dropout")]
)
def test_a_contact_that_an_engine_shakes_is_no_driver_that_pulses(
    hz: float, gap_s: float, opened: tuple[float, float], kind: str
) -> None:
    volts = shaken(hz, gap_s, opened)
    assert analyse(volts, RATE_HZ)["side"] == "undetermined"
    watched = findings_of(blocks(volts, RATE_HZ), "steady")
    assert watched["side"] == "undetermined"
    times = [e for e in watched["events"] if e["kind"] == kind]
    assert times, "every moment off is a dropout where the load should be on"
    assert min(e["t_s"] for e in times) == pytest.approx(1.5, abs=0.1)


def test_a_driver_that_pulses_from_off_is_believed() -> None:
    off, pulses = [(0.6, *LOW_OFF_V)], [(0.004, *ON_V), (0.006, *LOW_OFF_V)] * 100
    found = analyse(levels([*off, *pulses, *off, *pulses, *off]), RATE_HZ)
    assert (found["side"], found["control_lead"]) == ("low", 2)


@pytest.mark.parametrize(
    "dimmed",
    [
        (12.5, 4.1),  # another lamp's current lifts the ground that both share
        (8.4, 0.1),  # or pulls the feed
        (10.6, 9.0),  # a starter behind a bad engine strap: the source sags, the ground rises
    ],
)
def test_what_another_load_does_is_no_switching(dimmed: tuple[float, float]) -> None:
    found = analyse(levels([(1.0, *ON_V), (0.6, *dimmed)] * 4 + [(1.0, *ON_V)]), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "another load" in found["why"]
    assert "other loads" in found["next_test"]["do"]


def test_a_driver_that_leaks_is_believed_all_the_same() -> None:
    """What it leaks leaves a string of diodes two fifths of its voltage, and gives back the feed's drop."""
    found = analyse(levels([(0.6, 12.6, 7.5), (0.8, *ON_V)] * 4 + [(0.6, 12.6, 7.5)]), RATE_HZ)
    assert (found["side"], found["control_lead"]) == ("low", 2)


def test_a_bridge_that_drives_both_ways_in_every_period_is_no_switching_of_both_ends() -> None:
    t = np.arange(int(3 * RATE_HZ)) / RATE_HZ
    first = ((t * 50 + 0.013) % 1 < 0.7)[:, None]
    clean = np.where(first, [12.3, 0.15], [0.15, 12.3])
    volts = rounded(clean + np.random.default_rng(2).normal(0, 0.02, clean.shape))
    assert analyse(volts, RATE_HZ)["side"] in ("undetermined", "reversing")


def test_a_reference_that_is_not_on_negative_gives_no_side() -> None:
    """On the feed: while the load is off both leads read zero, while it is on one reads far below."""
    found = analyse(levels([(0.8, 0.0, 0.0), (0.8, 0.0, -7.9)] * 4 + [(0.8, 0.0, 0.0)]), RATE_HZ)
    assert found["side"] == "undetermined"


@pytest.mark.parametrize(
    ("on", "said"),
    [
        ((12.4, 2.6), "Lead 2 still reads 2.6 V while on: too much is lost on the ground side."),
        ((9.4, 0.1), "Lead 1 reads 9.4 V of 12.6 V while on"),
    ],
)
def test_what_the_wires_lose_is_said_beside_the_side(on: tuple[float, float], said: str) -> None:
    seen = Evidence(
        votes=Votes(low=4.0, transitions=8),
        forward=3.0,
        source_v=12.6,
        on_settled=True,
        on_levels_v=on,
        off_levels_v=(12.6, 12.6),
        reference_proven=True,
    )
    found = judge(seen)
    assert found.side is Side.LOW
    assert said in found.why
    assert found.next_test is not None
    assert "connection by connection" in found.next_test.do
    assert said not in judge(replace(seen, on_settled=False)).why, "a mean over edges is no level"


def test_a_shaken_contact_is_none_the_less_one_for_a_longer_opening_beside() -> None:
    frets = [(0.013, *FEED_OPEN_V), (0.012, *ON_V)] * 24
    volts = levels([(4.0, *ON_V), (0.03, *FEED_OPEN_V), *frets, (0.05, *FEED_OPEN_V), (4.0, *ON_V)])
    assert analyse(volts, RATE_HZ)["side"] == "undetermined"


def test_chapters_remember_how_it_rested_and_how_it_ended() -> None:
    """An off as long as chapters, then switched four times, then the feed goes for good."""
    stepping = [(0.1, 12.6, 12.5), (0.1, 13.4, 13.3)] * 300
    cycles = [(0.6, *ON_V), (0.6, *LOW_OFF_V)] * 4
    end = [(0.6, *ON_V), (2.0, *FEED_OPEN_V)]
    short = analyse(levels([(1.0, *LOW_OFF_V), *cycles, *end]), RATE_HZ)
    long = analyse(levels([(1.0, *LOW_OFF_V), *stepping, (1.0, *LOW_OFF_V), *cycles, *end]), RATE_HZ)
    assert (short["side"], long["side"]) == ("low", "low")


def test_a_reversing_load_without_its_reference_is_sent_to_the_reference() -> None:
    """A window motor whose reference lead is off: each direction reads plus and minus half (the front end's
    two equal resistances)."""
    spans = [(0.8, 0.0, 0.0), (0.9, 6.2, -6.2), (0.8, 0.0, 0.0), (0.9, -6.2, 6.2)] * 3
    found = analyse(levels(spans), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "reference lead is off" in found["why"]


def test_a_ground_that_a_neighbour_lifts_is_no_other_direction() -> None:
    """LEDs on the positive side, their ground lifted by a neighbour on the same bad ground: while off they
    let nothing back, so that lead 2 reads nothing and lead 1 what the neighbour makes (to 8 V with a cold
    lamp: ngspice)."""
    rest, lit_up, lifted = (0.4, 0.0, 0.0), (0.06, 8.2, 0.0), (0.35, 4.1, 0.0)
    on, on_lifted = (0.35, 0.06, 12.2), (0.3, 4.3, 12.2)
    spans = [rest, on, rest, lit_up, lifted, on_lifted, on, rest, on, lifted, on_lifted, rest, on, rest]
    found = analyse(levels(spans), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "much less voltage one way" in found["why"]


@pytest.mark.parametrize("weak", [(0.1, 8.0), (0.1, 6.0), (4.5, 12.5)])
def test_a_motor_that_is_weak_one_way_is_not_switched_at_one_end(weak: tuple[float, float]) -> None:
    """A bad contact in one half of the switch that reverses it."""
    rest = (0.8, 0.0, 0.0)
    found = analyse(levels([rest, *[(1.0, 12.5, 0.1), rest, (1.0, *weak), rest] * 3]), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "bad connection that way" in found["why"]
