"""CSV of a capture: ``time_s,lead1_v,lead2_v``, as `review` and `import` read it back.

Volts are written in whole microvolts, which is what the analysis works with, so a CSV gives the findings of
the recording. The format has even steps only: samples on both sides of a gap go to files of their own
(OUT-1, OUT-2, ...), with times that count from the capture's first pair in all of them. Gaps, changes and
notes go to a table beside them (OUT-log).
"""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO, cast

import numpy as np

from daq import cells
from daq.capture_reader import CaptureSource
from daq.export import Exported, Happening, Teller, timed
from daq.microvolts import microvolts
from daq.new_file import NewFiles, appearing_together
from daq.samples import Block, Gap
from daq.text_file import HEADER, MOST_BYTES, RATE_HZ

LINES_AT_ONCE = 50_000
LOG_HEADER = ("time_s", "what", "origin", "value", "lasted_s")
_MICRO = 1_000_000
_MOST_DIGITS = 9  # of times: a thousandth of any step, and rounded evenly


def export_csv(path: Path | str, out: Path, anonymous: bool = False) -> Exported:
    """Write a capture to `out`, a name in .csv or .csv.gz. Raises as reading and `new_file` do."""
    with CaptureSource(path) as source, appearing_together() as files:
        writer = _CsvWriter(files, out)
        teller = Teller(source, anonymous)
        with writer:
            for time_s, item in timed(source):
                if isinstance(item, Block):
                    writer.add(item, time_s)
                    teller.saw(item)
                else:
                    teller.tell(item, time_s)
                if isinstance(item, Gap):
                    writer.end_stretch()
        names = writer.name_files()
        happenings = teller.happenings()
        if happenings:
            names.append(_named(out, "log"))
            _write_log(files.beside(names[-1]), _packed(out), happenings)
        remarks = [*writer.remarks(), *teller.remarks()]
        return Exported(tuple(names), writer.pairs, tuple(remarks), source.damage_count)


@dataclass(slots=True)
class _Stretch:
    """Samples in even steps, in a file of their own."""

    aside: Path
    rate_hz: float
    digits: int
    begin_s: float
    pairs: int = 0


class _CsvWriter:
    """One file a stretch; they get their names once it is known how many there are."""

    def __init__(self, files: NewFiles, out: Path) -> None:
        self._files = files
        self._out = out
        self._stretches: list[_Stretch] = []
        self._file: TextIO | None = None
        self._open = ExitStack()
        self._skew_s = 0.0
        self.pairs = 0

    def __enter__(self) -> _CsvWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.end_stretch()

    def add(self, block: Block, time_s: float) -> None:
        if not len(block.counts):
            return
        if self._file is None or self._stretches[-1].rate_hz != block.layout.rate_hz:
            self._begin_stretch(block.layout.rate_hz, time_s)
        assert self._file is not None
        stretch = self._stretches[-1]
        for begin in range(0, len(block.counts), LINES_AT_ONCE):
            micro = microvolts(block.counts[begin : begin + LINES_AT_ONCE], block.layout.scale)
            numbers = stretch.pairs + np.arange(len(micro))
            times = stretch.begin_s + numbers / stretch.rate_hz
            columns = (times.tolist(), (micro / _MICRO).tolist())
            line = f"{{:.{stretch.digits}f}},{{:.6f}},{{:.6f}}\n".format
            self._file.write("".join([line(t, *leads) for t, leads in zip(*columns, strict=True)]))
            stretch.pairs += len(micro)
        self.pairs += len(block.counts)
        self._skew_s = block.layout.scale.skew_s[1] - block.layout.scale.skew_s[0]

    def end_stretch(self) -> None:
        self._open.close()
        self._file = None

    def _begin_stretch(self, rate_hz: float, time_s: float) -> None:
        self.end_stretch()
        aside = self._files.beside(self._out)
        self._stretches.append(_Stretch(aside, rate_hz, _digits(1 / rate_hz, time_s), time_s))
        self._file = self._open.enter_context(_open(aside, _packed(self._out)))
        self._file.write(",".join(HEADER) + "\n")

    def name_files(self) -> list[Path]:
        """A single stretch gets the name that was asked for."""
        if not self._stretches:
            self._begin_stretch(RATE_HZ[0], 0.0)
            self.end_stretch()
        if len(self._stretches) == 1:
            return [self._out]
        names = [_named(self._out, str(number)) for number in range(1, len(self._stretches) + 1)]
        for stretch, name in zip(self._stretches, names, strict=True):
            self._files.rename(stretch.aside, name)
        return names

    def remarks(self) -> Iterator[str]:
        """What the files do not say, or why they cannot be read back."""
        if len(self._stretches) > 1:
            yield (
                f"the samples are not all in even steps (gaps, or another rate): {len(self._stretches)} "
                "files, each with times from the beginning of the recording"
            )
        if self._skew_s:
            yield (
                f"lead 2 was sampled {1000 * self._skew_s:g} ms after lead 1; a table has one time for "
                "both, so moments read from it may be that much off"
            )
        rates = [s.rate_hz for s in self._stretches]
        if any(not RATE_HZ[0] <= rate <= RATE_HZ[1] for rate in rates):
            yield f"whichside reads back only {RATE_HZ[0]:g} Hz to {RATE_HZ[1]:g} Hz"
        if not _packed(self._out) and any(s.aside.stat().st_size > MOST_BYTES for s in self._stretches):
            yield f"whichside reads back at most {MOST_BYTES // 10**9} GB: trim the capture first"


def _named(out: Path, mark: str) -> Path:
    suffix = ".csv.gz" if _packed(out) else ".csv"
    return out.with_name(f"{out.name.removesuffix(suffix)}-{mark}{suffix}")


def _packed(out: Path) -> bool:
    return out.suffix == ".gz"


def _open(aside: Path, packed: bool) -> TextIO:
    if packed:
        return cast(TextIO, gzip.open(aside, "wt", encoding="utf-8", newline="\n"))
    return aside.open("w", encoding="utf-8", newline="\n")


def _digits(step_s: float, begin_s: float) -> int:
    """The fewest decimals that write every time exactly; nine where none do."""

    def exact(digits: int) -> bool:
        return all(abs(x * 10**digits - round(x * 10**digits)) < 1e-9 for x in (step_s, begin_s))

    return next((digits for digits in range(3, _MOST_DIGITS) if exact(digits)), _MOST_DIGITS)


def _write_log(aside: Path, packed: bool, happenings: list[Happening]) -> None:
    with _open(aside, packed) as file:
        file.write(cells.row(LOG_HEADER))
        for h in happenings:
            file.write(cells.row((h.time_s, h.what, h.origin, h.value, h.lasted_s)))
