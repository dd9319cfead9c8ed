"""The page, tables and summary of a fleet."""

from __future__ import annotations

from pathlib import Path

from optimiser.batch.fleet.bids import FleetResult
from optimiser.writing import write_files


def write_fleet(result: FleetResult, folder: str | Path) -> dict[str, Path]:
    """Write the page, the tables and the summary of a fleet, whole or not at all.

    Raises
    ------
    OptimiserError
        If the folder cannot be written to.
    """
    from optimiser.report.fleet import fleet_page

    folder = Path(folder)
    paths = {
        "page": folder / "fleet.html",
        "sites": folder / "fleet-sites.csv",
        "services": folder / "fleet-services.csv",
        "bids": folder / "fleet-bids.parquet",
        "summary": folder / "fleet.json",
    }
    write_files(
        {
            paths["page"]: fleet_page(result.summary, result.services, result.sites),
            paths["sites"]: result.sites,
            paths["services"]: result.services,
            paths["bids"]: result.bids.to_parquet,
            paths["summary"]: result.summary,
        }
    )
    return paths
