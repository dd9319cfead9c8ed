"""Solar power of arrays from a weather file or a clear sky: PVWatts' DC model, inverter if asked for."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from pydantic import Field, StrictStr, model_validator

from optimiser.errors import ScenarioError
from optimiser.fields import Component, Several, ZoneName, choice, quantity, text
from optimiser.making.made import Made
from optimiser.making.recipe import ColumnName, FirstDay, year_of
from optimiser.making.weather import (
    HOUR,
    Place,
    Weather,
    read_weather,
    solar_library,
    sun_position,
    without_old_names,
)
from optimiser.timeline import Timeline

FAR_KM = 50.0
CLEAR_SKY_STEP_MINUTES = 5
PVWATTS_LOSSES = 0.14
_MOUNTINGS = {
    "open_rack": "open_rack_glass_polymer",
    "close_to_roof": "close_mount_glass_glass",
    "insulated_back": "insulated_back_glass_polymer",
}


class Array(Component):
    """Modules of one plane.

    References
    ----------
    .. [1] A. Dobos, "PVWatts Version 5 Manual", NREL/TP-6A20-62641, 2014: DC model, losses of 14 %, reflection.
    .. [2] D. King et al., "Photovoltaic Array Performance Model", SAND2004-3535, 2004: cell temperature by mounting.
    """

    name: ColumnName = text("name of its column")
    size_kwp: float = quantity("kWp", "power of its modules at standard conditions", above=0, at_most=1e6)
    tilt_degrees: float = quantity("degrees", "0 lies flat, 90 stands upright", at_least=0, at_most=90)
    azimuth_degrees: float = quantity(
        "degrees", "where it faces: 0 north, 90 east, 180 south, 270 west", at_least=0, at_most=360
    )
    losses_fraction: float = quantity(
        "-", "soiling, shade, mismatch, wiring, age", default=PVWATTS_LOSSES, at_least=0, at_most=0.9
    )
    mounting: Literal["open_rack", "close_to_roof", "insulated_back"] = choice(
        "how air cools it", default="close_to_roof"
    )
    power_per_kelvin: float = quantity(
        "1/K", "change of power with cell temperature", default=-0.0037, at_least=-0.01, at_most=0
    )


class GridInverter(Component):
    """An inverter that all arrays share, after PVWatts: part-load efficiency, output cut at its rating."""

    output_kw: float = quantity("kW", "AC rating", above=0, at_most=1e6)
    efficiency: float = quantity("-", "nominal efficiency", default=0.96, above=0.5, at_most=1)


class SunRecipe(Component):
    """What `make sun` needs to know."""

    start: FirstDay
    zone: ZoneName = text("zone of the site's clock")
    weather: StrictStr | None = text("weather file: TMY3, EPW or PVGIS, beside the recipe", default=None)
    weather_year: int | None = Field(default=None, description="which year of a PVGIS hourly file")
    moment_minutes: float | None = quantity(
        "min",
        "minutes after the start of a file's hour at which the sun stands where its light came from; left out: as the "
        "kind of file has it",
        default=None,
        at_least=-60,
        at_most=120,
    )
    clear_sky: bool = Field(
        default=False, description="no weather file: a year without a cloud, an upper bound"
    )
    latitude: float | None = quantity(
        "degrees", "north of the equator", default=None, at_least=-90, at_most=90
    )
    longitude: float | None = quantity(
        "degrees", "east of Greenwich", default=None, at_least=-180, at_most=180
    )
    altitude_m: float = quantity("m", "height above the sea", default=0.0, at_least=-430, at_most=6000)
    air_celsius: float = quantity(
        "degrees C", "air under a clear sky", default=20.0, at_least=-40, at_most=50
    )
    step_minutes: Literal[5, 10, 15, 30, 60] = choice(
        "step of a clear sky; files keep their hours", default=15
    )
    array: Several[Array] = Field(description="the planes of modules")
    inverter: GridInverter | None = None

    @model_validator(mode="after")
    def _check(self) -> SunRecipe:
        if (self.weather is not None) == self.clear_sky:
            raise ValueError("give either weather = a file, or clear_sky = true")
        if (self.latitude is None) != (self.longitude is None):
            raise ValueError("give latitude and longitude together")
        if self.clear_sky and self.latitude is None:
            raise ValueError("a clear sky needs latitude and longitude")
        if not self.array:
            raise ValueError("give at least one [[array]]")
        names = [array.name for array in self.array]
        if len(set(names)) < len(names):
            raise ValueError("give each array its own name")
        return self


@dataclass(frozen=True)
class Sky:
    """Sunshine at moments: where the sun stands, and what comes from it.

    Attributes
    ----------
    moments : DatetimeIndex
    place : Place
    light : DataFrame of one row a moment
        `temp_air`, `wind_speed`, and `ghi`, `dni`, `dhi` or the parts on `plane`.
    plane : tuple of float or None
    """

    moments: pd.DatetimeIndex
    place: Place
    light: pd.DataFrame
    plane: tuple[float, float] | None = None


def make_sun(recipe: SunRecipe, folder: Path) -> Made:
    """Solar power through a year.

    Parameters
    ----------
    recipe : SunRecipe
    folder : Path
        Where the recipe's files are.

    Returns
    -------
    Made
        `NAME_kw_per_kwp` of each array and `dc_kw` of all, before any controller; `ac_kw` where there is an inverter.

    Raises
    ------
    SeriesError
        If the weather file cannot be used.
    ScenarioError
        If the recipe and the file do not fit each other.
    """
    if recipe.weather is None:
        place = Place(float(recipe.latitude or 0), float(recipe.longitude or 0), recipe.altitude_m)
        timeline = year_of(recipe.start, recipe.step_minutes, recipe.zone)
        powers = clear_sky_power(recipe.array, place, recipe.air_celsius, timeline)
        notes, warnings = _clear_sky_words(recipe, powers, timeline)
    else:
        weather = read_weather(folder / recipe.weather, recipe.weather_year)
        if recipe.moment_minutes is not None:
            weather = replace(weather, moment_minutes=recipe.moment_minutes, notes=(), warnings=())
        timeline = _weather_timeline(weather, recipe)
        powers = weather_power(recipe.array, weather, timeline)
        notes, warnings = _weather_words(weather, recipe)
    columns = {f"{array.name}_kw_per_kwp": powers[array.name] for array in recipe.array}
    dc_kw = sum((array.size_kwp * powers[array.name] for array in recipe.array), np.zeros(timeline.steps))
    columns["dc_kw"] = dc_kw
    if recipe.inverter:
        columns["ac_kw"] = inverter_output(dc_kw, recipe.inverter)
    notes += _array_words(recipe)
    return Made(timeline, columns, tuple(notes), tuple(warnings), _fields(recipe))


def array_power(array: Array, sky: Sky) -> np.ndarray:
    """DC power of 1 kWp of an array, losses taken off, before a controller or inverter.

    Light on the plane after Perez, reflection of the beam at the glass, cell temperature after King, power in line
    with light and temperature (PVWatts). The ground reflects a quarter of the light, whatever a file says of it.

    Returns
    -------
    array of shape (moments,)
        [kW/kWp]
    """
    library = solar_library()
    with without_old_names():
        sun = sun_position(sky.moments, sky.place)
        plane = _on_plane(array, sky, sun)
        angle = library.irradiance.aoi(
            array.tilt_degrees, array.azimuth_degrees, sun["apparent_zenith"], sun["azimuth"]
        )
        taken = plane["poa_direct"] * library.iam.physical(angle) + plane["poa_diffuse"]
        cooling = library.temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"][_MOUNTINGS[array.mounting]]
        cell = library.temperature.sapm_cell(
            plane["poa_global"], sky.light["temp_air"], sky.light["wind_speed"], **cooling
        )
        power = library.pvsystem.pvwatts_dc(taken, cell, 1.0, array.power_per_kelvin)
    made: np.ndarray = np.maximum(np.nan_to_num(np.asarray(power, float)), 0.0) * (1 - array.losses_fraction)
    return made


def _on_plane(array: Array, sky: Sky, sun: pd.DataFrame) -> pd.DataFrame:
    """Direct, diffuse and whole light on an array's plane. [W/m2]"""
    if sky.plane is not None:
        direct = sky.light["poa_direct"]
        diffuse = sky.light["poa_sky_diffuse"] + sky.light["poa_ground_diffuse"]
        return pd.DataFrame({"poa_direct": direct, "poa_diffuse": diffuse, "poa_global": direct + diffuse})
    irradiance = solar_library().irradiance
    plane = irradiance.get_total_irradiance(
        array.tilt_degrees,
        array.azimuth_degrees,
        sun["apparent_zenith"],
        sun["azimuth"],
        sky.light["dni"],
        sky.light["ghi"],
        sky.light["dhi"],
        dni_extra=irradiance.get_extra_radiation(sky.moments),
        airmass=solar_library().atmosphere.get_relative_airmass(sun["apparent_zenith"]),
        model="perez",
    )
    light: pd.DataFrame = plane.fillna(0.0)  # the sun is below the horizon
    return light


def inverter_output(dc_kw: np.ndarray, inverter: GridInverter) -> np.ndarray:
    """AC power of a grid inverter after PVWatts: efficiency falls at part load, output is cut at the rating. [kW]"""
    rating_dc = inverter.output_kw / inverter.efficiency
    output = solar_library().inverter.pvwatts(dc_kw, rating_dc, eta_inv_nom=inverter.efficiency)
    made: np.ndarray = np.clip(np.asarray(output, float), 0.0, inverter.output_kw)
    return made


def clear_sky_power(
    arrays: tuple[Array, ...], place: Place, air_celsius: float, timeline: Timeline
) -> dict[str, np.ndarray]:
    """Power of 1 kWp of each array under a sky without a cloud, by array name. [kW/kWp]

    References
    ----------
    .. [1] P. Ineichen, R. Perez, "A new airmass independent formulation for the Linke turbidity coefficient", Solar
       Energy 73, 2002, with the monthly turbidity that pvlib carries.
    """
    parts = timeline.step_minutes // CLEAR_SKY_STEP_MINUTES
    first = timeline.starts[0] + pd.Timedelta(minutes=CLEAR_SKY_STEP_MINUTES) / 2
    moments = pd.date_range(first, periods=timeline.steps * parts, freq=f"{CLEAR_SKY_STEP_MINUTES}min")
    library = solar_library()
    location = library.location.Location(place.latitude, place.longitude, altitude=place.altitude_m)
    with without_old_names():
        light = location.get_clearsky(moments, model="ineichen", solar_position=sun_position(moments, place))
    light = light.assign(temp_air=air_celsius, wind_speed=1.0)
    sky = Sky(moments, place, light)
    return {array.name: array_power(array, sky).reshape(-1, parts).mean(axis=1) for array in arrays}


def weather_power(arrays: tuple[Array, ...], weather: Weather, timeline: Timeline) -> dict[str, np.ndarray]:
    """Power of 1 kWp of each array under a file's weather, re-dated to the timeline, by array name. [kW/kWp]

    Each hour takes the file's hour of the same month, day and clock (29 February that of the 28th where the file has
    none), with the sun where it stands in the timeline's own year at the moment the hour's light holds for. Values
    taken at a moment are brought to the middle of the hour along a straight line.
    """
    minutes = timeline.step_minutes
    grid = timeline.starts[0].floor("h") + pd.Timedelta(minutes=-weather.offset_minutes % 60)
    first = grid - HOUR * (
        4 if grid > timeline.starts[0] else 3
    )  # a straight line needs hours on either side
    hours = math.ceil((timeline.starts[-1] - first) / HOUR) + 4
    starts = pd.date_range(first, periods=hours, freq="h")
    light = weather.hours.iloc[_rows_for(starts, weather)]
    moments = starts + pd.Timedelta(minutes=weather.moment_minutes)
    sky = Sky(moments, weather.place, light.set_axis(moments), weather.plane)
    skipped = round((timeline.starts[0] - first) / pd.Timedelta(minutes=minutes))
    middle = np.arange(hours) + 0.5
    powers = {}
    for array in arrays:
        power = np.interp(middle, np.arange(hours) + weather.moment_minutes / 60, array_power(array, sky))
        powers[array.name] = np.repeat(power, 60 // minutes)[skipped : skipped + timeline.steps]
    return powers


def _rows_for(starts: pd.DatetimeIndex, weather: Weather) -> np.ndarray:
    """The file's row for each hour: same month, day and hour on the file's clock."""
    clock = starts + pd.Timedelta(minutes=weather.offset_minutes)
    key = np.asarray(clock.month * 10_000 + clock.day * 100 + clock.hour)
    if not np.any(weather.key // 100 == 229):
        key = np.where(key // 100 == 229, key - 100, key)
    return np.searchsorted(weather.key, key)


def _weather_timeline(weather: Weather, recipe: SunRecipe) -> Timeline:
    """The year in hours, or in the parts of an hour by which the site's clock differs from the file's."""
    midnight = year_of(recipe.start, 60, recipe.zone).starts[0]
    apart = (midnight.minute + weather.offset_minutes) % 60
    if weather.plane:
        for index, array in enumerate(recipe.array):
            tilt, azimuth = weather.plane
            if (array.tilt_degrees, array.azimuth_degrees % 360) != (tilt, azimuth):
                raise ScenarioError(
                    weather.words,
                    [
                        f"its radiation is on a plane of {tilt:g} degrees facing {azimuth:g}, but array.{index} has "
                        f"{array.tilt_degrees:g} facing {array.azimuth_degrees:g}. Download it with slope 0, which "
                        "serves every plane."
                    ],
                )
    return year_of(recipe.start, math.gcd(60, apart), recipe.zone)


def _weather_words(weather: Weather, recipe: SunRecipe) -> tuple[list[str], list[str]]:
    place = weather.place
    taken = (
        "means of each hour"
        if weather.moment_minutes == 30
        else f"values of {weather.moment_minutes:g} min past each hour brought to its middle"
    )
    notes = [
        f"solar power from {weather.words} at {place.latitude:g} north, {place.longitude:g} east ({taken}), re-dated "
        f"to the year from {recipe.start} by month, day and hour with the sun of that year.",
        "hourly weather knows no passing clouds: peaks and ramps within the hour are smoothed.",
        *weather.notes,
    ]
    warnings = list(weather.warnings)
    if recipe.latitude is not None and recipe.longitude is not None:
        away = _distance_km(place, Place(recipe.latitude, recipe.longitude, 0.0))
        if away > FAR_KM:
            warnings.append(
                f"the weather of {weather.words} is from a place {away:,.0f} km from the site; its sun was taken "
                "there. Use a nearer file."
            )
    return notes, warnings


def _clear_sky_words(
    recipe: SunRecipe, powers: dict[str, np.ndarray], timeline: Timeline
) -> tuple[list[str], list[str]]:
    yields = [
        f"{name} {values.sum() * timeline.step_hours:,.0f} kWh per kWp" for name, values in powers.items()
    ]
    loud = (
        f"CLEAR SKY: the solar power is that of a year without a single cloud ({', '.join(yields)}), which no place "
        "has. Earnings from it are too high; use a weather file before you decide."
    )
    note = (
        f"solar power of a clear sky (Ineichen, monthly turbidity) at {recipe.latitude:g} north, "
        f"{recipe.longitude:g} east, air at {recipe.air_celsius:g} degrees C, wind of 1 m/s."
    )
    return [note], [loud]


def _array_words(recipe: SunRecipe) -> list[str]:
    planes = [
        f"{array.name} {array.size_kwp:g} kWp at {array.tilt_degrees:g} degrees facing {array.azimuth_degrees:g}, "
        f"losses {100 * array.losses_fraction:g} %, {array.mounting.replace('_', ' ')}, "
        f"{100 * array.power_per_kelvin:g} % per kelvin"
        for array in recipe.array
    ]
    words = [
        f"arrays: {'; '.join(planes)}. PVWatts' DC model, Perez sky, reflection of the beam; no horizon, no snow."
    ]
    if recipe.inverter:
        words.append(
            f"AC after an inverter of {recipe.inverter.output_kw:g} kW at {recipe.inverter.efficiency:g} (PVWatts); "
            "what it cuts off at its rating is judged on the mean of each step."
        )
    return words


def _fields(recipe: SunRecipe) -> str:
    """TOML that uses the columns: controllers on the DC bus, or one AC-coupled system."""
    if recipe.inverter:
        return '[[site.ac_solar]]\nname = "solar"\navailable_kw = "SOURCE.ac_kw"\n'
    return "\n".join(
        f'[[site.solar_controller]]\nname = "{array.name}"\n'
        f'available_kw_per_kwp = "SOURCE.{array.name}_kw_per_kwp"\nsize_kwp = {array.size_kwp!r}\n'
        for array in recipe.array
    )


def _distance_km(one: Place, other: Place) -> float:
    """Along the great circle of a sphere of 6371 km."""
    a, b = math.radians(one.latitude), math.radians(other.latitude)
    turn = math.radians(one.longitude - other.longitude)
    half = math.sin((a - b) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(turn / 2) ** 2
    return 2 * 6371 * math.asin(min(1.0, math.sqrt(half)))
