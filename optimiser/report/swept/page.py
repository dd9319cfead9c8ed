"""The page of a sweep, block by block."""

from __future__ import annotations

from optimiser.report import cautions
from optimiser.report.page import page_text
from optimiser.report.swept import answer, cases, indices, lines, origin, pairs, responses, spreads
from optimiser.report.swept.figures import Swept


def swept_page(swept: Swept) -> str:
    """The page as text."""
    measured = (indices, spreads) if swept.sampled else (spreads, indices)
    parts = (answer, *measured, responses, pairs, lines, cases, origin)
    sections = [section for part in parts if (section := part.section(swept)) is not None]
    return page_text(swept.title, swept.invented, swept.recorded.currency, [*sections, cautions.SECTION])
