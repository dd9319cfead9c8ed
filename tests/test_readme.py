"""README and its mark for the check: the lines a newcomer copies, and what they lead to.

Its commands, like those of the guide's pages, are tried in `test_guide.py`.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from optimiser.guide import TOPICS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
LONGEST = 140  # lines that a newcomer reads


def marked(name: str) -> str:
    """The one command line under a mark."""
    found = re.search(rf"<!-- {name} command -->\n```sh\n(.*)\n```", README)
    assert found, name
    return found[1]


def test_readme_is_short():
    """All else is in the guide."""
    assert len(README.splitlines()) <= LONGEST


def test_every_topic_of_the_guide_is_named():
    """README's table leads to each page, and to no other."""
    table = README.split("| you want to | read |")[1].split("\n\n")[0]
    assert {*TOPICS} - {"cautions"} == set(re.findall(r"`(\w+)`", table))


def test_paths_in_readme_exist():
    """Scenarios and pages that README names are in the repository, and every scenario is named."""
    named = set(re.findall(r"`(scenarios/[\w-]+)`", README))
    assert {f"scenarios/{path.parent.name}" for path in (ROOT / "scenarios").glob("*/scenario.toml")} == named
    for path in re.findall(r"\]\(([\w./-]+)\)", README):
        assert (ROOT / path).exists(), path


def test_set_up_is_one_ordinary_line():
    """Both lines make an environment and install under the pinned constraints, which are there."""
    for name in ("run", "test"):
        line = marked(name)
        assert line.startswith("python3 -m venv .venv && .venv/bin/pip install -q -c .ci/constraints.txt")
    assert (ROOT / ".ci" / "constraints.txt").is_file()
    assert (ROOT / marked("run").split()[-1] / "scenario.toml").is_file()


def test_the_check_runs_readmes_own_line():
    """The check reads the line from README, by the mark that README has."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "<!-- test command -->" in script
    assert "README.md" in script
    assert marked("test").endswith("python -m pytest -n auto --dist loadscope")


@pytest.mark.parametrize(
    "name",
    [
        *("dispatch.csv", "dispatch.parquet", "statement.csv", "summary.json", "report.html"),
        *("cash-flow.csv", "appraisal.xlsx", "customer.html"),
    ],
)
def test_every_output_is_named(name):
    """README says what is written."""
    assert name in README
