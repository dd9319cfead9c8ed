"""Money over the life of the equipment."""

from __future__ import annotations

import math

from optimiser.report.blocks import Block, Chart, Column, Facts, Row, Section, Table, Text, text_column
from optimiser.report.formats import amount, money, percent, years
from optimiser.report.results import Results


def section(results: Results) -> Section:
    """Key figures, then the cash flow as a chart with its table."""
    headline, currency = results.summary["headline"], results.summary["currency"]
    facts = Facts(
        (
            ("Capital cost", money(headline.get("capital_cost"), currency)),
            ("Simple payback", years(headline.get("simple_payback_years"))),
            ("Net present value", money(headline.get("npv"), currency)),
            ("Discount rate", f"{percent(headline.get('discount_rate_fraction'))} a year"),
            ("Life", years(headline.get("life_years"))),
        )
    )
    blocks: list[Block] = [facts]
    if results.summary.get("cash_flow"):
        blocks.append(cash_flow_chart(results))
    blocks.append(
        Text(
            "Year 0 is not discounted. "
            + (
                "Later years rest on the forecast-driven saving, not on the ceiling."
                if headline.get("forecast_driven")
                else "Later years rest on the ceiling, so the real cash flow is lower."
            ),
            tone="quiet",
        )
    )
    return Section("money", "Life", "Money over the life", tuple(blocks))


def cash_flow_chart(results: Results) -> Chart:
    """Each year's amount as bars, the running sums as lines."""
    currency, flow = results.summary["currency"], results.summary["cash_flow"]
    when = [entry["year"] for entry in flow]
    lines = (
        ("cumulative", "Running sum", "@ink", "solid", "circle"),
        ("discounted_cumulative", "Running sum, discounted", "@loss", "dot", "diamond"),
    )
    traces: list[dict] = [
        {
            "type": "bar",
            "name": "In the year",
            "x": when,
            "y": [entry["amount"] for entry in flow],
            "marker": {"color": "@gain"},
            "hovertemplate": "%{y:,.2f}",
        }
    ]
    for key, name, colour, dash, symbol in lines:
        traces.append(
            {
                "type": "scatter",
                "mode": "lines+markers",
                "name": name,
                "x": when,
                "y": [entry.get(key) for entry in flow],
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
            f"From {money(flow[0]['amount'], currency)} in year {flow[0]['year']}, the running sum reaches "
            f"{money(last['cumulative'], currency)} in year {last['year']}, or "
            f"{money(last['discounted_cumulative'], currency)} discounted."
        ),
        traces=tuple(traces),
        layout={
            "hovermode": "x unified",
            "xaxis": {"title": {"text": "Year"}, "nticks": 9, "tickformat": "d"},
            "yaxis": {"title": {"text": currency}, "zeroline": True, "automargin": True},
        },
        table=cash_flow_table(results),
    )


def cash_flow_table(results: Results) -> Table:
    """The same figures in rows, with the sum of the yearly amounts."""
    currency, flow = results.summary["currency"], results.summary["cash_flow"]
    rows = [
        Row(
            (
                str(entry["year"]),
                amount(entry["amount"], currency),
                amount(entry["cumulative"], currency),
                amount(entry["discounted_cumulative"], currency),
            )
        )
        for entry in flow
    ]
    together = math.fsum(entry["amount"] for entry in flow)
    rows.append(Row(("Together", amount(together, currency), "", ""), "total"))
    columns = (
        text_column("Year"),
        Column("In the year"),
        Column("Running sum"),
        Column("Running sum, discounted"),
    )
    return Table(f"Cash flow, {currency}", columns, tuple(rows), folded=True)
