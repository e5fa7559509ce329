"""The flash of the STM32F103 that stands in for an EEPROM, as PM0075 describes it, from memory."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.firmware.arm_parts import CLOCK_HZ, Part

FLASH_AT, FLASH_SIZE, PAGE = 0x0800E000, 0x2000, 1024


class PowerCutError(Exception):
    """The power went."""


@dataclass
class Flash:
    """The last pages: erased to FF, half words written once; the processor stands still meanwhile.

    `cut_after` writes or erasures from now the power goes: PowerCutError, that operation done by half.
    """

    cells: bytearray = field(default_factory=lambda: bytearray(b"\xff" * FLASH_SIZE))
    cut_after: int | None = None
    erased: int = 0
    written: int = 0


class FlashControl(Part):
    """The registers through which flash is written.

    The processor stands still meanwhile, as it fetches its program from the same flash; without `stalls`, as
    if it ran from elsewhere, it goes on while a page is erased.
    """

    WRITE_CYCLES, ERASE_CYCLES = int(70e-6 * CLOCK_HZ), int(40e-3 * CLOCK_HZ)

    def __init__(self, flash: Flash, stall: Callable[[int], None]) -> None:
        super().__init__()
        self.flash, self._stall = flash, stall
        self.stalls = True
        self._busy_until = 0
        self.kept[0x10] = 1 << 7
        self._keys: list[int] = []

    def read(self, offset: int, now: int) -> int:
        return self.kept[offset] | (offset == 0x0C and now < self._busy_until)

    def write(self, offset: int, value: int, now: int) -> None:
        assert now >= self._busy_until or offset == 0x00, "the flash was still busy"
        if offset == 0x04:
            self._keys = [*self._keys, value][-2:]
            if self._keys == [0x45670123, 0xCDEF89AB]:
                self.kept[0x10] &= ~(1 << 7)
        elif offset == 0x10:
            locked = self.kept[0x10] & 1 << 7
            assert not locked or value == 1 << 7
            self.kept[0x10] = value
            if value & 0x42 == 0x42:
                self._erase(self.kept[0x14] - FLASH_AT, now)
        elif offset == 0x0C:
            self.kept[0x0C] &= ~value
        else:
            self.kept[offset] = value

    def _count(self) -> bool:
        """One operation more; True where the power goes amid it."""
        if self.flash.cut_after is None:
            return False
        self.flash.cut_after -= 1
        return self.flash.cut_after < 0

    def _erase(self, at: int, now: int) -> None:
        assert 0 <= at < FLASH_SIZE
        assert at % PAGE == 0
        cut = self._count()
        length = PAGE // 2 if cut else PAGE
        self.flash.cells[at : at + length] = b"\xff" * length
        self.flash.erased += 1
        if cut:
            raise PowerCutError
        if self.stalls:
            self._stall(self.ERASE_CYCLES)
        else:
            self._busy_until = now + self.ERASE_CYCLES

    def program(self, at: int, size: int, value: int) -> None:
        assert self.kept[0x10] == 1, "not unlocked for writing"
        assert size == 2
        old = int.from_bytes(self.flash.cells[at : at + 2], "little")
        if old != 0xFFFF and value != 0:
            self.kept[0x0C] |= 1 << 2
            return
        cut = self._count()
        if cut:
            value |= random.Random(at).getrandbits(16) & old
        self.flash.cells[at : at + 2] = (value & old).to_bytes(2, "little")
        self.flash.written += 1
        if cut:
            raise PowerCutError
        self._stall(self.WRITE_CYCLES)
