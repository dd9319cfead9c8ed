"""Names of columns, of the program and of tables alike: what is measured, and where on the site, said once.

A name is the place, its own name where there are several, and the quantity with its unit: storage.bank.stored_kwh.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

START = "interval_start"
START_LOCAL = "interval_start_local"
END_LOCAL = "interval_end_local"

LOAD = "site.load_kw"
FLEXIBLE = "site.flexible_kw"
SOLAR = "site.solar_kw"
SOLAR_AVAILABLE = "site.solar_available_kw"
CHARGE = "site.charge_kw"
DISCHARGE = "site.discharge_kw"
USED = "site.used_kw"  # all loads, on the bus and those that wait too
STORED = "site.stored_kwh"
STORED_PERCENT = "site.stored_percent"
STORE_NET = "site.store_net_kw"  # above zero it gives
STORE_STATE = "site.store_is"
CEILING_STORED = "ceiling.stored_kwh"  # beside the schedule that payback rests on

IMPORT = "meter.import_kw"
EXPORT = "meter.export_kw"
CROSSING = "meter.crossing_kw"

IMPORT_PRICE = "price.import_per_kwh"
EXPORT_PRICE = "price.export_per_kwh"
STORED_WORTH = "worth.stored_per_kwh"

RAN = "control.ran"  # places in the lists of names, modes and reasons
MODE = "control.mode"
REASON = "control.reason"

DOES = "does"
WHY = "why"

_EXPORT_ROOM = "export room of "
_HELD_BACK = "held_back_kw at "
_FLEXIBLE = "flexible."


def of_phase(phase: str, quantity: str) -> str:
    """A column of one phase of the connection."""
    return f"phase.{phase}.{quantity}"


def register_of(phase: str = "") -> str:
    """The meter's register of one phase; without one, of all phases netted."""
    return f"meter.{phase}" if phase else "meter"


def of_register(phase: str, quantity: str) -> str:
    """A column of the meter's register of one phase."""
    return f"{register_of(phase)}.{quantity}"


def of_export_room(place: str) -> str:
    """The column of what is left to a limit that solar gives way to by itself."""
    return f"{_EXPORT_ROOM}{place}.kw"


def of_held_back(solar: str, place: str) -> str:
    """The column of what a solar system that nobody commands holds back for a limit."""
    return of_ac_solar(solar, f"{_HELD_BACK}{place}")


def of_giving_way(column: str) -> bool:
    """Whether a column is one of either kind."""
    return column.startswith(_EXPORT_ROOM) or _HELD_BACK in column


def of_inverter(name: str, quantity: str) -> str:
    """A column of an inverter."""
    return f"inverter.{name}.{quantity}"


def of_controller(name: str, quantity: str) -> str:
    """A column of a solar controller on the DC bus."""
    return f"controller.{name}.{quantity}"


def of_ac_solar(name: str, quantity: str) -> str:
    """A column of a solar system on the AC side."""
    return f"ac_solar.{name}.{quantity}"


def of_dc_load(name: str, quantity: str) -> str:
    """A column of a load on the DC bus."""
    return f"dc_load.{name}.{quantity}"


def of_bank(name: str, quantity: str) -> str:
    """A column of a storage bank."""
    return f"storage.{name}.{quantity}"


def of_flexible(name: str, quantity: str) -> str:
    """A column of a load whose time is free."""
    return f"{_FLEXIBLE}{name}.{quantity}"


def of_load_that_waits(column: str) -> bool:
    """Whether a column is one of those."""
    return column.startswith(_FLEXIBLE)


def worth_of(bank: str) -> str:
    """The column of what a kWh stored in a bank is worth."""
    return f"worth.{bank}.stored_per_kwh"


def of_service(name: str, quantity: str) -> str:
    """A column of a service that is offered by itself."""
    return f"service.{name}.{quantity}"


def of_bundle(group: str, direction: str, quantity: str) -> str:
    """A column of services of one group that are offered as one."""
    return f"service bundle.{group}.{direction}.{quantity}"


def of_group(name: str, quantity: str) -> str:
    """A column of services that respond together."""
    return f"service group.{name}.{quantity}"


def members(columns: Iterable[str], like: Callable[[str, str], str], quantity: str) -> list[str]:
    """Names for which there is a column of a quantity, in the order of the columns.

    Parameters
    ----------
    columns : iterable of str
    like : callable
        What names such a column: `of_bank`, `of_service`.
    quantity : str
    """
    before, after = like("\0", quantity).split("\0")
    return [
        column[len(before) : -len(after)]
        for column in columns
        if column.startswith(before) and column.endswith(after)
    ]


def alike(columns: Iterable[str], like: Callable[[str, str], str], quantity: str) -> list[str]:
    """The columns of a quantity, one for each of `members`."""
    return [like(name, quantity) for name in members(columns, like, quantity)]
