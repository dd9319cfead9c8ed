"""The schedule itself: a day at a time at full resolution, and the whole run as maps of day by hour."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from optimiser.columns import (
    CEILING_STORED,
    CHARGE,
    DISCHARGE,
    EXPORT,
    EXPORT_PRICE,
    FLEXIBLE,
    IMPORT,
    IMPORT_PRICE,
    LOAD,
    MODE,
    RAN,
    REASON,
    SOLAR,
    SOLAR_AVAILABLE,
    STORED,
    STORED_WORTH,
    members,
    of_bank,
    of_controller,
    of_flexible,
    of_inverter,
    of_phase,
    of_service,
)
from optimiser.control.modes import WORDS
from optimiser.control.reasons import REASONS
from optimiser.report import without_foresight
from optimiser.report.blocks import (
    Block,
    Column,
    Explorer,
    HeatMap,
    Panel,
    Row,
    Section,
    TableBlock,
    Text,
    text_column,
)
from optimiser.report.embed import local_clock
from optimiser.report.results import Results
from optimiser.studies.patterns import PatternFigures
from optimiser.words import day, number

SERIES_COLOURS = tuple(f"@series{place}" for place in range(1, 8))
DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
FEWEST_DAYS_FOR_MAPS = 3


def section(results: Results) -> Section:
    """The day explorer, notable days, and the maps."""
    clock = local_clock(results.dispatch)
    blocks: list[Block] = [
        *paid_words(results),
        Text(
            "Pick a day. Above zero is where power comes from, below it is where power goes; the height of "
            "both is the same but for standby and conversion losses."
        ),
        explorer(results),
    ]
    if len(clock.days) >= FEWEST_DAYS_FOR_MAPS:
        blocks.append(
            Text(
                "Maps of the whole run: one column a day, midnight at the bottom, local clock. When clocks "
                "go forward the missing hour is blank; when they go back the repeated hour is averaged.",
                tone="quiet",
            )
        )
        blocks += heat_maps(results)
    return Section("dispatch", "Day by day", "What it does, day by day", tuple(blocks))


def paid_schedule(results: Results) -> str:
    """The schedule that is shown, where it is not the ceiling's: who ran it, and the file that holds its steps."""
    name = without_foresight.made(results).headlined.name
    table = f"without_foresight-schedule-{name.replace(' ', '-')}.parquet"
    return f"the schedule that the payback rests on, run under {name} without knowing the year ({table})"


def paid_words(results: Results) -> list[Block]:
    """Which schedule is shown, where it is not the ceiling's."""
    if not results.forecast_driven:
        return []
    words = f"Shown is {paid_schedule(results)}. The dotted line is what the ceiling holds in store (dispatch.csv)."
    why = " Which mode ran when, and why, stands under the day's pictures; of all days in without_foresight-modes.csv."
    return [Text(words + (why if REASON in results.dispatch.columns else ""), tone="quiet")]


def trace(column: str, name: str, colour: str, style: str, sign: int = 1) -> dict[str, Any]:
    """One line, bar or area of a panel; sign turns a power that goes out downwards."""
    return {"column": column, "name": name, "colour": colour, "style": style, "sign": sign}


def panels(dispatch: pd.DataFrame) -> list[Panel]:
    """Every panel for which the run has columns; the most telling first."""
    flexible = flexible_panels(dispatch)
    wanted = [flow_panel(), stored_panel(dispatch), *flexible, price_panel(), *group_panels(dispatch)]
    kept = []
    for panel in wanted:
        traces = tuple(entry for entry in panel.traces if entry["column"] in dispatch.columns)
        if traces:
            kept.append(replace(panel, traces=traces))
    return kept


def flow_panel() -> Panel:
    """Sources up, uses down, and the sun that was there to be used."""
    return Panel(
        "flows",
        "Power",
        "kW",
        "Stacked bars: solar, discharge and import above zero; load, flexible loads, charge and export below. The "
        "dotted line is the solar power available, used or not.",
        (
            trace(SOLAR, "Solar", "@solar", "bar"),
            trace(DISCHARGE, "Discharge", "@discharge", "bar"),
            trace(IMPORT, "Import", "@import", "bar"),
            trace(LOAD, "Load", "@load", "bar", -1),
            trace(FLEXIBLE, "Flexible loads", SERIES_COLOURS[4], "bar", -1),
            trace(CHARGE, "Charge", "@charge", "bar", -1),
            trace(EXPORT, "Export", "@export", "bar", -1),
            trace(SOLAR_AVAILABLE, "Solar available", "@ink", "dot"),
        ),
        height_px=340,
    )


def stored_panel(dispatch: pd.DataFrame) -> Panel:
    """Energy held, for the site and for each bank where there are several."""
    banks = members(dispatch.columns, of_bank, "stored_kwh")
    lines = [
        trace(STORED, "Stored", "@charge", "area"),
        trace(CEILING_STORED, "Stored at the ceiling", "@ink", "dot"),
    ]
    if len(banks) > 1:
        lines += [
            trace(of_bank(bank, "stored_kwh"), bank, SERIES_COLOURS[place % 7], f"{DASHES[place % 5]} level")
            for place, bank in enumerate(banks, start=1)
        ]
    return Panel(
        "stored", "Stored energy", "kWh", "Energy held at the end of each step.", tuple(lines), height_px=220
    )


def flexible_panels(dispatch: pd.DataFrame) -> list[Panel]:
    """Each load that can wait: its power now and before, and what is stored behind it."""
    return [
        Panel(
            f"flexible-{place}",
            f"Flexible load: {name}",
            "kW, kWh",
            f"Power of {name} and, dotted, as it ran before; the area is the energy stored behind it, in kWh.",
            (
                trace(of_flexible(name, "stored_kwh"), "Stored behind it, kWh", "@charge", "area"),
                trace(of_flexible(name, "power_kw"), "Power", SERIES_COLOURS[4], "line"),
                trace(of_flexible(name, "before_kw"), "Before", "@ink", "dot"),
            ),
            height_px=200,
        )
        for place, name in enumerate(members(dispatch.columns, of_flexible, "power_kw"), start=1)
    ]


def price_panel() -> Panel:
    """What a kWh costs, fetches, and is worth in store."""
    return Panel(
        "prices",
        "Price of a kWh",
        "per kWh",
        "Price of import, price of export, and what one more stored kWh would be worth to the plan.",
        (
            trace(IMPORT_PRICE, "Import", "@import", "line"),
            trace(EXPORT_PRICE, "Export", "@export", "dash"),
            trace(STORED_WORTH, "Worth of stored energy", "@charge", "dot"),
        ),
    )


def group_panels(dispatch: pd.DataFrame) -> list[Panel]:
    """Panels with one line for each service, phase, inverter, controller or bank."""
    services = members(dispatch.columns, of_service, "offer_kw")
    phases = members(dispatch.columns, of_phase, "net_import_kw")
    inverters = members(dispatch.columns, of_inverter, "output_kw")
    controllers = members(dispatch.columns, of_controller, "solar_kw")
    voltages = members(dispatch.columns, of_bank, "bus_voltage_v")
    found = [
        family("offers", "Offered to services", "kW", "Power offered to each service.",
               of_service, "offer_kw", services, "bar" if len(services) <= len(SERIES_COLOURS) else "line"),
        family("phases", "Net import of each phase", "kW", "Import less export on each phase.",
               of_phase, "net_import_kw", phases, "line"),
        family("inverters", "Inverters", "kW", "Output to the AC side of each inverter.",
               of_inverter, "output_kw", inverters, "line"),
        family("controllers", "Solar controllers", "kW", "Solar power through each controller.",
               of_controller, "solar_kw", controllers, "line"),
        family("voltages", "Bus voltage", "V", "Voltage of the bus of each bank.",
               of_bank, "bus_voltage_v", voltages, "line"),
    ]  # fmt: skip
    one_says_nothing_new = {"phases", "inverters", "controllers"}
    return [panel for panel in found if len(panel.traces) > (panel.key in one_says_nothing_new)]


def family(
    key: str,
    title: str,
    unit: str,
    description: str,
    like: Callable[[str, str], str],
    quantity: str,
    names: list[str],
    style: str,
) -> Panel:
    """A panel of all members: bars stacked by colour, lines in a strip each, as equals would hide each other."""
    apart = style == "line"
    traces = tuple(
        trace(like(name, quantity), name, "@charge" if apart else SERIES_COLOURS[place % 7], style)
        for place, name in enumerate(names)
    )
    height = 60 + (100 if len(names) <= 4 else 70) * len(names) if apart else 220
    return Panel(key, title, unit, description, traces, height_px=height, apart=apart)


def embedded_columns(results: Results) -> list[str]:
    """Columns that the page's script draws, each once, in the order of the panels."""
    drawn = [entry["column"] for panel in panels(results.dispatch) for entry in panel.traces]
    drawn += [name for name in (RAN, MODE, REASON) if name in results.dispatch.columns]
    return list(dict.fromkeys(drawn))


def explorer(results: Results) -> Explorer:
    """The picker, opened on the day on which the store works hardest."""
    days = local_clock(results.dispatch).days
    picks = notable_days(results)
    hardest = [date for date, reason in picks if reason.startswith("Most discharged")]
    return Explorer(
        panels=tuple(panels(results.dispatch)),
        picks=tuple((date, f"{reason}: {day(date)}") for date, reason in picks),
        first_day=days[0][0],
        last_day=days[-1][0],
        chosen_day=(hardest or [days[0][0]])[0],
        steered=steered(results),
    )


def steered(results: Results) -> dict[str, Any] | None:
    """What the script needs to say which mode ran when and why; None where nobody steers without foresight."""
    if REASON not in results.dispatch.columns:
        return None
    names = without_foresight.made(results).steered_by
    return {
        "ran": RAN,
        "mode": MODE,
        "reason": REASON,
        "names": names,
        "modes": {int(mode): words for mode, words in WORDS.items()},
        "reasons": REASONS,
        "filled": {
            "into": (IMPORT_PRICE, 2),
            "out": (EXPORT_PRICE, 2),
            "worth": (STORED_WORTH, 2),
            "import": (IMPORT, 1),
        },
    }


def notable_days(results: Results) -> list[tuple[str, str]]:
    """Days worth a look, each with the reason."""
    dispatch = results.dispatch
    clock = local_clock(dispatch)
    dates = pd.Series(clock.wall.astype("datetime64[D]").astype(str), index=dispatch.index)
    rules = (
        ("Most discharged", DISCHARGE, "sum", "max"),
        ("Highest import price", IMPORT_PRICE, "max", "max"),
        ("Lowest import price", IMPORT_PRICE, "min", "min"),
        ("Highest import", IMPORT, "max", "max"),
        ("Most exported", EXPORT, "sum", "max"),
        ("Most solar", SOLAR, "sum", "max"),
        ("Least solar", SOLAR, "sum", "min"),
    )
    found: list[tuple[str, str]] = []
    worth = results.summary.study("patterns", PatternFigures)
    if worth is not None:
        for reason, names in (("Saved most", worth.best_days), ("Saved least", worth.worst_days)):
            found += [(names[0], reason)] if names else []
    for reason, column, gather, choose in rules:
        if column not in dispatch.columns:
            continue
        daily = dispatch[column].groupby(dates).agg(gather)
        if daily.nunique() < 2:
            continue
        found.append((str(daily.idxmax() if choose == "max" else daily.idxmin()), reason))
    if {SOLAR_AVAILABLE, SOLAR} <= set(dispatch.columns):
        unused = (dispatch[SOLAR_AVAILABLE] - dispatch[SOLAR]).groupby(dates).sum()
        if unused.max() > 1e-3:
            found.append((str(unused.idxmax()), "Most solar left unused"))
    for step, _ in clock.offsets[1:]:
        found.append((str(clock.wall[step].astype("datetime64[D]")), "Clock change"))
    return found


def heat_maps(results: Results) -> list[HeatMap]:
    """Stored energy, net import, and the import price."""
    currency = results.summary.currency
    maps = (
        ("stored", "Stored energy", "kWh", STORED, None, "rising",
         "Darker is emptier, lighter is fuller."),
        ("net-import", "Net import", "kW", IMPORT, EXPORT, "two-sided",
         "One colour for import, another for export, faint near zero."),
        ("price", "Import price", f"{currency} per kWh", IMPORT_PRICE, None, "clipped",
         "Darker is cheaper, lighter is dearer; the highest and lowest 2 % of hours share the end colours."),
    )  # fmt: skip
    found = []
    for key, title, unit, plus, minus, scale, description in maps:
        if plus in results.dispatch.columns:
            table = month_by_hour(results, title, unit, plus, minus)
            found.append(HeatMap(key, title, description, plus, minus, unit, scale, table))
    return found


def month_by_hour(results: Results, title: str, unit: str, plus: str, minus: str | None) -> TableBlock:
    """Plain averages by month and hour of the local clock, the map's figures in a size people can read."""
    values = results.dispatch[plus].to_numpy(dtype=float)
    if minus is not None and minus in results.dispatch.columns:
        values = values - results.dispatch[minus].to_numpy(dtype=float)
    wall = pd.DatetimeIndex(local_clock(results.dispatch).wall)
    averages = (
        pd.DataFrame({"month": wall.strftime("%Y-%m"), "hour": wall.hour, "value": values})
        .groupby(["hour", "month"])["value"]
        .mean()
        .unstack()
    )
    decimals = 3 if unit.endswith("per kWh") else 1
    rows = tuple(
        Row((f"{hour:02d}:00", *("" if np.isnan(value) else number(value, decimals) for value in line)))
        for hour, line in zip(averages.index, averages.to_numpy(), strict=True)
    )
    columns = (text_column("Hour from"), *(Column(str(month)) for month in averages.columns))
    return TableBlock(f"{title}: average by hour and month, {unit}", columns, rows, folded=True)
