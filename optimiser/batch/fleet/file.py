"""The file of a fleet: its sites, those that differ by chance among them, and what they sell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import Field, StrictStr

from optimiser.errors import ScenarioError
from optimiser.fields import Component, Several, quantity, text
from optimiser.scenario.faults import checked
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario, vary
from optimiser.scenario.uses import read_toml
from optimiser.services.product import Product

MOST_SPREAD = 1e12  # beyond any size or price, and still a number that can be drawn
SAME = {"most_kw", "site_share", "price", "delivered_price_per_mwh", "source"}


class SiteEntry(Component):
    """One site of a fleet, or several that differ by chance."""

    scenario: StrictStr = text("scenario folder or file, beside the fleet's file")
    name: StrictStr = text("name of the site; left out: the scenario's folder", default="")
    count: int = quantity("-", "how many sites of this kind", default=1, above=0, at_most=10_000)
    seed: int = quantity("-", "seed of what is drawn by chance", default=1, at_least=0)
    change: dict[str, Any] = Field(
        default_factory=dict, description="values by path, the same for all of them"
    )
    spread: dict[str, Any] = Field(
        default_factory=dict,
        description="lowest and highest value by path, drawn evenly for each site; whole if both are",
    )


class FleetFile(Component):
    """Everything that a fleet's file may say."""

    title: StrictStr = text("title of the page")
    description: StrictStr = text("a sentence or two", default="")
    invented: bool = Field(default=False, description="true if the data are made up; the page says so")
    site: Several[SiteEntry] = Field(min_length=1, description="the sites")


@dataclass(frozen=True)
class Member:
    """One site: its name, its scenario's file, and what is changed in it."""

    name: str
    scenario: Path
    changes: Mapping[str, Any]


@dataclass(frozen=True)
class Fleet:
    """A fleet that can be solved.

    Attributes
    ----------
    path : Path
    file : FleetFile
    members : tuple of Member
    products : tuple of Product
        What is sold, as the first site has it.
    example : Scenario
        The first site.
    """

    path: Path
    file: FleetFile
    members: tuple[Member, ...]
    products: tuple[Product, ...]
    example: Scenario


def read_fleet(path: str | Path) -> Fleet:
    """Read a fleet's file and check its sites.

    Raises
    ------
    ScenarioError
        With every fault of the file and of the first site of each entry: a scenario that cannot be read, a path that
        does not exist, another timeline or other rules of a product than the first site has, a name that is taken.
    """
    path = Path(path)
    raw, _ = read_toml(path)
    file, faults = checked(FleetFile, raw)
    members: list[Member] = []
    first: tuple[int, Scenario] | None = None
    taken: dict[str, int] = {}
    for index, entry, whole in _entries(file, raw):
        made = list(_members(path, entry))
        faults += [f"site.{index}.spread {fault}" for fault in _spread_faults(entry)]
        if whole:
            faults += _twin_faults(index, made, taken)
            members += made
        try:
            scenario = scenario_of(made[0])
        except ScenarioError as error:
            faults += [f"site.{index}: {error.where}: {fault}" for fault in error.faults]
            continue
        first = first or (index, scenario)
        faults += [f"site.{index} {fault}" for fault in _differences(first, scenario)]
    if faults or file is None or first is None:
        raise ScenarioError(str(path), faults)
    example = first[1]
    return Fleet(path, file, tuple(members), example.service, example)


def _entries(file: FleetFile | None, raw: Mapping[str, Any]) -> Iterator[tuple[int, SiteEntry, bool]]:
    """The sites with their places, and whether each is whole; of one with faulty keys what the others tell."""
    if file is not None:
        yield from ((index, entry, True) for index, entry in enumerate(file.site))
        return
    listed = raw.get("site")
    for index, given in enumerate(listed if isinstance(listed, list) else ()):
        entry, _ = checked(SiteEntry, given)
        if entry is not None:
            yield index, entry, True
        elif isinstance(given, dict):
            alone = {key: {"scenario": "", key: value} for key, value in given.items()}
            kept = {key: given[key] for key, table in alone.items() if checked(SiteEntry, table)[0]}
            if "scenario" in kept:
                yield index, SiteEntry(**kept), False


def _twin_faults(index: int, made: Sequence[Member], taken: dict[str, int]) -> Iterator[str]:
    """Names of a site's members that another has; the rest are its own from now on."""
    again = [member.name for member in made if member.name in taken]
    if again:
        makes = "is" if len(made) == 1 else "makes"
        yield (
            f"site.{index}.name {makes} {again[0]!r}, which is taken by site.{taken[again[0]]}. "
            "Give it a name of its own."
        )
    for member in made:
        taken.setdefault(member.name, index)


def _members(path: Path, entry: SiteEntry) -> Iterator[Member]:
    target = path.parent / entry.scenario
    name = entry.name or (target if target.is_dir() else target.parent).resolve().name
    random = np.random.default_rng(entry.seed)
    wide = len(str(entry.count))
    for number in range(1, entry.count + 1):
        drawn = {place: _drawn(random, *ends) for place, ends in entry.spread.items() if _is_spread(ends)}
        own = name if entry.count == 1 else f"{name} {number:0{wide}d}"
        yield Member(own, target, {**entry.change, **drawn})


def _drawn(random: np.random.Generator, least: float, most: float) -> float | int:
    if isinstance(least, int) and isinstance(most, int):
        return int(random.integers(least, most + 1))
    return round(float(random.uniform(least, most)), 3)


def _is_spread(ends: Any) -> bool:
    numbers = isinstance(ends, list | tuple) and len(ends) == 2
    return (
        numbers
        and all(isinstance(e, int | float) and not isinstance(e, bool) for e in ends)
        and all(abs(e) <= MOST_SPREAD for e in ends)  # which is false of what is no number too
        and ends[0] <= ends[1]
    )


def _spread_faults(entry: SiteEntry) -> Iterator[str]:
    for place, ends in entry.spread.items():
        if not _is_spread(ends):
            yield (
                f"of {place} must be two numbers, the lower first, got {ends!r}, and none beyond {MOST_SPREAD:g}. "
                "Write [3.0, 9.0]."
            )


def scenario_of(member: Member) -> Scenario:
    """The scenario of a site, with what is changed in it."""
    scenario = read_scenario(member.scenario)
    return vary(scenario, member.changes) if member.changes else scenario


def _differences(first: tuple[int, Scenario], other: Scenario) -> Iterator[str]:
    """Why two sites cannot be of one fleet; the first is the first that can be read, with its place."""
    place, one = first
    name = "the first site" if place == 0 else f"site.{place}"
    if (one.timeline.starts[0], one.timeline.step_minutes, one.timeline.steps) != (
        other.timeline.starts[0],
        other.timeline.step_minutes,
        other.timeline.steps,
    ):
        yield f"has another timeline than {name}. Give all the same start, days and step_minutes."
    if one.file.currency != other.file.currency:
        yield f"is in {other.file.currency}, {name} in {one.file.currency}. Give all the same currency."
    rules = {product.name: product.model_dump(exclude=SAME) for product in one.service}
    for product in other.service:
        if product.name not in rules:
            if place == 0:
                yield f"sells {product.name}, which the first site does not. Let the first site list every product."
        elif product.model_dump(exclude=SAME) != rules[product.name]:
            yield f"sells {product.name} by other rules than {name}. Share them in a file with `use`."
