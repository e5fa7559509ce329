"""Does simavr still differ from the chip where the simulated board mends it, and only there?"""

from __future__ import annotations

import subprocess

from tests.firmware.board import build

# Found in simavr 1.6. Where the chip is different: entry 4 cycles, a waiting interrupt is served, a timer
# triggers the converter, a flag is cleared alone, 10 bits, 2 bytes and a shift register, 3.4 ms a write.
SIMAVR_1_6 = """\
interrupt entry takes 0 cycles
sei sleep cli serves a waiting interrupt: no
timer 1 triggers the converter: no
timer 1 sets its match flag: yes
writing one match flag clears the other: yes
a byte takes 11 bits
the receiver holds 64 bytes
an EEPROM write keeps the memory busy: no
a reset keeps cycle timers: no
INT0 is polled while low: yes
a sleeping core jumps to its next timer: yes
"""


def test_simavr_is_as_the_board_expects() -> None:
    ran = subprocess.run([build() / "probe"], capture_output=True, text=True, check=True)
    assert ran.stdout == SIMAVR_1_6, "see the top of firmware/simulator/chip.c for what depends on this"
