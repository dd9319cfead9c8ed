"""Money over the life of the equipment."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from optimiser.finance.ageing import BankLife
from optimiser.finance.appraisal import Sensitivity
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Heading,
    NamedValues,
    Points,
    Row,
    Section,
    TableBlock,
    Text,
    label,
    text_column,
)
from optimiser.report.results import Results
from optimiser.summary.run import AppraisalFigures, Headline, PriceYearSpread
from optimiser.words import amount, is_missing, listed, money, number, percent, quantity, years

# Colours of the kinds of items, as the style sheet names them.
COLOURS = {
    "saving": "@gain",
    "incentive": "@charge",
    "end value": "@solar",
    "loan": "@import",
    "capital": "@loss",
    "replacement": "@before",
    "upkeep": "@load",
    "tax": "@rule",
}
TITLES = {
    "saving": "Saving and services",
    "incentive": "Incentives",
    "end value": "End value",
    "loan": "Loan",
    "capital": "Capital",
    "replacement": "Replacements",
    "upkeep": "Upkeep",
    "tax": "Tax",
}
QUANTILES = ("lowest", "lower quartile", "middle", "upper quartile", "highest")


def section(results: Results) -> Section:
    """The result in plain words, the cash flow with its table, what it hangs on, wear, and other price years."""
    appraisal = results.summary.appraisal
    blocks: list[Block] = [facts(results, appraisal)]
    if appraisal is not None:
        blocks.append(Points(tuple(sentences(results, appraisal))))
    if results.summary.cash_flow:
        blocks.append(cash_flow_chart(results))
    if appraisal is not None and appraisal.sensitivities:
        blocks.append(sensitivity_chart(results, appraisal.sensitivities))
    if appraisal is not None and appraisal.banks:
        blocks += [Heading("Wear of storage"), wear_table(appraisal.banks, results.summary.currency)]
    if appraisal is not None and appraisal.price_years is not None:
        blocks += [Heading("Other price years"), *price_year_blocks(results, appraisal.price_years)]
    blocks.append(Text(basis(results.summary.headline, appraisal), tone="quiet"))
    return Section("money", "Life", "Money over the life", tuple(blocks))


def facts(results: Results, appraisal: AppraisalFigures | None) -> NamedValues:
    """The key figures."""
    headline, currency = results.summary.headline, results.summary.currency
    pairs = [
        ("Capital cost", money(headline.capital_cost, currency)),
        ("Simple payback", years(results.summary.headline.rested.payback_years)),
    ]
    if appraisal:
        pairs.append(("Discounted payback", years(appraisal.discounted_payback_years)))
    pairs.append(("Net present value", money(results.summary.headline.rested.npv, currency)))
    if appraisal:
        rates = appraisal.internal_rates
        shown = listed([percent(rate) for rate in rates]) if rates else "none"
        pairs.append(("Internal rate of return", shown))
        if len(rates) != 1 and not is_missing(appraisal.modified_rate):
            words = f"{percent(appraisal.modified_rate)}, money borrowed and reinvested at the discount rate"
            pairs.append(("Modified rate of return", words))
        pairs.append(("Return on investment over the life", percent(appraisal.return_on_investment)))
        cost = appraisal.storage_cost_per_kwh
        if cost is not None:
            pairs.append((appraisal.storage_cost_name, money_per_kwh(cost, currency)))
    pairs += [
        ("Discount rate", f"{percent(headline.discount_rate_fraction)} a year"),
        ("Life", years(headline.life_years)),
    ]
    return NamedValues(tuple(pairs))


def money_per_kwh(value: float, currency: str) -> str:
    """A price of a kWh to a tenth of a cent or finer."""
    return f"{number(value, 3)} {currency}/kWh"


def sentences(results: Results, appraisal: AppraisalFigures) -> list[str]:
    """The figures in plain words, and what is odd about them."""
    currency = results.summary.currency
    share, saving = appraisal.realised_share, money(results.summary.headline.rested.saving_per_year, currency)
    ceiling = money(appraisal.ceiling_saving, currency)
    found = [
        f"Year 1 saves {saving}: the ceiling, earned only with perfect foresight."
        if share is None
        else f"Year 1 saves {saving}, earned without foresight: {percent(share)} of the ceiling of {ceiling}."
    ]
    found += verdict(results)
    rates = appraisal.internal_rates
    if not rates:
        found.append(
            "There is no internal rate of return: the flows never balance at any rate, as when the money never "
            "comes back or nothing is laid out."
        )
    elif len(rates) > 1:
        found.append(
            f"There are {len(rates)} internal rates of return, since the cash flow changes its sign more than once: "
            "none of them can be used to judge it. Use the net present value."
        )
    if appraisal.dips_again:
        found.append(
            "The running sum is above zero for a time and falls below it again; the payback is when it stays above."
        )
    if appraisal.storage_cost_words:
        found.append(f"{appraisal.storage_cost_name}: {appraisal.storage_cost_words}")
    return found


def verdict(results: Results) -> list[str]:
    """Whether the money does better here than at the discount rate."""
    worth = results.summary.headline.rested.npv
    if worth is None:
        return []
    more = "more" if worth >= 0 else "less"
    return [f"In today's money it leaves {more} than the same capital would earn at the discount rate."]


def basis(headline: Headline, appraisal: AppraisalFigures | None) -> str:
    """How the amounts are meant."""
    words = "Year 0 is not discounted. Amounts are in money of the day (nominal), and so is the discount rate"
    real = None if appraisal is None else appraisal.real_rate_fraction
    nominal = headline.discount_rate_fraction
    if real is None or nominal is None:
        words += "."
    elif abs(real - nominal) < 1e-9:
        words += "; no inflation is counted."
    else:
        words += f", which is {percent(real)} beyond inflation (real)."
    if appraisal is None or appraisal.realised_share is None:
        words += " Every year rests on the ceiling, so the real cash flow is lower."
    return words


def kinds_of(results: Results) -> dict[str, str]:
    """The kind of each item of the cash flow."""
    appraisal = results.summary.appraisal
    return {} if appraisal is None else appraisal.kinds


def cash_flow_chart(results: Results) -> Chart:
    """Each year's amounts by kind as stacked bars, the running sums as lines."""
    currency, flow = results.summary.currency, results.summary.cash_flow
    when = [entry.year for entry in flow]
    lines = (
        ("cumulative", "Running sum", "@ink", "solid", "circle"),
        ("discounted_cumulative", "Running sum, discounted", "@loss", "dot", "diamond"),
    )
    traces: list[dict[str, Any]] = [
        {
            "type": "bar",
            "name": name,
            "x": when,
            "y": values,
            "marker": {"color": colour},
            "hovertemplate": "%{y:,.2f}",
        }
        for name, colour, values in bars(results)
    ]
    for key, name, colour, dash, symbol in lines:
        traces.append(
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": name,
                "x": when,
                "y": [getattr(entry, key) for entry in flow],
                "line": {"color": colour, "dash": dash, "width": 2},
                "marker": {"symbol": symbol, "size": 6},
                "hovertemplate": "%{y:,.2f}",
            }
        )
    last = flow[-1]
    return Chart(
        key="cash-flow",
        title="Cash flow",
        description=(
            f"From {money(flow[0].amount, currency)} in year {flow[0].year}, the running sum reaches "
            f"{money(last.cumulative, currency)} in year {last.year}, or "
            f"{money(last.discounted_cumulative, currency)} discounted."
        ),
        traces=tuple(traces),
        layout={
            "barmode": "relative",
            "hovermode": "x unified",
            "xaxis": {"title": {"text": "Year"}, "nticks": 9, "tickformat": "d"},
            "yaxis": {"title": {"text": currency}, "zeroline": True, "automargin": True, "nticks": 7},
            **crossing(results),
        },
        table=cash_flow_table(results),
    )


def crossing(results: Results) -> dict[str, Any]:
    """A mark where the money is back, for the chart's layout."""
    when = results.summary.headline.rested.payback_years
    if when is None or when > results.summary.cash_flow[-1].year:
        return {}
    line = {"type": "line", "x0": when, "x1": when, "yref": "paper", "y0": 0, "y1": 1}
    words = {"x": when, "y": 1, "yref": "paper", "text": f"paid back: {years(when)}", "showarrow": False}
    return {
        "shapes": [{**line, "line": {"color": "@ink", "width": 1, "dash": "dash"}}],
        "annotations": [{**words, "xanchor": "right", "yanchor": "top", "xshift": -4}],
    }


def bars(results: Results) -> list[tuple[str, str, list[float]]]:
    """Name, colour and yearly amounts of each kind of item; of the whole where items are not told apart."""
    flow, kinds = results.summary.cash_flow, kinds_of(results)
    if not kinds:
        return [("In the year", "@gain", [entry.amount for entry in flow])]
    return [
        (
            title,
            COLOURS[kind],
            [
                math.fsum(value for name, value in entry.items.items() if kinds[name] == kind)
                for entry in flow
            ],
        )
        for kind, title in TITLES.items()
        if kind in kinds.values()
    ]


def cash_flow_table(results: Results) -> TableBlock:
    """The same figures in rows, a column an item, with the sums of all years."""
    currency, flow = results.summary.currency, results.summary.cash_flow
    names = list(kinds_of(results))
    rows = [
        Row(
            (
                str(entry.year),
                *(amount(entry.items[name], currency) for name in names),
                amount(entry.amount, currency),
                amount(entry.cumulative, currency),
                amount(entry.discounted_cumulative, currency),
            )
        )
        for entry in flow
    ]
    sums = [math.fsum(entry.items[name] for entry in flow) for name in names]
    together = math.fsum(entry.amount for entry in flow)
    rows.append(Row(("Together", *(amount(value, currency) for value in (*sums, together)), "", ""), "total"))
    columns = (
        text_column("Year"),
        *(Column(name) for name in names),
        Column("In the year"),
        Column("Running sum"),
        Column("Running sum, discounted"),
    )
    return TableBlock(f"Cash flow, {currency}", columns, tuple(rows), folded=True)


def sensitivity_chart(results: Results, found: Sequence[Sensitivity]) -> Chart:
    """Net present value with each input lower and higher: bars to both sides of the result."""
    currency, npv = results.summary.currency, results.summary.headline.rested.npv or 0.0
    names = [label(one.name) for one in found]
    traces = tuple(
        {
            "type": "bar",
            "orientation": "h",
            "name": title,
            "y": names,
            "x": [getattr(one, f"{side}_npv") - npv for one in found],
            "base": npv,
            "marker": {"color": colour},
            "customdata": [
                [getattr(one, f"{side}_words"), amount(getattr(one, f"{side}_npv"), currency)]
                for one in found
            ],
            "hovertemplate": f"%{{y}}, %{{customdata[0]}}: %{{customdata[1]}} {currency}<extra></extra>",
        }
        for side, title, colour in (("low", "Lower", "@before"), ("high", "Higher", "@gain"))
    )
    most = found[0]
    ends = [end for one in found for end in (one.low_npv, one.high_npv)]
    return Chart(
        key="sensitivity",
        title="What the net present value hangs on",
        description=(
            f"Most hangs on {most.name.lower()}: {money(most.low_npv, currency)} at {most.low_words}, "
            f"{money(most.high_npv, currency)} at {most.high_words}. Each bar changes one input and keeps all "
            "others, without solving the site again."
        ),
        traces=traces,
        layout={
            "barmode": "overlay",
            "xaxis": {
                "title": {"text": f"Net present value, {currency}"},
                "range": widened(min(*ends, npv), max(*ends, npv)),
            },
            "yaxis": {"automargin": True, "autorange": "reversed", "type": "category"},
            "shapes": [result_line(npv)],
        },
        height_px=120 + 36 * len(found),
        table=sensitivity_table(results, found),
    )  # fmt: skip


def result_line(npv: float) -> dict[str, Any]:
    """A line down the chart at the result itself."""
    line = {"color": "@ink", "width": 1}
    return {"type": "line", "x0": npv, "x1": npv, "y0": 0, "y1": 1, "yref": "paper", "line": line}


def widened(low: float, high: float) -> list[float]:
    """Ends of an axis a little beyond its values."""
    room = 0.08 * (high - low) or 1.0
    return [low - room, high + room]


def sensitivity_table(results: Results, found: Sequence[Sensitivity]) -> TableBlock:
    """Net present value and payback at both values of each input."""
    currency = results.summary.currency
    rows = tuple(
        Row(
            (
                f"{one.name}: {getattr(one, f'{side}_words')}",
                amount(getattr(one, f"{side}_npv"), currency),
                years(getattr(one, f"{side}_payback_years")),
            )
        )
        for one in found
        for side in ("low", "high")
    )
    columns = (text_column("Input"), Column(f"Net present value, {currency}"), Column("Simple payback"))
    return TableBlock("One input changed at a time", columns, rows, folded=True)


def wear_table(banks: Sequence[BankLife], currency: str) -> TableBlock:
    """Cycles and life of each bank, and its price over all that it discharges in it, to hold wear_per_kwh against."""
    columns = (
        text_column("Bank"),
        Column("Discharged a year"),
        Column("Full cycles a year"),
        Column("Counted cycles a year"),
        Column("Life by cycles"),
        Column("Life by years"),
        Column("End of life after"),
        Column("Bought again"),
        Column(f"Replacement price per kWh discharged, {currency}"),
    )
    rows = tuple(
        Row(
            (
                bank.name,
                quantity(bank.discharged_kwh, "kWh"),
                number(bank.full_cycles, 0),
                number(bank.counted_cycles, 0),
                lasting(bank.years_by_cycles),
                lasting(bank.years_by_calendar),
                lasting(bank.years),
                f"every {years(bank.renewed_every)}" if bank.renewed_every else "never",
                "no price given" if is_missing(bank.wear_per_kwh) else number(bank.wear_per_kwh, 4),
            )
        )
        for bank in banks
    )
    # The payback rests on the run without foresight where there is one; other tables of storage show the ceiling's.
    return TableBlock(
        "Cycles in the run that the payback rests on, counted by rainflow on the state of charge, and the life that "
        "they leave",
        columns,
        rows,
    )


def lasting(value: float | None) -> str:
    """A length of life, or that the scenario gives none."""
    return "not given" if value is None else f"{number(value, 1)} years"


def price_year_blocks(results: Results, spread: PriceYearSpread) -> list[Block]:
    """The spread over price years, and each year's own result."""
    currency = results.summary.currency
    shown = spread.spread
    titles = (("Yearly saving", "yearly_saving"), ("Net present value", "npv"))
    rows = [
        Row((title, *(amount(shown[key][name], currency) for name in QUANTILES))) for title, key in titles
    ]
    back = shown["simple_payback_years"]
    # A short payback is the good end, so that columns read from worst to best throughout.
    rows.append(Row(("Simple payback", *(years(back[name]) for name in reversed(QUANTILES)))))
    columns = (
        text_column(""),
        *(Column(name) for name in ("Worst", "Lower quartile", "Middle", "Upper quartile", "Best")),
    )
    each = TableBlock(
        f"Each price year, {currency}",
        (
            text_column("Price year"),
            Column("Yearly saving"),
            Column("Net present value"),
            Column("Simple payback"),
        ),
        tuple(
            Row(
                (
                    year.name,
                    amount(year.yearly_saving, currency),
                    amount(year.npv, currency),
                    years(year.simple_payback_years),
                )
            )
            for year in spread.years
        ),
        folded=True,
    )
    return [
        Text(
            f"The same site on {len(spread.years)} sets of prices, this run's among them, each solved by itself. "
            "What is earned without foresight, and how later years go on, is taken from this run. None is a forecast."
        ),
        TableBlock(f"Spread over the price years, {currency}", columns, tuple(rows)),
        each,
    ]
