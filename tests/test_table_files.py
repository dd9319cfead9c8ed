"""Tables through mappings: clocks on the days of their change, layouts, numbers, units, and what is refused."""

from __future__ import annotations

import datetime
import gzip
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from conftest import toml
from hypothesis import given
from hypothesis import strategies as st
from real_data import DATA

from optimiser.errors import ScenarioError, SeriesError
from optimiser.readers.mapping import read_mapping, shipped_mappings
from optimiser.readers.readings import ESTIMATED, MISSING
from optimiser.readers.table import read_prices, read_table

PLAIN = {
    "stamp": "time",
    "stamps": "start",
    "zone": "UTC",
    "step_minutes": 60,
    "columns": {"kwh": "house"},
    "unit": "kWh",
}
needs_data = pytest.mark.skipif(not DATA.is_dir(), reason="no folder of open data beside the checkout")


def mapping_of(tmp_path, **more):
    """A mapping file: the plain one with changes, None takes a key out."""
    keys = {key: value for key, value in (PLAIN | more).items() if value is not None}
    path = tmp_path / "mapping.toml"
    path.write_text(
        toml({key: value for key, value in keys.items() if not isinstance(value, dict)})
        + "".join(
            f"[{key}]\n" + "".join(f'"{name}" = {toml({"x": item})[4:]}' for name, item in value.items())
            for key, value in keys.items()
            if isinstance(value, dict)
        ),
        encoding="utf-8",
    )
    return path


def table_of(tmp_path, *lines, name="table.csv"):
    path = tmp_path / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def channel_of(tmp_path, lines, **more):
    (channel,) = read_table(table_of(tmp_path, *lines), mapping_of(tmp_path, **more)).channels
    return channel


def faults_of(tmp_path, lines, **more):
    path = table_of(tmp_path, *lines)
    with pytest.raises(SeriesError) as caught:
        read_table(path, mapping_of(tmp_path, **more))
    assert str(path) in str(caught.value)
    return caught.value.faults


# --- clocks -------------------------------------------------------------------------------------------------------

CHANGES = [
    # Zone, day, hours of that local day: by the rules of the tz database (IANA).
    ("Australia/Sydney", "2025-10-05", 23),
    ("Australia/Sydney", "2025-04-06", 25),
    ("Europe/Berlin", "2025-03-30", 23),
    ("Europe/Berlin", "2025-10-26", 25),
    ("America/New_York", "2025-03-09", 23),
    ("America/New_York", "2025-11-02", 25),
    ("Australia/Lord_Howe", "2025-10-05", 23.5),
    ("Australia/Lord_Howe", "2025-04-06", 24.5),
    ("America/Chicago", "2025-03-09", 23),
    ("America/Chicago", "2025-11-02", 25),
    ("Australia/Brisbane", "2025-10-05", 24),
]


def local_starts(zone, day, minutes=30):
    """Clock readings of the starts of three days around a change, made with the standard library."""
    tz = ZoneInfo(zone)
    date = datetime.date.fromisoformat(day)
    first, last = (
        datetime.datetime.combine(date + datetime.timedelta(days=shift), datetime.time(), tz).astimezone(
            datetime.UTC
        )
        for shift in (-1, 2)
    )
    utc = [
        first + datetime.timedelta(minutes=minutes * n)
        for n in range(int((last - first).total_seconds() // 60 // minutes))
    ]
    return utc, [moment.astimezone(tz) for moment in utc]


@pytest.mark.parametrize(("zone", "day", "hours"), CHANGES)
@pytest.mark.parametrize("backwards", [False, True])
def test_days_of_clock_changes(tmp_path, zone, day, hours, backwards):
    """Every half-hour of a short or long day lands on its own UTC start, whichever way the rows run."""
    utc, local = local_starts(zone, day)
    assert hours * 2 == sum(moment.date().isoformat() == day for moment in local)
    rows = [f"{moment:%Y-%m-%d %H:%M},{number}" for number, moment in enumerate(local)]
    channel = channel_of(
        tmp_path, ["time,kwh", *(rows[::-1] if backwards else rows)], zone=zone, step_minutes=30
    )
    assert [moment.replace(tzinfo=None) for moment in utc] == channel.start.astype("datetime64[s]").tolist()
    assert list(range(len(utc))) == channel.energy.tolist()


@pytest.mark.parametrize(("zone", "day", "_"), CHANGES)
@pytest.mark.parametrize("label", ["start plus step on the wall", "clock at the end"])
def test_ends_around_clock_changes(tmp_path, zone, day, _, label):
    """Stamps at the end of intervals are read in both ways that publishers write them around a change."""
    utc, local = local_starts(zone, day)
    half = datetime.timedelta(minutes=30)
    if label == "clock at the end":
        ends = [(moment + half).astimezone(ZoneInfo(zone)).replace(tzinfo=None) for moment in utc]
    else:
        ends = [moment.replace(tzinfo=None) + half for moment in local]
    rows = [f"{moment:%Y-%m-%d %H:%M},{number}" for number, moment in enumerate(ends)]
    channel = channel_of(tmp_path, ["time,kwh", *rows], zone=zone, step_minutes=30, stamps="end")
    assert [moment.replace(tzinfo=None) for moment in utc] == channel.start.astype("datetime64[s]").tolist()
    assert list(range(len(utc))) == channel.energy.tolist()


def test_market_stamp_at_the_end_of_five_minutes(tmp_path):
    """AEMO's 2025-07-01 14:05, an end on UTC+10, is 04:00Z to 04:05Z; 2025-01-01 00:00 starts at 13:55Z (check values
    49 and 50: the convention of AEMO's settlement date)."""
    lines = [
        "REGION,SETTLEMENTDATE,TOTALDEMAND,RRP,PERIODTYPE",
        "SA1,2025/01/01 00:00:00,1,-5.5,TRADE",
        "SA1,2025/07/01 14:05:00,1,80,TRADE",
    ]
    prices = read_prices(table_of(tmp_path, *lines), "aemo-price-and-demand")
    assert ["2024-12-31T13:55:00+00:00", "2025-07-01T04:00:00+00:00"] == [
        stamp.isoformat() for stamp in prices.index
    ]
    assert [-5.5, 80] == prices["price_per_mwh"].tolist()


def test_an_hour_that_the_clock_skips_is_a_fault(tmp_path):
    """02:30 on the last Sunday of March does not exist in Berlin."""
    (fault,) = faults_of(tmp_path, ["time,kwh", "2025-03-30T02:30,1"], zone="Europe/Berlin", step_minutes=30)
    assert "line 2" in fault
    assert "skipped" in fault


def test_a_repeated_hour_given_once_is_a_fault(tmp_path):
    """An hour of autumn that is there once may be either; it is not guessed."""
    lines = ["time,kwh", "2025-10-26T01:00,1", "2025-10-26T02:00,2", "2025-10-26T03:00,3"]
    (fault,) = faults_of(tmp_path, lines, zone="Europe/Berlin")
    assert "line 3" in fault
    assert "once" in fault
    assert 3 == len(channel_of(tmp_path, lines, zone="UTC+01:00").start)


def test_offsets_win_over_the_zone(tmp_path):
    """Stamps with an offset say their own zone; with and without in one column is a fault."""
    channel = channel_of(
        tmp_path, ["time,kwh", "2025-01-01T00:00+10:00,1", "2025-01-01T01:00+10:00,2"], zone="Europe/Berlin"
    )
    assert np.datetime64("2024-12-31T14:00") == channel.start[0]
    (fault,) = faults_of(tmp_path, ["time,kwh", "2025-01-01T00:00Z,1", "2025-01-01T01:00,2"])
    assert "line 3" in fault
    assert "offset" in fault


def test_intervals_counted_within_the_day(tmp_path):
    """A count from 1 within the local day needs no guess in the repeated hour: 100 quarters on 2024-10-27."""
    lines = ["day,isp,price", *(f"27-10-2024,{number},{number}" for number in range(1, 101))]
    keys = {
        "stamp": "day", "stamp_format": "%d-%m-%Y", "position": "isp", "zone": "Europe/Amsterdam", "step_minutes": 15,
        "columns": {"price": "price"}, "unit": None,
    }  # fmt: skip
    prices = read_prices(table_of(tmp_path, *lines), mapping_of(tmp_path, **keys))
    assert ("2024-10-26 22:00", "2024-10-27 22:45") == tuple(
        f"{prices.index[at]:%Y-%m-%d %H:%M}" for at in (0, -1)
    )
    path = table_of(tmp_path, *lines, "27-10-2024,101,1")
    with pytest.raises(SeriesError, match=r"line 102.*beyond the end of its day"):
        read_prices(path, mapping_of(tmp_path, **keys))


# --- layouts ------------------------------------------------------------------------------------------------------


def test_decimal_commas_and_date_and_time_apart(tmp_path):
    """Semicolons, decimal commas, day first, the time in a column of its own, 24:00 as the end of a day."""
    lines = ["Datum;Zeit;Wert", "31.01.2025;23:45;1,5", "31.01.2025;24:00;-"]
    channel = channel_of(
        tmp_path, lines, stamp=["Datum", "Zeit"], stamp_format="%d.%m.%Y %H:%M", stamps="end", zone="Europe/Berlin",
        step_minutes=15, separator=";", decimal=",", empty=["-"], columns={"Wert": "house"}, unit="kW",
    )  # fmt: skip
    assert [np.datetime64("2025-01-31T22:30"), np.datetime64("2025-01-31T22:45")] == list(channel.start)
    assert 0.375 == channel.energy[0]  # 1.5 kW for a quarter of an hour
    assert np.isnan(channel.energy[1])
    assert MISSING == channel.quality[1]


@pytest.mark.parametrize(
    ("unit", "minutes", "kwh", "kw"),
    [
        ("kWh", 30, 5.0, 10.0),  # 5 kWh in half an hour are 10 kW: check value 29, a retailer's help page
        ("kW", 30, 2.5, 5.0),
        ("Wh", 15, 0.005, 0.02),
        ("MWh", 60, 5000.0, 5000.0),
        ("W", 60, 0.005, 0.005),
    ],
)
def test_units_are_said_and_kept_apart(tmp_path, unit, minutes, kwh, kw):
    """Energy of an interval and mean power are not mistaken for each other."""
    channel = channel_of(tmp_path, ["time,kwh", "2025-01-01T00:00,5"], unit=unit, step_minutes=minutes)
    assert pytest.approx(kwh) == channel.energy[0]
    assert pytest.approx(kw) == channel.power().iloc[0]


def test_a_mapping_without_unit_is_refused(tmp_path):
    """Whether a figure is kW or kWh is never guessed."""
    (fault,) = faults_of(tmp_path, ["time,kwh", "2025-01-01T00:00,5"], unit=None)
    assert "5 kWh in half an hour" in fault


def day_rows(*days):
    headings = [f"{minute // 60:02d}:{minute % 60:02d}" for minute in range(0, 1440, 60)]
    return [
        f"day,meter,q,{','.join(headings)}",
        *(f"{day},{meter},{q},{cells}" for day, meter, q, cells in days),
    ]


WIDE = {
    "stamp": "day",
    "step_minutes": 60,
    "day_rows": {"first": "00:00", "last": "23:00"},
    "columns": {"house": "house"},
}


def test_a_row_a_day(tmp_path):
    """A day's row becomes its hours; words of a column become channels; quality goes with the day."""
    hours = ",".join(str(hour) for hour in range(24))
    days = [("2025-01-02", "in", "E"), ("2025-01-01", "in", "A"), ("2025-01-01", "out", "A")]
    columns = {"in": {"name": "import", "flow": "import"}, "out": {"name": "export", "flow": "export"}}
    quality = {"column": "q", "actual": ["A"], "estimated": ["E"]}
    mapping = mapping_of(tmp_path, **WIDE | {"columns": columns}, pivot={"by": "meter"}, quality=quality)
    readings = read_table(table_of(tmp_path, *day_rows(*((*day, hours) for day in days))), mapping)
    taken, given_back = readings.channels
    assert (48, 24) == (len(taken.start), len(given_back.start))
    assert [*range(24), *range(24)] == taken.energy.tolist()
    assert [0] * 24 + [ESTIMATED] * 24 == taken.quality.tolist()
    assert ("import", "export") == (taken.kind, given_back.kind)


def test_day_rows_on_a_short_day(tmp_path):
    """On the day that lacks an hour its cell must be empty; on the long day one cell cannot hold two hours."""
    hours = [str(hour) for hour in range(24)]
    hours[2] = ""
    channel = channel_of(
        tmp_path, day_rows(("2025-03-30", "m", "A", ",".join(hours))), **WIDE, zone="Europe/Berlin"
    )
    assert 23 == len(channel.start)
    hours[2] = "9"
    assert (
        "skipped"
        in faults_of(
            tmp_path, day_rows(("2025-03-30", "m", "A", ",".join(hours))), **WIDE, zone="Europe/Berlin"
        )[0]
    )
    assert (
        "once"
        in faults_of(
            tmp_path, day_rows(("2025-10-26", "m", "A", ",".join(hours))), **WIDE, zone="Europe/Berlin"
        )[0]
    )


def test_day_rows_of_another_length(tmp_path):
    """The number of columns must fit the step."""
    hours = ",".join("1" * 24)
    (fault,) = faults_of(tmp_path, day_rows(("2025-01-01", "m", "A", hours)), **WIDE | {"step_minutes": 30})
    assert "48 columns" in fault


def test_prices_of_points_in_rows(tmp_path):
    """ERCOT's rows of points: hour 02:00 of 2025-11-02 twice, told apart by the flag; 24:00 ends the day."""
    lines = [
        "Delivery Date,Hour Ending,Repeated Hour Flag,Settlement Point,Settlement Point Price",
        "11/02/2025,01:00,N,LZ_A,1", "11/02/2025,01:00,N,LZ_B,10",
        "11/02/2025,02:00,N,LZ_A,2", "11/02/2025,02:00,N,LZ_B,20",
        "11/02/2025,02:00,Y,LZ_A,3", "11/02/2025,02:00,Y,LZ_B,30",
        "11/02/2025,03:00,N,LZ_A,4", "11/02/2025,03:00,N,LZ_B,40",
        "11/02/2025,24:00,N,LZ_A,5", "11/02/2025,24:00,N,LZ_B,50",
    ]  # fmt: skip
    prices = read_prices(table_of(tmp_path, *lines), "ercot-day-ahead-points")
    assert [1, 2, 3, 4, 5] == prices["LZ_A"].tolist()
    assert [10, 20, 30, 40, 50] == prices["LZ_B"].tolist()
    assert ["02 05", "02 06", "02 07", "02 08", "03 05"] == [f"{stamp:%d %H}" for stamp in prices.index]
    assert prices.attrs["notes"] == ("1 gap in time, left as they are",)


def test_rows_of_a_region(tmp_path):
    """`where` keeps the rows of a region; without it the fault says how; a region that is not there is named."""
    lines = [
        "time,region,price",
        "2025-01-01T00:00,A,1",
        "2025-01-01T00:00,B,2",
        "2025-01-01T01:00,A,3",
        "2025-01-01T01:00,B,4",
    ]
    path = table_of(tmp_path, *lines)
    keys = {"unit": None, "columns": {"price": {"name": "price", "scale": 0.5}}}
    prices = read_prices(path, mapping_of(tmp_path, **keys, where={"region": "B"}))
    assert [1, 2] == prices["price"].tolist()
    with pytest.raises(
        SeriesError, match=r"line 3: price has two values .* column region \(A, B\) with where"
    ):
        read_prices(path, mapping_of(tmp_path, **keys))
    with pytest.raises(SeriesError, match=r"no row has 'C' in column region\. It holds 'A', 'B'"):
        read_prices(path, mapping_of(tmp_path, **keys, where={"region": "C"}))
    both = read_prices(
        path, mapping_of(tmp_path, unit=None, columns=None, pivot={"by": "region", "value": "price"})
    )
    assert {"A": [1, 3], "B": [2, 4]} == both.to_dict("list")


@pytest.mark.parametrize("zone", [None, "UTC", "Europe/Berlin"])
def test_parquet_with_times(tmp_path, zone):
    """Parquet with times, zoned or not, in a column or the index, reads as CSV does."""
    index = pd.date_range("2025-01-01", periods=3, freq="h", tz=zone, name="time")
    path = tmp_path / "table.parquet"
    pd.DataFrame({"kwh": [1.0, np.nan, 3.0]}, index=index).to_parquet(path)
    (channel,) = read_table(path, mapping_of(tmp_path)).channels
    shift = 1 if zone == "Europe/Berlin" else 0
    assert np.datetime64("2025-01-01T00:00") - np.timedelta64(shift, "h") == channel.start[0]
    assert [0, MISSING, 0] == channel.quality.tolist()


def test_gzip_and_a_preamble(tmp_path):
    """Compressed by content, a byte-order mark, lines before the headings, empty lines, a separator at line ends."""
    text = "\ufeffExport of a meter\n\ntime,kwh\n2025-01-01T00:00,1,\n\n2025-01-01T01:00,2,\n"
    path = tmp_path / "table.dat"
    path.write_bytes(gzip.compress(text.encode()))
    (channel,) = read_table(path, mapping_of(tmp_path, skip_lines=1)).channels
    assert [1, 2] == channel.energy.tolist()


# --- faults -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (["time,kwh", "2025-01-01T00:00,1.234,5"], "line 2: it has 3 fields"),
        (["time,kwh", '2025-01-01T00:00,"1,234"'], "line 2: column kwh holds '1,234', which may be thousands"),
        (["time,kwh", '2025-01-01T00:00,"1,5"'], "line 2: column kwh must hold numbers"),
        (["time,kwh", "2025-01-01T00:00,inf"], "must hold numbers"),
        (["time,kwh", "2025-01-01T00:00,n/a"], "name words that mean no value"),
        (["time,kwh", "2025-01-01T00:00,0x10"], "must hold numbers"),
        (["time,kwh", "2025-01-01T00:00,1e12"], "at most"),
        (["time,kwh", "01/02/2025 00:00,1"], "say stamp_format"),
        (["time,kwh", "2025-02-30T00:00,1"], "line 2: '2025-02-30T00:00' is no stamp"),
        (["time,kwh", ",1"], "is no stamp"),
        (["time,kwh", "2025-01-01T00:00,1", "2025-01-01T00:30,1"], "line 3: the interval of house"),
        (["time,kwh", "2025-01-01T00:00,1", "2025-01-01T00:00,2"], "line 3: house has two values"),
        (["time;kwh", "2025-01-01T00:00;1"], "say separator"),
        (["Time,kwh", "2025-01-01T00:00,1"], "Did you mean 'Time'?"),
        (["time,kwh,kwh", "2025-01-01T00:00,1,2"], "two columns are named 'kwh'"),
        (["time,kwh"], "no rows below its headings"),
        (["time,kwh", '2025-01-01T00:00,"1'], "it is no CSV"),
    ],
)  # fmt: skip
def test_faults_name_line_rule_and_way_out(tmp_path, lines, words):
    """What cannot be read in one way only is refused with its line."""
    faults = faults_of(tmp_path, lines)
    assert any(words in fault for fault in faults), faults


def test_all_faults_at_once(tmp_path):
    """Faults of values in two columns come together; many of one kind are counted."""
    lines = ["time,kwh,pv", *(f"2025-01-01T{hour:02d}:00,x,y" for hour in range(10))]
    faults = faults_of(tmp_path, lines, columns={"kwh": "house", "pv": "sun"})
    assert 12 == len(faults)
    assert 2 == sum("and 5 more such lines, the last 11" in fault for fault in faults)


def test_export_below_zero_needs_another_word(tmp_path):
    """A column called import with values below zero is a fault with two ways out."""
    (fault,) = faults_of(
        tmp_path, ["time,kwh", "2025-01-01T00:00,-1"], columns={"kwh": {"name": "house", "flow": "import"}}
    )
    assert 'flow = "net"' in fault


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"stamps": None}, "stamps is missing"),
        ({"stamps": "middle"}, "stamps: must be 'start' or 'end'"),
        ({"zone": "Mars"}, "zone"),
        ({"step_minutes": 7}, "step_minutes must divide a day"),
        ({"columns": None}, "columns must name"),
        ({"colums": "x"}, "colums is not known here"),
        ({"unit": "kVA"}, "unit"),
        ({"columns": {"a": "house", "b": "house"}}, "more than one column"),
    ],
)
def test_faults_of_mappings(tmp_path, change, words):
    """A mapping's faults name the key and what may stand there."""
    with pytest.raises(ScenarioError, match=r"mapping\.toml") as caught:
        read_mapping(mapping_of(tmp_path, **change))
    assert any(words in fault for fault in caught.value.faults), caught.value.faults


def test_mappings_that_are_no_mapping(tmp_path):
    """A file that is not there, no TOML, or no text."""
    with pytest.raises(ScenarioError, match="aemo-price-and-demand"):
        read_mapping("nothing")
    path = tmp_path / "mapping.toml"
    path.write_bytes(b"stamp = ")
    with pytest.raises(ScenarioError, match="not TOML"):
        read_mapping(path)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(ScenarioError, match="UTF-8"):
        read_mapping(path)


@pytest.mark.parametrize("name", shipped_mappings())
def test_shipped_mappings_are_sound(name):
    """Each shipped mapping reads without a fault and says what it is."""
    assert read_mapping(name).title


@given(st.data())
def test_damaged_tables_never_end_in_a_traceback(tmp_path_factory, data):
    """Bytes changed anywhere: a sentence, or numbers that stand in the damaged text."""
    folder = tmp_path_factory.getbasetemp()
    lines = ["time,kwh,note", *(f"2025-03-30T{hour:02d}:00,{hour}.5,ok" for hour in (0, 1, 3, 4, 5))]
    raw = bytearray("\n".join(lines).encode())
    for place in data.draw(st.lists(st.integers(0, len(raw) - 1), min_size=1, max_size=4)):
        raw[place] = data.draw(st.integers(0, 255) | st.sampled_from(b'0123456789.,-+e";\n\r '))
    path = folder / "damaged.csv"
    path.write_bytes(bytes(raw))
    try:
        (channel,) = read_table(path, mapping_of(folder, zone="Europe/Berlin")).channels
    except SeriesError:
        return
    cells = raw.decode("utf-8-sig").replace('"', "").replace("\r", "\n").replace("\n", ",").split(",")
    numbers = set()
    for cell in cells:
        try:
            numbers.add(float(cell))
        except ValueError:
            continue
    assert set(channel.energy[np.isfinite(channel.energy)]) <= numbers
    assert (np.diff(channel.start.astype("int64")) > 0).all()


# --- open data beside the checkout --------------------------------------------------------------------------------


@needs_data
def test_open_price_year_of_a_region():
    """AEMO, SA1, 2024: 105,408 intervals, lowest, mean and highest price as the set's description measured them."""
    prices = read_prices(
        DATA / "nem-5min-2024" / "PRICE_AND_DEMAND_2024_SA1.csv.gz", "aemo-price-and-demand"
    )["price_per_mwh"]
    assert 105_408 == len(prices)
    assert (-1000, 100.11, 17500) == (prices.min(), round(prices.mean(), 2), prices.max())
    assert ("2023-12-31 14:00", "2024-12-31 13:55") == tuple(
        f"{prices.index[at]:%Y-%m-%d %H:%M}" for at in (0, -1)
    )


@needs_data
def test_open_price_year_with_both_clock_changes():
    """ERCOT capacity prices 2023: every hour of the year once, the flag telling the repeated one apart."""
    prices = read_prices(
        DATA / "ercot-dam-2023" / "dam_as_clearing_prices_2023.csv.gz", "ercot-day-ahead-capacity"
    )
    hours = pd.date_range("2023-01-01 06:00", periods=8760, freq="h", tz="UTC")
    assert (hours == prices.index).all()
    assert 3839 == prices["contingency_per_mw_hour"].isna().sum()  # the service began on 2023-06-10


@needs_data
@pytest.mark.parametrize("position", ["Isp", None])
def test_open_price_year_of_quarters(position):
    """TenNet 2024: 35,136 quarters without a hole, by their count within the day and by their order alike."""
    mapping = read_mapping("tennet-settlement-prices").model_copy(update={"position": position})
    prices = read_prices(DATA / "nl-imbalance-2024" / "settlement_prices_2024.csv.gz", mapping)
    assert 35_136 == len(prices)
    assert (np.diff(prices.index.to_numpy()) == np.timedelta64(15, "m")).all()
    assert [(-1593.10, 96.22, 2888.0), (-1861.69, 66.18, 2888.0)] == [
        (column.min(), round(column.mean(), 2), column.max()) for _, column in prices.items()
    ]


@needs_data
def test_open_reserve_prices_that_run_backwards():
    """Energinet 2021: rows from the last hour to the first; mean and highest as the set's description measured them."""
    prices = read_prices(DATA / "dk-2021" / "raw" / "FCRND_2021.csv.gz", "energinet-reserves-dk2")
    assert 8760 == len(prices)
    assert prices.index.is_monotonic_increasing
    assert 188.45 == prices["fcr_normal_per_mw_hour"].max()
    assert 172.97 == prices["fcr_disturbance_up_per_mw_hour"].max()


@needs_data
def test_open_day_rows():
    """A year of a meter's half-hours, a row a day: 366 days and the sum of its cells, added up from the text."""
    path = DATA / "meter-files" / "wide_day_rows_30min_2013_14.csv"
    (channel,) = read_table(path, "meter-day-rows").channels
    rows = path.read_text(encoding="utf-8-sig").split("\n")[1:]
    total = sum(float(cell) for row in rows for cell in row.strip().split(",")[5:])
    assert 366 * 48 == len(channel.start)
    assert pytest.approx(total) == channel.energy.sum()
    assert np.datetime64("2013-11-30T14:00") == channel.start[0]
