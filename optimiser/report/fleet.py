"""The page of a fleet: what its bids earn, what rounding takes, how sites differ."""

from __future__ import annotations

import pandas as pd

from optimiser.report import cautions
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Fact,
    Headline,
    Points,
    Row,
    Section,
    TableBlock,
    Text,
    label,
    text_column,
)
from optimiser.report.page import page_text
from optimiser.summary.fleet import FleetSummary
from optimiser.words import amount, day, money, number, percent


def fleet_page(summary: FleetSummary, services: pd.DataFrame, sites: pd.DataFrame) -> str:
    """The page as text.

    Parameters
    ----------
    summary : FleetSummary
    services : DataFrame
        One row a product.
    sites : DataFrame
        One row a site.
    """
    currency = summary.currency
    sections = [
        Section("answer", "In short", "In short", tuple(answer(summary))),
        Section("services", "Services", "What the bids pay", tuple(service_blocks(services, currency))),
        Section("sites", "Sites", "How the sites differ", tuple(site_blocks(sites, currency))),
        cautions.SECTION,
    ]
    return page_text(summary.title, summary.invented, currency, sections)


def answer(summary: FleetSummary) -> list[Block]:
    """The three figures of a fleet, and what stands behind them."""
    currency, lost = summary.currency, summary.lost_by_rounding
    offered = summary.income_as_offered
    blocks: list[Block] = []
    if summary.description:
        blocks.append(Text(summary.description))
    share = f" That is {percent(lost / offered)} of what is offered." if offered else ""
    blocks.append(
        Headline(
            (
                Fact(
                    f"{summary.sites} sites in {summary.days:g} days",
                    money(summary.ceiling_saving, currency),
                    ("What all of them save on their bills and earn from services, at most: every site knows all "
                     "prices, load and sun beforehand.",),
                ),
                Fact(
                    "Services as bid",
                    money(summary.income_as_bid, currency),
                    (f"The offers of all sites would pay {money(offered, currency)}; whole bids lose "
                     f"{money(lost, currency)} of it.{share}",),
                ),
                Fact(
                    "Without the aggregator",
                    money(summary.income_if_alone, currency),
                    ("What services would pay if each site had to keep the market's steps and least bids by itself, "
                     "with the offers it makes here.",),
                ),
            )
        )
    )  # fmt: skip
    if summary.failed:
        words = [f"{name}: {fault}" for name, fault in list(summary.failed.items())[:20]]
        blocks.append(
            Points((f"{len(summary.failed)} sites have no answer and are in no figure.", *words), "warning")
        )
    if summary.unproven:
        verdicts = [f"{name}: {verdict}" for name, verdict in list(summary.unproven.items())[:20]]
        count = len(summary.unproven)
        whole = f"{count} of {summary.sites} sites are not proven within tolerance; figures hold their best found."
        blocks.append(Points((whole, *verdicts), "warning"))
    gap = summary.widest_gap_relative
    blocks.append(
        Text(
            f"From {day(summary.start[:10])}, {summary.steps:,} steps of {summary.step_minutes:g} minutes, "
            f"clock of {summary.zone}. Each site's schedule is its best within {percent(gap, 3)} of its turnover, "
            f"all of them together within {money(summary.gaps_absolute, currency)}; "
            "a bid is no more than the sum of what the sites offer, so no schedule changes.",
            "quiet",
        )
    )
    return blocks


def service_blocks(services: pd.DataFrame, currency: str) -> list[Block]:
    """A bar a product, and the table behind it."""
    if services.empty:
        return [Text("These sites sell no services.")]
    columns = (
        text_column("Service"),
        Column("Offered, kW h"),
        Column("Bid, kW h"),
        Column("Offers would pay"),
        Column("Bids pay"),
        Column("Lost by rounding"),
        Column("Each site alone"),
    )
    money_columns = ["income_as_offered", "income_as_bid", "lost_by_rounding", "income_if_alone"]
    rows = [
        Row(
            (
                row["service"],
                number(row["offered_kw_hours"]),
                number(row["bid_kw_hours"]),
                *(amount(row[column], currency) for column in money_columns),
            )
        )
        for row in services.to_dict("records")
    ]
    sums = (amount(float(services[column].sum()), currency) for column in money_columns)
    rows.append(Row(("Together", "", "", *sums), "total"))
    names = [label(name) for name in services["service"]]
    traces = tuple(
        {"type": "bar", "orientation": "h", "name": name, "y": names, "x": services[column].tolist(),
         "marker": {"color": colour, **pattern}}
        for name, column, colour, pattern in (
            ("Bids pay", "income_as_bid", "@gain", {}),
            ("Lost by rounding", "lost_by_rounding", "@loss", {"pattern": {"shape": "/"}}),
        )
    )  # fmt: skip
    layout = {
        "barmode": "stack",
        "xaxis": {"title": {"text": currency}},
        "yaxis": {"autorange": "reversed", "type": "category"},
    }
    table = TableBlock(f"Services of the fleet, {currency}", columns, tuple(rows))
    words = "What whole bids pay of each product, and what rounding down takes from the sites' offers."
    return [Chart("fleet-services", "Income by product", words, traces, layout, 110 + 34 * len(names), table)]


def site_blocks(sites: pd.DataFrame, currency: str) -> list[Block]:
    """Savings in order, and a row a site."""
    ranked = sites.sort_values("ceiling_saving", ascending=False, kind="stable")
    traces = (
        {
            "type": "bar",
            "name": "Saving",
            "x": list(range(1, len(ranked) + 1)),
            "y": ranked["ceiling_saving"].tolist(),
            "text": [label(name) for name in ranked["site"]],
            "textposition": "none",
            "hovertemplate": f"%{{text}}: %{{y:,.2f}} {currency}<extra></extra>",
            "marker": {"color": "@after"},
        },
    )
    middle = float(ranked["ceiling_saving"].median())
    words = (
        f"Each bar is a site, the best first: from {money(float(ranked['ceiling_saving'].max()), currency)} down to "
        f"{money(float(ranked['ceiling_saving'].min()), currency)}, half of them above {money(middle, currency)}."
    )
    layout = {
        "xaxis": {"title": {"text": "Site, in order of saving"}},
        "yaxis": {"title": {"text": currency}},
    }
    keys = ["bill_before", "ceiling_bill_after", "services_as_bid", "ceiling_saving"]
    heads = (Column(key.replace("_", " ").capitalize()) for key in keys)
    columns = (text_column("Site"), *heads, text_column("Verdict"))
    rows = [
        Row((row["site"], *(amount(row[key], currency) for key in keys), row["verdict"]))
        for row in ranked.to_dict("records")
    ]
    sums = (amount(float(sites[key].sum()), currency) for key in keys)
    rows.append(Row(("Together", *sums, ""), "total"))
    table = TableBlock(f"Every site, {currency}", columns, tuple(rows), folded=True)
    return [Chart("fleet-sites", "Saving of each site", words, traces, layout, 300, table)]
