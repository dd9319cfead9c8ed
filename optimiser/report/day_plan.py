"""The page of a day's plan: set-points with their reasons, power and stored energy drawn."""

from __future__ import annotations

import pandas as pd

from optimiser.columns import (
    CHARGE,
    DISCHARGE,
    DOES,
    END_LOCAL,
    EXPORT,
    EXPORT_PRICE,
    IMPORT,
    IMPORT_PRICE,
    SOLAR,
    START_LOCAL,
    STORE_NET,
    STORED,
    STORED_PERCENT,
    STORED_WORTH,
    USED,
    WHY,
    members,
    of_inverter,
    of_service,
)
from optimiser.report import cautions
from optimiser.report.blocks import Block, Chart, Column, Row, Section, TableBlock, Text, text_column
from optimiser.report.page import page_text
from optimiser.summary.day_plan import DayPlanSummary
from optimiser.words import day, number, of_turnover, percent

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
FLOWS = (
    (SOLAR, "Solar", "@solar", 1),
    (DISCHARGE, "Discharge", "@discharge", 1),
    (IMPORT, "Import", "@import", 1),
    (USED, "Load", "@load", -1),
    (CHARGE, "Charge", "@charge", -1),
    (EXPORT, "Export", "@export", -1),
)


CAUTION = (
    "plan-registers.csv holds the same as registers of the open SunSpec model 124, to look at: nothing is sent to any "
    "device. That model's rates are limits; that a negative one forces the other direction differs between devices, so "
    "check the maker's documentation first. Protection settings are for licensed people."
)


def plan_page(summary: DayPlanSummary, steps: pd.DataFrame, orders: pd.DataFrame) -> str:
    """The page as text.

    Parameters
    ----------
    summary : DayPlanSummary
    steps : DataFrame
        One row a step, with set-points, `does` and `why`.
    orders : DataFrame
        One row a stretch: its start and end, what is done and why, what the store gives and how full it is after.
    """
    sections = [
        Section(
            "answer",
            "Plan",
            "What to do, and why",
            (*intro(summary), orders_table(orders), Text(CAUTION, tone="quiet")),
        ),
        Section(
            "power",
            "Power",
            "Power and stored energy",
            (power_chart(steps), stored_chart(steps), price_chart(steps)),
        ),
        Section("steps", "Steps", "Set-points of every step", (steps_table(steps),)),
        cautions.SECTION,
    ]
    return page_text(summary.title, summary.invented, summary.currency, sections)


def intro(summary: DayPlanSummary) -> list[Block]:
    """On what the plan rests."""
    blocks: list[Block] = []
    sure = "the best for this forecast"
    if summary.verdict != "optimal":
        gap = of_turnover(summary.gap_relative, summary.gap_absolute, summary.currency)
        sure = f"the best for this forecast within {gap}"
    blocks.append(
        Text(
            f"From {day(summary.start[:10])} {summary.start[11:16]}, store at "
            f"{percent(summary.stored_fraction, 0)}: {sure}. Plan again whenever the forecast or the store differs. "
            f"Prices and worth are in {summary.currency} per kWh; the day after the forecast is taken to be like "
            "its last."
        )
    )
    return blocks


def moment(stamp: str) -> str:
    """A local stamp as day, month and clock; the page says the year."""
    return f"{int(stamp[8:10])} {MONTHS[int(stamp[5:7]) - 1]} {stamp[11:16]}"


def later(stamp: str, since: str) -> str:
    """A local stamp's clock, with its date where that is not the one of another stamp."""
    return stamp[11:16] if stamp[:10] == since[:10] else moment(stamp)


def orders_table(orders: pd.DataFrame) -> TableBlock:
    """Stretches in which the same is done for the same reason; the reason stands where a narrow screen shows it."""
    rows = tuple(
        Row(
            (
                f"{moment(row[START_LOCAL])} to {later(row[END_LOCAL], row[START_LOCAL])}",
                f"{row[DOES]}: {row[WHY]}",
                number(row[STORE_NET], 2),
                number(row[STORED_PERCENT], 0),
            )
        )
        for row in orders.to_dict("records")
    )
    columns = (
        text_column("When"),
        text_column("What to do, and why"),
        Column("Store gives, kW"),
        Column("Full after, %"),
    )
    return TableBlock("In order, with the store's mean power", columns, rows)


def times(steps: pd.DataFrame) -> list[str]:
    """Start of each step on the local clock."""
    return [stamp[:16] for stamp in steps[START_LOCAL]]


def power_chart(steps: pd.DataFrame) -> Chart:
    """Sources up, uses down."""
    traces = tuple(
        {
            "type": "bar",
            "name": name,
            "x": times(steps),
            "y": [round(sign * float(value), 3) for value in steps[column]],
            "marker": {"color": colour, "line": {"width": 0}},
        }
        for column, name, colour, sign in FLOWS
    )
    layout = {"barmode": "relative", "bargap": 0, "yaxis": {"title": {"text": "kW"}}}
    words = "Above zero is where power comes from, below it where it goes; the rows below hold the figures."
    return Chart("plan-power", "Power", words, traces, layout, 320)


def stored_chart(steps: pd.DataFrame) -> Chart:
    """Stored energy at the end of each step."""
    trace = {
        "type": "scatter",
        "mode": "lines",
        "name": "Stored",
        "x": times(steps),
        "y": [round(float(v), 3) for v in steps[STORED]],
        "fill": "tozeroy",
        "line": {"color": "@charge", "width": 2},
    }
    layout = {"showlegend": False, "yaxis": {"title": {"text": "kWh"}, "rangemode": "tozero"}}
    return Chart(
        "plan-stored", "Stored energy", "Energy held at the end of each step.", (trace,), layout, 220
    )


def price_chart(steps: pd.DataFrame) -> Chart:
    """The prices of a kWh beside what one more stored kWh is worth."""
    lines = (
        (IMPORT_PRICE, "Import", "@import", "solid"),
        (EXPORT_PRICE, "Export", "@export", "dash"),
        (STORED_WORTH, "Worth of stored energy", "@charge", "dot"),
    )
    traces = tuple(
        {
            "type": "scatter",
            "mode": "lines",
            "name": name,
            "x": times(steps),
            "y": [round(float(v), 4) for v in steps[column]],
            "line": {"color": colour, "dash": dash, "shape": "hv", "width": 2},
        }
        for column, name, colour, dash in lines
    )
    layout = {"yaxis": {"title": {"text": "per kWh"}}}
    words = "What a kWh costs and fetches, and what one more stored kWh would be worth to the plan."
    return Chart("plan-prices", "Price of a kWh", words, traces, layout, 260)


def steps_table(steps: pd.DataFrame) -> TableBlock:
    """Every step, to program by hand or to check."""
    shown = {
        of_inverter(name, "net_kw"): f"{name}, kW" for name in members(steps.columns, of_inverter, "net_kw")
    }
    shown |= {
        CHARGE: "charge, kW",
        DISCHARGE: "discharge, kW",
        STORED_PERCENT: "stored, %",
        IMPORT: "import, kW",
        EXPORT: "export, kW",
    }
    offers = members(steps.columns, of_service, "offer_kw")
    shown |= {of_service(name, "offer_kw"): f"{name} offer, kW" for name in offers}
    rows = []
    for row in steps.to_dict("records"):
        rows.append(
            Row(
                (
                    moment(row[START_LOCAL]),
                    *(number(float(row[c]), 2) for c in shown),
                    str(row[DOES]),
                )
            )
        )
    columns = (text_column("From"), *(Column(head) for head in shown.values()), text_column("Do"))
    return TableBlock(
        "Set-points; an inverter's net is positive when it gives to the AC side", columns, tuple(rows)
    )
