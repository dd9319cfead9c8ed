"""Where the energy came from and where it went."""

from __future__ import annotations

import math
from typing import Any

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
from optimiser.report.dispatch import paid_schedule
from optimiser.report.results import Results
from optimiser.words import listed, number, quantity


def section(results: Results) -> Section:
    """The balance as a table and a chart, other totals, and what each store did."""
    blocks: list[Block] = []
    sides = balance_sides(results)
    if any(sides.values()):
        blocks += [balance_table(sides), *balance_warning(sides), balance_chart(sides)]
    totals = results.summary.energy_kwh
    if totals:
        rows = tuple(Row((words(name), number(value))) for name, value in totals.items() if abs(value) >= 0.5)
        blocks.append(
            TableBlock("Energy totals over the days of the run", (text_column("Energy"), Column("kWh")), rows)
        )
    if results.summary.storage:
        blocks.append(storage_table(results))
    if not blocks:
        blocks.append(Text("No energy totals were given."))
    elif results.forecast_driven:
        blocks.insert(0, Text(f"Of {paid_schedule(results)}.", tone="quiet"))
    return Section("energy", "Energy", "Where the energy went", tuple(blocks))


def words(name: str) -> str:
    """A machine name as a label: underscores become spaces, the first letter is raised."""
    text = name.removesuffix("_kwh").replace("_", " ")
    return text[:1].upper() + text[1:]


def balance_sides(results: Results) -> dict[str, list[tuple[str, float]]]:
    """What came in and what went out, by the side's name."""
    balance = results.summary.balance
    return {
        side: [(words(name), energy) for name, energy in entries.items()]
        for side, entries in (("in", balance.into), ("out", balance.out))
    }


def total(side: list[tuple[str, float]]) -> float:
    """Sum of a side."""
    return math.fsum(value for _, value in side)


def balance_table(sides: dict[str, list[tuple[str, float]]]) -> TableBlock:
    """Both sides under their headings, each with its sum."""
    rows: list[Row] = []
    for side, heading in (("in", "In"), ("out", "Out")):
        entries = sides.get(side, [])
        whole = total(entries)
        rows.append(Row((heading,), "group"))
        rows += [Row((name, number(value), share(value, whole))) for name, value in entries]
        rows.append(Row((f"Sum {heading.lower()}", number(whole), ""), "total"))
    columns = (text_column("Energy"), Column("kWh"), Column("Share"))
    return TableBlock("Energy balance over the days of the run", columns, tuple(rows))


def share(value: float, whole: float) -> str:
    """A part of a whole in per cent; nothing of nothing has no share."""
    return f"{number(100 * value / whole, 1)}\u00a0%" if whole else ""


def balance_warning(sides: dict[str, list[tuple[str, float]]]) -> list[Text]:
    """A warning where both sides differ by more than a millionth."""
    came, went = total(sides.get("in", [])), total(sides.get("out", []))
    if abs(came - went) <= 1e-6 * max(abs(came), abs(went), 1.0):
        return []
    return [Text(f"The two sides differ by {quantity(came - went, 'kWh', 4)}.", tone="warning")]


def balance_chart(sides: dict[str, list[tuple[str, float]]]) -> Chart:
    """A bar for every entry, those coming in above those going out."""
    traces: list[dict[str, Any]] = []
    said: list[str] = []
    for side, heading, colour, pattern in (("in", "In", "@charge", ""), ("out", "Out", "@solar", "/")):
        entries = sides.get(side, [])
        if not entries:
            continue
        said.append(f"{heading}: {listed([f'{name.lower()} {number(kwh)} kWh' for name, kwh in entries])}.")
        traces.append(
            {
                "type": "bar",
                "orientation": "h",
                "name": heading,
                "y": [label(f"{heading}: {name.lower()}") for name, _ in entries],
                "x": [kwh for _, kwh in entries],
                "text": [number(kwh) for _, kwh in entries],
                "textposition": "outside",
                "cliponaxis": False,
                "marker": {
                    "color": colour,
                    "pattern": {"shape": pattern, "fgcolor": "@paper", "size": 6, "fillmode": "overlay"},
                },
                "hovertemplate": "%{y} %{text} kWh<extra></extra>",
            }
        )
    values = [kwh for entries in sides.values() for _, kwh in entries]
    return Chart(
        key="energy-balance",
        title="In and out",
        description=" ".join(said),
        traces=tuple(traces),
        layout={
            "barmode": "relative",
            "showlegend": False,
            "xaxis": {"title": {"text": "kWh"}, "zeroline": True, "range": room_for_labels(values)},
            "yaxis": {"autorange": "reversed", "type": "category"},
        },
        height_px=90 + 30 * len(values),
    )


def storage_table(results: Results) -> TableBlock:
    """What each store is, how hard it worked and what it lost; one column a store, to stay narrow on a phone."""
    stores = results.summary.storage
    lines: tuple[tuple[str, list[str]], ...] = (
        ("Technology", [store.technology for store in stores]),
        ("Capacity, kWh", [number(store.capacity_kwh, 1) for store in stores]),
        ("Cycles", [number(store.cycles, 1) for store in stores]),
        ("Discharged, kWh", [number(store.discharged_kwh) for store in stores]),
        ("Losses, kWh", [number(store.losses_kwh) for store in stores]),
    )
    for_calls = [store.discharged_for_calls_kwh for store in stores]
    if any(for_calls):
        lines = (*lines[:4], ("of which for calls, kWh", [number(kwh) for kwh in for_calls]), lines[4])
    columns = (text_column("Store"), *(Column(store.name) for store in stores))
    rows = tuple(Row((name, *values)) for name, values in lines)
    return TableBlock("Storage over the days of the run", columns, rows)
