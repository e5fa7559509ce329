"""An STM32F103 with the real firmware on it: a Cortex-M3 (Unicorn's, which is QEMU's) and arm_parts.py.

Time passes by events: the processor runs an instruction a cycle up to the next one, and what it does before
it sleeps costs nothing more. So a program that is too slow does not show here, a race between interrupts
does.
"""

from __future__ import annotations

import contextlib
import functools
import os
import struct
import subprocess
import tempfile
import threading
import time
import tty
from pathlib import Path
from typing import Any

import unicorn as u
import unicorn.arm_const as arm

from tests.firmware.arm_flash import FLASH_AT, FLASH_SIZE, Flash, FlashControl
from tests.firmware.arm_parts import (
    CLOCK_HZ,
    NEVER,
    Clocks,
    Converter,
    LeadVolts,
    Line,
    Part,
    Pins,
    Ticks,
    Timer,
    Watchdog,
)
from tests.firmware.board import build

PROGRAM_AT, PROGRAM_SIZE, RAM_AT, RAM_SIZE = 0x08000000, 0xE000, 0x20000000, 0x2000
POWER_ON, RESET_PIN, BY_WATCHDOG = 1 << 27 | 1 << 26, 1 << 26, 1 << 29 | 1 << 26
ENTRY_CYCLES = 12  # to enter an interrupt (the processor's manual, from memory)
SYSTICK, CONVERTER, LINE = 15, 16 + 18, 16 + 37
UNTOUCHED = 0xA5

_EXCEPTION_EXIT = 8  # unicorn's number for a return from an interrupt
_RETURN = 0xFFFFFFF9
_WAIT = b"\x30\xbf"  # the instruction WFI
_SLICE = 20_000

# Where each part is, and the bit of RCC that gives it a clock.
_PLACES = {
    "tim2": (0x40000000, (0x1C, 0)),
    "tim3": (0x40000400, (0x1C, 1)),
    "tim4": (0x40000800, (0x1C, 2)),
    "watchdog": (0x40003000, None),
    "gpio_a": (0x40010800, (0x18, 2)),
    "gpio_b": (0x40010C00, (0x18, 3)),
    "adc": (0x40012400, (0x18, 9)),
    "usart": (0x40013800, (0x18, 14)),
    "rcc": (0x40021000, None),
    "flash": (0x40022000, None),
    "systick": (0xE000E000, None),
}


def still(channel: int, at_s: float) -> float:
    """A lead on 12.6 V, the other on 0.1 V."""
    return (12.6, 0.1)[channel]


@functools.cache
def program() -> bytes:
    """What is written to the chip, from its beginning on."""
    image = build() / "arm.hex"
    with tempfile.TemporaryDirectory() as folder:  # not beside the image: other tests may do this meanwhile
        binary = Path(folder) / "arm.bin"
        subprocess.run(["objcopy", "-I", "ihex", "-O", "binary", str(image), str(binary)], check=True)
        return binary.read_bytes()


class Chip:
    """Powered on when made. `flash` keeps what another chip, or this one before, has written."""

    def __init__(
        self,
        volts: LeadVolts = still,
        flash: Flash | None = None,
        supply_v: float = 3.3,
        crystal: bool = True,
        watchdog_hz: float = 40_000,
    ) -> None:
        self._volts, self._supply_v, self._crystal = volts, supply_v, crystal
        self._watchdog_hz = watchdog_hz
        self.flash = flash or Flash()
        self.now = 0
        self.sent = bytearray()
        self.line = Line()
        self.resets = self._executed = 0
        self._begun: list[int] = []
        self.longest: dict[int, int] = {}
        self.held_until = 0
        self._core = u.Uc(u.UC_ARCH_ARM, u.UC_MODE_THUMB | u.UC_MODE_MCLASS)
        self._core.ctl_set_cpu_model(arm.UC_CPU_ARM_CORTEX_M3)
        self._map()
        self.reset(POWER_ON)

    def _map(self) -> None:
        core = self._core
        core.mem_map(PROGRAM_AT, PROGRAM_SIZE, u.UC_PROT_READ | u.UC_PROT_EXEC)
        core.mem_write(PROGRAM_AT, program())
        core.mem_map(RAM_AT, RAM_SIZE, u.UC_PROT_READ | u.UC_PROT_WRITE)
        core.mem_write(RAM_AT, bytes((UNTOUCHED,)) * RAM_SIZE)
        core.mmio_map(FLASH_AT, FLASH_SIZE, self._flash_read, None, self._flash_write, None)
        for base in (0x40000000, 0x40010000, 0x40020000, 0xE000E000):
            size = 0x1000 if base >> 28 == 14 else 0x4000
            core.mmio_map(base, size, self._read, base, self._write, base)
        core.hook_add(u.UC_HOOK_INTR, self._interrupt_hook)

    def reset(self, flags: int) -> None:
        """As the reset pin, the watchdog or the power does it; `flags` as in RCC_CSR."""
        self.sent += self.line.sent
        self.clocks = Clocks(self._crystal, flags)
        self.line = Line()
        self.pins, self.pins_a = Pins(), Pins()
        self._vectors_at = 0
        self.converter = Converter(self._volts, self._supply_v)
        self.counter = Timer()
        self.pace = Timer(self._paced)
        self.ticks = Ticks()
        self.watchdog = Watchdog(self._watchdog_hz)
        self.memory = FlashControl(self.flash, self._stall)
        parts: dict[str, Part] = {
            "tim2": Timer(),
            "tim3": self.pace,
            "tim4": self.counter,
            "watchdog": self.watchdog,
            "gpio_a": self.pins_a,
            "gpio_b": self.pins,
            "adc": self.converter,
            "usart": self.line,
            "rcc": self.clocks,
            "flash": self.memory,
        }
        self._parts = {_PLACES[name][0]: part for name, part in parts.items()}
        self._clock_of = dict(_PLACES.values())
        self._moving: list[Part] = [self.converter, self.line, self.pace, self.ticks]
        self._enabled: set[int] = {SYSTICK}
        self._priority: dict[int, int] = {}
        self._before: list[tuple[int, int, Any]] = []  # what is interrupted: by what, where, in which state
        self._returned = self._asleep = False
        stack, self._pc = struct.unpack_from("<II", program())
        self._core.reg_write(arm.UC_ARM_REG_XPSR, 1 << 24)
        self._core.reg_write(arm.UC_ARM_REG_PRIMASK, 0)
        self._core.reg_write(arm.UC_ARM_REG_SP, stack)

    def heard(self) -> bytes:
        """Everything that was sent so far, across resets."""
        return bytes(self.sent + self.line.sent)

    def say(self, data: bytes) -> None:
        """Bytes for the receiver, one after the other, from now on or after those that are on their way."""
        pace = max(1, self.line.byte_cycles())
        at = max([self.now, *(when for when, _ in self.line.to_come[-1:])])
        for n, byte in enumerate(data):
            self.line.to_come.append((at + (n + 1) * pace, byte))

    def hold(self, until: int) -> None:
        """No interrupt is let in before that cycle, as when the program had locked them all out."""
        self.held_until = until

    def count_instructions(self) -> None:
        """From now on `longest` tells the most instructions of each interrupt, with others inside it."""
        self._core.hook_add(u.UC_HOOK_CODE, self._count_hook)

    def deepest_stack(self) -> int:
        """Bytes of stack that were ever written to."""
        used = bytes(self._core.mem_read(RAM_AT, RAM_SIZE))
        return len(used[used.rindex(bytes((UNTOUCHED,)) * 64) + 64 :])

    def run(self, seconds: float) -> None:
        """Let so much time pass."""
        self.run_to(self.now + round(seconds * CLOCK_HZ))

    def run_to(self, until: int) -> None:
        while self.now < until:
            let_in = self.held_until if self.held_until > self.now else NEVER
            coming = min(until, self.watchdog.bites_at, let_in, self._happen())
            if self.now >= self.watchdog.bites_at:
                self.resets += 1
                self.reset(BY_WATCHDOG)
                continue
            waiting = self._waiting()
            self._asleep = self._asleep and not waiting
            if self._asleep:
                self.now = max(self.now, coming)
                continue
            cycles = max(2, min(coming - self.now, _SLICE))
            if waiting and self._locked():
                cycles = 2  # so that one is let in as soon as the program unlocks them
            elif waiting and self._more_urgent(waiting[0]):
                self._enter(waiting[0])
                continue
            self._step(cycles)

    # Time.

    def _happen(self) -> int:
        """What is due by now, in its order; gives when more is."""
        while True:
            due = [part.due() for part in self._moving]
            first = min(due)
            if first > self.now:
                return first
            self._moving[due.index(first)].happen()

    def _paced(self, now: int) -> None:
        self.counter.count()
        self.converter.trigger(now)

    def _stall(self, cycles: int) -> None:
        self.now += cycles
        self._happen()

    # The processor.

    def _step(self, cycles: int) -> None:
        begun = self.now
        self._core.emu_start(self._pc | 1, 0, count=cycles)
        if self._returned:
            self._returned = False
            self._leave()
            return
        self._pc = self._core.reg_read(arm.UC_ARM_REG_PC)
        self._asleep = program()[self._pc - PROGRAM_AT - 2 : self._pc - PROGRAM_AT] == _WAIT
        if not self._asleep and self.now == begun:
            self.now += cycles

    def _waiting(self) -> list[int]:
        """Interrupts that are enabled and wait, the most urgent first."""
        if self.now < self.held_until:
            return []
        asking = {SYSTICK: self.ticks, CONVERTER: self.converter, LINE: self.line}
        found = [n for n, part in asking.items() if n in self._enabled and part.interrupting()]
        return sorted(found, key=lambda n: self._priority.get(n, 0))

    def _locked(self) -> bool:
        return bool(self._core.reg_read(arm.UC_ARM_REG_PRIMASK) & 1)

    def _more_urgent(self, number: int) -> bool:
        running = min((self._priority.get(n, 0) for n, _, _ in self._before), default=256)
        return self._priority.get(number, 0) < running

    def _enter(self, number: int) -> None:
        """Exception entry (ARMv7-M Architecture Reference Manual, B1.5.6).

        Eight words of room on the stack, aligned to 8 bytes; what the processor keeps in them is kept here,
        since putting it back word by word takes ten times as long. So a handler must not look at them.
        """
        assert self._vectors_at == PROGRAM_AT, "whose table is at 0 depends on who started the program"
        core = self._core
        self._before.append((number, self._pc, core.context_save()))
        self._begun.append(self._executed)
        stack = (core.reg_read(arm.UC_ARM_REG_SP) - 32) & ~7
        core.mem_write(stack, bytes(32))
        (handler,) = struct.unpack_from("<I", program(), 4 * number)
        assert handler & 1, f"no handler for exception {number}"
        core.reg_write(arm.UC_ARM_REG_XPSR, 1 << 24 | number)
        core.reg_write(arm.UC_ARM_REG_SP, stack)
        core.reg_write(arm.UC_ARM_REG_LR, _RETURN)
        self._pc = handler
        if number == SYSTICK:
            self.ticks.pending = False
        self._stall(ENTRY_CYCLES)

    def _leave(self) -> None:
        number, self._pc, context = self._before.pop()
        self.longest[number] = max(self.longest.get(number, 0), self._executed - self._begun.pop())
        self._core.context_restore(context)

    def _count_hook(self, core: u.Uc, address: int, size: int, _: Any) -> None:
        self._executed += 1

    def _interrupt_hook(self, core: u.Uc, number: int, _: Any) -> None:
        assert number == _EXCEPTION_EXIT, f"the processor took exception {number}"
        self._returned = True
        core.emu_stop()

    # Memory.

    def _part(self, address: int) -> tuple[Part, int]:
        place = address & ~0x3FF
        clock = self._clock_of[place]
        if clock is not None:
            assert self.clocks.kept[clock[0]] >> clock[1] & 1, f"{address:08X} without a clock"
        return self._parts[place], address - place

    def _read(self, core: u.Uc, offset: int, size: int, base: int) -> int:
        address = base + offset
        if base == 0xE000E000:
            return 0
        part, register = self._part(address)
        assert size == 4
        return part.read(register, self.now)

    def _write(self, core: u.Uc, offset: int, size: int, value: int, base: int) -> None:
        address = base + offset
        if base == 0xE000E000:
            self._system(offset, value)
            return
        part, register = self._part(address)
        assert size == 4
        part.write(register, value, self.now)

    def _system(self, offset: int, value: int) -> None:
        if 0x10 <= offset < 0x1C:
            self.ticks.write(offset - 0x10, value, self.now)
        elif 0x100 <= offset < 0x120:
            first = 16 + 8 * (offset - 0x100)
            self._enabled |= {first + bit for bit in range(32) if value >> bit & 1}
        elif 0x400 <= offset < 0x500:
            self._priority[16 + offset - 0x400] = value
        elif offset == 0xD23:
            self._priority[SYSTICK] = value
        elif offset == 0xD08:
            self._vectors_at = value
        else:
            assert offset == 0xD14, f"register E000E{offset:03X}"

    def _flash_read(self, core: u.Uc, offset: int, size: int, _: Any) -> int:
        return int.from_bytes(self.flash.cells[offset : offset + size], "little")

    def _flash_write(self, core: u.Uc, offset: int, size: int, value: int, _: Any) -> None:
        self.memory.program(offset, size, value)


class OnPty:
    """A chip on a pseudo-terminal, in a thread, at most as fast as a real one: `with OnPty() as port:`."""

    STEP_S = 0.005

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._failed: BaseException | None = None

    def __enter__(self) -> str:
        self._line, self._port = os.openpty()
        tty.setraw(self._port)
        os.set_blocking(self._line, False)
        self._thread.start()
        return os.ttyname(self._port)

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()
        os.close(self._line)
        os.close(self._port)
        if self._failed is not None:
            raise self._failed

    def _run(self) -> None:
        try:
            passed = 0
            while not self._ended.is_set():
                begun = time.monotonic()
                with contextlib.suppress(BlockingIOError):
                    self._chip.say(os.read(self._line, 4096))
                self._chip.run(self.STEP_S)
                heard = self._chip.heard()
                with contextlib.suppress(BlockingIOError):
                    passed += os.write(self._line, heard[passed:])
                time.sleep(max(0.0, begun + self.STEP_S - time.monotonic()))
        except BaseException as error:  # a broken chip fails the test that used it
            self._failed = error
