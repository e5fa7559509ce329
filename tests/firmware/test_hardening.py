"""A power cut amid an EEPROM write, garbage as commands, noise, an index that wraps."""

from __future__ import annotations

import random
import re
from pathlib import Path

import numpy as np
import pytest

from daq.framing import Kind, encode_frame
from daq.messages import Echo, EepromBytes, EepromRead, Identify, Reply, Start, Statistics, Status, Stop
from daq.pairs import DataFrame
from daq.results import ResetCause, Stopped, Tally
from tests.firmware.board import Script, build
from tests.firmware.host_core import HostCore
from tests.firmware.measured import FIGURES, figures, page

COMMAND_TYPES = range(0x10, 0x1A)  # all there are, and one there is not
BYTE_S = 0.0034  # data sheet, EEPROM programming time


@pytest.mark.parametrize("cells", [0, 1, 7, 31])
def test_power_cut_while_the_eeprom_is_written(tmp_path: Path, cells: int) -> None:
    """Bytes are written in order, what lies beyond them stays, nothing is promised, and the device boots."""
    eeprom = tmp_path / "eeprom"
    old, new = b"\xa5" * 64, bytes(range(64))
    eeprom.write_bytes(b"\xff" * 0x20 + old + old + b"\xff" * (1024 - 0xA0))
    # The first boot's number is four cells; then the command, and the power goes in the middle of a cell.
    cut_s = 0.1 + (cells + 0.5) * BYTE_S
    script = Script(tmp_path).send(0.1, EepromBytes(0x20, new), tag=1).order(cut_s, "power")
    heard = script.send(0.4, EepromRead(0x20, 64), EepromRead(0x60, 64), tag=5).run(0.5, eeprom=eeprom)
    cut, beyond = (EepromBytes.parse(heard.reply(tag).result).data for tag in (5, 6))
    done = next(n for n in range(65) if cut == new[:n] + old[n:])
    assert abs(done - cells) <= 1
    assert beyond == old
    assert heard.hellos[-1].reset_cause == ResetCause.POWER_ON
    assert not [m for m in heard.messages if isinstance(m, Reply) and m.tag == 1]  # nothing was promised


@pytest.mark.parametrize("running", [False, True])
def test_every_command_with_any_payload(running: bool) -> None:
    """One reply each, with a status of the protocol; afterwards the device still knows itself."""
    chance = random.Random(17)
    with HostCore() as core:
        core.boot()
        before = core.ask(Identify()).result
        for turn in range(400):
            if running:
                core.say(encode_frame(Kind.START, 0, Start(2000, 0, 31).payload()))
                core.convert([chance.randrange(1024) for _ in range(chance.randrange(8))])
            core.hear()
            kind = chance.choice(COMMAND_TYPES)
            payload = chance.randbytes(chance.choice([0, 1, 2, 3, 4, 5, 66, chance.randrange(67)]))
            core.say(encode_frame(kind, turn & 0xFF, payload))
            replies = [m for m in core.hear() if isinstance(m, Reply)]
            assert [(r.command, r.tag) for r in replies] == [(kind, turn & 0xFF)]
            assert replies[0].status in set(Status)
            assert (replies[0].status == Status.DONE) or not replies[0].result
        core.say(encode_frame(Kind.STOP, 0, b""))
        core.hear()
        assert core.ask(Identify()).result == before


def test_noise_on_the_line_while_sampling(tmp_path: Path) -> None:
    """Commands and rubbish all through a run: not one pair is lost, and what was rubbish is counted."""
    chance = random.Random(23)
    script = Script(tmp_path).send(0.05, Start(2000, 0, 31), tag=1)
    for n in range(80):
        script.order(0.08 + n * 0.005, f"send {chance.randbytes(chance.randint(1, 60)).hex()}")
    script.send(0.5, Stop(), tag=2)
    heard = script.send(0.6, Statistics(), Echo(b"here"), tag=3).run(0.7)
    stopped = Stopped.parse(heard.reply(2).result)
    assert np.array_equal(heard.indices(), np.arange(stopped.pairs))
    assert stopped.pairs > 1500
    tally = Tally.parse(heard.reply(3).result)
    assert (tally.lost_pairs, tally.missed_triggers) == (0, 0)
    assert tally.damaged_frames > 0
    assert heard.reply(4).result == b"here"


def test_the_index_wraps_without_a_jump_and_losses_stay_exact() -> None:
    """At 4000 pairs a second that comes after 12.4 days; firmware/README.md: index modulo 2^32."""
    near = 2**32 - 50
    with HostCore() as core:
        core.boot()
        core.ask(Start(2000, 0, 31))
        core.order(f"index {near}")
        core.convert([500] * (2 + 2 * 200))  # nobody fetches: the store holds 128, 72 are dropped
        core.poll()
        frames = [m for m in core.hear() if isinstance(m, DataFrame)]
        core.poll()
        core.convert([500] * 62)
        core.poll()
        frames += [m for m in core.hear() if isinstance(m, DataFrame)]
        lost = Tally.parse(core.ask(Statistics()).result).lost_pairs
    starts = [(frame.first - near) % 2**32 for frame in frames]
    assert starts == [0, 31, 62, 93, 124, 200]
    assert [frame.overflow for frame in frames] == [False] * 5 + [True]
    assert lost == 72


def test_nothing_is_taken_from_a_heap() -> None:
    """No allocator is linked into the image."""
    names = (build() / "whichside.elf").read_bytes()
    for name in (b"malloc", b"calloc", b"realloc", b"__brkval"):
        assert not re.search(rb"\0" + name + rb"\0", names)


def test_the_table_of_figures_is_what_is_measured(tmp_path: Path) -> None:
    assert FIGURES.read_text() == page(figures(tmp_path)), "python -m tests.firmware.measured writes it anew"
