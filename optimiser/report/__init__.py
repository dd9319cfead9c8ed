"""The report: one page that explains a run, works from disk, and asks the network for nothing.

It only formats. Money comes in finished; the totals it shows are sums of the rows it was given.
"""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

from optimiser.report import (
    activation,
    bill,
    cautions,
    customer,
    dispatch,
    earnings,
    energy,
    first_screen,
    flexible_loads,
    money,
    offered,
    outages,
    patterns,
    proof,
    provenance,
    services,
    stack,
    timetable,
    what_binds,
    without_foresight,
)
from optimiser.report.embed import embed
from optimiser.report.page import page_text
from optimiser.report.results import Results
from optimiser.summary.run import Summary
from optimiser.writing import all_or_nothing, write_text

__all__ = ["SECTIONS", "Results", "render", "write_report"]

SECTIONS = (
    first_screen.section,
    bill.section,
    earnings.section,
    without_foresight.section,
    patterns.section,
    dispatch.section,
    offered.section,
    timetable.section,
    flexible_loads.section,
    services.section,
    stack.section,
    activation.section,
    outages.section,
    energy.section,
    what_binds.section,
    money.section,
    proof.section,
    cautions.section,
    provenance.section,
)


def write_report(results: Results, path: str | os.PathLike[str], *, edition: str = "full") -> Path:
    """Write the page of a run.

    Parameters
    ----------
    results : Results
        Finished figures of the run.
    path : path
        Where to write; an existing file is replaced only once the new one is whole.
    edition : str
        "full", or "customer" for two sheets of paper.

    Returns
    -------
    pathlib.Path
        The file written.
    """
    target = Path(path)
    page = render(results, edition=edition)
    all_or_nothing({target: partial(write_text, page)})
    return target


def titled(summary: Summary) -> str:
    """The page's title, which says of an early or a stopped one what it is."""
    stage = summary.state.stage
    return summary.title if stage == "final" else f"{summary.title} ({stage})"


def render(results: Results, *, edition: str = "full") -> str:
    """The page as text."""
    full = edition == "full"
    made = [section(results) for section in SECTIONS] if full else customer.sections(results)
    columns = dispatch.embedded_columns(results) if full else []
    return page_text(
        title=titled(results.summary),
        invented=bool(results.summary.invented),
        currency=results.summary.currency,
        sections=[section for section in made if section is not None],
        series=embed(results.dispatch, columns, float(results.summary.step_minutes)),
        edition=edition,
    )
