"""Ctrl-C before anything is under way: silence and exit code 130, whatever is being imported just then."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
STAGED = """
import runpy, signal, sys

class Interrupting:
    '''Ctrl-C while the module `name` is looked for; `swallowed` as libraries in C do it.'''

    def __init__(self, name, swallowed):
        self.name, self.swallowed = name, swallowed

    def find_spec(self, name, path=None, target=None):
        if name == self.name:
            try:
                signal.raise_signal(signal.SIGINT)
            except KeyboardInterrupt:
                if self.swallowed:
                    raise ImportError("PyCapsule_Import could not import module")
                raise

sys.meta_path.insert(0, Interrupting(sys.argv[1], sys.argv[2] == "swallowed"))
sys.argv[1:] = sys.argv[3:]
runpy.run_module("daq", run_name="__main__")
"""


@pytest.mark.parametrize(
    "staged",
    [
        ("argparse", "as it is"),
        ("daq.cli", "as it is"),
        ("daq.commands", "as it is"),
        ("numpy", "as it is"),
        ("numpy", "swallowed"),
    ],
)
@pytest.mark.parametrize("command", [("review", "a.csv"), ("record", "--bench", "barn-lamp")])
def test_it_ends_in_silence(staged: tuple[str, str], command: tuple[str, ...], tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", STAGED, *staged, *command],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        check=False,
        timeout=60,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert (done.returncode, done.stderr) == (130, "")
    assert list(tmp_path.iterdir()) == []


def test_what_is_installed_begins_there_too() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert project["scripts"]["whichside"] == "daq.__main__:main"
