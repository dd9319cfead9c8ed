"""The bill before and after, line by line, with totals that are sums of the lines shown."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from optimiser.report import without_foresight
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Row,
    Section,
    TableBlock,
    Text,
    label,
    room_for_labels,
    text_column,
)
from optimiser.report.results import Results
from optimiser.summary.run import LineTotal
from optimiser.words import amount, is_missing, listed, money, month, number

SERVICES = "availability"
CASES = ("before", "after")
COLUMNS = (text_column("Line"), Column("Before"), Column("After"), Column("Saved"))


def section(results: Results) -> Section:
    """The bill's lines, a chart of its groups, and every billing period behind a summary line."""
    currency = results.summary.currency
    blocks: list[Block] = [
        Text("Positive is to pay, minus is money received. Saved is before less after."),
        *at_the_ceiling(results),
        year_table(results),
        *reconciliation(results),
        group_chart(results),
        period_table(results),
        detail_table(results),
    ]
    steering = [line for line in results.summary.lines if not line.cash]
    if steering:
        blocks.append(steering_table(steering, currency))
    return Section("bill", "Bill", "The bill, before and after", tuple(blocks))


def at_the_ceiling(results: Results) -> list[Text]:
    """That the bill after is that of perfect foresight, where the payback rests on less."""
    if not results.forecast_driven:
        return []
    words = (
        "The bill after, and what is saved by it, is the ceiling's, of the schedule that knows everything beforehand. "
        "The last column is what each line saves without that; the payback rests on it."
    )
    return [Text(words)]


def to_pay(lines: Iterable[LineTotal], case: str) -> float:
    """Sum of the lines of a case as a bill states it: positive is to pay."""
    return -math.fsum(line.amount for line in lines if line.case == case)


def cash_lines(results: Results, *, services: bool | None = None) -> list[LineTotal]:
    """Lines that are really paid; with `services`, only those of services or only those of the bill."""
    return [
        line for line in results.summary.lines if line.cash and services in (None, line.group == SERVICES)
    ]


def groups(lines: Iterable[LineTotal]) -> list[str]:
    """Names of groups in the order in which they first come."""
    return list(dict.fromkeys(line.group for line in lines))


Known = dict[tuple[str, str], float]


def sums_row(
    label: str,
    lines: Sequence[LineTotal],
    currency: str,
    style: str = "plain",
    known: Known | None = None,
) -> Row:
    """A row of before, after and saved, summed from the lines; where known, what they save without foresight."""
    before, after = (to_pay(lines, case) for case in CASES)
    figures = [before, after, before - after]
    if known is not None:
        there = dict.fromkeys((line.group, line.line) for line in lines)
        figures.append(math.fsum(known.get(key, 0.0) for key in there))
    return Row((label, *(amount(figure, currency) for figure in figures)), style)


def line_rows(lines: Sequence[LineTotal], currency: str, known: Known | None = None) -> list[Row]:
    """A heading for each group and a row for each of its lines."""
    rows = []
    for group in groups(lines):
        members = [line for line in lines if line.group == group]
        rows.append(Row((sentence_case(group),), "group"))
        for name in dict.fromkeys(line.line for line in members):
            own = [line for line in members if line.line == name]
            rows.append(sums_row(name, own, currency, known=known))
    return rows


def sentence_case(text: str) -> str:
    """The first letter raised, the rest as it was."""
    return text[:1].upper() + text[1:]


def year_table(results: Results) -> TableBlock:
    """Every cash line with the bill's total, then income from services, then both together."""
    currency, known = results.summary.currency, without_foresight.saved_by_line(results)
    bill, services = cash_lines(results, services=False), cash_lines(results, services=True)
    rows = line_rows(bill, currency, known)
    rows.append(sums_row("Bill", bill, currency, "total", known))
    if services:
        rows += line_rows(services, currency, known)
        rows.append(sums_row("Bill less income from services", [*bill, *services], currency, "total", known))
    columns = COLUMNS if known is None else (*COLUMNS, Column("Saved without foresight"))
    return TableBlock(f"Bill over the days of the run, {currency}", columns, tuple(rows))


def reconciliation(results: Results) -> list[Text]:
    """Whether lines, headline and statement agree to the cent; and what rounding does to the columns."""
    currency = results.summary.currency
    headline = results.summary.headline
    bill, services = cash_lines(results, services=False), cash_lines(results, services=True)
    pairs = [
        ("the bill before", to_pay(bill, "before"), headline.bill_before),
        ("the bill after", to_pay(bill, "after"), headline.ceiling_bill_after),
        ("income from services", -to_pay(services, "after"), headline.ceiling_services_income),
    ]
    statement = results.statement[results.statement["cash"].astype(bool)]
    for case in CASES:
        paid = -math.fsum(statement.loc[statement["case"] == case, "amount"])
        pairs.append((f"the billing periods {case}", paid, to_pay(cash_lines(results), case)))
    differing = [
        f"{name} ({money(summed, currency)} from its lines, {money(stated, currency)} as stated)"
        for name, summed, stated in pairs
        if amount(summed, currency) != amount(stated, currency) and abs(summed - stated) > 1e-6
    ]
    if differing:
        return [Text(f"These do not add up to the cent: {listed(differing)}.", tone="warning")]
    return [
        Text(
            "The lines add up to the totals, to the bills in summary.json and to the billing periods, to the cent. "
            "Each figure is rounded by itself, so a column of rounded lines may miss its total by a few cents.",
            tone="quiet",
        )
    ]


def group_chart(results: Results) -> Chart:
    """Before and after side by side for each group."""
    currency = results.summary.currency
    lines, driven = cash_lines(results), results.forecast_driven
    names = groups(lines)[::-1]
    traces: list[dict[str, Any]] = []
    for case, colour, pattern in (("after", "@after", ""), ("before", "@before", "/")):
        values = [to_pay([line for line in lines if line.group == name], case) for name in names]
        traces.append(
            {
                "type": "bar",
                "orientation": "h",
                "name": sentence_case(case),
                "y": [label(sentence_case(name)) for name in names],
                "x": values,
                "text": [amount(value, currency) for value in values],
                "textposition": "outside",
                "cliponaxis": False,
                "marker": {
                    "color": colour,
                    "pattern": {"shape": pattern, "fgcolor": "@paper", "size": 6, "fillmode": "overlay"},
                },
                "hovertemplate": f"%{{y}}, {case}: %{{text}} {currency}<extra></extra>",
            }
        )
    before, after = (to_pay(lines, case) for case in CASES)
    return Chart(
        key="bill-groups",
        title="What is paid for, before and after" + (", at the ceiling" if driven else ""),
        description=(
            f"Bars for each part of the bill. All together, {money(before, currency)} before and "
            f"{money(after, currency)} after, income from services taken off. Bars to the left of "
            "zero are money received."
        ),
        traces=tuple(traces),
        layout={
            "barmode": "group",
            "xaxis": {
                "title": {"text": f"To pay, {currency}"},
                "zeroline": True,
                "range": room_for_labels([value for entry in traces for value in entry["x"]]),
            },
            "yaxis": {"automargin": True, "type": "category"},
            "legend": {"traceorder": "reversed"},
        },
        height_px=90 + 62 * max(len(names), 2),
    )


def period_table(results: Results) -> TableBlock:
    """Cash totals of each billing period."""
    currency = results.summary.currency
    lines = statement_lines(results)
    rows = [
        sums_row(month(period), [line for line in lines if line.billing_period == period], currency)
        for period in dict.fromkeys(line.billing_period for line in lines)
    ]
    rows.append(sums_row("All periods", lines, currency, "total"))
    columns = (text_column("Billing period"), *COLUMNS[1:])
    caption = f"Each billing period, income from services taken off, {currency}"
    return TableBlock(caption, columns, tuple(rows), folded=True)


class PeriodLine(LineTotal):
    """A line of one billing period: what it is counted by beside its amount."""

    billing_period: str
    quantity: float | None
    unit: str


def statement_lines(results: Results) -> list[PeriodLine]:
    """Cash rows of the statement in order of billing period."""
    cash: pd.DataFrame = results.statement[results.statement["cash"].astype(bool)]
    rows = cash.sort_values("billing_period", kind="stable").to_dict("records")
    return [
        PeriodLine.model_validate(
            {**row, "quantity": None if is_missing(row["quantity"]) else row["quantity"]}
        )
        for row in rows
    ]


def detail_table(results: Results) -> TableBlock:
    """Every row of the statement: its quantity and its amount in each case."""
    currency = results.summary.currency
    rows: list[Row] = []
    lines = statement_lines(results)
    for period in dict.fromkeys(line.billing_period for line in lines):
        rows.append(Row((month(period),), "group"))
        members = [line for line in lines if line.billing_period == period]
        for name in dict.fromkeys((line.group, line.line) for line in members):
            same = [line for line in members if (line.group, line.line) == name]
            rows.append(detail_row(name[1], same, currency))
    columns = (
        text_column("Line"),
        text_column("Unit"),
        Column("Quantity before"),
        Column("Quantity after"),
        Column("Before"),
        Column("After"),
        Column("Saved"),
    )
    return TableBlock(f"Every line of every billing period, {currency}", columns, tuple(rows), folded=True)


def detail_row(label: str, lines: Sequence[PeriodLine], currency: str) -> Row:
    """One line of one period; a case without the line has no quantity."""
    quantities = []
    for case in CASES:
        found = [line.quantity for line in lines if line.case == case and line.quantity is not None]
        quantities.append(number(math.fsum(found), 2) if found else "")
    unit = next((line.unit for line in lines if line.unit), "")
    return Row((label, unit, *quantities, *sums_row("", lines, currency).cells[1:]))


def steering_table(lines: Sequence[LineTotal], currency: str) -> TableBlock:
    """Lines that steer the plan but are on no bill."""
    rows = [sums_row(name, [line for line in lines if line.line == name], currency)
            for name in dict.fromkeys(line.line for line in lines)]  # fmt: skip
    return TableBlock(
        f"Weighed by the plan but not paid, and in no total above, {currency}",
        COLUMNS,
        tuple(rows),
        folded=True,
    )
