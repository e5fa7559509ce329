"""The rows of a survey as a file: CSV, JSON lines or Parquet, by the name's ending."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path

from daq import cells
from daq.new_file import appearing
from daq.survey import COLUMNS, Row

ENDINGS = (".csv", ".jsonl", ".parquet")


def write_table(rows: Sequence[Row], out: Path) -> None:
    """Raises WorkError where `out` exists or cannot be written, or pyarrow is needed and missing."""
    with appearing(out) as aside:
        if out.suffix == ".parquet":
            _write_parquet(rows, aside)
            return
        lines = csv_lines(rows) if out.suffix == ".csv" else map(_json_line, rows)
        with aside.open("w", encoding="utf-8", newline="") as file:
            file.writelines(lines)


def csv_lines(rows: Sequence[Row]) -> Iterator[str]:
    """A header and a line for each row."""
    names = [column.name for column in COLUMNS]
    yield cells.row(names)
    for row in rows:
        yield cells.row([row[name] for name in names])


def _json_line(row: Row) -> str:
    return json.dumps(row) + "\n"


def _write_parquet(rows: Sequence[Row], aside: Path) -> None:
    from daq.export_parquet import pyarrow

    pa = pyarrow()
    kinds = {str: pa.string(), int: pa.int64(), float: pa.float64(), bool: pa.bool_()}
    schema = pa.schema(
        [
            pa.field(column.name, kinds[column.kind], metadata={"unit": column.unit} if column.unit else None)
            for column in COLUMNS
        ]
    )
    pa.parquet.write_table(pa.Table.from_pylist([dict(row) for row in rows], schema), aside)
