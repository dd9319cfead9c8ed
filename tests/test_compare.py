"""Variants side by side: each its own run, lines that add up, and faults that are named.

What is written is checked by `jsonschema`, an independent implementation of JSON Schema draft 2020-12
(https://json-schema.org/draft/2020-12).
"""

from __future__ import annotations

import json

import jsonschema
import pandas as pd
import pytest

import optimiser
from optimiser.batch.compare import _judged_by, compare, read_plan, write_comparison
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.starter import write_starter
from optimiser.summary.compare import VariantFigures
from optimiser.summary.schemas import SCHEMAS

FILE = """
title = "Two of a kind (invented)"

[[variant]]
name = "as it is"
scenario = "site"
change = { "timeline.days" = 2 }

[[variant]]
name = "flat <contract>"
change = { "timeline.days" = 2 }
tariff = "flat.toml"
"""
FLAT = """
name = "Flat"
zone = "Europe/Berlin"
[[component]]
kind = "energy_charge"
rates = [{ rate_per_kwh = 0.3 }]
"""


@pytest.fixture
def path(tmp_path):
    """The starter over two days, and the same on a flat contract."""
    write_starter(tmp_path / "site")
    (tmp_path / "flat.toml").write_text(FLAT, encoding="utf-8")
    (tmp_path / "variants.toml").write_text(FILE, encoding="utf-8")
    return tmp_path / "variants.toml"


def test_each_variant_is_its_own_run(path, tmp_path):
    """Figures equal those of the runs one by one; without the system the site keeps the contract that it has."""
    made = compare(read_plan([path]))
    alone = optimiser.run(
        optimiser.vary(optimiser.read_scenario(tmp_path / "site"), {"timeline.days": 2}), studies=()
    )
    first, second = made.variants.to_dict("records")
    assert first["ceiling_saving"] == pytest.approx(alone.statement.saving, abs=0.005)
    assert second["bill_before"] == pytest.approx(first["bill_before"], abs=1e-9)
    for row in (first, second):
        off = row["ceiling_bill_after"] - row["ceiling_services_income"]
        assert made.lines[row["variant"]].sum() == pytest.approx(off, abs=1e-6)
    assert made.lines["without the system"].sum() == pytest.approx(first["bill_before"], abs=1e-6)


LARGER = """
[[variant]]
name = "larger"
change = { "timeline.days" = 2, "storage.0.units" = 2 }
"""


def test_yearly_figures_are_measured_for_each_variant(path, tmp_path):
    """Each on its own contract and size, as a run of it alone does; never mixed with ceilings."""
    path.write_text(FILE + LARGER, encoding="utf-8")
    plan = read_plan([path])
    made = compare(plan)
    for row, variant in zip(made.variants.to_dict("records"), plan.variants, strict=True):
        alone = optimiser.run(variant.scenario, studies=("without_foresight",))
        assert row["forecast_driven_saving_per_year"] == pytest.approx(
            alone.summary.headline.forecast_driven_saving_per_year, abs=1e-6
        )
    assert set(made.variants["forecast_driven_from"]) == {"measured without foresight, by the headline alone"}
    paths = write_comparison(made, tmp_path / "out")
    written = json.loads(paths["summary"].read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(SCHEMAS["compare"]()).validate(written)
    page = paths["page"].read_text(encoding="utf-8")
    for words in (
        "measured on its own contract",
        "At most a year (ceiling)",
        "Bills are of 2 days from",
        "scaled up from them, which know no other season",
        "Savings are counted from what the site pays without the system on the contract",
    ):
        assert words in page
    measured = compare(read_plan([path]), measure=True).variants
    assert set(measured["forecast_driven_from"]) == {"measured without foresight, plans and own devices"}
    assert (measured["forecast_driven_saving_per_year"] <= measured["ceiling_saving_per_year"] + 1e-6).all()


def test_the_best_is_best_by_the_figure_that_the_page_judges_by():
    """Saving most a year is not best where it costs more than it brings; all variants are ranked on one basis.

    From the contract: `best` has the highest present value. Figures are made up.
    """
    dear, cheap = variant(-5000.0, 500.0, 3000.0), variant(2500.0, 300.0, 3000.0)
    assert "forecast_driven_npv" == _judged_by([dear, cheap])
    assert "ceiling_npv" == _judged_by([dear, variant(None, None, 3000.0)])
    assert "forecast_driven_saving_per_year" == _judged_by([cheap, variant(None, 500.0, None)])


def variant(npv: float | None, saving: float | None, ceiling_npv: float | None) -> VariantFigures:
    """A variant of which little is known."""
    return VariantFigures(
        variant="of the test",
        days=2.0,
        bill_unequipped=900.0,
        bill_before=1000.0,
        ceiling_bill_after=600.0,
        ceiling_services_income=0.0,
        ceiling_saving=400.0,
        ceiling_saving_per_year=600.0,
        ceiling_payback_years=None,
        ceiling_npv=ceiling_npv,
        forecast_driven_saving_per_year=saving,
        forecast_driven_payback_years=None,
        forecast_driven_npv=npv,
        forecast_driven_from="not worked out",
        capital_cost=None,
        gap_relative=0.0,
        gap_absolute=0.0,
        verdict="optimal",
    )


def test_what_a_contract_alone_does_stands_beside_it(path, tmp_path):
    """The load at the flat 0.30 a kWh, and at the scenario's own contract, both without the system."""
    made = compare(read_plan([path])).variants.to_dict("records")
    scenario = optimiser.vary(optimiser.read_scenario(tmp_path / "site"), {"timeline.days": 2})
    load = (
        optimiser.run(scenario, studies=()).dispatch_table["site.load_kw"].sum()
        * scenario.timeline.step_hours
    )
    assert made[0]["bill_unequipped"] == pytest.approx(made[0]["bill_before"], abs=1e-9)
    assert made[1]["bill_unequipped"] == pytest.approx(0.3 * load, abs=1e-6)


def test_hours_add_up_to_the_lines_of_steps(path):
    """The flat contract has a single line by step: its hours are that line; the best is the higher of both."""
    made = compare(read_plan([path]))
    assert -made.hours["flat <contract>"].sum() == pytest.approx(
        made.lines.loc[made.lines["group"] != "demand", "flat <contract>"].sum(), abs=1e-6
    )
    higher = made.hours[["as it is", "flat <contract>"]].idxmax(axis=1)
    assert (higher == made.hours["best"]).all()


def test_page_and_tables_are_written(path, tmp_path):
    """All text escaped; a row a variant in the table."""
    paths = write_comparison(compare(read_plan([path])), tmp_path / "out")
    page = paths["page"].read_text(encoding="utf-8")
    assert "flat &lt;contract&gt;" in page
    assert "<contract>" not in page
    assert ["as it is", "flat <contract>"] == pd.read_csv(paths["variants"])["variant"].tolist()


def test_folders_are_compared_too(path, tmp_path):
    """Two folders of one name get names of their own; different days leave the hours out."""
    write_starter(tmp_path / "other" / "site")
    words = (
        (tmp_path / "other" / "site" / "scenario.toml")
        .read_text(encoding="utf-8")
        .replace("days = 7 ", "days = 1 ")
    )
    (tmp_path / "other" / "site" / "scenario.toml").write_text(words, encoding="utf-8")
    made = compare(read_plan([tmp_path / "site", tmp_path / "other" / "site"]))
    assert ["site", "site 2"] == made.variants["variant"].tolist()
    assert made.hours.empty


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('scenario = "site"', "", "variant.0.scenario is required but missing"),
        ('scenario = "site"', 'scenario = "nowhere"', "nowhere: the file does not exist"),
        ("timeline.days", "timeline.dais", "timeline.dais is not known here"),
        ("flat <contract>", "as it is", "variant.1.name is 'as it is' again"),
        ('"flat.toml"', '"round.toml"', "the file does not exist"),
    ],
)
def test_faults_are_named(path, old, new, words):
    """One sentence each."""
    path.write_text(FILE.replace(old, new), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_plan([path])
    assert words in str(caught.value)


def test_one_scenario_is_nothing_to_compare(tmp_path):
    """Said in a sentence."""
    write_starter(tmp_path / "site")
    with pytest.raises(OptimiserError, match="is one scenario"):
        read_plan([tmp_path / "site"])


def test_names_are_told_with_all_other_faults(path):
    """An empty name, one that comes again though its scenario is not there, and the scenario, at once."""
    other = '[[variant]]\nname = "{}"\nscenario = "{}"\n'
    text = path.read_text(encoding="utf-8") + "".join(
        other.format(*words) for words in ((" ", "site"), ("lost", "nowhere"), ("lost", "site"))
    )
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_plan([path])
    assert 3 == len(caught.value.faults)
    for words in (
        "variant.2.name is empty",
        "variant.4.name is 'lost' again",
        "nowhere: the file does not exist",
    ):
        assert words in str(caught.value)


def test_a_tariff_lies_inside_the_file_s_folder(path, tmp_path):
    """What lies elsewhere is neither opened nor quoted."""
    outside = tmp_path.parent / f"{tmp_path.name}-outside.toml"
    outside.write_text("secret = ", encoding="utf-8")
    text = path.read_text(encoding="utf-8").replace('"flat.toml"', f'"{outside.as_posix()}"')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ScenarioError, match="lies outside this file's folder") as caught:
        read_plan([path])
    assert "secret" not in str(caught.value)
