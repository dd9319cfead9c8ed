"""What one more unit of each limit would be worth."""

from __future__ import annotations

from typing import Any

from optimiser.guide import see
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Points,
    Row,
    Section,
    TableBlock,
    Text,
    bars,
    text_column,
)
from optimiser.report.results import Results
from optimiser.studies.driven_limits import DrivenLimitFigures
from optimiser.studies.what_binds import BindingFigures
from optimiser.words import is_missing, listed, number, percent

MOST_BARS, MOST_SENTENCES = 12, 6


def _number(value: Any, digits: int = 2) -> str:
    return "" if is_missing(value) else number(float(value), digits)


def section(results: Results) -> Section | None:
    """Sentences, bars and tables; None for a run without either study."""
    driven = driven_table(results)
    study, table = (
        results.summary.study("what_binds", BindingFigures),
        results.tables.get("what_binds-limits"),
    )
    if study is None or table is None:
        return None if driven is None else Section("what-binds", "Limits", "What binds", (driven,))
    blocks: list[Block] = [
        Text(
            "What one more unit of each limit brings in a year: cash of the ceiling, wear of storage not taken off but "
            f"named beside it. {checked_words(study)} Real operation earns less. {see('studies')}"
        )
    ]
    if study.decisions_held:
        blocks.append(
            Text(
                f"Import or export, charge or discharge was decided by whole numbers in {study.decisions_held:,} "
                "steps; those decisions are held as they are.",
                tone="quiet",
            )
        )
    if study.scaled_to_year:
        words = "The run is not a whole year: figures are scaled by its hours, demand by its billing periods."
        blocks.append(Text(words, tone="warning"))
    if study.words:
        blocks += [Points(tuple(study.words[:MOST_SENTENCES])), _chart(results)]
    if study.no_limit:
        words = f"A little more or less of these would change nothing: {listed(study.no_limit)}."
        blocks.append(Text(words, tone="quiet"))
    if study.not_checked:
        words = f"Not solved again, so of these only the margin in the table is known: {listed(study.not_checked)}."
        blocks.append(Text(words, tone="quiet"))
    if driven is not None:
        blocks.append(driven)
    return Section("what-binds", "Limits", "What binds", tuple(blocks))


def driven_table(results: Results) -> TableBlock | None:
    """What more of the first limits brings without foresight; None for a run without that study."""
    study = results.summary.study("driven_limits", DrivenLimitFigures)
    frame = results.tables.get("driven_limits-limits")
    if study is None or frame is None:
        return None
    currency = results.summary.currency
    return TableBlock(
        f"A tenth more of a limit, run again under {study.policy}: {currency} of cash a year for each unit",
        (
            text_column("Limit"),
            Column("Size now"),
            text_column("Unit"),
            Column("Added"),
            Column("Without foresight"),
            Column("At the ceiling"),
        ),
        tuple(
            Row(
                (
                    str(row["limit"]),
                    _number(row["size"]),
                    str(row["unit"]),
                    _number(row["added"]),
                    _number(row["forecast_driven_cash_of_one_more_a_year"]),
                    _number(row["ceiling_cash_of_one_more_a_year"]),
                )
            )
            for row in frame.to_dict("records")
        ),
    )


def checked_words(study: BindingFigures) -> str:
    """What was checked, and how."""
    return (
        f"{study.checked} limits were each moved up and down by 1 % of their size and by 10 %, and the run was "
        "solved again: each figure is the mean over the units that it names, and both ways are told apart where they "
        "differ."
    )


def _chart(results: Results) -> Chart:
    """Bars of what one more unit brings, the largest first."""
    currency, frame = results.summary.currency, results.tables["what_binds-limits"]
    worths = frame["ceiling_cash_of_one_more_a_year"]
    shown = frame[worths.notna() & (worths != 0)].head(MOST_BARS)
    worth = [float(value) for value in shown["ceiling_cash_of_one_more_a_year"]]
    names = [f"{limit}, per {unit}" for limit, unit in zip(shown["limit"], shown["unit"], strict=True)]
    drawn = bars(
        names,
        worth,
        [number(value, 2) for value in worth],
        f"A year and unit, {currency}",
        ["@gain" if value >= 0 else "@loss" for value in worth],
    )
    table = TableBlock(
        f"One more and one less unit, {currency} of cash a year at the ceiling",
        (
            text_column("Limit"),
            Column("Size now"),
            text_column("Unit"),
            Column("Cash of one more"),
            Column("Wear of it"),
            Column("Holds for"),
            Column("Cash of one less"),
            Column("Margin, cash less wear"),
            Column("Steps in which it counted"),
        ),
        tuple(
            Row(
                (
                    str(row["limit"]),
                    number(float(row["size"]), 2),
                    str(row["unit"]),
                    _number(row["ceiling_cash_of_one_more_a_year"]),
                    _number(row["wear_of_one_more_a_year"]),
                    _number(row["holds_for_more"], 3),
                    _number(row["ceiling_cash_of_one_less_a_year"]),
                    _number(row["margin_less_wear_a_year"]),
                    f"{row['steps_at_limit']:,} ({percent(float(row['share_of_steps']))})",
                )
            )
            for row in frame.to_dict("records")
        ),
        folded=True,
    )
    largest = (
        f"The largest is {names[0]}: {number(worth[0], 2)} {currency} a year."
        if names
        else "None brings more."
    )
    return Chart(
        key="what-binds",
        title="Cash that one more unit of each limit brings",
        description=largest,
        **drawn,
        height_px=120 + 34 * len(names),
        table=table,
    )
