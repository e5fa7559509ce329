"""Holds off sleep while a recording runs, by what the system has for it; lets go also when we are killed.

Linux: systemd-inhibit around a `cat` that ends with our end of its pipe. macOS: caffeinate, told to watch
our process. Windows: SetThreadExecutionState, which holds as long as the thread does. Tested on Linux only,
with a stand-in for systemd-inhibit; the other two follow their manuals.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import shlex
import shutil
import subprocess
import sys
from typing import Any

_END_WITHIN_S = 1.0
_WINDOWS = os.name == "nt"

_CONTINUOUS, _SYSTEM_REQUIRED = 0x80000000, 0x00000001  # Windows: ES_CONTINUOUS, ES_SYSTEM_REQUIRED


class StayAwake:
    """Sleep is held off from now until `end`, as far as `held` says."""

    def __init__(self) -> None:
        self._windows = _WINDOWS and _ask_windows(_CONTINUOUS | _SYSTEM_REQUIRED)
        self._holder = None if _WINDOWS else _started(_command())

    @property
    def held(self) -> bool:
        """Whether sleep is held off; an inhibitor that is refused takes a moment to say so."""
        return self._windows or (self._holder is not None and self._holder.poll() is None)

    def end(self) -> None:
        """Let the computer sleep again; idempotent."""
        holder, self._holder = self._holder, None
        if holder is not None:
            _stop(holder)
        if self._windows:
            self._windows = not _ask_windows(_CONTINUOUS)


def _command() -> list[str]:
    if sys.platform == "darwin":
        return ["caffeinate", "-i", "-s", "-w", str(os.getpid())]
    # The lid is not everyone's to rule: where that is refused, sleep alone is asked for.
    asked = (_inhibit("sleep:idle:handle-lid-switch"), _inhibit("sleep:idle"))
    return ["sh", "-c", " || ".join(map(shlex.join, asked))] if shutil.which("systemd-inhibit") else []


def _inhibit(what: str) -> list[str]:
    why = ["--who=whichside", "--why=a recording is running", "--mode=block"]
    return ["systemd-inhibit", f"--what={what}", *why, "cat"]


def _started(command: list[str]) -> subprocess.Popen[bytes] | None:
    """The holder, in a session of its own: Ctrl-C ends the recording first."""
    quiet = subprocess.DEVNULL
    with contextlib.suppress(OSError, IndexError):
        return subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=quiet, stderr=quiet, start_new_session=True
        )
    return None


def _stop(holder: subprocess.Popen[bytes]) -> None:
    if holder.stdin is not None:
        with contextlib.suppress(OSError):
            holder.stdin.close()
    try:
        holder.wait(_END_WITHIN_S)
    except subprocess.TimeoutExpired:
        holder.terminate()
        holder.wait()


def _ask_windows(state: int) -> bool:
    libraries: Any = ctypes  # windll is there on Windows only
    return bool(libraries.windll.kernel32.SetThreadExecutionState(state))
