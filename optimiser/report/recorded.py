"""What the recorded figures of a sweep are called, and over which days its cases run."""

from __future__ import annotations

from dataclasses import dataclass

from optimiser.words import run_span

BASES = {"ceiling": "ceiling", "forecast_driven": "forecast-driven"}
OF_THE_RUN = (
    "bill_before",
    *(f"{basis}_{figure}" for basis in BASES for figure in ("bill_after", "services_income", "saving")),
)
OF_A_YEAR = (*(f"{basis}_saving_per_year" for basis in BASES), "yearly_cost")
ONCE = ("capital_cost", *(f"{basis}_npv" for basis in BASES))
MEASURED = "studies.measured_share."
MEASURED_WORDS = {
    "saving_per_year": "measured saving",
    "payback_years": "measured simple payback",
    "npv": "measured net present value",
    "share_of_ceiling": "measured share of the ceiling",
    "spread": "spread of the measured share",
}
ITSELF = "yearly_cost"  # a year's amount that the scenario states, never scaled


@dataclass(frozen=True)
class RecordedRun:
    """The run that a sweep varies, as far as its figures' names and units depend on it.

    Attributes
    ----------
    currency : str
    first, last : str
        Starts of the first and last step on the site's clock, ISO 8601.
    steps : int
    step_minutes : float
    zone : str
    whole_year : bool
        Whether the run is taken as a year as it is.
    varied : tuple of str
        Keys of the timeline that factors change.
    """

    currency: str
    first: str
    last: str
    steps: int
    step_minutes: float
    zone: str
    whole_year: bool
    varied: tuple[str, ...] = ()

    @property
    def days(self) -> str:
        """How many, where all cases have as many; words to come after "over" or "from"."""
        if any(key != "start" for key in self.varied):
            return "its days"
        return f"{round(self.steps * self.step_minutes / 1440, 1):g} days"

    @property
    def is_year(self) -> bool:
        """Whether every case is a whole year, so that its figures are a year's."""
        return self.whole_year and not any(key != "start" for key in self.varied)

    def unit(self, path: str) -> str:
        """The unit of a recorded path, as far as its name tells."""
        last = path.rpartition(".")[2]
        if path.startswith(MEASURED):
            return {"saving_per_year": f"{self.currency} a year", "npv": self.currency}.get(
                last, "years" if last == "payback_years" else ""
            )
        if path.startswith("headline.") and last in OF_A_YEAR:
            return f"{self.currency} a year"
        if path.startswith("headline.") and last in (*OF_THE_RUN, *ONCE):
            return self.currency
        if path.startswith("energy_kwh."):
            return "kWh"
        return "years" if last.endswith("_years") else ""

    def name(self, path: str) -> str:
        """A recorded path in words, with its unit and, of a run that is no whole year, the days it counts."""
        last = path.rpartition(".")[2]
        if path.startswith(MEASURED) and last in MEASURED_WORDS:
            scaled = " scaled to a year" if last == "saving_per_year" and not self.is_year else ""
            unit = self.unit(path)
            return MEASURED_WORDS[last].capitalize() + scaled + (f", {unit}" if unit else "")
        words = _plain(last)
        head = path.startswith(("headline.", "energy_kwh."))
        first = "" if head else path.split(".")[0] + " "
        counted = path.startswith("energy_kwh.") or (path.startswith("headline.") and last in OF_THE_RUN)
        if path.startswith("headline.") and last in OF_A_YEAR and not self.is_year and last != ITSELF:
            words += " scaled to a year"
        over = f" over {self.days}" if counted and not self.is_year else ""
        unit = self.unit(path)
        return (first + words).capitalize() + over + (f", {unit}" if unit else "")

    def covered(self) -> str:
        """Which days, which step, which clock, and whether figures of a year are scaled."""
        words = run_span(self.first, self.last, self.steps, self.step_minutes, self.zone, self.currency)
        if self.varied:
            words += f" So the scenario as it is; factors change its timeline ({', '.join(self.varied)})."
        if self.is_year:
            return words
        return (
            f"{words} Figures of a year, payback and net present value too, are scaled up from {self.days}, which "
            "know no other season; all other money and energy is of these days alone."
        )


def _plain(key: str) -> str:
    """A key in words: the figure, and its basis before it."""
    for basis, words in BASES.items():
        if key.startswith(f"{basis}_"):
            return f"{words} {_plain(key.removeprefix(f'{basis}_'))}"
    return {"npv": "net present value", "saving_per_year": "saving", "payback_years": "simple payback"}.get(
        key, key.removesuffix("_years").replace("_", " ")
    )
