"""The timed rules: what to type in, what they come to beside plain self-consumption and the ceiling, rule by rule."""

from __future__ import annotations

import pandas as pd

from optimiser.report import cautions
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Heading,
    Points,
    Row,
    Section,
    TableBlock,
    Text,
    bars,
    text_column,
)
from optimiser.report.page import page_text
from optimiser.report.results import Results
from optimiser.studies.timetable import CaseBill, TimetableFigures
from optimiser.summary.timetable import TimetableSummary
from optimiser.words import amount, money, percent

STUDY, RULES = "timetable", "timetable-rules"
LEARNT, JUDGED = "learnt from", "judged on"
CASES = ("no system", "own use", "timetable", "ceiling")
KEPT, CHARGED = "keep the store", "take from the grid"
DOES = {"keep": KEPT, "charge": CHARGED, "discharge": "cover the load and feed out"}


def section(results: Results) -> Section | None:
    """The timetable of a run; None where none was asked for."""
    found, rules = results.summary.study(STUDY, TimetableFigures), results.tables.get(RULES)
    if found is None or rules is None:
        return None
    return Section(
        STUDY, "Timetable", "A timetable to type in", tuple(blocks(found, rules, results.summary.currency))
    )


def blocks(found: TimetableFigures, rules: pd.DataFrame, currency: str) -> list[Block]:
    """What the section is made of, for a report and for a page of its own."""
    made: list[Block] = [Text(verdict(found, currency), tone="plain" if found.beats_own_load else "warning")]
    made.append(
        Text(
            "A rule holds at its clock times, on its days; at all other times the inverter covers the site's own load "
            "and feeds in what sun the store cannot take. Power is the sum over all inverters, on the AC side."
        )
    )
    made.append(rule_table(rules) if len(rules) else Text("No rule earned enough to be worth typing in."))
    made += [Heading("What it comes to"), bill_chart(found, currency), bill_table(found, currency)]
    if len(rules):
        made += [Heading("Rule by rule"), worth_table(rules, currency)]
        made.append(
            Text(
                "Rules lean on each other: what all of them earn is not the sum of what each earns. One that lost "
                "money on the part that it was not learnt from may have been luck; try without it.",
                tone="quiet",
            )
        )
    if found.judged_apart:
        words = (
            f"These rules are learnt from: {found.learnt_from}. Where a timetable stands beside other ways of "
            "running the site, each part of the days is run under rules that the other part taught."
        )
        made.append(Text(words, tone="quiet"))
    return [*made, Points(tuple(found.cautions), tone="quiet")]


def verdict(found: TimetableFigures, currency: str) -> str:
    """Whether the timetable beats plain self-consumption where it was not learnt, in a sentence or two."""
    by, part = money(abs(found.better_by), currency), parts(found)[-1]
    where = (
        "on the part of the data that it was not learnt from"
        if found.judged_apart
        else "on the days that it was learnt from, which proves little"
    )
    if not found.beats_own_load:
        return (
            f"The timetable does not beat plain self-consumption {where}: it costs {by} more. Leave it out."
        )
    own, timed = (_realised(found, part, case) for case in ("own use", "timetable"))
    return (
        f"The timetable beats plain self-consumption by {by} {where} (learnt from: {found.learnt_from}). It keeps "
        f"{percent(timed, 0)} of what perfect foresight would have saved there; covering the own load alone keeps "
        f"{percent(own, 0)}."
    )


def parts(found: TimetableFigures) -> list[str]:
    """The parts that there are figures of, in order: learnt from, judged on."""
    there = {bill.part for bill in found.bills}
    return [part for part in (LEARNT, JUDGED) if part in there]


def _bill(found: TimetableFigures, part: str, case: str) -> CaseBill:
    return next(bill for bill in found.bills if (bill.part, bill.case) == (part, case))


def _realised(found: TimetableFigures, part: str, case: str) -> float | None:
    return _bill(found, part, case).realised_share


def rule_table(rules: pd.DataFrame) -> TableBlock:
    """The rules as they are typed in."""
    rows = []
    for (season, days), own in rules.groupby(["season", "days"], sort=False):
        rows.append(Row((f"{season}, {days}",), "group"))
        rows += [
            Row((str(rule["from"]), str(rule["to"]), _does(rule), _power(rule), _stop(rule)))
            for _, rule in own.iterrows()
        ]
    columns = (
        text_column("From"),
        text_column("To"),
        text_column("Then"),
        Column("Up to, kW"),
        Column("Store, % full"),
    )
    return TableBlock("What to type in", columns, tuple(rows))


def _does(rule: pd.Series) -> str:
    return DOES[rule["does"]] + ("" if rule["phase"] == "all" else f", on {rule['phase']}")


def _power(rule: pd.Series) -> str:
    return "" if rule["does"] == "keep" else f"{rule['power_kw']:g}"


def _stop(rule: pd.Series) -> str:
    words = {"keep": "at least", "charge": "until", "discharge": "down to"}
    return f"{words[rule['does']]} {rule['stop_percent']:.0f} %"


def case_words(found: TimetableFigures, case: str) -> str:
    """A case as the page calls it: a ceiling of the site without the services that it offers is said to be one."""
    return f"{case} without services" if case == "ceiling" and found.services_left_out else case


def bill_table(found: TimetableFigures, currency: str) -> TableBlock:
    """What is to pay in each case on each part, and the share of the ceiling's saving."""
    there = parts(found)
    columns = [text_column("Case")]
    for part in there:
        columns += [Column(f"To pay, {part}, {currency}"), Column(f"Of the ceiling's saving, {part}")]
    rows = []
    for case in CASES:
        cells = [case_words(found, case)]
        for part in there:
            bill = _bill(found, part, case)
            cells += [amount(bill.to_pay, currency), percent(bill.realised_share, 0)]
        rows.append(Row(tuple(cells), "total" if case == "timetable" else "plain"))
    return TableBlock("To pay over the days of each part", tuple(columns), tuple(rows))


def bill_chart(found: TimetableFigures, currency: str) -> Chart:
    """What is to pay on the part that judges."""
    part = parts(found)[-1]
    values = [_bill(found, part, case).to_pay for case in CASES]
    names = [case_words(found, case) for case in CASES]
    said = ", ".join(f"{name} {money(value, currency)}" for name, value in zip(names, values, strict=True))
    return Chart(
        key="timetable-bills",
        title=f"To pay, {part}",
        description=f"{said}.",
        **bars(
            names,
            values,
            [amount(value, currency) for value in values],
            f"To pay, {currency}",
            ["@before", "@charge", "@gain", "@rule"],
        ),
        height_px=260,
    )


def worth_table(rules: pd.DataFrame, currency: str) -> TableBlock:
    """What each rule earns by itself, and what leaving it out of the timetable costs."""
    keys = [part for part in (LEARNT, JUDGED) if f"earns_alone_{part.replace(' ', '_')}" in rules]
    columns = [text_column("Rule")]
    for part in keys:
        columns += [Column(f"Alone, {part}, {currency}"), Column(f"Left out, {part}, {currency}")]
    rows = []
    for _, rule in rules.iterrows():
        cells = [f"{rule['season']}, {rule['days']}, {rule['from']} to {rule['to']}, {_does(rule)}"]
        for part in keys:
            key = part.replace(" ", "_")
            cells += [
                amount(rule[f"earns_alone_{key}"], currency),
                amount(-rule[f"leaving_out_costs_{key}"], currency),
            ]
        rows.append(Row(tuple(cells)))
    return TableBlock("What a rule earns alone, and what changes without it", tuple(columns), tuple(rows))


def timetable_page(summary: TimetableSummary, rules: pd.DataFrame) -> str:
    """A page of the timetable alone, as text.

    Parameters
    ----------
    summary : TimetableSummary
    rules : DataFrame
        One row a rule.
    """
    made = blocks(summary.found, rules, summary.currency)
    sections = [
        Section(STUDY, "Timetable", "A timetable to type in", tuple(made)),
        cautions.SECTION,
    ]
    title = f"{summary.title}: timetable"
    return page_text(title, summary.invented, summary.currency, sections)
