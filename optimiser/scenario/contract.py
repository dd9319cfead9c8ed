"""A tariff that bills can be made out on, beside a scenario or from a file of its own."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimiser.errors import ScenarioError, SeriesError
from optimiser.scenario.faults import checked
from optimiser.scenario.file import ContractFile, references_of
from optimiser.scenario.rules import constant_faults, no_source, placed
from optimiser.scenario.uses import DATA_ENDINGS, FILE_NAME, inside, parse, shared_keys
from optimiser.series.bounded import refuse_no_file
from optimiser.series.laid import lay
from optimiser.series.table import SeriesTable, read_table
from optimiser.tariff import Tariff
from optimiser.timeline import Timeline


@dataclass(frozen=True)
class Contract:
    """A tariff that bills can be made out on, with its data files.

    Attributes
    ----------
    path : Path
        The file that it stands in.
    tariff : Tariff
    currency : str
        Empty where the file says none.
    tables : dict of str to Table
        The data files that it refers to.
    year : int or None
        The year that a scenario starts in.
    place : str
        Where the tariff stands in its file, as messages say it; empty for a file of its own.
    """

    path: Path
    tariff: Tariff
    currency: str
    tables: Mapping[str, SeriesTable]
    year: int | None
    place: str

    def columns(self, timeline: Timeline, further: Mapping[str, SeriesTable]) -> dict[str, np.ndarray]:
        """Every data column that the tariff refers to, laid onto a timeline.

        Parameters
        ----------
        timeline : Timeline
        further : dict of str to Table
            Data files beside those of the tariff.

        Raises
        ------
        ScenarioError
            With every source that is not there and every column that does not fit, and every fault of the tariff on
            this timeline.
        """
        tables: dict[str, SeriesTable] = {**further, **self.tables}
        faults = [f"{self.place}{fault}" for fault in self.tariff.faults(timeline)]
        found: dict[str, np.ndarray] = {}
        for place, reference, least in references_of(self.tariff, self.place.rstrip(".")):
            source, _, column = reference.partition(".")
            if source not in tables:
                faults.append(no_source(place, reference, list(tables)))
                continue
            try:
                found[reference] = lay(tables[source], column, timeline, least)
            except SeriesError as error:
                faults += placed(self.path, place, error)
        if faults:
            raise ScenarioError(str(self.path), faults)
        return found


def read_tariff(path: str | Path, *, before: bool = False) -> Contract:
    """Read the tariff of a scenario, or a file that holds a tariff's keys alone.

    Parameters
    ----------
    path : str or Path
        A scenario folder or file, or a tariff file; one of these may hold `currency` and [source.NAME] tables too.
    before : bool
        The contract of a scenario's case before, where it has one of its own.

    Raises
    ------
    ScenarioError
        With every fault of the tariff and its data files.
    """
    path = Path(path)
    path = path / FILE_NAME if path.is_dir() else path
    refuse_no_file(path, "Give a tariff file or a scenario folder.", ScenarioError)
    raw, _ = parse(path)
    shared = shared_keys(raw)
    place = ""
    if "tariff" in raw:
        place = "before_tariff" if before and "before_tariff" in raw else "tariff"
        chosen = raw[place]
        place += "."
    else:
        chosen = {key: value for key, value in raw.items() if key not in shared}
    wrapped = {**shared, "tariff": chosen}
    file, found = checked(ContractFile, wrapped)
    if file is None:
        raise ScenarioError(str(path), [re.sub(r"^tariff\.", place, fault) for fault in found])
    faults = [f"{place}{fault}" for fault in file.tariff.twins()]
    tables: dict[str, SeriesTable] = {}
    faults += constant_faults(file.tariff, place.rstrip("."))
    used = {reference.partition(".")[0] for _, reference, _ in references_of(file.tariff)}
    for name, source in file.source.items():
        if name not in used:
            continue
        try:
            tables[name] = read_table(
                name, source, inside(path, source.file, file.outside_folders, endings=DATA_ENDINGS)
            )
        except ScenarioError as error:
            faults += placed(path, f"source.{name}", error)
    if faults:
        raise ScenarioError(str(path), faults)
    start = raw["timeline"].get("start") if isinstance(raw.get("timeline"), dict) else None
    year = start.year if isinstance(start, datetime.date) else None
    return Contract(path, file.tariff, file.currency, tables, year, place)
