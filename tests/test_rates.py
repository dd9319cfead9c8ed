"""A contract drawn: each hour's rate against the clock, and a page that stands alone. All tariffs are made up."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner, Result
from conftest import toml

from optimiser.accounts.rates import Layer, as_text, draw
from optimiser.cli import main
from optimiser.report.rates import page, runs
from optimiser.scenario.contract import read_tariff

SEASONS = {
    "kind": "energy_charge",
    "rates": [
        {
            "name": "summer peak",
            "rate_per_kwh": 0.4,
            "when": {
                "first_day": "11-01",
                "last_day": "03-31",
                "days": ["workday"],
                "from": "15:00",
                "to": "21:00",
            },
        },
        {"name": "night", "rate_per_kwh": 0.1, "when": {"from": "22:00", "to": "06:00"}},
        {"name": "day", "rate_per_kwh": 0.2},
    ],
}


def call(*words: object) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(word) for word in words])


def tariff_file(folder: Path, components: list[dict[str, Any]], **more: Any) -> Path:
    """A file with a tariff's keys alone, of the clock of Adelaide."""
    path = folder / "tariff.toml"
    keys = {
        "name": "made up",
        "zone": "Australia/Adelaide",
        "holidays": "AU-SA",
        "component": components,
        **more,
    }
    path.write_text(toml(keys), encoding="utf-8")
    return path


def layer(drawing: Any, title: str) -> Layer:
    """The layer of a title."""
    return next(item for item in drawing.layers if item.title == title)


def test_seasons_and_kinds_of_day_are_those_of_the_file(tmp_path):
    """Summer across the new year, workdays apart from the rest, and nights across midnight."""
    made = layer(draw(read_tariff(tariff_file(tmp_path, [SEASONS])), 2025), "Import")
    assert ["1 Nov to 31 Mar", "1 Apr to 31 Oct"] == [season.dates for season in made.seasons]
    summer, winter = made.seasons
    assert ["Mon to Fri", "Sat to Sun, holidays"] == [strip.days for strip in summer.strips]
    assert ["Mon to Sun, holidays"] == [strip.days for strip in winter.strips]
    hours = np.full(24, 0.2)
    hours[[22, 23, *range(6)]] = 0.1
    np.testing.assert_allclose(winter.strips[0].values, hours)
    hours[15:21] = 0.4
    np.testing.assert_allclose(summer.strips[0].values, hours)


def test_tax_is_in_the_rates_that_are_shown(tmp_path):
    """0.20 with 10 % tax is 0.22, and 0.20 of which 10 % is a part stays 0.20."""
    for included, shown in ((False, 0.22), (True, 0.20)):
        flat = {"kind": "energy_charge", "rate_per_kwh": 0.2, "tax_included": included}
        drawing = draw(read_tariff(tariff_file(tmp_path, [flat], tax_fraction=0.1)), 2025)
        assert [pytest.approx(shown)] == layer(drawing, "Import").levels


def test_the_command_draws_every_component(tmp_path):
    """Letters by the half hour, cheapest first; windows of demand; every component in words."""
    demand = {
        "kind": "demand_charge",
        "rate_per_kw": 9.0,
        "when": {"days": ["workday"], "from": "16:15", "to": "21:00"},
        "ratchet": {"fraction": 0.8},
    }
    spot = {"kind": "spot_feed_in", "price_per_mwh": "market.price", "fee_per_kwh": 0.01}
    ran = call("tariff", tariff_file(tmp_path, [SEASONS, demand, spot]), "--year", 2025)
    assert 0 == ran.exit_code, ran.output
    assert f"{'a' * 12}{'b' * 18}{'c' * 12}bb{'a' * 4}" in ran.stdout
    assert f"{'.' * 32}~{'#' * 9}{'.' * 6}" in ran.stdout
    assert "spot feed in: only the fee is drawn, the spot price is added in each step" in ran.stdout
    assert "9 a kW of the billing period's highest average of 30 min, 16:15-21:00, workday" in ran.stdout
    assert "at least 80 % of the highest of the 11 billing periods before" in ran.stdout


class Reader(HTMLParser):
    """Tags, attributes and text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words += data


def test_the_page_stands_alone_and_is_escaped(tmp_path):
    """No script, nothing from elsewhere, names as text, words for each picture, strips where the hours are."""
    named = SEASONS | {"name": "<script>alert(1)</script> & co"}
    drawn = draw(read_tariff(tariff_file(tmp_path, [named])), 2025)
    words = page(drawn)
    reader = Reader()
    reader.feed(words)
    assert "<script" not in words
    assert "<script>alert(1)</script> & co" in reader.words
    outside = [attrs for _, attrs in reader.tags if {"src", "href"} & attrs.keys()]
    assert outside == []
    assert "default-src 'none'" in words
    (picture,) = [attrs for tag, attrs in reader.tags if tag == "svg"]
    assert "1 Nov to 31 Mar, Mon to Fri: 00:00 to 06:00 0.1, 06:00 to 15:00 0.2" in picture["aria-label"]
    tree = ElementTree.fromstring(words[words.index("<svg") : words.index("</svg>") + 6])
    width, height = (float(number) for number in tree.attrib["viewBox"].split()[2:])
    cells = [item for item in tree if item.attrib.get("class") == "cell"]
    assert len(cells) == 5 + 3 + 3
    for cell in cells:
        assert 0 <= float(cell.attrib["x"])
        assert float(cell.attrib["x"]) + float(cell.attrib["width"]) <= width
        assert float(cell.attrib["y"]) + float(cell.attrib["height"]) <= height
    peak = next(c for c in cells if "15:00 to 21:00" in (c[0].text or ""))
    assert pytest.approx(6 * 30) == float(peak.attrib["width"])
    assert "1.0" == peak.attrib["fill-opacity"]


def test_the_page_is_not_written_over(tmp_path):
    """A new file the first time, a sentence the second."""
    file = tariff_file(tmp_path, [SEASONS])
    assert "Wrote" in call("tariff", file, "--html", tmp_path / "page.html").stdout
    again = call("tariff", file, "--html", tmp_path / "page.html")
    assert (2, True) == (again.exit_code, "is not written over" in again.stderr)


def test_shipped_scenarios_are_drawn():
    """The tariff of each shipped scenario, and its contract of the case before."""
    for folder in sorted((Path(__file__).parent.parent / "scenarios").glob("*/scenario.toml")):
        for before in (False, True):
            assert "Components" in as_text(draw(read_tariff(folder, before=before), 2025))


def test_runs_of_equal_values():
    """Where each stretch begins and ends."""
    assert [(0, 2, 1.0), (2, 3, 5.0), (3, 4, 1.0)] == runs(np.array([1.0, 1.0, 5.0, 1.0]))


def test_rates_name_the_currency_where_the_file_does(tmp_path):
    """Components are said in the file's currency; a strip's text may not shrink with the page."""
    demand = {"kind": "demand_charge", "rate_per_kw": 0.3}
    file = tariff_file(tmp_path, [SEASONS, demand], currency="AUD")
    ran = call("tariff", file, "--year", 2025, "--html", tmp_path / "t.html")
    assert "0.3 AUD a kW of the billing" in ran.stdout
    page = (tmp_path / "t.html").read_text(encoding="utf-8")
    assert "svg.strips { width: 100%; min-width:" in page
    assert page.count('<div class="scroll"') == page.count("<svg class=")


def test_spot_is_said_to_be_left_out_with_what_the_bill_makes_of_it(tmp_path):
    """Its factors and tax are those of the file, 0.98 x 1.05 = 1.029; a constant spot price is drawn as it is."""
    spot = {
        "price_per_mwh": "market.price",
        "transmission_loss_factor": 0.98,
        "distribution_loss_factor": 1.05,
    }
    fees = [{"name": "market", "rate_per_kwh": 0.01}, {"name": "network", "rate_per_kwh": 0.02}]
    components = [
        {"kind": "spot_charge", "fees": fees, **spot},
        {"kind": "spot_feed_in", "price_per_mwh": "market.price", "fee_per_kwh": 0.01},
    ]
    file = tariff_file(tmp_path, components, tax_fraction=0.1, tax_name="GST", currency="AUD")
    made = draw(read_tariff(file), 2025)
    bought, sold = made.layers
    assert ("Import, without the spot price", "AUD a kWh with tax") == (bought.title, bought.unit)
    assert (
        "only the fees are drawn, the spot price times 1.029 for losses plus 10 % GST is added" in bought.note
    )
    assert [pytest.approx(0.033)] == bought.levels
    assert ("Export, without the spot price", "AUD a kWh, no tax on it") == (sold.title, sold.unit)
    assert "a \u22120.01" in as_text(made)
    assert "\u22120.01 AUD a kWh, no tax on it" in page(made)
    for words in (made.layers[0].note, made.layers[1].note):
        assert "market.price" not in words
    free = tariff_file(tmp_path, [{"kind": "spot_charge", "price_per_mwh": "market.price"}])
    assert "spot charge: nothing is drawn" in draw(read_tariff(free), 2025).layers[0].note
    known = tariff_file(tmp_path, [{"kind": "spot_charge", "price_per_mwh": 80.0}])
    (whole,) = draw(read_tariff(known), 2025).layers
    assert ("Import", "", [pytest.approx(0.08)]) == (whole.title, whole.note, whole.levels)


def test_money_has_no_name_where_the_file_gives_none(tmp_path):
    """And no word of tax where the contract has none."""
    file = tariff_file(tmp_path, [SEASONS])
    assert "money a kWh" == layer(draw(read_tariff(file), 2025), "Import").unit
