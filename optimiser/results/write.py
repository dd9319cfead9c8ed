"""The files of a run, each written whole or not at all."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from pathlib import Path

from optimiser.errors import OptimiserError
from optimiser.results.cash import cash_flow_table
from optimiser.results.frame import dispatch_table
from optimiser.results.run import Run
from optimiser.results.workbook import write_workbook
from optimiser.scenario.file import Scenario
from optimiser.studies.catalogue import STUDIES
from optimiser.writing import Content, write_csv, write_files

TABLE_KINDS = ("csv", "parquet")


def write_results(made: Run, folder: str | Path) -> dict[str, Path]:
    """Write the report, the tables and the summary of a run.

    All files are written under other names first and then moved into place, so an interruption leaves neither half
    a file nor the files of two runs.

    Returns
    -------
    dict of str to Path
        "report", "customer" (two sheets of paper), "dispatch_csv", "dispatch_parquet", "statement_csv", "summary", with
        costs "cash_flow_csv" and "appraisal", "STUDY-TABLE" for each table of a study, and
        "without_foresight-schedule-NAME", a Parquet file with the columns of the dispatch, for each way of running the
        site beside the ceiling.

    Raises
    ------
    OptimiserError
        If the folder cannot be written to.
    """
    from optimiser.report import render
    from optimiser.report.results import Results

    folder = Path(folder)
    paths = {
        "report": folder / "report.html",
        "customer": folder / "customer.html",
        "dispatch_csv": folder / "dispatch.csv",
        "dispatch_parquet": folder / "dispatch.parquet",
        "statement_csv": folder / "statement.csv",
        "summary": folder / "summary.json",
    }
    tables = {
        f"{study}-{name}": table
        for study, found in made.studies.items()
        for name, table in found.tables.items()
    }
    paths |= {name: folder / f"{name}.csv" for name in tables}
    results = Results(made.summary, made.paid_table, made.statement.table, tables, made.scenario)
    files: dict[str, Content] = {
        "report": render(results),
        "customer": render(results, edition="customer"),
        "dispatch_csv": partial(write_csv, made.dispatch_table, index=True),
        "dispatch_parquet": made.dispatch_table.to_parquet,
        "statement_csv": made.statement.table,
        "summary": made.summary.as_dict(),
        **tables,
    }
    for name, schedule in getattr(made.studies.get("without_foresight"), "schedules", {}).items():
        key = f"without_foresight-schedule-{name.replace(' ', '-')}"
        paths[key], files[key] = folder / f"{key}.parquet", dispatch_table(schedule).to_parquet
    appraisal, cost = made.appraisal, made.scenario.file.cost
    if appraisal is not None and cost is not None:
        paths |= {"cash_flow_csv": folder / "cash-flow.csv", "appraisal": folder / "appraisal.xlsx"}
        files["cash_flow_csv"] = cash_flow_table(appraisal)
        files["appraisal"] = partial(write_workbook, appraisal, cost, made.summary)
    # Tables that an earlier run made and this one does not would speak of another run.
    stale = [
        *(f"{name}-*.{kind}" for name in STUDIES for kind in TABLE_KINDS),
        "cash-flow.csv",
        "appraisal.xlsx",
    ]
    _refuse_inputs(made.scenario, {*paths.values(), *(path for name in stale for path in folder.glob(name))})
    write_files({paths[name]: content for name, content in files.items()}, stale)
    return paths


def _refuse_inputs(scenario: Scenario, paths: Iterable[Path]) -> None:
    """Refuse to write over what the run was made from."""
    read = {path.resolve() for path in (scenario.path, *(file.path for file in scenario.files))}
    for path in paths:
        if path.resolve() in read:
            raise OptimiserError(
                f"{path} is data of the scenario and is not written over. Choose another folder."
            )
