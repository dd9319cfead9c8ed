"""A typical week of each season, and the days that brought most and least."""

from __future__ import annotations

from datetime import date
from typing import Any

import pandas as pd

from optimiser.report.blocks import Block, Chart, Column, Heading, Row, Section, TableBlock, Text, text_column
from optimiser.report.results import Results
from optimiser.studies.patterns import PatternFigures
from optimiser.words import amount, day, listed, number, percent

WEEKS, DAYS = "patterns-weeks", "patterns-days"
SIDES = (
    ("solar_kw", "Solar", "@solar", 1),
    ("discharge_kw", "Discharge", "@discharge", 1),
    ("import_kw", "Import", "@import", 1),
    ("load_kw", "Load", "@load", -1),
    ("charge_kw", "Charge", "@charge", -1),
    ("export_kw", "Export", "@export", -1),
)
FEWEST_DAYS = 7
FEWEST_OF_SEASON = 90  # days, of the shortest of the seasons


def section(results: Results) -> Section | None:
    """The weeks and the days; None for a run of less than a week, or without the study."""
    weeks, days = results.tables.get(WEEKS), results.tables.get(DAYS)
    if weeks is None or days is None or len(days) < FEWEST_DAYS:
        return None
    blocks: list[Block] = [
        Text(
            "The mean of all weeks of a season as far as the run holds it, hour by hour: above zero where power "
            "comes from, below it where it goes. Single days differ from it, and most of what is earned in price "
            "events is smoothed away here."
        )
    ]
    blocks += [week_chart(results, season) for season in weeks["season"].unique()]
    blocks += [Heading("Best and worst days"), *day_blocks(results)]
    return Section("patterns", "Weeks", "A typical week, and the days that stand out", tuple(blocks))


def figures_of(results: Results) -> PatternFigures:
    """What the study found; its tables are there."""
    found = results.summary.study("patterns", PatternFigures)
    assert found is not None
    return found


def season_words(results: Results, season: str) -> str:
    """A season's name, or the days of it that the run holds where they are not the whole season."""
    runs = figures_of(results).covered[season]
    ends = [(date.fromisoformat(first), date.fromisoformat(last)) for first, last in runs]
    if sum((last - first).days + 1 for first, last in ends) >= FEWEST_OF_SEASON:
        return season
    return listed([f"{day(first)} to {day(last)}" if last > first else day(first) for first, last in ends])


def week_chart(results: Results, season: str) -> Chart:
    """Power of a mean week, Monday first."""
    words = season_words(results, season)
    week = results.tables[WEEKS]
    week = week[week["season"] == season]
    hours = [f"{name[:3]} {hour:02d}:00" for name, hour in zip(week["day"], week["hour"], strict=True)]
    traces: list[dict[str, Any]] = [
        {
            "type": "bar",
            "name": name,
            "x": hours,
            "y": [round(sign * float(value), 3) for value in week[column]],
            "marker": {"color": colour, "line": {"width": 0}},
            "hovertemplate": f"%{{x}} {name} %{{y:.2f}} kW<extra></extra>",
        }
        for column, name, colour, sign in SIDES
    ]
    noons = [text for text in hours if text.endswith("12:00")]
    layout = {
        "barmode": "relative",
        "bargap": 0,
        "xaxis": {"type": "category", "tickvals": noons, "ticktext": [text[:3] for text in noons]},
        "yaxis": {"title": {"text": "kW"}},
    }
    sums = {name: float(week[column].sum()) for column, name, _, _ in SIDES}
    said = ", ".join(f"{name.lower()} {number(kwh)}" for name, kwh in sums.items())
    table = TableBlock(f"A mean week of {words}: kWh of each day", day_columns(), day_rows(week), folded=True)
    key = "week-" + season.lower().replace(" ", "-")
    return Chart(
        key, words[:1].upper() + words[1:], f"kWh in the week: {said}.", tuple(traces), layout, 260, table
    )


def day_columns() -> tuple[Column, ...]:
    """A column a flow."""
    return (text_column("Day"), *(Column(name) for _, name, _, _ in SIDES))


def day_rows(week: pd.DataFrame) -> tuple[Row, ...]:
    """Energy of each weekday."""
    columns = [column for column, *_ in SIDES]
    sums = week.groupby("day", sort=False)[columns].sum()
    return tuple(
        Row((str(name), *(number(float(value), 1) for value in line)))
        for name, line in zip(sums.index, sums.to_numpy(), strict=True)
    )


def day_blocks(results: Results) -> list[Block]:
    """Days from either end, a quarter of all at most, with what each group of lines brought."""
    found, currency = figures_of(results), results.summary.currency
    table = results.tables[DAYS].set_index("day")
    groups = [column for column in table.columns if column != "saved"]
    columns = (text_column("Day"), Column("Saved"), *(Column(name.capitalize()) for name in groups))
    words = (
        "What a day saved or earned beside the case without the system, by lines that are charged step by step; "
        "demand, blocks of a month and standing charges belong to no single day."
    )
    share = found.share_of_best_tenth
    if share is not None:
        words += f" The best tenth of all days brought {percent(share)} of it."
    blocks: list[Block] = [Text(words)]
    for title, names in (("Best days", found.best_days), ("Worst days", found.worst_days)):
        rows = tuple(
            Row(
                (
                    day(name),
                    *(amount(table[column].astype(float)[name], currency) for column in ("saved", *groups)),
                )
            )
            for name in names
        )
        blocks.append(TableBlock(f"{title}, {currency}", columns, rows, folded=True))
    return blocks
