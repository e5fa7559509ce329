"""A test program of the firmware on this computer, built with sanitizers: an order a line, and an answer."""

from __future__ import annotations

import subprocess
from types import TracebackType
from typing import Self

from tests.firmware.board import build


class HostProgram:
    """One process of a program in firmware/build; as a context it must end well."""

    def __init__(self, name: str, *arguments: str) -> None:
        self._process = subprocess.Popen(
            [str(build() / name), *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        code = self._process.wait(5)
        self._process.stdout.close()
        if kind is None:
            assert code == 0  # sanitizers end the program with another code

    @property
    def pid(self) -> int:
        return self._process.pid

    def order(self, order: str) -> str:
        (answer,) = self.orders([order])
        return answer

    def orders(self, orders: list[str]) -> list[str]:
        """Given all at once; their answers, which together must fit into a pipe."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write("".join(f"{order}\n" for order in orders))
        self._process.stdin.flush()
        answers = [self._process.stdout.readline() for _ in orders]
        assert all(answers), f"it ended amid: {orders[0][:200]}"
        return [answer.strip() for answer in answers]
