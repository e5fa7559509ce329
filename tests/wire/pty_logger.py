"""The fake logger behind a pseudo-terminal, served by a thread; it can be unplugged and plugged in again.

The port's name is a link, as /dev/serial/by-id is: it stays while the terminal behind it changes.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from pathlib import Path

from tests.wire.fake_logger import FakeLogger


class PtyLogger:
    """Use it as a context; `port` is the name to open."""

    def __init__(self, folder: Path, logger: FakeLogger | None = None, silent_s: float = 0.0) -> None:
        self.logger = logger or FakeLogger()
        self.port = str(folder / "port")
        self.silent_s = silent_s  # after every plug, as a boot loader
        self.noise = b""  # sent once, as soon as possible
        self.paused = False
        self._lock = threading.Lock()
        self._end = threading.Event()
        self._master: int | None = None
        self._slave = -1
        self._thread = threading.Thread(target=self._serve, name="pty logger")

    def __enter__(self) -> PtyLogger:
        self.plug_in()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        self._thread.join(5)
        self.unplug()

    def plug_in(self) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        Path(self.port).symlink_to(name)
        with self._lock:
            self._master, self._slave = master, slave
            self._ready_ns = time.perf_counter_ns() + int(self.silent_s * 1e9)

    def unplug(self) -> None:
        """As a cable pulled: the link goes, and whoever holds the port open gets an error."""
        with self._lock:
            if self._master is None:
                return
            Path(self.port).unlink()
            os.close(self._slave)
            os.close(self._master)
            self._master = None

    def replace_by(self, logger: FakeLogger) -> None:
        with self._lock:
            self.logger = logger

    def reset(self) -> None:
        """The reset pin: a hello, and no run."""
        with self._lock:
            self.noise += self.logger.boot(time.perf_counter_ns())

    def _serve(self) -> None:
        while not self._end.wait(0.002):
            with self._lock:
                if self._master is not None and not self.paused:
                    self._turn(self._master)

    def _turn(self, master: int) -> None:
        try:
            heard = os.read(master, 4096) if select.select([master], [], [], 0)[0] else b""
            now_ns = time.perf_counter_ns()
            if now_ns < self._ready_ns:
                return
            said = self.logger.at(now_ns, heard) + self.noise
            self.noise = b""
            while said and select.select([], [master], [], 0.2)[1]:
                said = said[os.write(master, said[:1024]) :]
        except OSError:
            pass  # nobody holds the other end just now
