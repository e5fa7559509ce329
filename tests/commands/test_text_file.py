"""Text recordings: what is accepted, and one clear sentence naming the line for what is not."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.errors import InputError
from daq.samples import Block
from daq.text_file import TextSource

HEAD = "time_s,lead1_v,lead2_v\n"
GOOD = HEAD + "".join(f"{i * 0.00025:.5f},12.6,{0.1 * (i % 3):.1f}\n" for i in range(40))


def write(folder: Path, text: str | bytes, name: str = "a.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def blocks(source: TextSource) -> list[Block]:
    return [item for item in source if isinstance(item, Block)]


def test_plain_and_gzipped_are_the_same(tmp_path: Path) -> None:
    plain = TextSource(write(tmp_path, GOOD))
    packed = TextSource(write(tmp_path, gzip.compress(GOOD.encode()), "a.csv.gz"))
    assert blocks(plain)[0].layout.rate_hz == pytest.approx(4000)
    assert np.array_equal(blocks(plain)[0].counts, blocks(packed)[0].counts)
    assert blocks(plain)[0].counts[1].tolist() == [12_600_000, 100_000]


def test_windows_line_ends_and_a_byte_order_mark_are_fine(tmp_path: Path) -> None:
    text = "\ufeff" + GOOD.replace("\n", "\r\n")
    assert len(blocks(TextSource(write(tmp_path, text)))[0].counts) == 40


def test_rounded_times_count_as_steady(tmp_path: Path) -> None:
    """3 kHz printed with four digits: steps of 0.3 and 0.4 ms, one unit of the last digit apart."""
    rows = "".join(f"{i / 3000:.4f},1,2\n" for i in range(300))
    assert blocks(TextSource(write(tmp_path, HEAD + rows)))[0].layout.rate_hz == pytest.approx(3000, rel=1e-3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "line 1 is empty"),
        ("time_s;lead1_v;lead2_v\n0;1;2\n", "separated by commas"),
        (
            HEAD + "".join(f"{n * 0.001:.3f},1,2\n" for n in (*range(90), 190)),
            "line 92: time_s steps by 0.101 s",
        ),
        ("time_s,lead1_v\n0,1\n", "column lead2_v is missing"),
        ("time_s,lead1_v,lead2_v,gps\n0,1,2,3\n", "column 'gps' is not known"),
        ("lead1_v,time_s,lead2_v\n1,0,2\n", "in this order"),
        (HEAD, "no line of data"),
        (HEAD + "0,1,2\n0.001,1,2\n", "only 2 lines"),
        (HEAD + "0,1,2\n0.001,1\n0.002,1,2\n", "line 3: 2 fields instead of 3"),
        (HEAD + "0,1,2\n0.001,x,2\n0.002,1,2\n", "line 3: lead1_v is 'x', not a number"),
        (HEAD + "0,1,2\n0.001,1,nan\n0.002,1,2\n", "line 3: lead2_v is nan"),
        (HEAD + "0,1,2\n0.001,1,inf\n0.002,1,2\n", "line 3: lead2_v is inf"),
        (HEAD + "0,1,2\n0.001,12600,2\n0.002,1,2\n", "must be in volts"),
        (HEAD + "0,1,2\n0.001,1,2\n0.009,1,2\n0.010,1,2\n", "steadily sampled"),
        (HEAD + "0,1,2\n1,1,2\n2,1,2\n", "the sample rate is 1 Hz"),
        (HEAD + "5,1,2\n4,1,2\n3,1,2\n", "does not go up"),
        (b"\x00\xff\xfe binary", "not a text file"),
        (gzip.compress(GOOD.encode(), mtime=0)[:60], "damaged"),
    ],
)
def test_each_bad_file_gets_one_sentence(tmp_path: Path, text: str | bytes, words: str) -> None:
    with pytest.raises(InputError) as caught:
        TextSource(write(tmp_path, text))
    assert words in str(caught.value)
    assert str(caught.value).startswith(str(tmp_path))
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        TextSource(tmp_path / "none.csv")


@settings(max_examples=150, deadline=None)
@given(body=st.binary(max_size=300), header=st.booleans())
def test_anything_is_read_or_refused(
    body: bytes, header: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = write(tmp_path_factory.mktemp("csv"), (HEAD.encode() if header else b"") + body)
    refused = ""
    try:
        assert len(blocks(TextSource(path))[0].counts) >= 3
    except InputError as error:
        refused = str(error)
    assert "\n" not in refused
