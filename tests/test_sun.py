"""Solar power: the sun's place, weather files of every kind, re-dating, inverter, and what is refused.

Weather is that of files which pvlib ships (TMY3 of Greensboro and Sand Point, National Renewable Energy Laboratory);
the EPW and PVGIS files are written here from it, by the formats' own documentation.
"""

from __future__ import annotations

import datetime
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from conftest import table, write_site
from hypothesis import given, settings
from hypothesis import strategies as st

import optimiser
from optimiser import SeriesError
from optimiser.cli import main
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.making.made import Made, to_paste, write
from optimiser.making.sun import GridInverter, SunRecipe, inverter_output, make_sun
from optimiser.making.weather import (
    Place,
    Weather,
    closure_misfit,
    read_weather,
    solar_library,
    sun_position,
    without_old_names,
)

pvlib = pytest.importorskip("pvlib")

DATA = Path(pvlib.__path__[0]) / "data"
GREENSBORO, SAND_POINT = DATA / "723170TYA.CSV", DATA / "703165TY.csv"
LATITUDE, LONGITUDE, CLOCK = 36.1, -79.95, -5
ROOF = {
    "name": "roof",
    "size_kwp": 4.0,
    "tilt_degrees": 36.1,
    "azimuth_degrees": 180.0,
    "mounting": "open_rack",
}


def recipe(
    weather: Path | str | None = GREENSBORO, *, year: int = 2025, zone: str = "UTC-05:00", **more: Any
) -> SunRecipe:
    """A recipe for one roof of 4 kWp."""
    fields = {"start": datetime.date(year, 1, 1), "zone": zone, "array": [ROOF]}
    return SunRecipe.model_validate(fields | {"weather": weather and str(weather)} | more)


def power(made: Made) -> pd.Series:
    """Power of 1 kWp by the start of its step in UTC."""
    return made.series("roof_kw_per_kwp")


@pytest.fixture(scope="module")
def greensboro() -> Made:
    """A year of the roof in Greensboro."""
    return make_sun(recipe(), Path())


# --- where the sun stands ---


def test_the_sun_stands_where_the_published_example_has_it():
    """NREL/TP-560-34302 (Reda and Andreas, 2003), worked example: 17 October 2003, 12:30:30 at UTC-7, 39.742476 N,
    105.1786 W, 1830.14 m: zenith 50.11162, azimuth 194.34024 degrees (with 820 mbar and 11 degrees C, which refract by
    0.0163; at the standard air taken here by 0.003 more)."""
    moment = pd.DatetimeIndex([pd.Timestamp("2003-10-17 12:30:30-07:00")])
    sun = sun_position(moment, Place(39.742476, -105.1786, 1830.14)).iloc[0]
    assert 50.11162 == pytest.approx(sun["apparent_zenith"], abs=0.005)
    assert 194.34024 == pytest.approx(sun["azimuth"], abs=0.001)


# --- weather files ---


@pytest.mark.parametrize("path", [GREENSBORO, SAND_POINT], ids=["Greensboro", "Sand Point"])
def test_hours_of_a_typical_year_fit_the_sun_at_their_middle(path):
    """TMY3 stamps end their hour (Users Manual, NREL/TP-581-43156): global - diffuse = beam x cos(zenith) holds to
    2 W/m2 with the sun half an hour before the stamp, and misses by ten times as much at either end of the hour."""
    weather = read_weather(path)
    assert (8760, 30.0) == (len(weather.hours), weather.moment_minutes)
    assert () == weather.warnings
    assert closure_misfit(weather, 30.0) < 2.0
    assert min(closure_misfit(weather, minutes) for minutes in (0.0, 60.0)) > 10 * closure_misfit(
        weather, 30.0
    )


def test_power_is_that_of_the_librarys_own_chain(greensboro):
    """The same weather, sun at mid-hour, through pvlib's ModelChain.with_pvwatts (transposition, reflection,
    temperature, DC and AC model are its own choices) gives every hour of the year."""
    data, meta = pvlib.iotools.read_tmy3(GREENSBORO, coerce_year=2001)
    # Its albedo is 0 for none and its pressure in another unit than the chain's: both sides take their defaults.
    data = data[["ghi", "dni", "dhi", "temp_air", "wind_speed"]]
    data.index = greensboro.timeline.starts + pd.Timedelta(minutes=30)
    mount = pvlib.pvsystem.FixedMount(36.1, 180)
    system = pvlib.pvsystem.PVSystem(
        arrays=[
            pvlib.pvsystem.Array(
                mount,
                module_parameters={"pdc0": 4.0, "gamma_pdc": -0.0037},
                temperature_model_parameters=pvlib.temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"][
                    "open_rack_glass_polymer"
                ],
            )
        ],
        inverter_parameters={"pdc0": 3.5 / 0.96, "eta_inv_nom": 0.96},
        losses_parameters=dict.fromkeys(("shading", "snow", "mismatch", "wiring", "connections", "lid"), 0)
        | {"soiling": 14, "nameplate_rating": 0, "age": 0, "availability": 0},
    )
    place = pvlib.location.Location(LATITUDE, LONGITUDE, altitude=meta["altitude"])
    with without_old_names():
        chain = pvlib.modelchain.ModelChain.with_pvwatts(system, place).run_model(data)
    _same_hours(greensboro.columns["dc_kw"], chain.results.dc)
    made = make_sun(recipe(inverter={"output_kw": 3.5}), Path())
    _same_hours(made.columns["ac_kw"], chain.results.ac)


def _same_hours(own: np.ndarray, chain: pd.Series) -> None:
    """Equal but for some hours of the lowest sun, which the chain lifts by the refraction of each hour's air."""
    apart = np.abs(own - chain.fillna(0).clip(lower=0).to_numpy())
    assert (apart > 2e-4).sum() < 30
    assert apart.max() < 0.03
    assert float(chain.clip(lower=0).sum()) == pytest.approx(float(own.sum()), rel=1e-4)


def test_a_years_light_and_yield_are_those_of_the_region(greensboro):
    """Light at latitude tilt in North Carolina: 4.37 to 5.15 kWh/m2 a day, 4.88 over the state (National Renewable
    Energy Laboratory, high-resolution flat-plate data 1998-2005, as quoted in a county's reference data). Yield after
    PVWatts' 14 % losses: three quarters to nine tenths of the light (common practice, no source)."""
    lossless = make_sun(recipe(array=[ROOF | {"losses_fraction": 0.0, "power_per_kelvin": 0.0}]), Path())
    light = float(power(lossless).sum()) / 365
    assert 4.37 < light < 5.15
    ratio = float(power(greensboro).sum()) / 365 / light
    assert 0.75 < ratio < 0.90


def test_the_default_losses_are_those_of_pvwatts():
    """PVWatts Version 5 Manual (NREL/TP-6A20-62641), table of system losses: 14.08 % in all, rounded to 14 %."""
    assert 0.1408 == pytest.approx(pvlib.pvsystem.pvwatts_losses() / 100, abs=5e-5)
    assert 0.14 == recipe().array[0].losses_fraction


def _hours() -> pd.DataFrame:
    """Greensboro's light and air by start of hour, standard time, as the file's rows have it."""
    raw = pd.read_csv(GREENSBORO, skiprows=1)
    names = ["GHI (W/m^2)", "DNI (W/m^2)", "DHI (W/m^2)", "Dry-bulb (C)", "Wspd (m/s)"]
    return raw[names].set_axis(["ghi", "dni", "dhi", "air", "wind"], axis=1)


def write_epw(path: Path, hours: pd.DataFrame, leap: bool = False) -> Path:
    """An EPW file: eight lines of head, then 35 fields an hour, hours 1 to 24 (EnergyPlus, "Auxiliary Programs")."""
    starts = pd.date_range("2004" if leap else "2001", periods=len(hours), freq="h")
    head = [
        f"LOCATION,Somewhere,NC,USA,TMY3,723170,{LATITUDE},{LONGITUDE},{CLOCK}.0,273.0",
        *["COMMENT,"] * 7,
    ]
    rows = [
        f"{s.year},{s.month},{s.day},{s.hour + 1},60,?,{h.air},0,50,100000,0,0,300,{h.ghi},{h.dni},{h.dhi},0,0,0,0,0,"
        f"{h.wind},0,0,0,0,0,0,0,0,0,0,0,0,0"
        for s, h in zip(starts, hours.itertuples(), strict=True)
    ]
    path.write_text("\n".join([*head, *rows]) + "\n")
    return path


def write_pvgis_typical(path: Path, rows: pd.DataFrame, offset: float | None) -> Path:
    """A PVGIS typical year in CSV; the head says how far past the hour the values are, or does not."""
    head = [
        f"Latitude (decimal degrees): {LATITUDE}",
        f"Longitude (decimal degrees): {LONGITUDE}",
        "Elevation (m): 273.0",
    ]
    head += [] if offset is None else [f"Irradiance Time Offset (h): {offset / 60:.4f}"]
    head += ["month,year", *(f"{month},2007" for month in range(1, 13))]
    head += ["time(UTC),T2m,RH,G(h),Gb(n),Gd(h),IR(h),WS10m,WD10m,SP"]
    stamps = pd.date_range("2007", periods=8760, freq="h").strftime("%Y%m%d:%H%M")
    body = [
        f"{s},{r.air},50,{r.ghi},{r.dni},{r.dhi},300,{r.wind},0,100000"
        for s, r in zip(stamps, rows.itertuples(), strict=True)
    ]
    path.write_text("\n".join([*head, *body, "", "T2m: 2-m air temperature (degree Celsius)"]) + "\n")
    return path


def write_pvgis_hourly(
    path: Path, rows: pd.DataFrame, years: list[int], minute: int, slope: float, facing: float
) -> Path:
    """A PVGIS hourly file in CSV, its azimuth counted from south; each year gets the same rows."""
    head = [
        f"Latitude (decimal degrees):\t{LATITUDE}",
        f"Longitude (decimal degrees):\t{LONGITUDE}",
        "Elevation (m):\t273",
    ]
    head += [
        "Radiation database:\tPVGIS-SARAH2",
        "",
        "",
        f"Slope: {slope:g} deg. ",
        f"Azimuth: {facing - 180:g} deg. ",
    ]
    head += ["time,Gb(i),Gd(i),Gr(i),H_sun,T2m,WS10m,Int"]
    body = []
    for year in years:
        stamps = pd.date_range(f"{year}-01-01 00:{minute:02d}", periods=8760, freq="h").strftime(
            "%Y%m%d:%H%M"
        )
        body += [
            f"{s},{r.direct:.3f},{r.diffuse:.3f},{r.ground:.3f},0,{r.air},{r.wind},0"
            for s, r in zip(stamps, rows.itertuples(), strict=True)
        ]
    path.write_text(
        "\n".join([*head, *body, "", "Int: 1 means solar radiation values are reconstructed"]) + "\n"
    )
    return path


def test_an_energyplus_file_gives_what_the_typical_year_gives(tmp_path, greensboro):
    """The same hours as EPW, whose reader labels their start where that of TMY3 labels their end: not a step apart."""
    made = make_sun(recipe(write_epw(tmp_path / "w.epw", _hours())), tmp_path)
    np.testing.assert_allclose(power(made), power(greensboro), atol=1e-9)


def test_a_file_an_hour_off_is_pointed_out(tmp_path, greensboro):
    """Rows pushed an hour later than the sun has them: the file says so itself, by its beam, diffuse and global;
    told the right moment, the power is that of the right file."""
    late = pd.DataFrame(np.roll(_hours().to_numpy(), 1, axis=0), columns=_hours().columns)
    weather = read_weather(write_epw(tmp_path / "w.epw", late))
    assert "stands 60 min earlier than its stamps say" in weather.warnings[0]
    assert "say moment_minutes = -30 in the recipe" in weather.warnings[0]
    told = make_sun(recipe(tmp_path / "w.epw", moment_minutes=-30), tmp_path)
    assert () == told.warnings
    hour_late = np.roll(power(greensboro).to_numpy(), 1)
    np.testing.assert_allclose(np.roll(hour_late, -1)[24:-24], power(told).to_numpy()[24:-24], atol=2e-3)


def clear_rows(minute: float) -> pd.DataFrame:
    """A year of clear sky at Greensboro, taken `minute` past each UTC hour of 2007."""
    moments = pd.date_range("2007-01-01T00:00Z", periods=8760, freq="h") + pd.Timedelta(minutes=minute)
    with without_old_names():
        sky = pvlib.location.Location(LATITUDE, LONGITUDE, altitude=273).get_clearsky(moments)
    return sky.round(3).assign(air=15.0, wind=1.0)


@pytest.mark.parametrize("said", [True, False], ids=["moment in the head", "moment not said"])
def test_values_of_a_moment_are_brought_to_their_hour(tmp_path, said):
    """PVGIS values are taken at a moment past the hour (its users' manual). A clear year taken at 12 min past, said in
    the head or not, gives the hourly means of that clear year: 0.3 % in energy, 2 % of rating in nearly every hour."""
    path = write_pvgis_typical(tmp_path / "tmy.csv", clear_rows(12), 12 if said else None)
    made = make_sun(recipe(path), tmp_path)
    assert any("12 min past" in note if said else "10 min past" in note for note in made.notes)
    clear = recipe(
        None,
        clear_sky=True,
        latitude=LATITUDE,
        longitude=LONGITUDE,
        altitude_m=273,
        air_celsius=15,
        step_minutes=60,
    )
    expected = power(make_sun(clear, tmp_path))
    assert expected.sum() == pytest.approx(power(made).sum(), rel=3e-3)
    assert np.quantile(np.abs(expected - power(made)), 0.97) < 0.02


def test_a_flat_hourly_file_serves_every_plane(tmp_path):
    """PVGIS hourly radiation with slope 0: beam from horizontal beam, the same year as by beam, diffuse and global."""
    rows = clear_rows(10)
    flat = rows.assign(direct=(rows["ghi"] - rows["dhi"]).clip(lower=0), diffuse=rows["dhi"], ground=0.0)
    path = write_pvgis_hourly(tmp_path / "flat.csv", flat, [2006, 2007], 10, 0, 180)
    with pytest.raises(
        SeriesError, match=r"holds the years 2006 to 2007. Choose one, such as weather_year = 2007"
    ):
        make_sun(recipe(path), tmp_path)
    made = make_sun(recipe(path, weather_year=2007), tmp_path)
    typical = make_sun(recipe(write_pvgis_typical(tmp_path / "tmy.csv", rows, 10)), tmp_path)
    assert power(typical).sum() == pytest.approx(power(made).sum(), rel=5e-3)
    np.testing.assert_allclose(power(made), power(typical), atol=0.03)


def test_an_hourly_file_on_a_plane_serves_that_plane_only(tmp_path):
    """Light that is already on the plane is taken as it is; another plane is refused with the way out."""
    rows = clear_rows(30).assign(direct=500.0, diffuse=100.0, ground=10.0)
    path = write_pvgis_hourly(tmp_path / "plane.csv", rows, [2007], 30, 35, 170)
    fits = ROOF | {"tilt_degrees": 35.0, "azimuth_degrees": 170.0}
    made = make_sun(recipe(path, array=[fits]), tmp_path)
    assert 0.4 < power(made).max() < 0.61 * 0.86 * 1.03
    with pytest.raises(
        ScenarioError, match=r"on a plane of 35 degrees facing 170, but array.0 has 36.1 facing 180"
    ):
        make_sun(recipe(path), tmp_path)


# --- re-dating ---


def test_a_leap_year_repeats_the_28th(greensboro):
    """2024 has 8,784 hours; 29 February takes the weather of the 28th under its own sun, and 1 March is 1 March's."""
    leap = power(make_sun(recipe(year=2024), Path()))
    assert 8784 == len(leap)
    local = leap.tz_convert("Etc/GMT+5")
    for day, other in (
        ("2024-02-29", "2025-02-28"),
        ("2024-03-01", "2025-03-01"),
        ("2024-12-31", "2025-12-31"),
    ):
        there = power(greensboro).tz_convert("Etc/GMT+5").loc[other]
        np.testing.assert_allclose(local.loc[day], there, rtol=0.02, atol=0.012)


def test_weather_of_a_leap_year_loses_its_29th(tmp_path):
    """An EPW file of 8,784 hours on a common year leaves 29 February out, on a leap year keeps it."""
    hours = _hours()
    leap = pd.concat([hours[: 59 * 24], hours[58 * 24 : 59 * 24] * 0, hours[59 * 24 :]], ignore_index=True)
    path = write_epw(tmp_path / "leap.epw", leap, leap=True)
    common = make_sun(recipe(path), tmp_path)
    np.testing.assert_allclose(power(common), power(make_sun(recipe(), Path())), atol=1e-9)
    kept = power(make_sun(recipe(path, year=2024), tmp_path)).tz_convert("Etc/GMT+5")
    assert 0.0 == kept.loc["2024-02-29"].sum()


ZONES = ("Europe/Berlin", "America/New_York", "Australia/Adelaide", "Australia/Lord_Howe", "Asia/Kathmandu")


@pytest.mark.parametrize("zone", ZONES)
def test_clock_changes_do_not_move_the_sun(zone, greensboro):
    """Whatever clock the site's year is cut on, each moment in UTC has the same power, whole local days are covered,
    and the step follows a clock that is apart from the file's by part of an hour."""
    made = make_sun(recipe(zone=zone), Path())
    local = made.timeline.local()
    assert "2025-01-01 00:00" == made.timeline.when(0)
    end = local[-1] + pd.Timedelta(minutes=made.timeline.step_minutes)
    assert "2026-01-01 00:00" == end.strftime("%Y-%m-%d %H:%M")
    assert {"Australia/Adelaide": 30, "Asia/Kathmandu": 15}.get(zone, 60) == made.timeline.step_minutes
    hourly = power(made).resample("h").mean()
    common = hourly.index.intersection(power(greensboro).index)[24:-24]
    assert len(common) > 8600
    np.testing.assert_allclose(hourly[common], power(greensboro)[common], atol=1e-9)
    assert power(greensboro).sum() == pytest.approx(hourly.sum(), rel=1e-3)


# --- clear sky, inverter, arrays ---


def test_a_clear_sky_is_said_loudly_up_to_the_first_screen(tmp_path):
    """The warning rides in the file into the check, the summary and the page; the note into the notes on the data."""
    made = make_sun(
        recipe(None, clear_sky=True, latitude=LATITUDE, longitude=LONGITUDE, step_minutes=60, zone="UTC"),
        tmp_path,
    )
    assert made.columns["dc_kw"].sum() > 1.2 * make_sun(recipe(), Path()).columns["dc_kw"].sum()
    (tmp_path / "site").mkdir()
    write(made, tmp_path / "site" / "sun.parquet")
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 9.0, "export_limit_kw": 9.0},
        "load": [{"power_kw": 1.0}],
        "ac_solar": [{"name": "roof", "available_kw": "sun.dc_kw"}],
    }
    text = table(start="2025-06-01", site=site, components=[{"kind": "energy_charge", "rate_per_kwh": 0.3}])
    folder = write_site(
        tmp_path / "site", text + "\n" + to_paste(made, Path("sun.parquet")).split("\n\n")[0], {}
    )
    ran = optimiser.run(folder)
    assert ran.summary.warnings[0].startswith("source.sun: CLEAR SKY")
    assert any("sun: solar power of a clear sky (Ineichen" in note for note in ran.summary.data_notes)
    page = optimiser.write_results(ran, tmp_path / "out")["report"].read_text(encoding="utf-8")
    assert page.index("source.sun: CLEAR SKY") < page.index("Notes on the data")


def test_an_inverter_cuts_and_loses_as_pvwatts_has_it():
    """PVWatts Version 5 Manual, inverter: at nominal DC input the output is the rating, above it no more; at half load
    the efficiency is (-0.0162 x 0.5 - 0.0059 / 0.5 + 0.9858) x nominal / 0.9637."""
    inverter = GridInverter(output_kw=4.8, efficiency=0.96)
    dc_kw = np.array([0.0, 2.5, 5.0, 7.0])
    half = 2.5 * (-0.0162 * 0.5 - 0.0059 / 0.5 + 0.9858) * 0.96 / 0.9637
    np.testing.assert_allclose(inverter_output(dc_kw, inverter), [0.0, half, 4.8, 4.8], atol=2e-4)


def test_several_arrays_add_up():
    """The DC power of all is the sum of each size times its column; an eastern plane leads a western one."""
    planes = [ROOF | {"name": name, "size_kwp": size, "azimuth_degrees": facing} for name, size, facing in
              (("east", 3.0, 90.0), ("west", 5.0, 270.0))]  # fmt: skip
    made = make_sun(recipe(array=planes), Path())
    east, west = (made.columns[f"{name}_kw_per_kwp"] for name in ("east", "west"))
    np.testing.assert_allclose(made.columns["dc_kw"], 3 * east + 5 * west)
    hour = np.arange(len(east)) % 24
    assert (east * hour).sum() / east.sum() < (west * hour).sum() / west.sum() - 1
    assert 'name = "west"\navailable_kw_per_kwp = "SOURCE.west_kw_per_kwp"\nsize_kwp = 5.0' in made.fields


@settings(max_examples=5)
@given(losses=st.floats(0, 0.9), tilt=st.floats(0, 90), facing=st.floats(0, 360))
def test_power_is_never_negative_and_falls_in_line_with_losses(losses, tilt, facing):
    """On any plane."""
    plane = {"tilt_degrees": tilt, "azimuth_degrees": facing}
    made = make_sun(recipe(array=[ROOF | plane | {"losses_fraction": losses}]), Path())
    whole = make_sun(recipe(array=[ROOF | plane | {"losses_fraction": 0.0}]), Path())
    assert power(made).min() >= 0
    assert power(whole).max() < 1.25
    np.testing.assert_allclose(power(made), (1 - losses) * power(whole), atol=1e-12)


def test_weather_from_afar_is_pointed_out():
    """Berlin with Greensboro's file."""
    made = make_sun(recipe(latitude=52.5, longitude=13.4), Path())
    assert "km from the site" in made.warnings[0]
    assert () == make_sun(recipe(latitude=36.0, longitude=-80.0), Path()).warnings


# --- what is refused ---


def _changed(text: str, line: int, old: str, new: str) -> str:
    lines = text.split("\n")
    assert old in lines[line]
    lines[line] = lines[line].replace(old, new, 1)
    return "\n".join(lines)


BROKEN: dict[str, tuple[Callable[[str], str], str]] = {
    "empty": (lambda text: "", "which begins none of the kinds that are read"),
    "another kind": (lambda text: "time,power\n1,2\n", "which begins none of the kinds that are read"),
    "half a file": (lambda text: text[: len(text) // 2], "must be the 8,760 hours of a year in order, got"),
    "head alone": (lambda text: "\n".join(text.split("\n")[:2]), "begins like a TMY3 file but cannot"),
    "a row left out": (
        lambda text: "\n".join(line for n, line in enumerate(text.split("\n")) if n != 100),
        "data row 99 should be the hour from 01-05 02:00 but is the hour from 01-05 03:00",
    ),
    "a word for a number": (
        lambda text: _changed(text, 14, ",723,1415,155,", ",723,1415,dark,"),
        "got dark in data row 13",
    ),
    "a missing value": (
        lambda text: text.replace(",10.0,A,7,6.7", ",-9900,A,7,6.7", 1),
        "temp_air must be between -90",
    ),
    "no such place": (lambda text: text.replace(",36.100,", ",136.1,", 1), "which is no place on earth"),
    "a head that is none": (
        lambda text: text.replace(",36.100,", ",north,", 1),
        "begins like a TMY3 file but cannot",
    ),
    "a column less": (lambda text: text.replace("DNI (W/m^2)", "Beam", 1), "has no column for dni"),
    "a stamp that is none": (
        lambda text: text.replace("01/01/1988,05:00", "13/41/1988,05:00"),
        "cannot be read as one",
    ),
}


@pytest.mark.parametrize("what", BROKEN)
def test_a_malformed_file_gets_a_sentence(tmp_path, what):
    """By the library and by the command: the file and the fault, code 2, nothing written, no traceback."""
    change, words = BROKEN[what]
    path = tmp_path / "weather.csv"
    path.write_text(change(GREENSBORO.read_text()))
    with pytest.raises(SeriesError) as fault:
        read_weather(path)
    assert words in str(fault.value)
    (tmp_path / "roof.toml").write_text(
        'start = 2025-01-01\nzone = "UTC"\nweather = "weather.csv"\n[[array]]\nname = "roof"\nsize_kwp = 1\n'
        "tilt_degrees = 20\nazimuth_degrees = 180\n"
    )
    ran = CliRunner().invoke(main, ["make", "sun", str(tmp_path / "roof.toml")])
    assert (2, True) == (ran.exit_code, str(path) in ran.stderr)
    assert "Traceback" not in ran.output
    assert not (tmp_path / "roof.parquet").exists()


def test_broken_files_of_the_other_kinds_get_a_sentence(tmp_path):
    """EPW and PVGIS cut short."""
    epw = write_epw(tmp_path / "w.epw", _hours())
    epw.write_text(epw.read_text()[:100_000])
    typical = write_pvgis_typical(tmp_path / "t.csv", clear_rows(10), None)
    typical.write_text(typical.read_text()[:100_000])
    hourly = write_pvgis_hourly(
        tmp_path / "h.csv", clear_rows(10).assign(direct=0.0, diffuse=0.0, ground=0.0), [2007], 10, 0, 180
    )
    hourly.write_text(hourly.read_text().replace("Gb(i),Gd(i),Gr(i)", "G(i),x,y"))
    words = (
        "must be the 8,784 hours|8,760 hours",
        "cannot be read as one",
        "holds only the sum of the radiation",
    )
    for path, sentence in zip((epw, typical, hourly), words, strict=True):
        with pytest.raises(SeriesError, match=sentence):
            read_weather(path)


def test_every_fault_of_a_recipe_is_told_at_once(tmp_path):
    """Five slips, five sentences."""
    (tmp_path / "roof.toml").write_text(
        'start = 2025-01-01\nzone = "Europe/Berlni"\nweathr = "w.epw"\n[[array]]\nname = "Roof 1"\nsize_kwp = "4"\n'
        "tilt_degrees = 120\n"
    )
    ran = CliRunner().invoke(main, ["make", "sun", str(tmp_path / "roof.toml")])
    assert 2 == ran.exit_code
    for words in (
        'did you mean "Europe/Berlin"?',
        "weathr is not known here; did you mean weather?",
        "array.0.name: must be up to 31 small letters",
        "array.0.size_kwp must be a number, got '4'. Write it without quotes or unit.",
        "array.0.tilt_degrees must be at most 90, got 120.",
        "array.0.azimuth_degrees is required but missing. Add it.",
    ):
        assert words in ran.stderr


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"weather": None}, "give either weather = a file, or clear_sky = true"),
        ({"weather": None, "clear_sky": True}, "a clear sky needs latitude and longitude"),
        ({"latitude": 3.0}, "give latitude and longitude together"),
        ({"array": []}, "give at least one"),
        ({"array": [ROOF, ROOF]}, "its own name"),
        ({"start": datetime.date(1900, 1, 1)}, "must lie between 1970 and 2198"),
    ],
)
def test_recipes_that_contradict_themselves_are_refused(fields, words):
    """Each with its sentence."""
    with pytest.raises(ValueError, match=words):
        SunRecipe.model_validate(recipe().model_dump() | fields)


def test_without_the_library_there_is_one_sentence(monkeypatch):
    """The extra is named."""
    monkeypatch.setitem(sys.modules, "pvlib", None)
    with pytest.raises(OptimiserError, match=r"need the library pvlib.*'\.\[pv\]'"):
        solar_library()


def test_weather_is_what_the_reader_says(greensboro):
    """The dataclass says its kind and place, and notes name the file."""
    weather = read_weather(GREENSBORO)
    assert isinstance(weather, Weather)
    assert (Place(36.1, -79.95, 273.0), -300) == (weather.place, weather.offset_minutes)
    assert "TMY3 file 723170TYA.CSV" in greensboro.notes[0]
