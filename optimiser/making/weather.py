"""Weather files of a year - TMY3, EPW, PVGIS - as hours of sunshine with the moment they hold for."""

from __future__ import annotations

import io
import os
import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimiser.errors import OptimiserError, SeriesError
from optimiser.series.bounded import bounded_bytes

MOST_BYTES = 100_000_000
HOUR = pd.Timedelta(hours=1)
LOW_SUN_DEGREES = 87.0  # zenith beyond which beam on the horizontal says nothing of the beam itself
LEAST_SUN_W_PER_M2 = 100.0  # of beam, for an hour to say where the sun stood

# What a value can be; files mark a missing one by a figure far outside.
LIMITS = {
    "ghi": (0.0, 1600.0, "W/m2"),
    "dni": (0.0, 1600.0, "W/m2"),
    "dhi": (0.0, 1600.0, "W/m2"),
    "poa_direct": (0.0, 1600.0, "W/m2"),
    "poa_sky_diffuse": (0.0, 1600.0, "W/m2"),
    "poa_ground_diffuse": (0.0, 1600.0, "W/m2"),
    "temp_air": (-90.0, 65.0, "degrees C"),
    "wind_speed": (0.0, 100.0, "m/s"),
}
HORIZONTAL = ("ghi", "dni", "dhi")
ON_PLANE = ("poa_direct", "poa_sky_diffuse", "poa_ground_diffuse")


@dataclass(frozen=True)
class Place:
    """Where the sun is looked at: degrees north and east, metres above the sea."""

    latitude: float
    longitude: float
    altitude_m: float


@dataclass(frozen=True)
class Weather:
    """The hours of a year.

    Attributes
    ----------
    words : str
        What kind of file it is, and which.
    place : Place
    offset_minutes : int
        How far the file's clock is ahead of UTC, all year.
    moment_minutes : float
        Minutes after the start of an hour at which the sun stands where the hour's sunshine came from: 30 for means
        of the hour, else when the value was taken.
    hours : DataFrame
        `temp_air`, `wind_speed`, and either `ghi`, `dni`, `dhi` or the three parts on one plane; one row an hour.
        [degrees C, m/s, W/m2]
    key : int array of shape (hours,)
        Month, day and hour of each row on the file's clock, as the number MMDDHH.
    plane : tuple of float or None
        Tilt and azimuth of the plane that the file's irradiance is on; None: horizontal and direct. [degrees]
    notes, warnings : tuple of str
    """

    words: str
    place: Place
    offset_minutes: int
    moment_minutes: float
    hours: pd.DataFrame
    key: np.ndarray
    plane: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def solar_library() -> Any:
    """Pvlib, imported when it is first needed.

    Raises
    ------
    OptimiserError
        If it is not installed.
    """
    try:
        import pvlib
    except ModuleNotFoundError:
        raise OptimiserError(
            "Solar series need the library pvlib, which is not installed. Install this program with its extra: "
            "pip install -e '.[pv]'."
        ) from None
    return pvlib


@contextmanager
def without_old_names() -> Iterator[None]:
    """Pvlib 0.16 still asks pandas for a name that pandas 3.1 renamed; that is no news for a user."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*dayofyear is deprecated")
        yield


def sun_position(moments: pd.DatetimeIndex, place: Place) -> pd.DataFrame:
    """Where the sun stands.

    Parameters
    ----------
    moments : DatetimeIndex
        With a zone.
    place : Place

    Returns
    -------
    DataFrame
        `zenith`, `apparent_zenith` (refracted) and `azimuth` from north through east. [degrees]

    References
    ----------
    .. [1] I. Reda, A. Andreas, "Solar Position Algorithm for Solar Radiation Applications", NREL/TP-560-34302,
       2003, as pvlib carries it.
    """
    with without_old_names():
        sun: pd.DataFrame = solar_library().solarposition.get_solarposition(
            moments, place.latitude, place.longitude, altitude=place.altitude_m
        )
    return sun


def read_weather(path: Path, year: int | None = None) -> Weather:
    """Read a weather file; its kind is seen from its first lines.

    Parameters
    ----------
    path : Path
        TMY3 (stamps end their hour), EPW (the same), PVGIS typical year or PVGIS hourly radiation in CSV (stamps are
        the moment of the value, UTC).
    year : int, optional
        Which year of a PVGIS hourly file that holds several.

    Raises
    ------
    SeriesError
        One sentence for each fault: no such file, no such kind, rows that are not the hours of a year, values that
        are missing or cannot be.
    OptimiserError
        If pvlib is not installed.

    References
    ----------
    .. [1] S. Wilcox, W. Marion, "Users Manual for TMY3 Data Sets", NREL/TP-581-43156, 2008.
    .. [2] EnergyPlus documentation, "Auxiliary Programs", chapter on the weather data format.
    .. [3] European Commission, Joint Research Centre, PVGIS users' manual; its CSV files explain their columns.
    """
    if not os.path.isfile(path):
        raise SeriesError(str(path), ["the weather file does not exist. Check its name."])
    raw = bounded_bytes(path, MOST_BYTES, "Cut it to one year.", SeriesError)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    text = text.replace("\r\n", "\n")
    kind, reader = _kind(path, text)
    if year is not None and reader is not _pvgis_hourly:
        raise SeriesError(
            str(path), [f"weather_year is for PVGIS hourly files only; this is a {kind}. Leave it out."]
        )
    solar_library()
    try:
        with without_old_names():
            warnings.simplefilter(
                "ignore", pd.errors.DtypeWarning
            )  # words among numbers are looked for below
            warnings.simplefilter("error", pd.errors.ParserWarning)  # rows longer than the heading
            weather = reader(path, text, f"{kind} {path.name}", year)
    except SeriesError:
        raise
    except Exception as problem:  # any of the readers' many errors means the same to the user
        words = (str(problem).strip().splitlines() or [type(problem).__name__])[0][:160].rstrip(".")
        raise SeriesError(
            str(path), [f"it begins like a {kind} but cannot be read as one: {words}. Download it again."]
        ) from None
    faults = _faults(weather)
    if faults:
        raise SeriesError(str(path), faults)
    return _in_step_with_the_sun(weather) if weather.plane is None else weather


Reader = Callable[[Path, str, str, int | None], Weather]


def _kind(path: Path, text: str) -> tuple[str, Reader]:
    first, _, rest = text[:4000].partition("\n")
    if first.startswith("LOCATION,"):
        return "EPW file", _epw
    if rest.startswith("Date (MM/DD/YYYY)"):
        return "TMY3 file", _tmy3
    if first.startswith("Latitude (decimal degrees)"):
        return (
            ("PVGIS typical year", _pvgis_typical)
            if "time(UTC)" in text[:4000]
            else ("PVGIS file", _pvgis_hourly)
        )
    raise SeriesError(
        str(path),
        [
            f"its first line is {first[:60]!r}, which begins none of the kinds that are read: TMY3, EPW, PVGIS "
            "(CSV, hourly radiation or typical year). Export it as one of them."
        ],
    )


def _tmy3(path: Path, text: str, words: str, year: int | None) -> Weather:
    data, meta = solar_library().iotools.read_tmy3(io.StringIO(text), coerce_year=2001)
    key = _key_of(path, data.index - HOUR, _hours_of(2001))
    place = Place(meta["latitude"], meta["longitude"], meta["altitude"])
    return Weather(words, place, round(60 * meta["TZ"]), 30.0, data, key)


def _epw(path: Path, text: str, words: str, year: int | None) -> Weather:
    data, meta = solar_library().iotools.read_epw(io.StringIO(text), coerce_year=2000)
    expected = _hours_of(2000)
    if len(data) != len(expected):
        expected = expected[~((expected.month == 2) & (expected.day == 29))]
    key = _key_of(path, data.index, expected)
    place = Place(meta["latitude"], meta["longitude"], meta["altitude"])
    return Weather(words, place, round(60 * meta["TZ"]), 30.0, data, key)


def _pvgis_typical(path: Path, text: str, words: str, year: int | None) -> Weather:
    data, meta = solar_library().iotools.read_pvgis_tmy(io.BytesIO(text.encode()), pvgis_format="csv")
    key = _key_of(path, data.index, _hours_of(2001))
    inputs = meta["inputs"]
    place = Place(inputs["latitude"], inputs["longitude"], inputs["elevation"])
    offset = inputs.get("irradiance time offset")
    return Weather(words, place, 0, float("nan") if offset is None else 60 * offset, data, key)


def _pvgis_hourly(path: Path, text: str, words: str, year: int | None) -> Weather:
    data, meta = solar_library().iotools.read_pvgis_hourly(io.StringIO(text), pvgis_format="csv")
    missing = [name for name in ON_PLANE if name not in data.columns]
    if missing:
        raise SeriesError(
            str(path),
            [
                "it holds only the sum of the radiation. Download it again with the option for radiation components."
            ],
        )
    years = sorted(set(data.index.year))
    if year is None and len(years) > 1:
        raise SeriesError(
            str(path),
            [
                f"it holds the years {years[0]} to {years[-1]}. Choose one, such as weather_year = {years[-1]}."
            ],
        )
    year = years[0] if year is None else year
    if year not in years:
        raise SeriesError(
            str(path), [f"it does not hold the year {year}, only {years[0]} to {years[-1]}. Choose one."]
        )
    data = data[data.index.year == year]
    moment = float(data.index.minute[0])
    key = _key_of(path, data.index - pd.Timedelta(minutes=moment), _hours_of(year))
    inputs = meta["inputs"]
    place = Place(inputs["latitude"], inputs["longitude"], inputs["elevation"])
    tilt, azimuth = _degrees(path, inputs, "Slope"), _degrees(path, inputs, "Azimuth") + 180
    words = f"{words}, year {year}"
    if tilt:
        return Weather(words, place, 0, moment, data, key, (tilt, azimuth % 360))
    return Weather(words, place, 0, moment, _from_horizontal(data, place), key)


def _degrees(path: Path, inputs: dict[str, Any], name: str) -> float:
    """Slope and azimuth of a PVGIS file: "30 deg. (optimum)"."""
    found = re.match(r"\s*(-?[\d.]+)\s*deg", str(inputs.get(name, "")))
    if not found:
        raise SeriesError(
            str(path),
            [
                f"its head gives no {name} in degrees (a tracking plane has none). Download it for a fixed plane."
            ],
        )
    return float(found[1])


def _from_horizontal(data: pd.DataFrame, place: Place) -> pd.DataFrame:
    """Beam, diffuse and global of a file whose plane is the horizontal one.

    The beam itself is the horizontal beam over the cosine of the sun's zenith; near the horizon it is left to the
    diffuse part.
    """
    zenith = sun_position(pd.DatetimeIndex(data.index), place)["zenith"].to_numpy()
    flat = data["poa_direct"].to_numpy()
    high = zenith < LOW_SUN_DEGREES
    beam = np.where(high, flat / np.cos(np.radians(np.minimum(zenith, LOW_SUN_DEGREES))), 0.0)
    diffuse = data["poa_sky_diffuse"].to_numpy() + np.where(high, 0.0, flat)
    return data.assign(ghi=flat + data["poa_sky_diffuse"], dni=beam, dhi=diffuse)


def _hours_of(year: int) -> pd.DatetimeIndex:
    return pd.date_range(f"{year}-01-01", f"{year + 1}-01-01", freq="h", inclusive="left")


def _key_of(path: Path, starts: pd.DatetimeIndex, expected: pd.DatetimeIndex) -> np.ndarray:
    """MMDDHH of each row, after a check that the rows are the hours of a year in their order."""
    keys, wanted = _keys(starts), _keys(expected)
    wrong = np.flatnonzero(keys[: len(wanted)] != wanted[: len(keys)])
    if len(wrong) or len(keys) != len(wanted) or np.any(np.asarray(starts.minute) != 0):
        row = int(wrong[0]) if len(wrong) else min(len(keys), len(wanted) - 1)
        came = f"the hour from {starts[row]:%m-%d %H:%M}" if row < len(starts) else "the end of the file"
        raise SeriesError(
            str(path),
            [
                f"its rows must be the {len(wanted):,} hours of a year in order, got {len(keys):,} rows; data row "
                f"{row + 1} should be the hour from {expected[row]:%m-%d %H:%M} but is {came}. Download it again; "
                "hours are not filled silently."
            ],
        )
    return keys


def _keys(starts: pd.DatetimeIndex) -> np.ndarray:
    return np.asarray(starts.month * 10_000 + starts.day * 100 + starts.hour)


def _faults(weather: Weather) -> list[str]:
    """Values that are missing or cannot be, and a place that is none."""
    faults = []
    place = weather.place
    if not (abs(place.latitude) <= 90 and abs(place.longitude) <= 180):
        faults.append(
            f"its head puts it at {place.latitude:g} degrees north, {place.longitude:g} east, which is no place on "
            "earth. Correct the head."
        )
    for name in (*(ON_PLANE if weather.plane else HORIZONTAL), "temp_air", "wind_speed"):
        if name not in weather.hours.columns:
            faults.append(
                f"it has no column for {name}. Export it with irradiance, air temperature and wind speed."
            )
            continue
        least, most, unit = LIMITS[name]
        values = pd.to_numeric(weather.hours[name], errors="coerce").to_numpy(float)
        wrong = np.flatnonzero(~((values >= least) & (values <= most)))
        if len(wrong):
            row = int(wrong[0])
            faults.append(
                f"{name} must be between {least:g} and {most:g} {unit}, got {weather.hours[name].iloc[row]} in data "
                f"row {row + 1}; {len(wrong)} such rows in all. Use a complete file; nothing is filled silently."
            )
    return faults


def _in_step_with_the_sun(weather: Weather) -> Weather:
    """Hold the stamps against the sun: global less diffuse is beam times the cosine of the zenith.

    A file that does not say when its values were taken is given the moment at which that fits best; one that says,
    and fits another moment much better, gets a warning.
    """
    tried = np.arange(-60.0, 121.0, 5.0)
    misfit = np.array([closure_misfit(weather, minutes) for minutes in tried])
    best = float(tried[int(np.argmin(misfit))]) if np.isfinite(misfit).all() else 30.0
    if np.isnan(weather.moment_minutes):
        found = (
            f"the file does not say when in the hour its values were taken; {best:g} min past fits its beam, diffuse "
            "and global radiation best."
        )
        return replace(weather, moment_minutes=best, notes=(found,))
    own = closure_misfit(weather, weather.moment_minutes)
    if abs(best - weather.moment_minutes) > 15 and float(np.min(misfit)) < own / 2:
        late = best - weather.moment_minutes
        shifted = (
            f"the sun of {weather.words} stands {abs(late):g} min {'later' if late > 0 else 'earlier'} than its "
            "stamps say: they may be in another clock, or mark the other end of the hour. Check the file, "
            f"or say moment_minutes = {best:g} in the recipe."
        )
        return replace(weather, warnings=(shifted,))
    return weather


def closure_misfit(weather: Weather, moment_minutes: float) -> float:
    """Root mean square of global - diffuse - beam x cos(zenith), the sun taken at a moment of each hour. [W/m2]"""
    hours = weather.hours
    sunny = hours["dni"].to_numpy(float) > LEAST_SUN_W_PER_M2
    if not sunny.any():
        return float("nan")
    key = weather.key[sunny]
    parts = {"year": 2004, "month": key // 10_000, "day": key // 100 % 100, "hour": key % 100}
    starts = pd.DatetimeIndex(pd.to_datetime(pd.DataFrame(parts))).tz_localize("UTC")
    moments = starts + pd.Timedelta(minutes=moment_minutes - weather.offset_minutes)
    # Every seventh sunny hour says enough.
    cosine = np.cos(np.radians(sun_position(moments[::7], weather.place)["zenith"].to_numpy()))
    ghi, dni, dhi = (hours[name].to_numpy(float)[sunny][::7] for name in HORIZONTAL)
    return float(np.sqrt(np.mean((ghi - dhi - dni * cosine)[cosine > 0.1] ** 2)))
