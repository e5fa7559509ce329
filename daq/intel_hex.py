"""Intel hex (the format of program images, by Intel 1988, from memory): text to the bytes of the memory."""

from __future__ import annotations

DATA, END = 0x00, 0x01
BLANK = 0xFF


def decode(text: str) -> bytes:
    """The memory from address 0 on, erased where the image says nothing; ValueError when it is damaged.

    A line is ":", then in hex: count, address (2, high byte first), type, data, and what makes the sum 0.
    Images beyond 64 KiB need more types of lines than these and are refused.
    """
    memory = bytearray()
    for line in text.split():
        record = bytes.fromhex(line.removeprefix(":"))
        if not line.startswith(":") or len(record) < 5 or len(record) != record[0] + 5 or sum(record) % 256:
            raise ValueError(f"damaged line {line[:20]}")
        address, kind, data = int.from_bytes(record[1:3], "big"), record[3], record[4:-1]
        if kind == END:
            return bytes(memory)
        if kind != DATA:
            raise ValueError(f"line of type {kind}")
        memory.extend([BLANK] * (address + len(data) - len(memory)))
        memory[address : address + len(data)] = data
    raise ValueError("it has no end")
