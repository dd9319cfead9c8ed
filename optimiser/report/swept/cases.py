"""The cases one by one, each with the command that makes it again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimiser.report.blocks import Block, Column, Row, Section, TableBlock, Text, text_column
from optimiser.report.swept.figures import MOST_ROWS, WITH_RESULTS, Swept, records_of
from optimiser.report.swept.words import level, shown
from optimiser.words import number


def section(swept: Swept) -> Section:
    """The table of cases, and of those without figures."""
    names = [name for name, _, _ in swept.factors]
    good = swept.table[swept.table["status"].isin(WITH_RESULTS)]
    columns = (
        text_column("Case"),
        *(Column(swept.factor(name)) for name in names),
        *(Column(swept.name(path)) for path in swept.record),
        text_column("Status"),
    )

    def row(entry: Mapping[str, Any]) -> Row:
        levels, figures = (
            [level(entry[name]) for name in names],
            [shown(entry[path]) for path in swept.record],
        )
        return Row((str(entry["case"]), *levels, *figures, str(entry["status"])))

    rows = tuple(row(entry) for entry in records_of(good.head(MOST_ROWS)))
    blocks: list[Block] = [
        Text(
            "Everything on this page is worked out of these rows, which cases.csv holds to the last digit. "
            f"{_first_rows(len(good))}".strip()
        ),
        Text(f"To make one again, with its whole report, put its number for N: {swept.command} --case N"),
    ]
    failed = swept.table[~swept.table["status"].isin(WITH_RESULTS)]
    if len(failed):
        head = (
            text_column("Case"),
            *(Column(swept.factor(name)) for name in names),
            text_column("Status"),
            text_column("Why"),
        )
        entries = records_of(failed.head(MOST_ROWS))
        lost = tuple(
            Row(
                (
                    str(e["case"]),
                    *(level(e[name]) for name in names),
                    str(e["status"]),
                    str(e["message"])[:400],
                )
            )
            for e in entries
        )
        blocks.append(
            TableBlock(
                f"{number(len(failed))} cases without figures. {_first_rows(len(failed))}".strip(), head, lost
            )
        )
    blocks.append(TableBlock("Cases; 0 is the scenario as it is", columns, rows, folded=len(rows) > 40))
    return Section("cases", "Cases", "Case by case", tuple(blocks))


def _first_rows(count: int) -> str:
    return f"The table shows the first {number(MOST_ROWS)}." if count > MOST_ROWS else ""
