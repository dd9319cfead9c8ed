"""What depends on what: the site solved again without each stream of services."""

from __future__ import annotations

from optimiser.report.blocks import Block, Chart, Column, Row, Section, TableBlock, Text, label, text_column
from optimiser.report.results import Results
from optimiser.studies.stack import StackFigures
from optimiser.words import amount, money


def section(results: Results) -> Section | None:
    """The streams and what each is worth to the others, or None where the study was not asked for."""
    summary = results.summary.study("stack", StackFigures)
    streams, cases = results.tables.get("stack-streams"), results.tables.get("stack-cases")
    if summary is None or streams is None or cases is None:
        return None
    currency = results.summary.currency
    text = Text(
        "Without any service the site would save "
        f"{money(summary.saving_without_services, currency)}; services add "
        f"{money(summary.services_add, currency)}. They pay "
        f"{money(summary.services_paid, currency)}, and the plan "
        f"gives up {money(summary.energy_given_up, currency)} on the bill to be ready for them. "
        "Everything together "
        f"saves {money(summary.ceiling_saving, currency)}; it cannot pass "
        f"{money(summary.sum_of_parts, currency)}, the bill "
        "alone and the services alone each at their best."
    )
    quiet = Text(
        "Each line is the site solved again: leaving a stream out loses less than it is paid where "
        "another takes its "
        "place, and bringing it in alone gains more where streams want the same kW. Streams are "
        "response groups; the "
        "bill is paid in every case.",
        tone="quiet",
    )
    blocks: tuple[Block, ...] = (text, _chart(currency, results), *_services(currency, results), quiet)
    return Section("stack", "Dependence", "What depends on what", blocks)


def _services(currency: str, results: Results) -> list[TableBlock]:
    """Each service left out by itself."""
    services = results.tables.get("stack-services")
    if services is None:
        return []
    rows = tuple(
        Row(
            (
                str(row["service"]),
                str(row["stream"]),
                amount(row["paid_in_plan"], currency),
                amount(row["lost_if_left_out"], currency),
            )
        )
        for row in services.to_dict("records")
    )
    columns = (
        text_column("Service"),
        text_column("Shares the power of"),
        Column("Paid in the plan"),
        Column("Lost without it"),
    )
    return [TableBlock(f"Each service left out by itself, {currency}", columns, rows, folded=True)]


def _chart(currency: str, results: Results) -> Chart:
    streams = results.tables["stack-streams"].to_dict("records")
    parts = (
        ("Leaving it out loses", "lost_if_left_out", "@loss"),
        ("Alone beside the bill it brings", "gained_if_alone", "@gain"),
        ("It is paid in the plan", "paid_in_plan", "@before"),
    )
    rows = tuple(
        Row((str(row["stream"]), str(row["services"]), *(amount(row[key], currency) for _, key, _ in parts)))
        for row in streams
    )
    columns = (
        text_column("Stream"),
        text_column("Services"),
        *(Column(f"{words}, {currency}") for words, _, _ in parts),
    )
    dearest = max(streams, key=lambda row: row["lost_if_left_out"])
    return Chart(
        key="stack-streams",
        title="What each stream of services is worth",
        description=(
            f"Most is lost without {dearest['stream']}, "
            f"{money(dearest['lost_if_left_out'], currency)}; alone beside the "
            f"bill it brings {money(dearest['gained_if_alone'], currency)}."
        ),
        traces=tuple(
            {
                "type": "bar",
                "orientation": "h",
                "name": words,
                "y": [label(str(row["stream"])) for row in streams],
                "x": [row[key] for row in streams],
                "marker": {"color": color},
                "hovertemplate": f"%{{y}}: %{{x:,.2f}} {currency}<extra>{words}</extra>",
            }
            for words, key, color in parts
        ),
        layout={
            "barmode": "group",
            "xaxis": {"title": {"text": f"Over the days of the run, {currency}"}, "zeroline": True},
            "yaxis": {"automargin": True, "autorange": "reversed", "type": "category"},
        },
        height_px=150 + 70 * len(streams),
        table=TableBlock("Streams over the days of the run", columns, rows, folded=True),
    )
