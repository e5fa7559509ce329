"""The flash that stands in for an EEPROM in the ARM port, on this computer: power cuts, worn cells, wear.

A cut leaves bits half done, which then read now so, now so until they are written or erased whole, or for a
while as before: the chip's manual (PM0075, from memory) promises nothing of what is interrupted.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest

from tests.firmware.host_program import HostProgram

SIZE, BANK, ENTRIES_AT = 1024, 4096, 8 + 1024


class Journal(HostProgram):
    def __init__(self, seed: int = 1, compiler: str = "gcc") -> None:
        super().__init__(f"journal-{compiler}")
        self.order(f"seed {seed}")

    def write_all(self, changes: Sequence[tuple[int, int]]) -> None:
        """All of (address, value), each read back."""
        answers = self.orders([f"write {address} {value}" for address, value in changes])
        assert [int(answer) for answer in answers] == [value for _, value in changes]

    def open(self) -> bytearray | None:
        """All bytes; None where the power went."""
        answer = self.order("open")
        return None if answer == "cut" else bytearray.fromhex(answer)

    def write(self, address: int, value: int) -> int | None:
        answer = self.order(f"write {address} {value}")
        return None if answer.endswith("cut") else int(answer)


def test_a_blank_flash_is_a_blank_eeprom() -> None:
    with Journal() as flash:
        assert flash.open() == bytearray(b"\xff" * SIZE)


@pytest.mark.parametrize("compiler", ["gcc", "clang"])
def test_what_was_written_is_there_after_a_boot(compiler: str) -> None:
    """Through several banks: one takes 383 changes."""
    chance, model = random.Random(3), bytearray(b"\xff" * SIZE)
    with Journal(compiler=compiler) as flash:
        flash.open()
        for n in range(1500):
            address, value = chance.randrange(SIZE), chance.randrange(256)
            assert flash.write(address, value) == value
            model[address] = value
            if n % 100 == 0:
                assert flash.open() == model
        assert flash.open() == model


def cut_once(flash: Journal, chance: random.Random, model: bytearray) -> None:
    """Some writes, the power going amid one of them or amid the boots that follow. What it leaves half done
    wavers at once, or only after the next boot and change."""
    flash.order(f"steady {chance.randrange(2)}")
    flash.order(f"cut {chance.choice([chance.randrange(8), chance.randrange(1200)])}")
    unfinished = bytearray(model)
    for _ in range(chance.randrange(1, 60)):
        address, value = chance.choice([chance.randrange(SIZE), 5]), chance.randrange(256)
        unfinished[address] = value
        if flash.write(address, value) is None:
            break
        model[address] = value
    while flash.order("left") != "-1":
        flash.open()
    found = flash.open()
    assert found is not None
    assert found in (model, unfinished)
    found[9] = chance.randrange(256)
    assert flash.write(9, found[9]) == found[9]
    flash.order("steady 0")
    model[:] = found


@pytest.mark.parametrize("seed", range(5))
def test_a_power_cut_at_any_moment_costs_no_more_than_the_byte_being_written(seed: int) -> None:
    """And what the first boot found is found by every later one, however bits waver."""
    chance, model = random.Random(seed), bytearray(b"\xff" * SIZE)
    with Journal(seed + 1) as flash:
        flash.open()
        for _ in range(20):
            cut_once(flash, chance, model)
            for _ in range(3):
                assert flash.open() == model


@pytest.mark.parametrize("operation", range(4))
def test_the_last_change_cut_short_is_there_for_good_or_never(operation: int) -> None:
    """Address, value, check, seal: whichever wavers, later changes included."""
    for seed in range(20):
        with Journal(100 * operation + seed) as flash:
            flash.open()
            flash.write(5, 1)
            flash.order(f"cut {operation}")
            assert flash.write(5, 2) is None
            found = flash.open()
            assert found is not None
            assert found[5] in (1, 2)
            flash.write(6, 3)
            assert [opened and opened[5:7] for opened in (flash.open() for _ in range(6))] == [
                bytearray((found[5], 3))
            ] * 6


@pytest.mark.parametrize("operation", range(4))
@pytest.mark.parametrize("cuts_at_boot", range(3))
def test_a_change_that_left_no_trace_at_first_harms_no_later_one(operation: int, cuts_at_boot: int) -> None:
    """The half word reads as if never written, then wavers once another change stands there; so does what
    the next boots were cut short in."""
    for seed in range(5):
        with Journal(100 * operation + seed) as flash:
            flash.open()
            flash.write(5, 1)
            flash.order("steady 1")
            flash.order(f"cut {operation}")
            assert flash.write(0, 2) is None
            for _ in range(cuts_at_boot):
                flash.order("cut 2")  # other head, seal, then the entry in question
                assert flash.open() is None
            found = flash.open()
            assert found is not None
            assert flash.write(1023, 0x5A) == 0x5A
            found[1023] = 0x5A
            flash.order("steady 0")
            for _ in range(6):
                assert flash.open() == found


CHANGES_IN_A_BANK = 383
CHANGE_OF_BANKS = 4 + 1 + 512 + 2  # pages erased, generation, bytes, check and seal


@pytest.mark.parametrize("cut", [*range(7), 8, 100, 515, 516, 517, CHANGE_OF_BANKS])
def test_a_change_of_banks_cut_at_any_step(cut: int) -> None:
    change_banks(cut, seed=cut + 1)


def test_a_change_of_banks_cut_amid_its_seal() -> None:
    for seed in range(60):
        change_banks(CHANGE_OF_BANKS - 1, seed)


def change_banks(cut: int, seed: int) -> None:
    model = bytearray(b"\xff" * SIZE)
    with Journal(seed) as flash:
        flash.open()
        changes = [(n % 300, n * 7 % 251) for n in range(1 + CHANGES_IN_A_BANK)]
        flash.write_all(changes)
        for address, value in changes:
            model[address] = value
        flash.order(f"cut {cut}")
        assert (flash.write(900, 0x77) is None) == (cut < CHANGE_OF_BANKS)
        found = flash.open() or flash.open()
        changed = bytearray(model)
        changed[900] = 0x77
        assert found in (model, changed)
        assert (cut < CHANGE_OF_BANKS - 1) <= (found == model)
        changed[:] = found
        if seed % 2:  # else nothing is written any more that could hide what wavers
            assert flash.write(901, 0x78) == 0x78
            changed[901] = 0x78
        for _ in range(20):
            assert flash.open() == changed


def test_a_boot_takes_an_entry_as_a_change_does() -> None:
    """What the wear in firmware/arm/journal.h is reckoned from."""
    with Journal() as flash:
        flash.open()
        flash.write(0, 1)  # with it the first bank begins
        for _ in range(CHANGES_IN_A_BANK - 1):
            flash.open()
        taken = []
        for address in (1, 2):
            flash.order("cut 1000")
            flash.write(address, 1)
            taken.append(1000 - int(flash.order("left")))
        assert taken == [4, CHANGE_OF_BANKS]


def test_a_cell_that_is_worn_out_is_left_behind() -> None:
    with Journal() as flash:
        flash.open()
        flash.write(0, 1)
        flash.order(f"dead {ENTRIES_AT + 8 + 2}")  # the value of the second entry
        assert flash.write(7, 0x55) == 0x55
        assert flash.write(8, 0x66) == 0x66
        found = flash.open()
        assert found is not None
        assert found[7:9] == b"\x55\x66"


def test_a_head_that_is_worn_out_is_told() -> None:
    """The byte reads as before: the core answers that the EEPROM does not hold it."""
    with Journal() as flash:
        flash.open()
        flash.order("dead 2")
        assert flash.write(3, 0x12) == 0xFF
