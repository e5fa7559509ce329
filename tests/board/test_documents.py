"""What stands in firmware/board is what parts.toml makes, and the proof holds what it promises."""

from __future__ import annotations

import re

import pytest

from tests.board.documents import QUICK, proof_page
from tests.board.parts import FOLDER, design
from tests.board.stresses import PULSES, STEADY

PROOF = (FOLDER / "PROOF.md").read_text()


@pytest.mark.parametrize(
    "name", sorted(set(QUICK) - {"BUILD.md", "schematic.svg"})
)  # compared in their own tests
def test_pages_are_up_to_date(name: str) -> None:
    assert (FOLDER / name).read_text() == QUICK[name](design()), "run python -m tests.board.documents"


def test_the_proof_tells_of_every_stress_and_where_its_figures_come_from() -> None:
    for stress in (*STEADY, *PULSES):
        row = f"| {stress.name} | {stress.level} | {stress.standard} | {stress.source} |"
        assert row in PROOF


def test_the_proof_promises_nothing_over_its_rating() -> None:
    used = [int(share) for share in re.findall(r"\| (\d+) % \|", PROOF)]
    assert len(used) == len(STEADY) + len(PULSES)
    assert max(used) <= 100


@pytest.mark.long
def test_the_proof_is_up_to_date() -> None:
    """Number by number, to two points: ngspice chooses its steps by version."""
    found, told = (
        [int(s) for s in re.findall(r"\| (\d+) % \|", page)] for page in (proof_page(design()), PROOF)
    )
    assert found == pytest.approx(told, abs=2)


def test_links_lead_somewhere() -> None:
    for page in FOLDER.glob("*.md"):
        for target in re.findall(r"\]\(([^)#]+)", page.read_text()):
            assert (FOLDER / target).exists(), f"{page.name}: {target}"


def test_no_value_of_the_readme_is_stale() -> None:
    """Figures that people repeat stand in README.md too; each must be in the page it comes from."""
    readme = (FOLDER / "README.md").read_text()
    for figure, page in (
        ("1.08 MΩ", "BUDGET.md"),
        ("-7.97 to 39.79 V", "BUDGET.md"),
        ("-1.00 to 5.03 V", "BUDGET.md"),
    ):
        assert figure in readme
        assert figure in (FOLDER / page).read_text()
