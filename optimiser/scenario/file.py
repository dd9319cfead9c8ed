"""What a scenario file may hold, and a scenario as it is handed on: typed and frozen."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, Field, StrictStr, model_validator

from optimiser.equipment.backup import Backup
from optimiser.equipment.site import Site
from optimiser.equipment.storage import AnyBank
from optimiser.fields import Column, Component, Several, ZoneName, choice, quantity, text
from optimiser.scenario.cost import Cost
from optimiser.scenario.foresight import Foresight
from optimiser.series.issued import Issued
from optimiser.series.table import SeriesTable, Source
from optimiser.services.product import Product
from optimiser.tariff import Tariff
from optimiser.terms.data import InputData, Numbers
from optimiser.timeline import Timeline


class Span(Component):
    """The steps that are scheduled."""

    start: datetime.date = Field(description="first day, from midnight on the site's clock")
    days: int = quantity("days", "number of days", above=0, at_most=25_000)
    step_minutes: int = quantity("min", "length of a step", above=0, at_most=60)
    zone: ZoneName = text("zone of the site's clock")


class PriceYear(Component):
    """Another year's prices, laid onto the same days to see how far the result moves."""

    name: StrictStr = text("what the year is called")
    source: dict[str, dict[str, Any]] = Field(
        description="by source, the keys that replace its own, such as file and redate"
    )


USUAL_SECONDS = 600.0  # that a search may take where its scenario does not say


class Solve(Component):
    """How the answer is looked for."""

    gap_tolerance: float = quantity(
        "-", "proven gap that counts as optimal, a share of the turnover", default=1e-4, above=0, at_most=0.5
    )
    time_limit_s: float | None = quantity(
        "s",
        "time after which the best found is returned with its gap; left out: 600, or none where rounds or until_proven "
        "are given",
        default=None,
        above=0,
    )
    rounds: int | None = quantity(
        "-",
        "rounds of the search after which the best found is returned with its gap, the same on every machine; left "
        "out: no limit",
        default=None,
        above=0,
    )
    until_proven: bool = choice(
        "whether to go on, however long it takes, until the gap is proven or the search leads no further",
        default=False,
    )
    route: Literal["auto", "whole", "days", "periods"] = choice(
        "the whole run at once; days first, then billing periods, then the whole from there; or no further than the "
        "periods, in little memory; auto decides by size",
        default="auto",
    )
    tie_break_per_kwh: float = quantity(
        "currency/kWh", "price of moving energy that breaks ties", default=1e-5, at_least=0, at_most=0.001
    )

    @property
    def most_seconds(self) -> float:
        """Time after which the best found is returned; infinite where none limits the search. [s]"""
        if self.time_limit_s is not None:
            return self.time_limit_s
        return math.inf if self.until_proven or self.rounds is not None else USUAL_SECONDS

    @model_validator(mode="after")
    def _one_end(self) -> Solve:
        if self.until_proven and (self.time_limit_s is not None or self.rounds is not None):
            raise ValueError(
                "until_proven has no other end; leave out time_limit_s and rounds, or until_proven"
            )
        return self


class Settlement(Component):
    """How the meter's registers are reckoned within a step."""

    spread_within_step_kw: float = quantity(
        "kW",
        "standard deviation of the site's net power within a step, about its mean; its effect on the bill without the "
        "system is told, no figure changes",
        default=0.0,
        at_least=0,
    )


class ScenarioFile(Component):
    """Everything that a scenario file may say."""

    title: StrictStr = text("title of the report")
    description: StrictStr = text("a sentence or two", default="")
    invented: bool = Field(default=False, description="true if the data are made up; the report says so")
    currency: StrictStr = text("currency code or sign")
    outside_folders: Several[StrictStr] = Field(
        default=(), description="folders outside the scenario's that its files may be in, relative to it"
    )
    timeline: Span
    source: dict[str, Source] = Field(default_factory=dict, description="data files by name")
    site: Site
    storage: Several[Annotated[AnyBank, Field(discriminator="kind")]] = ()
    tariff: Tariff
    before_tariff: Tariff | None = Field(
        default=None, description="contract of the before-case, if it differs"
    )
    service: Several[Product] = ()
    backup: Backup | None = Field(default=None, description="what must stay on when the grid fails")
    cost: Cost | None = None
    price_year: Several[PriceYear] = ()
    foresight: Foresight = Field(
        default_factory=Foresight, description="how the year is run without knowing it"
    )
    settlement: Settlement = Field(
        default_factory=Settlement, description="what the mean of a step hides from the meter's registers"
    )
    solve: Solve = Field(default_factory=Solve)


class ContractFile(Component):
    """A tariff by itself, with the data files it refers to."""

    currency: StrictStr = text("currency code or sign", default="")
    outside_folders: Several[StrictStr] = ()
    source: dict[str, Source] = Field(default_factory=dict)
    tariff: Tariff


@dataclass(frozen=True)
class DataFile:
    """A data file that was read, what it is for, and the digest of its bytes."""

    name: str
    path: Path
    sha256: str


@dataclass(frozen=True)
class Scenario:
    """A scenario that can be solved: its file and its data, laid onto its timeline.

    Attributes
    ----------
    path : Path
        The scenario file.
    file : ScenarioFile
    timeline : Timeline
    columns : dict of str to array
        Every data column that the file refers to, of shape (steps,).
    tables : dict of str to Table
        The data files as they were read.
    sha256 : str
        Digest of the scenario file with everything it uses.
    raw : dict
        The file as it was parsed, for `vary`.
    issued : dict of str to Issued
        Forecasts with issue times, by the series that they foretell.
    files : tuple of DataFile
        Every data file that was read: of sources, forecasts and price years.
    """

    path: Path
    file: ScenarioFile
    timeline: Timeline
    columns: Mapping[str, np.ndarray]
    tables: Mapping[str, SeriesTable]
    sha256: str
    raw: dict[str, Any]
    issued: Mapping[str, Issued] = field(default_factory=dict)
    files: tuple[DataFile, ...] = ()

    @property
    def site(self) -> Site:
        """The site."""
        return self.file.site

    @property
    def storage(self) -> tuple[AnyBank, ...]:
        """Its storage banks."""
        return self.file.storage

    @property
    def tariff(self) -> Tariff:
        """The contract with the system."""
        return self.file.tariff

    @property
    def before_tariff(self) -> Tariff:
        """The contract without the system."""
        return self.file.before_tariff or self.file.tariff

    @property
    def service(self) -> tuple[Product, ...]:
        """The products it may sell."""
        return self.file.service

    def searched(self, **limits: Any) -> Scenario:
        """The same scenario with its answer looked for otherwise: other values of `Solve`."""
        solve = Solve(**{**self.solve.model_dump(exclude_unset=True), **limits})
        return replace(self, file=self.file.model_copy(update={"solve": solve}))

    @property
    def solve(self) -> Solve:
        """How the answer is looked for."""
        return self.file.solve

    @property
    def settlement(self) -> Settlement:
        """How registers are reckoned within a step."""
        return self.file.settlement

    @property
    def foresight(self) -> Foresight:
        """How the year is run without knowing it."""
        return self.file.foresight

    def references(self) -> list[tuple[str, str]]:
        """Every "source.column" of the file, each with its place."""
        return [(place, reference) for place, reference, _ in references_of(self.file)]

    def read(self, reference: Column) -> Numbers:
        """The numbers behind a constant or "source.column"."""
        return self.columns[reference] if isinstance(reference, str) else reference

    @property
    def data(self) -> InputData:
        """Its numbers on its timeline."""
        return InputData(self.timeline, self.read)


def references_of(model: BaseModel, place: str = "") -> Iterator[tuple[str, str, float | None]]:
    """Every "source.column" of a scenario: its place, itself, and its least value."""
    for name, info in type(model).model_fields.items():
        value = getattr(model, name)
        here = f"{place}.{info.alias or name}" if place else name
        extra = info.json_schema_extra if isinstance(info.json_schema_extra, dict) else {}
        if extra.get("series"):
            if isinstance(value, str):
                least = extra.get("at_least")
                yield here, value, least if isinstance(least, (int, float)) else None
        elif isinstance(value, BaseModel):
            yield from references_of(value, here)
        elif isinstance(value, tuple):
            for index, item in enumerate(value):
                if isinstance(item, BaseModel):
                    yield from references_of(item, f"{here}.{index}")


def json_schema() -> dict[str, Any]:
    """JSON Schema of scenario files, for editors; a service that names a product needs no more than its price."""
    schema = ScenarioFile.model_json_schema(by_alias=True)
    service = schema["$defs"][Product.__name__]
    service["anyOf"] = [{"required": service.pop("required")}, {"required": ["product", "price"]}]
    return schema
