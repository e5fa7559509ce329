"""`whichside reason` as a user or another program meets it."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from daq.knowledge import shipped
from daq.readings import parse
from daq.reason_command import own_file
from tests.commands.test_commands import run

SIDES = ["low", "high", "both ends", "reversing", "unswitched"]
FAULTS = {
    *("none", "open", "high resistance", "short to ground", "short to power", "load shorted", "stuck on"),
    *("stuck off", "lost"),
}
PLACES = {
    *("fuse", "feed wire", "load", "ground wire", "control wire", "switch", "ground point", "connector pin"),
    *("reference lead", "lead 1", "lead 2", None),
}
CONDITIONS = {None, "asleep", "averaged", "stepped", "shared feed", "shared ground"}


def reasoned(*readings: str) -> dict[str, Any]:
    done = run("reason", *readings, "--json")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    document: dict[str, Any] = json.loads(done.stdout)
    return document


@pytest.mark.parametrize(
    "readings",
    [["source 12.6"], ["in off 12.6 12.6", "in on 12.6 12.6"], ["in ? 0 0"], ["in on 6 6", "in on 1 9"]],
)
def test_the_document_keeps_its_contract(readings: list[str]) -> None:
    found = reasoned(*readings)
    assert found["schema"] == 1
    assert list(found["side"]) == SIDES
    assert sum(found["side"].values()) == pytest.approx(1.0, abs=1e-3)
    for candidate in found["candidates"]:
        assert candidate["side"] in SIDES
        assert candidate["control_lead"] in (1, 2, "both", None)
        assert candidate["fault"] in FAULTS
        assert candidate["place"] in PLACES
        assert candidate["condition"] in CONDITIONS
        assert candidate.get("quality") in (None, "leaking", "seized")
    chances = [c["probability"] for c in found["candidates"]]
    assert chances == sorted(chances, reverse=True)
    assert sum(chances) <= 1.001
    assert isinstance(found["fits"], bool)
    assert all(str(parse(text)) for text in found["misfits"])
    assert found["fits"] == (not found["misfits"])
    assert all(len(group) > 1 for group in found["look_alikes"])
    test = found["next_test"]
    if test is not None:
        assert test["do"].endswith(".")
        assert test["expected_bits"] > 0
        assert parse(re.sub(r"\bV\b", "1.5", test["reading"]).replace("lit|dim|dark", "dim"))


def test_a_test_that_needs_another_position_says_so_and_names_one_for_a_control_without() -> None:
    """A lamp's switch has but one position that is on."""
    readings = ("source 12.6", "in off 0 0", "in on 8.93 0.07")
    test = reasoned(*readings)["next_test"]
    assert test["reading"] == "in other V V"
    assert test["do"].startswith("If the control has another direction or speed: load plugged in, ")
    instead = test["otherwise"]
    assert instead["do"].startswith("If it has none: load plugged in, control on: ")
    assert "other" not in instead["reading"].split()
    assert parse(instead["reading"].replace("V", "12.5"))
    assert "otherwise" not in instead
    lines = run("reason", *readings).stdout.splitlines()
    told = [line.removeprefix("next: ") for line in lines if line.startswith("next: ")]
    assert told == [test["do"], instead["do"]]


def test_any_other_test_stands_alone() -> None:
    test = reasoned("in off 12.6 12.6", "in on 12.6 12.6")["next_test"]
    assert " other " not in test["reading"]
    assert "otherwise" not in test


def test_the_same_readings_give_the_same_answer() -> None:
    assert reasoned("in off 0 0", "in on 8.9 0.1") == reasoned("in off 0 0", "in on 8.9 0.1")


def test_people_get_lines() -> None:
    done = run("reason", "in off 12.6 12.6", "in on 12.6 12.6")
    assert done.returncode == 0
    assert done.stdout.startswith("side: ground side")
    for words in (
        "could be:",
        "next: ",
        "caution: ",
        "then add: '",
        "mind: Source on both leads is one feed",
    ):
        assert words in done.stdout
    assert "\x1b" not in done.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["reason"], "required"),
        (["reason", "in off twelve 0"], "'twelve', where volts"),
        (["reason", "in off 12.6 12.6", "--knowledge", "none.toml"], "none.toml"),
    ],
)
def test_mistakes_end_with_code_2(arguments: list[str], words: str, tmp_path: Path) -> None:
    done = run(*arguments, folder=tmp_path)
    assert done.returncode == 2
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_a_users_own_knowledge_changes_the_answer(tmp_path: Path) -> None:
    file = tmp_path / "boat.toml"
    file.write_text("[sides]\nlow = 0\n[costs]\nunplug = 30\n")
    done = run("reason", "in off 0 0", "in on 0 0", "--json", "--knowledge", file)
    assert done.returncode == 0
    assert json.loads(done.stdout)["side"]["low"] == 0


def test_whole_kinds_of_faults_may_be_ruled_out(tmp_path: Path) -> None:
    """Then nothing hangs on fuse or load any more, and all circuits are alike there."""
    gone = [
        name for name in shipped().faults if name.endswith((", fuse", ", load")) or name.startswith("short")
    ]
    double = [name for name in shipped().double if "load" in name or "fuse" in name]
    lines = [
        "[faults]",
        *(f'"{name}" = 0' for name in gone),
        "[double]",
        *(f'"{name}" = 0' for name in double),
    ]
    file = tmp_path / "few.toml"
    file.write_text("\n".join(lines))
    done = run("reason", "in off 12.6 12.6", "in on 12.5 0.1", "--json", "--knowledge", file)
    assert done.stderr == ""
    assert json.loads(done.stdout)["side"]["low"] > 0.9


def own_folder(monkeypatch: pytest.MonkeyPatch, folder: Path, text: str | bytes) -> Path:
    """A configuration folder with a knowledge file, wherever this system keeps it."""
    for name in ("HOME", "XDG_CONFIG_HOME", "LOCALAPPDATA", "USERPROFILE"):
        monkeypatch.setenv(name, str(folder))
    file = own_file()
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    return file


def test_knowledge_in_the_configuration_folder_is_used_and_said(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    file = own_folder(monkeypatch, tmp_path, "[sides]\nlow = 0\n")
    done = run("reason", "in off 0 0", "in on 0 0", "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["side"]["low"] == 0
    assert done.stderr == f"Priors, costs and limits changed by {file}.\n"


def test_a_named_file_goes_before_the_one_in_the_folder(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    own_folder(monkeypatch, tmp_path, "[sides]\nlow = 0\n")
    named = tmp_path / "boat.toml"
    named.write_text("[sides]\nhigh = 0\n")
    done = run("reason", "in off 0 0", "in on 0 0", "--json", "--knowledge", named)
    assert done.stderr == ""
    side = json.loads(done.stdout)["side"]
    assert side["high"] == 0
    assert side["low"] > 0


@pytest.mark.parametrize("text", ["[sides]\nleft = 1", "[sides\n", b"\xff"])
def test_a_wrong_file_in_the_folder_is_named_and_stops(
    text: str | bytes, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    file = own_folder(monkeypatch, tmp_path, text)
    done = run("reason", "source 12")
    assert done.returncode == 4
    assert done.stdout == ""
    assert str(file) in done.stderr
    assert "move it away" in done.stderr
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[sides]\nleft = 1", "[sides] left is not known"),
        ("[sides]\nlow = 'much'", "[sides] low must be a number"),
        ("[spread]\nfault = 3", "[spread] fault must be a table"),
        ("[spread.fault]\nfactor = 0.5", "[spread.fault] factor is 0.5; it must be from 1 to"),
        ("[spread.open_ohm]\nmedian = 1e-9", "[spread.open_ohm] median is 1e-09; it must be from 10000 to"),
        ("[spread.fault]\nfactor = 1e6", "[spread.fault] factor is 1e+06; it must be from 1 to 100"),
        ("[spread.duty]\nlow = 0.97", "[spread.duty] low is 0.97; it must be below high, 0.96."),
        ("[spread.source]\nfactor = 1.0", "[spread.source] factor is 1; it must be from 1.001"),
        ("[costs]\nbase = -1", "[costs] base is -1"),
        ("[choices.load]\nresistive = 0\nfilament = 0\n'LED string' = 0", "all of [choices] load are zero"),
        ("[limits.feed]\norigin = 3", "[limits.feed] origin must be a text"),
        ("[sides\n", "not valid TOML"),
        ("low = 1", "[low] is not known; the file has"),
    ],
)
def test_a_wrong_entry_is_named(text: str, words: str, tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_text(text)
    done = run("reason", "source 12", "--knowledge", file)
    assert done.returncode == 2
    assert words in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_terminal_is_written_line_by_line_and_a_pipe_is_not() -> None:
    """On 80 columns no word is broken and none is lost; what is piped has a line for each thing said."""
    readings = ["source 12.6", "in off 12.6 12.6", "in on 12.5 0.1"]
    piped = run("reason", *readings).stdout
    assert max(map(len, piped.splitlines())) > 80
    ours, theirs = pty.openpty()
    done = subprocess.Popen(
        [sys.executable, "-m", "daq", "reason", *readings],
        stdout=theirs,
        env=os.environ | {"COLUMNS": "80", "TERM": "xterm"},
    )
    os.close(theirs)
    shown = b""
    with contextlib.suppress(OSError):  # what Linux says at the end of a terminal
        while some := os.read(ours, 4096):
            shown += some
    os.close(ours)
    assert done.wait() == 0
    assert max(map(len, shown.decode().splitlines())) <= 80
    assert shown.decode().split() == piped.split()
