"""Looking back: logs whose answer is known beforehand, bills worked by hand, and logs that are refused.

What is written is checked by `jsonschema`, an independent implementation of JSON Schema draft 2020-12
(https://json-schema.org/draft/2020-12).
"""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest
import real_data as real
from click.testing import CliRunner
from conftest import battery, inverter, table, write_site

import optimiser
from optimiser.accounts.billing import Columns
from optimiser.accounts.settlement import before_flows
from optimiser.cli import main
from optimiser.control.modes import WORDS
from optimiser.control.own_use import OwnUse
from optimiser.daily import lookback
from optimiser.daily.cases import CEILING, LOGGED, NO_SYSTEM, billed
from optimiser.daily.differences import _went
from optimiser.daily.log import LoggedStore
from optimiser.daily.lookback import look_back, write_look_back
from optimiser.daily.steered import BY_CONTROLLER
from optimiser.errors import DriftError, SeriesError
from optimiser.plant.walk import Plant
from optimiser.starter import write_starter
from optimiser.summary.schemas import SCHEMAS

KW = Columns("import_kw", "export_kw", "kW")


def write_log(path: Path, starts: pd.DatetimeIndex, **columns: object) -> Path:
    """A log with stamps in UTC at the start of intervals."""
    frame = pd.DataFrame({"interval_start": starts.strftime("%Y-%m-%dT%H:%M:%SZ"), **columns})
    frame.to_csv(path, index=False)
    return path


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """The starter's week without services, under a demand charge beside its rates."""
    folder = tmp_path_factory.mktemp("looked") / "site"
    write_starter(folder)
    scenario = optimiser.read_scenario(folder)
    changes = {"service": [], "timeline.days": 4}
    demand = {"kind": "demand_charge", "rate_per_kw": 3.0}
    components = [*scenario.raw["tariff"]["component"], demand]
    return optimiser.run(optimiser.vary(scenario, changes | {"tariff.component": components}), studies=[])


def test_best_schedule_as_a_log_loses_nothing(run, tmp_path):
    """The dispatch table that a run writes, read as a log with its stored energy, is the best schedule to the cent."""
    path = tmp_path / "dispatch.csv"
    run.dispatch_table.round(6).to_csv(path)
    columns = Columns("meter.import_kw", "meter.export_kw", "kW")
    made = look_back(run.scenario, path, columns, store=LoggedStore("site.stored_kwh", "kWh", "end"))
    assert made.summary.lost == pytest.approx(0, abs=0.005)
    assert made.summary.earned == pytest.approx(run.statement.saving, abs=0.005)
    assert made.summary.share_of_possible == pytest.approx(1, abs=1e-3)
    assert np.allclose(made.days["lost"], 0, atol=0.005)
    assert 0 == len(made.differences)


def test_log_of_no_system_is_the_bill_before(run, tmp_path):
    """What the meter would see without the system earns nothing, and all that could be had is lost."""
    before = before_flows(run.scenario)
    log = write_log(
        tmp_path / "log.csv",
        run.scenario.timeline.starts,
        import_kw=before.import_kw,
        export_kw=before.export_kw,
    )
    made = look_back(run.scenario, log, KW)
    assert made.summary.to_pay[LOGGED] == pytest.approx(run.statement.bill_before, abs=1e-6)
    assert made.summary.earned == pytest.approx(0, abs=1e-6)
    assert made.summary.lost == pytest.approx(run.statement.saving, abs=0.005)
    # Days and billing periods between them hold all that was lost.
    periods = made.differences[made.differences["kind"] == "billing period"]["lost"].sum()
    assert made.days["lost"].sum() + periods == pytest.approx(made.summary.lost, abs=0.005)
    assert {"day", "billing period"} == set(made.differences["kind"])
    assert "Demand" in made.differences.loc[made.differences["kind"] == "billing period", "words"].iloc[0]
    assert made.differences["lost"].is_monotonic_decreasing
    assert made.lines[LOGGED].sum() == pytest.approx(made.summary.to_pay[LOGGED], abs=1e-6)


def two_prices(tmp_path: Path) -> optimiser.scenario.Scenario:  # type: ignore[name-defined]
    """Two days of 1 kW, 0.10 a kWh but 0.50 from 18:00 to 22:00, a lossless store of 4 kWh that starts empty."""
    rates = [
        {"name": "evening", "rate_per_kwh": 0.5, "when": {"from": "18:00", "to": "22:00"}},
        {"name": "other", "rate_per_kwh": 0.1},
    ]
    text = table(
        days=2,
        site={
            "phases": 1,
            "connection": {"import_limit_kw": 20.0, "export_limit_kw": 0.0},
            "load": [{"power_kw": 1.0}],
            "inverter": [inverter(5.0)],
        },
        storage=[battery(4.0, 5.0, start_fraction=0.0)],
        components=[{"kind": "energy_charge", "rates": rates}],
    )
    return optimiser.read_scenario(write_site(tmp_path / "site", text, {}))


def test_a_missed_evening_costs_what_the_prices_say(tmp_path):
    """Worked by hand: both evenings covered cost 2 x 24 x 0.10 = 4.80; a log that slept on the second day pays
    4 x (0.50 - 0.10) = 1.60 more, all of it that day, between 18:00 and 22:00.
    """
    scenario = two_prices(tmp_path)
    load = np.ones(48)
    hour = np.arange(24)
    load[:24] += np.where(hour == 2, 4.0, np.where((hour >= 18) & (hour < 22), -1.0, 0.0))
    log = write_log(tmp_path / "log.csv", scenario.timeline.starts, import_kw=load)
    made = look_back(scenario, log, Columns("import_kw", None, "kW"), policies=False)
    assert {NO_SYSTEM: 8.0, LOGGED: 6.4, CEILING: 4.8} == pytest.approx(made.summary.to_pay)
    assert made.summary.share_of_possible == pytest.approx(0.5)
    assert ["2025-01-02"] == made.differences["when"].tolist()
    words = made.differences["words"].iloc[0]
    assert "the system did nothing, the best schedule gave 1.0 kW" in words
    # Each of the four dear hours lost 0.50, of which the night before gives 0.10 back.
    assert "0.50 of it went in the hour from 18:00" in words
    assert [0.5] * 4 == pytest.approx(made.steps["lost"].head(4).tolist())
    assert ["18", "19", "20", "21"] == [text[11:13] for text in made.steps["interval_start_local"].head(4)]


def test_best_schedule_starts_and_ends_with_what_the_log_held(tmp_path):
    """A store that the log shows full at first and empty at last saves 4 x 0.5 more without buying: 4.80 - 0.40."""
    scenario = two_prices(tmp_path)
    starts = scenario.timeline.starts
    log = write_log(tmp_path / "log.csv", starts, import_kw=np.ones(48), soc=np.linspace(100, 0, 48))
    made = look_back(scenario, log, Columns("import_kw", None, "kW"), store=LoggedStore("soc", "%", "start"))
    assert made.summary.to_pay[CEILING] == pytest.approx(4.4)
    assert any("starts with 4.00 kWh" in note for note in made.summary.notes)
    assert any("ends with at least 0.00 kWh" in note for note in made.summary.notes)


def test_a_last_reading_before_the_end_binds_no_more_than_the_log_did(tmp_path):
    """A store that gave in its last hour alone, read at the start of each interval.

    Worked by hand: 1 kW at 0.10, and 0.50 in the last hour alone; 2 kWh in store from the first, kept until 23:00, of
    which the log gave 1. Held to 2 kWh at midnight the best schedule would pay 0.10 x 1 more than the log; lowered by
    the 1 kWh that the meter did not bring, it pays what the log did, 23 x 0.10.
    """
    rates = [
        {"name": "late", "rate_per_kwh": 0.5, "when": {"from": "23:00", "to": "24:00"}},
        {"name": "other", "rate_per_kwh": 0.1},
    ]
    text = table(
        days=1,
        site={
            "phases": 1,
            "connection": {"import_limit_kw": 20.0, "export_limit_kw": 0.0},
            "load": [{"power_kw": 1.0}],
            "inverter": [inverter(5.0)],
        },
        storage=[battery(4.0, 5.0)],
        components=[{"kind": "energy_charge", "rates": rates}],
    )
    scenario = optimiser.read_scenario(write_site(tmp_path / "site", text, {}))
    power = np.r_[np.ones(23), 0.0]
    log = write_log(tmp_path / "log.csv", scenario.timeline.starts, import_kw=power, soc=np.full(24, 50.0))
    columns = Columns("import_kw", None, "kW")
    made = look_back(scenario, log, columns, store=LoggedStore("soc", "%", "start"), policies=False)
    assert {NO_SYSTEM: 2.8, LOGGED: 2.3, CEILING: 2.3} == pytest.approx(made.summary.to_pay)
    assert made.summary.share_of_possible == pytest.approx(1)
    note = next(note for note in made.summary.notes if "last reading" in note)
    for words in ("2.00 kWh, is from 2025-01-01 23:00, 60 min before its end", "ends with at least 1.00 kWh"):
        assert words in note
    page = write_look_back(made, tmp_path / "out")["page"].read_text(encoding="utf-8")
    assert ("the log reached it" in page, "no real operation reaches it" in page) == (True, False)
    # Read at the end of each interval, the store is told at midnight, and nothing is lowered.
    told = look_back(scenario, log, columns, store=LoggedStore("soc", "%", "end"), policies=False)
    assert told.summary.to_pay[CEILING] == pytest.approx(2.4)
    assert any("ends with at least 2.00 kWh, as the log does" in note for note in told.summary.notes)
    assert any("The log did better" in note for note in told.summary.notes)


def test_a_dispatch_read_at_the_start_of_its_steps_is_the_best_schedule(run, tmp_path):
    """The same table, its stored energy one step later: the best schedule is never dearer than the log."""
    table = run.dispatch_table.round(6)
    bank = run.scenario.storage[0]
    table["held_kwh"] = table["site.stored_kwh"].shift(1).fillna(bank.start_kwh)
    table.to_csv(tmp_path / "dispatch.csv")
    columns = Columns("meter.import_kw", "meter.export_kw", "kW")
    store = LoggedStore("held_kwh", "kWh", "start")
    made = look_back(run.scenario, tmp_path / "dispatch.csv", columns, store=store, policies=False)
    assert -0.005 <= made.summary.lost <= 0.1


def test_the_share_of_the_worst_hour_is_said_as_it_is():
    """Most from one half on, else how much; an hour may lose more than its day."""
    assert "AUD\u00a01.46 of it went in" == _went(1.46, 4.0, "AUD")
    assert "Most of it, AUD\u00a02.10, went in" == _went(2.1, 4.0, "AUD")
    assert "AUD\u00a05.00 was lost, and some of it won back at other times, in" == _went(5.0, 4.0, "AUD")


def test_whole_days_are_taken_and_finer_intervals_averaged(tmp_path):
    """A log of quarter hours from noon to noon holds one whole day; its energy is kept, and both facts are told."""
    scenario = two_prices(tmp_path)
    starts = pd.date_range("2025-01-01T12:00Z", periods=4 * 36, freq="15min")
    log = write_log(tmp_path / "log.csv", starts, import_kwh=np.tile([0.1, 0.2, 0.3, 0.4], 36))
    made = look_back(scenario, log, Columns("import_kwh", None, "kWh"))
    assert ("2025-01-02", 1) == (made.summary.first_day, made.summary.days)
    assert 24.0 == pytest.approx(made.summary.energy[LOGGED].imported_kwh)
    notes = " ".join(made.summary.notes)
    assert "48 intervals of the log lie in days" in notes
    assert "averaged to the scenario's 60 min" in notes


def test_a_shifted_clock_is_suspected(run, tmp_path):
    """A log of the load itself whose stamps are two hours late fits two hours earlier, and that is said."""
    before = before_flows(run.scenario)
    late = np.roll(before.import_kw, 4)
    log = write_log(tmp_path / "log.csv", run.scenario.timeline.starts, import_kw=late)
    made = look_back(run.scenario, log, Columns("import_kw", None, "kW"))
    assert any("much better 2 h earlier" in note for note in made.summary.notes)


def test_a_defect_is_told_as_one_and_not_as_a_limit_of_the_site(tmp_path, monkeypatch):
    """A policy whose plan breaks a rule of ours is left out with the rule and the word defect.

    From the contract: a defect of the package is never told as a limit of the site.
    """

    def broken(*_):
        raise DriftError("a rule is broken")

    monkeypatch.setattr(lookback, "run_under", broken)
    scenario = two_prices(tmp_path)
    log = write_log(tmp_path / "log.csv", scenario.timeline.starts, import_kw=np.ones(48))
    notes = look_back(scenario, log, Columns("import_kw", None, "kW")).summary.notes
    assert f"rolling is left out: a rule is broken. {DriftError.DEFECT}" in notes
    assert not any("within the limits" in note for note in notes)


def test_policies_stand_between_the_log_and_the_best_schedule(tmp_path):
    """Run on the days of the log, billed like the rest, never below the best schedule; they can be left out.

    Seeing 48 hours of 48, rolling is the best schedule; the backcast has no day to go by on the first of them.
    """
    scenario = two_prices(tmp_path)
    log = write_log(tmp_path / "log.csv", scenario.timeline.starts, import_kw=np.ones(48))
    made = look_back(scenario, log, Columns("import_kw", None, "kW"))
    paid = made.summary.to_pay
    assert [NO_SYSTEM, LOGGED, "run under rolling", "run under backcast", BY_CONTROLLER, CEILING] == list(
        paid
    )
    assert paid["run under rolling"] == pytest.approx(4.8, abs=1e-6)
    assert 4.8 - 1e-6 <= paid["run under backcast"] <= 8.0 + 1e-6
    assert any("backcast knows nothing of days before the log" in note for note in made.summary.notes)
    plain = look_back(scenario, log, Columns("import_kw", None, "kW"), policies=False)
    assert [NO_SYSTEM, LOGGED, CEILING] == list(plain.summary.to_pay)
    again = billed("again", scenario, before_flows(scenario), scenario.tariff)
    assert 8.0 == pytest.approx(again.to_pay)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda f: f.drop(index=5), "is followed by"),
        (lambda f: f.assign(import_kw=f["import_kw"].where(f.index != 3)), "empty or no number"),
        (lambda f: f.assign(import_kw=-f["import_kw"]), "must be at least 0, got -1"),
        (lambda f: f.assign(import_kw=1000 * f["import_kw"]), "Check whether it holds W, kW or kWh"),
        (lambda f: f.head(20), "holds no whole day"),
        (lambda f: f.assign(soc=150.0), "must lie between 0 and 100 %"),
        (lambda f: f.drop(columns="soc"), "there is no column 'soc'"),
        (lambda f: f.drop(columns="import_kw"), "there is no column 'import_kw'"),
    ],
)
def test_bad_logs_are_refused(tmp_path, spoil, words):
    """Gaps, blanks, signs, units, part of a day, a gauge that cannot be: file, place, rule, way out."""
    scenario = two_prices(tmp_path)
    log = write_log(tmp_path / "log.csv", scenario.timeline.starts, import_kw=np.ones(48), soc=50.0)
    spoil(pd.read_csv(log)).to_csv(log, index=False)
    with pytest.raises(SeriesError, match=words) as caught:
        look_back(scenario, log, Columns("import_kw", None, "kW"), store=LoggedStore("soc", "%", "start"))
    assert str(log) in str(caught.value)


def test_all_faults_of_a_log_are_told_at_once(tmp_path):
    """A gauge beyond full at either end, a negative import and a blank export: four sentences."""
    scenario = two_prices(tmp_path)
    export = np.where(np.arange(48) == 7, np.nan, 0.0)
    log = write_log(
        tmp_path / "log.csv", scenario.timeline.starts, import_kw=-np.ones(48), export_kw=export, soc=150.0
    )
    with pytest.raises(SeriesError) as caught:
        look_back(scenario, log, KW, store=LoggedStore("soc", "%", "start"))
    assert 4 == len(caught.value.faults)


def call(*words: object):
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(word) for word in words])


def test_command_writes_a_page_and_tables_once(tmp_path):
    """Six files and a page; a second look back replaces nothing unless told to; slips end with code 2."""
    scenario = two_prices(tmp_path)
    log = write_log(tmp_path / "log.csv", scenario.timeline.starts, import_kw=np.ones(48), gauge=50.0)
    words = ("lookback", tmp_path / "site", "--log", log, "--out", tmp_path / "out")
    made = call(*words)
    assert 0 == made.exit_code, made.output
    assert "without the system" in made.stdout
    assert "2025-01-01: lost 1.60." in made.stdout
    names = {path.name for path in (tmp_path / "out").iterdir()}
    tables = {f"lookback-{name}.csv" for name in ("lines", "days", "differences", "steps", "modes")}
    assert {"lookback.html", "lookback.json"} | tables == names
    page = (tmp_path / "out" / "lookback.html").read_text(encoding="utf-8")
    for shown in ("What was earned", "The costliest differences", "INVENTED"):
        assert shown in page
    written = json.loads((tmp_path / "out" / "lookback.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(SCHEMAS["lookback"]()).validate(written)
    assert 3.2 == pytest.approx(written["lost"])
    again = call(*words)
    assert (2, True) == (again.exit_code, "not written over" in again.stderr)
    assert 0 == call(*words, "--overwrite", "--quiet").exit_code
    unsaid = call(*words, "--overwrite", "--stored", "gauge")
    assert (2, True) == (unsaid.exit_code, "say --stored-unit" in unsaid.stderr)
    lonely = call(*words, "--overwrite", "--stored-unit", "%")
    assert (2, True) == (lonely.exit_code, "not given" in lonely.stderr)


def test_days_that_the_scenario_does_not_hold_are_named(run, tmp_path):
    """A log of another year: the series' span, and the days of the log."""
    starts = pd.date_range("2024-06-02T22:00Z", periods=96, freq="30min")
    log = write_log(tmp_path / "log.csv", starts, import_kw=np.ones(96))
    with pytest.raises(optimiser.ScenarioError, match="laid onto the days of") as caught:
        look_back(run.scenario, log, Columns("import_kw", None, "kW"))
    assert "2024-06-03 to 2024-06-04" in str(caught.value)


@pytest.mark.skipif(
    not all(file.is_file() for file in real.FILES), reason=f"the real data are not in {real.DATA}"
)
def test_a_real_home_without_its_battery_earns_nothing(tmp_path):
    """A week of a metered home on real spot prices: its own net meter, as a log, is the bill before."""
    folder = real.home_scenario(tmp_path / "home", real.SPOT_IMPORT, "2024-02-05", 7)
    scenario = optimiser.read_scenario(folder)
    before = before_flows(scenario)
    log = write_log(
        tmp_path / "log.csv",
        scenario.timeline.starts,
        import_kw=before.import_kw,
        export_kw=before.export_kw,
    )
    made = look_back(scenario, log, KW)
    assert made.summary.earned == pytest.approx(0, abs=1e-6)
    assert made.summary.possible > 1
    assert 0 < len(made.differences) <= 10


def test_a_column_of_something_else_is_no_gauge(tmp_path):
    """It may fit at the first and last moment; the row and value that do not are named."""
    scenario = two_prices(tmp_path)
    soc = np.full(48, 50.0)
    soc[5], soc[9] = -90.0, 1139.0
    log = write_log(tmp_path / "log.csv", scenario.timeline.starts, import_kw=np.ones(48), soc=soc)
    with pytest.raises(
        SeriesError, match=r"between 0 and 100 %.*got -90 % in data row 6; 2 such rows in all"
    ):
        look_back(scenario, log, Columns("import_kw", None, "kW"), store=LoggedStore("soc", "%", "start"))


def test_one_column_is_not_both_registers_and_one_that_is_missing_is_named_first(tmp_path):
    """Before units are asked for: what is not there has none."""
    scenario = two_prices(tmp_path)
    log = write_log(tmp_path / "log.csv", scenario.timeline.starts, import_kw=np.ones(48), soc=50.0)
    with pytest.raises(SeriesError, match="import_kw is given both as import and as export"):
        look_back(scenario, log, Columns("import_kw", "import_kw", "kW"))
    told = call("lookback", scenario.path, "--log", log, "--stored", "socc", "--out", tmp_path / "out")
    assert "there is no column 'socc'; did you mean soc?" in told.stderr


def test_a_controller_beside_the_log_is_told_in_modes(tmp_path):
    """Own use as a log agrees with itself; an idle store that held energy in the evening is told, with the money.

    By hand, as in `test_a_missed_evening_costs_what_the_prices_say`: a log of the controller's own days, from what its
    store held each midnight, pays what the controller pays and is in its modes wherever anything moves.
    """
    write_starter(tmp_path / "site")
    changes = {"service": [], "timeline.days": 3, "storage.0.end_fraction": 0.0}
    scenario = optimiser.vary(optimiser.read_scenario(tmp_path / "site"), changes)
    plant = Plant(scenario)
    walk = plant.walk(OwnUse(plant))
    stored = walk.stored_kwh[:, 0].sum(axis=1)
    held = np.r_[sum(bank.start_kwh for bank in scenario.storage), stored[:-1]]
    log = write_log(
        tmp_path / "log.csv",
        scenario.timeline.starts,
        import_kw=walk.import_kw[:, 0],
        export_kw=walk.export_kw[:, 0],
        stored=held,
    )
    store = LoggedStore("stored", "kWh", "start")
    made = look_back(scenario, log, KW, store=store)
    assert made.summary.to_pay[BY_CONTROLLER] == pytest.approx(made.summary.to_pay[LOGGED], abs=0.01)
    before = before_flows(scenario)
    idle = write_log(
        tmp_path / "idle.csv",
        scenario.timeline.starts,
        import_kw=before.import_kw,
        export_kw=before.export_kw,
        stored=held,
    )
    made = look_back(scenario, idle, KW, store=store)
    assert made.modes["lost"].max() > 0
    assert set(made.modes["controller_mode"]) | set(made.modes["log_mode"]) <= set(WORDS.values())
    assert (made.modes["controller_mode"] != made.modes["log_mode"]).all()
    page = write_look_back(made, tmp_path / "out")["page"].read_text(encoding="utf-8")
    assert "What a controller would have done" in page
