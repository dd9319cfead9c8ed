"""Makes the series files of the shipped scenarios: ``python scenarios/make_series.py``.

ALL OF IT IS INVENTED. No meter, weather station or market was read. The sites, the weather and the prices are
seeded random numbers laid on published physics and published profiles, so that a demonstration looks like a
real year without being anybody's. Do not decide on an investment with these numbers.

What stands on something published:

* solar: pvlib (sun position, Ineichen clear sky with its Linke turbidity table, Erbs split, Hay-Davies
  transposition, Faiman cell temperature, PVWatts DC power); clouds dim the clear sky by the formula of Kasten
  and Czeplak, "Solar and terrestrial radiation dependent on the amount and type of cloud", Solar Energy 24,
  1980 (the formula is quoted from memory);
* loads: the standard load profiles of BDEW, the German association of energy and water industries, as
  demandlib carries them: H0 household, G1 trade on working days, G4 shop, G5 bakery with its own bakehouse.
  They are German habits, laid on the local clock, local public holidays and southern seasons.

What stands on nothing but invention: cloud cover, air temperature, the scatter of the loads, every price.

Hot water is drawn by the tapping pattern of its recipe (`optimiser make load`).

Everything is made in steps of 5 minutes and averaged to the step of the scenario. Besides pandas and SciPy it
needs pvlib, demandlib and holidays.
"""

import os
import warnings
from importlib.resources import files
from pathlib import Path
from typing import Any

import holidays
import numpy as np
import pandas as pd
import pvlib
from demandlib.bdew.elec_slp import dynamisation_function
from scipy.signal import lfilter
from scipy.stats import norm

from optimiser.making.load import make_load

HERE = Path(__file__).parent
WAITS = "home-that-waits"
YEAR = 2025
STEPS_PER_HOUR = 12  # every series is made in steps of 5 minutes
PRICE_CAP, PRICE_FLOOR = 15_000.0, -1_000.0  # currency/MWh, round numbers like those of a real spot market

# One climate (temperatures are rough guesses) and, by the seed, one invented market per zone.
ZONES: dict[str, dict[str, Any]] = {
    "Australia/Adelaide": {
        "seed": 11, "state": "SA", "latitude": -35.0, "longitude": 138.6,
        "mean_celsius": 17.5, "season_kelvin": 6,
    },
    "Australia/Brisbane": {
        "seed": 23, "state": "QLD", "latitude": -27.5, "longitude": 153.0,
        "mean_celsius": 20.8, "season_kelvin": 4,
    },
}  # fmt: skip

# Loads: yearly kWh by BDEW profile, so that the phases differ in shape as well as in size. The ovens sit
# mostly on L1 and L2, the shop's fridges and lights mostly on L3.
SCENARIOS: dict[str, dict[str, Any]] = {
    "three-phase-bakery": {
        "zone": "Australia/Adelaide", "minutes": 30, "tilt": 20, "azimuth": 0, "seed": 101, "scatter": 0.13,
        "loads": {
            "load_l1_kw": {"g5": 30_000},
            "load_l2_kw": {"g5": 21_000, "g4": 3_000},
            "load_l3_kw": {"g5": 7_500, "g4": 8_500},
        },
        "availability": True,
    },
    "single-phase-home": {
        "zone": "Australia/Adelaide", "minutes": 30, "tilt": 22, "azimuth": 330, "seed": 102, "scatter": 0.5,
        "loads": {"load_kw": {"h0": 6_500}}, "availability": False,
    },
    "price-event-workshop": {
        "zone": "Australia/Brisbane", "minutes": 5, "tilt": 15, "azimuth": 310, "seed": 103, "scatter": 0.18,
        "loads": {"load_kw": {"g1": 14_000}}, "availability": False,
    },
}  # fmt: skip

# Some days of one market each, on the local clock; all are hours or half-hours, and a clock change falls into most.
# `services`: usual mean [currency/MW/h] and the hours of a block with one price; 0 is each step.
RESERVE_ZONES: dict[str, dict[str, Any]] = {
    "Europe/Berlin": {"latitude": 50.0, "longitude": 9.0, "mean_celsius": 10.0, "season_kelvin": -9},
    "Europe/London": {"latitude": 52.0, "longitude": -1.0, "mean_celsius": 10.5, "season_kelvin": -6},
    "America/Chicago": {"latitude": 30.0, "longitude": -97.0, "mean_celsius": 20.0, "season_kelvin": -9},
    "America/New_York": {"latitude": 40.0, "longitude": -77.0, "mean_celsius": 11.0, "season_kelvin": -11},
}
RESERVES: dict[str, dict[str, Any]] = {
    "continental-reserve": {
        "zone": "Europe/Berlin", "start": "2025-03-24", "days": 14, "minutes": 60, "seed": 201, "level": 80.0,
        "block_start": 0, "day_kw": 22.0, "night_kw": 6.0,
        "services": {"fcr": (14.0, 4), "afrr_up": (9.0, 4), "afrr_down": (11.0, 4)},
    },
    "british-response": {
        "zone": "Europe/London", "start": "2025-10-20", "days": 14, "minutes": 30, "seed": 202, "level": 75.0,
        "block_start": 23, "day_kw": 18.0, "night_kw": 5.0,
        "services": {
            "containment_low": (3.5, 4), "containment_high": (2.5, 4), "moderation_low": (4.0, 4),
            "moderation_high": (4.5, 4), "regulation_low": (5.0, 4), "regulation_high": (9.0, 4),
        },
    },
    "texas-reserves": {
        "zone": "America/Chicago", "start": "2025-11-24", "days": 21, "minutes": 60, "seed": 203, "level": 35.0,
        "block_start": 0, "day_kw": 26.0, "night_kw": 9.0,
        "services": {
            "regulation_up": (6.0, 0), "regulation_down": (4.0, 0), "responsive": (4.5, 0),
            "contingency": (3.5, 0), "non_spinning": (2.0, 0),
        },
    },
    "two-way-regulation": {
        "zone": "America/New_York", "start": "2025-10-27", "days": 14, "minutes": 60, "seed": 204, "level": 42.0,
        "block_start": 0, "day_kw": 15.0, "night_kw": 4.0,
        "services": {"regulation": (28.0, 0)},
    },
    "motive-warehouse": {
        "zone": "Europe/Berlin", "start": "2025-05-05", "days": 28, "minutes": 30, "seed": 205, "level": 85.0,
        "block_start": 0, "day_kw": 12.0, "night_kw": 3.0, "services": {}, "stacker_kw": 1.8,
    },
}  # fmt: skip

# Availability prices: usual mean [currency/MW/h], and how much of an energy price event reaches the service.
SERVICES = {
    "raise_1s": (1.6, 0.10), "raise_6s": (2.6, 0.20), "raise_60s": (2.0, 0.14), "raise_5min": (1.5, 0.09),
    "raise_regulation": (10.5, 0.25), "lower_1s": (1.0, 2.0), "lower_6s": (1.2, 2.5), "lower_60s": (1.8, 4.0),
    "lower_5min": (1.2, 2.0), "lower_regulation": (9.5, 4.0),
}  # fmt: skip

# First day of each BDEW season [(month, day), season], moved by half a year.
SOUTHERN_SEASONS = (
    ((1, 1), "summer"), ((3, 15), "transition"), ((5, 1), "winter"), ((9, 21), "transition"),
    ((11, 15), "summer"),
)  # fmt: skip


def wander(random, steps, memory_hours):
    """Mean-reverting noise (AR(1)) of mean 0 and standard deviation 1 that forgets within `memory_hours`."""
    kept = np.exp(-1 / (memory_hours * STEPS_PER_HOUR))
    shocks = random.standard_normal(steps) * np.sqrt(1 - kept**2)
    shocks[0] = random.standard_normal()  # starts in its long-run spread
    return lfilter([1.0], [1.0, -kept], shocks)


def local_year(zone):
    """Every 5-minute start of the local calendar year, on the local clock."""
    return pd.date_range(str(YEAR), str(YEAR + 1), freq="5min", tz=zone, inclusive="left")


def local_hour(local):
    """Hour of the local clock as a decimal number."""
    return (local.hour + local.minute / 60).to_numpy()


def make_weather(local, climate):
    """Sun, irradiance under invented clouds and invented air temperature of a zone."""
    random = np.random.default_rng([YEAR, climate["seed"], 1])
    steps, middle = len(local), local + pd.Timedelta(minutes=2.5)
    place = pvlib.location.Location(climate["latitude"], climate["longitude"], tz=str(local.tz))
    sun = place.get_solarposition(middle)
    clear = place.get_clearsky(middle, model="ineichen", solar_position=sun)
    # Cloud cover is spread evenly over 0 to 1: weather systems last days, single clouds half an hour.
    cover = norm.cdf(0.85 * wander(random, steps, 30) + 0.527 * wander(random, steps, 0.5))
    ghi = clear["ghi"] * (1 - 0.75 * cover**3.4)  # Kasten and Czeplak 1980
    split = pvlib.irradiance.erbs(ghi, sun["zenith"], middle)
    warmest_day, warmest_hour = 20, 15
    celsius = (
        climate["mean_celsius"]
        + climate["season_kelvin"] * np.cos(2 * np.pi * (local.day_of_year - warmest_day) / 365)
        + 5.0 * np.cos(2 * np.pi * (local_hour(local) - warmest_hour) / 24)
        + 3.0 * wander(random, steps, 48)
    )
    return pd.DataFrame(
        {
            "zenith": sun["apparent_zenith"], "azimuth": sun["azimuth"], "celsius": celsius,
            "ghi": ghi, "dni": split["dni"], "dhi": split["dhi"],
            "dni_extra": pvlib.irradiance.get_extra_radiation(middle),
        },
        index=middle,
    ).fillna(0.0)  # fmt: skip


def solar_kw_per_kwp(weather, tilt, azimuth):
    """DC power that 1 kWp of array could give, before any inverter."""
    plane = pvlib.irradiance.get_total_irradiance(
        tilt, azimuth, weather["zenith"], weather["azimuth"], weather["dni"], weather["ghi"], weather["dhi"],
        dni_extra=weather["dni_extra"], model="haydavies",
    )["poa_global"].fillna(0.0)  # fmt: skip
    cell_celsius = pvlib.temperature.faiman(plane, weather["celsius"], wind_speed=2.5)
    power_kw = pvlib.pvsystem.pvwatts_dc(plane, cell_celsius, pdc0=1.0, gamma_pdc=-0.0037)
    kept = 0.88  # soiling, reflection, mismatch, wiring: a guess
    return np.clip(kept * power_kw.to_numpy(), 0.0, None)


def standard_profiles(local, state):
    """BDEW profiles on the local clock, power per 5-minute step in arbitrary units."""
    # Only demandlib's table is read. Its year builder has a northern swing in the household profile, turns
    # every warning of the process into an error, and so (release 0.2.2) stops under pandas 3.1.
    table = pd.read_csv(str(files("demandlib.bdew") / "bdew_data" / "selp_series.csv"))
    # What the clock on the wall says decides, so clock changes need nothing more.
    month_day = (local.month * 100 + local.day).to_numpy()
    season = np.full(len(local), "", dtype=object)
    for (month, day), name in SOUTHERN_SEASONS:
        season[month_day >= month * 100 + day] = name
    days_off = pd.DatetimeIndex(list(holidays.country_holidays("AU", subdiv=state, years=YEAR)))
    is_off = local.tz_localize(None).normalize().isin(days_off)
    weekday = np.where(is_off, 7, local.day_of_week + 1)  # BDEW: a public holiday is a Sunday
    quarter_hour = (local.hour * 4 + local.minute // 15).to_numpy()
    table["quarter_hour"] = table.groupby(["period", "weekday"]).cumcount()
    wanted = pd.MultiIndex.from_arrays([season, weekday, quarter_hour])
    profiles = table.set_index(["period", "weekday", "quarter_hour"]).loc[wanted]
    # BDEW's smooth yearly swing of the household profile, half a year later.
    swing = dynamisation_function(pd.date_range("2025", periods=365 * 96, freq="15min")).to_numpy()[::96]
    profiles["h0"] *= swing[(local.day_of_year.to_numpy() - 1 + 182) % 365]
    return profiles


def make_loads(local, scenario, profiles):
    """Loads in kW: profiles with seeded scatter, then scaled to the yearly energy."""
    loads = {}
    for place, (name, energies_kwh) in enumerate(scenario["loads"].items()):
        random = np.random.default_rng([YEAR, scenario["seed"], place])
        shape = sum(profiles[kind].to_numpy() * kwh for kind, kwh in energies_kwh.items())
        # One site is rougher than the average of many that a standard profile shows.
        slow, quick = wander(random, len(local), 36), wander(random, len(local), 0.7)
        power = shape * np.exp(scenario["scatter"] * (0.4 * slow + 0.917 * quick))
        loads[name] = power * sum(energies_kwh.values()) * STEPS_PER_HOUR / power.sum()
    return loads


def price_events(random, local, seasons, from_hour, usual, singles):
    """Invented scarcity: clusters of days with events of some hours, and single 5-minute steps; 0 elsewhere.

    `seasons` are the days of the year around which clusters may fall, `usual` is the median height.
    """
    height = usual * np.exp(1.2 * wander(random, len(local), 0.6))
    active = np.zeros(len(local), dtype=bool)
    day, hour = local.day_of_year.to_numpy(), local_hour(local)
    for season in seasons:
        first_day = season + random.integers(-20, 21)
        for event_day in range(first_day, first_day + random.integers(2, 5)):
            start = from_hour + random.uniform(-1.0, 1.0)
            active |= (day == event_day) & (hour >= start) & (hour < start + random.uniform(0.5, 3.5))
    active &= height > 0.4 * usual  # an event comes and goes within its hours
    waking = np.flatnonzero(np.abs(hour - from_hour) < 4)
    lone = random.choice(waking, singles, replace=False)
    height[lone] = usual * (0.4 + random.pareto(1.2, singles))
    active[lone] = True
    return np.where(active, height, 0.0)


def make_market(local, weather, seed):
    """An invented spot price and invented availability prices; see the module's opening words."""
    random = np.random.default_rng([YEAR, seed, 2])
    steps, hour = len(local), local_hour(local)

    def hump(centre, width):
        return np.exp(-0.5 * ((hour - centre) / width) ** 2)

    sunshine = weather["ghi"].rolling(18, center=True, min_periods=1).mean().to_numpy() / 1000  # of a region
    tight = np.exp(0.30 * wander(random, steps, 40))
    spot = (  # all in currency/MWh, levels chosen by eye
        74.0
        + 55.0 * hump(7.3, 1.1)
        + 240.0 * tight * hump(18.8, 1.7)
        - 150.0 * sunshine
        - 12.0 * (local.day_of_week >= 5)
        + 24.0 * wander(random, steps, 3)
        + 8.0 * wander(random, steps, 0.2)
    )
    # Heat (February), cold (June, July) and spring outages lift prices; mild sunny spring days sink them.
    scarcity = price_events(random, local, (25, 45, 165, 195, 320), from_hour=17.5, usual=2_500.0, singles=90)
    glut = price_events(random, local, (265, 285, 305), from_hour=12.0, usual=180.0, singles=40)
    scarcity, glut = np.minimum(scarcity, PRICE_CAP), np.minimum(glut, -PRICE_FLOOR)
    spot = np.where(glut > 0, np.minimum(spot, -glut), spot)
    spot = np.where(scarcity > 0, np.maximum(spot, scarcity), spot)
    market = {"spot_per_mwh": np.clip(spot, PRICE_FLOOR, PRICE_CAP)}
    shared = wander(random, steps, 12)  # services are scarce together, though not in step
    for service, (usual, reach) in SERVICES.items():
        skewed = np.exp(0.8 * (0.6 * shared + 0.8 * wander(random, steps, 4)) - 0.32)
        joins = wander(random, steps, 1) > 0  # about half of the events reach a service
        event = scarcity if service.startswith("raise") else glut
        market[f"{service}_per_mw_h"] = np.minimum(usual * skewed + reach * event * joins, PRICE_CAP)
    return market


def write(path, local, columns, minutes, decimals):
    """Averages to the scenario's step, rounds, and writes Parquet by way of a temporary file."""
    width = minutes // 5
    table = pd.DataFrame({"interval_start": local[::width].tz_convert("UTC").as_unit("us")})
    for name, values in columns.items():
        table[name] = values.reshape(-1, width).mean(axis=1).round(decimals) + 0.0  # no negative zero
    path.parent.mkdir(exist_ok=True)
    part = path.with_suffix(".part")
    table.to_parquet(
        part, index=False, compression="zstd", compression_level=19, use_dictionary=list(columns),
        column_encoding={"interval_start": "DELTA_BINARY_PACKED"},  # even steps then cost nothing
    )  # fmt: skip
    os.replace(part, path)
    return table


def report(folder, table, minutes):
    """One line per column. Yearly sums are kWh for loads and kWh/kWp for solar."""
    for name, values in table.drop(columns="interval_start").items():
        row = f"{folder:21s} {name:26s} {values.mean():9.3f} {values.min():8.2f} {values.max():8.2f}"
        if "kw_per" in name or name.endswith("_kw"):
            row += f"{'':18s} {values.sum() * minutes / 60:11.0f}"
        else:
            row += f" {(values < 0).mean():8.1%} {(values > 300).mean():8.1%}"
        print(row)


def reserve_days(local, scenario):
    """Load and solar, energy and availability prices of some days: seeded shapes, nothing published but the sun."""
    random = np.random.default_rng([YEAR, scenario["seed"]])
    steps, hour = len(local), local_hour(local)
    weather = make_weather(local, {**RESERVE_ZONES[scenario["zone"]], "seed": scenario["seed"]})
    working = (local.day_of_week < 5) / (1 + np.exp(-2 * (4.5 - np.abs(hour - 12.5))))
    shape = scenario["night_kw"] + (scenario["day_kw"] - scenario["night_kw"]) * working
    site = {
        "load_kw": shape * np.exp(0.12 * wander(random, steps, 6)),
        "solar_kw_per_kwp": solar_kw_per_kwp(weather, 25, 180),
    }
    if "stacker_kw" in scenario:  # lifts in the shifts, and a third of it comes back when it lowers
        shifts = (local.day_of_week < 5) * ((hour >= 6) & (hour < 21.5))
        site["stacker_kw"] = scenario["stacker_kw"] * shifts * random.uniform(0.5, 1.5, steps)
        site["lowering_kw"] = site["stacker_kw"] * random.uniform(0.2, 0.45, steps)
    sunshine = weather["ghi"].rolling(18, center=True, min_periods=1).mean().to_numpy() / 1000
    morning = np.exp(-0.5 * ((hour - 8) / 1.5) ** 2)
    evening = np.exp(-0.5 * ((hour - 19) / 1.8) ** 2)
    shape = 0.75 + 0.45 * morning + 0.9 * evening - 0.9 * sunshine
    spot = scenario["level"] * (shape + 0.25 * wander(random, steps, 8))
    market = {"spot_per_mwh": spot}
    # The block that a step is in, by what the wall clock shows; one that starts late in a day is the next day's.
    shifted = local.tz_localize(None) + pd.Timedelta(hours=(24 - scenario["block_start"]) % 24)
    for service, (usual, block_hours) in scenario["services"].items():
        price = usual * np.exp(0.5 * wander(random, steps, 20))
        unit = "per_mw_h"
        if block_hours:
            block = shifted.floor(f"{block_hours}h")
            price = pd.Series(price).groupby(block).transform("mean").to_numpy()
            if service == "fcr":
                price, unit = price * block_hours, "per_mw_block"
        market[f"{service}_{unit}"] = price
    if "afrr_up" in scenario["services"]:
        market["afrr_energy_per_mwh"] = np.clip(
            spot + scenario["level"] * wander(random, steps, 0.5), -500, 900
        )
    return site, market


def make_reserves():
    """The files of the markets' scenarios."""
    for folder, scenario in RESERVES.items():
        first = pd.Timestamp(scenario["start"], tz=scenario["zone"])
        last = first + pd.DateOffset(days=scenario["days"])
        local = pd.date_range(first, last, freq="5min", inclusive="left")
        site, market = reserve_days(local, scenario)
        minutes = scenario["minutes"]
        report(folder, write(HERE / folder / "site.parquet", local, site, minutes, 3), minutes)
        report(folder, write(HERE / folder / "market.parquet", local, market, minutes, 2), minutes)


def make_water():
    """What the hot water of the home that waits draws, by its recipe."""
    made = make_load(HERE / WAITS / "hot-water.toml")
    local, draw = made.timeline.local(), np.repeat(made.columns["draw_kw"], made.timeline.step_minutes // 5)
    every = pd.date_range(local[0], periods=len(draw), freq="5min")
    report(WAITS, write(HERE / WAITS / "hot-water.parquet", every, {"draw_kw": draw}, 30, 3), 30)


def main():
    """Makes every file and prints what came out."""
    # pvlib 0.16 still asks pandas for a name that pandas 3.1 renamed.
    warnings.filterwarnings("ignore", message=".*dayofyear is deprecated")
    print(f"{'scenario':21s} {'column':26s}      mean      min      max  below 0 over 300  kWh a year")
    for folder, scenario in SCENARIOS.items():
        zone, minutes = ZONES[scenario["zone"]], scenario["minutes"]
        local = local_year(scenario["zone"])
        weather = make_weather(local, zone)
        site = make_loads(local, scenario, standard_profiles(local, zone["state"]))
        site["solar_kw_per_kwp"] = solar_kw_per_kwp(weather, scenario["tilt"], scenario["azimuth"])
        market = make_market(local, weather, zone["seed"])
        if not scenario["availability"]:
            market = {"spot_per_mwh": market["spot_per_mwh"]}
        report(folder, write(HERE / folder / "site.parquet", local, site, minutes, 3), minutes)
        report(folder, write(HERE / folder / "market.parquet", local, market, minutes, 2), minutes)
    make_reserves()
    make_water()


if __name__ == "__main__":
    main()
