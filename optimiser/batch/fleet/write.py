"""The page, tables and summary of a fleet."""

from __future__ import annotations

from pathlib import Path

from optimiser.batch.fleet.bids import FleetResult
from optimiser.writing import write_folder


def write_fleet(result: FleetResult, folder: str | Path) -> dict[str, Path]:
    """Write the page, the tables and the summary of a fleet, whole or not at all.

    Raises
    ------
    OptimiserError
        If the folder cannot be written to.
    """
    from optimiser.report.fleet import fleet_page

    page = fleet_page(result.summary, result.services, result.sites)
    return write_folder(
        Path(folder),
        {
            "page": ("fleet.html", page),
            "sites": ("fleet-sites.csv", result.sites),
            "services": ("fleet-services.csv", result.services),
            "bids": ("fleet-bids.parquet", result.bids.to_parquet),
            "summary": ("fleet.json", result.summary.as_dict()),
        },
    )
