"""The machine-readable summary of a run: every figure of summary.json with its type, unit and meaning."""

from __future__ import annotations

from typing import Any, Final, Literal

from pydantic import AliasChoices, ConfigDict, Field

from optimiser.finance.ageing import BankLife
from optimiser.finance.appraisal import AppraisedYear, Sensitivity
from optimiser.services.product import ProductRule
from optimiser.studies.catalogue import STUDIES
from optimiser.study import F
from optimiser.summary.part import Part, figure

# Raised when a key goes, or means something else; a new key alone leaves it.
SCHEMA_VERSION: Final = 1

Stage = Literal["early", "stopped", "final"]
Basis = Literal["ceiling", "forecast_driven"]


class Bases(Part):
    """On what the figures of each basis rest, in words."""

    ceiling: str
    forecast_driven: str | None = Field(description="null where the site was not run without foresight")


class BasisFigures(Part):
    """What the system comes to on one basis."""

    bill_after: float
    services_income: float
    saving: float
    saving_per_year: float
    payback_years: float | None
    npv: float | None


class Headline(Part):
    """The bills, the saving and what it is worth, with perfect foresight and without."""

    bill_before: float = figure("currency", "to pay over the days of the run without the system")
    ceiling_bill_after: float = figure("currency", "to pay with it, income from services apart")
    ceiling_services_income: float = figure("currency", "what services pay over the days of the run")
    ceiling_saving: float = figure("currency", "saved over the days of the run")
    ceiling_saving_per_year: float = figure("currency/year", "the same, scaled where scaled_to_year")
    ceiling_payback_years: float | None = figure("years", "simple payback; null: never, or no cost")
    ceiling_npv: float | None = figure("currency", "net present value; null without costs")
    forecast_driven_bill_after: float | None = figure("currency", "to pay, without foresight")
    forecast_driven_services_income: float | None = figure("currency", "paid by services, without foresight")
    forecast_driven_saving: float | None = figure("currency", "saved, without foresight")
    forecast_driven_saving_per_year: float | None = figure("currency/year", "the same, of a year")
    forecast_driven_payback_years: float | None = figure("years", "simple payback, without foresight")
    forecast_driven_npv: float | None = figure("currency", "net present value, without foresight")
    rests_on: Basis = Field(description="the basis of payback and net present value")
    bases: Bases
    scaled_to_year: bool = Field(description="whether a shorter run was scaled to a year")
    capital_cost: float | None = figure("currency", "laid out in year 0, before incentives")
    yearly_cost: float | None = figure("currency/year", "upkeep")
    discount_rate_fraction: float | None = figure("-", "of a year, with inflation in it")
    life_years: int | None = figure("years", "years that are appraised")

    @property
    def ceiling(self) -> BasisFigures:
        """The figures with perfect foresight."""
        return BasisFigures(**self._of("ceiling"))

    @property
    def forecast_driven(self) -> BasisFigures | None:
        """The figures without foresight; None where the site was not run so."""
        return None if self.forecast_driven_saving is None else BasisFigures(**self._of("forecast_driven"))

    @property
    def rested(self) -> BasisFigures:
        """The figures that payback and net present value rest on."""
        driven = self.forecast_driven if self.rests_on == "forecast_driven" else None
        return driven or self.ceiling

    def _of(self, basis: Basis) -> dict[str, Any]:
        return {name: getattr(self, f"{basis}_{name}") for name in BasisFigures.model_fields}


class LineTotal(Part):
    """A line of the bill, of services or of what steers the schedule, summed over the run."""

    case: Literal["before", "after"]
    group: str
    line: str
    cash: bool = Field(description="false for what steers the schedule and is never paid")
    amount: float = figure("currency", "income positive")


class Balance(Part):
    """Energy into the site and out of it, by name, with equal sums. [kWh]"""

    model_config = ConfigDict(serialize_by_alias=True)

    into: dict[str, float] = Field(validation_alias=AliasChoices("into", "in"), serialization_alias="in")
    out: dict[str, float]


class SoldService(Part):
    """What a product was offered and paid."""

    name: str
    direction: str
    product: str
    rules: tuple[ProductRule, ...]
    source: str
    rules_as_of: str
    offered_kw_hours: float = figure("kW h", "power offered, times the hours that it was")
    paid: float = figure("currency", "for availability")
    best_one_percent_share: float = figure(
        "-", "share of what is paid that the best hundredth of steps brings"
    )


class Crossing(Part):
    """What it changes that expected calls run through both registers of the meter."""

    kwh: float = figure("kWh", "through each register beside what nets within its step")
    amount: float = figure("currency", "on the bill; negative is a cost")


class StoreUse(Part):
    """What a bank did over the days of the run."""

    name: str
    technology: str
    capacity_kwh: float = figure("kWh", "usable energy")
    cycles: float = figure("-", "discharged over capacity")
    discharged_kwh: float = figure("kWh", "discharged, for calls of services too")
    discharged_for_calls_kwh: float = figure("kWh", "of which for calls")
    losses_kwh: float = figure("kWh", "lost in the bank")


class Direction(Part):
    """What came of the rule that nothing runs both ways in one step."""

    tested_pairs: int
    inverted_steps: int = Field(
        description="steps in which an exported kWh brings more than an imported costs"
    )
    binding_steps: int = Field(description="steps that needed a decision")
    remaining_violations: int


class ProofFigures(Part):
    """How good the schedule is proven to be (`dispatch.Proof`)."""

    verdict: str
    route: str
    bound: float = figure("currency", "the most that any schedule makes")
    settled: float = figure("currency", "what the books make of this one")
    gap_absolute: float = figure("currency", "between the two")
    gap_relative: float = figure("-", "the same, as a share of turnover")
    turnover: float = figure("currency", "all amounts paid either way")
    tolerance_relative: float = figure("-", "gap that counts as optimal")
    primal_violation: float
    replay_violation: float
    seconds_a_digit: float | None = figure(
        "s", "what a tenth of the gap would take, at the pace of the search's end; null where not known"
    )
    ended: str = Field(description="why the search ended with a gap beyond the tolerance; else empty")
    direction: Direction

    @property
    def proven(self) -> bool:
        """Whether the gap is within its tolerance."""
        return self.gap_relative <= self.tolerance_relative


class RunState(Part):
    """How far the run had come when this was written."""

    stage: Stage = Field(description="early: it went on and is to replace this; stopped: on request; final")
    searching: bool = Field(description="whether a better schedule was still being looked for")
    waiting: tuple[str, ...] = Field(description="studies that were asked for and not made yet")
    seconds: float = figure("s", "since it began")


class CashFlowYear(Part):
    """A year of the cash flow; year 0 is when the capital is laid out. [currency]"""

    year: int
    items: dict[str, float]
    amount: float
    cumulative: float
    discounted_cumulative: float


class PriceYearSpread(Part):
    """What other years' prices bring: each year, and quantiles of each figure."""

    years: tuple[AppraisedYear, ...]
    spread: dict[str, dict[str, float | None]]


class AppraisalFigures(Part):
    """What the appraisal found beside the cash flow (`finance.Appraisal`)."""

    ceiling_saving: float = figure("currency/year", "saving of year 1 with perfect foresight")
    realised_share: float | None = figure("-", "of it without foresight; null where not measured")
    real_rate_fraction: float = figure("-", "discount rate without inflation")
    discounted_payback_years: float | None = figure("years", "null: never")
    dips_again: bool = Field(description="whether the running sum falls below zero again")
    internal_rates: tuple[float, ...] = figure("-", "every internal rate of return")
    modified_rate: float | None = figure("-", "reinvested at the discount rate")
    return_on_investment: float | None = figure("-", "over the life")
    storage_cost_per_kwh: float | None = figure("currency/kWh", "levelised")
    storage_cost_name: str
    storage_cost_words: str
    kinds: dict[str, str] = Field(description="the kind of each item of the cash flow")
    banks: tuple[BankLife, ...]
    solved_years: tuple[int, ...]
    sensitivities: tuple[Sensitivity, ...]
    price_years: PriceYearSpread | None


class Provenance(Part):
    """What made the figures: code, libraries, files, options and times."""

    package_version: str
    code_sha256: str
    python: str
    highspy: str
    pyomo: str
    numpy: str
    scipy: str
    numba: str
    pandas: str
    pyarrow: str
    pydantic: str
    holidays: str
    rainflow: str
    tzdata: str
    created_at: str = Field(description="UTC, ISO 8601")
    scenario_sha256: str
    files: dict[str, str] = Field(description="SHA-256 of each data file")
    options: dict[str, float | str | bool | None]
    seconds: dict[str, float] = figure("s", "by what they were spent on")


class Summary(Part):
    """Everything that a run found, as it stands in summary.json; money is in `currency`, income positive in lines."""

    schema_version: Literal[1] = SCHEMA_VERSION
    run: str = Field(description="what this run is told from any other by")
    title: str
    description: str
    invented: bool
    currency: str
    zone: str
    start: str
    end: str
    step_minutes: int
    steps: int
    phases: int
    state: RunState
    headline: Headline
    lines: tuple[LineTotal, ...]
    energy_kwh: dict[str, float] = figure("kWh", "totals over the days of the run")
    balance: Balance
    services: tuple[SoldService, ...]
    crossing: Crossing | None
    storage: tuple[StoreUse, ...]
    proof: ProofFigures
    cash_flow: tuple[CashFlowYear, ...] = Field(description="empty without costs")
    appraisal: AppraisalFigures | None
    studies: dict[str, dict[str, Any]] = Field(description="what each study found, by its name")
    warnings: tuple[str, ...]
    approximations: tuple[str, ...]
    data_notes: tuple[str, ...]
    provenance: Provenance

    def study(self, name: str, kind: type[F]) -> F | None:
        """What a study found, typed; None where it was not made."""
        found = self.studies.get(name)
        return None if found is None else kind.model_validate(found)

    @property
    def days(self) -> float:
        """Length of the run. [days]"""
        return self.steps * self.step_minutes / 1440


class SummaryFile(Summary):
    """A summary as it is written: with the digests of what was written beside it."""

    files: dict[str, str] = Field(description="SHA-256 of each other file of the run, by name")


def json_schema() -> dict[str, Any]:
    """JSON Schema of summary.json, for programs that read it; studies that are typed stand in it by their names."""
    schema = SummaryFile.model_json_schema(mode="serialization")
    typed = {name: entry.figures for name, entry in STUDIES.items() if entry.figures is not None}
    found: dict[str, Any] = {}
    for name, kind in typed.items():
        own = kind.model_json_schema(mode="serialization", ref_template="#/$defs/{model}")
        schema["$defs"] |= own.pop("$defs", {})
        schema["$defs"][kind.__name__] = own
        found[name] = {"$ref": f"#/$defs/{kind.__name__}"}
    schema["properties"]["studies"]["properties"] = found
    return schema
