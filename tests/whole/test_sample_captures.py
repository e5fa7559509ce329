"""The captures that ship still say what their stories say, and are what the bench makes of them today."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from daq.capture import check_capture
from daq.recordings_in import analyse, open_recording
from tests.whole.sample_captures import STORIES

FOLDER = Path(__file__).parents[2] / "recordings"
VERDICTS = {
    "trailer-lamp": ("low", 2, set()),
    "mower-work-lamp": ("high", 2, set()),
    "cabin-blower": ("low", 1, set()),
    "window-motor": ("reversing", "both", set()),
    "chattering-pump-relay": ("low", 2, {"feed dropout"}),
    "cargo-lamp-dead": ("undetermined", None, set()),
    "fog-lamp-dark": ("undetermined", None, {"stuck"}),  # marked on, and the lamp did not follow
    "hay-rake-lamp": ("high", 2, {"reference lost"}),
    "windlass-relay": ("both ends", "both", set()),
}


def test_every_story_has_its_capture_and_its_line() -> None:
    told = (FOLDER / "README.md").read_text()
    shipped = {path.stem for path in FOLDER.glob("*.whichside")}
    assert shipped == {story.name for story in STORIES} == set(VERDICTS)
    assert all(f"`{name}`" in told for name in shipped)


@pytest.mark.parametrize("name", VERDICTS)
def test_a_capture_says_what_its_story_says(name: str) -> None:
    path = FOLDER / f"{name}.whichside"
    assert check_capture(path).intact
    source = open_recording(path)
    found = analyse(source)
    source.close()
    side, control, kinds = VERDICTS[name]
    assert (found.judgement.side.value, found.judgement.control_lead) == (side, control)
    assert {e.kind.value for e in found.events} == kinds


def test_they_are_package_data() -> None:
    settings = tomllib.loads((FOLDER.parent / "pyproject.toml").read_text())["tool"]["setuptools"]
    assert settings["package-dir"]["daq.recordings"] == "recordings"
    assert "*.whichside" in settings["package-data"]["daq.recordings"]
