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


def test_a_source_that_an_engine_pulls_down_is_no_hole() -> None:
    """To 6 V for a moment, 8 V for a second: the shape of ISO 16750-2's starting profile, from memory."""
    volts = pulsed(100.0, 0.5, 4.0)
    share = np.interp(
        np.arange(len(volts)) / RATE_HZ, [1.5, 1.505, 1.52, 1.57, 2.5, 2.6], [1, 0.48, 0.48, 0.65, 0.7, 1]
    )
    found = analyse(rounded(volts * share[:, None]), RATE_HZ)
    assert not [e for e in found["events"] if "dropout" in e["kind"]]


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
