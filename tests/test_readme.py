"""README is run: its commands exist, its example works, and the check that is run is the one that it names."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import click
import pytest
from conftest import xml_feed

import optimiser
from optimiser.accounts.rates import draw
from optimiser.batch.sweep.designs import KINDS as DESIGNS
from optimiser.cli import main
from optimiser.equipment.backup import Backup
from optimiser.readers.table import read_prices
from optimiser.scenario.cost import Cost
from optimiser.scenario.read import read_tariff
from optimiser.series.table import Source
from optimiser.starter import write_starter
from optimiser.studies.catalogue import STUDIES
from optimiser.tariff import KINDS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```(\w+)\n(.*?)```", README, re.DOTALL)
CALLS = [
    shlex.split(call, comments=True)
    for language, block in BLOCKS
    if language == "sh"
    for call in re.findall(r"\.venv/bin/optimiser (.*)", block)
]


def marked(name: str) -> str:
    """The one command line under a mark."""
    found = re.search(rf"<!-- {name} command -->\n```sh\n(.*)\n```", README)
    assert found, name
    return found[1]


def test_every_command_is_in_readme_and_exists():
    """README's calls are commands with options that they know, and no command is left out."""
    named = set()
    for words in CALLS:
        command = main
        while isinstance(command, click.Group):
            command, words = command.commands[words[0]], words[1:]
        named.add(command)
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= known, command.name
    assert set(_commands(main)) == named


def _commands(group: click.Group) -> Iterator[click.Command]:
    for command in group.commands.values():
        yield from _commands(command) if isinstance(command, click.Group) else (command,)


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
    assert marked("test").endswith("python -m pytest")


def test_exit_codes_are_those_of_the_command():
    """Each code that help names is in README."""
    codes = re.findall(r"\b(\d) [a-z]", main.help.split("Exit codes:")[1])
    assert ["0", "2", "3", "4", "5", "1"] == codes
    paragraph = README.split("The command ends with code")[1].split("\n\n")[0]
    assert set(codes) == set(re.findall(r"\b(\d)\b", paragraph))


def test_the_python_example_runs(monkeypatch, tmp_path, capsys):
    """As printed, with three days for thirty-one."""
    example, _ = [block for language, block in BLOCKS if language == "python"]
    assert '"timeline.days": 31' in example
    (tmp_path / "scenarios").symlink_to(ROOT / "scenarios")
    monkeypatch.chdir(tmp_path)
    exec(compile(example.replace('"timeline.days": 31', '"timeline.days": 3'), "README.md", "exec"), {})
    written = {path.name for path in (tmp_path / "reports" / "bigger").iterdir()}
    assert {"dispatch.csv", "dispatch.parquet", "report.html", "statement.csv", "summary.json"} <= written
    assert {"appraisal.xlsx", "cash-flow.csv"} <= written
    assert float(capsys.readouterr().out.splitlines()[0]) > 0


def test_the_examples_of_files_run(monkeypatch, tmp_path):
    """The mapping reads, and the lines that read a market's and two meters' files run on made-up ones."""
    _, example = [block for language, block in BLOCKS if language == "python"]
    (mapping,) = [block for language, block in BLOCKS if language == "toml" and "SETTLEMENTDATE" in block]
    monkeypatch.chdir(tmp_path)
    Path("market.toml").write_text(mapping, encoding="utf-8")
    Path("my-mapping.toml").write_text(mapping + 'unit = "kW"\n', encoding="utf-8")
    table = "REGION,SETTLEMENTDATE,TOTALDEMAND,RRP\nSA1,2025/01/01 00:05:00,1200,60\nSA1,2025/01/01 00:10:00,1200,66\n"
    Path("prices.csv").write_text(table, encoding="utf-8")
    Path("load.csv").write_text(table, encoding="utf-8")
    Path("usage.xml").write_text(xml_feed([(3600, "5")]), encoding="utf-8")
    half_hours = f"300,20250101,{','.join(['0.5'] * 48)},A"
    Path("meter.csv").write_text(f"200,4123456789,E1,,E1,,,kWh,30,\n{half_hours}\n", encoding="utf-8")
    names: dict = {}
    exec(compile(example, "README.md", "exec"), names)
    assert [60, 66] == names["prices"]["price_per_mwh"].tolist()
    assert [60, 66] == pytest.approx(names["meter"].channels[0].power().tolist())
    assert [1.0] * 48 == names["load_kw"].tolist()
    assert [60, 66] == read_prices(Path("prices.csv"), Path("market.toml"))["price_per_mwh"].tolist()


@pytest.mark.parametrize(
    "name",
    [
        *("dispatch.csv", "dispatch.parquet", "statement.csv", "summary.json", "report.html"),
        *("cash-flow.csv", "appraisal.xlsx"),
    ],
)
def test_every_output_is_named(name):
    """README says what is written."""
    assert name in README


def test_the_tariff_example_is_drawn(tmp_path):
    """The tariff as printed is read, and each of its components has words."""
    (example,) = [block for language, block in BLOCKS if language == "toml" and "[[component]]" in block]
    path = tmp_path / "tariff.toml"
    path.write_text(example, encoding="utf-8")
    made = draw(read_tariff(path), 2025)
    assert 2 == len(made.charges)
    assert ["1 Nov to 31 Mar", "1 Apr to 31 Oct"] == [season.dates for season in made.layers[0].seasons]


def test_the_cost_example_is_read():
    """The costs as printed are read, with every part, and the price year names keys of a source."""
    (example,) = [block for language, block in BLOCKS if language == "toml" and "[cost]" in block]
    raw = tomllib.loads(example)
    cost = Cost.model_validate(raw["cost"])
    assert (5, 10) == cost.life.ages
    assert 13200 == cost.at_start
    assert set(raw["price_year"][0]["source"]["market"]) <= set(Source.model_fields)


def test_the_backup_example_is_read():
    """The table as printed is what a scenario may say."""
    (example,) = [block for language, block in BLOCKS if language == "toml" and "[backup]" in block]
    backup = Backup.model_validate(tomllib.loads(example)["backup"])
    assert (4.0, 0.4) == (backup.wanted_hours, backup.load[0].load_share)


def test_every_kind_of_component_is_named():
    """Each kind stands in README's table."""
    words = {get_args(kind.model_fields["kind"].annotation)[0] for kind in KINDS}
    assert words <= set(re.findall(r"`(\w+)`", README))


def test_the_sweep_example_is_worked_out(tmp_path, monkeypatch):
    """The file as printed, with four cases for two hundred and two days of the starter, by the line for Python."""
    (example,) = [block for language, block in BLOCKS if language == "toml" and "[[factor]]" in block]
    (line,) = [block for language, block in BLOCKS if language == "py"]
    assert "cases = 200" in example
    monkeypatch.chdir(tmp_path)
    write_starter(tmp_path / "my-site")
    scenario = tmp_path / "my-site" / "scenario.toml"
    scenario.write_text(
        scenario.read_text(encoding="utf-8").replace("days = 7 ", "days = 2 "), encoding="utf-8"
    )
    Path("my-site/sweep.toml").write_text(example.replace("cases = 200", "cases = 4"), encoding="utf-8")
    names: dict = {"optimiser": optimiser}
    exec(compile(line, "README.md", "exec"), names)
    assert {"done"} == set(names["table"]["status"])
    assert 5 == len(names["table"])
    assert Path("my-sweep.sqlite").is_file()


def test_every_design_of_sweeps_is_named():
    """Each kind of design stands in README's table."""
    words = {get_args(kind.model_fields["kind"].annotation)[0] for kind in DESIGNS}
    assert words <= set(re.findall(r"`(\w+)`", README))


def test_every_study_is_explained():
    """README's table has each study, and says rightly which every run has."""
    rows = dict(re.findall(r"^\| `(\w+)` \| (always|if asked) \|", README, re.MULTILINE))
    assert {name: "always" if entry.usual else "if asked" for name, entry in STUDIES.items()} == rows
