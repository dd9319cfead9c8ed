"""What one more unit of each limit would be worth."""

from __future__ import annotations

from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Points,
    Row,
    Section,
    Table,
    Text,
    bars,
    text_column,
)
from optimiser.report.formats import listed, number, percent
from optimiser.report.results import Results

MOST_BARS, MOST_SENTENCES = 12, 6


def section(results: Results) -> Section | None:
    """Sentences, bars and a table; None for a run without the study."""
    study, table = (
        results.summary.get("studies", {}).get("what_binds"),
        results.tables.get("what_binds-limits"),
    )
    if study is None or table is None:
        return None
    blocks: list[Block] = [
        Text(
            "The worth of one more unit of each limit in a year, at the margin: the first kW brings it, further ones "
            "bring less. Where another limit is met at the same time, one more may bring less than this and one less "
            "cost more. It is a figure of the ceiling; real operation earns less."
        )
    ]
    if study["decisions_held"]:
        blocks.append(
            Text(
                f"Import or export, charge or discharge was decided by whole numbers in {study['decisions_held']:,} "
                "steps; those decisions are held as they are.",
                tone="quiet",
            )
        )
    if study["scaled_to_year"]:
        words = "The run is not a whole year: figures are scaled by its hours, demand by its billing periods."
        blocks.append(Text(words, tone="warning"))
    if study["words"]:
        blocks += [Points(tuple(study["words"][:MOST_SENTENCES])), _chart(results)]
    if study["no_limit"]:
        blocks.append(Text(f"More of these would bring nothing: {listed(study['no_limit'])}.", tone="quiet"))
    return Section("what-binds", "Limits", "What binds", tuple(blocks))


def _chart(results: Results) -> Chart:
    """Bars of what one more unit brings, the largest first."""
    currency, frame = results.summary["currency"], results.tables["what_binds-limits"]
    shown = frame[frame["worth_of_one_more_a_year"] != 0].head(MOST_BARS)
    worth = [float(value) for value in shown["worth_of_one_more_a_year"]]
    names = [f"{limit}, per {unit}" for limit, unit in zip(shown["limit"], shown["unit"], strict=True)]
    drawn = bars(
        names,
        worth,
        [number(value, 2) for value in worth],
        f"A year and unit, {currency}",
        ["@gain" if value >= 0 else "@loss" for value in worth],
    )
    table = Table(
        f"Worth of one more unit, {currency} a year",
        (
            text_column("Limit"),
            Column("Size now"),
            text_column("Unit"),
            Column("Worth of one more"),
            Column("Steps in which it counted"),
        ),
        tuple(
            Row(
                (
                    str(row.limit),
                    number(float(row.size), 2),  # type: ignore[arg-type]
                    str(row.unit),
                    number(float(row.worth_of_one_more_a_year), 2),  # type: ignore[arg-type]
                    f"{row.steps_at_limit:,} ({percent(float(row.share_of_steps))})",  # type: ignore[arg-type]
                )
            )
            for row in frame.itertuples()
        ),
        folded=True,
    )
    return Chart(
        key="what-binds",
        title="Worth of one more unit of each limit",
        description=f"The largest is {names[0]}: {number(worth[0], 2)} {currency} a year.",
        **drawn,
        height_px=120 + 34 * len(names),
        table=table,
    )
