"""The summary of a look back."""

from __future__ import annotations

from pydantic import Field

from optimiser.summary.part import Part, figure


class MeteredEnergy(Part):
    """What passed the meter in a case."""

    imported_kwh: float
    exported_kwh: float


class BestProof(Part):
    """How good the best schedule is proven to be."""

    verdict: str
    gap_relative: float = figure("-", "as a share of turnover")
    gap_absolute: float = figure("currency", "at most so much better a schedule may be")
    turnover: float = figure("currency", "all amounts paid either way")


class LookBackSummary(Part):
    """What a log of real operation came to beside other cases of the same days, as it stands in lookback.json."""

    title: str
    invented: bool
    currency: str
    log: str = Field(description="the file of the log")
    zone: str
    first_day: str = Field(description="ISO 8601")
    last_day: str = Field(description="ISO 8601")
    days: int
    step_minutes: int
    to_pay: dict[str, float] = figure(
        "currency", "over the days, by case: without the system first, the log second, the best schedule last"
    )
    earned: float = figure("currency", "as logged, beside the bill without the system")
    possible: float = figure("currency", "the most that could be earned, with perfect foresight")
    lost: float = figure("currency", "of that, what the log did not earn")
    reached: bool = Field(description="whether the log came to the best schedule, to the cent")
    share_of_possible: float | None = figure("-", "earned of possible; null where there is nothing to earn")
    energy: dict[str, MeteredEnergy] = figure("kWh", "by case")
    proof: BestProof
    modes_agreed_share: float | None = figure(
        "-", "of the steps, in which the log and a controller were in one mode; null where none was run"
    )
    notes: tuple[str, ...]
