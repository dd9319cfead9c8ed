"""A contract drawn: what each hour of each kind of day costs, so that a person sees that it was understood."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimiser.scenario.contract import Contract
from optimiser.tariff import (
    BlockCharge,
    ControlledLoad,
    EnergyCharge,
    FeedIn,
    SpotCharge,
    SpotFeedIn,
    TieredFeedIn,
    VolumeCharge,
)
from optimiser.tariff.contract import Tariff
from optimiser.terms.data import InputData
from optimiser.timeline import Timeline

WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
HOLIDAY = 7  # kinds of day are the weekdays, then public holidays by weekday


@dataclass(frozen=True)
class Strip:
    """What one kind of day looks like.

    Attributes
    ----------
    days : str
        "Mon to Fri", for example.
    values : array of shape (slots,)
        Rate of each slot of the day, or 1 in a window and 0 outside it.
    """

    days: str
    values: np.ndarray


@dataclass(frozen=True)
class Season:
    """Dates of the year whose week looks the same, and their kinds of day."""

    dates: str
    strips: tuple[Strip, ...]


@dataclass(frozen=True)
class Layer:
    """One thing that moves with the hour: a rate, or the window of a peak.

    Attributes
    ----------
    title : str
    unit : str
        Empty for a window.
    seasons : tuple of Season
    note : str
        What the picture leaves out.
    """

    title: str
    unit: str
    seasons: tuple[Season, ...]
    note: str = ""

    @property
    def levels(self) -> list[float]:
        """The values that occur, in order."""
        return sorted({float(value) for s in self.seasons for strip in s.strips for value in strip.values})


@dataclass(frozen=True)
class Drawing:
    """A contract's layers and every component in words.

    Attributes
    ----------
    title, facts : str
    year : int
    slot_minutes : int
        Length of a slot of a strip.
    layers : tuple of Layer
    charges : tuple of (str, str, str)
        Name, how it is charged, tax and dates.
    """

    title: str
    facts: str
    year: int
    slot_minutes: int
    layers: tuple[Layer, ...]
    charges: tuple[tuple[str, str, str], ...]


def draw(contract: Contract, year: int) -> Drawing:
    """Look at every day of a year as the bill would, on the local clock without its changes.

    Parameters
    ----------
    contract : Contract
    year : int
    """
    # A clock that never changes: a strip shows the clock's hours, of which a day of change has one less or more.
    tariff = contract.tariff.model_copy(update={"zone": "UTC"})
    edges = [edge for _, window in tariff.windows() for edge in (window.from_, window.to)]
    slot = math.gcd(60, *edges)
    first = datetime.datetime(year, 1, 1, tzinfo=datetime.UTC)
    days = (datetime.date(year + 1, 1, 1) - datetime.date(year, 1, 1)).days
    timeline = Timeline(first, slot, days * 1440 // slot, "UTC")
    data = InputData(timeline, lambda value: value if isinstance(value, (int, float)) else 0.0)
    layers = []
    for title, prices, kinds in (
        ("Import", tariff.import_price(data), (EnergyCharge, SpotCharge, BlockCharge, VolumeCharge)),
        ("Export", tariff.export_price(data), (FeedIn, SpotFeedIn, TieredFeedIn)),
    ):
        drawn = [component for component in tariff.component if isinstance(component, kinds)]
        note = _left_out(tariff, drawn)
        if any(_moves_by_step(component) for component in drawn):
            title += ", without the spot price"
        if prices.any() or note:
            unit = _unit(contract, drawn)
            layers.append(Layer(title, unit, _seasons(tariff, timeline, prices.round(9)), note))
    component: Any
    for component in tariff.component:
        if getattr(component, "when", None) is not None:
            mask = component.mask(data, tariff, component.when)
            layers.append(Layer(f"When it counts: {component.name}", "", _seasons(tariff, timeline, mask)))
        if isinstance(component, ControlledLoad):
            prices = (1 + component.tax(tariff)) * component.net_share(tariff) * component.price(data, tariff)
            unit = _unit(contract, [component])
            layers.append(Layer(component.name, unit, _seasons(tariff, timeline, prices.round(9))))
    charges = tuple(
        (c.name or c.kind.replace("_", " "), _in_money(c.words(), contract.currency), c.conditions(tariff))
        for c in tariff.component
    )
    return Drawing(contract.tariff.name, _facts(contract), year, slot, tuple(layers), charges)


def _in_money(words: str, currency: str) -> str:
    """A component's words with the currency after each rate, where the file says which."""
    return re.sub(r"(\d) (an? )(?=\w)", rf"\1 {currency} \2", words) if currency else words


def _unit(contract: Contract, drawn: Sequence[Any]) -> str:
    """The unit of a rate, and whether tax is in it, where the contract has any."""
    taxes = [component.tax(contract.tariff) > 0 for component in drawn]
    words = f"{contract.currency or 'money'} a kWh"
    if any(taxes):
        return f"{words} with tax"
    return f"{words}, no tax on it" if contract.tariff.tax_fraction else words


def _left_out(tariff: Tariff, drawn: Sequence[Any]) -> str:
    """What moves a price and is not in its picture."""
    parts = []
    for component in drawn:
        if _moves_by_step(component):
            parts.append(_spot_left_out(component, tariff))
        elif hasattr(component, "blocks") and len(component.blocks) > 1:
            parts.append(f"{component.name} is shown at its first block")
    return "; ".join(dict.fromkeys(parts))


def _moves_by_step(component: Any) -> bool:
    """Whether it has a price of its own in each step, which no strip can show."""
    return isinstance(component, (SpotCharge, SpotFeedIn)) and isinstance(component.price_per_mwh, str)


def _spot_left_out(component: SpotCharge | SpotFeedIn, tariff: Tariff) -> str:
    """That a price of each step is not drawn, and what becomes of it on the bill."""
    price = "the spot price"
    if component.losses != 1:
        price += f" times {component.losses:g} for losses"
    if (tax := component.tax(tariff)) and not component.tax_included:
        price += f" plus {100 * tax:.4g} % {tariff.tax_name}"
    name = component.name or component.kind.replace("_", " ")
    fees = component.fee_rates()
    shown = f"only the {'fees are' if len(fees) > 1 else 'fee is'} drawn" if fees else "nothing is drawn"
    return f"{name}: {shown}, {price} is added in each step"


def _facts(contract: Contract) -> str:
    tariff = contract.tariff
    facts = [f"clock of {tariff.zone}"]
    if tariff.holidays:
        facts.append(f"public holidays of {tariff.holidays}")
    if tariff.further_holidays:
        facts.append(f"{len(tariff.further_holidays)} further holidays")
    billing = tariff.billing
    if billing.read_dates:
        facts.append(f"bills between {len(billing.read_dates)} reads")
    else:
        facts.append("bills each month" if billing.months == 1 else f"bills every {billing.months} months")
    if tariff.tax_fraction:
        facts.append(f"{tariff.tax_name} {100 * tariff.tax_fraction:g} %")
    if tariff.source:
        facts.append(f"source: {tariff.source}")
    return ", ".join(facts)


# Which seasons, months and dates of validity a date lies in: 1.0 or 0.0 each.
SeasonKey = tuple[float, ...]


def _seasons(tariff: Tariff, timeline: Timeline, values: np.ndarray) -> tuple[Season, ...]:
    """Dates grouped by what their week looks like, and within each the kinds of day grouped by what a day does."""
    dates = timeline.local("UTC").normalize()[:: 1440 // timeline.step_minutes]
    rows = values.reshape(len(dates), -1)
    profile = np.unique(rows, axis=0, return_inverse=True)[1].ravel()
    holidays = set(tariff.holiday_dates(timeline))
    kind = [d.day_of_week + HOLIDAY * (d.date() in holidays) for d in dates]
    key = _season_keys(tariff, timeline, len(dates))
    weeks: dict[SeasonKey, dict[int, int]] = {}
    for season, day, look in zip(key, kind, profile, strict=True):
        weeks.setdefault(season, {})[day] = int(look)
    # Seasons that differ in nothing that their days have in common are one.
    merged: list[tuple[dict[int, int], list[SeasonKey]]] = []
    for season, week in weeks.items():
        for other, seasons in merged:
            if all(other.get(day, look) == look for day, look in week.items()):
                other.update(week)
                seasons.append(season)
                break
        else:
            merged.append((dict(week), [season]))
    made = []
    for week, seasons in merged:
        inside = np.array([season in seasons for season in key])
        looks: dict[int, list[int]] = {}
        for day in sorted(week):
            looks.setdefault(week[day], []).append(day)
        strips = [
            Strip(_day_names(days), rows[np.flatnonzero(profile == look)[0]]) for look, days in looks.items()
        ]
        made.append(Season(_date_words(dates, inside), tuple(strips)))
    return tuple(made)


def _season_keys(tariff: Tariff, timeline: Timeline, days: int) -> list[SeasonKey]:
    """For each date, which seasons, months and dates of validity it lies in."""
    every = 1440 // timeline.step_minutes
    flags = []
    for _, window in tariff.windows():
        season = window.model_copy(update={"days": None, "from_": 0, "to": 1440})
        flags.append(timeline.mask(season, "UTC")[::every])
    for component in tariff.component:
        flags.append(timeline.between(component.valid_from, component.valid_until, "UTC")[::every])
    return [tuple(flag[day] for flag in flags) for day in range(days)]


def _day_names(days: list[int]) -> str:
    """Names of kinds of day: runs of weekdays, and holidays."""
    plain, special = [d for d in days if d < HOLIDAY], [d - HOLIDAY for d in days if d >= HOLIDAY]
    words = []
    run: list[int] = []
    for day in [*plain, 99]:
        if run and day != run[-1] + 1:
            words.append(WEEKDAYS[run[0]] if len(run) == 1 else f"{WEEKDAYS[run[0]]} to {WEEKDAYS[run[-1]]}")
            run = []
        run.append(day)
    if special:
        missing = {d for d in range(7) if d not in special}
        # Holidays of most weekdays are just holidays; of one or two, it is said which.
        words.append(
            "holidays" if len(missing) < 5 else f"holidays on {', '.join(WEEKDAYS[d] for d in special)}"
        )
    return ", ".join(words)


def _date_words(dates: Any, inside: np.ndarray) -> str:
    """The runs of dates within a year, those at its two ends joined."""
    if inside.all():
        return "all year"
    starts = np.flatnonzero(inside & ~np.r_[False, inside[:-1]])
    ends = np.flatnonzero(inside & ~np.r_[inside[1:], False])
    runs = list(zip(starts.tolist(), ends.tolist(), strict=True))
    if len(runs) > 1 and inside[0] and inside[-1]:
        runs = [*runs[1:-1], (runs[-1][0], runs[0][1])]

    def day(index: int) -> str:
        return f"{dates[index].day} {dates[index]:%b}"

    return ", ".join(day(a) if a == b else f"{day(a)} to {day(b)}" for a, b in runs)


LETTERS = "abcdefghijklmnopqrstuvwxyz"


def as_text(drawing: Drawing) -> str:
    """The drawing for a terminal: a letter a slot, cheapest first, with its rate below."""
    per_slot = max(drawing.slot_minutes, 30)
    lines = [drawing.title, drawing.facts, f"The year {drawing.year}, {per_slot} min a letter."]
    for layer in drawing.layers:
        lines += ["", f"{layer.title}{f', {layer.unit}' if layer.unit else ''}"]
        if layer.note:
            lines.append(f"  {layer.note}.")
        marks = {level: LETTERS[min(n, 25)] for n, level in enumerate(layer.levels)}
        if not layer.unit:
            marks = {0.0: ".", 1.0: "#"}
        wide = max(len(strip.days) for season in layer.seasons for strip in season.strips)
        for season in layer.seasons:
            lines.append(f"  {season.dates}")
            lines.append(f"    {'':{wide}}  {_hours(per_slot)}")
            for strip in season.strips:
                every = max(1, 30 // drawing.slot_minutes)
                lines.append(f"    {strip.days:{wide}}  {_letters(strip.values, every, marks)}")
        if layer.unit:
            lines.append("  " + "   ".join(f"{mark} {rate(level)}" for level, mark in marks.items()))
        else:
            lines.append("  # counts   . does not")
    lines += ["", "Components"]
    for name, words, conditions in drawing.charges:
        lines.append(f"  {name}: {words}{f' ({conditions})' if conditions else ''}")
    return "\n".join(lines)


def rate(value: float, digits: int = 5) -> str:
    """A rate to so many digits, with a true minus."""
    return f"{value:.{digits}g}".replace("-", "\N{MINUS SIGN}")


def _hours(slot_minutes: int) -> str:
    per_hour = 60 // slot_minutes
    return "".join(f"{hour:<{3 * per_hour}}" for hour in range(0, 24, 3)) + "24"


def _letters(values: np.ndarray, every: int, marks: dict[float, str]) -> str:
    """A letter for each half hour; `~` where the rate changes within it."""
    made = []
    for start in range(0, len(values), every):
        inside = {marks[float(value)] for value in values[start : start + every]}
        made.append(inside.pop() if len(inside) == 1 else "~")
    return "".join(made)
