"""The catalogue of limits: what equipment and the connection allow, each said once for all who read it.

A limit is a figure of the scenario file. The program holds schedules to it, the walk and outages give way to it, the
replay of activations shows what is left to it, the checks compare it with ratings, the diagnosis names it where nothing
can be done within it, and "what binds" values one more unit of it. How it binds is one of a few forms, which
stand in `binding`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

import numpy as np

from optimiser.equipment.binding import Form, Limit, Margin, Owner
from optimiser.fields import Column
from optimiser.terms.data import Numbers


@dataclass(frozen=True)
class StatedLimit:
    """A figure of a scenario that limits what the site can do.

    Attributes
    ----------
    limit : Limit
    path : str
        Where it stands in the scenario file.
    words : str
        What it is.
    unit : str
        Of which one more is valued.
    size : float
        How much of that unit there is; the mean where it is a series.
    per : float
        By how much of `unit` the site grows when the figure grows by one.
    """

    limit: Limit
    path: str
    words: str
    unit: str
    size: float
    per: float = 1.0


def _of_units(bank: Any, key: str) -> Iterator[tuple[str, Any, float]]:
    """A figure of one of a bank's equal units, told for the whole bank."""
    if (value := getattr(bank, key)) is not None:
        yield key, bank.units * value, bank.units


def _usable(bank: Any, key: str) -> Iterator[tuple[str, Any, float]]:
    """Whichever figure gives a bank's usable energy."""
    named = {"capacitance_f", "unit_usable_kwh", "unit_kwh"} & type(bank).model_fields.keys()
    (given,) = (name for name in named if getattr(bank, name) is not None)
    yield given, bank.capacity_kwh, bank.capacity_kwh / getattr(bank, given)


def _converter(bank: Any, key: str) -> Iterator[tuple[str, Any, float]]:
    if bank.converter is not None:
        yield key, bank.converter.rating_kw, 1.0


def _reserves(bank: Any, key: str) -> Iterator[tuple[str, Any, float]]:
    for number, reserve in enumerate(bank.reserve):
        yield f"{key}.{number}.fraction", 100 * reserve.fraction, 100.0


INVERTER_KW = Margin("inverter_kw", "Inverters, kW", "inverter rating")
INVERTER_DC_A = Margin("inverter_dc_a", "Their DC current, A", "DC current of inverters")
STORAGE_KW = Margin("storage_kw", "Storage, kW", "storage power")
STORAGE_A = Margin("storage_a", "Its current, A", "storage current")
STORED_KWH = Margin("stored_kwh", "Stored energy, kWh", "stored energy")
CONNECTION_KW = Margin("connection_kw", "Connection, kW", "connection")
PHASE_KW = Margin("phase_kw", "A phase, kW", "phase of the connection")
PASS_THROUGH_A = Margin(
    "pass_through_a", "Current passed through an inverter, A", "current passed through an inverter"
)
AC_BREAKER_A = Margin("ac_breaker_a", "Current through an AC breaker, A", "AC breaker of an inverter")
IMBALANCE_KW = Margin("imbalance_kw", "Imbalance, kW")
CONTROLLER_A = Margin("controller_a", "Solar controllers, A")

NO_GRID = "the grid is away in an outage"
THE_SUN = "what the sun brings is data, which a plan takes as it is"
NO_FIGURE = "it is a yes or no, not a figure of which there could be one more"
A_PLAN = "it is asked of plans; what runs by itself cannot know a month or an end"

IMPORT = Limit(
    owner="site.connection",
    key="import_limit_kw",
    unit="kW",
    meaning="most that the site may import in all",
    words="import limit",
    rule="import limit of the connection",
    form="net",
    rank=1,
    margin=CONNECTION_KW,
    absent={"outages": NO_GRID},
)
EXPORT = Limit(
    owner="site.connection",
    key="export_limit_kw",
    unit="kW",
    meaning="most that the site may export in all",
    words="export limit",
    rule="export limit of the connection",
    form="net",
    rank=1,
    margin=CONNECTION_KW,
    absent={"outages": NO_GRID},
)
PHASE_IMPORT = Limit(
    owner="site.connection",
    key="import_limit_kw_per_phase",
    unit="kW",
    meaning="most that a phase may import",
    words="import limit of every phase",
    rule="import limit of phase {phase}",
    form="net",
    rank=1,
    margin=PHASE_KW,
    absent={"outages": NO_GRID},
)
PHASE_EXPORT = Limit(
    owner="site.connection",
    key="export_limit_kw_per_phase",
    unit="kW",
    meaning="most that a phase may export",
    words="export limit of every phase",
    rule="export limit of phase {phase}",
    form="net",
    rank=1,
    margin=PHASE_KW,
    absent={"outages": NO_GRID},
)
IMBALANCE = Limit(
    owner="site.connection",
    key="imbalance_limit_kw",
    unit="kW",
    meaning="largest difference between the signed powers of two phases",
    words="allowed imbalance of phases",
    rule="imbalance limit between phases",
    form="net",
    rank=1,
    margin=IMBALANCE_KW,
    absent={"outages": NO_GRID},
)
OUTPUT = Limit(
    owner="site.inverter",
    key="output_kw",
    unit="kW",
    meaning="continuous AC output rating",
    words="output rating",
    rule="output rating of inverter {name}",
    form="flow",
    rank=4,
    margin=INVERTER_KW,
)
INPUT = Limit(
    owner="site.inverter",
    key="input_kw",
    unit="kW",
    meaning="continuous AC input rating when charging; 0 if it cannot",
    words="input rating",
    rule="input rating of inverter {name}",
    form="flow",
    rank=4,
    margin=INVERTER_KW,
)
DC_CURRENT = Limit(
    owner="site.inverter",
    key="dc_current_limit_a",
    unit="A",
    meaning="continuous current that its DC breaker allows",
    words="DC current limit",
    rule="DC current of inverter {name}",
    form="bus current",
    rank=3,
    margin=INVERTER_DC_A,
)
PASS_THROUGH = Limit(
    owner="site.inverter",
    key="pass_through_limit_a",
    unit="A",
    meaning="in-line wiring: current that may pass through it per phase",
    words="pass-through current limit",
    rule="pass-through current of inverter {name}",
    form="through",
    rank=2,
    margin=PASS_THROUGH_A,
    absent={"outages": NO_GRID},
)
AC_BREAKER = Limit(
    owner="site.inverter",
    key="ac_breaker_a",
    unit="A",
    meaning="rating of the breaker in its AC supply, of each phase",
    words="AC breaker",
    rule="AC breaker of inverter {name}",
    form="through",
    rank=2,
    margin=AC_BREAKER_A,
    amperes=lambda inverter, key: inverter.ac_breaker_current_a,
    absent={"outages": NO_GRID},
)
CONTROLLER_ARRAY = Limit(
    owner="site.solar_controller",
    key="size_kwp",
    unit="kWp",
    meaning="size of the array, with available_kw_per_kwp",
    words="array",
    rule="array of controller {name}",
    form="sun",
    absent={"activation": THE_SUN, "diagnosis": THE_SUN},
)
CONTROLLER_CURRENT = Limit(
    owner="site.solar_controller",
    key="current_limit_a",
    unit="A",
    meaning="output current limit",
    words="output current limit",
    rule="current of controller {name}",
    form="bus current",
    rank=3,
    margin=CONTROLLER_A,
)
AC_ARRAY = Limit(
    owner="site.ac_solar",
    key="size_kwp",
    unit="kWp",
    meaning="size of the array, with available_kw_per_kwp",
    words="array",
    rule="array of {name}",
    form="sun",
    absent={"activation": THE_SUN, "diagnosis": THE_SUN},
)
AC_RATING = Limit(
    owner="site.ac_solar",
    key="rating_kw",
    unit="kW",
    meaning="rating of its inverter; left out: no limit",
    words="rating",
    rule="rating of {name}",
    form="sun",
    absent={"activation": THE_SUN, "diagnosis": THE_SUN},
)
UNCOMMANDED = Limit(
    owner="site.ac_solar",
    key="commandable",
    unit="kW",
    meaning="existing systems: whether the new system may command it to give less; left out: no",
    words="least output",
    rule="output of {name}",
    form="sun",
    rank=3,
    kind="given",
    figures=lambda part, key: iter(()),
    absent={"activation": THE_SUN, "outages": NO_GRID, "checks": NO_FIGURE, "what_binds": NO_FIGURE},
)
PEAK = Limit(
    owner="site.dc_load",
    key="peak_a",
    unit="A",
    meaning="peak current, in place of what power_kw draws",
    words="peak current",
    rule="peak current of load {name}",
    form="stored",
    rank=2,
    kind="stored",
    margin=STORED_KWH,
    absent={"checks": "what no bank can carry is a fault, not a warning"},
)
CAPACITY = Limit(
    owner="storage",
    key="units",
    unit="kWh",
    meaning="number of equal units in parallel",
    words="usable energy",
    rule="capacity of {name}",
    form="stored",
    rank=6,
    margin=STORED_KWH,
    figures=_usable,
)
END = Limit(
    owner="storage",
    key="end_fraction",
    unit="kWh",
    meaning="least share of the usable energy held at the end; left out: as at the start",
    words="end state",
    rule="end state of {name}",
    form="stored",
    rank=0,
    kind="stored",
    figures=lambda part, key: iter(()),
    absent={
        "activation": "a call is short beside the run",
        "outages": "an outage may use all that is stored",
        "checks": "any end within the bounds of its field can be meant",
        "what_binds": "it sets where the run ends, not what the site can do",
    },
)
CHARGE = Limit(
    owner="storage",
    key="charge_kw",
    unit="kW",
    meaning="continuous charge power of a unit at its DC terminals",
    words="charge power",
    rule="charge power of {name}",
    form="flow",
    rank=5,
    margin=STORAGE_KW,
    figures=_of_units,
)
DISCHARGE = Limit(
    owner="storage",
    key="discharge_kw",
    unit="kW",
    meaning="continuous discharge power of a unit at its DC terminals",
    words="discharge power",
    rule="discharge power of {name}",
    form="flow",
    rank=5,
    margin=STORAGE_KW,
    figures=_of_units,
)
CHARGE_CURRENT = Limit(
    owner="storage",
    key="charge_current_a",
    unit="A",
    meaning="charge current limit of a unit",
    words="charge current limit",
    rule="charge current of {name}",
    form="own current",
    rank=3,
    margin=STORAGE_A,
    figures=_of_units,
)
DISCHARGE_CURRENT = Limit(
    owner="storage",
    key="discharge_current_a",
    unit="A",
    meaning="discharge current limit of a unit",
    words="discharge current limit",
    rule="discharge current of {name}",
    form="own current",
    rank=3,
    margin=STORAGE_A,
    figures=_of_units,
)
CONVERTER = Limit(
    owner="storage",
    key="converter.rating_kw",
    unit="kW",
    meaning="continuous rating on the bus side, each way",
    words="converter",
    rule="converter of {name}",
    form="flow",
    margin=STORAGE_KW,
    figures=_converter,
    absent={"diagnosis": "it is part of the charge and discharge power, which are named"},
)
RESERVE = Limit(
    owner="storage",
    key="reserve",
    unit="% of its energy",
    meaning="share of the usable energy that is kept",
    words="backup reserve",
    rule="reserve of {name}",
    form="stored",
    rank=0,
    kind="stored",
    margin=STORED_KWH,
    figures=_reserves,
    absent={
        "outages": "an outage is what it is kept for",
        "checks": "any share within the bounds of its field can be meant",
    },
)
WARRANTY = Limit(
    owner="storage",
    key="life.keep_warranty",
    unit="kWh",
    meaning="hold the schedule to the warranty, each month to its days' share of the year",
    words="warranty",
    rule="warranty of {name}",
    form="stored",
    rank=0,
    kind="wear",
    figures=lambda part, key: iter(()),
    absent={
        "walk": A_PLAN,
        "activation": "a call is short beside a month",
        "outages": "an outage is short beside a month",
        "checks": NO_FIGURE,
        "what_binds": NO_FIGURE,
    },
)
MOST_OFFERED = Limit(
    owner="service",
    key="most_kw",
    unit="kW",
    meaning="most that may be offered; left out: no limit",
    words="most offered",
    rule="most offered of {name}",
    form="sold",
    absent={
        "walk": "it limits what is sold, not what flows",
        "activation": "what is called was offered within it",
        "outages": NO_GRID,
        "checks": "any wish can be meant",
        "diagnosis": "offers may always be zero",
    },
)

# In the order of a scenario file.
CATALOGUE: tuple[Limit, ...] = (
    *(IMPORT, EXPORT, PHASE_IMPORT, PHASE_EXPORT, IMBALANCE),
    *(OUTPUT, INPUT, DC_CURRENT, PASS_THROUGH, AC_BREAKER),
    *(CONTROLLER_ARRAY, CONTROLLER_CURRENT, AC_ARRAY, AC_RATING, UNCOMMANDED, PEAK),
    *(CAPACITY, END, CHARGE, DISCHARGE, CHARGE_CURRENT, DISCHARGE_CURRENT, CONVERTER, RESERVE, WARRANTY),
    MOST_OFFERED,
)
MARGINS: tuple[Margin, ...] = tuple(
    dict.fromkeys(limit.margin for limit in CATALOGUE if limit.margin is not None)
)
NOUNS: Mapping[Owner, str] = {
    "site.inverter": "inverter ",
    "site.solar_controller": "controller ",
    "site.ac_solar": "solar system ",
    "site.dc_load": "load ",
}


def of_form(form: Form, owner: Owner) -> tuple[Limit, ...]:
    """The limits of an owner that bind in one form."""
    return tuple(limit for limit in CATALOGUE if (limit.form, limit.owner) == (form, owner))


class Named(Protocol):
    """A table of a file that has a name."""

    @property
    def name(self) -> str:
        """What it is called."""


class Equipped(Protocol):
    """A site, by the tables that limits stand in."""

    @property
    def connection(self) -> object:
        """Where it meets the grid."""

    @property
    def inverter(self) -> Sequence[Named]:
        """Its inverters."""

    @property
    def solar_controller(self) -> Sequence[Named]:
        """Its solar controllers."""

    @property
    def ac_solar(self) -> Sequence[Named]:
        """Its solar systems on the AC side."""

    @property
    def dc_load(self) -> Sequence[Named]:
        """Its loads on the DC bus."""


class Limited(Protocol):
    """A scenario, by the tables that limits stand in."""

    @property
    def site(self) -> Equipped:
        """Its site."""

    @property
    def storage(self) -> Sequence[Named]:
        """Its storage banks."""

    @property
    def service(self) -> Sequence[Named]:
        """What it offers."""

    def read(self, reference: Column) -> Numbers:
        """The numbers behind a constant or a name of a series."""


Part = TypeVar("Part", bound=Named)


def placed(owner: Owner, parts: Sequence[Part]) -> Iterator[tuple[str, Part]]:
    """The tables in which limits of an owner stand, each with its place in the file."""
    return ((f"{owner}.{number}", part) for number, part in enumerate(parts))


def stated(scenario: Limited) -> Iterator[StatedLimit]:
    """Every limit that a scenario states by a figure, in the order of the file."""
    site = scenario.site
    lists: dict[Owner, Sequence[Named]] = {
        "site.inverter": site.inverter,
        "site.solar_controller": site.solar_controller,
        "site.ac_solar": site.ac_solar,
        "site.dc_load": site.dc_load,
        "storage": scenario.storage,
        "service": scenario.service,
    }
    for owner in dict.fromkeys(limit.owner for limit in CATALOGUE):
        own = [limit for limit in CATALOGUE if limit.owner == owner]
        tables: list[tuple[str, str, object]] = [("site.connection", "", site.connection)]
        if owner != "site.connection":
            named = placed(owner, lists[owner])
            tables = [(place, f" of {NOUNS.get(owner, '')}{part.name}", part) for place, part in named]
        for place, of, part in tables:
            for limit in own:
                for key, size, per in limit.figures(part, limit.key):
                    mean = float(np.mean(scenario.read(size)))
                    yield StatedLimit(limit, f"{place}.{key}", f"{limit.words}{of}", limit.unit, mean, per)
