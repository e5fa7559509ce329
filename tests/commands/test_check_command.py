"""`check` and `check --repair` as a user meets them."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from tests.capture.broken import damaged
from tests.commands.test_commands import run


@pytest.fixture
def bad(whole: bytes, tmp_path: Path) -> Path:
    return damaged(tmp_path, whole, "UPDATE block SET crc = 0 WHERE first = 5000")


def test_places_are_named_and_the_repair_is_offered(bad: Path) -> None:
    done = run("check", bad)
    assert done.returncode == 4
    first, *places = done.stdout.splitlines()
    assert "is damaged in 1 place: 0.250 s of 5.2 s cannot be read" in first
    assert places[0] == "lost: 1.250 s to 1.500 s (1000 pairs)"
    assert places[1].startswith("damaged: block, row 5000: the checksum does not fit")
    assert done.stderr.strip().endswith(f"whichside check {bad} --repair -o OUT")


def test_whoever_meets_the_damage_is_sent_to_the_repair(bad: Path, whole: bytes, tmp_path: Path) -> None:
    headless = tmp_path / "headless.whichside"
    headless.write_bytes(bytes(2048) + whole[2048:])
    for path in (bad, headless):
        for command in (
            ["review", "--plain"],
            ["review", "--json"],
            ["trim", "-o", tmp_path / "t.whichside"],
        ):
            done = run(*command, path)
            assert done.returncode == 4
            assert f"whichside check {path}" in done.stderr
            assert "--repair -o OUT" in done.stderr
            (tmp_path / "t.whichside").unlink(missing_ok=True)


def test_a_repair_saves_the_rest(bad: Path) -> None:
    out = bad.with_name("good.whichside")
    done = run("check", bad, "--repair", "-o", out)
    assert done.returncode == 4
    assert "of 5.2 s, 0.250 s are lost. That file is as it was." in done.stdout
    again = run("check", out)
    assert (again.returncode, "is intact" in again.stdout) == (0, True)
    told = json.loads(run("check", bad, "--repair", "-o", bad.with_name("b.whichside"), "--json").stdout)
    assert (told["everything"], told["pairs"], told["lost"]) == (
        False,
        14_000,
        [{"begin_s": 1.25, "end_s": 1.5, "pairs": 1000}],
    )


def test_without_a_first_page_only_the_repair_helps(whole: bytes, tmp_path: Path) -> None:
    path, out = tmp_path / "bad.whichside", tmp_path / "good.whichside"
    path.write_bytes(bytes(2048) + whole[2048:])
    done = run("check", path)
    assert (done.returncode, done.stdout) == (4, "")
    assert f"What can be read of it is saved by: whichside check {path} --repair -o OUT" in done.stderr
    done = run("check", path, "--repair", "-o", out)
    assert (done.returncode, done.stderr) == (0, "")
    assert "holds every sample and mark" in done.stdout


def test_what_is_no_capture_is_not_offered_a_repair(tmp_path: Path) -> None:
    text, foreign = tmp_path / "README.md", tmp_path / "other.whichside"
    text.write_text("# whichside\n" + "Someone has a two-pin load in hand.\n" * 200)
    connection = sqlite3.connect(foreign)
    connection.execute("CREATE TABLE meta (name TEXT, value TEXT)")
    connection.execute("INSERT INTO meta VALUES ('version', '1')")
    connection.commit()
    connection.close()
    for path in (text, foreign):
        done = run("check", path)
        assert (done.returncode, done.stdout) == (4, "")
        assert done.stderr == (
            f"whichside: {path} is not a capture, nor is anything of one left in it: choose a .whichside "
            "file, or import a .csv first.\n"
        )


def test_what_cannot_be_done_is_said(bad: Path, tmp_path: Path) -> None:
    tries: list[tuple[list[str | Path], int, str]] = [
        ([bad, "--repair"], 2, "--repair and -o OUT go together"),
        ([bad, "-o", tmp_path / "b.whichside"], 2, "--repair and -o OUT go together"),
        ([bad, "--repair", "-o", bad], 1, "exists already"),
        ([bad, "--repair", "-o", tmp_path / "b.db"], 2, "must end in .whichside"),
        ([tmp_path / "none.whichside"], 4, "does not exist"),
        ([tmp_path / "none.whichside", "--repair", "-o", tmp_path / "b.whichside"], 4, "does not exist"),
    ]
    for arguments, code, says in tries:
        done = run("check", *arguments)
        assert (done.returncode, done.stdout) == (code, "")
        assert says in done.stderr
