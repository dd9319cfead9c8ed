"""What of the ceiling is earned without knowing the year: policy by policy, by line, by billing period."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from optimiser.guide import see
from optimiser.report.blocks import Block, Chart, Column, Row, Section, TableBlock, Text, bars, text_column
from optimiser.report.results import Results
from optimiser.studies.without_foresight import ForesightFigures
from optimiser.words import amount, is_missing, money, month, number, percent

LINES, MONTHS = "without_foresight-lines", "without_foresight-months"
ERRORS = "without_foresight-forecast_errors"


def figures(results: Results) -> ForesightFigures | None:
    """The study's figures; None where it was not made."""
    return results.summary.study("without_foresight", ForesightFigures)


def made(results: Results) -> ForesightFigures:
    """The study's figures, where the payback rests on it."""
    found = figures(results)
    assert found is not None  # as the headline's basis says
    return found


def section(results: Results) -> Section | None:
    """The chart, what each policy sees, and the tables; None without the study."""
    study = figures(results)
    if study is None or not {LINES, MONTHS} <= results.tables.keys():
        return None
    blocks: list[Block] = [
        Text(
            "The ceiling knows every price, load and hour of sun beforehand, which nobody does. Here the same site "
            f"is run day after day: each plan looks {study.view_hours:g} hours ahead with what its policy knows, "
            f"{study.keep_hours:g} hours of it are carried out against what really happens, and the bill is made "
            "out on that. Where nothing is sold, the device is handed modes and goes by its own meter; else the store "
            "follows the plan and the meter takes the error. Every limit holds. Own use and "
            "stored worth make no plan: the device goes by its own meter, and by the price of the step. "
            "Replanned hands it a mode from a plan that is made anew within the day. " + see("foresight")
        ),
        chart(results, study),
        policies_table(results, study),
    ]
    notes = [ahead(study), study.demand_target, *without_plan(study), *services(study)]
    notes += [f"Left out: {words}" for words in study.missing]
    if not any(row.name == "timetable" for row in study.outcomes):
        notes.append("A timetable has a row here where the run was asked for one (--study timetable).")
    blocks += [Text(words, tone="quiet") for words in notes if words]
    blocks += [by_line(results), by_month(results), *errors(results)]
    return Section(
        "without_foresight", "Without foresight", "What is earned without knowing the year", tuple(blocks)
    )


def chart(results: Results, study: ForesightFigures) -> Chart:
    """Saving of each way of running the site."""
    currency, rows = results.summary.currency, study.outcomes
    savings = [row.saving for row in rows]
    driven = study.outcome(study.headline)
    words = f"The ceiling saves {money(rows[0].saving, currency)}. "
    if driven is not None:
        words += (
            f"Run under {driven.name}, which the payback rests on, the site saves "
            f"{money(driven.saving, currency)}, {shown_share(driven.share_of_ceiling)} of it."
        )
    return Chart(
        key="without_foresight",
        title="Saved over the days of the run",
        description=words,
        **bars(
            [row.name for row in rows],
            savings,
            [amount(value, currency) for value in savings],
            f"Saved, {currency}",
            ["@gain" if row.name == study.headline else "@before" for row in rows],
        ),
        height_px=110 + 40 * len(rows),
    )


def policies_table(results: Results, study: ForesightFigures) -> TableBlock:
    """What each sees, saves, and what of it is the storage's."""
    currency = results.summary.currency
    rows = [
        Row(
            (
                row.name,
                row.words,
                amount(row.saving, currency),
                shown_share(row.share_of_ceiling),
                "" if is_missing(row.storage_earns) else amount(row.storage_earns, currency),
                shown_share(row.storage_share),
            ),
            "total" if row.name == study.headline else "plain",
        )
        for row in study.outcomes
    ]
    columns = (
        text_column("Run under"),
        text_column("What it knows"),
        Column(f"Saved, {currency}"),
        Column("Of the ceiling"),
        Column(f"Of that by storage, {currency}"),
        Column("Of what storage could"),
    )
    return TableBlock(
        "Saved over the days of the run; the payback rests on the row in bold", columns, tuple(rows)
    )


def shown_share(share: float | None) -> str:
    """A share of the ceiling, which no policy passes by more than the proof leaves open."""
    return "" if is_missing(share) or share is None else percent(min(share, 1.0), 0)


def ahead(study: ForesightFigures) -> str:
    """Which prices are known beforehand."""
    hours, published = study.prices_known_hours, study.published
    words = {
        "day_ahead": "a day ahead, from {hour:g}:00 of the day before",
        "interval_start": "as each interval begins",
        "after": "when each interval has ended",
    }
    said = "; ".join(f"{one.of} {words[one.when].format(hour=one.hour)}" for one in published)
    told = f" Market prices are known as published: {said}." if said else ""
    if not hours:
        return (
            "No plan knows a price of a market before its hour but what is published ahead, except policies that see "
            f"what happens; stored worth and replanned know the price of the running interval unless it is "
            f"published later.{told}"
        )
    return f"Market prices are known {hours:g} hours ahead of each plan.{told}"


def without_plan(study: ForesightFigures) -> list[str]:
    """Days on which there was no plan."""
    return [
        f"{row.name.capitalize()}: {number(row.without_plan)} of {number(row.plans)} windows were run "
        "without a plan, since nothing was known yet or no schedule kept every limit."
        for row in study.outcomes
        if row.without_plan
    ]


def services(study: ForesightFigures) -> list[str]:
    """What of sold services could be held."""
    return [
        f"{row.name.capitalize()}: {percent(row.services_held_share, 1)} of the services sold could be held; the "
        "rest is not paid, and penalties for it are left out."
        for row in study.outcomes
        if not is_missing(row.services_held_share)
    ]


def by_line(results: Results) -> TableBlock:
    """What each way of running saves in each line."""
    currency, lines = results.summary.currency, results.tables[LINES]
    names = [name for name in lines.columns if name not in ("group", "line")]
    rows = [
        Row((str(row["line"]), *(amount(float(row[name]), currency) for name in names)))
        for row in lines.to_dict("records")
    ]
    sums = (amount(float(lines[name].sum()), currency) for name in names)
    return TableBlock(
        f"Saved or earned by line, {currency}",
        (text_column("Line"), *(Column(name) for name in names)),
        (*rows, Row(("Together", *sums), "total")),
        folded=True,
    )


def by_month(results: Results) -> TableBlock:
    """What each way of running saves in each billing period."""
    currency, months = results.summary.currency, results.tables[MONTHS]
    names = [name for name in months.columns if name != "billing_period"]
    rows = [
        Row((month(str(row["billing_period"])), *(amount(float(row[name]), currency) for name in names)))
        for row in months.to_dict("records")
    ]
    sums = (amount(float(months[name].sum()), currency) for name in names)
    return TableBlock(
        f"Saved by billing period, {currency}",
        (text_column("Billing period"), *(Column(name) for name in names)),
        (*rows, Row(("Together", *sums), "total")),
        folded=True,
    )


def errors(results: Results) -> list[TableBlock]:
    """How far off what plans expected was, beside the same time of the day before; nothing where none may err."""
    found = results.tables.get(ERRORS)
    if found is None or found.empty:
        return []
    rows = [
        Row(
            (
                row["policy"],
                row["series"],
                _span(row["hours_from"], row["hours_to"]),
                *(
                    number(row[name], _decimals(row))
                    for name in ("mean_absolute_error", "bias", "persistence")
                ),
            )
        )
        for row in found.to_dict("records")
    ]
    columns = (
        text_column("Policy"),
        text_column("Series"),
        text_column("Hours ahead"),
        Column("Mean absolute error"),
        Column("Bias"),
        Column("Error of yesterday's value"),
    )
    title = "How far off what plans expected was, in the unit of each series"
    return [TableBlock(title, columns, tuple(rows), folded=True)]


def _span(begin: float, end: float) -> str:
    return f"{begin:g} to {end:g}" if math.isfinite(end) else f"{begin:g} and more"


def _decimals(row: Mapping[Any, Any]) -> int:
    """Three figures of the error."""
    size = max(abs(row["mean_absolute_error"]), abs(row["persistence"]), 1e-9)
    return max(0, 2 - math.floor(math.log10(size)))


def saved_by_line(results: Results) -> dict[tuple[str, str], float] | None:
    """What the policy that the payback rests on saves in each line, by group and line; None without the study."""
    study, lines = figures(results), results.tables.get(LINES)
    if study is None or lines is None or study.headline is None or study.headline not in lines.columns:
        return None
    keys = zip(lines["group"], lines["line"], strict=True)
    return dict(zip(keys, map(float, lines[study.headline]), strict=True))


def by_group(results: Results) -> list[tuple[str, float]] | None:
    """The same summed over each group of lines, in the order of the bill."""
    lines = saved_by_line(results)
    if lines is None:
        return None
    sums: dict[str, list[float]] = {}
    for (group, _), saved in lines.items():
        sums.setdefault(group, []).append(saved)
    return [(f"{name[:1].upper()}{name[1:]}", math.fsum(saved)) for name, saved in sums.items()]
