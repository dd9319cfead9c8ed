"""What moving loads that can wait is worth, and that nothing of them was missed."""

from __future__ import annotations

from optimiser.guide import see
from optimiser.report.blocks import Block, Column, Row, Section, TableBlock, Text, text_column
from optimiser.report.results import Results
from optimiser.studies.flexible_loads import FlexibleFigures, FlexibleHeadlineFigures
from optimiser.words import amount, is_missing, money, number, quantity


def section(results: Results) -> Section | None:
    """The worth of their timing and a table of the loads; None where there are none."""
    figures = results.summary.study("flexible_loads", FlexibleFigures)
    loads = results.tables.get("flexible_loads-loads")
    if figures is None or loads is None:
        return None
    currency = results.summary.currency
    blocks: list[Block] = [Text(_worth(figures, results))]
    if figures.missed_kwh > 0:
        words = f"{quantity(figures.missed_kwh, 'kWh', 2)} were missed: what was asked for was not all met."
        blocks.append(Text(words, tone="warning"))
    else:
        blocks.append(Text("Nothing was missed: each session had its energy, each store kept its band."))
    rows = tuple(
        Row(
            (
                str(row["name"]),
                "" if is_missing(row["sessions"]) else number(float(row["sessions"])),
                number(row["taken_kwh"]),
                number(row["taken_before_kwh"]),
                number(row["missed_kwh"]),
                "" if is_missing(row["timing_ceiling"]) else amount(row["timing_ceiling"], currency),
            )
        )
        for row in loads.to_dict("records")
    )
    columns = (
        text_column("Load"),
        Column("Sessions"),
        Column("Taken, kWh"),
        Column("Before, kWh"),
        Column("Missed, kWh"),
        Column("Worth of its timing (ceiling)"),
    )
    blocks.append(TableBlock("Flexible loads over the days of the run", columns, rows))
    if len(rows) > 1:
        quiet = "Each by itself: the others free, this one as before. Loads share cheap hours, so the parts do not sum."
        blocks.append(Text(quiet, tone="quiet"))
    return Section("flexible-loads", "Flexible loads", "What moving loads is worth", tuple(blocks))


def _worth(figures: FlexibleFigures, results: Results) -> str:
    """What the timing earns, beside the battery, on each basis."""
    currency = results.summary.currency
    said = []
    if figures.timing_ceiling is not None:
        said.append(
            "With their time free the site saves "
            f"{money(figures.timing_ceiling, currency)} more over these days than with the same loads run as before: "
            "the ceiling, with perfect foresight in both"
            + (f", known within {money(figures.open_gap, currency)}." if figures.open_gap else ".")
        )
    headline = results.summary.study("flexible_headline", FlexibleHeadlineFigures)
    if headline is not None:
        said.append(f"Run under {headline.policy} in both, it is {money(headline.timing, currency)}.")
    if figures.timing_own_use is not None:
        said.append(
            "Where each load steers itself by sun and known prices and the battery only covers own use, it is "
            f"{money(figures.timing_own_use, currency)}: there the battery makes up for less of it."
        )
    return " ".join([*said, see("flexible")])
