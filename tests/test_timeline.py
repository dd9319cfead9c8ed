"""Steps, stamps and calendar questions against the tz database and the market's own conventions."""

from __future__ import annotations

import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from conftest import table, write_site
from pandas.tseries.holiday import USFederalHolidayCalendar
from pydantic import ValidationError

from optimiser import ScenarioError, read_scenario
from optimiser.fields import zone_of
from optimiser.series.table import Source, read_table
from optimiser.timeline import Grouping, Timeline, Window, public_holidays

UTC = datetime.UTC


def days_of(start: str, days: int, zone: str, step_minutes: int = 60) -> Timeline:
    """Whole local days."""
    first = datetime.datetime.fromisoformat(start).replace(tzinfo=ZoneInfo(zone))
    last = (first.replace(tzinfo=None) + datetime.timedelta(days=days)).replace(tzinfo=ZoneInfo(zone))
    minutes = (last.astimezone(UTC) - first.astimezone(UTC)).total_seconds() / 60
    return Timeline(first, step_minutes, round(minutes / step_minutes), zone)


def window(**fields) -> Window:
    """A window as a file says it."""
    return Window.model_validate({"from" if key == "from_" else key: value for key, value in fields.items()})


def starts_of_stamps(tmp_path, stamps: list[str]):
    """Starts in UTC of 5-minute intervals whose ends are stamped on UTC+10."""
    path = tmp_path / "market.csv"
    path.write_text("SETTLEMENTDATE,RRP\n" + "".join(f"{stamp},{n}\n" for n, stamp in enumerate(stamps)))
    source = Source(
        file="market.csv", time_column="SETTLEMENTDATE", stamps="end", zone="UTC+10:00", step_minutes=5
    )
    return read_table("market", source, path).starts


def test_stamp_at_the_end_of_an_interval(tmp_path):
    """2025-07-01 14:05 (interval end, UTC+10, 5 min) is [04:00Z, 04:05Z).

    Source: AEMO's convention that settlement stamps mark the end of the interval, in UTC+10 all year.
    """
    starts = starts_of_stamps(tmp_path, ["2025-07-01 14:05:00", "2025-07-01 14:10:00"])
    assert datetime.datetime(2025, 7, 1, 4, 0, tzinfo=UTC) == starts[0]
    assert datetime.datetime(2025, 7, 1, 4, 5, tzinfo=UTC) == starts[1]


def test_stamp_at_the_end_of_a_year(tmp_path):
    """2025-01-01 00:00 (interval end, UTC+10) starts at 00:55 in Sydney (+11), 2024-12-31 13:55Z (same
    convention).
    """
    starts = starts_of_stamps(tmp_path, ["2025/01/01 00:00:00"])
    assert datetime.datetime(2024, 12, 31, 13, 55, tzinfo=UTC) == starts[0]
    sydney = starts[0].tz_convert("Australia/Sydney")
    assert "2025-01-01 00:55" == sydney.strftime("%Y-%m-%d %H:%M")


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Australia/Sydney", "2025-10-05", 23),
        ("Australia/Sydney", "2025-04-06", 25),
        ("Europe/Berlin", "2025-03-30", 23),
        ("Europe/Berlin", "2025-10-26", 25),
        ("America/New_York", "2025-03-09", 23),
        ("America/New_York", "2025-11-02", 25),
        ("Australia/Lord_Howe", "2025-10-05", 23.5),
        ("Australia/Brisbane", "2025-10-05", 24),
        ("Australia/Brisbane", "2025-04-06", 24),
    ],
)
def test_hours_in_a_local_day(tmp_path, zone, day, hours):
    """A scenario of one local day has as many hours as the tz database gives that day."""
    site = {"phases": 1, "connection": {"import_limit_kw": 1.0, "export_limit_kw": 1.0}}
    text = table(start=day, step_minutes=30, zone=zone, site=site, components=[])
    made = read_scenario(write_site(tmp_path, text, {})).timeline
    assert hours == made.hours
    assert hours * 2 == made.steps
    assert 1 == made.groups(Grouping("day", zone)).count
    assert f"{day} 00:00" == made.when(0)
    assert f"{day} 23:30" == made.when(made.steps - 1)


@pytest.mark.parametrize(
    ("zone", "day", "sizes"),
    [
        ("Europe/Berlin", "2025-03-30", [3, 4, 4, 4, 4, 4]),
        ("Europe/Berlin", "2025-10-26", [5, 4, 4, 4, 4, 4]),
        ("Europe/Berlin", "2025-06-01", [4, 4, 4, 4, 4, 4]),
        ("America/New_York", "2025-03-09", [3, 4, 4, 4, 4, 4]),
        ("America/New_York", "2025-11-02", [5, 4, 4, 4, 4, 4]),
    ],
)
def test_blocks_of_a_clock_change_day(zone, day, sizes):
    """Six four-hour blocks from local midnight; the one that holds the change has 3 or 5 real hours.

    Edges on the local clock: common practice of the day-ahead reserve auctions of continental Europe, no
    source.
    """
    groups = days_of(day, 1, zone).groups(Grouping("block", zone, 240))
    assert sizes == list(groups.sizes)
    assert [0, 4, 8, 12, 16, 20] == [int(label[11:13]) for label in groups.labels]


def test_blocks_from_an_anchor_before_midnight():
    """Blocks of four hours from 23:00: a day cut at midnight holds one hour of the first and three of the
    last.
    """
    groups = days_of("2025-06-01", 1, "Europe/London").groups(
        Grouping("block", "Europe/London", 240, 23 * 60)
    )
    assert [3, 4, 4, 4, 4, 4, 1] == list(groups.sizes)


def test_blocks_on_the_clock_of_the_market():
    """Blocks of a market on UTC start at 02:00 of a summer's day in Berlin, so the day begins in a cut
    one.
    """
    groups = days_of("2025-07-01", 1, "Europe/Berlin").groups(Grouping("block", "UTC", 240))
    assert [2, 4, 4, 4, 4, 4, 2] == list(groups.sizes)


def test_half_hours_of_the_repeated_hour_stay_apart():
    """The demand meter's half hours go on when the clock repeats 02:00 to 03:00: 50 intervals in 25 hours."""
    made = days_of("2025-10-26", 1, "Europe/Berlin", 5)
    groups = made.groups(Grouping("block", "Europe/Berlin", 30))
    assert 50 == groups.count
    assert {6} == set(groups.sizes)


@pytest.mark.parametrize(
    ("zone", "day", "step_minutes", "minutes", "count"),
    [
        ("Europe/Oslo", "2024-10-27", 30, 60, 25),
        ("Europe/Oslo", "2024-10-27", 5, 30, 50),
        ("Europe/Oslo", "2024-03-31", 30, 60, 23),
        ("Australia/Lord_Howe", "2024-04-07", 30, 30, 49),
        ("Australia/Lord_Howe", "2024-04-07", 5, 30, 49),
        ("Australia/Lord_Howe", "2024-10-06", 5, 30, 47),
        ("Africa/Casablanca", "2025-02-23", 30, 60, 25),
    ],
)
def test_blocks_as_long_as_the_change_are_each_passes_own(zone, day, step_minutes, minutes, count):
    """A day of 25 hours has 25 hours, one of 24.5 hours 49 half hours (tz database): each of the same length."""
    groups = days_of(day, 1, zone, step_minutes).groups(Grouping("block", zone, minutes))
    assert count == groups.count
    assert {minutes // step_minutes} == set(groups.sizes)
    assert count == len(set(groups.labels))


def test_blocks_off_the_full_hour_run_on_through_the_change():
    """Hours from half past: 00:00, 00:30, ... 02:30 (summer), 02:30 (winter), ... 23:30, all of 60 minutes but the two
    that midnight cuts: 26 pieces of 25 hours (by hand; Oslo goes back at 03:00 on 27 October 2024, tz database).
    """
    groups = days_of("2024-10-27", 1, "Europe/Oslo", 30).groups(Grouping("block", "Europe/Oslo", 60, 30))
    assert [1, *[2] * 24, 1] == list(groups.sizes)
    assert ["02:30+0200", "02:30+0100"] == [label[11:] for label in groups.labels if "02:30" in label]


def test_an_edge_that_the_clock_shows_twice_counts_once():
    """Blocks of two hours from 00:30: that from 02:30 begins in the first pass and has three real hours (by hand)."""
    groups = days_of("2024-10-27", 1, "Europe/Oslo", 30).groups(Grouping("block", "Europe/Oslo", 120, 30))
    assert [1, 4, 6, *[4] * 9, 3] == list(groups.sizes)


def test_a_midnight_that_is_shown_twice_ends_the_day_once():
    """St. John's went back from 00:01 of 7 November 2010 to 23:01 of the 6th (tz database): two days and two bills.

    The minute after the first midnight belongs to the 7th; what follows to midnight again is no second 6th.
    """
    zone = "America/St_Johns"
    made = days_of("2010-11-06", 2, zone, 1)
    assert 49 * 60 == made.steps
    for grouping in (
        Grouping("day", zone),
        Grouping("reads", zone, reads=(datetime.date(2010, 11, 7), datetime.date(2010, 12, 7))),
    ):
        assert [24 * 60, 25 * 60] == list(made.groups(grouping).sizes)


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Atlantic/Azores", "2025-10-26", 25),
        ("Africa/Cairo", "2025-04-25", 23),
        ("America/Havana", "2025-11-02", 25),
    ],
)
def test_a_day_whose_midnight_is_skipped_or_shown_twice_is_one_day(zone, day, hours):
    """The clock goes back from 01:00 to 00:00, or from 00:00 on to 01:00 (tz database): dates and shares still hold."""
    first = datetime.date.fromisoformat(day) - datetime.timedelta(days=1)
    made = days_of(str(first), 3, zone)
    assert [24, hours, 24] == list(made.groups(Grouping("day", zone)).sizes)
    assert 3.0 == pytest.approx(made.share_of_day(zone).sum())
    after = first + datetime.timedelta(days=1)
    assert hours + 24 == made.between(after, None, zone).sum()


def test_bills_that_lack_a_read_are_as_long_as_the_one_beside_them():
    """Reads on 4 January and 3 April are 89 days apart (28 + 28 + 31 + 2); a read outside the data tells too."""
    timeline = days_of("2025-01-01", 120, "UTC")
    reads = (datetime.date(2025, 1, 4), datetime.date(2025, 4, 3))
    assert [89, 89, 89] == list(timeline.calendar_days(Grouping("reads", "UTC", reads=reads)))
    earlier = Grouping("reads", "UTC", reads=(datetime.date(2024, 10, 6), *reads))
    assert [90, 89, 89] == list(timeline.calendar_days(earlier))
    # A lone read tells of no length.
    assert [3, 117] == pytest.approx(list(timeline.calendar_days(Grouping("reads", "UTC", reads=reads[:1]))))


@pytest.mark.parametrize(("year", "days"), [(2023, 28), (2024, 29), (2025, 28), (2100, 28)])
def test_february_and_the_leap_day(year, days):
    """29 February exists in 2024, not in 2023, 2025 and 2100 (Gregorian calendar)."""
    made = days_of(f"{year}-02-01", days + 1, "Europe/Berlin")
    months = made.groups(Grouping("month", "Europe/Berlin"))
    assert (f"{year}-02", f"{year}-03") == months.labels
    assert [days * 24, 24] == list(months.sizes)
    assert days * 24.0 == made.mask(window(months=[2]), "Europe/Berlin").sum()


def test_months_follow_the_clock_of_the_tariff():
    """The month of a tariff on UTC+10 ends ten hours before that of UTC."""
    made = days_of("2025-01-31", 2, "UTC")
    assert [24, 24] == list(made.groups(Grouping("month", "UTC")).sizes)
    assert [14, 34] == list(made.groups(Grouping("month", "UTC+10:00")).sizes)


def test_window_of_days():
    """In the week of Monday 6 January 2025: five workdays, two weekend days, each weekday once."""
    made = days_of("2025-01-06", 7, "Europe/Berlin")
    count = {
        day: made.mask(window(days=[day]), "Europe/Berlin").sum() / 24
        for day in ("workday", "weekend", "wed")
    }
    assert {"workday": 5, "weekend": 2, "wed": 1} == count
    assert 120 == made.mask(window(days=["workday"]), "Europe/Berlin").sum()


def test_holiday_is_never_a_workday():
    """Of the same week, a public holiday on Monday leaves four workdays; a holiday on Sunday is weekend
    too.
    """
    made = days_of("2025-01-06", 7, "Europe/Berlin")
    off = [datetime.date(2025, 1, 6), datetime.date(2025, 1, 12)]
    count = {
        d: made.mask(window(days=[d]), "Europe/Berlin", off).sum() / 24
        for d in ("workday", "weekend", "holiday")
    }
    assert {"workday": 4, "weekend": 2, "holiday": 2} == count


@pytest.mark.parametrize(
    ("first", "last", "hours"),
    [("07:00", "23:00", 16), ("23:00", "07:00", 8), ("00:00", "24:00", 24), ("22:30", "00:00", 1.5)],
)
def test_window_of_hours(first, last, hours):
    """A window has the hours between its clock times, across midnight too."""
    made = days_of("2025-06-01", 1, "Europe/Berlin", 30)
    assert hours == made.mask(window(from_=first, to=last), "Europe/Berlin").sum() / 2


def test_windows_and_their_complement_cover_the_year_once():
    """07:00 to 22:00 and 22:00 to 07:00 share no step and leave none out, clock changes included."""
    made = days_of("2025-01-01", 365, "Australia/Sydney", 30)
    both = sum(
        made.mask(window(from_=a, to=b), "Australia/Sydney")
        for a, b in (("07:00", "22:00"), ("22:00", "07:00"))
    )
    np.testing.assert_array_equal(both, 1)
    assert 365 * 48 == made.steps


def test_window_follows_another_clock():
    """16:00 to 20:00 in Sydney in July (UTC+10) is 06:00 to 10:00Z."""
    made = days_of("2025-07-01", 1, "UTC")
    inside = np.flatnonzero(made.mask(window(from_="16:00", to="20:00"), "Australia/Sydney"))
    assert [6, 7, 8, 9] == list(inside)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"from": "25:00"}, "clock time"),
        ({"from": "07:60"}, "clock time"),
        ({"to": 7}, "clock time"),
        ({"from": "7:00"}, "clock time"),
        ({"from": "24:01"}, "clock time"),
        ({"months": [0]}, "between 1 and 12"),
        ({"months": [13]}, "between 1 and 12"),
        ({"days": ["funday"]}, "days"),
        ({"from": "07:00", "to": "07:00"}, "same clock time"),
    ],
)
def test_window_refuses_what_is_no_time(fields, words):
    """Clock times are 00:00 to 24:00 in quotes, months 1 to 12."""
    with pytest.raises(ValidationError, match=words):
        Window.model_validate(fields)


@pytest.mark.parametrize("name", ["Europe/Nowhere", "UTC+15", "UTC+10:60", "utc", "", "+10:00"])
def test_unknown_zones_are_refused(name):
    """Only zones of the tz database and fixed offsets up to 14 hours are taken."""
    with pytest.raises(ValueError, match="must be a zone"):
        zone_of(name)


@pytest.mark.parametrize(("name", "minutes"), [("UTC+10:00", 600), ("UTC-3:30", -210), ("UTC+5:45", 345)])
def test_fixed_offsets(name, minutes):
    """Offsets count east of Greenwich, as in ISO 8601."""
    offset = zone_of(name).utcoffset(datetime.datetime(2025, 1, 1))
    assert datetime.timedelta(minutes=minutes) == offset


@pytest.mark.parametrize("minutes", [7, 25, 45])
def test_steps_must_divide_an_hour(tmp_path, minutes):
    """A step that does not divide an hour is refused by name."""
    site = {"phases": 1, "connection": {"import_limit_kw": 1.0, "export_limit_kw": 1.0}}
    with pytest.raises(ScenarioError, match=r"timeline\.step_minutes must divide 60"):
        read_scenario(write_site(tmp_path, table(step_minutes=minutes, site=site, components=[]), {}))


def test_lord_howe_cannot_be_cut_into_hours(tmp_path):
    """A day of 23.5 hours has no whole number of hourly steps: it must not be rounded to one that runs
    over.
    """
    site = {"phases": 1, "connection": {"import_limit_kw": 1.0, "export_limit_kw": 1.0}}
    text = table(start="2025-10-05", zone="Australia/Lord_Howe", site=site, components=[])
    with pytest.raises(ScenarioError, match=r"timeline\.step_minutes"):
        read_scenario(write_site(tmp_path, text, {}))


# --- seasons, holidays, billing periods ---


def test_federal_holidays_of_the_united_states():
    """The dates of eleven years against the calendar that pandas keeps (5 U.S.C. 6103 and its observance rule)."""
    ours = public_holidays("US", tuple(range(2022, 2033)))
    theirs = USFederalHolidayCalendar().holidays("2022-01-01", "2032-12-31")
    assert {day.date() for day in theirs} <= set(ours)


def test_bank_holidays_of_england_and_wales():
    """2025: 1 January, 18 and 21 April, 5 and 26 May, 25 August, 25 and 26 December.

    Source: gov.uk, "UK bank holidays", England and Wales, 2025; from memory.
    """
    listed = ["01-01", "04-18", "04-21", "05-05", "05-26", "08-25", "12-25", "12-26"]
    found = public_holidays("GB-ENG", (2025,))
    assert [datetime.date.fromisoformat(f"2025-{day}") for day in listed] == list(found)


def test_public_holidays_differ_between_states():
    """Adelaide Cup Day is a holiday of South Australia, the second Monday of March until 2025; not of Queensland.

    Source: SafeWork SA, public holidays of 2025; from memory.
    """
    day = datetime.date(2025, 3, 10)
    assert day in public_holidays("AU-SA", (2025,))
    assert day not in public_holidays("AU-QLD", (2025,))


@pytest.mark.parametrize("region", ["Atlantis", "AU-XX", "XX", ""])
def test_a_region_without_holidays_is_refused(region):
    """With a way to write it."""
    with pytest.raises(ValueError, match='such as "DE" or "AU-SA"'):
        public_holidays(region, (2025,))


def test_workdays_leave_public_holidays_out():
    """Mask by mask, on the days of three years: a workday is Monday to Friday without the library's holidays."""
    timeline = days_of("2023-01-01", 3 * 365 + 1, "Europe/Berlin")
    dates = public_holidays("DE-BY", (2023, 2024, 2025))
    mask = timeline.mask(window(days=("workday",)), "Europe/Berlin", tuple(dates))
    local = timeline.local("Europe/Berlin")
    expected = [stamp.day_of_week < 5 and stamp.date() not in dates for stamp in local]
    assert np.array_equal(mask, np.array(expected, float))


@pytest.mark.parametrize(
    ("first", "last", "inside", "outside"),
    [
        (
            "11-01",
            "03-31",
            ["2024-11-01", "2024-12-31", "2025-01-01", "2025-03-31"],
            ["2024-10-31", "2025-04-01"],
        ),
        ("04-01", "10-31", ["2025-04-01", "2025-10-31"], ["2025-03-31", "2025-11-01"]),
        ("12-01", "02-28", ["2024-02-28", "2025-02-28"], ["2024-02-29", "2025-03-01"]),
        ("12-01", "02-29", ["2024-02-29", "2025-02-28"], ["2024-03-01", "2025-03-01"]),
        ("05-05", "05-05", ["2025-05-05"], ["2025-05-04", "2025-05-06"]),
    ],
)
def test_season_holds_both_its_ends(first, last, inside, outside):
    """A season of days of the year, across the new year or not, in leap years and others (Gregorian calendar)."""
    season = window(first_day=first, last_day=last)
    timeline = days_of("2024-01-01", 731, "Australia/Adelaide", 60)
    mask = timeline.mask(season, "Australia/Adelaide")
    day = np.asarray(timeline.local().normalize().tz_localize(None), "datetime64[D]")
    for date in inside:
        assert (mask[day == np.datetime64(date)] == 1).all(), date
    for date in outside:
        assert (mask[day == np.datetime64(date)] == 0).all(), date


@pytest.mark.parametrize("day", ["13-01", "02-30", "1-1", "2025-01-01", 101])
def test_a_day_that_no_year_has_is_refused(day):
    """And so is anything but month and day in quotes."""
    with pytest.raises(ValidationError, match="must be a day of the year"):
        window(first_day=day, last_day="03-31")


def test_half_a_season_is_refused():
    """Both of its ends belong together."""
    with pytest.raises(ValidationError, match="belong together"):
        window(first_day="11-01")


def test_bills_of_several_months():
    """Quarters from February: the first and the last are cut, the whole ones have their calendar days."""
    timeline = days_of("2024-01-15", 250, "Australia/Sydney")
    quarters = Grouping("month", "Australia/Sydney", months=3, first_month=2)
    groups = timeline.groups(quarters)
    assert (
        "2023-11 to 2024-01",
        "2024-02 to 2024-04",
        "2024-05 to 2024-07",
        "2024-08 to 2024-10",
    ) == groups.labels
    # 2024 has a 29 February: 29 + 31 + 30 days.
    assert [92, 90, 92, 92] == list(timeline.calendar_days(quarters))
    days = groups.sum(timeline.share_of_day("Australia/Sydney"))
    assert [17, 90, 92, 51] == pytest.approx(list(days))


def test_bills_between_reads_begin_at_local_midnight():
    """A read on the day that the clock goes back: the day before it has ended at its own midnight."""
    timeline = days_of("2025-04-01", 10, "Australia/Sydney")
    reads = Grouping(
        "reads", "Australia/Sydney", reads=(datetime.date(2025, 4, 6), datetime.date(2025, 4, 8))
    )
    groups = timeline.groups(reads)
    assert (
        "2025-04-01 to 2025-04-05",
        "2025-04-06 to 2025-04-07",
        "2025-04-08 to 2025-04-10",
    ) == groups.labels
    assert [5 * 24, 2 * 24 + 1, 3 * 24] == list(groups.sizes)
    # Bills without a read on one side are taken to be as long as the one beside them, of two days.
    assert [2, 2, 2] == list(timeline.calendar_days(reads))


def test_dates_of_validity_are_half_open():
    """The first day holds, the first day that holds no more does not; none sets no end."""
    timeline = days_of("2025-04-04", 4, "Australia/Sydney")
    inside = timeline.between(datetime.date(2025, 4, 5), datetime.date(2025, 4, 7), "Australia/Sydney")
    assert (24 + 25, 24.0) == (inside.sum(), inside[:48].sum())
    assert timeline.steps == timeline.between(None, None, "Australia/Sydney").sum()
