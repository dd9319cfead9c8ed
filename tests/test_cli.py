"""The command: exit codes, messages without tracebacks, and nothing written over."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from optimiser.cli import main
from optimiser.starter import write_starter


def call(*words: object) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(word) for word in words])


def refused(result: Result, words: str) -> None:
    """Code 2, a sentence on standard error, no traceback."""
    assert 2 == result.exit_code, result.output
    assert words in result.stderr
    assert "Traceback" not in result.output
    assert isinstance(result.exception, SystemExit)


def short(folder: Path) -> Path:
    """The starter, two days of it."""
    write_starter(folder)
    path = folder / "scenario.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("days = 7 ", "days = 2 "), encoding="utf-8")
    return folder


def test_start_check_and_run_in_that_order(tmp_path, monkeypatch):
    """What README tells a newcomer to do; the folder's name holds a space and a letter beyond ASCII."""
    monkeypatch.chdir(tmp_path)
    assert 0 == call("start", "mein s\u00fcd site").exit_code
    checked = call("check", "mein s\u00fcd site")
    assert 0 == checked.exit_code
    assert "336 steps of 30 min from 2025-06-02 00:00." in checked.stdout
    ran = call("run", "mein s\u00fcd site")
    assert 0 == ran.exit_code
    assert "Report: reports/mein s\u00fcd site/report.html" in ran.stdout
    for name in ("report.html", "dispatch.csv", "dispatch.parquet", "statement.csv", "summary.json"):
        assert (tmp_path / "reports" / "mein s\u00fcd site" / name).is_file()


def test_a_starter_for_three_phases_runs(tmp_path):
    """Per phase a load, an inverter and a controller; its own page draws each phase."""
    assert 0 == call("start", tmp_path / "site", "--phases", "3").exit_code
    ran = call("run", tmp_path / "site", "--out", tmp_path / "out")
    assert 0 == ran.exit_code
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Net import of each phase" in page


def test_printed_amounts_are_those_of_the_summary(tmp_path):
    """To the cent."""
    ran = call("run", short(tmp_path / "site"), "--out", tmp_path / "out")
    head = json.loads((tmp_path / "out" / "summary.json").read_text())["headline"]
    for words, name in (
        ("bill before", "bill_before"),
        ("bill after", "forecast_driven_bill_after"),
        ("saving", "forecast_driven_saving"),
        ("at most", "ceiling_saving"),
    ):
        assert f"{words} {head[name]:,.2f} EUR" in " ".join(ran.stdout.split())


def test_quiet_prints_only_where_the_report_is(tmp_path):
    """One line, and nothing on standard error."""
    ran = call("run", "--quiet", short(tmp_path / "site"), "--out", tmp_path / "out")
    assert (f"Report: {tmp_path / 'out' / 'report.html'}\n", "") == (ran.stdout, ran.stderr)


def test_start_writes_over_nothing(tmp_path):
    """An existing folder, a file, a place below a file."""
    folder = short(tmp_path / "site")
    before = (folder / "scenario.toml").read_bytes()
    refused(call("start", folder), "exists and is not written over. Choose a new folder.")
    refused(call("start", folder / "site.csv"), "exists and is not written over. Choose a new folder.")
    refused(
        call("start", folder / "site.csv" / "new"), "cannot be made: Not a directory. Choose another folder."
    )
    assert before == (folder / "scenario.toml").read_bytes()


def test_schema_writes_over_nothing(tmp_path):
    """The printed schema is the written one; a second time is refused."""
    path = tmp_path / "scenario.schema.json"
    assert 0 == call("schema", "--out", path).exit_code
    assert json.loads(path.read_text()) == json.loads(call("schema").stdout)
    path.write_text("mine")
    refused(call("schema", "--out", path), "exists and is not written over. Choose another name.")
    assert "mine" == path.read_text()


@pytest.mark.parametrize("command", ["run", "check"])
def test_what_cannot_be_read_is_refused(tmp_path, command):
    """No folder, no scenario in it, another file, a fault in it."""
    missing = "the file does not exist. Give a folder that holds scenario.toml."
    refused(call(command, tmp_path / "nowhere"), missing)
    refused(call(command, tmp_path), missing)
    refused(call(command, tmp_path / ("a" * 300)), "the name cannot be used: File name too long.")
    folder = short(tmp_path / "site")
    refused(call(command, folder / "site.csv"), "the syntax is not TOML")
    path = folder / "scenario.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("unit_kwh = 6.8", "unit_kwh = 0"), encoding="utf-8"
    )
    refused(call(command, folder), "has 1 fault:\n  storage.0.unit_kwh must be above 0, got 0.\n")


def test_a_place_that_cannot_be_written_is_refused(tmp_path):
    """A file in the folder's place stays as it is."""
    folder = short(tmp_path / "site")
    before = (folder / "site.csv").read_bytes()
    refused(
        call("run", "--quiet", folder, "--out", folder / "site.csv"),
        "is a file. Choose another folder with --out.",
    )
    refused(call("run", "--quiet", folder, "--out", "/proc/nowhere"), "cannot be written to: ")
    assert before == (folder / "site.csv").read_bytes()


@pytest.mark.parametrize(
    "words",
    [
        ["run", "nowhere"],
        ["compare", "nowhere", "nowhere"],
        ["fleet", "nowhere"],
        ["lookback", "nowhere", "--log", "nowhere"],
        ["timetable", "nowhere"],
        ["size", "nowhere", "--choices", "nowhere"],
        ["plan", "nowhere", "--forecast", "nowhere", "--stored", "50"],
    ],
    ids=lambda words: words[0],
)
def test_a_folder_that_cannot_be_written_is_refused_before_the_work(words, tmp_path):
    """Before anything is read: below a file, or where the system makes no folders; nothing is made on the way."""
    (tmp_path / "file").write_text("")
    result = CliRunner().invoke(main, [*words, "--out", str(tmp_path / "file" / "below")])
    assert (2, "file is a file. Choose another folder with --out.") == (
        result.exit_code,
        result.stderr.strip()[-49:],
    )
    if sys.platform == "linux":
        result = CliRunner().invoke(main, [*words, "--out", "/proc/results"])
        assert 2 == result.exit_code
        assert "cannot be written to" in result.stderr
    CliRunner().invoke(main, [*words, "--out", str(tmp_path / "new")])
    assert ["file"] == [path.name for path in tmp_path.iterdir()]


def test_no_schedule_ends_with_3(tmp_path):
    """A load above the import limit."""
    folder = short(tmp_path / "site")
    path = folder / "scenario.toml"
    text = path.read_text(encoding="utf-8").replace('power_kw = "site.load_kw"', "power_kw = 500.0")
    path.write_text(text, encoding="utf-8")
    ran = call("run", "--quiet", folder, "--out", tmp_path / "out")
    assert 3 == ran.exit_code
    assert "no schedule keeps every limit" in ran.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("words", [["run"], ["walk"], ["run", "--bogus", "x"]])
def test_a_slip_in_the_command_ends_with_2(words):
    """A missing argument, an unknown command, an unknown option."""
    ran = call(*words)
    assert 2 == ran.exit_code
    assert "Error: " in ran.stderr


def test_help_loads_no_heavy_library():
    """Help answers without pandas, pyomo, highspy or plotly."""
    code = (
        "import sys\nfrom optimiser.cli import main\ntry:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "print(sorted({'pandas', 'pyomo', 'highspy', 'plotly'} & set(sys.modules)))"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=120
    )
    assert "[]" == ran.stdout.splitlines()[-1]


@pytest.mark.parametrize(
    "words",
    [
        ["activate", "site", "--fine-seconds", "nan"],
        ["activate", "site", "--droop", "inf"],
        ["activate", "site", "--seed", "-1"],
        ["size", "site", "--choices", "x.toml", "--share", "nan"],
        ["plan", "site", "--forecast", "x.csv", "--stored", "nan"],
        ["droop", "--rating-kw", "nan"],
    ],
)
def test_numbers_of_options_are_finite_and_within_bounds(words):
    """Refused by the option that it stands after."""
    refused(call(*words), "Invalid value for '--")


def test_a_folder_or_a_device_in_a_file_s_place_is_called_so(tmp_path):
    """Not missing: there is something of that name."""
    site = tmp_path / "site"
    write_starter(site)
    folder = "it is a folder. Name the file in it."
    refused(call("bill", tmp_path, "--tariff", site), folder)
    refused(call("size", site, "--choices", tmp_path), folder)
    refused(call("make", "load", tmp_path), folder)
    refused(call("plan", site, "--stored", "50", "--forecast", tmp_path), folder)
    refused(call("check", "/dev/null"), "it is a device or a pipe and no file.")
    missing = call("plan", site, "--stored", "50", "--forecast", tmp_path / "no.csv")
    refused(missing, "the file does not exist. Check --forecast.")
