"""The page of a comparison: who saves most, bill by bill, line by line, and in which hours."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import pandas as pd

from optimiser.report import cautions
from optimiser.report.bill import sentence_case
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Fact,
    Headline,
    Row,
    Section,
    TableBlock,
    Text,
    label,
    text_column,
)
from optimiser.report.page import page_text
from optimiser.summary.compare import (
    MEASURED,
    PLANNED,
    UNKNOWN,
    UNPLANNED,
    Basis,
    CompareSummary,
    Source,
    VariantFigures,
    YearFigures,
)
from optimiser.words import amount, day, is_missing, listed, money, of_turnover, years

BEFORE = "without the system"
MOST_COLOURS = 7


def compare_page(summary: CompareSummary, lines: pd.DataFrame, hours: pd.DataFrame) -> str:
    """The page as text.

    Parameters
    ----------
    summary : CompareSummary
    lines : DataFrame
        One row a line of any bill, a column a variant; positive is to pay.
    hours : DataFrame
        One row a month and hour: what each variant makes in it, and the best; may be empty.
    """
    currency = summary.currency
    sections = [
        Section("answer", "In short", "In short", tuple(answer(summary))),
        Section("bills", "Bills", "The bills side by side", tuple(bill_blocks(lines, currency))),
        Section("hours", "Hours", "Who is ahead when", tuple(hour_blocks(hours, currency))),
        cautions.SECTION,
    ]
    return page_text(summary.title, summary.invented, currency, sections)


def answer(summary: CompareSummary) -> list[Block]:
    """The best variant, how far the next is, and a table of all."""
    currency = summary.currency
    blocks: list[Block] = []
    if summary.description:
        blocks.append(Text(summary.description))
    by_value = summary.judged_by.endswith("_npv")
    ranked = sorted(
        ((variant, float(getattr(variant, summary.judged_by))) for variant in summary.variants),
        key=lambda judged: -judged[1],
    )
    (best, most), (next_best, next_most) = ranked[:2]
    of = " of net present value" if by_value else " a year"
    facts = [
        Fact(
            "Highest net present value" if by_value else "Saves most a year",
            best.variant,
            (
                f"{money(most, currency)}{of}, {money(most - next_most, currency)} more than {next_best.variant}.",
            ),
        ),
        *_soonest([variant for variant, _ in ranked], summary.basis),
    ]
    blocks.append(Headline(tuple(facts)))
    blocks += [variant_table(summary), bills_table(summary)]
    blocks += [Text(words, "quiet") for words in (basis(summary), *terms(summary))]
    return blocks


def _soonest(ranked: Sequence[VariantFigures], of: Basis) -> Iterator[Fact]:
    """The variant that is paid back soonest; nothing where none has costs."""
    paid = [
        (back, variant.variant) for variant in ranked if (back := variant.on(of).payback_years) is not None
    ]
    if paid:
        back, quickest = min(paid, key=lambda pair: pair[0])
        never = [variant.variant for variant in ranked if variant.on(of).payback_years is None]
        words = [f"Simple payback in {years(back)}."]
        words += [f"Never paid back: {listed(never)}."] if never else []
        yield Fact("Paid back soonest", quickest, tuple(words))
    elif any(variant.capital_cost is not None for variant in ranked):
        yield Fact("Paid back", "never", ("No variant returns what it costs.",))


def terms(summary: CompareSummary) -> list[str]:
    """From which bill savings are counted, and of how many days the figures are."""
    name = summary.contract_without
    contract = f"on the contract \u201c{name}\u201d" if name else "on its own contract before"
    said = [
        f"Savings are counted from what the site pays without the system {contract}; what it would pay without the "
        "system on each variant's contract stands beside it."
    ]
    if summary.scaled_to_year:
        days, start = summary.days, day(summary.start[:10])
        span = f"{days:g} days from {start}" if days else "the days of each run"
        said.append(
            f"Bills are of {span}; what stands for a year is scaled up from them, which know no other season."
        )
    return said


def basis(summary: CompareSummary) -> str:
    """On what the figures of the variants rest."""
    unknown = [variant.variant for variant in summary.variants if variant.forecast_driven_from == UNKNOWN]
    words = (
        "Each variant's schedule is its own best; bills and lines below are those, with perfect foresight. "
    )
    if summary.basis == "ceiling":
        words += "Saving, payback and present value are ceilings too: no controller earns more."
        known = len(unknown) < len(summary.variants)
        return words + (f" Without foresight nothing is known of {listed(unknown)}." if known else "")
    words += "Saving, payback and present value are what each earns without foresight, measured on its own contract."
    if any(variant.forecast_driven_from == MEASURED for variant in summary.variants):
        words += (
            " Where nothing is sold that is own use or stored worth, in each billing period whichever would have "
            "earned more in those before; where services are sold, the plan that the payback rests on. With "
            "--measure every plan is tried too, as a run does."
        )
    return words


HOW: Mapping[Source, str] = {
    PLANNED: "measured, with plans",
    MEASURED: "measured",
    UNPLANNED: "nothing planned",
    UNKNOWN: "not worked out",
}


def variant_table(summary: CompareSummary) -> TableBlock:
    """What each variant saves, and the difference to the first."""
    currency, driven = summary.currency, summary.basis == "forecast_driven"
    columns = (
        text_column("Variant"),
        Column("Saving a year"),
        *((text_column("How"),) if driven else ()),
        Column("Payback"),
        Column("Net present value"),
        Column("Saved more than the first"),
        *((Column("At most a year (ceiling)"), Column("Payback at the ceiling")) if driven else ()),
        Column("Capital"),
    )
    words = "without foresight" if driven else "at the ceiling"
    rows = tuple(_variant_row(variant, summary) for variant in summary.variants)
    return TableBlock(f"What each variant saves {words}, {currency}", columns, rows)


def _variant_row(variant: VariantFigures, summary: CompareSummary) -> Row:
    """What a variant saves on the basis that all are judged on, and at most."""
    currency, driven = summary.currency, summary.basis == "forecast_driven"
    year, first = variant.on(summary.basis), summary.variants[0].on(summary.basis)
    more = None
    if year.saving_per_year is not None and first.saving_per_year is not None:
        more = year.saving_per_year - first.saving_per_year
    ceiling = variant.on("ceiling")
    return Row(
        (
            variant.variant,
            _money(year.saving_per_year, currency),
            *((HOW[variant.forecast_driven_from],) if driven else ()),
            _payback(year, variant),
            _money(year.npv, currency),
            _money(more, currency),
            *((_money(ceiling.saving_per_year, currency), _payback(ceiling, variant)) if driven else ()),
            _money(variant.capital_cost, currency),
        )
    )


def _money(value: float | None, currency: str) -> str:
    return "" if value is None else amount(value, currency)


def _payback(year: YearFigures, variant: VariantFigures) -> str:
    return "" if variant.capital_cost is None else years(year.payback_years)


def bills_table(summary: CompareSummary) -> TableBlock:
    """The bills that the savings are made of, at the ceiling, and how they are proven."""
    currency = summary.currency
    span = f" over {summary.days:g} days" if summary.days else ""
    columns = (
        text_column("Variant"),
        Column("Before"),
        Column("Without the system, on this contract"),
        Column("After, at best"),
        Column("Services, at best"),
        text_column("Proof"),
    )
    rows = tuple(
        Row(
            (
                variant.variant,
                amount(variant.bill_before, currency),
                amount(variant.bill_unequipped, currency),
                amount(variant.ceiling_bill_after, currency),
                amount(variant.ceiling_services_income, currency),
                "optimal"
                if variant.verdict == "optimal"
                else f"best found, within {of_turnover(variant.gap_relative, variant.gap_absolute, currency)}",
            )
        )
        for variant in summary.variants
    )
    return TableBlock(f"Their bills{span}, {currency}", columns, rows)


def bill_blocks(lines: pd.DataFrame, currency: str) -> list[Block]:
    """Bars for each part of the bill, then every line."""
    names = [column for column in lines.columns if column not in ("group", "line")]
    groups = lines.groupby("group", sort=False)[names].sum()
    traces = tuple(
        {
            "type": "bar",
            "name": label(name),
            "x": [label(sentence_case(str(group))) for group in groups.index],
            "y": groups[name].tolist(),
            "marker": {"color": "@before" if name == BEFORE else f"@series{(place - 1) % MOST_COLOURS + 1}",
                       **({"pattern": {"shape": "/"}} if name == BEFORE else {})},
            "hovertemplate": f"%{{x}}: %{{y:,.2f}} {currency}",
        }
        for place, name in enumerate(names)
    )  # fmt: skip
    said = listed([f"{name} {money(float(lines[name].sum()), currency)}" for name in names])
    chart = Chart(
        "compare-bills",
        "What is paid for",
        f"Positive is to pay, below zero is received. All together: {said}.",
        traces,
        {
            "barmode": "group",
            "yaxis": {"title": {"text": currency}, "zeroline": True},
            "xaxis": {"type": "category"},
        },
        380,
    )
    return [chart, line_table(lines, names, currency)]


def line_table(lines: pd.DataFrame, names: list[str], currency: str) -> TableBlock:
    """Every line of every bill, and the difference of the last column to the first."""
    rows: list[Row] = []
    for group, members in lines.groupby("group", sort=False):
        rows.append(Row((sentence_case(str(group)),), "group"))
        rows += [
            Row((str(row["line"]), *(amount(float(row[name]), currency) for name in names)))
            for row in members.to_dict("records")
        ]
    rows.append(Row(("Together", *(amount(float(lines[name].sum()), currency) for name in names)), "total"))
    columns = (text_column("Line"), *(Column(sentence_case(name)) for name in names))
    return TableBlock(f"To pay over the days of the run, {currency}; minus is received", columns, tuple(rows))


def hour_blocks(hours: pd.DataFrame, currency: str) -> list[Block]:
    """A map of month by hour: the variant that makes most, by lines that are charged step by step."""
    if hours.empty:
        return [
            Text("The variants cover different days or steps, so their hours cannot be set side by side.")
        ]
    names = [column for column in hours.columns if column not in ("month", "hour", "best")]
    numbers = {name: place for place, name in enumerate(names)}
    best = hours.assign(number=hours["best"].map(numbers)).pivot(
        index="hour", columns="month", values="number"
    )
    step = 1 / len(names)
    scale = [
        [edge, f"@series{place % MOST_COLOURS + 1}"]
        for place in range(len(names))
        for edge in (place * step, (place + 1) * step)
    ]
    trace = {
        "type": "heatmap",
        "x": [str(month) for month in best.columns],
        "y": [f"{hour:02d}:00" for hour in best.index],
        "z": [[None if is_missing(v) else int(v) for v in line] for line in best.to_numpy()],
        "zmin": -0.5,
        "zmax": len(names) - 0.5,
        "colorscale": scale,
        "xgap": 1,
        "ygap": 1,
        "colorbar": {
            "tickvals": list(range(len(names))),
            "ticktext": [label(n) for n in names],
            "outlinewidth": 0,
        },
        "hovertemplate": "%{x}, hour from %{y}<extra></extra>",
    }
    share = hours["best"].value_counts(normalize=True)
    ahead = listed([f"{name} in {100 * share.get(name, 0):.0f} %" for name in names])
    words = (
        "Which variant makes most in each hour of each month by what is charged step by step; demand and standing "
        f"charges belong to no hour. Ahead: {ahead} of these hours."
    )
    sums = hours.groupby("month", sort=False)[names].sum()
    rows = tuple(
        Row((str(month), *(amount(float(v), currency) for v in line)))
        for month, line in zip(sums.index, sums.to_numpy(), strict=True)
    )
    columns = (text_column("Month"), *(Column(name) for name in names))
    table = TableBlock(f"Made by lines charged step by step, {currency}", columns, rows, folded=True)
    layout = {"xaxis": {"type": "category"}, "yaxis": {"type": "category", "dtick": 6}}
    return [Chart("compare-hours", "Ahead by month and hour", words, (trace,), layout, 420, table)]
