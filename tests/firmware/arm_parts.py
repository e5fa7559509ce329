"""The parts of the STM32F103 that the firmware uses, as its reference manual (RM0008) describes them.

Written from memory of these; addresses compared with the maker's header. Times are cycles of the processor,
16 MHz. What the firmware never touches is not there: reading or writing it is an error.
"""

from __future__ import annotations

from collections.abc import Callable

CLOCK_HZ = 16_000_000
NEVER = 1 << 62

LeadVolts = Callable[[int, float], float]
"""Volts of the converter's channel 0 or 1 at a time in seconds, as seen at the probe."""

LOWEST_V, SPAN_V, CODES = -8.0, 48.0, 4096


class Part:
    """Registers that do nothing but keep what is written, unless a subclass says more."""

    registers = 0x40

    def __init__(self) -> None:
        self.kept = dict.fromkeys(range(0, self.registers, 4), 0)

    def read(self, offset: int, now: int) -> int:
        return self.kept[offset]

    def write(self, offset: int, value: int, now: int) -> None:
        self.kept[offset] = value

    def due(self) -> int:
        """When something happens next."""
        return NEVER

    def happen(self) -> None:
        """Let that happen."""

    def interrupting(self) -> bool:
        return False


class Clocks(Part):
    """RCC: oscillators that start, or do not; reset flags."""

    def __init__(self, crystal: bool, reset_flags: int) -> None:
        super().__init__()
        self.crystal = crystal
        self.kept[0x00] = 0x83  # the chip's own oscillator runs
        self.kept[0x24] = reset_flags

    def read(self, offset: int, now: int) -> int:
        value = self.kept[offset]
        if offset == 0x00:
            value |= (1 << 17) * bool(value & 1 << 16 and self.crystal)
            value |= (1 << 25) * bool(value & 1 << 24)
        elif offset == 0x04:
            value |= (value & 3) << 2
        return value

    def write(self, offset: int, value: int, now: int) -> None:
        if offset == 0x24 and value & 1 << 24:
            value &= 0xFFFF
        super().write(offset, value, now)

    def hertz(self) -> int:
        """The processor's clock."""
        control, chosen = self.read(0x00, 0), self.read(0x04, 0)
        if chosen & 3 != 2:
            return 8_000_000
        from_crystal = bool(chosen & 1 << 16)
        assert control & 1 << 24
        assert not from_crystal or control & 1 << 16
        return (8_000_000 if from_crystal else 4_000_000) * ((chosen >> 18 & 15) + 2)


class Pins(Part):
    """GPIO port: outputs from ODR, inputs from `levels`, pulled-up ones high unless `grounded`."""

    def __init__(self) -> None:
        super().__init__()
        self.kept[0x00] = self.kept[0x04] = 0x44444444
        self.grounded = 0
        self.moves: list[tuple[int, int]] = []

    def read(self, offset: int, now: int) -> int:
        if offset == 0x08:
            return self.kept[0x0C] & ~self.grounded
        return self.kept[offset]

    def pulled_up(self, pin: int) -> bool:
        mode = self.kept[0x04 * (pin // 8)] >> 4 * (pin % 8) & 15
        return mode == 8 and bool(self.kept[0x0C] >> pin & 1)

    def write(self, offset: int, value: int, now: int) -> None:
        if offset == 0x10:
            self.kept[0x0C] = self.kept[0x0C] & ~(value >> 16) | value & 0xFFFF
            self.moves.append((now, self.kept[0x0C]))
        else:
            assert offset in (0x00, 0x04), hex(offset)
            self.kept[offset] = value


class Line(Part):
    """USART: a transmitter with one byte in front of its shift register, a receiver with one behind it.

    Reading DR clears ORE only where SR was read with it: a byte that is lost between the two readings leaves
    ORE alone, without RXNE (RM0008, ORE of USART_SR).
    """

    RXNE, ORE, TXE = 1 << 5, 1 << 3, 1 << 7

    def __init__(self) -> None:
        super().__init__()
        self.sent = bytearray()
        self.to_come: list[tuple[int, int]] = []  # (when, byte), ordered
        self._received = self._held = 0
        self._state = self._seen = self.TXE
        self._free_at = 0  # the shift register
        self._waiting: int | None = None

    def byte_cycles(self) -> int:
        return 10 * self.kept[0x08]

    def read(self, offset: int, now: int) -> int:
        if offset == 0x00:
            self._seen = self._state
            return self._state
        if offset == 0x04:
            self._state &= ~(self.RXNE | self._seen & self.ORE)
            return self._received
        return self.kept[offset]

    def write(self, offset: int, value: int, now: int) -> None:
        if offset != 0x04:
            self.kept[offset] = value
            return
        assert self._state & self.TXE, "a byte was written over another"
        if self._free_at <= now:
            self._shift(value, now)
        else:
            self._waiting = value
            self._state &= ~self.TXE

    def _shift(self, byte: int, now: int) -> None:
        self.sent.append(byte & 0xFF)
        self._free_at = now + self.byte_cycles()

    def due(self) -> int:
        sending = self._free_at if self._waiting is not None else NEVER
        return min(sending, self.to_come[0][0] if self.to_come else NEVER)

    def happen(self) -> None:
        now = self.due()
        if self._waiting is not None and self._free_at == now:
            byte, self._waiting = self._waiting, None
            self._state |= self.TXE
            self._shift(byte, now)
            return
        _, byte = self.to_come.pop(0)
        if not self.kept[0x0C] & 1 << 13:
            return  # the receiver is off
        if self._state & self.RXNE:
            self._state |= self.ORE
        else:
            self._received = byte
            self._state |= self.RXNE

    def interrupting(self) -> bool:
        enabled = self.kept[0x0C]
        receiving = self._state & (self.RXNE | self.ORE) and enabled & 1 << 5
        return bool(receiving or (self._state & self.TXE and enabled & 1 << 7))


class Converter(Part):
    """ADC: one channel at a time, started by software or by `trigger`.

    A trigger waits for 2 clocks of the converter and one of the processor, less by one where the converter's
    clock is in step with it (the data sheet's most, from memory).
    """

    EOC = 1 << 1
    LATENCY = 4
    SAMPLING = (1.5, 7.5, 13.5, 28.5, 41.5, 55.5, 71.5, 239.5)
    registers = 0x50

    def __init__(self, volts: LeadVolts, supply_v: float) -> None:
        super().__init__()
        self.volts, self.supply_v = volts, supply_v
        self.dead = False
        self._ends = NEVER
        self._code = 0
        self.conversions = self.ignored = 0

    def _control(self) -> int:
        return self.kept[0x08]

    def read(self, offset: int, now: int) -> int:
        if offset == 0x08:
            value = self.kept[0x08]
            self.kept[0x08] &= ~0b1100  # a calibration is over at the second look
            return value
        if offset == 0x4C:
            self.kept[0x00] &= ~self.EOC
        return self.kept[offset]

    def write(self, offset: int, value: int, now: int) -> None:
        before, self.kept[offset] = self.kept[offset], value
        if offset == 0x08:
            if not value & 1:
                self._ends = NEVER
            elif value == before:
                self._start(now)  # ADON written again starts one
            if value & 1 << 22:
                assert value >> 17 & 7 == 7, "started by software, but another trigger is chosen"
                self.kept[0x08] &= ~(1 << 22)
                self._start(now)
        elif offset == 0x34 and self._ends != NEVER:
            self._start(now)  # another channel amid a conversion begins it anew, nobody knows when
            self._code = CODES - 1

    def trigger(self, now: int) -> None:
        control = self._control()
        if not control & 1 or not control & 1 << 20 or control >> 17 & 7 != 4:
            return
        if self._ends != NEVER:
            self.ignored += 1
            return
        self.conversions += 1
        self._start(now + self.LATENCY + now % 2)

    def _start(self, now: int) -> None:
        channel = self.kept[0x34] & 31
        times = self.kept[0x0C] if channel >= 10 else self.kept[0x10]
        sampling = 2 * self.SAMPLING[times >> 3 * (channel % 10) & 7]
        self._code = self._measure(channel, now + sampling, sampling)
        self._ends = NEVER if self.dead else now + round(sampling + 2 * 12.5)

    def _measure(self, channel: int, at: float, sampling: float) -> int:
        if channel == 17:
            assert self._control() & 1 << 23, "the reference is off"
            assert sampling / CLOCK_HZ >= 17.1e-6
            return min(CODES - 1, int(1.2 / self.supply_v * CODES + 0.5))
        code = (self.volts(channel, at / CLOCK_HZ) - LOWEST_V) / SPAN_V * CODES
        return max(0, min(CODES - 1, int(code + 0.5)))

    def due(self) -> int:
        return self._ends

    def happen(self) -> None:
        self._ends = NEVER
        self.kept[0x4C] = self._code
        self.kept[0x00] |= self.EOC

    def interrupting(self) -> bool:
        return bool(self.kept[0x00] & self.EOC and self.kept[0x04] & 1 << 5)


class Timer(Part):
    """Counts up to ARR by the clock, or another timer's updates; `updated` is told of its own."""

    def __init__(self, updated: Callable[[int], None] | None = None) -> None:
        super().__init__()
        self.kept[0x2C] = 0xFFFF
        self._updated = updated
        self._zero_at = 0  # when it was 0, while it runs
        self._prescaler = 1

    def _runs(self) -> bool:
        return bool(self.kept[0x00] & 1 and not self.kept[0x08] & 7)

    def _period(self) -> int:
        return (self.kept[0x2C] + 1) * self._prescaler

    def count(self) -> None:
        """The other timer has come to its end."""
        if self.kept[0x00] & 1 and self.kept[0x08] == 0x27:  # external clock from ITR2, of timer 4: timer 3
            self.kept[0x24] = (self.kept[0x24] + 1) & self.kept[0x2C]

    def read(self, offset: int, now: int) -> int:
        if offset == 0x24 and self._runs():
            return (now - self._zero_at) // self._prescaler % (self.kept[0x2C] + 1)
        return self.kept[offset]

    def write(self, offset: int, value: int, now: int) -> None:
        counter = self.read(0x24, now)
        self.kept[offset] = value
        if offset == 0x14:
            self._prescaler = self.kept[0x28] + 1
            counter = 0
        elif offset == 0x24:
            counter = value
        self.kept[0x24] = counter
        self._zero_at = now - counter * self._prescaler

    def due(self) -> int:
        if not self._runs() or self._updated is None:
            return NEVER
        return self._zero_at + self._period()

    def happen(self) -> None:
        self._zero_at += self._period()
        if self.kept[0x04] >> 4 & 7 == 2 and self._updated is not None:
            self._updated(self._zero_at)


class Ticks(Part):
    """SysTick."""

    def __init__(self) -> None:
        super().__init__()
        self._next = NEVER
        self.pending = False

    def write(self, offset: int, value: int, now: int) -> None:
        super().write(offset, value, now)
        self._next = now + self.kept[4] + 1 if self.kept[0] & 3 == 3 else NEVER

    def due(self) -> int:
        return self._next

    def happen(self) -> None:
        self._next += self.kept[4] + 1
        self.pending = True

    def interrupting(self) -> bool:
        return self.pending


class Watchdog(Part):
    """IWDG, by an oscillator of its own."""

    def __init__(self, hertz: float = 40_000) -> None:
        super().__init__()
        self.kept[0x08] = 0xFFF
        self._hertz = hertz
        self.bites_at = NEVER
        self._unlocked = False

    def write(self, offset: int, value: int, now: int) -> None:
        if offset == 0x00:
            self._unlocked = value == 0x5555
            if value == 0xCCCC or (value == 0xAAAA and self.bites_at != NEVER):
                self._pat(now)
            return
        assert self._unlocked
        super().write(offset, value, now)
        if self.bites_at != NEVER:
            self._pat(now)

    def _pat(self, now: int) -> None:
        seconds = (self.kept[0x08] + 1) * (4 << self.kept[0x04]) / self._hertz
        self.bites_at = now + int(seconds * CLOCK_HZ)
