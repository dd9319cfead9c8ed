"""The short edition: two sheets of paper for the person who pays for the system."""

from __future__ import annotations

import re
from dataclasses import replace

from optimiser.report import cautions, earnings, first_screen, money, offered, patterns, without_foresight
from optimiser.report.bill import COLUMNS, cash_lines, groups, sentence_case, sums_row
from optimiser.report.blocks import Block, Chart, Points, Section, TableBlock, Text
from optimiser.report.results import Results

MOST_WARNINGS = 3
DESIGN = ("site.", "storage.")  # where warnings about the equipment begin
CHART_PX, STEPS_PX, LIFE_PX = 165, 180, 260
PLACE = r"^[\w.]+ \(([^)]+)\):"  # where in the scenario's file a warning is from; customers know the name


def sections(results: Results) -> list[Section]:
    """Answer, bill and earnings; then a week of two seasons, the cash flow, what it rests on and cautions."""
    return [
        answer(results),
        *([] if (shown := offered.section(results)) is None else [shown]),
        Section("bill", "Bill", "The bill, before and after", tuple(bill_blocks(results))),
        *weeks(results),
        *life(results),
        Section("basis", "Basis", "What this rests on", tuple(basis(results))),
        cautions.section(results),
    ]


def answer(results: Results) -> Section:
    """The first screen with the first few warnings."""
    whole = first_screen.section(results, guided=False)
    blocks = [fewer(block) if isinstance(block, Points) else block for block in whole.blocks]
    return replace(whole, title="What it comes to", short_title="Answer", blocks=tuple(blocks))


def fewer(points: Points) -> Points:
    """The first of many points, and how many more there are; checks of the equipment are for who builds it."""
    items = tuple(re.sub(PLACE, r"\1:", words) for words in points.items if not words.startswith(DESIGN))
    shown = items[:MOST_WARNINGS]
    if more := len(points.items) - len(shown):
        shown = (*shown, f"{more} more for who designs and installs it in the full report.")
    return replace(points, items=shown)


def bill_blocks(results: Results) -> list[Block]:
    """What is paid before and after, as the payback has it: without foresight where that was worked out."""
    steps = chart(earnings.steps_chart(results), STEPS_PX)
    return [group_table(results), steps] if without_foresight.by_group(results) is None else [steps]


def group_table(results: Results) -> TableBlock:
    """Before, after and saved of each part of the bill."""
    currency = results.summary.currency
    lines = cash_lines(results)
    rows = [
        sums_row(sentence_case(group), [line for line in lines if line.group == group], currency)
        for group in groups(lines)
    ]
    rows.append(sums_row("Together", lines, currency, "total"))
    return TableBlock(f"Over the days worked out, {currency}; minus is received", COLUMNS, tuple(rows))


def chart(full: Chart, most_px: int) -> Chart:
    """A chart without the table behind it, no higher than paper has room for."""
    return replace(full, table=None, height_px=min(full.height_px, most_px))


def weeks(results: Results) -> list[Section]:
    """The first and the third season: what it does in a week of each."""
    if patterns.section(results) is None:
        return []
    seasons = list(results.tables[patterns.WEEKS]["season"].unique())
    chosen = [seasons[0], *seasons[2:3]]
    blocks = tuple(
        replace(patterns.week_chart(results, season), table=None, height_px=CHART_PX) for season in chosen
    )
    title = "What it would do in a typical week with perfect foresight"
    return [Section("weeks", "Weeks", title, blocks)]


def life(results: Results) -> list[Section]:
    """The cash flow, where costs are given."""
    charts = [block for block in money.section(results).blocks if isinstance(block, Chart)]
    if not charts:
        return []
    taxed = any(line.group == "tax" for line in results.summary.lines)
    notes = [Text(words, tone="quiet") for words in money.verdict(results)]
    notes += [Text("Savings in the chart hold the tax on them.", tone="quiet")] if taxed else []
    return [Section("life", "Life", "Money over the life", (chart(charts[0], LIFE_PX), *notes))]


def basis(results: Results) -> list[Block]:
    """In a few sentences what was assumed; the full edition has the rest."""
    notes = results.summary.data_notes
    words = " ".join(f"{note.rstrip('.')}." for note in notes[:MOST_WARNINGS])
    return [
        Text(
            f"{first_screen.covered(results)} The full report beside this page holds every line of every bill, the "
            "schedule of each day, the proof, and all that was assumed."
        ),
        *([Text(f"Data: {words}", tone="quiet")] if words else []),
    ]
