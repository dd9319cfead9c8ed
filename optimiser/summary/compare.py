"""The summary of a comparison."""

from __future__ import annotations

from typing import Final, Literal

from pydantic import Field

from optimiser.summary.part import Part, figure

# Where a variant's forecast-driven figures come from.
PLANNED: Final = "measured without foresight, plans and own devices"
MEASURED: Final = "measured without foresight, by the headline alone"
UNPLANNED: Final = "the ceiling: without storage nothing is planned"
UNKNOWN: Final = "not worked out"
Source = Literal[
    "measured without foresight, plans and own devices",
    "measured without foresight, by the headline alone",
    "the ceiling: without storage nothing is planned",
    "not worked out",
]
Basis = Literal["ceiling", "forecast_driven"]
Judged = Literal[
    "ceiling_npv", "ceiling_saving_per_year", "forecast_driven_npv", "forecast_driven_saving_per_year"
]


class YearFigures(Part):
    """What a variant comes to in a year on one basis."""

    saving_per_year: float | None = figure("currency/year", "null where not worked out")
    payback_years: float | None = figure("years", "simple; null: never, no cost, or not worked out")
    npv: float | None = figure("currency", "net present value; null without costs, or not worked out")


class VariantFigures(Part):
    """What one variant comes to."""

    variant: str
    days: float = figure("days", "length of its run")
    bill_unequipped: float = figure("currency", "to pay without the system on the variant's own contract")
    bill_before: float = figure("currency", "to pay without the system on the contract that the site has")
    ceiling_bill_after: float = figure("currency", "to pay with it, income from services apart")
    ceiling_services_income: float = figure("currency", "what services pay over the days of the run")
    ceiling_saving: float = figure("currency", "saved over the days of the run")
    ceiling_saving_per_year: float = figure("currency/year", "the same, scaled where scaled_to_year")
    ceiling_payback_years: float | None = figure("years", "simple payback; null: never, or no cost")
    ceiling_npv: float | None = figure("currency", "net present value; null without costs")
    forecast_driven_saving_per_year: float | None = figure("currency/year", "earned without foresight")
    forecast_driven_payback_years: float | None = figure("years", "simple payback, without foresight")
    forecast_driven_npv: float | None = figure("currency", "net present value, without foresight")
    forecast_driven_from: Source
    capital_cost: float | None = figure("currency", "laid out in year 0; null without costs")
    gap_relative: float = figure("-", "as a share of turnover")
    gap_absolute: float = figure("currency", "at most so much better a schedule may be")
    verdict: str

    def on(self, basis: Basis) -> YearFigures:
        """The figures of a year on one basis."""
        return YearFigures(**{name: getattr(self, f"{basis}_{name}") for name in YearFigures.model_fields})


class CompareSummary(Part):
    """What variants come to side by side, as it stands in compare.json."""

    title: str
    description: str
    invented: bool
    currency: str
    zone: str
    contract_without: str | None = Field(description="of the case without the system; null where they differ")
    days: float | None = figure("days", "length of the runs; null where they differ")
    scaled_to_year: bool = Field(description="whether a shorter run was scaled to a year")
    start: str = Field(description="of the first variant's first step, on its clock")
    steps: int
    step_minutes: int
    judged_by: Judged = Field(description="the figure by which variants are ranked")
    best: str = Field(description="the variant in which that is highest")
    variants: tuple[VariantFigures, ...]
    to_pay: dict[str, float] = figure("currency", "over the days of the run, by variant, services taken off")

    @property
    def basis(self) -> Basis:
        """The basis that all variants are judged on."""
        return "ceiling" if self.judged_by.startswith("ceiling_") else "forecast_driven"
