"""Copper against published tables, and drops against limits; sources beside each."""

from __future__ import annotations

import pytest

from daq.copper import AWG_SIZES, awg_ohm_per_km, length_m, metric_ohm_per_km, warming
from daq.drops import as_wire, drops, lines
from daq.knowledge import shipped
from daq.readings import parse_all

PER_1000_FT = 3.2808399  # 1000 ft of it to a km


@pytest.mark.parametrize(
    ("size", "ohm"),
    [(10, 0.9989), (12, 1.588), (14, 2.525), (16, 4.016), (18, 6.385), (20, 10.15), (22, 16.14)],
)
def test_solid_copper_at_20_degrees(size: int, ohm: float) -> None:
    """Ohm per 1000 ft, HyperPhysics' table (Floyd): the formula agrees to 0.1 %."""
    assert awg_ohm_per_km(size) == pytest.approx(ohm * PER_1000_FT, rel=1.2e-3)


@pytest.mark.parametrize(("size", "ohm"), [(18, 7.77), (16, 4.89), (14, 3.07), (12, 1.93), (10, 1.21)])
def test_solid_copper_at_75_degrees(size: int, ohm: float) -> None:
    """NEC chapter 9, table 8 (as copied on a page): ohm per 1000 ft, uncoated, solid."""
    assert awg_ohm_per_km(size, 75.0) / PER_1000_FT == pytest.approx(ohm, rel=5e-3)


def test_warming() -> None:
    """x 1.118 at 50 °C and x 1.216 at 75 °C: coefficient 0.00393, from memory."""
    assert [warming(50), warming(75)] == pytest.approx([1.118, 1.216], abs=1e-3)


def test_fine_stranded_wire_is_a_little_worse_than_its_section() -> None:
    """IEC 60228 class 5 lies 1.13 to 1.16 times above ideal copper (computed from the table)."""
    for section in (0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0):
        assert 1.125 < metric_ohm_per_km(section) * section / 17.241 < 1.165


def test_the_boat_builders_example() -> None:
    """ABYC E-11: CM = 10.75 I L / E. 10 A, 21 ft, 3 % of 12 V: 6271 CM, so AWG 12 (6530 CM) loses less."""
    feet, amperes = 21.0, 10.0
    assert 10.75 * amperes * feet / 0.36 == pytest.approx(6271, abs=1)
    drop = amperes * awg_ohm_per_km(12) * feet * 0.3048 / 1000
    assert 0.85 * 0.36 < drop < 0.36


def test_lengths() -> None:
    assert length_m(100, 13.3) == pytest.approx(7.52, abs=0.01)
    wire = as_wire(100)
    assert wire["1.5 mm²"] == pytest.approx(7.52, abs=0.01)
    assert set(wire) >= {f"AWG {n}" for n in AWG_SIZES}


def test_a_bad_ground_is_over_its_limit() -> None:
    feed, ground = drops(parse_all(["in on source 12.5", "in on 12.3 2.8"]), shipped(), 4.0)
    assert (feed.side, ground.side) == ("feed", "ground")
    assert feed.volts == pytest.approx(0.2)
    assert not feed.over
    assert not feed.doubtful
    assert "ground" in ground.over
    assert ground.milliohm == pytest.approx(700)
    text = "\n".join(lines((feed, ground), shipped()))
    assert "700 mΩ" in text
    assert "common practice" in text


def test_leads_the_other_way_round_make_no_difference() -> None:
    assert drops(parse_all(["in on 2.8 12.3"]), shipped()) == drops(parse_all(["in on 12.3 2.8"]), shipped())


def test_without_source_there_is_no_feed_drop() -> None:
    assert [d.side for d in drops(parse_all(["in on 9.1 0.1"]), shipped())] == ["ground"]


def test_a_source_at_rest_may_have_sagged() -> None:
    feed, _ = drops(parse_all(["source 12.6", "in on 9.1 0.1"]), shipped())
    assert feed.doubtful
    assert "sags" in lines((feed,), shipped())[0]


@pytest.mark.parametrize(
    "texts", [["in on 12.6 12.6"], ["in off 12.6 0"], ["out on 12.6 0"], ["in on 12.6 _"], []]
)
def test_without_current_there_is_no_drop(texts: list[str]) -> None:
    assert drops(parse_all(texts), shipped()) == ()


def test_a_drop_within_its_uncertainty_of_the_limit_is_not_called() -> None:
    (ground,) = drops(parse_all(["in on 12.5 0.22"]), shipped())
    assert ground.over == ()


def test_below_battery_negative_there_is_no_drop() -> None:
    """Nothing in a DC circuit with one battery is there: the reference lead is off."""
    assert drops(parse_all(["source 12.6", "in on 6.2 -6.2"]), shipped()) == ()


def test_a_source_that_rose_since_it_was_read_makes_no_drop_below_nothing() -> None:
    """12.4 V at rest, 14.1 V at the load with the engine running: the generator, no gain in the wire."""
    found = drops(parse_all(["source 12.4", "in off 14.2 14.2", "in on 14.1 0.1"]), shipped())
    assert [d.side for d in found] == ["ground"]
