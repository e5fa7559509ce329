"""What measuring live costs: CPU of the whole process at 4000 pairs/s, as a share of one core.

    python -m tests.speed.live_cpu [SECONDS]

The commands run as a user runs them, in processes of their own: `record` (headless, into a capture), `live
--plain`, and the dashboard on a terminal of 80x24 and of 120x40, recording as well. The pairs come over a
pseudo-terminal from another process; what is counted is the user and system time of the measured process
between two moments, after WARM_UP_S. The plain alternative, in the same run: a process that reads the
port with pyserial and writes the bytes to a file.
Goals: 4 % headless, 15 % with the dashboard.
"""

from __future__ import annotations

import fcntl
import os
import pty
import struct
import sys
import tempfile
import termios
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from subprocess import DEVNULL, Popen

from tests.speed.line import Line, Signal, Switching, calm, pulsed

WARM_UP_S = 5.0
ROOT = Path(__file__).parents[2]
PLAIN = """
import sys
from daq.messages import Start, encode_message
from daq.serial_port import open_port
port, file = open_port(sys.argv[1], 500_000), open(sys.argv[2], "wb")
port.write(bytes(1) + encode_message(Start(2000, 0, 31), 1))
while True:
    file.write(port.read(port.in_waiting or 1))
"""
WHICHSIDE = [sys.executable, "-m", "daq"]


def cpu_s(pid: int) -> float:
    """User and system time of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def share(command: Sequence[str], seconds: float, terminal: tuple[int, int] | None = None) -> float:
    """Share of a core that the command takes, once it is warm; then it is stopped."""
    master, slave = pty.openpty() if terminal else (-1, -1)
    ends: int | None = DEVNULL
    if terminal:
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", terminal[1], terminal[0], 0, 0))
        threading.Thread(target=_drain, args=(master,), daemon=True).start()
        ends = slave
    environment = os.environ | {"TERM": "xterm-256color", "PYTHONPATH": str(ROOT)}
    process = Popen(command, stdin=ends, stdout=ends, stderr=ends, env=environment)
    try:
        time.sleep(WARM_UP_S)
        used, begun = cpu_s(process.pid), time.monotonic()
        time.sleep(seconds)
        result = (cpu_s(process.pid) - used) / (time.monotonic() - begun)
        if process.poll() is not None:
            raise SystemExit(f"{command[2:4]} ended by itself")
        return result
    finally:
        process.terminate()
        process.wait(15)
        if terminal:
            os.close(slave)
            os.close(master)


def _drain(master: int) -> None:
    with suppress(OSError):
        while os.read(master, 65536):
            pass


def measured(folder: Path, signal: Signal, name: str, seconds: float) -> float:
    with Line(folder, signal) as line:
        where = ["--port", line.port, "--baud", "500000", "--out", str(folder / "run.whichside")]
        if name == "plain":
            return share([sys.executable, "-c", PLAIN, line.port, str(folder / "raw")], seconds)
        if name == "record":
            return share([*WHICHSIDE, "record", *where], seconds)
        if name == "live --plain":
            return share([*WHICHSIDE, "live", "--plain", *where], seconds)
        columns, _, rows = name.partition("x")
        return share([*WHICHSIDE, "live", *where], seconds, (int(columns), int(rows)))


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    os.environ["XDG_CONFIG_HOME"] = os.environ["XDG_STATE_HOME"] = tempfile.mkdtemp()
    signals: dict[str, Signal] = {"calm": calm, "switching": Switching(100_000), "pulsed": pulsed}
    ways = ("plain", "record", "live --plain", "80x24", "120x40")
    print(f"{'share of a core':16}" + "".join(f"{way:>14}" for way in ways))
    for name, signal in signals.items():
        found = []
        for way in ways:
            with tempfile.TemporaryDirectory() as folder:
                found.append(measured(Path(folder), signal, way, seconds))
        print(f"{name:16}" + "".join(f"{x:14.1%}" for x in found), flush=True)


if __name__ == "__main__":
    main()
