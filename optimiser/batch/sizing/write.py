"""The page, tables and summary of a search for sizes."""

from __future__ import annotations

from pathlib import Path

from optimiser.batch.sizing.sizes import Sizing
from optimiser.writing import write_files


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

    folder = Path(folder)
    paths = {
        "page": folder / "sizes.html",
        "tried": folder / "sizes-tried.csv",
        "frontier": folder / "sizes-frontier.csv",
        "summary": folder / "sizes.json",
    }
    write_files(
        {
            paths["page"]: sizing_page(made.summary, made.tried, made.frontier),
            paths["tried"]: made.tried,
            paths["frontier"]: made.frontier,
            paths["summary"]: made.summary,
        }
    )
    return paths
