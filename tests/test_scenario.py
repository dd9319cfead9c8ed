"""Scenario files: what is refused, with its sentence, and what may be shared, varied and completed.

The cases change the starter one slip at a time. The rule for the sentences is this project's own: place, rule,
what came, what to do. The JSON Schema is checked by `jsonschema`, an independent implementation of JSON Schema
draft 2020-12 (https://json-schema.org/draft/2020-12).
"""

from __future__ import annotations

import contextlib
import datetime
import os
import re
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimiser import OptimiserError, ScenarioError, read_scenario, vary
from optimiser.scenario.contract import read_tariff
from optimiser.scenario.file import json_schema
from optimiser.starter import write_starter

ROOT = Path(__file__).parent.parent
STARTER = ROOT / "optimiser" / "starter"
TEXT = (STARTER / "one-phase.toml").read_text(encoding="utf-8")
ROWS = (STARTER / "one-phase-site.csv").read_text(encoding="utf-8").splitlines()
BANK = TEXT[TEXT.index("[[storage]]\n") : TEXT.index("# [[storage]]")]
CAPACITORS = """[[storage]]
kind = "capacitor_bank"
name = "capacitors"
unit_usable_kwh = 4.7
lowest_voltage_v = 33.0
highest_voltage_v = 46.0
charge_kw = 2.9
discharge_kw = 2.9
"""


@pytest.fixture
def starter(tmp_path: Path) -> Path:
    """The starter in a folder of its own."""
    write_starter(tmp_path / "site")
    return tmp_path / "site"


def changed(folder: Path, *slips: tuple[str, str]) -> Path:
    """Put slips into the starter's text; each must find its place."""
    text = TEXT
    for right, wrong in slips:
        assert right in text, right
        text = text.replace(right, wrong, 1)
    (folder / "scenario.toml").write_text(text, encoding="utf-8")
    return folder


def faults(folder: Path) -> list[str]:
    """The sentences with which a scenario is refused."""
    with pytest.raises(ScenarioError) as refused:
        read_scenario(folder)
    return refused.value.faults


# --- one slip, one sentence ---

SLIPS = {
    # What no spreadsheet can hold: XML 1.0, production [2] Char; noncharacters and control codes: Unicode, chapter 23.
    "a control character in a name": (
        ('title = "My site"', 'title = "My\\u0007 site"'),
        "title: holds U+0007, which is no character to be read; take it out, got 'My\\x07 site'.",
    ),
    "a zero byte in a path": (
        ('file = "site.csv"', 'file = "a\\u0000b"'),
        "source.site.file: holds U+0000, which is no character to be read; take it out, got 'a\\x00b'.",
    ),
    "a noncharacter in a name": (
        ('title = "My site"', 'title = "My\\uFFFF site"'),
        "title: holds U+FFFF, which is no character to be read; take it out, got 'My\\uffff site'.",
    ),
    "unknown key at the top": (
        ('title = "My site"', 'curency = "x"\ntitle = "My site"'),
        "curency is not known here; did you mean currency?",
    ),
    "unknown key in a table": (
        ("import_limit_kw = 14.0", "import_limt_kw = 14.0"),
        "site.connection.import_limt_kw is not known here; did you mean import_limit_kw?",
    ),
    "unknown key in a component": (
        ("rate_per_day = 0.40", "rate_per_dy = 0.40"),
        "tariff.component.2.rate_per_dy is not known here; did you mean rate_per_day?",
    ),
    "unknown key in a bank": (
        ("charge_kw = 3.4", "charge_kwh = 3.4"),
        "storage.0.charge_kwh is not known here; did you mean charge_kw?",
    ),
    "unknown key in a window": (
        ('from = "17:00"', 'form = "17:00"'),
        "tariff.component.0.rates.0.when.form is not known here; did you mean from?",
    ),
    "missing key": (('currency = "EUR"\n', ""), "currency is required but missing. Add it."),
    "text for a number": (
        ("unit_kwh = 6.8", 'unit_kwh = "10 kWh"'),
        "storage.0.unit_kwh must be a number, got '10 kWh'. Write it without quotes or unit.",
    ),
    "truth for a number": (
        ("unit_kwh = 6.8", "unit_kwh = true"),
        "storage.0.unit_kwh must be a number, got true.",
    ),
    "truth for a series": (
        ("import_limit_kw = 14.0", "import_limit_kw = true"),
        'site.connection.import_limit_kw must be a number, or "source.column" in quotes, got true.',
    ),
    "text for a truth": (
        ("invented = true", 'invented = "yes"'),
        "invented must be true or false, got 'yes'.",
    ),
    "part of a day": (("days = 7 ", "days = 7.5 "), "timeline.days must be a whole number, got 7.5."),
    "negative power": (
        ("discharge_kw = 3.9", "discharge_kw = -3.9"),
        "storage.0.discharge_kw must be above 0, got -3.9. Check its sign.",
    ),
    "negative limit": (
        ("import_limit_kw = 14.0", "import_limit_kw = -14"),
        "site.connection.import_limit_kw must be at least 0, got -14. Check its sign.",
    ),
    "percent for a fraction": (
        ("charge_efficiency = 0.965", "charge_efficiency = 95"),
        "storage.0.charge_efficiency must be at most 1, got 95. Check its unit.",
    ),
    "no capacity": (("unit_kwh = 6.8", "unit_kwh = 0"), "storage.0.unit_kwh must be above 0, got 0."),
    "no number": (
        ("unit_kwh = 6.8", "unit_kwh = nan"),
        "storage.0.unit_kwh must be a finite number, got nan.",
    ),
    "endless": (
        ("import_limit_kw = 14.0", "import_limit_kw = inf"),
        "site.connection.import_limit_kw must be a finite number, got inf.",
    ),
    "a figure that cannot be meant": (
        ("unit_kwh = 6.8", "unit_kwh = 1e300"),
        "storage.0.unit_kwh must be at most 1e+09, got 1e+300. Check its unit.",
    ),
    "a limit that cannot be meant": (
        ("import_limit_kw = 14.0", "import_limit_kw = 1e12"),
        "site.connection.import_limit_kw must be at most 1e+09, got 1e+12. Check its unit.",
    ),
    "voltages upside down": (
        (BANK, CAPACITORS.replace("33.0", "47.0")),
        "storage.0: lowest_voltage_v must be below highest_voltage_v, got 47 V and 46 V; swap them.",
    ),
    "kind missing": (('kind = "battery"', ""), "storage.0.kind is required but missing. Add it."),
    "kind misspelt": (
        ('kind = "battery"', 'kind = "batery"'),
        "storage.0.kind must be one of 'battery', 'capacitor_bank', got 'batery'. Did you mean battery?",
    ),
    "a table for a list": (
        ("[[storage]]", "[storage]"),
        "storage must be a list, got a table. Begin each of its items with [[storage]].",
    ),
    "a list for a table": (("[cost]", "[[cost]]"), "cost must be a table, got a list. Begin it with [cost]."),
    "two banks on the bus": (
        (BANK, BANK + CAPACITORS),
        "storage has 2 banks directly on the DC bus, which would share one voltage. Join equal ones by `units`; give "
        "every other technology a converter.",
    ),
    "a name twice": (
        (
            "[tariff]\n",
            '[[site.inverter]]\nname = "main"\nphase = "L1"\noutput_kw = 1\ninput_kw = 1\n[tariff]\n',
        ),
        "site.inverter.1.name is 'main', like site.inverter.0. Give each its own name.",
    ),
    "an hour without a rate": (
        ('    { name = "other hours", rate_per_kwh = 0.25 },\n', ""),
        "tariff.component.0.rates leave Mon 2025-06-02 00:00 (Europe/Berlin) without a rate. End the list with a rate "
        "that has no `when`.",
    ),
    "a clock time that is none": (
        ('from = "17:00"', 'from = "25:00"'),
        'tariff.component.0.rates.0.when.from: must be a clock time between "00:00" and "24:00", '
        "four digits in quotes, "
        "got '25:00'.",
    ),
    "minutes for a clock time": (
        ('from = "17:00"', "from = 700"),
        'tariff.component.0.rates.0.when.from: must be a clock time between "00:00" and "24:00", '
        "four digits in quotes, "
        "got 700.",
    ),
    "a date in quotes": (
        ("start = 2025-06-02", 'start = "2025-06-02"'),
        "timeline.start must be a date such as 2025-01-01, without quotes, got '2025-06-02'.",
    ),
    "a date before meters": (
        ("start = 2025-06-02", "start = 0001-01-01"),
        "timeline must lie between 1970 and 2199, got 7 days from 0001-01-01. Check start and days.",
    ),
    "a zone that is none": (
        ('zone = "Europe/Berlin"   #', 'zone = "europe/berln"   #'),
        'timeline.zone: must be a zone of the tz database (did you mean "Europe/Berlin"?) or a fixed "UTC+10:00", '
        "got 'europe/berln'.",
    ),
    "no days": (("days = 7 ", "days = 0 "), "timeline.days must be above 0, got 0."),
    "too many days": (
        ("days = 7 ", "days = 4000000 "),
        "timeline.days must be at most 25000, got 4000000. Check its unit.",
    ),
    "a step that divides no hour": (
        ("step_minutes = 30        #", "step_minutes = 7 #"),
        "timeline.step_minutes must divide 60, got 7. Use 5, 10, 15, 30 or 60.",
    ),
    "unknown source": (
        ('"site.load_kw"', '"sight.load_kw"'),
        'site.load.0.power_kw = "sight.load_kw" names the source sight, which is not declared; did you mean site?',
    ),
    "a key of use that is no file name": (
        ("[cost]\n", "[cost]\nuse = 3\n"),
        "use must name a TOML file in quotes, got 3.",
    ),
    "use of a file that is not there": (
        ("[cost]\n", '[cost]\nuse = "nope.toml"\n'),
        'use = "nope.toml" names a file that does not exist. Check the path.',
    ),
    "use of a file outside": (
        ("[cost]\n", '[cost]\nuse = "/etc/hostname"\n'),
        '"/etc/hostname" lies outside the scenario folder. Copy it in, or name its folder in outside_folders.',
    ),
    "a source outside": (
        ('file = "site.csv"', 'file = "../site.csv"'),
        'source.site: "../site.csv" lies outside the scenario folder. Copy it in, or name its '
        "folder in outside_folders.",
    ),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_has_one_sentence(starter, slip):
    """Each slip is told once: place, rule, what came, what to do."""
    (change, sentence) = SLIPS[slip]
    assert [sentence] == faults(changed(starter, change))


SYNTAX = {
    "thousands": (("capital = 8400", "capital = 8,400"), "Write numbers without commas: 50000"),
    "decimal comma": (("unit_kwh = 6.8", "unit_kwh = 10,5"), "Write a decimal number with a point: 10.5."),
    "bare clock time": (('from = "17:00"', "from = 17:00"), 'Put clock times in quotes: "07:00".'),
    "path of Windows": (
        ('"site.csv"', '"C:\\Users\\site.csv"'),
        "Write paths with / or put them in single quotes.",
    ),
    "percent": (("tax_fraction = 0.19", "tax_fraction = 19 %"), "Write a percentage as a fraction: 0.19."),
    "unit": (("unit_kwh = 6.8", "unit_kwh = 10 kWh"), "Write a number without its unit."),
    "typographic quotes": (('"My site"', "\u201cMy site\u201d"), "Use straight quotes"),
    "no quotes": (('"My site"', "My site"), 'Put text in quotes: title = "My site".'),
    "open quotes": (('"My site"', '"My site'), "Close the quotes on the line they were opened on."),
    "a key twice": (("days = 7 ", "days = 7\ndays = 8 "), "The key or table stands there twice; keep one."),
    "a day that does not exist": (("2025-06-02", "2025-06-31"), "There is no such date"),
    "a number of thousands of digits": (
        ("days = 7 ", f"days = {'9' * 5000} "),
        "thousands of digits. Shorten it.",
    ),
    "endless brackets": (
        ('title = "My site"', f"title = {'[' * 5000}"),
        "nested too deeply. Close each bracket.",
    ),
}


@pytest.mark.parametrize("slip", SYNTAX)
def test_a_slip_of_syntax_has_a_hint(starter, slip):
    """What a newcomer to TOML gets wrong is named, with the line where there is one."""
    change, hint = SYNTAX[slip]
    (sentence,) = faults(changed(starter, change))
    assert hint in sentence


def test_every_fault_of_file_and_data_at_once(starter):
    """A broken file does not hide a missing one."""
    changed(
        starter,
        ('currency = "EUR"\n', ""),
        ("unit_kwh = 6.8", "unit_kwh = 0"),
        ("import_limit_kw = 14.0", "import_limt_kw = 14.0"),
        ('file = "market.csv"', 'file = "mrket.csv"'),
    )
    told = faults(starter)
    assert 4 == len(told)
    assert (
        f"source.market: {starter / 'mrket.csv'}: the file does not exist. Check source.market.file."
        == told[-1]
    )


def test_the_message_names_file_and_count(starter):
    """The first line is the file; one line a fault follows."""
    changed(starter, ("unit_kwh = 6.8", "unit_kwh = 0"), ("days = 7 ", "days = 0 "))
    with pytest.raises(ScenarioError) as refused:
        read_scenario(starter)
    first, *rest = str(refused.value).splitlines()
    assert f"{starter / 'scenario.toml'} has 2 faults:" == first
    assert 2 == len(rest)


def test_phases_that_do_not_fit_are_refused(starter):
    """A second phase on a single-phase site, and three phases without saying how they are registered."""
    (told,) = faults(changed(starter, ('name = "main"\nphase = "L1"', 'name = "main"\nphase = "L2"')))
    assert "L2" in told
    (told,) = faults(changed(starter, ("phases = 1 ", "phases = 3 ")))
    assert "registers" in told
    assert ["site.phases must be one of 1 or 3, got 2."] == faults(
        changed(starter, ("phases = 1 ", "phases = 2 "))
    )


def test_equipment_that_nothing_connects_is_refused(starter):
    """Without an inverter, each part that needs one says so."""
    inverter = TEXT[TEXT.index("[[site.inverter]]") : TEXT.index("# --- Storage")]
    told = faults(
        changed(
            starter,
            (inverter, ""),
            ("[site]\n", '[site]\ndc_load = [{ name = "racks", power_kw = 1.0, before = "new" }]\n'),
        )
    )
    assert [
        "site.inverter is empty but there is storage. Add the inverter that connects it.",
        "site.inverter is empty but there are solar controllers on the DC bus. Add the inverter.",
        "site.dc_load is given but nothing feeds the DC bus from the grid. Add the inverter in site.inverter.",
        "service needs at least one inverter in site.inverter.",
    ] == told


# --- files that are no scenario ---

BYTES = {
    "nothing": (b"", "title is required but missing. Add it."),
    "noise": (np.random.default_rng(1).bytes(1_000_000), "the file is not text in UTF-8. Save it as UTF-8."),
    "much noise": (
        b"\xff" * 10_000_000,
        "the file is larger than 2000000 bytes. Data belong in CSV or Parquet files.",
    ),
    "UTF-16": (TEXT.encode("utf-16"), "the file is not text in UTF-8. Save it as UTF-8."),
    "Latin 1": (
        TEXT.replace("My site", "B\xe4ckerei").encode("latin1"),
        "the file is not text in UTF-8. Save it as UTF-8.",
    ),
}


@pytest.mark.parametrize("name", BYTES)
def test_other_bytes_are_refused(starter, name):
    """Whatever the file holds, it is answered with a sentence."""
    content, sentence = BYTES[name]
    (starter / "scenario.toml").write_bytes(content)
    assert sentence == faults(starter)[0]


def test_a_byte_order_mark_is_taken(starter):
    """Editors on Windows write one."""
    (starter / "scenario.toml").write_bytes(b"\xef\xbb\xbf" + TEXT.encode())
    assert "My site" == read_scenario(starter).file.title


def test_what_is_not_there_is_refused(tmp_path):
    """No folder, no file, a folder in the file's place, a circle of links, a name that is too long."""
    missing = "the file does not exist. Give a folder that holds scenario.toml."
    (tmp_path / "empty").mkdir()
    (tmp_path / "folder" / "scenario.toml").mkdir(parents=True)
    (tmp_path / "circle").symlink_to("circle")
    for name in ("nowhere", "empty", "circle"):
        assert [missing] == faults(tmp_path / name)
    assert ["it is a folder. Name the file in it."] == faults(tmp_path / "folder")
    assert "the name cannot be used" in faults(tmp_path / ("a" * 300))[0]


@pytest.mark.parametrize("name", ["a" * 300, "circle.csv"])
def test_paths_that_cannot_be_used_are_refused(starter, name):
    """Too long, or a circle of links."""
    (starter / "circle.csv").symlink_to("circle.csv")
    (told,) = faults(changed(starter, ('file = "site.csv"', f'file = "{name}"')))
    assert told.startswith("source.site: ")
    assert "is no path that can be used" in told


def test_a_link_does_not_lead_outside(starter):
    """A link in the folder is judged by where it leads."""
    (starter / "site.csv").rename(starter.parent / "site.csv")
    (starter / "site.csv").symlink_to(starter.parent / "site.csv")
    assert "lies outside the scenario folder" in faults(starter)[0]


def test_outside_folders_are_named(starter):
    """A file outside is taken where its folder is named."""
    (starter / "site.csv").rename(starter.parent / "site.csv")
    changed(
        starter,
        ('file = "site.csv"', 'file = "../site.csv"'),
        ('# outside_folders = ["../shared"]', 'outside_folders = [".."]'),
    )
    assert 336 == read_scenario(starter).timeline.steps


def test_a_path_with_spaces_and_letters_of_other_tongues(tmp_path):
    """Folder names are free."""
    write_starter(tmp_path / "m\u00e4rz \u7535 site")
    assert 336 == read_scenario(tmp_path / "m\u00e4rz \u7535 site").timeline.steps


# --- data files that are no data ---


def with_cell(text: str, row: int = 10) -> list[str]:
    """The starter's rows with another load in one of them."""
    rows = list(ROWS)
    stamp, _, sun = rows[row].split(",")
    rows[row] = f"{stamp},{text},{sun}"
    return rows


def each_cell(write: Any) -> list[str]:
    """The starter's rows with every load written another way."""
    return [ROWS[0]] + [",".join([a, write(b), c]) for a, b, c in (row.split(",") for row in ROWS[1:])]


def each_stamp(write: Any) -> list[str]:
    """The starter's rows with every stamp written another way."""
    stamps = pd.date_range("2025-06-01T22:00Z", periods=len(ROWS) - 1, freq="30min")
    return [ROWS[0]] + [f"{write(n, stamp)},1,0" for n, stamp in enumerate(stamps)]


DATA = {
    "hole": (
        with_cell(""),
        "column load_kw is empty or no number in the interval that starts 2025-06-02 04:30+0200; 1 such",
    ),
    "word": (with_cell("abc"), "1 such steps in all, such as 'abc'"),
    "endless": (with_cell("inf"), "is empty or no number in the interval that starts 2025-06-02 04:30+0200"),
    "overflow": (
        with_cell("1e999"),
        "is empty or no number in the interval that starts 2025-06-02 04:30+0200",
    ),
    "a figure that cannot be meant": (
        with_cell("1e200"),
        "column load_kw must be at most 1e+09, got 1e+200 in the step",
    ),
    "wrong sign": (
        with_cell("-3"),
        "column load_kw must be at least 0, got -3 in the step that starts 2025-06-02 04:30.",
    ),
    "decimal commas": (
        each_cell(lambda v: f'"{v.replace(".", ",")}"'),
        "336 such steps in all, such as '0,546'",
    ),
    "units": (each_cell(lambda v: f"{v} kW"), "336 such steps in all, such as '0.546 kW'"),
    "truths": (each_cell(lambda v: "True"), "column load_kw must be numbers, got True."),
    "semicolons": (
        [row.replace(",", ";") for row in ROWS],
        "its columns are separated by semicolons or tabs.",
    ),
    "a gap": (
        ROWS[:10] + ROWS[11:],
        "(data row 9) is followed by 2025-06-02 03:00Z, not by one 30 min later",
    ),
    "a repeat": (ROWS[:11] + ROWS[10:], "(data row 10) appears twice"),
    "backwards": (
        ROWS[:1] + ROWS[:0:-1],
        "is followed by the earlier 2025-06-08 21:00Z; 335 such places in all",
    ),
    "too short": (ROWS[:100], "it covers 2025-06-01 22:00Z to 2025-06-03 23:30Z but the timeline asks for"),
    "only a heading": (ROWS[:1], "the file has no rows."),
    "nothing": ([], "the file is not a table that can be read as CSV: No columns to parse from file."),
    "no heading": (ROWS[1:], "Set time_column; the first line must hold names."),
    "a name twice": (["interval_start,load_kw,load_kw", *ROWS[1:]], "two columns are named load_kw."),
    "more fields than names": (
        [ROWS[0], *(f"{row},9" for row in ROWS[1:])],
        "its rows have more fields than its first line has names.",
    ),
    "stamps that are numbers": (
        each_stamp(lambda n, s: 45809 + n / 48),
        "column interval_start holds numbers, 45809",
    ),
    "day or month first": (
        each_stamp(lambda n, s: s.strftime("%m/%d/%Y %H:%M")),
        "holds '06/01/2025 22:00' in data row 1, in which year, month and day are not plain.",
    ),
    "shifted": (
        each_stamp(lambda n, s: (s + pd.Timedelta("7min")).strftime("%Y-%m-%dT%H:%MZ")),
        "its intervals start at 22:07Z and every 30 min, the timeline's at 22:00Z: they are shifted "
        "against each other.",
    ),
    "parts of a second": (
        each_stamp(lambda n, s: s.strftime("%Y-%m-%dT%H:%M:00.400Z")),
        "the stamp in data row 1 holds a part of a second. Round the stamps.",
    ),
    "some without offset": (
        each_stamp(lambda n, s: s.strftime("%Y-%m-%dT%H:%M" + ("" if n == 9 else "Z"))),
        "has stamps with an offset and without one, '2025-06-02T02:30' in data row 10.",
    ),
    "no time": (each_stamp(lambda n, s: "yesterday"), "holds 'yesterday' in data row 1"),
}


@pytest.mark.parametrize("name", DATA)
def test_bad_data_are_refused_with_their_place(starter, name):
    """The sentence names the file, and the row or the interval."""
    rows, sentence = DATA[name]
    (starter / "site.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (told,) = faults(starter)
    assert sentence in told
    assert str(starter / "site.csv") in told


@pytest.mark.parametrize("suffix", [".csv", ".parquet", ".csv.gz", ".xlsx"])
def test_noise_is_no_table(starter, suffix):
    """Ten megabytes of random bytes are answered with a sentence."""
    (starter / f"noise{suffix}").write_bytes(np.random.default_rng(2).bytes(10_000_000))
    (told,) = faults(changed(starter, ('"site.csv"', f'"noise{suffix}"')))
    assert "the file is not a table that can be read as" in told


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (lambda frame: frame["load_kw"] > 1, "must be numbers, got False"),
        (lambda frame: pd.Timestamp("2025-01-01"), "must be numbers, got 2025-01-01"),
        (lambda frame: pd.Timedelta("1h"), "must be numbers, got lengths of time"),
        (lambda frame: "one", "336 such steps in all, such as 'one'"),
    ],
)
def test_a_parquet_column_of_another_kind_is_refused(starter, values, words):
    """Truths, dates and text are not turned into kilowatts."""
    frame = pd.read_csv(starter / "site.csv")
    frame.assign(load_kw=values(frame)).to_parquet(starter / "site.parquet")
    (told,) = faults(changed(starter, ('"site.csv"', '"site.parquet"')))
    assert words in told


def test_a_folder_or_a_pipe_is_no_data_file(starter):
    """Neither is opened, so nothing waits for ever."""
    os.mkfifo(starter / "pipe.csv")
    ways = {
        ".": "it is a folder. Name the file in it.",
        "pipe.csv": "a pipe and no file. Check source.site.file.",
    }
    for name, words in ways.items():
        (told,) = faults(changed(starter, ('"site.csv"', f'"{name}"')))
        assert words in told


def test_columns_are_named_when_one_is_not_there(starter):
    """The nearest column is offered."""
    (told,) = faults(changed(starter, ('"site.load_kw"', '"site.load_kwh"')))
    assert (
        f"site.load.0.power_kw: {starter / 'site.csv'}: there is no column 'load_kwh'; did you mean load_kw?"
        == told
    )


# --- use ---


def test_a_tariff_and_an_inverter_are_shared_and_overridden(starter):
    """Keys beside `use` count before those of the file; the digest covers both files."""
    head, rest = TEXT.split("[tariff]\n")
    tariff, rest = rest.split("# --- Ancillary")
    (starter / "tariff.toml").write_text(tariff.replace("tariff.component", "component"), encoding="utf-8")
    text = f'{head}[tariff]\nuse = "tariff.toml"\ntax_fraction = 0.07\n# --- {rest}'
    begin, end = text.index("[[site.inverter]]"), text.index("# --- Storage")
    inverter = text[begin:end].partition("\n")[2]
    (starter / "inverter.toml").write_text(inverter, encoding="utf-8")
    text = f'{text[:begin]}[[site.inverter]]\nuse = "inverter.toml"\ninput_kw = 2.0\n{text[end:]}'
    (starter / "scenario.toml").write_text(text, encoding="utf-8")
    shared = read_scenario(starter)
    assert (0.07, "VAT", 3) == (
        shared.tariff.tax_fraction,
        shared.tariff.tax_name,
        len(shared.tariff.component),
    )
    assert (2.0, 3.6) == (shared.site.inverter[0].input_kw, shared.site.inverter[0].output_kw)
    (starter / "inverter.toml").write_text(inverter + "\n# a note", encoding="utf-8")
    assert shared.sha256 != read_scenario(starter).sha256


def test_files_that_use_each_other_in_a_circle_are_refused(starter):
    """A circle ends, and is named."""
    (starter / "a.toml").write_text('use = "b.toml"\n')
    (starter / "b.toml").write_text('use = "a.toml"\n')
    (told,) = faults(changed(starter, ("[cost]\n", '[cost]\nuse = "a.toml"\n')))
    assert "leads back to a file that uses it" in told


def test_a_header_in_a_used_file_is_named(starter):
    """A used file holds the keys alone."""
    (starter / "cost.toml").write_text("[cost]\ncapital = 1000\n")
    (told,) = faults(changed(starter, ("[cost]\n", '[cost]\nuse = "cost.toml"\n')))
    assert told == 'use = "cost.toml": that file puts its keys under [cost]. Remove the header there.'


def test_a_slip_in_a_used_file_names_that_file(starter):
    """The syntax fault is where it is written."""
    (starter / "cost.toml").write_text("capital = 1,000\n")
    changed(starter, ("[cost]\n", '[cost]\nuse = "cost.toml"\n'))
    with pytest.raises(ScenarioError) as refused:
        read_scenario(starter)
    assert str(starter / "cost.toml") == refused.value.where


# --- vary ---


def test_vary_changes_a_copy(starter):
    """Paths of tables and lists; numbers of a sweep's array are numbers."""
    base = read_scenario(starter)
    other = vary(
        base,
        {
            "storage.0.unit_kwh": np.float64(15),
            "timeline.days": np.int64(3),
            "tariff.component.2.rate_per_day": 1.0,
        },
    )
    assert (15.0, 3, 1.0) == (
        other.storage[0].unit_kwh,
        other.file.timeline.days,
        other.tariff.component[2].rate_per_day,
    )
    assert (6.8, 7) == (base.storage[0].unit_kwh, base.file.timeline.days)
    assert base.sha256 != other.sha256
    assert 3 * 48 == len(other.read("site.load_kw"))


@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("storage.1.unit_kwh", "storage.1.unit_kwh is no path in this scenario."),
        ("storage.-1.unit_kwh", "storage.-1.unit_kwh is no path in this scenario."),
        ("storage.first.unit_kwh", "storage.first.unit_kwh is no path in this scenario."),
        ("title.x", "title.x is no path in this scenario."),
        ("storage.0.unit_kw", "storage.0.unit_kw is not known here; did you mean unit_kwh?"),
        ("site.inverter.0.intake_kw", "site.inverter.0.intake_kw is not known here; did you mean input_kw?"),
        (
            "storage.0.unit_kwh",
            "storage.0.unit_kwh must be a number, got 'much'. Write it without quotes or unit.",
        ),
    ],
)
def test_vary_refuses_what_is_not_there(starter, place, words):
    """A slip in a sweep is no silent new key."""
    with pytest.raises(ScenarioError) as refused:
        vary(read_scenario(starter), {place: "much"})
    assert refused.value.faults[0].startswith(words)


# --- the schema ---


def plain(value: Any) -> Any:
    """TOML's dates as JSON's text, as an editor's checker sees them."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [plain(item) for item in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


SHIPPED = [*sorted(STARTER.glob("*.toml")), *sorted((ROOT / "scenarios").glob("*/scenario.toml"))]


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_the_schema_takes_the_shipped_scenarios(path):
    """And refuses an unknown key in them, and a wrong unit's value."""
    checker = jsonschema.Draft202012Validator(json_schema())
    checker.check_schema(json_schema())
    table = plain(tomllib.loads(path.read_text(encoding="utf-8")))
    checker.validate(table)
    table["site"]["no_such_key"] = 1
    with pytest.raises(jsonschema.ValidationError, match="no_such_key"):
        checker.validate(table)
    del table["site"]["no_such_key"]
    table["storage"][0]["charge_efficiency"] = 95
    assert not checker.is_valid(table)


def test_the_schema_explains_every_number():
    """Each number has a meaning, and its unit in brackets."""
    for name, model in json_schema()["$defs"].items():
        for key, field in model.get("properties", {}).items():
            if "unit" in field:
                assert re.search(r"\S \[.+\]$", field["description"]), (name, key)


# --- at random ---

PIECES = [
    "",
    "0",
    "-1",
    "1e400",
    "nan",
    '"',
    "[",
    "]",
    "{",
    "}",
    "=",
    "\n",
    ",",
    ".",
    "true",
    "[[",
    "use = ",
    "\\",
    "\x00",
    "é",
    "use",
    '"site.load_kw"',
    "2025-02-30",
    "kind",
    "[storage]\n",
]


@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    edits=st.lists(
        st.tuples(
            st.integers(0, len(TEXT)),
            st.integers(0, 12),
            st.one_of(st.sampled_from(PIECES), st.text(max_size=4)),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_random_edits_raise_nothing_else(tmp_path_factory, edits):
    """Whatever is typed into the file, it is read or refused with a sentence."""
    folder = tmp_path_factory.getbasetemp() / "edited"
    if not folder.exists():
        write_starter(folder)
    text = TEXT
    for place, length, piece in edits:
        text = text[:place] + piece + text[place + length :]
    (folder / "scenario.toml").write_bytes(text.encode("utf-8", "surrogatepass"))
    with contextlib.suppress(OptimiserError):
        read_scenario(folder)


LINES = [line for line in TEXT.splitlines() if "=" in line and not line.lstrip().startswith("#")]


@settings(max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    line=st.sampled_from(LINES),
    value=st.sampled_from(
        [
            "0",
            "-1",
            "1e300",
            "-0.0",
            "[]",
            "{}",
            '""',
            '"x"',
            "true",
            "2025-01-01",
            "07:00:00",
            "[[1]]",
            '{ use = "x" }',
            "9999999999999999999999",
            "nan",
            '"a.b.c"',
            '"."',
        ]
    ),
)
def test_any_value_in_any_place_raises_nothing_else(tmp_path_factory, line, value):
    """Sound syntax with a value of another kind."""
    folder = tmp_path_factory.getbasetemp() / "valued"
    if not folder.exists():
        write_starter(folder)
    key = line.split("=")[0]
    (folder / "scenario.toml").write_text(TEXT.replace(line, f"{key}= {value}", 1), encoding="utf-8")
    with contextlib.suppress(OptimiserError):
        read_scenario(folder)


def test_a_tariff_file_brings_its_currency_and_data_files(starter):
    """`use` takes the file that `optimiser tariff` takes; its data are found from it; another currency is refused."""
    text = (starter / "scenario.toml").read_text(encoding="utf-8")
    head, _, rest = text.partition("[tariff]\n")
    body, mark, rest = rest.partition("# --- ")
    inner = re.sub(r"(?m)^source = .*\n", "", body.replace("[[tariff.", "[[").replace("[tariff.", "["))
    (starter / "deals").mkdir()
    prices = (starter / "site.csv").read_bytes()
    (starter / "deals" / "spot.csv").write_bytes(prices)
    currency = read_scenario(starter).file.currency
    spot = '\n[source.spot]\nfile = "spot.csv"\nstamps = "start"\nstep_minutes = 30\n'
    deal = starter / "deals" / "deal.toml"
    deal.write_text(f'currency = "{currency}"\n{inner}{spot}', encoding="utf-8")
    before = read_scenario(starter)
    (starter / "scenario.toml").write_text(f'{head}[tariff]\nuse = "deals/deal.toml"\n{mark}{rest}', "utf-8")
    after = read_scenario(starter)
    assert before.file.tariff.component == after.file.tariff.component == read_tariff(deal).tariff.component
    assert "deals/spot.csv" == after.file.source["spot"].file
    assert set(before.tables) | {"spot"} == set(after.tables)
    deal.write_text(deal.read_text("utf-8").replace(f'"{currency}"', '"XAU"'), "utf-8")
    (told,) = faults(starter)
    assert f"tariff.currency must be the scenario's, '{currency}', got 'XAU'" in told
    deal.write_text(f'source = "invented"\n{inner}', encoding="utf-8")
    assert "invented" == read_scenario(starter).tariff.source == read_tariff(deal).tariff.source


def test_a_start_with_a_time_is_refused_beside_products(starter):
    """A date with a time passes for a date in Python, and cannot be compared with one."""
    path = changed(starter, ("start = 2025-06-02", "start = 2025-06-02T00:00:00")) / "scenario.toml"
    path.write_text(
        path.read_text(encoding="utf-8") + '\n[[service]]\nproduct = "nem/raise 1 s"\nprice = 3.0\n', "utf-8"
    )
    assert any("timeline.start must be a date such as 2025-01-01" in fault for fault in faults(starter))


def test_a_battery_is_at_least_a_volt_and_lowest_at_the_bottom(starter):
    """A lowest voltage above the nominal one is a slip."""
    scenario = read_scenario(starter)
    for key, value, words in (
        ("lowest_voltage_v", 1000.0, "lowest_voltage_v must be at most voltage_v, got 1000 V"),
        ("lowest_voltage_v", 0.5, "lowest_voltage_v must be at least 1, got 0.5"),
        ("voltage_v", 0.001, "voltage_v must be at least 1, got 0.001"),
    ):
        with pytest.raises(ScenarioError, match=words):
            vary(scenario, {f"storage.0.{key}": value})
