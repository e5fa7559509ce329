"""A pulsed load whose feed or ground opens while the drive goes on: ngspice's answer, behind the front end.

A lamp of 6 ohm, 13.8 V. Both leads have 1.1 Mohm to battery negative and the low-pass of 1 kHz.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.analysis.volts import analyse, blocks, findings_of
from tests.analysis.waves import Volts, levels, pulsed, rounded
from tests.physics.spice import Transient, UnsolvedError, transients
from tests.whole.gap_shapes import FRONT_END

RATE_HZ, SECONDS = 4000.0, 2.4
STARTS_S, STOPS_S = 0.5, 2.1  # of the drive
DUTY = 0.4
# Hz, when the wire opens, for how long; a gap in the ground shows only while the drive is on
HOLES = [
    (660.0, 1.2003, 0.012),
    (660.0, 1.2003, 0.12),
    (203.0, 1.23, 0.003),
    (203.0, 1.2, 0.05),
    (100.0, 1.2002, 0.0005),
    (100.0, 1.2005, 0.0015),
    (100.0, 1.2, 0.03),
    (20.0, 1.203, 0.0125),
    (20.0, 1.2, 0.2),
]


def circuit(side: str, wire: str, hz: float, at_s: float, length_s: float) -> Transient:
    """Switches are ngspice's: 1 milliohm closed, 10 megohm open."""
    drive = "S1 {} {} drive 0 contact"
    gap = "S2 {} {} gap 0 contact"
    feed = gap.format("s", "x") if wire == "feed" else "Rs s x 0.02"
    ground = gap.format("y", "g") if wire == "ground" else "Rg y g 0.02"
    on_positive = drive.format("x", "p") if side == "high" else "Rp x p 0.02"
    on_ground = drive.format("q", "y") if side == "low" else "Rq q y 0.02"
    opens, closes, stops = at_s, at_s + length_s, STOPS_S
    return Transient(
        f"Vsource s 0 13.8\n{feed}\n{on_positive}\nRwire p a 0.04\nRload a b 6\nRback b q 0.04\n{on_ground}\n"
        f"{ground}\nRend g 0 0.03\n.model contact sw(vt=0.5 vh=0.1 ron=1m roff=10meg)\n"
        f"Bdrive drive 0 v = (time > {STARTS_S} && time < {stops}) ? v(beat) : 0\n"
        f"Vbeat beat 0 pulse(0 1 0 2u 2u {DUTY / hz} {1 / hz})\n"
        f"Vgap gap 0 pwl(0 1 {opens} 1 {opens + 5e-6} 0 {closes} 0 {closes + 5e-6} 1)\n{FRONT_END}",
        SECONDS,
        1e-4,
        ("pa", "pb"),
    )


@cache
def recordings() -> dict[tuple[str, str, tuple[float, float, float]], Volts]:
    """All of them: ngspice solves them in one go."""
    wanted = [(side, wire, hole) for side, wire in (("low", "feed"), ("high", "ground")) for hole in HOLES]
    answers = transients([circuit(side, wire, *hole) for side, wire, hole in wanted])
    t, rng = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ, np.random.default_rng(11)
    found = {}
    for what, waves in zip(wanted, answers, strict=True):
        if isinstance(waves, UnsolvedError):
            raise waves
        clean = np.stack([waves.at("pa", t), waves.at("pb", t)], axis=1)
        found[what] = rounded(clean + rng.normal(0, 0.02, clean.shape))
    return found


@pytest.mark.parametrize("hole", HOLES)
@pytest.mark.parametrize(("side", "wire"), [("low", "feed"), ("high", "ground")])
def test_a_wire_that_opens_behind_pulses_is_one_dropout(
    side: str, wire: str, hole: tuple[float, float, float]
) -> None:
    hz, at_s, length_s = hole
    found = analyse(recordings()[side, wire, hole], RATE_HZ)
    assert (found["side"], found["pwm"] is not None) == (side, True)
    assert [e["kind"] for e in found["events"]] == [f"{wire} dropout"]
    event = found["events"][0]
    off_s = (1 - DUTY) / hz if wire == "ground" else 0.0  # an open ground shows with the next pulse
    assert event["t_s"] == pytest.approx(at_s, abs=0.0015 + off_s)
    assert event["t_s"] + event["duration_s"] == pytest.approx(at_s + length_s, abs=0.0015 + off_s)
    assert [e["state"] for e in found["edges"]] == ["on", "off"]


def test_holes_are_the_same_however_the_samples_arrive() -> None:
    volts = recordings()["high", "ground", HOLES[3]]
    whole = findings_of(blocks(volts, RATE_HZ))
    rng = np.random.default_rng(2)
    for _ in range(3):
        cuts = sorted(rng.choice(len(volts), 40, replace=False).tolist())
        assert findings_of(blocks(volts, RATE_HZ, cuts)) == whole


@pytest.mark.parametrize("lowest", [0.48, 0.217])
def test_a_source_that_an_engine_pulls_down_is_no_hole(lowest: float) -> None:
    """To 6 or 3 V for a moment, then 8 V: the shapes of ISO 16750-2's starting profiles, from memory."""
    volts = pulsed(100.0, 0.5, 4.0)
    moments, shares = [1.5, 1.505, 1.52, 1.57, 2.5, 2.6], [1, lowest, lowest, 0.5, 0.6, 1]
    share = np.interp(np.arange(len(volts)) / RATE_HZ, moments, shares)
    found = analyse(rounded(volts * share[:, None]), RATE_HZ)
    assert not [e for e in found["events"] if "dropout" in e["kind"]]


def behind_pulses(seconds: float, openings: list[tuple[float, float]]) -> Volts:
    """Pulsed at 100 Hz on the positive side from 0.5 s on, off for the last half second; the ground opens
    (at, for): in the pulses both leads are at source then."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    driven = ((t + 0.003) * 100.0 % 1 < 0.4) & (t > 0.5) & (t < seconds - 0.5)
    opened = np.zeros(len(t), dtype=bool)
    for at, length in openings:
        opened |= (t >= at) & (t < at + length)
    clean = np.where(driven[:, None], np.where(opened[:, None], (12.6, 12.6), (12.4, 0.3)), 0.0)
    return rounded(clean + np.random.default_rng(5).normal(0, 0.02, clean.shape))


@pytest.mark.parametrize(("times", "length_s"), [(2, 0.05), (5, 0.03), (6, 0.2), (400, 0.02)])
def test_however_often_a_ground_opens_behind_pulses_each_time_is_told(times: int, length_s: float) -> None:
    openings = [(1.0 + 0.25 * n, length_s) for n in range(times)]
    found = analyse(behind_pulses(2.5 + 0.25 * times, openings), RATE_HZ)
    assert (found["side"], len(found["edges"])) == ("high", 2)
    assert [e["kind"] for e in found["events"]] == ["ground dropout"] * times


def test_a_ground_that_is_away_as_long_as_a_hand_takes_is_told_without_a_side() -> None:
    found = analyse(behind_pulses(8.0, [(1.0 + n, 0.4) for n in range(5)]), RATE_HZ)
    assert found["side"] == "undetermined"
    assert [e["kind"] for e in found["events"]] == ["switch-off or dropout"] * 5


def test_openings_hide_no_edge_of_the_hand() -> None:
    """A contact that frets at 50 Hz until the load is switched off; and a feed that opens just before."""
    fret = [(0.01, 12.6, 12.6), (0.01, 12.5, 0.1)] * 20
    once = [(0.8, 0.0, 0.0), (1.0, 12.5, 0.1), *fret]
    found = analyse(levels([*once * 4, (0.8, 0.0, 0.0)]), RATE_HZ)
    assert [e["state"] for e in found["edges"]] == ["on", "off"] * 4
    pulses, rest = pulsed(100.0, 0.4, 1.0), levels([(0.5, 12.6, 12.6)])
    opened = levels([(0.02, 0.0, 0.0), (0.05, 12.6, 12.6)])
    found = analyse(np.concatenate([rest, pulses, opened, pulses, rest]), RATE_HZ)
    assert [e["state"] for e in found["edges"]] in (["on", "off"], ["on", "off"] * 2)


def test_a_hole_at_the_end_of_a_chapter_is_one() -> None:
    """As many stretches as make several chapters; the level that is cut lies in a hole."""
    rng, gap = np.random.default_rng(4), levels([(0.06, 0.0, 0.0)])
    pieces = [levels([(0.5, 12.6, 12.6)])]
    for _ in range(90):
        pieces += [pulsed(100.0, 0.4, float(rng.uniform(0.5, 0.7))), gap]
    found = analyse(np.concatenate([*pieces, pulsed(100.0, 0.4, 0.6), pieces[0]]), RATE_HZ)
    dropouts = [e for e in found["events"] if e["kind"] == "feed dropout"]
    assert len(dropouts) == 90
    assert max(e["duration_s"] for e in dropouts) < 0.075
    assert min(e["duration_s"] for e in dropouts) > 0.05


def test_a_feed_that_opens_behind_pulses_does_not_outvote_them() -> None:
    """The drive pulses the ground side all the while: nothing that its feed does makes it positive side."""
    volts = np.concatenate(
        [levels([(0.5, 12.6, 12.6)]), pulsed(100.0, 0.4, 5.0), levels([(0.5, 12.6, 12.6)])]
    )
    for at_s in (1.5, 2.5, 3.5, 4.5):
        volts[round(at_s * RATE_HZ) : round((at_s + 0.2) * RATE_HZ)] = 0.0
    found = analyse(volts, RATE_HZ)
    assert (found["side"], found["control_lead"]) == ("low", 2)
    assert [e["kind"] for e in found["events"]] == ["feed dropout"] * 4
