"""Outages: how long the critical load lasts, when it lasts least, what its motors need, what the reserve costs."""

from __future__ import annotations

import pandas as pd

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
from optimiser.studies.outages import OutageFigures, ReserveCostFigures
from optimiser.words import listed, money, number, percent, quantity, tiny

STUDY, COST = "outages", "reserve_cost"
COLOURS = ("@after", "@before", "@export")


def section(results: Results) -> Section | None:
    """Shares, map and worst moments; None without the study."""
    found = results.summary.study(STUDY, OutageFigures)
    if found is None or f"{STUDY}-starts" not in results.tables:
        return None
    followed = found.followed_hours
    blocks: list[Block] = [
        Text(_answer(found)),
        spans_chart(results),
        hours_chart(results, followed),
        worst(results),
    ]
    blocks += [Heading("Ratings of each phase"), phases(found)]
    reserve = results.summary.study(COST, ReserveCostFigures)
    if reserve is not None:
        blocks += [Heading("What the reserve costs"), *cost(reserve, results.summary.currency)]
    blocks.append(Points(tuple(found.notes), tone="quiet"))
    return Section("outages", "Outages", "When the grid fails", tuple(blocks))


def _answer(found: OutageFigures) -> str:
    name, figures = next(iter(found.cases.items()))
    followed = found.followed_hours
    words = (
        f"An outage of {found.critical_load} was followed for up to {followed} h from each of "
        f"{number(found.starts)} moments: half of them last at least {hours(figures.median_hours, followed)} "
        f"({name}), the worst {hours(figures.least_hours, followed)}."
    )
    ends = [
        f"{label_} ({percent(share, 0)})"
        for label_, share in sorted(found.endings.items(), key=lambda pair: -pair[1])
    ]
    return f"{words} How they end: {listed(ends)}."


def hours(value: float, followed: float) -> str:
    """A length in hours; one that reached the end of what was followed is said to be at least that."""
    return f"at least {followed:g}\u00a0h" if value >= followed - 1e-9 else quantity(value, "h", 1)


def spans_chart(results: Results) -> Chart:
    """Share of the starts that last at least so long, a bar a case; without a reserve too where that is known."""
    frame = results.tables[f"{STUDY}-spans"]
    other = results.tables.get(f"{COST}-spans")
    if other is not None:
        known = set(frame.columns)
        frame = frame.merge(
            other[["at_least_hours", *(c for c in other.columns if c not in known)]], on="at_least_hours"
        )
    names = [str(column) for column in frame.columns if column != "at_least_hours"]
    spans = [f"{value:g} h" for value in frame["at_least_hours"]]
    traces = tuple(
        {
            "type": "bar",
            "name": name,
            "x": spans,
            "y": [100 * float(value) for value in frame[name]],
            "marker": {"color": colour},
            "hovertemplate": f"%{{x}} or longer, {label(name)}: %{{y:.1f}} %<extra></extra>",
        }
        for name, colour in zip(names, COLOURS, strict=False)
    )
    rows = tuple(
        Row((f"{span} or longer", *(percent(float(value)) for value in line)))
        for span, line in zip(spans, frame[names].to_numpy(), strict=True)
    )
    first = frame[names[0]]
    said = ", ".join(f"{span} {percent(float(value), 0)}" for span, value in zip(spans, first, strict=True))
    return Chart(
        key="outages-spans",
        title="Share of outages that last at least so long",
        description=f"{names[0].capitalize()}: {said}.",
        traces=traces,
        layout={
            "barmode": "group",
            "xaxis": {"type": "category"},
            "yaxis": {"title": {"text": "% of starts"}, "range": [0, 105]},
        },
        height_px=300,
        table=TableBlock(
            "Share of outages that last at least so long",
            (text_column("Lasts"), *(Column(name.capitalize()) for name in names)),
            rows,
            folded=True,
        ),
    )


def hours_chart(results: Results, followed: int) -> Chart:
    """Median length by month and hour of the day at which an outage begins."""
    frame = results.tables[f"{STUDY}-hours"]
    grid = frame.pivot_table(index="hour", columns="month", values="median_hours")
    least = frame.sort_values("median_hours", kind="stable").iloc[0]
    trace = {
        "type": "heatmap",
        "x": [str(month) for month in grid.columns],
        "y": [int(hour) for hour in grid.index],
        "z": [
            [None if pd.isna(value) else round(float(value), 3) for value in line] for line in grid.to_numpy()
        ],
        "zmin": 0,
        "zmax": float(max(1.0, grid.max().max())),
        "colorscale": "Cividis",
        "colorbar": {"title": {"text": "h"}},
        "hovertemplate": "%{x}, from %{y}:00: %{z:.1f} h<extra></extra>",
    }
    rows = tuple(
        Row((f"{int(hour):02d}:00", *("" if pd.isna(value) else number(float(value), 1) for value in line)))
        for hour, line in zip(grid.index, grid.to_numpy(), strict=True)
    )
    return Chart(
        key="outages-hours",
        title="How long half of the outages last at least, by month and hour at which they begin",
        description=(
            f"Darker is shorter. Shortest in {least['month']} from {int(least['hour']):02d}:00, "
            f"{hours(float(least['median_hours']), followed)}."
        ),
        traces=(trace,),
        layout={
            "xaxis": {"type": "category"},
            "yaxis": {"title": {"text": "Begins at hour"}, "dtick": 3},
        },
        height_px=380,
        table=TableBlock(
            "Median length by hour and month, h",
            (text_column("Begins at"), *(Column(str(month)) for month in grid.columns)),
            rows,
            folded=True,
        ),
    )


def worst(results: Results) -> TableBlock:
    """The shortest ride of each of the worst days."""
    frame = results.tables[f"{STUDY}-worst"]
    rows = tuple(
        Row(
            (
                str(row["starts_local"])[:16].replace("T", " "),
                number(float(row["hours"]), 2),
                number(float(row["stored_kwh"]), 2),
                number(float(row["critical_kw"]), 2),
                str(row["ends_by"]),
            )
        )
        for row in frame.to_dict("records")
    )
    columns = (
        text_column("Begins"),
        Column("Lasts, h"),
        Column("Stored, kWh"),
        Column("Critical load then, kW"),
        text_column("Ends by"),
    )
    return TableBlock("Worst moments: the shortest of each day, worst days first", columns, rows, folded=True)


def phases(found: OutageFigures) -> TableBlock:
    """Running load and starting surge against the inverters of each phase."""
    rows = tuple(
        Row(
            (
                row.phase,
                number(row.mean_kw, 2),
                number(row.most_kw, 2),
                number(row.rating_kw, 2),
                percent(row.share_within_rating),
                number(row.surge_kw, 2),
                number(row.surge_rating_kw, 2),
                percent(row.share_surge_carried),
            )
        )
        for row in found.phases
    )
    columns = (
        text_column("Phase"),
        *map(
            Column,
            (
                "Mean load, kW",
                "Highest load, kW",
                "Continuous rating, kW",
                "Steps within it",
                "Starting surge, kW",
                "Rating for a moment, kW",
                "Steps in which surge is carried",
            ),
        ),
    )
    return TableBlock("Critical load against the inverters", columns, rows)


def cost(found: ReserveCostFigures, currency: str) -> list[Block]:
    """The saving with the reserve and without it."""
    pairs = [
        ("Saving with the reserve", money(found.saving_with, currency)),
        ("Saving without it", money(found.saving_without, currency)),
        ("What it costs over the days of the run", money(found.cost, currency)),
        ("Known within", f"{currency}\u00a0{tiny(found.known_within)}"),
        ("Energy kept on average", quantity(found.mean_reserve_kwh, "kWh")),
    ]
    if found.scaled_to_year:
        pairs.insert(3, ("Scaled to a year; other seasons differ", money(found.cost_per_year, currency)))
    return [
        Text(
            "The same days were scheduled again without any reserve, with the same foresight. What that would earn "
            "more is what the reserve costs; it stands on no bill."
        ),
        NamedValues(tuple(pairs)),
    ]
