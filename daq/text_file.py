"""Two-lead recordings as text: ``time_s,lead1_v,lead2_v`` with a header line, plain or gzipped.

Volts become whole microvolts, so that a text file is the same integer counts as any other recording. The
rate is that of the whole file, (n - 1) / (last - first time); every step must agree with it to a tenth, or
to one unit of the last printed digit where times were rounded.
"""

from __future__ import annotations

import gzip
import io
import math
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daq.errors import CommandError, InputError
from daq.samples import Block, Change, ChangeKind, DeviceInfo, Item, Layout, Origin, Scale
from daq.source import Capability, Command

HEADER = ["time_s", "lead1_v", "lead2_v"]
RATE_HZ = (50.0, 100_000.0)
MOST_BYTES = 4_000_000_000  # unpacked: ten hours at 4000 pairs/s take about 3 GB
MOST_VOLTS = 1000.0
VOLTS_PER_COUNT = 1e-6
BLOCK_PAIRS = 65_536

Table = npt.NDArray[np.float64]


class TextSource:
    """A text recording as a SampleSource; everything is read and checked when it is opened.

    Raises InputError, naming the line, for anything that is not a steady two-lead recording.
    """

    def __init__(self, path: Path | str, expectation: str = "switching") -> None:
        self.path = Path(path)
        self._expectation = expectation
        table, unit = _read(self.path)
        self._rate = _steady_rate(self.path, table[:, 0], unit)
        self._counts = np.rint(table[:, 1:] / VOLTS_PER_COUNT).astype(np.int32)
        self._closed = False

    @property
    def info(self) -> DeviceInfo:
        return DeviceInfo(name="text file", details={"file": self.path.name})

    @property
    def capabilities(self) -> frozenset[Capability]:
        return frozenset({Capability.FINITE})

    def __iter__(self) -> Iterator[Item]:
        yield Change(0, Origin.USER, ChangeKind.EXPECT, self._expectation)
        layout = Layout(self._rate, Scale((VOLTS_PER_COUNT, VOLTS_PER_COUNT)))
        for at in range(0, len(self._counts), BLOCK_PAIRS):
            if self._closed:
                return
            yield Block(at, self._counts[at : at + BLOCK_PAIRS], layout)

    def command(self, command: Command) -> None:
        raise CommandError("A recording cannot be operated; open a logger or a bench for that.")

    def close(self) -> None:
        self._closed = True


def is_text(path: Path | str) -> bool:
    name = str(path).lower()
    return name.endswith((".csv", ".csv.gz"))


def _read(path: Path) -> tuple[Table, float]:
    """The table and the unit of the last printed digit of its times."""
    text = _text(path)
    head, _, body = text.partition("\n")
    if not head.strip():
        raise InputError(f"{path}: line 1 is empty; the header must be {','.join(HEADER)}.")
    if "," not in head and (";" in head or "\t" in head):
        raise InputError(f"{path}: line 1: the columns must be separated by commas: {','.join(HEADER)}.")
    names = [n.strip() for n in head.lstrip("\ufeff").split(",")]
    extra = [n for n in names if n not in HEADER]
    missing = [n for n in HEADER if n not in names]
    if missing:
        raise InputError(
            f"{path}: line 1: column {missing[0]} is missing; the header must be {','.join(HEADER)}."
        )
    if extra:
        raise InputError(f"{path}: line 1: column {extra[0]!r} is not known; leave only {','.join(HEADER)}.")
    if names != HEADER:
        raise InputError(f"{path}: line 1: the columns must stand in this order: {','.join(HEADER)}.")
    if not body.strip():
        raise InputError(f"{path}: no line of data after the header; record it again.")
    try:
        table = np.loadtxt(io.StringIO(body), delimiter=",", ndmin=2, comments=None)
    except ValueError:
        table = np.empty((0, 0))
    if (
        table.shape[1:] != (3,)
        or not np.isfinite(table).all()
        or abs(table[:, 1:]).max(initial=0) > MOST_VOLTS
    ):
        raise _first_bad_line(path, body)
    if len(table) < 3:
        raise InputError(f"{path}: only {len(table)} lines of data; record for longer.")
    return table, _last_digit(body)


def _text(path: Path) -> str:
    try:
        raw = path.read_bytes()
        if raw[:2] == b"\x1f\x8b":
            with gzip.open(io.BytesIO(raw)) as packed:
                raw = packed.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            raise InputError(f"{path}: more than {MOST_BYTES // 10**9} GB of text; cut it into parts.")
        return raw.decode("utf-8")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file; check the name.") from None
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise InputError(f"{path}: the compressed file is damaged ({error}); get it again.") from None
    except UnicodeDecodeError:
        raise InputError(f"{path}: this is not a text file; give a .csv with {','.join(HEADER)}.") from None
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); check the file and its rights."
        ) from None


def _first_bad_line(path: Path, body: str) -> InputError:
    for n, line in enumerate(body.splitlines(), 2):
        fields = line.split(",")
        if len(fields) != 3:
            return InputError(
                f"{path}: line {n}: {len(fields)} fields instead of 3; mend or remove the line."
            )
        for name, field in zip(HEADER, fields, strict=True):
            try:
                value = float(field)
            except ValueError:
                return InputError(
                    f"{path}: line {n}: {name} is {field.strip()!r}, not a number; mend the line."
                )
            if not math.isfinite(value):
                return InputError(f"{path}: line {n}: {name} is {field.strip()}; remove or mend the line.")
            if name != "time_s" and abs(value) > MOST_VOLTS:
                return InputError(f"{path}: line {n}: {name} is {value:g} V; the values must be in volts.")
    return InputError(f"{path}: this is not a table of numbers; mend it or make it anew.")


def _last_digit(body: str) -> float:
    """Unit of the last printed digit of the times, from the first thousand lines; 0 with exponents."""
    digits = 0
    for line in body[:40_000].splitlines()[:1000]:
        time = line.partition(",")[0].strip()
        if "e" in time.lower():
            return 0.0
        digits = max(digits, len(time.partition(".")[2]))
    return 10.0**-digits


def _steady_rate(path: Path, times: npt.NDArray[np.float64], unit: float) -> float:
    period = float(times[-1] - times[0]) / (len(times) - 1)
    if period <= 0:
        raise InputError(f"{path}: line 3: time_s does not go up; sort the lines by time.")
    steps = np.diff(times)
    if (np.abs(steps - period) > max(0.1 * period, unit) * (1 + 1e-9)).any():
        usual = float(np.median(steps))
        n = int(np.argmax(np.abs(steps - usual)))  # one long pause moves the mean away from every step
        raise InputError(
            f"{path}: line {n + 3}: time_s steps by {steps[n]:.6g} s where the usual step is {usual:.6g} s; "
            "only steadily sampled recordings can be used."
        )
    rate = 1.0 / period
    if not RATE_HZ[0] * 0.999 <= rate <= RATE_HZ[1] * 1.001:
        raise InputError(
            f"{path}: the sample rate is {rate:.6g} Hz; {RATE_HZ[0]:g} Hz to {RATE_HZ[1]:g} Hz can be used."
        )
    return rate
