"""Timed rules: what they do in a step, what is found where the best is known by hand, how it is judged and shown.

Worked values say their arithmetic; the linear program's optimum, proven elsewhere, bounds every timetable. All data
are made up. What is written is checked by `jsonschema`, an independent implementation of JSON Schema draft 2020-12
(https://json-schema.org/draft/2020-12).
"""

from __future__ import annotations

import datetime
import json

import jsonschema
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from test_oracle import base, made, span
from test_own_use import three_hours
from test_plant import SHIPPED, SINGLE_PHASE, first_days

import optimiser
from optimiser.accounts.settlement import settle
from optimiser.cli import main
from optimiser.control.learning import learn, split
from optimiser.control.modes import apart
from optimiser.control.own_use import OwnUse
from optimiser.control.timetable import (
    OTHER_DAYS,
    WORKDAYS,
    Category,
    Timed,
    TimedRule,
    Timetable,
    category_of,
    clock,
    empty_timetable,
    make_categories,
)
from optimiser.dispatch import solve
from optimiser.errors import InfeasibleError, OptimiserError
from optimiser.plant.executed import executed
from optimiser.plant.walk import Plant
from optimiser.report.timetable import timetable_page, verdict
from optimiser.starter import write_starter
from optimiser.studies import without_foresight
from optimiser.studies.timetable import (
    CEILING,
    JUDGED,
    LEARNT,
    OWN_LOAD,
    TIMETABLE,
    WITHOUT,
    Settings,
    TimetableFigures,
    TimetableStudy,
    carried_out,
    make_timetable,
    study_of,
)
from optimiser.summary.schemas import SCHEMAS
from optimiser.summary.timetable import TimetableSummary

YEAR = (Category("all year", tuple(range(1, 13)), "every day"),)


def two_prices(days: int = 28, sell: float = 0.35, **bank):
    """No load, 5 kW each way without loss, 10 kWh of 0.9 each way; 0.10 a kWh from 00:00 to 06:00, else 0.40; `sell`
    is paid from 17:00 to 21:00, else 0.02."""
    timeline = span("UTC", "2025-03-03T00:00", 60, 24 * days)
    raw = base(timeline)
    raw["timeline"] |= {"start": datetime.date(2025, 3, 3), "days": days}
    raw["solve"] = {"tie_break_per_kwh": 0.0, "gap_tolerance": 1e-6}
    raw["site"]["load"] = []
    raw["site"]["inverter"] = [
        {"name": "a", "phase": "L1", "output_kw": 5.0, "input_kw": 5.0}
        | {"output_efficiency": 1.0, "input_efficiency": 1.0}
    ]
    raw["storage"] = [
        {"kind": "battery", "name": "s", "unit_kwh": 10.0, "charge_kw": 20.0, "discharge_kw": 20.0}
        | {"charge_efficiency": 0.9, "discharge_efficiency": 0.9, "voltage_v": 50.0, "start_fraction": 0.0}
        | bank
    ]
    raw["tariff"] = {
        "name": "two prices",
        "zone": "UTC",
        "component": [
            {
                "kind": "energy_charge",
                "rates": [
                    {"rate_per_kwh": 0.10, "when": {"from": "00:00", "to": "06:00"}},
                    {"rate_per_kwh": 0.40},
                ],
            },
            {
                "kind": "feed_in",
                "rates": [
                    {"rate_per_kwh": sell, "when": {"from": "17:00", "to": "21:00"}},
                    {"rate_per_kwh": 0.02},
                ],
            },
        ],
    }
    return made(raw, timeline, {})


ONE = Settings(rules=2, seasons=1, day_types=False)


def test_the_best_of_one_cycle_a_day_is_found_and_is_the_optimum():
    """A cycle buys 10 / 0.9 = 11.111 kWh at 0.10 and sells 9 kWh at 0.35: 3.15 - 1.1111 = 2.0389 a day, which the
    linear program finds too."""
    best = solve(two_prices())
    judged = make_timetable(best, ONE)
    assert judged.parted.words == "every other week, from the first"
    for part in (LEARNT, JUDGED):
        assert judged.bills[part, CEILING] == pytest.approx(-14 * (9 * 0.35 - 0.1 * 10 / 0.9), abs=1e-6)
        assert judged.bills[part, TIMETABLE] == pytest.approx(judged.bills[part, CEILING], abs=1e-6)
        assert judged.bills[part, OWN_LOAD] == pytest.approx(0.0, abs=1e-9)
    actions = [rule.action for _, _, rule in judged.timetable.numbered()]
    assert actions == ["charge", "discharge"]
    # Each is worth nothing, or less, without the other: all is lost when one is left out.
    assert (judged.rules["leaving_out_costs_judged_on"] >= 14 * 2.0388).all()


def test_nothing_is_typed_in_where_nothing_is_to_be_earned():
    """At 0.12 a kWh, 9 kWh sold bring 1.08, less than the 1.1111 that they cost."""
    judged = make_timetable(solve(two_prices(sell=0.12)), ONE)
    assert judged.timetable.numbered() == []
    found = study_of(judged, "EUR")
    assert not found.summary["beats_own_load"]
    assert any("does not beat plain self-consumption" in words for words in found.warnings)
    assert "Leave it out" in verdict(found.typed(TimetableFigures), "EUR")
    assert list(found.tables["rules"].columns[:4]) == ["season", "days", "from", "to"]


def follow(scenario, *rules, start=None):
    plant = Plant(scenario)
    timetable = Timetable(YEAR, (tuple(rules),))
    walk = plant.walk(
        Timed(plant, category_of(scenario, YEAR), [timetable]),
        start_kwh=None if start is None else np.array([[start]]),
    )
    if start is None:
        executed(scenario, walk)
    return walk


def test_a_rule_takes_no_more_than_its_power_until_the_mark():
    """3 kW until 60 %: 2.7 kWh an hour, 5.4 after two, and 0.6 more, not 2.7, in the third; then kept."""
    walk = follow(two_prices(1, end_fraction=0.0), TimedRule("charge", 60, 300, 3.0, 0.6))
    assert walk.stored_kwh[:6, 0, 0] == pytest.approx([0.0, 2.7, 5.4, 6.0, 6.0, 6.0])
    assert walk.import_kw[:5, 0] == pytest.approx([0.0, 3.0, 3.0, 0.6 / 0.9, 0.0])


def test_a_rule_feeds_out_on_top_of_the_load_down_to_its_mark():
    """2 kW of export on 1 kW of load drain 3 / 0.9 kWh an hour; at the mark only the load is covered."""
    scenario = two_prices(1, end_fraction=0.0)
    raw = scenario.raw
    raw["site"]["load"] = [{"phase": "L1", "power_kw": 1.0}]
    scenario = made(raw, scenario.timeline, {})
    walk = follow(scenario, TimedRule("discharge", 0, 180, 2.0, 0.5), start=10.0)
    first = 10 - 3 / 0.9
    # 1.6667 kWh above the mark give 1.5 kW, of which 0.5 are fed out.
    assert walk.export_kw[:3, 0] == pytest.approx([2.0, 0.5, 0.0])
    assert walk.stored_kwh[:3, 0, 0] == pytest.approx([first, 5.0, 5 - 1 / 0.9])


def per_phase(loads=(0.0, 3.0, 0.0)):
    """Three phases with registers of their own, 2 kW each way on each, and 2 kWh in store."""
    scenario = three_hours([0] * 3, [0.0] * 3, 3, "per_phase", loads)
    raw = scenario.raw
    raw["storage"][0] |= {"start_fraction": 1.0, "end_fraction": 0.0}
    return made(raw, scenario.timeline, dict(scenario.columns))


def test_a_rule_of_one_phase_leaves_the_others_alone():
    """L1 feeds out 0.5 kW while L2 covers 1 kW of load; kept at full on L2 alone, its load is the grid's."""
    scenario = per_phase((0.0, 1.0, 0.0))
    walk = follow(scenario, TimedRule("discharge", 0, 1439, 0.5, 0.1, "L1"))
    assert walk.net_kw[0, 0] == pytest.approx([0.5, 1.0, 0.0])
    walk = follow(
        scenario,
        TimedRule("discharge", 0, 1439, 0.5, 0.1, "L1"),
        TimedRule("charge", 0, 1439, 0.0, 1.0, "L2"),
    )
    assert walk.net_kw[0, 0] == pytest.approx([0.5, 0.0, 0.0])


def test_phases_that_charge_share_the_room():
    """1 kW on each of three phases, 2 kWh of room less what is there: a full hour, then nothing is left of it."""
    raw = per_phase().raw
    raw["storage"][0] |= {"start_fraction": 0.0}
    raw["storage"][0]["unit_kwh"] = 4.5
    scenario = made(raw, per_phase().timeline, {"d.load": np.zeros(3), "d.sun": np.zeros(3)})
    walk = follow(scenario, TimedRule("charge", 0, 1439, 3.0, 1.0))
    assert walk.stored_kwh[:, 0, 0] == pytest.approx([3.0, 4.5, 4.5])
    assert walk.net_kw[1, 0] == pytest.approx([-0.5, -0.5, -0.5])


def test_a_store_that_is_kept_leaves_the_load_to_the_grid():
    """Below its mark nothing is given; above it, what is above."""
    scenario = three_hours([1.0, 1.0, 1.0], [0.0, 0.0, 0.0])
    raw = scenario.raw
    raw["storage"][0] |= {"end_fraction": 0.0}
    scenario = made(raw, scenario.timeline, dict(scenario.columns))
    walk = follow(scenario, TimedRule("charge", 0, 1439, 0.0, 0.75), start=2.0)
    assert walk.stored_kwh[:, 0, 0] == pytest.approx([1.5, 1.5, 1.5])
    assert walk.import_kw[:, 0] == pytest.approx([0.5, 1.0, 1.0])


def test_no_rules_are_plain_self_consumption():
    for folder in SHIPPED:
        scenario = first_days(folder)
        plant = Plant(scenario)
        categories = make_categories([1], 4, True)
        timed = Timed(plant, category_of(scenario, categories), [empty_timetable(categories)])
        assert plant.walk(timed).stored_kwh == pytest.approx(plant.walk(OwnUse(plant)).stored_kwh)


def test_phases_have_rules_of_their_own_where_they_are_registered_apart():
    """Netted, a phase is no group; registered apart, each is, and rules of two phases may hold at once."""
    assert apart(Plant(per_phase()))[0] == ("L1", "L2", "L3")
    assert apart(Plant(three_hours([0] * 3, [0.0] * 3, 3, "netted", (0.0, 3.0, 0.0))))[0] == ("all",)
    one, other = TimedRule("charge", 0, 60, 1.0, 1.0, "L1"), TimedRule("discharge", 0, 60, 1.0, 0.0, "L2")
    assert not one.shares_a_phase(other)
    assert one.shares_a_phase(TimedRule("charge", 0, 60, 1.0, 1.0))
    assert "on L1" in one.words()


def test_rules_may_run_over_midnight():
    rule = TimedRule("charge", 22 * 60, 6 * 60, 3.0, 1.0)
    assert rule.holds(np.array([0, 359, 360, 1319, 1320])).tolist() == [True, True, False, False, True]
    assert "22:00 to 06:00: take up to 3 kW from the grid until 100 % full" in rule.words()
    assert clock(1440) == "24:00"


def test_days_belong_to_their_season_and_kind():
    """5 March 2025 is a Wednesday, the 8th a Saturday; 28 February is of another season of four."""
    timeline = span("Europe/Berlin", "2025-02-28T00:00", 60, 24 * 10)
    scenario = made(base(timeline), timeline, {"d.load1": np.ones(240)})
    categories = make_categories([2, 3], 4, True)
    assert [category.season for category in categories] == ["Dec to Feb"] * 2 + ["Mar to May"] * 2
    found = category_of(scenario, categories)
    named = [categories[number] for number in found]
    assert (named[0].season, named[0].days) == ("Dec to Feb", WORKDAYS)
    assert (named[5 * 24].season, named[5 * 24].days) == ("Mar to May", WORKDAYS)
    assert named[8 * 24].days == OTHER_DAYS
    assert [len(make_categories(range(1, 13), seasons, False)) for seasons in (1, 2, 4)] == [1, 2, 4]


def test_what_is_learnt_from_does_not_judge():
    year = two_prices(365)
    parted = split(year, "months")
    assert not (parted.learn & parted.judge).any()
    assert (parted.learn | parted.judge).all()
    # From 3 March 2025: the rest of March, May, July, September, November, January, and two days of the next March.
    assert parted.learn.sum() == 24 * (29 + 31 + 31 + 30 + 30 + 31 + 2)
    few = split(two_prices(5), "months")
    assert few.apart is False


def test_the_judged_part_has_no_say():
    """Scrambled prices of the weeks that judge leave the timetable as it is."""
    timeline = span("UTC", "2025-03-03T00:00", 60, 24 * 28)
    random = np.random.default_rng(4)
    prices = 100 + 200 * (np.arange(24 * 28) % 24 >= 17) + random.uniform(0, 50, 24 * 28)
    other = prices.copy()
    judging = np.arange(24 * 28) // (24 * 7) % 2 == 1
    other[judging] = random.uniform(0, 400, judging.sum())
    timetables = []
    for spot in (prices, other):
        raw = two_prices().raw
        raw["tariff"]["component"] = [
            {"kind": "spot_charge", "price_per_mwh": "d.spot"},
            {"kind": "spot_feed_in", "price_per_mwh": "d.spot"},
        ]
        # Without hints: the best schedule of a learnt week may lean on the week after it.
        scenario = made(raw, timeline, {"d.spot": spot})
        timetables.append(learn(scenario, None, YEAR, split(scenario, "weeks").learn, 2))
    assert timetables[0] == timetables[1]
    assert timetables[0].numbered()


def test_a_timetable_never_beats_the_ceiling_on_the_whole():
    """On a shipped site, whatever is learnt: no system pays most, the ceiling least."""
    scenario = first_days(SINGLE_PHASE, 28)
    judged = make_timetable(solve(scenario), Settings(rules=1, seasons=1, day_types=False))
    whole = {
        case: sum(judged.bills[part, case] for part in (LEARNT, JUDGED))
        for case in (WITHOUT, TIMETABLE, CEILING)
    }
    wear = 0.01 * 10 * 28 * 2  # the ceiling heeds wear, which is on no bill: two cycles a day at the most
    assert whole[CEILING] <= whole[TIMETABLE] + wear
    assert whole[TIMETABLE] < whole[WITHOUT]


def test_each_part_is_run_under_rules_learnt_from_the_other():
    """Dear hours change their place from one week to the next: each week's rules are wrong for the other.

    Weeks 1 and 3 are dear from 17:00 to 21:00, 2 and 4 from 08:00 to 12:00. What is learnt from the one kind sells in
    hours that pay next to nothing in the other, so run on each other's weeks the rules lose what they cost, while on
    their own they earn 2.0389 a day as above.
    """
    raw, timeline = two_prices().raw, span("UTC", "2025-03-03T00:00", 60, 24 * 28)
    hour, week = np.arange(24 * 28) % 24, np.arange(24 * 28) // (24 * 7)
    dear = np.where(week % 2 == 0, (hour >= 17) & (hour < 21), (hour >= 8) & (hour < 12))
    raw["tariff"]["component"][1] = {"kind": "spot_feed_in", "price_per_mwh": "d.spot"}
    best = solve(made(raw, timeline, {"d.spot": np.where(dear, 350.0, 20.0)}))
    judged = make_timetable(best, ONE, both_ways=True)
    assert judged.mirrored is not None
    sells = [
        next(rule for _, _, rule in one.numbered() if rule.action == "discharge")
        for one in (judged.timetable, judged.mirrored)
    ]
    assert [rule.holds(np.array([18 * 60])).item() for rule in sells] == [True, False]
    assert [rule.holds(np.array([9 * 60])).item() for rule in sells] == [False, True]
    year = carried_out(best, judged)
    # Bought for 1.1111 a day, and 9 kWh sold at 0.02.
    assert year.saving == pytest.approx(28 * (9 * 0.02 - 0.1 * 10 / 0.9), abs=1e-6)
    assert judged.bills[LEARNT, TIMETABLE] == pytest.approx(-14 * (9 * 0.35 - 0.1 * 10 / 0.9), abs=1e-6)


def test_the_report_without_foresight_has_a_row_for_the_timetable(tmp_path):
    """Beside the policies: its saving adds up by line and by billing period, and is below the ceiling's."""
    scenario = first_days(SINGLE_PHASE, 29)
    run = optimiser.run(scenario, studies=("timetable", "without_foresight"))
    found = run.summary.studies["without_foresight"]
    rows = {row["name"]: row for row in found["outcomes"]}
    assert list(rows) == [
        "ceiling",
        "rolling",
        "backcast",
        "timetable",
        "chosen on the past",
        "own use",
        "stored worth",
        "replanned",
        "no storage",
    ]
    row = rows["timetable"]
    assert "each part of the days under rules learnt from the other" in row["words"]
    for name in ("lines", "months"):
        table = run.studies["without_foresight"].tables[name]
        assert row["saving"] == pytest.approx(table["timetable"].sum())
    assert rows["no storage"]["saving"] < row["saving"] <= rows["ceiling"]["saving"] + 1e-6
    page = optimiser.write_results(run, tmp_path / "out")["report"].read_text(encoding="utf-8")
    assert "timed rules: each part of the days under rules learnt from the other" in page
    alone = optimiser.run(scenario, studies=("without_foresight",)).summary.studies["without_foresight"]
    assert [row for row in found["outcomes"] if row["name"] != "timetable"] == alone["outcomes"]


def test_a_timetable_that_cannot_keep_a_limit_is_left_out_of_the_report_without_foresight():
    """Its reason stands in its place."""
    scenario = first_days(SINGLE_PHASE, 3)
    statement = settle(solve(scenario))
    fallen = TimetableStudy({}, {}, (), InfeasibleError("2 kW are missing"), "timed rules")
    found = without_foresight.study(statement, lambda words: None, fallen)
    assert "timetable: 2 kW are missing" in found.summary["missing"]
    assert "timetable" not in found.tables["lines"]


def test_the_page_says_what_to_type_in():
    found = study_of(make_timetable(solve(two_prices()), ONE), "EUR")
    summary = TimetableSummary(
        title="Two prices",
        invented=True,
        currency="EUR",
        start="2025-03-03T00:00:00+00:00",
        step_minutes=60,
        found=found.typed(TimetableFigures),
    )
    page = timetable_page(summary, found.tables["rules"])
    for words in (
        "What to type in",
        "take from the grid",
        "until 100 %",
        "cover the load and feed out",
        "beats plain",
    ):
        assert words in page
    assert "Leave it out" not in page


def starter(folder, days=14):
    """The commented starter, a fortnight of it."""
    write_starter(folder)
    file = folder / "scenario.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("days = 365", f"days = {days}"), encoding="utf-8")
    return folder


def test_the_command_writes_a_table_and_a_page(tmp_path):
    site = starter(tmp_path / "site")
    ran = CliRunner().invoke(
        main,
        ["timetable", str(site), "--rules", "1", "--seasons", "1", "--out", str(tmp_path / "out")],
    )
    assert ran.exit_code == 0, ran.output
    written = json.loads((tmp_path / "out" / "timetable.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(SCHEMAS["timetable"]()).validate(written)
    assert written["found"]["rules"]
    for rule in written["found"]["rules"]:
        assert rule["rule"] in ran.output
    table = pd.read_csv(tmp_path / "out" / "timetable.csv")
    assert {"season", "days", "from", "to", "does", "power_kw", "stop_percent"} <= set(table.columns)
    assert "A timetable to type in" in (tmp_path / "out" / "timetable.html").read_text(encoding="utf-8")


def test_the_command_learns_from_another_year_of_the_same_plant_only(tmp_path):
    site, other = starter(tmp_path / "site", 7), starter(tmp_path / "other", 7)
    command = [
        "timetable",
        str(site),
        "--learn",
        str(other),
        "--rules",
        "1",
        "--seasons",
        "1",
        "--one-kind-of-day",
    ]
    ran = CliRunner().invoke(main, [*command, "--out", str(tmp_path / "out")])
    assert ran.exit_code == 0, ran.output
    assert "Learnt from: another year" in ran.output
    file = other / "scenario.toml"
    file.write_text(
        file.read_text(encoding="utf-8").replace("output_kw = 3.6", "output_kw = 3.2"), encoding="utf-8"
    )
    ran = CliRunner().invoke(main, [*command, "--out", str(tmp_path / "more")])
    assert ran.exit_code == 2
    assert "its site differs" in ran.output
    assert not (tmp_path / "more").exists()


def test_slips_on_the_command_line_are_told_before_anything_is_solved(tmp_path):
    file = tmp_path / "file"
    file.write_text("kept", encoding="utf-8")
    for more, words in ((["--learn", "month"], "there is no month"), (["--out", str(file)], "is a file")):
        ran = CliRunner().invoke(main, ["timetable", str(SINGLE_PHASE), *more])
        assert ran.exit_code == 2
        assert words in ran.output
    assert "kept" == file.read_text(encoding="utf-8")


def test_a_site_without_storage_has_nothing_to_steer():
    scenario = two_prices(2)
    raw = scenario.raw | {"storage": []}
    with pytest.raises(OptimiserError, match="lacks one of them"):
        make_timetable(solve(made(raw, scenario.timeline, {})))


def test_a_run_can_be_asked_for_it(tmp_path):
    """The study's figures, table and section stand in the run's files."""
    scenario = optimiser.vary(optimiser.read_scenario(starter(tmp_path / "site")), {"timeline.days": 4})
    run = optimiser.run(scenario, studies=("timetable",))
    paths = optimiser.write_results(run, tmp_path / "out")
    found = json.loads(paths["summary"].read_text(encoding="utf-8"))["studies"]["timetable"]
    assert found["judged_apart"] is False
    assert any("judged on the days that it was learnt from" in words for words in run.summary.warnings)
    assert "A timetable to type in" in paths["report"].read_text(encoding="utf-8")
    assert (tmp_path / "out" / "timetable-rules.csv").is_file()
