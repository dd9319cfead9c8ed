"""Loads made from standard profiles, bills, part of a year, another year and a net meter.

Standard profiles are held against demandlib's own year builders (MIT licence), which carry the tables of BDEW. All
readings are invented, but those of the last part: Ausgrid, Solar Home Electricity Data, used only where it is present.
"""

from __future__ import annotations

import datetime
import json
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
import real_data as real
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from optimiser import SeriesError
from optimiser.cli import main
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.making.extend import by_mean_days
from optimiser.making.gross import gross_load
from optimiser.making.load import METHODS, make_load
from optimiser.making.made import refuse_existing
from optimiser.making.profiles import (
    PROFILES,
    Habits,
    YearlyRecipe,
    dynamisation,
    make_yearly,
    spread,
    standard_shape,
)
from optimiser.making.recipe import example, read_recipe, year_of
from optimiser.making.redate import redate
from optimiser.making.sun import SunRecipe
from optimiser.series.table import Source, read_table
from optimiser.timeline import Grouping, Timeline

bdew = pytest.importorskip("demandlib.bdew")

ZONES = ("Europe/Berlin", "America/New_York", "Australia/Sydney", "Australia/Lord_Howe", "Australia/Brisbane")
# Hours of the days on which clocks change in 2025: tz database, 23.5 and 24.5 on Lord Howe Island.
SHORT_AND_LONG = {
    "Europe/Berlin": ("2025-03-30", "2025-10-26", 1.0),
    "America/New_York": ("2025-03-09", "2025-11-02", 1.0),
    "Australia/Sydney": ("2025-10-05", "2025-04-06", 1.0),
    "Australia/Lord_Howe": ("2025-10-05", "2025-04-06", 0.5),
}


def habits(**fields: Any) -> Habits:
    """A northern year 2025 on the clock of UTC, without holidays."""
    return Habits.model_validate(
        {"start": datetime.date(2025, 1, 1), "zone": "UTC", "hemisphere": "north"} | fields
    )


def quarters(start: str = "2025-01-01", zone: str = "UTC", minutes: int = 15) -> Timeline:
    """A year in quarter-hours."""
    return year_of(datetime.date.fromisoformat(start), minutes, zone)


def months_kwh(values: np.ndarray, timeline: Timeline) -> np.ndarray:
    """Energy of each local month, counted by pandas."""
    series = pd.Series(values, index=timeline.starts).tz_convert(timeline.zone)
    return series.groupby([series.index.year, series.index.month]).sum().to_numpy() * timeline.step_hours


def wavy(timeline: Timeline, seed: int = 1) -> np.ndarray:
    """An invented load with a daily swing."""
    hour = np.asarray(timeline.local().hour)
    return np.random.default_rng(seed).uniform(0.1, 1.0, timeline.steps) + (hour >= 17) * 1.0


# --- standard profiles ---


@pytest.mark.parametrize("name", ["h25", "g25", "l25", "p25", "s25"])
def test_profiles_of_2025_are_the_librarys(name):
    """Every quarter-hour of 2025 with the holidays of Bavaria, as demandlib's class of that profile builds it (it
    states kW where the table has kWh of a quarter-hour)."""
    own = habits(country="DE", subdivision="BY")
    import holidays

    off = list(holidays.country_holidays("DE", subdiv="BY", years=2025))
    index = pd.date_range("2025", periods=35_040, freq="15min")
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="The inplace keyword")
        expected = getattr(bdew, name.upper())(index, holidays=off).to_numpy() / 4
    np.testing.assert_allclose(standard_shape(name, quarters(), own), expected, rtol=1e-12)


def test_profiles_of_1999_are_the_librarys(monkeypatch):
    """Every quarter-hour of 2025, each scaled to 1, as demandlib's ElecSlp builds it (its switch of all warnings to
    errors is held off); the household's with the factor of the day to 0.6 %, where the library counts parts of days."""
    monkeypatch.setattr(warnings, "simplefilter", lambda *_, **__: None)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore")
        library = bdew.ElecSlp(2025).get_profiles()
    for name in ("g0", "g1", "g2", "g3", "g4", "g5", "g6", "l0", "l1", "l2"):
        own = standard_shape(name, quarters(), habits())
        np.testing.assert_allclose(own / own.sum(), library[name].to_numpy(), rtol=1e-9)
    own = standard_shape("h0", quarters(), habits())
    np.testing.assert_allclose(
        own / own.sum(), library["h0_dyn"].to_numpy() / library["h0_dyn"].sum(), rtol=6e-3
    )


@pytest.mark.parametrize("name", PROFILES)
def test_a_published_profile_has_about_its_published_energy(name):
    """Profiles of 1999 are published for 1,000 kWh a year (their table in kW), those of 2025 for 1,000,000 kWh (kWh of
    a quarter-hour); a year's days are not quite the norm's: 5 %."""
    year = float(standard_shape(name, quarters(), habits()).sum())
    expected, total = (1e6, year) if name.endswith("25") else (1000, year / 4)
    assert expected == pytest.approx(total, rel=0.05)


def test_the_factor_of_the_day_is_the_published_one():
    """VDEW's worked curve: the household load of the end of the year is about 1.24 times the norm, that of midsummer
    about 0.8 (end points of the polynomial in demandlib's documentation)."""
    assert 1.2420 == pytest.approx(float(dynamisation(np.array(1))), abs=5e-4)
    library = bdew.elec_slp.dynamisation_function(
        pd.date_range("2025", periods=35_040, freq="15min")
    ).to_numpy()
    np.testing.assert_allclose(dynamisation(np.arange(1, 366)), library[95::96], atol=7e-3)
    assert 0.75 < dynamisation(np.arange(150, 220)).min() < 0.85


def test_southern_seasons_are_half_a_year_later():
    """A Wednesday of July in Adelaide has the shape of a Wednesday of January in Berlin."""
    south, north = habits(hemisphere="south"), habits()
    for name in ("g4", "g25"):
        for there, here in (
            ("2025-07-16", "2025-01-15"),
            ("2025-01-15", "2025-07-16"),
            ("2025-10-15", "2025-04-16"),
        ):
            days = [
                pd.Series(standard_shape(name, quarters(), whose), index=quarters().starts)
                .loc[day]
                .to_numpy()
                for whose, day in ((south, there), (north, here))
            ]
            np.testing.assert_allclose(*days)
    own = pd.Series(standard_shape("h0", quarters(), south), index=quarters().starts)
    assert own.loc["2025-07"].sum() > 1.2 * own.loc["2025-01"].sum()


def test_a_holiday_is_a_sunday():
    """Christmas Day 2025, a Thursday, has the shape of a Sunday where a country is named, else of a Thursday."""
    for fields, like in (({"country": "DE"}, "2025-12-21"), ({}, "2025-12-18")):
        load = pd.Series(standard_shape("g4", quarters(), habits(**fields)), index=quarters().starts)
        np.testing.assert_allclose(load.loc["2025-12-25"], load.loc[like])


@pytest.mark.parametrize("zone", ZONES)
def test_a_year_has_its_energy_and_its_clock(zone):
    """5,000 kWh to the rounding of a float; the wall clock decides, so 18:00 looks the same before and after a change,
    and days of a clock change have fewer or more steps."""
    fields = {"start": datetime.date(2025, 1, 1), "zone": zone, "hemisphere": "north"}
    made = make_yearly(YearlyRecipe.model_validate(fields | {"profile": "g3", "yearly_kwh": 5000}))
    load = made.series("load_kw").tz_convert(zone)
    assert 5000 == pytest.approx(load.sum() / 4, rel=1e-12)
    if zone not in SHORT_AND_LONG:
        return
    short, long, hours = SHORT_AND_LONG[zone]
    assert (24 - hours, 24 + hours) == (len(load.loc[short]) / 4, len(load.loc[long]) / 4)
    for day in map(pd.Timestamp, (short, long)):  # Sundays, with one a week off in the same season
        evening = [
            float(load.loc[(day + pd.Timedelta(days=d, hours=18)).tz_localize(zone)]) for d in (-7, 0, 7)
        ]
        assert evening[1] in (pytest.approx(evening[0], rel=1e-12), pytest.approx(evening[2], rel=1e-12))


@settings(max_examples=20)
@given(
    monthly=st.lists(st.floats(0, 1e5), min_size=12, max_size=12),
    zone=st.sampled_from(ZONES),
    month=st.integers(1, 12),
)
def test_every_month_has_its_total(monthly, zone, month):
    """Whatever the totals, the zone and the month the year begins with; January's total goes to January."""
    timeline = quarters(f"2024-{month:02d}-01", zone, 60 if zone != "Australia/Lord_Howe" else 30)
    load = spread(tuple(monthly), wavy(timeline), timeline)
    expected = [monthly[(month - 1 + k) % 12] for k in range(12)]
    np.testing.assert_allclose(months_kwh(load, timeline), expected, rtol=1e-12, atol=1e-9)
    assert load.min() >= 0


def test_a_month_without_shape_is_refused():
    """Nothing to spread over."""
    timeline = quarters()
    shape = np.where(np.asarray(timeline.starts.month) == 4, 0.0, 1.0)
    with pytest.raises(SeriesError, match="zero through 2025-04, which has 10 kWh to spread"):
        spread((10.0,) * 12, shape, timeline)


# --- another year ---


@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("year", [2024, 2025])
def test_a_redated_year_keeps_its_total_and_its_weekdays(zone, year):
    """2023 on a leap year and a common one: the total to the rounding of a float, each day the shape of a day of the
    same weekday at most three days away (four at the turn of the year), whatever the clocks did in either year."""
    old = year_of(datetime.date(2023, 1, 1), 30, zone)
    series = pd.Series(wavy(old), index=old.starts)
    made = redate(series, datetime.date(year, 1, 1), zone)
    assert series.sum() == pytest.approx(made.kw.sum(), rel=1e-12)
    assert made.days_away <= 4
    assert 1.0 == pytest.approx(made.factor, abs=0.01)
    new = pd.Series(made.kw / made.factor, index=made.timeline.starts).tz_convert(zone)
    local = series.tz_convert(zone)
    for day in map(pd.Timestamp, (f"{year}-01-10", f"{year}-07-04", f"{year}-12-31")):
        candidates = [
            local.loc[d.strftime("%Y-%m-%d")].to_numpy()
            for d in pd.date_range("2023-01-01", "2023-12-31")
            if d.day_of_week == day.day_of_week
            and min(abs(d.day_of_year - day.day_of_year), 365 - abs(d.day_of_year - day.day_of_year)) <= 4
        ]
        taken = new.loc[day.strftime("%Y-%m-%d")].to_numpy()
        assert 1 == sum(np.allclose(taken, candidate) for candidate in candidates)


def test_a_redated_year_says_what_was_done():
    """Counts of days used twice and not at all; a leap year has one day more to fill."""
    old = quarters("2023-01-01", minutes=60)
    made = redate(pd.Series(wavy(old), index=old.starts), datetime.date(2024, 1, 1), "UTC")
    assert made.used_twice >= 1
    assert "so that the yearly total stays" in made.words()


def test_what_is_no_year_is_not_redated():
    """Half a year has no total to keep."""
    half = quarters("2023-01-01", minutes=60).starts[: 24 * 180]
    with pytest.raises(SeriesError, match=r"it is 180 days long; a year of 365 or 366 days is needed"):
        redate(pd.Series(1.0, index=half), datetime.date(2024, 1, 1), "UTC")


@pytest.mark.parametrize(
    ("zone", "start", "minutes", "words"),
    [
        ("Asia/Kolkata", "2023-01-01", 60, r"begin at 05:30 \(2023-01-01\), off its grid of 60 min"),
        ("America/St_Johns", "2023-01-01", 60, "begin at 20:30"),
        ("UTC", "2023-01-01", 50, "intervals of 50 min do not divide a day"),
    ],
)
def test_intervals_off_the_clock_are_not_redated(zone, start, minutes, words):
    """13:30 on the clock is not 14:00: UTC hours in a zone half an hour off (tz database); odd steps."""
    index = pd.date_range(start, periods=365 * 1440 // minutes, freq=f"{minutes}min", tz="UTC")
    with pytest.raises(SeriesError, match=words):
        redate(pd.Series(1.0, index=index), datetime.date(2025, 1, 1), zone)


def test_half_hours_follow_a_clock_that_is_half_an_hour_off():
    """The load of 13:30 in Kolkata, 08:00Z, stays at 13:30; by hand."""
    index = pd.date_range("2022-12-31T18:30Z", periods=365 * 48, freq="30min")
    local = index.tz_convert("Asia/Kolkata")
    series = pd.Series(np.asarray(local.hour * 60 + local.minute, float), index=index)
    made = redate(series, datetime.date(2025, 1, 1), "Asia/Kolkata")
    again = made.timeline.local()
    np.testing.assert_allclose(made.kw, np.asarray(again.hour * 60 + again.minute, float))


# --- part of a year ---


def readings(
    folder: Path, timeline: Timeline, values: np.ndarray, name: str = "readings.csv", **more: Any
) -> None:
    """A CSV of readings with their starts in UTC."""
    frame = pd.DataFrame(
        {"interval_start": timeline.starts.strftime("%Y-%m-%dT%H:%M:%SZ"), "load": values, **more}
    )
    frame.to_csv(folder / name, index=False)


def recipe_file(folder: Path, method: str, *changes: tuple[str, str]) -> Path:
    """The printed example of a method with some lines changed."""
    text = example(f"load-{method}")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / f"{method}.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("by", ["mean_days", "profile"])
def test_the_recorded_part_is_kept(tmp_path, by):
    """Readings from January to mid-June in kWh: every recorded step, so every recorded month, is as it was; the rest
    is filled, positive, and said to be made up."""
    whole = quarters("2025-01-01", "Europe/Berlin", 30)
    part = whole.slice(0, 166 * 48 - 2)
    kwh = wavy(part) / 2
    readings(tmp_path, part, kwh)
    changes = [('by = "mean_days"', 'by = "profile"'), ("# profile", "profile")] if by == "profile" else []
    made = make_load(recipe_file(tmp_path, "extend", *changes))
    load = made.columns["load_kw"]
    np.testing.assert_allclose(load[: part.steps], kwh * 2, rtol=1e-12)
    np.testing.assert_allclose(
        months_kwh(load, whole)[:5], months_kwh(np.r_[kwh * 2, np.zeros(whole.steps - part.steps)], whole)[:5]
    )
    assert (whole.steps, True) == (len(load), bool((load > 0).all()))
    assert any("199 days of the load are made up from the other 166" in words for words in made.warnings)


def test_missing_days_are_means_of_their_season_and_kind():
    """By hand: recorded Wednesdays and Thursdays of winter at 1 and 3 kW, a Saturday at 7, a Sunday at 9; so winter
    workdays are 2, Saturdays 7, Sundays 9. A day of summer has no like and is refused by name."""
    timeline = quarters("2025-01-01", minutes=60)
    four = timeline.starts[: 24 * 5]  # 1 January 2025 was a Wednesday
    donor = pd.Series(np.repeat([1.0, 3.0, 2.0, 7.0, 9.0], 24), index=four)
    january = timeline.slice(0, 24 * 31)
    known = np.r_[donor.to_numpy(), np.full(24 * 26, np.nan)]
    filled = by_mean_days(known, donor, january, habits()).reshape(31, 24)
    assert (2.0, 7.0, 9.0) == (filled[5].mean(), filled[10].mean(), filled[11].mean())
    known = np.r_[donor.to_numpy(), np.full(timeline.steps - 24 * 5, np.nan)]
    with pytest.raises(SeriesError, match=r"workday in summer, Saturday in summer, .* say by = \"profile\""):
        by_mean_days(known, donor, timeline, habits())


def test_a_profile_fills_at_the_level_of_the_recorded_part(tmp_path):
    """Readings that are the profile itself, times a factor, come back as the whole profile times that factor."""
    whole = quarters("2025-01-01", "Europe/Berlin", 30)
    shape = 1.7 * standard_shape("h25", whole, habits(zone="Europe/Berlin", country="DE"))
    part = whole.slice(0, 48 * 40)
    readings(tmp_path, part, shape[: part.steps] / 2)
    path = recipe_file(tmp_path, "extend", ('by = "mean_days"', 'by = "profile"'), ("# profile", "profile"))
    np.testing.assert_allclose(make_load(path).columns["load_kw"], shape, rtol=1e-9)


def test_readings_of_another_year_are_not_a_part(tmp_path):
    """None of it lies in the year."""
    readings(tmp_path, quarters("2023-01-01", "Europe/Berlin", 30).slice(0, 480), np.ones(480))
    with pytest.raises(SeriesError, match="none of it in the year from 2025-01-01"):
        make_load(recipe_file(tmp_path, "extend"))


# --- a net meter ---


@settings(max_examples=30)
@given(seed=st.integers(0, 10_000))
def test_a_load_behind_solar_comes_back(seed):
    """What a meter makes of load and solar, import and export apart, gives the load again."""
    timeline = quarters().slice(0, 96)
    random = np.random.default_rng(seed)
    load, solar = random.uniform(0, 3, 96), random.uniform(0, 4, 96)
    net = load - solar
    made = gross_load(np.maximum(net, 0), np.maximum(-net, 0), solar, timeline)
    np.testing.assert_allclose(made.kw, load, atol=1e-12)
    assert made.negative_kwh < 1e-12


def test_negative_loads_are_refused_or_clipped_by_name():
    """By hand, quarter-hours: import 1, 0, 0; export 0, 2, 1; solar 0, 1.6, 3: load 1, -0.4, 2. One step, 0.1 kWh, of
    0.75: refused with its place and what solar it would take (2 / 1.6); clipped, it adds that 0.1 kWh."""
    timeline = quarters().slice(0, 3)
    series = (np.array([1.0, 0, 0]), np.array([0, 2.0, 1.0]), np.array([0, 1.6, 3.0]))
    with pytest.raises(SeriesError) as fault:
        gross_load(*series, timeline)
    for words in (
        "negative in 1 steps by 0.1 kWh",
        "-0.400 kW on 2025-01-01 00:15",
        "With 1.25 times as much solar",
    ):
        assert words in str(fault.value)
    made = gross_load(*series, timeline, negative="clip")
    assert [1.0, 0.0, 2.0] == made.kw.tolist()
    assert (1, 0.1) == (made.negative_steps, pytest.approx(made.negative_kwh))
    assert 1 == gross_load(*series, timeline, tolerance_fraction=0.14).negative_steps


def test_a_net_meter_by_recipe(tmp_path):
    """kWh by half-hour, solar by hour and kWp: the load, the solar beside it, and a loud word where it was clipped."""
    half = quarters("2025-01-01", "Europe/Berlin", 30).slice(0, 96)
    hour = quarters("2025-01-01", "Europe/Berlin", 60).slice(0, 48)
    solar = np.repeat(np.where((np.arange(48) % 24 > 8) & (np.arange(48) % 24 < 16), 0.5, 0.0), 2)
    net = wavy(half) - 4 * solar
    readings(
        tmp_path, half, np.zeros(96), "meter.csv", **{"import": net.clip(0) / 2, "export": (-net).clip(0) / 2}
    )
    readings(tmp_path, hour, np.zeros(48), "solar.csv", solar=solar[::2])
    plain = [
        ("# size_kwp = 6.0 ", "size_kwp = 4.0 "),
        ('column = "solar"\nunit = "kwh"', 'column = "solar"\nunit = "kw"'),
    ]
    path = recipe_file(tmp_path, "gross", *plain)
    path.write_text("".join(path.read_text().rsplit("30", 1)[0]) + "60\n")
    made = make_load(path)
    np.testing.assert_allclose(made.columns["load_kw"], wavy(half), atol=1e-9)
    np.testing.assert_allclose(made.columns["existing_solar_kw"], 4 * solar)
    assert () == made.warnings
    path.write_text(path.read_text().replace("size_kwp = 4.0", "size_kwp = 2.0"))
    with pytest.raises(SeriesError, match="the size is not fitted for you"):
        make_load(path)
    path.write_text(path.read_text().replace('negative = "refuse"', 'negative = "clip"'))
    assert "set to zero by name" in make_load(path).warnings[0]


# --- the command ---


def call(*words: object) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.mark.parametrize(("pattern", "daily_kwh"), [("S", 2.1), ("M", 5.845), ("L", 11.655)])
def test_hot_water_draws_the_reference_energy_of_its_pattern(tmp_path, pattern, daily_kwh):
    """Reference energies of load profiles of water heaters, EU 812/2013 annex VII table 3, from memory: each day's sum,
    its largest draw in the step of its clock time, days that differ by what is asked for."""
    changes = ('pattern = "M" ', f'pattern = "{pattern}" '), ("step_minutes = 30", "step_minutes = 15")
    even = make_load(recipe_file(tmp_path, "hot_water", *changes, ("day_spread = 0.2 ", "day_spread = 0.0 ")))
    day = even.columns["draw_kw"][:96] / 4
    assert day.sum() == pytest.approx(daily_kwh, rel=3e-3)  # clock changes skip no draw of these patterns
    assert even.columns["draw_kw"].sum() / 4 == pytest.approx(365 * daily_kwh)
    largest = {"S": "21:30", "M": "07:00", "L": "08:00"}[pattern]
    assert day.argmax() == int(largest[:2]) * 4 + int(largest[3:]) // 15
    spread = make_load(recipe_file(tmp_path, "hot_water", *changes)).columns["draw_kw"]
    days = [spread[at : at + 96].sum() for at in range(0, 80 * 96, 96)]
    assert np.std(days) / np.mean(days) == pytest.approx(0.2, abs=0.06)


@pytest.mark.parametrize("method", METHODS)
def test_every_method_has_an_example_that_is_read(tmp_path, method):
    """What --example prints is a recipe of that method."""
    path = tmp_path / "load.toml"
    path.write_text(call("make", "load", "--example", method).stdout, encoding="utf-8")
    assert method == read_recipe(path, METHODS[method][0]).method


def test_the_solar_example_is_read(tmp_path):
    """What --example prints."""
    (tmp_path / "sun.toml").write_text(call("make", "sun", "--example").stdout, encoding="utf-8")
    assert read_recipe(tmp_path / "sun.toml", SunRecipe).clear_sky


def test_a_made_file_is_one_that_a_scenario_reads(tmp_path):
    """Written beside the recipe; its printed lines are TOML that names it; its notes come back; nothing is written over
    unless asked."""
    path = recipe_file(tmp_path, "months", ("step_minutes = 15", "step_minutes = 30"))
    made = call("make", "load", path)
    assert 0 == made.exit_code, made.output
    assert "9,010" in made.stdout
    assert '[source.months]\nfile = "months.parquet"\nstamps = "start"\nstep_minutes = 30' in made.stdout
    assert 'power_kw = "months.load_kw"' in made.stdout
    assert "warning: the load is the standard profile G4" in made.stderr
    written = read_table(
        "load", Source(file="x", stamps="start", step_minutes=30), tmp_path / "months.parquet"
    )
    assert "twelve monthly totals (9,010 kWh in all)" in written.notes[0]
    assert "a mean of many German sites" in written.warnings[0]
    before = (tmp_path / "months.parquet").read_bytes()
    again = call("make", "load", path)
    assert (2, True) == (again.exit_code, "exists and is not written over" in again.stderr)
    assert before == (tmp_path / "months.parquet").read_bytes()
    assert 0 == call("make", "load", path, "--overwrite").exit_code
    assert {"months.toml", "months.parquet"} == {file.name for file in tmp_path.iterdir()}


def test_months_like_a_series_and_another_year_by_recipe(tmp_path):
    """Each month exactly, in the shape of the readings; and the same readings on another year, their total kept."""
    whole = quarters("2025-01-01", "Europe/Berlin", 30)
    readings(tmp_path, whole, wavy(whole))
    totals = [820, 760, 790, 720, 700, 690, 710, 700, 710, 760, 800, 850]
    like = make_load(recipe_file(tmp_path, "months_like")).columns["load_kw"]
    np.testing.assert_allclose(months_kwh(like, whole), totals, rtol=1e-12)
    april = whole.groups(Grouping("month", whole.zone)).of_step == 3
    assert np.ptp((like / wavy(whole))[april]) < 1e-12
    made = make_load(recipe_file(tmp_path, "redate", ("start = 2025", "start = 2026")))
    assert wavy(whole).sum() == pytest.approx(made.columns["load_kw"].sum() / 2)
    assert "recorded 2024-12-31 to 2025-12-31, re-dated to the year from 2026-01-01" in made.notes[0]


def test_slips_in_a_recipe_get_a_sentence_each(tmp_path):
    """Unknown method, missing method, no file, not TOML, no recipe named, several faults at once."""
    path = recipe_file(tmp_path, "profile")
    text = path.read_text()
    path.write_text(text.replace('"profile"\nstart', '"profil"\nstart', 1))
    assert (
        "method is 'profil', which is no method; did you mean profile?" in call("make", "load", path).stderr
    )
    path.write_text(text.replace('method = "profile"', "", 1))
    assert "method is required but missing; it is one of profile, months" in call("make", "load", path).stderr
    assert "the file does not exist. Check its name." in call("make", "load", tmp_path / "none.toml").stderr
    path.write_text(text.replace('method = "profile"', "method = [1]", 1))
    assert "method is '[1]', which is no method" in call("make", "load", path).stderr
    for name, words in (("a" * 300, "the file does not exist. Check its name."), (".", "it is a folder.")):
        assert words in call("make", "load", tmp_path / name).stderr
    path.write_text(example("load-redate").replace("readings.csv", "a" * 300))
    assert "the file does not exist." in call("make", "load", path).stderr
    path.write_text(text.replace("3500", "3,500"))
    assert "Write numbers without commas" in call("make", "load", path).stderr
    assert "--example" in call("make", "load").stderr
    path.write_text(
        text.replace("3500", "-1").replace('"h25"', '"h99"').replace("step_minutes = 15", "step_minutes = 7")
    )
    ran = call("make", "load", path)
    assert (2, 3) == (ran.exit_code, ran.stderr.count("\n  "))
    path.write_text(text.replace('"DE"', '"ZZ"'))
    assert "must be codes of ISO 3166 such as DE and BY, got ZZ" in call("make", "load", path).stderr
    path.write_text(example("load-months").replace(", 850]", "]"))
    assert "must be twelve totals from 0, January first" in call("make", "load", path).stderr
    assert [path] == list(tmp_path.iterdir())


def test_names_that_cannot_be_written_are_refused_first(tmp_path):
    """Another ending, a folder that is not there."""
    with pytest.raises(OptimiserError, match=r"must end in .parquet"):
        refuse_existing(tmp_path / "load.csv", False)
    path = recipe_file(tmp_path, "profile")
    ran = call("make", "load", path, "--out", tmp_path / "none" / "load.parquet")
    assert (2, True) == (ran.exit_code, "cannot be written" in ran.stderr)


def test_faults_in_readings_are_those_of_a_scenarios_source(tmp_path):
    """A gap is named by its place; nothing is filled."""
    part = quarters("2025-01-01", "Europe/Berlin", 30).slice(0, 100)
    readings(tmp_path, part, np.ones(100))
    lines = (tmp_path / "readings.csv").read_text().splitlines(keepends=True)
    (tmp_path / "readings.csv").write_text("".join(lines[:50] + lines[52:]))
    assert "Data are not mended silently" in call("make", "load", recipe_file(tmp_path, "extend")).stderr


def test_side_text_of_another_form_is_taken_as_it_is(tmp_path):
    """Another program's notes: plain text is one note, a list is several, anything long is cut."""
    import pyarrow as pa

    frame = pd.DataFrame({"interval_start": quarters(minutes=60).starts[:3], "x": [1.0, 2.0, 3.0]})
    for text, expected in (
        ("from a meter", ("from a meter",)),
        (json.dumps(["a", "b"]), ("a", "b")),
        (json.dumps({"notes": "one", "warnings": None}), ("one",)),
        ("", ()),
    ):
        table = pa.Table.from_pandas(frame, preserve_index=False)
        table = table.replace_schema_metadata({**table.schema.metadata, b"notes": text.encode()})
        pq.write_table(table, tmp_path / "x.parquet")
        read = read_table("x", Source(file="x", stamps="start", step_minutes=60), tmp_path / "x.parquet")
        assert (expected, ()) == (read.notes, read.warnings)


def test_without_the_library_there_is_one_sentence(monkeypatch):
    """The extra is named."""
    import optimiser.making.profiles as profiles

    def missing(_: str) -> None:
        raise ModuleNotFoundError

    monkeypatch.setattr(profiles, "files", missing)
    with pytest.raises(OptimiserError, match=r"need the library demandlib.*'\.\[profiles\]'"):
        standard_shape("h0", quarters(), habits())


def test_contradictions_are_refused():
    """A state without a country; a profile where none is used."""
    with pytest.raises(ValueError, match="subdivision needs country"):
        habits(subdivision="BY")
    with pytest.raises(ScenarioError, match="do not divide"):
        year_of(datetime.date(2025, 1, 1), 59, "UTC")


# --- real readings, where they are ---


needs_home = pytest.mark.skipif(not real.HOME_FILE.is_file(), reason=f"the real data are not in {real.DATA}")


@needs_home
def test_a_real_home_behind_its_meter_gets_its_recorded_load_back(tmp_path):
    """Ausgrid customer 12, 2011-12: import and export of a net meter made from the recorded load and solar, and the
    load restored from them and the solar: every half-hour of 17,568 as recorded. With a tenth of the solar it is
    refused."""
    home = pd.read_csv(real.HOME_FILE)
    net = home["GC"] - home["GG"]
    frame = pd.DataFrame(
        {"interval_start": home["datetime"], "import": net.clip(lower=0), "export": (-net).clip(lower=0)}
    )
    frame.assign(solar=home["GG"]).to_csv(tmp_path / "meter.csv", index=False)
    changes = [('"solar.csv"', '"meter.csv"'), ('unit = "kwh"', 'unit = "kw"'), ('"UTC"', '"UTC+10:00"')]
    path = recipe_file(tmp_path, "gross", *changes)
    made = make_load(path)
    np.testing.assert_allclose(made.columns["load_kw"], home["GC"], atol=1e-9)
    assert 5938 == pytest.approx(
        made.columns["load_kw"].sum() / 2, abs=1
    )  # as the data set's description has it
    path.write_text(path.read_text().replace("# size_kwp = 6.0 ", "size_kwp = 0.1 "))
    lit = home["GG"] > 0
    least = float(((home["GG"] - home["GC"])[lit] / home["GG"][lit]).max()) * 10
    with pytest.raises(SeriesError, match=f"is negative in .* With {least:.2f} times as much solar"):
        make_load(path)


@needs_home
def test_a_real_home_on_another_year_and_from_half_of_it(tmp_path):
    """Its 366 days on 2025: the total kept to the rounding of a float. Its first nine months extended: the known kept,
    and the made quarter within a third of what was then recorded (printed with -s)."""
    home = pd.read_csv(real.HOME_FILE)
    starts = pd.DatetimeIndex(pd.to_datetime(home["datetime"])).tz_localize("Etc/GMT-10").tz_convert("UTC")
    series = pd.Series(home["GC"].to_numpy(), index=starts)
    made = redate(series, datetime.date(2025, 1, 1), "UTC+10:00")
    assert series.sum() == pytest.approx(made.kw.sum(), rel=1e-12)
    timeline = year_of(datetime.date(2011, 7, 1), 30, "UTC+10:00")
    cut = 48 * 274
    known = np.r_[series.to_numpy()[:cut], np.full(len(series) - cut, np.nan)]
    whose = habits(
        start=datetime.date(2011, 7, 1), zone="UTC+10:00", hemisphere="south", country="AU", subdivision="NSW"
    )
    filled = by_mean_days(known, series.iloc[:cut], timeline, whose)
    guessed, true = filled[cut:].sum() / 2, series.iloc[cut:].sum() / 2
    print(f"\nlast quarter: made {guessed:.0f} kWh, recorded {true:.0f} kWh; {made.words()}")
    assert true == pytest.approx(guessed, rel=1 / 3)


def test_lifts_in_shifts_are_m_g_h(tmp_path):
    """900 kg x 9.80665 m/s^2 x 4.5 m are 11.03 Wh a lift, through 0.7; 0.4 of it come back."""
    made = make_load(recipe_file(tmp_path, "shifts"))
    local = made.timeline.local()
    workday, hour = local.day_of_week < 5, np.asarray(local.hour)
    early, late = workday & (hour >= 6) & (hour < 14), workday & (hour >= 14) & (hour < 22)
    lift = 900 * 9.80665 * 4.5 / 3.6e6
    power, back = made.columns["power_kw"], made.columns["lowering_kw"]
    assert power[early] == pytest.approx(np.full(early.sum(), 0.6 + 40 * lift / 0.7))
    assert back[late] == pytest.approx(np.full(late.sum(), 25 * lift * 0.4))
    assert not power[~(early | late)].any()
    assert "peak_a" in made.warnings[0]
