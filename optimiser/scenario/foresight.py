"""What a planner may know of what is to come: the [foresight] table of a scenario."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, StrictStr, model_validator

from optimiser.fields import Column, Component, Several, choice, column, quantity, text
from optimiser.series.issued import IssueTable

PolicyName = Literal["rolling", "backcast", "learnt", "boosted", "forecast", "uncertain"]
Role = Literal["price", "service_price", "load", "solar", "limit"]


class ForecastSeries(Component):
    """A series of the user's own that says beforehand what another will be: one for every plan, or a table of issues.

    Of a table, the latest issue before each plan counts; what no issue speaks of is foretold by the backcast.
    """

    of: StrictStr = text('the series that it foretells, "site.load_kw"')
    series: Column | None = column("as the series that it foretells", "the forecast", default=None)
    issues: IssueTable | None = Field(default=None, description="forecasts with their issue times")

    @model_validator(mode="after")
    def _one(self) -> ForecastSeries:
        if (self.series is None) == (self.issues is None):
            raise ValueError("give either series or issues")
        return self


class Errors(Component):
    """Standard deviations of a made-up forecast's errors, as shares of what happens."""

    price: float = quantity("-", "of energy prices", default=0.2, at_least=0, at_most=5)
    service_price: float = quantity("-", "of prices of services", default=0.2, at_least=0, at_most=5)
    load: float = quantity("-", "of load", default=0.1, at_least=0, at_most=5)
    solar: float = quantity("-", "of solar", default=0.2, at_least=0, at_most=5)
    lasting_hours: float = quantity("h", "time over which an error fades", default=6.0, above=0, at_most=1000)


class Published(Component):
    """When a series of market prices is known.

    The default is the start of each interval, as dispatch prices of five minutes are published (from memory). Nothing
    in a file of hours tells the prices of an auction from means of what was dispatched, so a day-ahead market is only
    taken for one where the scenario says so.
    """

    of: StrictStr = text('the series of prices, "market.spot_per_mwh"')
    when: Literal["day_ahead", "interval_start", "after"] = choice(
        "all prices of a day from an hour of the day before; each price as its interval begins; or as it has ended"
    )
    hour: float = quantity(
        "h", "day ahead: hour of the day before, on the site's clock", default=13.0, at_least=0, at_most=24
    )

    @model_validator(mode="after")
    def _check(self) -> Published:
        if "hour" in self.model_fields_set and self.when != "day_ahead":
            raise ValueError('hour counts only with when = "day_ahead"; set that, or leave it out')
        return self


class Foresight(Component):
    """How the year is run without knowing it: policies, how far they see, how much of a plan is kept."""

    policies: Several[PolicyName] = choice(
        "rolling (sees what happens, as far as the view goes), backcast (the mean of earlier days of the same type), "
        "learnt (like days, corrected by today's error as far as errors have lasted), "
        "boosted (boosted trees of all that, an extra), forecast (series of your own), "
        "uncertain (what happens with errors of a given size)",
        default=("rolling", "backcast"),
    )
    headline: PolicyName | None = choice(
        "the policy that the payback rests on; left out: in each billing period what would have earned most in those "
        "before, or, where services are sold, forecast if there is one, else backcast, else the last",
        default=None,
    )
    view_hours: float = quantity("h", "how far a plan looks ahead", default=48.0, above=0, at_most=10_000)
    keep_hours: int = quantity(
        "h", "how much of a plan is carried out before the next", default=24, above=0, at_most=24
    )
    memory_days: int = quantity(
        "days",
        "earlier days of the same type that a backcast takes the mean of",
        default=10,
        above=0,
        at_most=366,
    )
    warm_up_days: int = quantity(
        "days",
        "days before the timeline, in the same files, that own devices learn from and are first chosen by",
        default=0,
        at_least=0,
        at_most=3660,
    )
    published: Several[Published] = Field(
        default=(), description="when series of prices are known; left out: each as its interval begins"
    )
    prices_known_hours: float = quantity(
        "h",
        "how far ahead of a plan energy prices are known; 24 for a day-ahead market",
        default=0.0,
        at_least=0,
    )
    service_prices_known_hours: float = quantity(
        "h", "how far ahead of a plan prices of services are known", default=0.0, at_least=0
    )
    services_sold_share: float = quantity(
        "-",
        "share of what a plan could offer of services that it sells, so that its errors leave that available; a "
        "rolling plan, which does not err, sells all",
        default=0.8,
        at_least=0,
        at_most=1,
    )
    demand_target: Literal["last_period", "quantile", "so_far"] = choice(
        "the demand that a plan need not go below: the last billing period's, a quantile of those of all periods "
        "before, or what has been reached so far",
        default="last_period",
    )
    demand_quantile: float = quantity(
        "-",
        "which, where demand_target is quantile; 0.5 is the middle one",
        default=0.5,
        at_least=0,
        at_most=1,
    )
    demand_share: float = quantity(
        "-", "share of that demand that is the target", default=1.0, at_least=0, at_most=2
    )
    forecast: Several[ForecastSeries] = ()
    errors: Errors = Field(default_factory=Errors, description="of the policy uncertain")
    seed: int = quantity("-", "of the errors of the policy uncertain", default=1, at_least=0, at_most=2**31)

    @model_validator(mode="after")
    def _check(self) -> Foresight:
        if 24 % self.keep_hours:
            raise ValueError(f"keep_hours must divide a day, got {self.keep_hours}")
        if self.view_hours < self.keep_hours:
            raise ValueError("view_hours must be at least keep_hours; raise it")
        if self.view_hours < 2000 and self.view_hours > 16 * self.keep_hours:
            raise ValueError("view_hours may be 16 times keep_hours; keep more of each plan, or see less")
        given = self.model_fields_set
        if "demand_quantile" in given and self.demand_target != "quantile":
            raise ValueError(
                'demand_quantile counts only with demand_target = "quantile"; set that, or leave it out'
            )
        if "demand_share" in given and self.demand_target == "so_far":
            raise ValueError('demand_share counts for nothing with demand_target = "so_far"; leave it out')
        foretold = [forecast.of for forecast in self.forecast]
        twins = sorted({name for name in foretold if foretold.count(name) > 1})
        if twins:
            raise ValueError(f"forecast foretells {twins[0]!r} twice; keep one of them")
        known = [published.of for published in self.published]
        twins = sorted({name for name in known if known.count(name) > 1})
        if twins:
            raise ValueError(f"published names {twins[0]!r} twice; keep one of them")
        if len(set(self.policies)) < len(self.policies):
            raise ValueError("policies names one twice; name each once")
        if self.headline is not None and self.headline not in self.policies:
            raise ValueError(f"headline must be one of policies, got {self.headline}")
        if self.warm_up_days and self.headline is not None:
            raise ValueError("warm_up_days counts only where headline is chosen; leave out one of the two")
        if "forecast" in self.policies and not self.forecast:
            raise ValueError("the policy forecast needs [[foresight.forecast]] with `of` and `series`")
        return self

    @property
    def rests_on(self) -> PolicyName | None:
        """The policy that the payback rests on; None where there is none."""
        wanted: tuple[PolicyName | None, ...] = (self.headline, "forecast", "backcast", *self.policies[-1:])
        return next((name for name in wanted if name in self.policies), None)


def role_of(place: str) -> Role | None:
    """What the series at a place of a scenario is to a planner; None where the planner does not meet it.

    Parameters
    ----------
    place : str
        A path such as "site.load.0.power_kw".
    """
    parts = place.split(".")
    if parts[0] == "service":
        return "service_price"
    if parts[0] == "tariff":
        return "load" if parts[-1] in ("load_kw", "reactive_kvar") else "price"
    if parts[0] == "site":
        if parts[-1] == "performance":
            return "limit"  # of a heat pump: in plans a setting, like the weather a day ahead
        known: dict[str, Role] = {"connection": "limit", "ac_solar": "solar", "solar_controller": "solar"}
        return known.get(parts[1], "load")
    return None
