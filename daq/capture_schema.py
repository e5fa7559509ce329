"""The tables of the capture file: their SQL, their rows, and the checksum every row carries.

recordings/README.md tells the same in words, for a reader without this program. A released table never
changes: a new layout gets a new VERSION, and the old one stays readable.
"""

from __future__ import annotations

import json
import math
import re
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daq.samples import Bias, Change, ChangeKind, DeviceInfo, Gap, GapReason, Layout, Origin, Scale

VERSION = 1  # PRAGMA user_version
APPLICATION_ID = 0x57534944  # PRAGMA application_id: "WSID", what `file` and SQLite show
PAGE_SIZE = 2048
LONGEST_VALUE = 16 << 20  # bytes; no row of ours comes near, and a hostile one is not even fetched

ABOUT = (
    "whichside capture, version 1: the ordered log of a two-lead voltage recording. The tables block, gap "
    "and change together are the log; segment, layout and channel say how counts become volts and when. "
    "volts = counts * volts_per_count + offset_v."
)
CODEC = (
    "Each of block.lead1 and block.lead2 is a little-endian header <BBBiI (residual, packing, escape width, "
    "base, step), then a zlib stream. packing 1-4: byte planes, lowest first; 15: nibbles, high half first, "
    "15 escapes to a value less 15 in byte planes after the nibbles; 0: all zero. Undo zigzag, multiply by "
    "step, then residual 0: add base; 1: running sum, add base; all modulo 2^32 as int32."
)

Value = int | float | str | bytes | None
Row = tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table as its CREATE statement says it; the last column is always `crc`."""

    name: str
    sql: str  # exactly as SQLite keeps it, comments and all: the file explains itself
    columns: tuple[str, ...]  # without crc
    types: tuple[tuple[type, ...], ...]
    keyed: bool  # the first column is the row number

    @property
    def insert(self) -> str:
        marks = ", ".join("?" * (len(self.columns) + 1))
        return f"INSERT INTO {self.name} ({', '.join(self.columns)}, crc) VALUES ({marks})"

    @property
    def select(self) -> str:
        """Rowid, the columns, crc."""
        return f"SELECT rowid, {', '.join(self.columns)}, crc FROM {self.name}"

    def row(self, *values: Value) -> Row:
        """`values` with their checksum behind them, ready for `insert`."""
        return (*values, checksum(values))

    def intact(self, row: Sequence[object]) -> bool:
        """Whether a row (crc last) has the right types and the right checksum."""
        *values, crc = row
        right = all(isinstance(v, t) for v, t in zip(values, self.types, strict=True))
        return right and crc == checksum(values)


_COLUMN = re.compile(r"^    (\w+) (INTEGER|REAL|TEXT|BLOB)( NOT NULL| PRIMARY KEY)?", re.MULTILINE)
_PYTHON_TYPES: dict[str, type] = {"INTEGER": int, "REAL": float, "TEXT": str, "BLOB": bytes}


def _table(sql: str) -> Table:
    found = _COLUMN.findall(sql)
    types = [
        (_PYTHON_TYPES[kind],) if needed else (_PYTHON_TYPES[kind], type(None)) for _, kind, needed in found
    ]
    columns = tuple(name for name, _, _ in found)
    keyed = found[0][2] == " PRIMARY KEY"
    return Table(sql.split()[2], sql, columns[:-1], tuple(types[:-1]), keyed)


META = _table("""CREATE TABLE meta ( -- what the file is and where it comes from
    name TEXT NOT NULL UNIQUE,
    value TEXT NOT NULL,
    crc INTEGER NOT NULL)""")

LAYOUT = _table("""CREATE TABLE layout ( -- what the samples of a segment have in common
    id INTEGER PRIMARY KEY,
    rate_hz REAL NOT NULL, -- pairs per second
    calibrated INTEGER NOT NULL, -- 0: the figures in channel are nominal
    crc INTEGER NOT NULL)""")

CHANNEL = _table("""CREATE TABLE channel ( -- a lead in a layout: volts = counts * volts_per_count + offset_v
    layout INTEGER NOT NULL,
    lead INTEGER NOT NULL, -- 1 or 2
    volts_per_count REAL NOT NULL,
    offset_v REAL NOT NULL,
    skew_s REAL NOT NULL, -- sampled this much after the pair's own time
    lowest INTEGER, -- counts at which the converter saturates; NULL: unknown
    highest INTEGER,
    offset_error_v REAL NOT NULL, -- standard uncertainty
    gain_error REAL NOT NULL, -- relative standard uncertainty
    bias INTEGER NOT NULL, -- 0 off, 1 whisper (1 megohm), 2 up, 3 down (10 kilohm)
    range INTEGER NOT NULL, -- front-end range; 0: full span
    crc INTEGER NOT NULL,
    UNIQUE (layout, lead))""")

SEGMENT = _table("""CREATE TABLE segment ( -- samples that follow each other without a gap, in one layout
    number INTEGER PRIMARY KEY,
    first INTEGER NOT NULL, -- index of its first pair; pairs are numbered without holes
    layout INTEGER NOT NULL,
    start_s REAL NOT NULL, -- from the first pair of the file, gaps included
    reason TEXT NOT NULL, -- why it starts: start, layout, or the gap's reason
    crc INTEGER NOT NULL)""")

CLOCK = _table("""CREATE TABLE clock ( -- what the computer's clocks said when pair number `sample` was next
    id INTEGER PRIMARY KEY,
    segment INTEGER NOT NULL,
    sample INTEGER NOT NULL,
    monotonic_s REAL NOT NULL,
    utc TEXT NOT NULL,
    crc INTEGER NOT NULL)""")

BLOCK = _table("""CREATE TABLE block ( -- samples of both leads, about a second a row; see meta, name 'codec'
    first INTEGER PRIMARY KEY, -- index of the first pair
    pairs INTEGER NOT NULL,
    segment INTEGER NOT NULL,
    flags TEXT NOT NULL, -- [[offset, pairs, flags], ...]: 1 late trigger, 2 loss before offset; mostly empty
    lead1 BLOB NOT NULL,
    lead2 BLOB NOT NULL,
    crc INTEGER NOT NULL)""")

GAP = _table("""CREATE TABLE gap ( -- time without samples, before pair number `position`
    entry INTEGER PRIMARY KEY, -- gap and change are numbered together, in the order of arrival
    position INTEGER NOT NULL,
    sample INTEGER NOT NULL, -- as the logger gave it; the same as position
    seconds REAL NOT NULL,
    uncertainty_s REAL NOT NULL,
    pairs INTEGER, -- lost pairs, where the logger counted them
    reason TEXT NOT NULL,
    crc INTEGER NOT NULL)""")

CHANGE = _table("""CREATE TABLE change ( -- what the user or the logger did before pair number `position`
    entry INTEGER PRIMARY KEY, -- gap and change are numbered together, in the order of arrival
    position INTEGER NOT NULL,
    sample INTEGER NOT NULL, -- the pair it applies to; the same as position
    origin TEXT NOT NULL,
    kind TEXT NOT NULL,
    value TEXT NOT NULL,
    at_s REAL, -- the moment the user means, from the first pair, where it differs
    crc INTEGER NOT NULL)""")

PYRAMID = _table("""CREATE TABLE pyramid ( -- bins of 256 * 8^level pairs for drawing; follows from block
    level INTEGER NOT NULL,
    bin INTEGER NOT NULL, -- number of the row's first bin: pair number / pairs a bin
    bins INTEGER NOT NULL,
    lead1 BLOB NOT NULL, -- zlib: byte planes of float32 volts: least, greatest, mean of every bin
    lead2 BLOB NOT NULL,
    crc INTEGER NOT NULL,
    UNIQUE (level, bin))""")

FINDING = _table("""CREATE TABLE finding ( -- answers kept so that they need not be worked out again
    analysis_version INTEGER NOT NULL,
    settings TEXT NOT NULL,
    document TEXT NOT NULL, -- JSON
    crc INTEGER NOT NULL,
    UNIQUE (analysis_version, settings))""")

NOTE = _table("""CREATE TABLE note ( -- written after the recording; no part of the log
    id INTEGER PRIMARY KEY,
    written_utc TEXT NOT NULL,
    at_s REAL, -- the moment it speaks of, from the first pair; NULL: the whole recording
    text TEXT NOT NULL,
    crc INTEGER NOT NULL)""")

TABLES = (META, LAYOUT, CHANNEL, SEGMENT, CLOCK, BLOCK, GAP, CHANGE, PYRAMID, FINDING, NOTE)


def checksum(values: Sequence[object]) -> int:
    """CRC-32 (zlib's) over the values in order, each with a letter for its type.

    n; i and 8 bytes; r and 8 bytes of IEEE 754; t or b, 4 bytes of length and the bytes (text as UTF-8).
    All little-endian; minus zero counts as zero, since SQLite keeps whole reals as integers.
    """
    crc = 0
    for value in values:
        crc = zlib.crc32(_bytes(value), crc)
    return crc


def _bytes(value: object) -> bytes:
    match value:
        case None:
            return b"n"
        case int():
            return struct.pack("<cq", b"i", value)
        case float():
            return struct.pack("<cd", b"r", value + 0.0)
        case str():
            text = value.encode("utf-8", "replace")
            return struct.pack("<cI", b"t", len(text)) + text
        case bytes():
            return struct.pack("<cI", b"b", len(value)) + value
    raise TypeError(f"a row cannot hold {type(value).__name__}")


def clean(text: str) -> str:
    """`text` as UTF-8 can hold it: half characters from a misread terminal become question marks."""
    return text.encode("utf-8", "replace").decode("utf-8")


def layout_rows(number: int, layout: Layout) -> tuple[Row, tuple[Row, Row]]:
    """(row of `layout`, rows of `channel`)."""
    scale = layout.scale

    def channel(lead: int) -> Row:
        return CHANNEL.row(
            number,
            lead + 1,
            float(scale.volts_per_count[lead]),
            float(scale.offset_v[lead]),
            float(scale.skew_s[lead]),
            None if scale.lowest is None else scale.lowest[lead],
            None if scale.highest is None else scale.highest[lead],
            float(scale.offset_error_v[lead]),
            float(scale.gain_error[lead]),
            layout.bias[lead].value,
            layout.ranges[lead],
        )

    own = LAYOUT.row(number, float(layout.rate_hz), int(scale.calibrated))
    return own, (channel(0), channel(1))


def layout_of(own: Sequence[Value], channels: Sequence[Sequence[Value]]) -> Layout:
    """A Layout from its intact rows; raises ValueError where they make no sense."""
    _, rate_hz, calibrated, _ = own
    rate = float(rate_hz)  # type: ignore[arg-type]
    if not 0 < rate < float("inf"):
        raise ValueError("the rate is not a rate")
    if [c[1] for c in channels] != [1, 2]:
        raise ValueError("a layout has two leads")
    _, _, per_count, offset, skew, lowest, highest, offset_error, gain_error, bias, ranges, _ = zip(
        *channels, strict=True
    )
    scale = Scale(
        volts_per_count=per_count,
        offset_v=offset,
        skew_s=skew,
        lowest=None if None in lowest else lowest,
        highest=None if None in highest else highest,
        offset_error_v=offset_error,
        gain_error=gain_error,
        calibrated=bool(calibrated),
    )
    return Layout(rate, scale, (Bias(bias[0]), Bias(bias[1])), ranges)


def restated(table: Table, *rows: Row) -> tuple[str, str]:
    """(name, value) of meta: rows of layout and channel, or of segment, once more.

    Each is a small row that many samples hang on; the copy lies on another page.
    """
    return f"{table.name} {rows[0][0]!r}", json.dumps([row[:-1] for row in rows])


def restored(name: str, text: str) -> list[tuple[Table, Row]]:
    """What `restated` told again; raises ValueError for anything else."""
    tables = {"layout": (LAYOUT, CHANNEL, CHANNEL), "segment": (SEGMENT,)}.get(name.split()[0], ())
    try:
        found = [(table, table.row(*values)) for table, values in zip(tables, json.loads(text), strict=True)]
        if all(table.intact(row) for table, row in found):
            return found
    except (TypeError, RecursionError, struct.error) as error:
        raise ValueError("not a copy of rows") from error
    raise ValueError("not a copy of rows")


def gap_of(row: Sequence[Value]) -> Gap:
    """A Gap from its intact row; raises ValueError where it makes no sense."""
    _, _, sample, seconds, uncertainty_s, pairs, reason, _ = row
    gap = Gap(sample, seconds, uncertainty_s, pairs, GapReason(reason))  # type: ignore[arg-type]
    if not 0 <= gap.seconds < math.inf:
        raise ValueError("a gap lasts a while")
    return gap


def change_of(row: Sequence[Value]) -> Change:
    """A Change from its intact row; raises ValueError for a kind nobody knows."""
    _, _, sample, origin, kind, value, at_s, _ = row
    return Change(sample, Origin(origin), ChangeKind(kind), value, at_s)  # type: ignore[arg-type]


def device_text(info: DeviceInfo) -> str:
    return json.dumps(
        {
            "name": info.name,
            "serial_number": info.serial_number,
            "firmware": info.firmware,
            "port": info.port,
            "details": dict(info.details),
        },
        sort_keys=True,
    )


def device_of(text: str) -> DeviceInfo:
    """The DeviceInfo that `device_text` wrote; raises ValueError for anything else."""
    try:
        found = dict(json.loads(text))
    except (TypeError, RecursionError) as error:
        raise ValueError("not a device") from error
    details = found.get("details")
    return DeviceInfo(
        name=str(found.get("name", "")),
        serial_number=str(found.get("serial_number", "")),
        firmware=str(found.get("firmware", "")),
        port=str(found.get("port", "")),
        details={str(k): str(v) for k, v in details.items()} if isinstance(details, Mapping) else {},
    )
