"""Grid services: what was offered, what it paid, and how few steps paid most of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from optimiser.guide import see
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Row,
    Section,
    TableBlock,
    Text,
    bars,
    label,
    text_column,
)
from optimiser.report.results import Results
from optimiser.services.product import ProductRule
from optimiser.studies.concentration import ConcentrationFigures
from optimiser.summary.run import SoldService
from optimiser.words import amount, is_missing, money, month, number, percent


def section(results: Results) -> Section:
    """A table of services and a sentence about each one's best steps."""
    services = results.summary.services
    if not services:
        return Section("services", "Services", "Grid services", (Text("This site offers no grid services."),))
    blocks: list[Block] = [services_table(results), pay_chart(results)]
    if "concentration-services" in results.tables:
        blocks += [curve_chart(results), delivered_table(results), months_table(results)]
    else:
        blocks += [Text(best_steps(results, service)) for service in services if service.paid]
    blocks += crossing_words(results)
    blocks += rules_blocks(services)
    blocks.append(
        Text(
            "Income that rests on a few steps is the least certain kind: a real controller has to be ready "
            f"in exactly those steps, and prices of services can fall sharply. {see('services')}",
            tone="quiet",
        )
    )
    return Section("services", "Services", "Grid services", tuple(blocks))


def services_table(results: Results) -> TableBlock:
    """Offered, paid, and the share of the best one per cent, with the sum of what is paid."""
    currency, services = results.summary.currency, results.summary.services
    rows = [
        Row(
            (
                service.name,
                service.direction,
                number(service.offered_kw_hours),
                amount(service.paid, currency),
                percent(service.best_one_percent_share, 0),
            )
        )
        for service in services
    ]
    paid = math.fsum(service.paid for service in services)
    rows.append(Row(("Together", "", "", amount(paid, currency), ""), "total"))
    columns = (
        text_column("Service"),
        text_column("Direction"),
        Column("Offered, kW × hours"),
        Column(f"Paid, {currency}"),
        Column("From the best 1 % of steps"),
    )
    return TableBlock("Services offered over the days of the run", columns, tuple(rows))


FROM_MEMORY = "†"


def crossing_words(results: Results) -> list[Block]:
    """What expected calls run through both registers, and what that changes on the bill."""
    crossing, currency = results.summary.crossing, results.summary.currency
    if not crossing:
        return []
    cost = crossing.amount <= 0
    words = (
        f"Expected calls run {number(crossing.kwh)} kWh through each of the meter's registers that do not net with "
        f"the rest of their step (crossing_share): this {'costs' if cost else 'brings'} "
        f"{money(abs(crossing.amount), currency)} on the bill. With crossing_share = 0 the same schedule would not "
        f"have that {'cost' if cost else 'income'}."
    )
    return [Text(words)]


def _thin(place: int) -> dict[str, Any]:
    """A line of its own colour and dashes among many."""
    return {
        "width": 1.5,
        "color": f"@series{place % 7 + 1}",
        "dash": ("solid", "dash", "dot")[place // 7 % 3],
    }


def rules_blocks(services: Sequence[SoldService]) -> list[Block]:
    """The rules that each service was held to, and where they are from."""
    headings = list(dict.fromkeys(rule.heading for service in services for rule in service.rules))
    if not headings:
        return []
    rows = []
    for service in services:
        said = {rule.heading: rule for rule in service.rules}
        rows += [
            Row((service.name if first else "", heading, _marked(said[heading])))
            for first, heading in _first_of([heading for heading in headings if heading in said])
        ]
    columns = (text_column("Service"), text_column("Rule"), text_column("As scheduled"))
    blocks: list[Block] = [TableBlock("Rules of the services", columns, tuple(rows), folded=True)]
    if any(rule.from_memory for service in services for rule in service.rules):
        words = f"{FROM_MEMORY} holds a figure from memory that was not checked against the market's rules: check it."
        blocks.append(Text(words))
    sources: dict[str, list[str]] = {}
    for service in services:
        if service.source:
            dated = f" Rules as of {service.rules_as_of}." if service.rules_as_of else ""
            sources.setdefault(service.source + dated, []).append(service.name)
    blocks += [
        Text(f"Rules of {', '.join(names)}: {source}", tone="quiet") for source, names in sources.items()
    ]
    return blocks


def _marked(rule: ProductRule) -> str:
    return f"{rule.words} {FROM_MEMORY}" if rule.from_memory else rule.words


def _first_of(headings: list[str]) -> list[tuple[bool, str]]:
    return [(place == 0, heading) for place, heading in enumerate(headings)]


def pay_chart(results: Results) -> Chart:
    """What each service was paid."""
    currency, services = results.summary.currency, results.summary.services
    best = max(services, key=lambda service: service.paid)
    return Chart(
        key="services-paid",
        title="Paid by service",
        description=f"Most is paid for {best.name}, {money(best.paid, currency)}.",
        **bars(
            [service.name for service in services],
            [service.paid for service in services],
            [amount(service.paid, currency) for service in services],
            f"Paid, {currency}",
            "@gain",
        ),
        height_px=110 + 40 * len(services),
    )


def best_steps(results: Results, service: SoldService) -> str:
    """In words, how much of the income came from how few steps."""
    share = service.best_one_percent_share
    if is_missing(share):
        return f"{service.name}: the share of its best steps is {percent(None)}."
    steps = results.summary.steps
    few = max(1, round(steps / 100))
    return (
        f"{service.name}: {percent(share, 0)} of its pay came from the best 1 % of steps "
        f"({few:,} of {steps:,})."
    )


def curve_chart(results: Results) -> Chart:
    """How much of the income the best steps bring: the further above the straight line, the fewer "
    "steps count."""
    found = results.summary.study("concentration", ConcentrationFigures)
    assert found is not None  # its tables are there
    curve = results.tables["concentration-curve"]
    names = list(dict.fromkeys(curve["service"]))
    traces = [
        {
            "type": "scatter",
            "mode": "lines",
            "name": label(name),
            "x": [0.0, *(100 * own["best_share_of_steps"])],
            "y": [0.0, *(100 * own["share_of_income"])],
            "line": {"width": 3, "color": "@gain"} if name == "together" else _thin(place),
            "hovertemplate": "best %{x:.3g} % of steps: %{y:.0f} %<extra></extra>",
        }
        for place, (name, own) in enumerate((name, curve[curve["service"] == name]) for name in names)
    ]
    even = {
        "type": "scatter",
        "mode": "lines",
        "name": "if every step paid the same",
        "x": [0, 100],
        "y": [0, 100],
    }
    shares = sorted(set(curve["best_share_of_steps"]))
    rows = tuple(
        Row(
            (
                name,
                *(percent(float(value), 0) for value in curve[curve["service"] == name]["share_of_income"]),
            )
        )
        for name in names
    )
    columns = (text_column("Service"), *(Column(f"Best {100 * share:g} %") for share in shares))
    half = found.steps_for_half
    return Chart(
        key="services-curve",
        title="Income from the best steps",
        description=(
            f"Half of what services pay comes from {half:,} of {found.steps:,} steps; the best 1 "
            "% bring "
            f"{percent(found.best_one_percent_share, 0)}. Gini coefficient "
            f"{number(found.gini, 2)}: 0 if every "
            "step paid the same, 1 if one paid all."
        ),
        traces=(*traces, {**even, "line": {"color": "@quiet", "dash": "dot"}, "hoverinfo": "skip"}),
        layout={
            "xaxis": {"title": {"text": "Best steps, % of all"}, "range": [0, 100]},
            "yaxis": {"title": {"text": "Share of income, %"}, "range": [0, 101]},
        },
        table=TableBlock("Share of income from the best steps", columns, rows, folded=True),
    )


def delivered_table(results: Results) -> TableBlock:
    """Being available, and the energy that services are expected to move, apart from each other."""
    currency = results.summary.currency
    rows = tuple(
        Row(
            (
                str(row["service"]),
                number(row["offered_kw_hours"]),
                amount(row["paid"], currency),
                number(1000 * row["paid_per_kw_hour"], 2),
                number(row["delivered_kwh"], 1),
                amount(row["delivered_amount"], currency),
                amount(row["stored_amount"], currency),
                number(row["gini"], 2),
            ),
            "total" if row["service"] == "together" else "plain",
        )
        for row in results.tables["concentration-services"].to_dict("records")
    )
    columns = (
        text_column("Service"),
        Column("Offered, kW × hours"),
        Column(f"Paid, {currency}"),
        Column(f"Paid per MW and hour, {currency}"),
        Column("Expected to be delivered, kWh"),
        Column(f"Settled for it, {currency}"),
        Column(f"Stored energy for it, {currency}"),
        Column("Gini"),
    )
    return TableBlock(
        "Being available and being called: what is settled for delivered energy is on the bill where "
        "the meter sees it",
        columns,
        rows,
        folded=True,
    )


def months_table(results: Results) -> TableBlock:
    """What was paid by month and service."""
    currency, months = results.summary.currency, results.tables["concentration-months"]
    wide = months.pivot_table(index="month", columns="service", values="paid", aggfunc="sum", sort=False)
    rows = tuple(
        Row(
            (
                month(str(name)),
                *(amount(float(value), currency) for value in row),
                amount(float(row.sum()), currency),
            )
        )
        for name, row in wide.iterrows()
    )
    columns = (text_column("Month"), *(Column(str(name)) for name in wide.columns), Column("Together"))
    return TableBlock(f"Paid by month, {currency}", columns, rows, folded=True)
