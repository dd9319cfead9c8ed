"""Many sites behind one aggregator: whole bids, shared income, and a run that goes on where it stopped.

What is written is checked by `jsonschema`, an independent implementation of JSON Schema draft 2020-12
(https://json-schema.org/draft/2020-12).
"""

from __future__ import annotations

import json
import math
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from optimiser.batch.fleet import answers
from optimiser.batch.fleet import solving as fleets
from optimiser.batch.fleet.file import read_fleet
from optimiser.batch.fleet.solving import solve_fleet
from optimiser.batch.fleet.write import write_fleet
from optimiser.cli import main
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.starter import write_starter
from optimiser.summary.schemas import SCHEMAS

FLEET = """
title = "Three homes (invented)"
invented = true

[[site]]
scenario = "site"
name = "small"
count = 2
spread = { "storage.0.units" = [1, 3], "site.load.0.scale" = [0.5, 1.5] }

[[site]]
scenario = "site"
name = "large"
change = { "site.load.0.scale" = 2.0 }
"""
STEP_KW, LEAST_KW = 1.5, 3.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Three homes of two days that sell one service in blocks of four hours and steps that one home hardly fills."""
    write_starter(tmp_path / "site")
    scenario = tmp_path / "site" / "scenario.toml"
    words = scenario.read_text(encoding="utf-8").replace("days = 7 ", "days = 2 ")
    rules = f"block_minutes = 240\nleast_bid_kw = {LEAST_KW}\nbid_step_kw = {STEP_KW}\n# block_minutes = 240"
    scenario.write_text(words.replace("# block_minutes = 240", rules, 1), encoding="utf-8")
    (tmp_path / "fleet.toml").write_text(FLEET, encoding="utf-8")
    return tmp_path / "fleet.toml"


def solved(path: Path, folder: Path):
    """The fleet's result, by threads of this process."""
    with ThreadPoolExecutor(1) as executor:
        return solve_fleet(read_fleet(path), folder, executor=executor)


def test_bids_are_whole_and_income_is_shared(path, tmp_path):
    """Recomputed in plain numbers from each site's kept answer: sums, whole steps, least bid, shares.

    That a bid is rounded down to the market's step is common practice, no source.
    """
    result = solved(path, tmp_path / "out")
    kept = sorted((tmp_path / "out" / "sites").glob("*.parquet"))
    frames = [pd.read_parquet(file) for file in kept]
    offered = np.sum([frame["upward reserve.offered_kw"] for frame in frames], axis=0)
    bids = []
    for kw in offered[::8]:  # one a block of four hours in steps of half an hour
        steps = math.floor((kw + 1e-6) / STEP_KW) * STEP_KW
        bids.append(steps if steps >= LEAST_KW - 1e-6 else 0.0)
    expected = np.repeat(bids, 8)
    assert np.allclose(expected, result.bids["upward reserve.bid_kw"])
    share = np.divide(expected, offered, out=np.zeros_like(offered), where=offered > 0)
    paid = [float((frame["upward reserve.paid"] * share).sum()) for frame in frames]
    assert sum(paid) == pytest.approx(result.summary.income_as_bid, abs=1e-9)
    assert sorted(paid) == pytest.approx(sorted(result.sites["services_as_bid"]), abs=1e-9)
    row = result.services.iloc[0]
    assert 0 <= row["lost_by_rounding"] <= row["income_as_offered"]
    assert row["income_if_alone"] <= row["income_as_bid"] + 1e-9
    assert row["income_as_offered"] == pytest.approx(result.sites["services_as_offered"].sum(), abs=1e-9)


def test_sites_differ_by_chance_and_are_the_same_again(path):
    """Drawn evenly between the ends, whole where both ends are whole; the seed makes them again."""
    one, other = read_fleet(path), read_fleet(path)
    assert [m.changes for m in one.members] == [m.changes for m in other.members]
    small = [m.changes for m in one.members[:2]]
    assert small[0] != small[1]
    assert all(isinstance(c["storage.0.units"], int) and 1 <= c["storage.0.units"] <= 3 for c in small)
    assert ["small 1", "small 2", "large"] == [m.name for m in one.members]


def test_solved_sites_are_not_solved_again(path, tmp_path, monkeypatch):
    """What is kept is used, unless its scenario has changed; processes of their own give the same figures."""
    first = solved(path, tmp_path / "out")
    calls = []
    true_solve = fleets.solve
    monkeypatch.setattr(fleets, "solve", lambda scenario: calls.append(1) or true_solve(scenario))
    again = solved(path, tmp_path / "out")
    assert calls == []
    pd.testing.assert_frame_equal(first.sites, again.sites)
    path.write_text(FLEET.replace("= 2.0", "= 1.9"), encoding="utf-8")
    solved(path, tmp_path / "out")
    assert len(calls) == 1
    path.write_text(FLEET, encoding="utf-8")
    apart = solve_fleet(read_fleet(path), tmp_path / "apart", workers=1)
    pd.testing.assert_frame_equal(first.sites, apart.sites, check_exact=False, atol=1e-4)


def test_other_data_or_damage_is_solved_again(path, tmp_path, monkeypatch):
    """A data file that changed, and kept files that were emptied, removed or hold something else."""
    path.write_text(FLEET.split("[[site]]")[0] + "[[site]]\nscenario = 'site'\n", encoding="utf-8")
    first = solved(path, tmp_path / "out")
    calls = []
    true_solve = fleets.solve
    monkeypatch.setattr(fleets, "solve", lambda scenario: calls.append(1) or true_solve(scenario))
    (kept,) = (tmp_path / "out" / "sites").glob("*.parquet")
    for count, damage in enumerate(
        (
            lambda: kept.write_bytes(b""),
            kept.unlink,
            lambda: kept.write_bytes(kept.read_bytes()[:-100]),
            lambda: pd.DataFrame({"reserve.paid": [1.0]}).to_parquet(kept),
        ),
        1,
    ):
        damage()
        again = solved(path, tmp_path / "out")
        assert count == len(calls)
        pd.testing.assert_frame_equal(first.sites, again.sites)
    data = next((path.parent / "site").glob("*.csv"))
    head, line, rest = data.read_text(encoding="utf-8").split("\n", 2)
    stamp, _, others = line.split(",", 1)[0], *line.split(",", 1)[1].partition(",")[::2]
    data.write_text("\n".join([head, f"{stamp},9.5{',' + others if others else ''}", rest]), encoding="utf-8")
    other = solved(path, tmp_path / "out")
    assert 5 == len(calls)
    assert other.sites["bill_before"][0] != first.sites["bill_before"][0]


def test_one_fleet_at_a_time_is_at_work_in_a_folder(path, tmp_path):
    """The second is refused; one that was at work and is gone is in nobody's way."""
    with (
        answers.folder_held(tmp_path),
        pytest.raises(OptimiserError, match="If another fleet is at work in it, wait"),
        answers.folder_held(tmp_path),
    ):
        pass
    with answers.folder_held(tmp_path):
        pass


def test_a_site_without_an_answer_is_named_and_left_out(path, tmp_path):
    """One home draws more than its connection lets in: the others are worked out, the command ends with 3."""
    path.write_text(FLEET.replace("= 2.0", "= 500.0"), encoding="utf-8")
    result = CliRunner().invoke(main, ["fleet", str(path), "--out", str(tmp_path / "out"), "--workers", "1"])
    assert 3 == result.exit_code
    assert "large has no answer" in result.stderr
    summary = json.loads((tmp_path / "out" / "fleet.json").read_text(encoding="utf-8"))
    assert 2 == summary["sites"]
    assert ["large"] == list(summary["failed"])
    path.write_text(
        FLEET.split("[[site]]")[0] + "[[site]]\nscenario = 'site'\nchange = { 'site.load.0.scale' = 500 }"
    )
    with pytest.raises(OptimiserError, match="no site has an answer"):
        solved(path, tmp_path / "none")


def test_page_and_tables_are_written(path, tmp_path):
    """Every figure of the first screen stands in the summary, every site in the table."""
    result = solved(path, tmp_path / "out")
    paths = write_fleet(result, tmp_path / "out")
    written = json.loads(paths["summary"].read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(SCHEMAS["fleet"]()).validate(written)
    page = paths["page"].read_text(encoding="utf-8")
    for words in ("small 1", "Lost by rounding", "INVENTED", f"{result.summary.income_as_bid:,.2f}"):
        assert words in page
    sites = pd.read_csv(paths["sites"])
    assert sites["ceiling_saving"].sum() == pytest.approx(result.summary.ceiling_saving, abs=1e-5)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('scenario = "site"\nname = "small"', 'scenario = "nowhere"', "nowhere: the file does not exist"),
        ("[0.5, 1.5]", "[0.5, inf]", "got [0.5, inf], and none beyond 1e+12"),
        ("[1, 3]", f"[1, 1{'0' * 400}]", "none beyond 1e+12"),
        ("[0.5, 1.5]", "[2, 1]", "must be two numbers, the lower first, got [2, 1]"),
        ('"storage.0.units"', '"storage.9.units"', "storage.9.units is no path"),
        ('name = "large"', 'name = "small 1"', "site.1.name is 'small 1', which is taken"),
        ('{ "site.load.0.scale" = 2.0 }', '{ "timeline.days" = 3 }', "has another timeline than the first site"),
        ('{ "site.load.0.scale" = 2.0 }', '{ "service.0.sustain_hours" = 1.0 }', "by other rules than the first site"),
        ("count = 2", "count = 0", "site.0.count must be above 0, got 0"),
    ],
)  # fmt: skip
def test_faults_are_named(path, old, new, words):
    """One sentence each, with its place."""
    path.write_text(FLEET.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ScenarioError) as caught:
        read_fleet(path)
    assert words in str(caught.value)
