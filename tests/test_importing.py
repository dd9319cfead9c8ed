"""The command that makes a source of meter and market files: what is written is what was read, and what is told is so.

All data are made up; the published day and the real year stand in the readers' own tests.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import real_data as real
from click.testing import CliRunner, Result
from conftest import table, write_site, xml_feed

from optimiser import OptimiserError, read_scenario, run
from optimiser.cli import main
from optimiser.importing import bring_in, source_text, use_lines, write_import
from optimiser.readers.detect import format_of
from optimiser.readers.readings import Channel, Readings, joined
from optimiser.readers.repair import gaps, method_of, repair
from optimiser.readers.tidy import tidy
from optimiser.series.table import Source, read_table


def call(*words: object) -> Result:
    """Run `optimiser import`."""
    return CliRunner().invoke(main, ["import", *map(str, words)])


def refused(result: Result, words: str) -> None:
    """Code 2, a sentence on standard error, no traceback."""
    assert (2, True) == (result.exit_code, words in result.stderr), result.output
    assert "Traceback" not in result.output


def day(values: list | np.ndarray, date: str = "20250101", flag: str = "A", updated: str = "") -> str:
    """A 300 record."""
    return f"300,{date},{','.join(map(str, values))},{flag},,,{updated},"


def meter(
    folder: Path, *registers: tuple[str, list[str]], nmi: str = "4123456789", minutes: int = 30
) -> Path:
    """A NEM12 file of registers and their 300 records."""
    lines = ["100,NEM12,202501020000,A,B"]
    for suffix, days in registers:
        lines += [f"200,{nmi},E1B1,,{suffix},,,kWh,{minutes},", *days]
    path = folder / "meter.csv"
    path.write_text("\n".join([*lines, "900", ""]), encoding="utf-8")
    return path


def channel(
    name: str, kind: str, energy: list[float], minutes: int = 30, start: str = "2025-01-01", **more
) -> Channel:
    """A channel from a moment in UTC on."""
    starts = np.datetime64(start, "s") + np.arange(len(energy)) * np.timedelta64(minutes * 60, "s")
    values = np.array(energy, float)
    quality = np.where(np.isnan(values), 3, 0).astype("int8")
    return Channel(name, kind, "kWh", minutes, starts, values, quality, **more)  # type: ignore[arg-type]


def readings(*channels: Channel) -> Readings:
    """What a file held."""
    return Readings("made.csv", "NEM12", channels)


# --- even steps ---------------------------------------------------------------------------------------------------


def test_energy_becomes_power():
    """5 kWh in half an hour are 10 kW (a demand metering rule of common use)."""
    found = tidy(readings(channel("m/E1", "import", [5.0, 0.0])))
    assert [10.0, 0.0] == found.frame["import_kw"].tolist()
    (facts,) = found.columns
    assert (5.0, 10.0, 0.0, 0) == (facts.total, facts.peak, facts.lowest, facts.missing)
    assert (("2025-01", 5.0),) == facts.months


@pytest.mark.parametrize(
    ("step", "kw"), [(60, [6.0, 1.0]), (30, [10.0, 2.0, 0.0, 2.0]), (15, [10, 10, 2, 2, 0, 0, 2, 2])]
)
def test_another_step_keeps_the_energy(step, kw):
    """Longer steps hold means, shorter ones repeat; kWh stay."""
    found = tidy(readings(channel("m/E1", "import", [5, 1, 0, 1])), step_minutes=step)
    assert kw == found.frame["import_kw"].tolist()
    assert 7.0 == pytest.approx(found.columns[0].total)
    assert (step != 30) == any("values are" in note for note in found.notes)


def test_a_hole_stays_a_hole():
    """A step with an unknown part is unknown; nothing is filled."""
    found = tidy(readings(channel("m/E1", "import", [5, np.nan, 0, 1])), step_minutes=60)
    assert [True, False] == np.isnan(found.frame["import_kw"]).tolist()
    assert 1 == found.columns[0].missing


def test_lengths_that_change_must_be_asked_for():
    """30 minutes, then 5: the message says where, and both ways out work."""
    old, new = (
        channel("m/E1 30 min", "import", [1] * 48, register="m/E1"),
        channel("m/E1 5 min", "import", [0.25] * 288, 5, "2025-01-02", register="m/E1"),
    )
    both = readings(old, new)
    with pytest.raises(
        OptimiserError, match=r"m/E1 changes from 30 to 5 min intervals at 2025-01-02 00:00 \(UTC\)"
    ):
        tidy(both)
    assert [2.0] * 48 + [3.0] * 48 == tidy(both, step_minutes=30).frame["import_kw"].tolist()
    assert [2.0] * 288 + [3.0] * 288 == tidy(both, step_minutes=5).frame["import_kw"].tolist()
    assert 48 == len(tidy(both, ["m/E1 30 min"]).frame)


def test_lengths_that_share_time_are_refused():
    """An hour and its quarters."""
    both = readings(
        channel("m/1 60 min", "import", [1], 60, register="m/1"),
        channel("m/1 15 min", "import", [1] * 4, 15, register="m/1"),
    )
    with pytest.raises(OptimiserError, match="share time, first at 2025-01-01 00:00"):
        tidy(both, step_minutes=60)


def test_a_date_that_cannot_be_meant_is_told():
    """A digit gone wrong in one date would make a frame of many years without a value."""
    far = readings(channel("m/1", "import", [1]), channel("m/2", "import", [1], start="2092-01-01"))
    with pytest.raises(OptimiserError, match="from 2025-01-01 to 2092-01-01, more than 30 years"):
        tidy(far)


def test_days_are_cut_on_the_named_clock():
    """Six hours before midnight UTC belong to the next month in Sydney."""
    energy = [1.0] * 24
    at = {
        zone: tidy(readings(channel("m/E1", "import", energy, 60, "2025-01-31")), zone=zone)
        for zone in ("UTC", "Australia/Sydney")
    }
    assert (("2025-01", 24.0),) == at["UTC"].columns[0].months
    assert (("2025-01", 13.0), ("2025-02", 11.0)) == at["Australia/Sydney"].columns[0].months


# --- registers ----------------------------------------------------------------------------------------------------


def test_registers_of_a_kind_are_added_and_checks_are_not():
    """E1 and E2 make import_kw; F1 checks them."""
    found = tidy(
        readings(
            channel("m/E1", "import", [1, 1]),
            channel("m/E2", "import", [2, np.nan]),
            channel("m/F1", "import", [3, 3], is_check=True),
            channel("m/B1", "export", [0.5, 0]),
        )
    )
    assert ["import_kw", "e1_kw", "e2_kw", "f1_kw", "export_kw"] == list(found.frame.columns)
    assert 6.0 == found.frame["import_kw"].iloc[0]
    assert np.isnan(found.frame["import_kw"].iloc[1])
    assert any("m/F1: they check another register" in note for note in found.notes)
    assert any("import - export + solar production" in note for note in found.notes)


def test_readings_of_a_feed_are_not_added():
    """An hourly and a quarter-hourly reading of one point may be the same energy twice."""
    found = tidy(
        Readings("f", "Green Button", (channel("1/01", "import", [1]), channel("1/02", "import", [1])))
    )
    assert ["r01_kw", "r02_kw"] == list(found.frame.columns)
    assert any("take what you need with --channel" in note for note in found.notes)


def test_several_meters_keep_their_names():
    """Nothing of one meter is added to another."""
    found = tidy(readings(channel("41/E1", "import", [1]), channel("42/E1", "import", [2])))
    assert ["m41_import_kw", "m42_import_kw"] == list(found.frame.columns)
    assert ["import_kw"] == list(tidy(readings(channel("41/E1", "import", [1])), ["e1"]).frame.columns)


def test_an_unknown_channel_is_named():
    """With those that there are."""
    with pytest.raises(OptimiserError, match=r"'E9' names no single channel. The channels are 41/E1, 42/E1"):
        tidy(readings(channel("41/E1", "import", [1]), channel("42/E1", "import", [2])), ["E9"])


def test_files_that_overlap_must_agree():
    """The same interval from two files."""
    one, two = (
        readings(channel("m/1", "import", [1, 2])),
        readings(channel("m/1", "import", [2, 3], start="2025-01-01T00:30")),
    )
    assert [1, 2, 3] == joined([one, two]).channels[0].energy.tolist()
    with pytest.raises(OptimiserError, match="two values for an interval, first at 2025-01-01 00:30Z"):
        joined([one, readings(channel("m/1", "import", [9, 3], start="2025-01-01T00:30"))])


# --- repair -------------------------------------------------------------------------------------------------------


def frame(values: list[float], minutes: int = 60, start: str = "2025-01-01") -> pd.DataFrame:
    """A column on even steps."""
    index = pd.date_range(start, periods=len(values), freq=f"{minutes}min", tz="UTC").as_unit("s")
    return pd.DataFrame({"import_kw": values}, index=index)


NAN = float("nan")


@pytest.mark.parametrize(
    ("words", "values", "mended"),
    [
        ("hold:2", [1, NAN, NAN, 4, NAN, NAN, NAN, 8], [1, 1, 1, 4, NAN, NAN, NAN, 8]),
        ("interpolate:2", [1, NAN, NAN, 4, NAN, NAN, NAN, 8], [1, 2, 3, 4, NAN, NAN, NAN, 8]),
        ("hold:9", [NAN, 1, NAN], [NAN, 1, NAN]),
        ("interpolate:9", [NAN, 1, NAN], [NAN, 1, NAN]),
    ],
)
def test_gaps_up_to_a_length_are_filled(words, values, mended):
    """Longer gaps stay whole, and so do the ends."""
    made, done = repair(frame(values), [method_of(words)], "UTC")
    assert np.array_equal(mended, made["import_kw"], equal_nan=True)
    filled = [
        place for place, value in enumerate(values) if value != value and mended[place] == mended[place]
    ]
    assert [frame(values).index[place] for place in filled] == [entry.start for entry in done]
    assert [mended[place] for place in filled] == [entry.value for entry in done]


def test_the_same_time_last_week_goes_by_the_clock():
    """Across the change of 30 March 2025 in Berlin, 12:00 is 11:00Z and then 10:00Z (tz database)."""
    values = np.arange(14 * 24, dtype=float)
    start = pd.Timestamp("2025-03-24T00:00Z")
    hole = int((pd.Timestamp("2025-03-31T12:00+02:00") - start) / pd.Timedelta(hours=1))
    donor = int((pd.Timestamp("2025-03-24T12:00+01:00") - start) / pd.Timedelta(hours=1))
    values[hole] = NAN
    made, (entry,) = repair(
        frame(list(values), start="2025-03-24"), [method_of("same_time_last_week")], "Europe/Berlin"
    )
    assert float(donor) == made["import_kw"].iloc[hole] == entry.value


def test_what_was_filled_fills_nothing_more():
    """The same hour missing two weeks running: the second has no measured week before it."""
    values = np.ones(21 * 24)
    values[[8 * 24, 15 * 24]] = NAN
    made, done = repair(frame(list(values)), [method_of("same_time_last_week")], "UTC")
    assert (1, 1) == (len(done), int(made["import_kw"].isna().sum()))


def test_methods_follow_each_other_and_slips_are_named():
    """Short gaps by one, the rest by another; an unknown method is refused."""
    values = [1.0] * (8 * 24)
    values[170], values[180:185] = NAN, [NAN] * 5
    _, done = repair(frame(values), [method_of("interpolate:1"), method_of("same_time_last_week")], "UTC")
    assert ["interpolate"] + ["same_time_last_week"] * 5 == [entry.method for entry in done]
    assert [(0, 1), (2, 4)] == gaps(np.array([NAN, 1, NAN, NAN]))
    for words in ("hold", "hold:0", "mend", "interpolate:x", "same_time_last_week:3"):
        with pytest.raises(OptimiserError, match="is not known"):
            method_of(words)


# --- the command --------------------------------------------------------------------------------------------------


def test_what_is_written_runs_as_a_source(tmp_path):
    """Two days of half-hours through the command, its pasted lines, a scenario and a bill of 48 kWh at "
    "0.30."""
    path = meter(tmp_path, ("E1", [day([0.5] * 48), day([0.5] * 48, "20250102")]))
    folder = tmp_path / "site"
    done = call(path, "--into", folder, "--name", "home")
    assert 0 == done.exit_code, done.output
    assert "import_kw (from 4123456789/E1): 48.000 kWh, highest 1.000 kW at 2025-01-01 00:00" in done.stdout
    pasted = done.stdout[done.stdout.index("[source.home]") :]
    source = tomllib.loads(pasted.split("\n\n")[0])["source"]["home"]
    assert {
        "file": "home.parquet",
        "time_column": "interval_start",
        "stamps": "start",
        "step_minutes": 30,
    } == source
    load = re.search(r'power_kw = "(home\.\w+)"', pasted)
    assert load
    text = table(
        days=2,
        step_minutes=30,
        zone="UTC+10:00",
        site={
            "phases": 1,
            "connection": {"import_limit_kw": 10, "export_limit_kw": 0},
            "load": [{"power_kw": load[1]}],
        },
        components=[{"kind": "energy_charge", "rates": [{"name": "all", "rate_per_kwh": 0.30}]}],
    )
    write_site(folder, text + "\n" + pasted.split("\n\n")[0], {})
    assert 14.40 == pytest.approx(run(read_scenario(folder)).summary.headline.bill_before)


def test_a_load_behind_solar_is_restored_from_what_is_written(tmp_path):
    """Import 0.25 kWh and export 0.75 kWh of 1.5 kWh of sun in a half-hour: 1 kWh used, 2 kW."""
    path = meter(tmp_path, ("E1", [day([0.25] * 48)]), ("B1", [day([0.75] * 48)]))
    done = call(path, "--into", tmp_path, "--name", "home")
    assert "optimiser make load" in done.stderr
    sun = pd.date_range("2024-12-31T14:00Z", periods=48, freq="30min")
    pd.DataFrame({"interval_start": sun, "solar_kw": 3.0}).to_parquet(tmp_path / "sun.parquet")
    common = 'unit = "kw"\nstamps = "start"\nzone = "UTC"\nstep_minutes = 30\n'
    (tmp_path / "load.toml").write_text(
        'method = "gross"\nzone = "UTC+10:00"\n'
        f'[meter]\nfile = "home.parquet"\ncolumn = "import_kw"\nexport_column = "export_kw"\n{common}'
        f'[solar]\nfile = "sun.parquet"\ncolumn = "solar_kw"\n{common}'
    )
    made = CliRunner().invoke(main, ["make", "load", str(tmp_path / "load.toml")])
    assert 0 == made.exit_code, made.output
    assert {2.0} == set(pd.read_parquet(tmp_path / "load.parquet").iloc[:, 1].round(9))


def test_notes_travel_with_the_file(tmp_path):
    """Where a scenario reads it, substitutes are a note and repairs a warning."""
    path = meter(
        tmp_path, ("E1", [day([0.5] * 48, flag="S51"), day([0.5] * 20 + [""] + [0.5] * 27, "20250102")])
    )
    assert 0 == call(path, "--into", tmp_path, "--name", "home", "--repair", "hold:1").exit_code
    source = Source(file="home.parquet", stamps="start", step_minutes=30)
    read_back = read_table("home", source, tmp_path / "home.parquet")
    assert "4123456789/E1: 47 actual, 48 substituted, 1 missing intervals." in read_back.notes
    assert ("import_kw: 1 steps were repaired by hold.",) == read_back.warnings


def test_a_hole_is_refused_by_the_scenario_until_it_is_repaired(tmp_path):
    """A null is never zero: the scenario's own check names it."""
    path = meter(
        tmp_path,
        ("E1", [day([0.5] * 40 + [""] * 8, flag="N"), day([0.5] * 20 + [""] * 2 + [0.5] * 26, "20250102")]),
    )
    done = call(path, "--into", tmp_path, "--name", "raw")
    assert (
        "missing: 50 steps in 2 gaps: 2025-01-01 00:00 (48 steps), 2025-01-02 10:00 (2 steps)" in done.stdout
    )
    assert "not all actual on 2 days: 2025-01-01, 2025-01-02" in done.stdout
    mended = call(path, "--into", tmp_path, "--name", "mended", "--repair", "interpolate:2")
    assert (
        "repaired by interpolate: 2 steps (import_kw 2025-01-02 10:00, import_kw 2025-01-02 10:30)"
        in mended.stdout
    )
    raw, whole = (pd.read_parquet(tmp_path / f"{name}.parquet")["import_kw"] for name in ("raw", "mended"))
    assert (50, 48) == (int(raw.isna().sum()), int(whole.isna().sum()))


def test_nothing_is_written_over(tmp_path):
    """Both files stay as they are, until --overwrite."""
    path = meter(tmp_path, ("E1", [day([1] * 48)]))
    assert 0 == call(path, "--into", tmp_path, "--name", "home").exit_code
    before = (tmp_path / "home.parquet").read_bytes()
    meter(tmp_path, ("E1", [day([2] * 48)]))
    refused(
        call(path, "--into", tmp_path, "--name", "home"),
        "there already, and not written over. Say --overwrite",
    )
    assert before == (tmp_path / "home.parquet").read_bytes()
    assert 0 == call(path, "--into", tmp_path, "--name", "home", "--overwrite").exit_code
    assert 4.0 == pd.read_parquet(tmp_path / "home.parquet")["import_kw"][0]
    assert {"meter.csv", "home.parquet", "home.html"} == {file.name for file in tmp_path.iterdir()}


def test_green_button_and_tables_go_the_same_way(tmp_path):
    """A feed, a table of loads, a table of prices: each told apart by its first bytes or its mapping."""
    feed = tmp_path / "feed.xml"
    feed.write_text(xml_feed([(1735689600 + 3600 * hour, 500) for hour in range(24)]), encoding="utf-8")
    done = call(feed, "--into", tmp_path, "--name", "feed", "--zone", "America/Chicago")
    assert "import_kw (from 1/1): 12.000 kWh" in done.stdout
    loads = tmp_path / "loads.csv"
    loads.write_text("when,house\n" + "".join(f"2025-01-01 {hour:02d}:00,1.5\n" for hour in range(24)))
    mapping = tmp_path / "loads.toml"
    mapping.write_text(
        'stamp = "when"\nstamps = "start"\nzone = "UTC"\nstep_minutes = 60\nunit = "kW"\n[columns]\nhouse = '
        '"load"\n'
    )
    done = call(loads, "--mapping", mapping, "--into", tmp_path, "--name", "loads")
    assert 'power_kw = "loads.load_kw"' in done.stdout
    prices = tmp_path / "prices.csv"
    rows = [f"SA1,2025/01/01 {m // 60:02d}:{m % 60:02d}:00,1200,{m},TRADE" for m in range(5, 65, 5)]
    prices.write_text("\n".join(["REGION,SETTLEMENTDATE,TOTALDEMAND,RRP,PERIODTYPE", *rows, ""]))
    done = call(prices, "--mapping", "aemo-price-and-demand", "--into", tmp_path, "--name", "market")
    assert 'price_per_mwh = "market.price_per_mwh"' in done.stdout
    written = pd.read_parquet(tmp_path / "market.parquet")
    assert pd.Timestamp("2024-12-31T14:00Z") == written["interval_start"][0]
    assert list(range(5, 65, 5)) == written["price_per_mwh"].tolist()


def test_prices_are_never_averaged(tmp_path):
    """Shorter steps repeat a price, longer ones are refused."""
    path = tmp_path / "prices.csv"
    path.write_text("HourUTC,SpotPriceEUR\n2025-01-01T00:00,10\n2025-01-01T01:00,30\n")
    mapping = tmp_path / "spot.toml"
    mapping.write_text(
        'stamp = "HourUTC"\nstamps = "start"\nzone = "UTC"\nstep_minutes = 60\n'
        '[columns]\nSpotPriceEUR = "spot_per_mwh"\n'
    )
    made = bring_in([path], "spot", mapping=str(mapping), step_minutes=30)
    assert [10, 10, 30, 30] == made.found.frame["spot_per_mwh"].tolist()
    refused(
        call(path, "--mapping", mapping, "--step", "120", "--name", "spot"), "Averaged prices hide spikes"
    )


def test_a_table_without_mapping_is_told_its_columns(tmp_path):
    """A shipped mapping that fits is named; else there is one to complete, which then works."""
    path = tmp_path / "prices.csv"
    path.write_text(
        "REGION,SETTLEMENTDATE,TOTALDEMAND,RRP\nSA1,2025/01/01 00:05:00,1,2\nSA1,2025/01/01 00:10:00,1,2\n"
    )
    refused(call(path, "--name", "a"), "say --mapping aemo-price-and-demand")
    path.write_text("when;house\n" + "".join(f"2025-01-01 {hour:02d}:00;1\n" for hour in range(24)))
    told = call(path, "--name", "a")
    refused(told, "needs a mapping")
    mapping = tmp_path / "drafted.toml"
    mapping.write_text(
        told.stderr[told.stderr.index("stamp = ") :].replace("step_minutes = 30", "step_minutes = 60")
    )
    assert {"load_kw"} == set(bring_in([path], "a", mapping=str(mapping)).found.frame.columns)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--name", "My meter"], "--name must be small letters, digits and underscores, got 'My meter'"),
        (["--name", "a", "--step", "7"], "--step must be minutes that divide a day, got 7"),
        (["--name", "a", "--zone", "Australia/Sidney"], 'did you mean "Australia/Sydney"?'),
        (["--name", "a", "--repair", "guess"], "--repair guess is not known"),
        (["--name", "a", "--channel", "B7"], "'B7' names no single channel. The channels are 4123456789/E1"),
        (["--name", "a", "--mapping", "meter-day-rows", "--as", "nem12"], "--mapping is for table"),
        (["--name", "a", "--unit", "Wh"], "--unit is for greenbutton"),
        (["--name", "a", "--as", "greenbutton"], "not well-formed XML"),
        (["--name", "a", "--mapping", "no-such"], "the mapping does not exist"),
    ],
)
def test_slips_are_told_in_a_sentence(tmp_path, options, words):
    """What came, the rule, the way out; nothing is written."""
    path = meter(tmp_path, ("E1", [day([1] * 48)]))
    refused(call(path, "--into", tmp_path / "out", *options), words)
    assert not (tmp_path / "out").exists()


def test_formats_are_told_only_where_certain(tmp_path):
    """Mixed formats and lines that could be anything are asked about."""
    path = meter(tmp_path, ("E1", [day([1] * 48)]))
    feed = tmp_path / "feed.xml"
    feed.write_text(xml_feed([(3600, 5)]))
    assert ["nem12", "greenbutton"] == [format_of(path), format_of(feed)]
    refused(
        call(path, feed, "--name", "a"), "meter.csv is nem12, feed.xml is greenbutton. Import them apart."
    )
    odd = tmp_path / "odd.txt"
    odd.write_text("1 2 3\n")
    refused(call(odd, "--name", "a"), "its format is not certain")
    refused(call(tmp_path / "none.csv", "--name", "a"), "does not exist")
    target = tmp_path / "file"
    target.write_text("")
    refused(call(path, "--into", target / "below", "--name", "a"), "cannot be written to: ")


# --- the page -----------------------------------------------------------------------------------------------------


def test_the_page_shows_gaps_flags_and_repairs_and_escapes_names(tmp_path):
    """No address to load from, a policy, text of files escaped."""
    days = [day([0.5] * 48, flag="S51"), day([0.5] * 10 + [""] * 38, "20250102", "V")]
    path = meter(tmp_path, ("E1", [*days, '400,1,10,A,79,"<script>alert(1)</script>"', "400,11,48,N,,"]))
    made = bring_in([path], "home", repairs=["hold:2"])
    page = write_import(made, tmp_path)["page"].read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "default-src &#39;none&#39;" in page
    bare = re.sub("<script>.*?</script>", "", page, flags=re.DOTALL)
    assert not re.search(r'(?:src|href)="(?!data:|#)', bare)
    for words in (
        "Month by month, day by hour",
        "days that are not all actual",
        "S51",
        "import_kw: 1 gap",
        "Nothing was repaired",
    ):
        assert words in page, words
    assert source_text(made).splitlines()[0] in page
    assert "# redate = " in source_text(made)  # commented, for a timeline of another year
    assert use_lines(made)[0].split("#")[0].strip().replace('"', "&#34;") in page


@pytest.mark.skipif(not real.DATA.is_dir(), reason=f"the real data are not in {real.DATA}")
def test_two_exports_of_one_real_meter_agree():
    """A home's year as NEM12 and as day rows (both as its distributor gave them): every half-hour that "
    "both hold."""
    folder = real.DATA / "meter-files"
    one = bring_in([folder / "nem12_30min_2014.csv"], "a").found.frame["import_kw"]
    other = bring_in([folder / "wide_day_rows_30min_2013_14.csv"], "b", mapping="meter-day-rows").found.frame[
        "import_kw"
    ]
    both = pd.concat([one, other], axis=1, join="inner")
    assert 365 * 48 == len(both)
    assert 0.0 == (both.iloc[:, 0] - both.iloc[:, 1]).abs().max()
