"""The guide is run: each command exists and takes its words, each snippet is read, each example works."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, get_args

import click
import pytest
from click.testing import CliRunner
from conftest import xml_feed
from report_sample import sample_results

import optimiser
from optimiser.accounts.rates import draw
from optimiser.batch.compare import read_plan
from optimiser.batch.fleet.file import read_fleet
from optimiser.batch.sizing.file import read_choices
from optimiser.batch.sweep.designs import KINDS as DESIGNS
from optimiser.cli import main
from optimiser.equipment.backup import Backup
from optimiser.equipment.load import Load
from optimiser.errors import OptimiserError
from optimiser.guide import TOPICS, page, plain, see, topics
from optimiser.readers.table import read_prices
from optimiser.report import render
from optimiser.scenario.contract import read_tariff
from optimiser.scenario.cost import Cost
from optimiser.scenario.foresight import Foresight, PolicyName
from optimiser.scenario.read import read_scenario
from optimiser.series.table import Source
from optimiser.services.product_sets import product_sets
from optimiser.starter import write_starter
from optimiser.studies.catalogue import STUDIES
from optimiser.tariff import KINDS

ROOT = Path(__file__).parent.parent
PAGES = {
    "README": (ROOT / "README.md").read_text(encoding="utf-8"),
    **{topic: page(topic) for topic in TOPICS},
}
BLOCKS = [
    (name, language, block)
    for name, text in PAGES.items()
    for language, block in re.findall(r"```(\w*)\n(.*?)```", text, re.DOTALL)
]
WIDTH, INDENT = 100, 2


def of(language: str, topic: str, holding: str = "") -> str:
    """The one block of a page in a language that holds some words."""
    (block,) = [
        block for name, kind, block in BLOCKS if (name, kind) == (topic, language) and holding in block
    ]
    return block


def calls() -> list[tuple[str, ...]]:
    """Each call of the program in any page, once, as words."""
    lines = [
        line for _, kind, block in BLOCKS if kind == "sh" for line in block.replace("\\\n", " ").splitlines()
    ]
    found = [match[1] for line in lines if (match := re.match(r"(?:\.venv/bin/)?optimiser (.*)", line))]
    found += [match for text in PAGES.values() for match in re.findall(r"`optimiser ([^`]+)`", text)]
    words = (tuple(shlex.split(call, comments=True)) for call in found)
    return sorted({call[: call.index(">")] if ">" in call else call for call in words})


CALLS = calls()


def followed(words: tuple[str, ...]) -> tuple[click.Command, list[str]]:
    """The command that words lead to, and what is left of them for it."""
    command: click.Command = main
    left = list(words)
    while isinstance(command, click.Group) and left:
        command = command.commands[left.pop(0)]
    return command, left


@pytest.mark.parametrize("words", CALLS, ids=" ".join)
def test_every_call_is_one_that_the_program_takes(words):
    """Commands, options and their values are as printed; a call within a sentence may leave out its files."""
    command, left = followed(words)
    left = [word.replace("TOPIC", "start") for word in left]
    try:
        command.make_context(command.name, list(left))
    except click.MissingParameter:
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in left if word.startswith("--")} <= known


def test_every_command_is_explained():
    """No command of the program is left out of README and the guide."""
    assert set(_commands(main)) == {followed(words)[0] for words in CALLS} - {main}


def _commands(group: click.Group) -> Iterator[click.Command]:
    for command in group.commands.values():
        yield from _commands(command) if isinstance(command, click.Group) else (command,)


# --- The pages ----------------------------------------------------------------------------------------------------


def test_every_page_is_a_topic():
    """No page without a place in the order, no topic without a page."""
    folder = Path(optimiser.__file__).parent / "guide"
    assert sorted(TOPICS) == sorted(path.stem for path in folder.glob("*.md"))
    assert tuple(topics()) == TOPICS


@pytest.mark.parametrize("topic", TOPICS)
def test_a_page_reads_well(topic):
    """A title, a first sentence that fits a line of the list, no line wider than a terminal, no marks left."""
    assert re.match(r"# [A-Z][^\n]{3,50}\n\n[A-Z]", page(topic))
    assert 20 < len(topics()[topic]) <= WIDTH - 11
    text = plain(page(topic), WIDTH)
    assert [line for line in text.splitlines() if len(line) > WIDTH] == []
    assert "**" not in text
    assert "```" not in text


def test_the_command_lists_and_prints():
    """Without a topic each with its line; with one its page; an unknown one is named with the nearest."""
    listed = CliRunner().invoke(main, ["guide"])
    assert listed.exit_code == 0
    for topic, words in topics().items():
        assert re.search(rf"^{topic} +{re.escape(words)}$", listed.stdout, re.MULTILINE)
    shown = CliRunner().invoke(main, ["guide", "tariff"], env={"COLUMNS": "100"})
    assert (shown.exit_code, shown.stdout) == (0, plain(page("tariff"), 100))
    unknown = CliRunner().invoke(main, ["guide", "tarif"])
    assert (unknown.exit_code, unknown.stderr) == (
        2,
        "The guide has no topic 'tarif'. Did you mean tariff?\n",
    )
    assert "The topics are start, scenario" in CliRunner().invoke(main, ["guide", "qqq"]).stderr


def test_a_page_fits_a_narrow_terminal():
    """Paragraphs and tables give way; what is to be copied keeps its lines."""
    text = (
        "# A page\n\nSome words and `code`, **strong**, in a [link](x.md).\n\n"
        "| a | b |\n| --- | --- |\n| `c` | one two three four five |\n\n"
        "```sh\nlong line that is to be copied as it stands\n```\n"
    )
    assert plain(text, 24).splitlines() == [
        *("A page", "======", ""),
        *("Some words and `code`,", "strong, in a link.", ""),
        *("a  b", f"-  {'-' * 21}", "c  one two three four", "   five", ""),
        "  long line that is to be copied as it stands",
    ]


def test_what_sends_to_a_page_names_one():
    """A result's sentence leads to a page that is there; elsewhere in the program's texts too."""
    assert see("solving") == "More: optimiser guide solving."
    with pytest.raises(OptimiserError, match="Did you mean solving"):
        see("solvin")
    for path in Path(optimiser.__file__).parent.rglob("*"):
        if path.suffix in (".py", ".toml", ".md", ".j2", ".js"):
            named = re.findall(r"optimiser guide ([a-z]+)", path.read_text(encoding="utf-8"))
            assert set(named) <= set(TOPICS), path


def test_the_report_sends_to_the_guide_and_the_customers_paper_does_not():
    """A page that works from disk cannot link to a file of the package, so it names what to type."""
    results = sample_results(days=4)
    assert "More: optimiser guide solving." in render(results)
    assert "optimiser guide" not in render(results, edition="customer")


# --- Snippets of files ----------------------------------------------------------------------------------------------


def _tariff(path: Path) -> None:
    """The tariff is read, and each of its components has words."""
    made = draw(read_tariff(path), 2025)
    assert 2 == len(made.charges)
    assert ["1 Nov to 31 Mar", "1 Apr to 31 Oct"] == [season.dates for season in made.layers[0].seasons]


def _cost(path: Path) -> None:
    """The costs are read, with every part, and the price year names keys of a source."""
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    cost = Cost.model_validate(raw["cost"])
    assert (5, 10) == cost.life.ages
    assert 13200 == cost.at_start
    assert set(raw["price_year"][0]["source"]["market"]) <= set(Source.model_fields)


def _backup(path: Path) -> None:
    backup = Backup.model_validate(tomllib.loads(path.read_text(encoding="utf-8"))["backup"])
    assert (4.0, 0.4) == (backup.wanted_hours, backup.load[0].load_share)


def _foresight(path: Path) -> None:
    """As printed, and with issue times in place of the one series."""
    text = path.read_text(encoding="utf-8")
    read = Foresight.model_validate(tomllib.loads(text)["foresight"])
    assert ("forecast", 0.8) == (read.headline, read.services_sold_share)
    issued = re.sub(r"^series = .*$", "", text, flags=re.MULTILINE).replace("\n# ", "\n")
    (one,) = Foresight.model_validate(tomllib.loads(issued)["foresight"]).forecast
    assert "issued_at" == one.issues.issued_column


def _services(path: Path) -> None:
    """The products are shipped ones, and the keys beside them are theirs."""
    for table in tomllib.loads(path.read_text(encoding="utf-8"))["service"]:
        where, name = table["product"].split("/")
        assert product_sets()[where].versions[name]
    scenario = path.with_name("scenario.toml")
    text = scenario.read_text(encoding="utf-8")
    begin, end = text.index("[[service]]"), text.index("# --- What it costs")
    own = re.sub(r'"market\.\w+"', '"market.reserve_up_per_mw_h"', path.read_text(encoding="utf-8"))
    scenario.write_text(text[:begin] + own + text[end:], encoding="utf-8")
    assert 2 == len(read_scenario(scenario).service)


def _mapping(path: Path) -> None:
    table = "REGION,SETTLEMENTDATE,TOTALDEMAND,RRP\nSA1,2025/01/01 00:05:00,1200,60\nSA1,2025/01/01 00:10:00,1200,66\n"
    path.with_name("prices.csv").write_text(table, encoding="utf-8")
    assert [60, 66] == read_prices(path.with_name("prices.csv"), path)["price_per_mwh"].tolist()


def _variants(path: Path) -> None:
    """The variants are read beside a site, the flat contract that comes with the shipped home among them."""
    flat = ROOT / "scenarios" / "single-phase-home" / "flat-tariff.toml"
    path.with_name("flat-tariff.toml").write_bytes(flat.read_bytes())
    assert ["as it is", "two batteries", "flat contract"] == [one.name for one in read_plan((path,)).variants]


def _sizes(path: Path) -> None:
    assert (1, 2, 3) == read_choices(path, read_scenario(path.parent)).choice[0].options


def _fleet(path: Path) -> None:
    assert 30 == len(read_fleet(path).members)


def _load(path: Path) -> None:
    (table,) = tomllib.loads(path.read_text(encoding="utf-8"))["site"]["load"]
    assert "L1" == Load.model_validate(table).phase


def _flexible(path: Path) -> None:
    """The load is read with the starter's site, and what it asks for can be met."""
    scenario = path.with_name("scenario.toml")
    text = scenario.read_text(encoding="utf-8")
    at = text.index("[[site.solar_controller]]")
    own = path.read_text(encoding="utf-8")
    scenario.write_text(f"{text[:at]}{own}\n{text[at:]}", encoding="utf-8")
    (load,) = read_scenario(scenario).site.flexible_load
    assert load.name in ("vehicle", "hot water", "cooling")


def _use(path: Path) -> None:
    """The starter takes its contract from a file of its own, and the key beside `use` wins."""
    scenario = path.with_name("scenario.toml")
    text = scenario.read_text(encoding="utf-8")
    begin, end = text.index("[tariff]"), text.index("# --- Ancillary services")
    own = text[begin:end].replace("[tariff]\n", "").replace("[[tariff.component]]", "[[component]]")
    path.with_name("my-tariff.toml").write_text(own.replace("= 0.19", "= 0.07"), encoding="utf-8")
    scenario.write_text(text[:begin] + path.read_text(encoding="utf-8") + "\n" + text[end:], encoding="utf-8")
    assert 0.19 == read_scenario(scenario).tariff.tax_fraction


def _dc_load(path: Path) -> None:
    """A stacker whose peak keeps a floor in the starter's battery: 110 A for 6 s at 48 V are 8.8 Wh at the least."""
    scenario = path.with_name("scenario.toml")
    text = scenario.read_text(encoding="utf-8") + "\n" + path.read_text(encoding="utf-8")
    scenario.write_text(text, encoding="utf-8")
    read = read_scenario(scenario)
    assert read.site.dc_load[0].name == "stacker"
    assert read.site.floor_kwh(read.data, read.storage)[0].max() >= 0.0088


def _on_bus(path: Path) -> None:
    """Sessions on the bus: 6.4 kW there for 31 kWh stored, from a phase before."""
    scenario = path.with_name("scenario.toml")
    text = scenario.read_text(encoding="utf-8") + "\n" + path.read_text(encoding="utf-8")
    scenario.write_text(text, encoding="utf-8")
    (load,) = read_scenario(scenario).site.flexible_load
    assert load.phase == "bus"
    assert load.phase_before == "L1"


def _sweep(path: Path) -> None:
    """Worked out as printed in `test_the_sweep_example_is_worked_out`."""
    assert "cases = 200" in path.read_text(encoding="utf-8")


# What each kind of snippet is known by, and how it is tried; the first that fits counts.
KINDS_OF_SNIPPETS: dict[str, Callable[[Path], None]] = {
    "[[component]]": _tariff,
    "[cost]": _cost,
    "[backup]": _backup,
    "[foresight]": _foresight,
    "[[service]]": _services,
    "stamp =": _mapping,
    "[[variant]]": _variants,
    "[[choice]]": _sizes,
    "[[factor]]": _sweep,
    "[site.spread]": _fleet,
    "[[site.load]]": _load,
    'phase = "bus"': _on_bus,
    "[[site.flexible_load]]": _flexible,
    "[[site.dc_load]]": _dc_load,
    "use =": _use,
}
SNIPPETS = [(name, block) for name, kind, block in BLOCKS if kind == "toml"]


@pytest.mark.parametrize(
    ("topic", "block"), SNIPPETS, ids=[f"{name}-{at}" for at, (name, _) in enumerate(SNIPPETS)]
)
def test_every_snippet_is_read(topic, block, tmp_path):
    """As printed, beside the starter; a snippet of no known kind fails here."""
    write_starter(tmp_path / "my-site")
    path = tmp_path / "my-site" / "snippet.toml"
    path.write_text(block, encoding="utf-8")
    next(tries for words, tries in KINDS_OF_SNIPPETS.items() if words in block)(path)


def test_blocks_are_of_languages_that_are_tried():
    """A block in another language would be tried by nobody; the picture in README is text."""
    assert {"sh", "toml", "python", "py", "text"} == {language for _, language, _ in BLOCKS}
    assert ["README"] == [name for name, language, _ in BLOCKS if language == "text"]


# --- Examples in Python ---------------------------------------------------------------------------------------------


def test_the_python_example_runs(monkeypatch, tmp_path, capsys):
    """As printed, with three days for thirty-one."""
    example = of("python", "python", "optimiser.run")
    assert '"timeline.days": 31' in example
    (tmp_path / "scenarios").symlink_to(ROOT / "scenarios")
    monkeypatch.chdir(tmp_path)
    exec(compile(example.replace('"timeline.days": 31', '"timeline.days": 3'), "python.md", "exec"), {})
    written = {path.name for path in (tmp_path / "reports" / "bigger").iterdir()}
    named = set(re.findall(r"^\| `([\w.-]+)`(?:, `([\w.-]+)`)? \|", page("results"), re.MULTILINE))
    assert {"dispatch.csv", "dispatch.parquet", "report.html", "statement.csv", "summary.json"} <= written
    assert {"appraisal.xlsx", "cash-flow.csv", "customer.html"} <= written
    assert written <= {name for pair in named for name in pair} | {
        path for path in written if path.startswith(tuple(f"{study}-" for study in STUDIES))
    }
    assert float(capsys.readouterr().out.splitlines()[0]) > 0
    _columns_are_explained(tmp_path / "reports" / "bigger")


def _columns_are_explained(folder: Path) -> None:
    """Each column of the dispatch and of the statement stands in the page on results, names put for NAME."""
    import pandas as pd

    rows = re.findall(r"^\| (`.*?`) \|", page("results"), re.MULTILINE)
    known = {name for row in rows for name in re.findall(r"`([\w.]+)`", row)}
    last = {re.sub(r"^(\w+)\.[\w ]+\.", r"\1.NAME.", name) for name in known if "." in name}
    known |= last | {f"storage.NAME{name}" for name in known if name.startswith(".")}
    known |= {"controller.NAME.available_kw", "ac_solar.NAME.available_kw"}
    dispatch = pd.read_csv(folder / "dispatch.csv", nrows=1)
    shown = {name if name in known else re.sub(r"^(\w+)\.[\w ]+\.", r"\1.NAME.", name) for name in dispatch}
    assert set() == shown - known
    assert set() == set(pd.read_csv(folder / "statement.csv", nrows=1)) - known


def test_the_examples_of_files_run(monkeypatch, tmp_path):
    """The mapping reads, and the lines that read a market's and two meters' files run on made-up ones."""
    mapping = of("toml", "data", "SETTLEMENTDATE")
    monkeypatch.chdir(tmp_path)
    Path("my-mapping.toml").write_text(mapping + 'unit = "kW"\n', encoding="utf-8")
    table = "REGION,SETTLEMENTDATE,TOTALDEMAND,RRP\nSA1,2025/01/01 00:05:00,1200,60\nSA1,2025/01/01 00:10:00,1200,66\n"
    Path("prices.csv").write_text(table, encoding="utf-8")
    Path("load.csv").write_text(table, encoding="utf-8")
    Path("usage.xml").write_text(xml_feed([(3600, "5")]), encoding="utf-8")
    half_hours = f"300,20250101,{','.join(['0.5'] * 48)},A"
    Path("meter.csv").write_text(f"200,4123456789,E1,,E1,,,kWh,30,\n{half_hours}\n", encoding="utf-8")
    names: dict[str, Any] = {}
    exec(compile(of("python", "python", "read_nem12"), "python.md", "exec"), names)
    assert [60, 66] == names["prices"]["price_per_mwh"].tolist()
    assert [60, 66] == pytest.approx(names["meter"].channels[0].power().tolist())
    assert [1.0] * 48 == names["load_kw"].tolist()


def test_the_sweep_example_is_worked_out(tmp_path, monkeypatch):
    """The file as printed, with four cases for two hundred and two days of the starter, by the line for Python."""
    example, line = of("toml", "sweep"), of("py", "python")
    assert "cases = 200" in example
    monkeypatch.chdir(tmp_path)
    write_starter(tmp_path / "my-site")
    scenario = tmp_path / "my-site" / "scenario.toml"
    scenario.write_text(
        scenario.read_text(encoding="utf-8").replace("days = 7 ", "days = 2 "), encoding="utf-8"
    )
    Path("my-site/sweep.toml").write_text(example.replace("cases = 200", "cases = 4"), encoding="utf-8")
    names: dict[str, Any] = {"optimiser": optimiser}
    exec(compile(line, "python.md", "exec"), names)
    assert {"done"} == set(names["table"]["status"])
    assert 5 == len(names["table"])
    assert Path("my-sweep.sqlite").is_file()


# --- Nothing is left out --------------------------------------------------------------------------------------------


def _kinds(kinds: Any) -> set[str]:
    return {get_args(kind.model_fields["kind"].annotation)[0] for kind in kinds}


def test_every_kind_of_component_is_named():
    """Each kind stands in the table of the page on tariffs."""
    assert _kinds(KINDS) <= set(re.findall(r"`(\w+)`", page("tariff")))


def test_every_design_of_sweeps_is_named():
    """Each kind of design stands in the table of the page on sweeps."""
    assert _kinds(DESIGNS) <= set(re.findall(r"^\| `(\w+)`", page("sweep"), re.MULTILINE))


def test_every_policy_is_explained():
    """Each policy stands in the table of the page on foresight."""
    rows = set(re.findall(r"^\| `(\w+)`", page("foresight"), re.MULTILINE))
    assert set(get_args(PolicyName)) == rows


def test_every_study_is_explained():
    """The table has each study, and says rightly which every run has."""
    rows = dict(re.findall(r"^\| `(\w+)` \| (always|if asked) \|", page("studies"), re.MULTILINE))
    assert {name: "always" if entry.usual else "if asked" for name, entry in STUDIES.items()} == rows


def test_exit_codes_are_those_of_the_command():
    """Each code that help names is in the page on messages."""
    codes = re.findall(r"\b(\d) [a-z]", main.help.split("Exit codes:")[1])
    assert ["0", "2", "3", "4", "5", "6", "1"] == codes
    paragraph = page("messages").split("The command ends with code")[1].split("\n\n")[0]
    assert set(codes) == set(re.findall(r"\b(\d)\b", paragraph))
