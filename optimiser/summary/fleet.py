"""The summary of a fleet."""

from __future__ import annotations

from pydantic import Field

from optimiser.summary.part import Part, figure


class FleetSummary(Part):
    """What a fleet saves and its bids earn over the days of the run, as it stands in fleet.json."""

    title: str
    description: str
    invented: bool
    currency: str
    zone: str
    start: str = Field(description="of the first step, on the sites' clock")
    steps: int
    step_minutes: int
    sites: int = Field(description="that have an answer; the figures are theirs")
    failed: dict[str, str] = Field(description="what went wrong with sites that have none, by name")
    defects: tuple[str, ...] = Field(description="of these, those in which the program itself is at fault")
    verdict: str = Field(description="of the site that is proven least")
    unproven: dict[str, str] = Field(
        description="verdicts of sites not proven within tolerance, the widest gap first"
    )
    ceiling_saving: float = figure(
        "currency", "saved by all sites with perfect foresight, services as bid in it"
    )
    income_as_offered: float = figure("currency", "what services would pay for the sites' offers")
    income_as_bid: float = figure("currency", "what they pay for whole bids")
    income_if_alone: float = figure("currency", "what they would pay if each site bid by itself")
    lost_by_rounding: float = figure("currency", "offered less bid")
    widest_gap_relative: float = figure("-", "of a site, as a share of its turnover")
    gaps_absolute: float = figure(
        "currency", "at most so much better are the schedules of all sites together"
    )

    @property
    def days(self) -> float:
        """Length of the run. [days]"""
        return self.steps * self.step_minutes / 1440
