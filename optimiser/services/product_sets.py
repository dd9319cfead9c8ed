"""Rules of real markets' products, as data files with dates and sources, and services that take theirs from them."""

from __future__ import annotations

import datetime
import difflib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from optimiser.services.product import Product

SETS = Path(__file__).parent / "sets"
ALWAYS, NEVER = datetime.date.min, datetime.date.max


@dataclass(frozen=True)
class ProductSet:
    """The products of a market.

    Attributes
    ----------
    name : str
        The file's name, which stands before the / in a scenario.
    title : str
    notes : tuple of str
        Sentences about what holds for all of them, and what is left out.
    versions : dict of str to tuple of dict
        For each product, its keys as a scenario writes them, once for each span of dates, in their order.
    """

    name: str
    title: str
    notes: tuple[str, ...]
    versions: Mapping[str, tuple[Mapping[str, Any], ...]]


@cache
def product_sets() -> dict[str, ProductSet]:
    """The sets that come with the package, by name."""
    return {path.stem: _read(path) for path in sorted(SETS.glob("*.toml"))}


def _read(path: Path) -> ProductSet:
    """A set: keys that its products share, under those of each; marks of memory add up."""
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    shared = content["shared"]
    versions: dict[str, list[dict[str, Any]]] = {}
    for own in content["product"]:
        marks = [key for key in shared.get("from_memory", []) if key not in own or key not in shared]
        table = {**shared, **own, "from_memory": sorted({*marks, *own.get("from_memory", [])})}
        versions.setdefault(own["name"], []).append(table)
    ordered = {name: tuple(sorted(many, key=_since)) for name, many in versions.items()}
    return ProductSet(path.stem, content["title"], tuple(content["notes"]), ordered)


def _since(table: Mapping[str, Any]) -> datetime.date:
    since: datetime.date = table.get("valid_from", ALWAYS)
    return since


def _until(table: Mapping[str, Any]) -> datetime.date:
    until: datetime.date = table.get("valid_until", NEVER)
    return until


def as_product(table: Mapping[str, Any]) -> Product:
    """A version as a product, with zero for the prices that a scenario would give."""
    prices = {"price": 0.0}
    if table.get("pricing") == "pay_as_bid":
        prices["bid_price"] = 0.0
    if table.get("delivered_energy") == "price":
        prices["delivered_price_per_mwh"] = 0.0
    return Product.model_validate({**prices, **table})


def in_force(
    versions: tuple[Mapping[str, Any], ...], first: datetime.date, end: datetime.date
) -> tuple[Mapping[str, Any], ...]:
    """The versions that hold on some day from `first` up to but not including `end`; the nearest where none does."""
    held = tuple(table for table in versions if _since(table) < end and _until(table) > first)
    return held or (versions[0] if end <= _since(versions[0]) else versions[-1],)


def completed(
    services: list[Any], first: datetime.date, end: datetime.date
) -> tuple[list[Any], list[int], list[str]]:
    """Services with the keys of the products that they name; what a service says itself wins.

    Parameters
    ----------
    services : list
        The tables of a scenario as they were parsed.
    first, end : date
        The days of its timeline, without the last.

    Returns
    -------
    tables : list
        One for each version in force: where rules change within the timeline, each sold on its days.
    places : list of int
        The place in `services` that each is from.
    faults : list of str
        A sentence for each product that does not exist.
    """
    tables, places, faults = [], [], []
    for place, service in enumerate(services):
        found: list[Any] = [service]
        if isinstance(service, dict) and "product" in service:
            try:
                found = list(_versions_of(service, first, end))
            except LookupError as unknown:
                faults.append(f"service.{place}.product {unknown.args[0]}")
                continue
        tables += found
        places += [place] * len(found)
    return tables, places, faults


def _versions_of(
    service: Mapping[str, Any], first: datetime.date, end: datetime.date
) -> Iterator[dict[str, Any]]:
    """A service as each version in force has it; where there are several, each has its date in its name."""
    held = in_force(_find(service["product"]), first, end)
    for number, rules in enumerate(held):
        marks = [key for key in rules["from_memory"] if key not in service]
        table = {**rules, **service, "from_memory": marks}
        if "valid_from" in service and isinstance(service["valid_from"], datetime.date):
            table["valid_from"] = max(service["valid_from"], _since(rules))
        if "valid_until" in service and isinstance(service["valid_until"], datetime.date):
            table["valid_until"] = min(service["valid_until"], _until(rules))
        if number:
            table["name"] = f"{table['name']} from {_since(rules)}"
        yield table


def _find(product: Any) -> tuple[Mapping[str, Any], ...]:
    """The versions of a product named SET/NAME, or a LookupError with what is wrong and what was meant."""
    shown = repr(product)[:80]
    names = {
        f"{one.name}/{name}": many for one in product_sets().values() for name, many in one.versions.items()
    }
    if not isinstance(product, str):
        raise LookupError(f'must be text in quotes such as "{next(iter(names))}", got {shown}.')
    if product in names:
        return names[product]
    group, _, own = product.partition("/")
    siblings = list(product_sets()[group].versions) if group in product_sets() else []
    near = difflib.get_close_matches(own, siblings, 1, cutoff=0.5)
    near = [f"{group}/{name}" for name in near] or difflib.get_close_matches(product, names, 1, cutoff=0.8)
    if near:
        way = f'did you mean "{near[0]}"?'
    elif siblings:
        way = f"that set has {', '.join(siblings)}."
    else:
        way = f"the sets are {', '.join(product_sets())}; `optimiser products` lists them."
    raise LookupError(f"{shown} is no product that comes with this program; {way}")
