"""What the factors of a sweep change, and what its figures depend on."""

from __future__ import annotations

from optimiser.report.blocks import NamedValues, Row, Section, TableBlock, text_column
from optimiser.report.swept.figures import Swept
from optimiser.words import number


def section(swept: Swept) -> Section:
    """The factors, and what the figures depend on."""
    rows = tuple(Row((name, unit, paths)) for name, unit, paths in swept.factors)
    head = (text_column("Factor"), text_column("Unit"), text_column("What it changes in the scenario"))
    seconds = swept.table["seconds"]
    facts = (
        ("Seconds a case, mean", number(float(seconds.mean()), 2)),
        *((name.capitalize(), value) for name, value in swept.identity.items()),
    )
    return Section(
        "made", "Made by", "How it was made", (TableBlock("Factors", head, rows), NamedValues(facts))
    )
