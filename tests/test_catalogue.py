"""Every limit of the catalogue through everything that reads it: two small sites that differ in one figure.

In the first the figure is wide; in the second it binds. All is made up. What is expected is only that the second can do
less, and that whoever reads the limit says so by its name; amounts are checked where each reader is.
"""

from __future__ import annotations

import dataclasses
import functools
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import battery, inverter, table, write_site

import optimiser
from optimiser.engine.diagnosis import limits as movable
from optimiser.engine.diagnosis import window
from optimiser.equipment import limits
from optimiser.equipment.binding import READERS, Limit
from optimiser.equipment.limits import CATALOGUE
from optimiser.errors import ScenarioError
from optimiser.fields import PLAUSIBLE
from optimiser.plant.events import Call, Event, holdings
from optimiser.plant.outages import follow, island_of
from optimiser.plant.replay import EventReplay
from optimiser.plant.walk import Plant
from optimiser.scenario.checks import review
from optimiser.scenario.file import Scenario
from optimiser.studies import what_binds

HOURS = np.arange(24)
COLUMNS = {
    # Cheap in the night, dear in the evening, less than nothing at noon, so that every direction pays once.
    "price": np.select([HOURS < 6, (HOURS >= 11) & (HOURS < 14), HOURS >= 17], [20.0, -100.0, 500.0], 100.0),
    "sun": np.where((HOURS >= 7) & (HOURS < 17), 0.9, 0.0),
    "old": np.where((HOURS >= 7) & (HOURS < 17), 2.5, 0.0),
}
SPOT = (
    {"kind": "spot_charge", "price_per_mwh": "data.price"},
    {"kind": "spot_feed_in", "price_per_mwh": "data.price"},
)
TRUCK = {
    "name": "truck",
    "power_kw": 0.0,
    "before": "new",
    "peak_a": 1.0,
    "peak_seconds": 20.0,
    "least_terminal_v": 40.0,
}
BREAKER = {"ac_breaker_a": 1000.0, "ac_breaker_continuous_share": 0.8}


def service(name: str, direction: str) -> dict[str, Any]:
    """One that pays, of which a wish allows hardly any, so that it moves nothing else."""
    return {
        "name": name,
        "direction": direction,
        "sustain_hours": 0.5,
        "price": 10.0,
        "price_unit": "per_mw_hour",
        "most_kw": 0.02,
    }


def site_text(phases: int, in_line: bool, peaks: bool) -> str:
    """A site on which every limit is stated and wide; with `peaks` its store is a capacitor bank on the bus."""
    connection = {"import_limit_kw": 60.0, "export_limit_kw": 60.0}
    if phases == 3:
        connection |= {
            "import_limit_kw_per_phase": 50.0,
            "export_limit_kw_per_phase": 50.0,
            "imbalance_limit_kw": 100.0,
        }
    line = {"pass_through_limit_a": 1000.0} if in_line else {}
    main = inverter(6.0, 0.95, dc_current_limit_a=1000.0, standby_w=20.0, **BREAKER, **line)
    store = battery(
        10.0,
        6.0,
        0.96,
        charge_current_a=1000.0,
        discharge_current_a=1000.0,
        converter={"rating_kw": 50.0, "efficiency": 0.99},
        reserve=[{"fraction": 0.01}],
        end_fraction=0.1,
        life={
            "cycle_life": 6000.0,
            "calendar_life_years": 15.0,
            "warranted_kwh_per_year": 1e6,
            "keep_warranty": True,
        },
    )
    if peaks:
        store |= {"kind": "capacitor_bank", "unit_usable_kwh": store.pop("unit_kwh"), "resistance_ohm": 0.01}
        store |= {"lowest_voltage_v": 40.0, "highest_voltage_v": 57.0}
        del store["converter"], store["voltage_v"]
    site = {
        "phases": phases,
        "connection": connection,
        "dc_voltage_v": 50.0,
        "dc_load": [TRUCK] if peaks else [],
        "load": [{"phase": "L1", "power_kw": 2.0}],
        "inverter": [main | {"phase": "L1"}],
        "solar_controller": [
            {
                "name": "bus",
                "available_kw_per_kwp": "data.sun",
                "size_kwp": 4.0,
                "efficiency": 1.0,
                "current_limit_a": 1000.0,
            }
        ],
        "ac_solar": [
            {
                "name": "new",
                "phase": "L1",
                "available_kw_per_kwp": "data.sun",
                "size_kwp": 3.0,
                "rating_kw": 9.0,
            },
            {
                "name": "old",
                "phase": "L1",
                "available_kw": "data.old",
                "existing": True,
                "commandable": True,
            },
        ],
    }
    if phases == 3:
        site["registers"] = "netted"
    return table(
        site=site,
        components=SPOT,
        storage=[store],
        service=[service("raise", "up"), service("lower", "down")],
        backup={"hours": 24, "ac_solar": True},
    )


@dataclass(frozen=True)
class Case:
    """How a limit is made to bind.

    `call` is the direction in which a call meets it, `phases`, `in_line` and `peaks` say which site it is made to bind
    on.
    """

    tight: dict[str, Any]
    call: str = ""
    phases: int = 1
    in_line: bool = False
    peaks: bool = False

    @property
    def site(self) -> tuple[int, bool, bool]:
        """Of what kind the site is."""
        return self.phases, self.in_line, self.peaks


MAIN, BUS, NEW, OLD = (
    "site.inverter.0",
    "site.solar_controller.0",
    "site.ac_solar.0",
    "site.ac_solar.1",
)
CONNECTION, STORE, PEAKS = "site.connection", "storage.0", "site.dc_load.0"
CASES: dict[Limit, Case] = {
    limits.IMPORT: Case({f"{CONNECTION}.import_limit_kw": 3.0}, "down"),
    limits.EXPORT: Case({f"{CONNECTION}.export_limit_kw": 0.5}, "up"),
    limits.PHASE_IMPORT: Case({f"{CONNECTION}.import_limit_kw_per_phase": 3.0}, "down", phases=3),
    limits.PHASE_EXPORT: Case({f"{CONNECTION}.export_limit_kw_per_phase": 0.5}, "up", phases=3),
    limits.IMBALANCE: Case({f"{CONNECTION}.imbalance_limit_kw": 3.0}, "down", phases=3),
    limits.OUTPUT: Case({f"{MAIN}.output_kw": 1.0}, "up"),
    limits.INPUT: Case({f"{MAIN}.input_kw": 1.0}, "down"),
    limits.DC_CURRENT: Case({f"{MAIN}.dc_current_limit_a": 20.0}, "up"),
    limits.PASS_THROUGH: Case({f"{MAIN}.pass_through_limit_a": 14.0}, "down", in_line=True),
    limits.AC_BREAKER: Case({f"{MAIN}.ac_breaker_a": 10.0}, "up"),
    limits.CONTROLLER_ARRAY: Case({f"{BUS}.size_kwp": 0.5}),
    limits.CONTROLLER_CURRENT: Case({f"{BUS}.current_limit_a": 10.0}, "up"),
    limits.AC_ARRAY: Case({f"{NEW}.size_kwp": 0.5}),
    limits.AC_RATING: Case({f"{NEW}.rating_kw": 0.5}),
    limits.UNCOMMANDED: Case({f"{OLD}.commandable": False}),
    limits.PEAK: Case({f"{PEAKS}.peak_a": 700.0}, "up", peaks=True),
    limits.CAPACITY: Case({f"{STORE}.unit_kwh": 3.0}, "up"),
    limits.END: Case({f"{STORE}.end_fraction": 0.9}),
    limits.CHARGE: Case({f"{STORE}.charge_kw": 1.0}, "down"),
    limits.DISCHARGE: Case({f"{STORE}.discharge_kw": 1.0}, "up"),
    limits.CHARGE_CURRENT: Case({f"{STORE}.charge_current_a": 20.0}, "down"),
    limits.DISCHARGE_CURRENT: Case({f"{STORE}.discharge_current_a": 20.0}, "up"),
    limits.CONVERTER: Case({f"{STORE}.converter.rating_kw": 1.0}, "up"),
    limits.RESERVE: Case({f"{STORE}.reserve.0.fraction": 0.5}, "up"),
    limits.WARRANTY: Case({f"{STORE}.life.warranted_kwh_per_year": 365.0}),
    limits.MOST_OFFERED: Case({"service.0.most_kw": 0.01}),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the small sites are."""
    return tmp_path_factory.mktemp("catalogue")


@functools.cache
def wide(folder: Path, phases: int, in_line: bool, peaks: bool) -> Scenario:
    """A site on which no limit binds but what must."""
    place = write_site(folder / f"{phases}-{in_line}-{peaks}", site_text(phases, in_line, peaks), COLUMNS)
    return optimiser.read_scenario(place)


def both(folder: Path, limit: Limit) -> tuple[Scenario, Scenario]:
    """The site of a limit, wide and tight."""
    case = CASES[limit]
    loose = wide(folder, *case.site)
    return loose, optimiser.vary(loose, case.tight)


@functools.cache
def solved(folder: Path, limit: Limit | None, phases: int, in_line: bool, peaks: bool) -> optimiser.Dispatch:
    """The best schedule of a wide site, or of a limit's tight one."""
    return optimiser.solve(wide(folder, phases, in_line, peaks) if limit is None else both(folder, limit)[1])


def schedules(folder: Path, limit: Limit) -> tuple[optimiser.Dispatch, optimiser.Dispatch]:
    """The best schedules of the wide and of the tight site."""
    case = CASES[limit]
    return tuple(solved(folder, one, *case.site) for one in (None, limit))


def ids(limit: Limit) -> str:
    return f"{limit.owner}.{limit.key}"


def of(reader: str) -> Any:
    """The limits that a reader reads."""
    return pytest.mark.parametrize("limit", [x for x in CATALOGUE if reader in x.readers], ids=ids)


def test_every_entry_has_a_case_and_every_absence_a_reason():
    """Nothing is left out in silence."""
    assert set(CATALOGUE) == CASES.keys()
    assert len({ids(limit) for limit in CATALOGUE}) == len(CATALOGUE)
    for limit in CATALOGUE:
        assert limit.absent.keys() <= set(READERS), limit.words
        assert all(limit.absent.values()), limit.words
        assert "program" in limit.readers


@pytest.mark.parametrize("limit", CATALOGUE, ids=ids)
def test_an_entry_is_a_key_of_the_scenario_file(limit, folder):
    """Its place is there, and its meaning and unit are what the file's own field says."""
    scenario = wide(folder, 3, True, limit is limits.PEAK)
    part = attrgetter(limit.owner)(scenario)
    part = part[0] if isinstance(part, tuple) else part
    *owners, key = limit.key.split(".")
    for name in owners:
        part = getattr(part, name)
    if limit is limits.RESERVE:
        part, key = part.reserve[0], "fraction"
    assert type(part).model_fields[key].description.startswith(limit.meaning)


@of("program")
def test_the_program_obeys(limit, folder):
    """Where it binds, less is earned; that the schedule keeps it is replayed on every solve."""
    loose, tight = (found.proof.settled for found in schedules(folder, limit))
    assert tight < loose - 1e-6


@of("what_binds")
def test_what_binds_values_it(limit, folder):
    """One more unit is worth something, under the figure's own path."""
    _, tight = schedules(folder, limit)
    found = what_binds.worths(optimiser.settle(tight), check=False)
    own = [
        worth for worth in found if worth.limit.limit is limit and worth.limit.path.startswith(limit.owner)
    ]
    assert any(abs(worth.margin) > 1e-6 for worth in own), [(w.limit.path, w.margin) for w in own]


COMMANDS = np.repeat([-50.0, 50.0, -50.0, 50.0], 6)[:, None]


@of("walk")
def test_the_walk_gives_way(limit, folder):
    """Under the same commands other powers flow, none is beyond the limits, and nothing is missing."""
    walks = []
    for scenario in both(folder, limit):
        if limit is limits.UNCOMMANDED:
            # At a wide connection solar gives all that it can, whether anybody may command it or not.
            scenario = optimiser.vary(scenario, {f"{CONNECTION}.export_limit_kw": 1.0})
        walks.append(Plant(scenario).walk(COMMANDS))
    differs = [
        float(np.abs(getattr(walks[0], f.name) - getattr(walks[1], f.name)).max(initial=0.0))
        for f in dataclasses.fields(walks[0])
    ]
    assert max(differs) > 1e-3
    assert walks[1].short.max() < 1e-6


def called(dispatch: optimiser.Dispatch, direction: str, step: int) -> Any:
    """What comes of a call of 20 kW, whatever is offered."""
    offers = tuple(
        dataclasses.replace(o, offered_kw=np.full_like(np.asarray(o.offered_kw, float), 20.0))
        for o in dispatch.offers
    )
    planted = dataclasses.replace(dispatch, offers=offers)
    held = [h for h in holdings(planted) if h.direction == direction]
    calls = tuple(Call(h, 20.0, h.hours) for h in held)
    return EventReplay(planted).walk(Event("all", "given", float(step), calls))


@of("activation")
def test_an_activation_shows_what_is_left(limit, folder):
    """A call beyond everything leaves less of it than at the wide site, and where it can stop a call it is named."""
    case = CASES[limit]
    margin = limit.margin
    assert margin is not None
    shown = []
    for step in (3, 12, 19):
        loose, tight = (called(found, case.call, step) for found in schedules(folder, limit))
        if margin.stops:
            named = margin.stops in tight.limited_by
            shown.append(named and tight.delivered_kw < loose.delivered_kw - 1e-3)
        else:
            shown.append(tight.margins[margin.name] < loose.margins[margin.name] - 1e-3)
        assert margin.name in tight.margins
    assert any(shown)


@of("outages")
def test_an_outage_meets_it(limit, folder):
    """The same outages last otherwise."""
    lasted = []
    for scenario in both(folder, limit):
        scenario = optimiser.vary(scenario, {"site.load.0.power_kw": 1.6})
        steps = np.tile(HOURS, 3)
        shares = np.repeat([0.1, 0.4, 0.9], 24)
        found = follow(
            island_of(scenario, scenario.file.backup),
            shares[None, :] * scenario.storage[0].capacity_kwh,
            steps,
            24.0,
        )
        lasted.append(found.hours)
    assert np.abs(lasted[0] - lasted[1]).max() > 1e-3


@of("checks")
def test_a_figure_that_cannot_be_meant_is_warned_of(limit, folder):
    """Ten times the most that is usual in its unit is told with its place."""
    loose = wide(folder, *CASES[limit].site)
    (path,) = CASES[limit].tight
    unit = "kWh" if limit is limits.CAPACITY else limit.unit
    varied = optimiser.vary(loose, {path: 10 * PLAUSIBLE[unit][1]})
    assert any(words.startswith(path) and "hardly meant" in words for words in review.warnings(varied))


@of("diagnosis")
def test_the_diagnosis_can_move_it(limit, folder):
    """It knows the limit's rows in the program under its place in the file; that it names it is planted elsewhere."""
    _, tight = both(folder, limit)
    known = movable.limits_of(tight, window.bare_problem(tight))
    own = [found for found in known if found.limit is limit]
    assert own
    assert all(found.holds and found.field.endswith(limit.key) for found in own)


def test_an_ampere_of_an_ac_breaker_has_a_closed_form(tmp_path):
    """A store charges through a breaker of 10 A at 0.8 and 230 V for six cheap hours: 1.84 kW, 11.04 kWh.

    Sold without loss at 0.50 after being bought at 0.02, an ampere of rating is worth 365 x 6 x 0.8 x 0.23 x 0.48. P =
    V I, elementary circuit theory. What it gives passes the same breaker.
    """
    price = np.where(HOURS < 6, 20.0, 500.0)
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "load": [{"power_kw": 5.0}],
        "inverter": [inverter(50.0, ac_breaker_a=10.0, ac_breaker_continuous_share=0.8)],
    }
    text = table(site=site, components=SPOT, storage=[battery(100.0, 50.0, start_fraction=0.0)])
    scenario = optimiser.read_scenario(write_site(tmp_path, text, {"price": price}))
    dispatch = optimiser.solve(scenario)
    assert 6 * 1.84 == pytest.approx(float(dispatch.flows.inverters["main"].input_kw.sum()))
    assert float(dispatch.flows.inverters["main"].output_kw.max()) <= 1.84 + 1e-9
    found = {w.limit.path: w for w in what_binds.worths(optimiser.settle(dispatch))}
    expected = 365 * 6 * 0.8 * 0.23 * 0.48
    assert expected == pytest.approx(found["site.inverter.0.ac_breaker_a"].margin, rel=1e-6)


def test_an_ac_breaker_comes_with_its_share(tmp_path):
    """A rating alone does not say what may flow for hours, and is refused."""
    site = {
        "phases": 1,
        "connection": {"import_limit_kw": 100.0, "export_limit_kw": 0.0},
        "inverter": [inverter(5.0, ac_breaker_a=10.0)],
    }
    with pytest.raises(ScenarioError, match="ac_breaker_continuous_share go together"):
        optimiser.read_scenario(write_site(tmp_path, table(site=site, components=SPOT), COLUMNS))
