"""Data files laid onto a timeline: what is refused, with its place, and what is taken. All data are
invented.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from conftest import table, write_site

from optimiser import ScenarioError, SeriesError, read_scenario
from optimiser.series.laid import lay
from optimiser.series.table import SeriesTable, Source, read_table
from optimiser.starter import write_starter
from optimiser.timeline import Timeline


def source(**fields: Any) -> Source:
    """A source of hourly data stamped at the start in UTC."""
    return Source.model_validate({"file": "data.csv", "stamps": "start", "step_minutes": 60} | fields)


def csv(tmp_path: Path, stamps: Any, values: Any = None) -> Path:
    """A file with a time column and one column of numbers."""
    values = np.arange(len(stamps)) if values is None else values
    path = tmp_path / "data.csv"
    pd.DataFrame({"interval_start": list(stamps), "price": values}).to_csv(path, index=False)
    return path


def hours(count: int, start: str = "2025-01-01", minutes: int = 60) -> list[str]:
    """Stamps in UTC."""
    return list(
        pd.date_range(start, periods=count, freq=pd.Timedelta(minutes=minutes)).strftime("%Y-%m-%dT%H:%M:%SZ")
    )


def read(tmp_path: Path, times: Any, values: Any = None, **fields: Any) -> SeriesTable:
    """A table read from such a file."""
    return read_table("data", source(**fields), csv(tmp_path, times, values))


def span(steps: int = 24, step_minutes: int = 60, start: str = "2025-01-01", zone: str = "UTC") -> Timeline:
    """A timeline from a local start."""
    return Timeline(
        datetime.datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(zone)), step_minutes, steps, zone
    )


# --- stamps ---


def test_a_gap_is_refused_with_its_place(tmp_path):
    """A missing row is named by the row before it, and counted."""
    stamps = hours(24)
    del stamps[5]
    with pytest.raises(
        SeriesError, match=r"2025-01-01 04:00Z \(data row 5\) is followed by 2025-01-01 06:00Z"
    ):
        read(tmp_path, stamps)


def test_a_repeat_is_refused_with_its_place(tmp_path):
    """A row that comes twice is named."""
    stamps = hours(24)
    stamps.insert(8, stamps[7])
    with pytest.raises(SeriesError, match=r"07:00Z \(data row 8\) appears twice"):
        read(tmp_path, stamps)


def test_rows_out_of_order_are_refused(tmp_path):
    """Rows are not sorted silently."""
    stamps = hours(24)
    stamps[3], stamps[4] = stamps[4], stamps[3]
    with pytest.raises(SeriesError, match="3 such places in all"):
        read(tmp_path, stamps)


def test_another_step_is_refused(tmp_path):
    """Half-hourly rows declared as hourly are a fault at the first."""
    with pytest.raises(SeriesError, match=r"data row 1\).*not by one 60 min later; 47 such places"):
        read(tmp_path, hours(48, minutes=30))


@pytest.mark.parametrize("wrong", ["yesterday", "2025-13-01T00:00:00Z", ""])
def test_stamps_that_are_no_time_are_refused(tmp_path, wrong):
    """A stamp must be a date and a time."""
    stamps = hours(24)
    stamps[3] = wrong
    with pytest.raises(SeriesError, match="interval_start"):
        read(tmp_path, stamps)


def test_a_missing_time_column_names_those_there_are(tmp_path):
    """The message lists the columns of the file."""
    with pytest.raises(SeriesError, match=r"no time column 'when'; the columns are interval_start, price"):
        read(tmp_path, hours(24), time_column="when")


def test_a_missing_and_an_empty_file_are_refused(tmp_path):
    """No file, no rows."""
    with pytest.raises(SeriesError, match="does not exist"):
        read_table("data", source(), tmp_path / "none.csv")
    with pytest.raises(SeriesError):
        read(tmp_path, [])


def test_stamps_at_interval_ends_are_moved_back(tmp_path):
    """A series stamped at the end is one interval earlier than its stamps."""
    made = read(tmp_path, hours(24, "2025-01-01 01:00"), stamps="end")
    assert span().starts[0] == made.starts[0]
    np.testing.assert_array_equal(np.arange(24), lay(made, "price", span()))


def test_stamps_with_offsets_cross_a_clock_change(tmp_path):
    """Local stamps that carry their offset name 25 hours of an autumn day without doubt."""
    local = pd.date_range("2025-10-26", periods=25, freq="h", tz="Europe/Berlin")
    made = read(tmp_path, [stamp.isoformat() for stamp in local])
    assert 25 == len(made.starts)
    np.testing.assert_array_equal(
        np.arange(25), lay(made, "price", span(25, start="2025-10-26", zone="Europe/Berlin"))
    )


def test_local_stamps_without_offset_are_refused_where_the_clock_repeats(tmp_path):
    """02:30 comes twice on that day; which is meant is not guessed."""
    local = pd.date_range("2025-10-26", periods=25, freq="h", tz="Europe/Berlin").strftime("%Y-%m-%d %H:%M")
    with pytest.raises(SeriesError, match=r"do not fit the clock of Europe/Berlin"):
        read(tmp_path, list(local), zone="Europe/Berlin")


def test_stamps_of_a_market_clock_without_summer_time(tmp_path):
    """Stamps of UTC+10 all year go on through a day on which Sydney's clock changes."""
    stamps = pd.date_range("2025-10-04 23:00", periods=25, freq="h").strftime("%Y-%m-%d %H:%M")
    made = read(tmp_path, list(stamps), zone="UTC+10:00")
    assert datetime.datetime(2025, 10, 4, 13, tzinfo=datetime.UTC) == made.starts[0]


@pytest.mark.parametrize("suffix", [".csv", ".csv.gz", ".parquet"])
def test_formats_hold_the_same(tmp_path, suffix):
    """CSV, zipped CSV and Parquet give the same table."""
    frame = pd.DataFrame({"interval_start": pd.to_datetime(hours(24)), "price": np.arange(24.0)})
    path = tmp_path / f"data{suffix}"
    if suffix == ".parquet":
        frame.to_parquet(path)
    else:
        frame.to_csv(path, index=False)
    made = read_table("data", source(file=path.name), path)
    np.testing.assert_array_equal(np.arange(24), lay(made, "price", span()))


# --- values ---


@pytest.mark.parametrize("hole", [np.nan, "", "n/a", "1,5", np.inf])
def test_holes_are_refused_with_their_place(tmp_path, hole):
    """Empty cells, words and infinities are named by interval and counted; nothing is filled."""
    values: list[Any] = list(range(24))
    values[6] = hole
    made = read(tmp_path, hours(24), values)
    with pytest.raises(
        SeriesError, match=r"price is empty or no number in the interval that starts 2025-01-01 06:00Z; 1 "
    ):
        lay(made, "price", span())


def test_a_hole_outside_the_timeline_does_not_matter(tmp_path):
    """Only what is used must be there."""
    values = np.r_[np.arange(24.0), np.nan]
    np.testing.assert_array_equal(np.arange(24), lay(read(tmp_path, hours(25), values), "price", span()))


def test_values_below_the_least_are_refused_with_their_place(tmp_path):
    """A negative load is named by its step."""
    with pytest.raises(
        SeriesError, match=r"must be at least 0, got -2 in the step that starts 2025-01-01 09:00"
    ):
        lay(read(tmp_path, hours(24), np.where(np.arange(24) == 9, -2, 1)), "price", span(), 0.0)


def test_an_unknown_column_names_the_nearest(tmp_path):
    """A slip in a column's name is answered with the column that was meant."""
    with pytest.raises(SeriesError, match="did you mean price"):
        lay(read(tmp_path, hours(24)), "prices", span())


def test_every_fault_is_told_at_once(tmp_path):
    """A scenario with three faults in its data names all three."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 5.0, "export_limit_kw": "data.none"},
        "load": [{"power_kw": "data.load"}, {"power_kw": "nowhere.load"}],
    }
    text = table(site=site, components=[])
    with pytest.raises(ScenarioError) as fault:
        read_scenario(write_site(tmp_path, text, {"load": [-1.0] * 24}))
    assert 3 == len(fault.value.faults)
    assert ["site.connection.export_limit_kw", "site.load.0.power_kw", "site.load.1.power_kw"] == sorted(
        words.split(": ")[0].split(" = ")[0] for words in fault.value.faults
    )


# --- length and step ---


@pytest.mark.parametrize(
    ("count", "start"), [(23, "2025-01-01"), (24, "2025-01-01 01:00"), (24, "2024-12-31 23:00")]
)
def test_a_series_that_does_not_cover_is_refused(tmp_path, count, start):
    """Too short at either end; the message gives both spans."""
    with pytest.raises(
        SeriesError, match=r"covers .* but the timeline asks for 2025-01-01 00:00Z to 2025-01-02 00:00Z"
    ):
        lay(read(tmp_path, hours(count, start)), "price", span())


def test_a_longer_series_is_cut(tmp_path):
    """Of three days the second is taken."""
    made = lay(read(tmp_path, hours(72)), "price", span(start="2025-01-02"))
    np.testing.assert_array_equal(np.arange(24, 48), made)


def test_a_shifted_series_is_refused(tmp_path):
    """Intervals from quarter past do not fit steps from the hour."""
    with pytest.raises(SeriesError, match="shifted against each other"):
        lay(read(tmp_path, hours(26, "2024-12-31 23:15")), "price", span())


def test_a_finer_timeline_repeats(tmp_path):
    """An hour's value holds in each of its twelve 5-minute steps."""
    made = lay(read(tmp_path, hours(24)), "price", span(288, 5))
    np.testing.assert_array_equal(np.repeat(np.arange(24), 12), made)


def test_a_coarser_timeline_must_be_asked_for(tmp_path):
    """Means hide spikes, so they are taken only where the source says so."""
    with pytest.raises(SeriesError, match="finer than the timeline's 60 min steps"):
        lay(read(tmp_path, hours(48, minutes=30), step_minutes=30), "price", span())
    made = lay(read(tmp_path, hours(48, minutes=30), step_minutes=30, coarsen="mean"), "price", span())
    np.testing.assert_allclose(np.arange(24) * 2 + 0.5, made)


def test_steps_that_do_not_divide_are_refused(tmp_path):
    """20 min intervals do not fit 30 min steps."""
    with pytest.raises(SeriesError, match="do not divide each other"):
        lay(read(tmp_path, hours(72, minutes=20), step_minutes=20), "price", span(48, 30))


# --- another year ---


def year(tmp_path: Path, number: int, zone: str = "UTC", days: int = 0) -> SeriesTable:
    """A year in which each hour's value is its local day of the year x 1000 + weekday x 100 + hour."""
    stamps = pd.date_range(f"{number}-01-01", f"{number + 1}-01-01", freq="h", tz=zone, inclusive="left")
    values = np.asarray(stamps.day_of_year * 1000 + stamps.day_of_week * 100 + stamps.hour)
    keep = days * 24 or len(stamps)
    written = stamps.tz_convert("UTC").strftime("%Y-%m-%dT%H:%M:%SZ")
    fields = {"redate": "season_and_weekday"} | ({"zone": zone} if zone != "UTC" else {})
    return read_table("data", source(**fields), csv(tmp_path, written[:keep], values[:keep]))


def whole(number: int, zone: str) -> Timeline:
    """A local year in hours."""
    stamps = pd.date_range(f"{number}-01-01", f"{number + 1}-01-01", freq="h", tz=zone, inclusive="left")
    return Timeline(stamps[0].to_pydatetime(), 60, len(stamps), zone)


@pytest.mark.parametrize(("old", "new"), [(2023, 2025), (2024, 2025), (2023, 2024), (2025, 2026)])
@pytest.mark.parametrize("zone", ["UTC", "Australia/Sydney", "Europe/Berlin"])
def test_redating_keeps_weekday_season_and_hour(tmp_path, old, new, zone):
    """Each day takes one of the same weekday, three days away in the year at most, hour by local hour.

    Clock changes and leap days are in these years; the skipped hour is dropped, the repeated one comes twice.
    """
    made = whole(new, zone)
    values = lay(year(tmp_path, old, zone), "price", made)
    local = made.local()
    day, weekday, hour = values // 1000, values // 100 % 10, values % 100
    np.testing.assert_array_equal(np.asarray(local.day_of_week), weekday)
    away = np.abs(np.asarray(local.day_of_year) - day)
    # The row of weekdays breaks at the turn of the year, where the nearest can be four days away.
    assert np.minimum(away, np.abs(365 - away)).max() <= 4
    middle = (local.day_of_year > 7) & (local.day_of_year < 355)
    assert away[middle].max() <= 3
    moved = hour != np.asarray(local.hour)
    # Only the day that stands for spring's short one lacks an hour, which is taken from the hour before.
    assert moved.sum() <= 2
    np.testing.assert_array_equal(np.asarray(local.hour)[moved] - 1, hour[moved])


def test_redating_leaves_the_same_year_alone(tmp_path):
    """A year laid on itself is itself."""
    made = whole(2025, "UTC")
    table_of_year = year(tmp_path, 2025)
    np.testing.assert_array_equal(table_of_year.frame["price"], lay(table_of_year, "price", made))


def test_redating_needs_every_weekday(tmp_path):
    """Five days cannot stand for a year: the missing weekday is a fault, not a guess."""
    with pytest.raises(SeriesError, match="lacks a whole day of some weekday"):
        lay(year(tmp_path, 2024, days=5), "price", whole(2025, "UTC"))


def test_redating_passes_over_days_with_holes(tmp_path):
    """A day with an empty hour is not used; its neighbour of the same weekday stands in."""
    made = year(tmp_path, 2025)
    made.frame.loc[24 * 14 + 5, "price"] = np.nan
    values = lay(made, "price", whole(2025, "UTC"))
    assert np.isfinite(values).all()
    # 15 January's place is taken by 8 or 22 January, both Wednesdays.
    assert {8, 22} >= set((values[24 * 14 : 24 * 15] // 1000).astype(int))


def test_a_span_that_does_not_fit_says_what_would(starter_of_another_zone):
    """Days of one zone are not those of another: the whole ones are named, and with them the site is read."""
    path = starter_of_another_zone / "scenario.toml"
    with pytest.raises(ScenarioError, match=r"say start = 2025-06-03 and days = 6, or bring more data"):
        read_scenario(starter_of_another_zone)
    text = path.read_text(encoding="utf-8")
    text = text.replace("start = 2025-06-02", "start = 2025-06-03").replace("days = 7 ", "days = 6 ")
    path.write_text(text, encoding="utf-8")
    assert 6 * 48 == read_scenario(starter_of_another_zone).timeline.steps


@pytest.fixture
def starter_of_another_zone(tmp_path) -> Path:
    """The starter's data on the clock of Brisbane, eight hours ahead of where they are from."""
    write_starter(tmp_path / "site")
    path = tmp_path / "site" / "scenario.toml"
    text = path.read_text(encoding="utf-8").replace("Europe/Berlin", "Australia/Brisbane")
    path.write_text(text, encoding="utf-8")
    return tmp_path / "site"
