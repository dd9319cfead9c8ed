"""The page, tables and summary of a search for sizes."""

from __future__ import annotations

from pathlib import Path

from optimiser.batch.sizing.sizes import Sizing
from optimiser.writing import write_folder


def write_sizing(made: Sizing, folder: str | Path) -> dict[str, Path]:
    """Write the page, both tables and the summary, all or none.

    Returns
    -------
    dict of str to Path
        "page", "tried", "frontier", "summary".

    Raises
    ------
    OptimiserError
        If the folder cannot be written to.
    """
    from optimiser.report.sizing import sizing_page

    return write_folder(
        Path(folder),
        {
            "page": ("sizes.html", sizing_page(made.summary, made.tried, made.frontier)),
            "tried": ("sizes-tried.csv", made.tried),
            "frontier": ("sizes-frontier.csv", made.frontier),
            "summary": ("sizes.json", made.summary.as_dict()),
        },
    )
