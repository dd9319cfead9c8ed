"""Where the money comes from: the way from the bill before to the bill after."""

from __future__ import annotations

import itertools
import math

from optimiser.report import without_foresight
from optimiser.report.bill import cash_lines, groups, sentence_case, to_pay
from optimiser.report.blocks import (
    Chart,
    Column,
    Row,
    Section,
    TableBlock,
    label,
    room_for_labels,
    text_column,
)
from optimiser.report.results import Results
from optimiser.words import amount, listed, money


def section(results: Results) -> Section:
    """A chart of steps down from the bill before, one for each group."""
    return Section("earnings", "Earnings", "Where the money comes from", (steps_chart(results),))


def savings(results: Results) -> list[tuple[str, float]]:
    """What each group saves or earns, in the order of the bill."""
    lines = cash_lines(results)
    found = []
    for group in groups(lines):
        members = [line for line in lines if line.group == group]
        found.append((sentence_case(group), to_pay(members, "before") - to_pay(members, "after")))
    return found


def steps_chart(results: Results) -> Chart:
    """Bill before, the change in each group, bill after less income from services: as the payback has it, without
    foresight where that was worked out, else at the ceiling."""
    without = without_foresight.by_group(results)
    title = "From the bill before to the bill after" + (
        ", without foresight" if without else ", at the ceiling"
    )
    saved = without or savings(results)
    return steps(to_pay(cash_lines(results), "before"), saved, results.summary.currency, title)


def steps(before: float, saved: list[tuple[str, float]], currency: str, title: str) -> Chart:
    """From what is paid before to what is paid after, a step for each part that is saved or earned."""
    after = before - math.fsum(value for _, value in saved)
    names = ["Before", *(name for name, _ in saved), "After"]
    changes = [before, *(-value for _, value in saved), 0.0]
    heights = list(itertools.accumulate([before, *(-value for _, value in saved)]))
    shown = [before, *(-value for _, value in saved), after]
    helpful = sorted((pair for pair in saved if pair[1] > 0), key=lambda pair: -pair[1])
    most = listed([f"{name.lower()} ({money(value, currency)})" for name, value in helpful[:3]])
    table = TableBlock(
        f"Saved or earned by source over the days of the run, {currency}",
        (text_column("Source"), Column("Saved or earned")),
        (
            *(Row((name, amount(value, currency))) for name, value in saved),
            Row(("Together", amount(math.fsum(value for _, value in saved), currency)), "total"),
        ),
        folded=True,
    )
    return Chart(
        key="earnings",
        title=title,
        description=(
            f"Steps from {money(before, currency)} to {money(after, currency)}. "
            + (f"Most comes from {most}. " if helpful else "No source saves anything. ")
            + "A step with a minus lowers what is to pay; one without raises it."
        ),
        traces=(
            {
                "type": "waterfall",
                "orientation": "h",
                "y": [label(name) for name in names],
                "x": changes,
                "measure": ["absolute", *("relative" for _ in saved), "total"],
                "text": [amount(value, currency) for value in shown],
                "textposition": "outside",
                "cliponaxis": False,
                "decreasing": {"marker": {"color": "@gain"}},
                "increasing": {"marker": {"color": "@loss"}},
                "totals": {"marker": {"color": "@before"}},
                "connector": {"line": {"color": "@rule", "width": 1}},
                "hovertemplate": f"%{{y}}: %{{text}} {currency}<extra></extra>",
            },
        ),
        layout={
            "showlegend": False,
            "xaxis": {
                "title": {"text": f"To pay, {currency}"},
                "zeroline": True,
                "range": room_for_steps(heights),
            },
            "yaxis": {"automargin": True, "autorange": "reversed", "type": "category"},
        },
        height_px=100 + 38 * len(names),
        table=table,
    )


def room_for_steps(heights: list[float]) -> list[float]:
    """Ends of the axis with room for the figures, which stand to the left of a step that goes down."""
    lowest, highest = room_for_labels(heights)
    nearly_down = min(heights) < 0.25 * max(heights)
    return [min(lowest, -0.2 * max(heights)) if nearly_down else lowest, highest]
