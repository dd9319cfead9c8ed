"""The only reader of a scenario folder: typed, frozen, every fault found at once and named by its place."""

from __future__ import annotations

import contextlib
import copy
import datetime
import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from optimiser.errors import ScenarioError, SeriesError
from optimiser.scenario.faults import checked
from optimiser.scenario.file import DataFile, Scenario, ScenarioFile, references_of
from optimiser.scenario.rules import (
    combination_faults,
    constant_faults,
    least_of,
    name_faults,
    no_source,
    peak_faults,
    placed,
    timeline_of,
)
from optimiser.scenario.uses import (
    DATA_ENDINGS,
    FILE_NAME,
    TARIFFS,
    Uses,
    inside,
    outside_folders,
    parse,
    rebased,
    shared_keys,
    shown_value,
    with_uses,
)
from optimiser.series.issued import Issued, read_issued
from optimiser.series.laid import lay
from optimiser.series.sessions import read_sessions
from optimiser.series.table import SeriesTable, Source, read_table
from optimiser.services import product_sets as products
from optimiser.terms.data import InputData


def read_scenario(folder: str | Path) -> Scenario:
    """Read a scenario folder, or a scenario file.

    Parameters
    ----------
    folder : str or Path
        A folder that holds scenario.toml, or that file.

    Raises
    ------
    ScenarioError
        With every fault of the file and its data.
    """
    path = Path(folder)
    try:
        path = path / FILE_NAME if path.is_dir() else path
    except OSError as problem:
        raise ScenarioError(str(path), [f"the name cannot be used: {problem.strerror}. Check it."]) from None
    raw, digest = parse(path)
    return _build(path, raw, digest)


def vary(scenario: Scenario, changes: Mapping[str, Any]) -> Scenario:
    """The same scenario with values changed.

    Parameters
    ----------
    scenario : Scenario
    changes : dict
        New values by path: {"storage.0.unit_kwh": 20, "tariff.component.1.rate_per_kw": 12.5}.

    Raises
    ------
    ScenarioError
        If a path does not exist or a value breaks a rule.
    """
    raw = copy.deepcopy(scenario.raw)
    for place, value in changes.items():
        target: Any = raw
        *parents, last = place.split(".")
        try:
            for part in parents:
                target = target[_index(part)] if isinstance(target, list) else target.setdefault(part, {})
            target[_index(last) if isinstance(target, list) else last] = _plain(value)
        except (KeyError, IndexError, ValueError, TypeError, AttributeError):
            raise ScenarioError(
                str(scenario.path),
                [
                    f"{place} is no path in this scenario. Write keys and list numbers from 0, such as storage.0.units."
                ],
            ) from None
    text_form = json.dumps(raw, sort_keys=True, default=str)
    digest = hashlib.sha256(text_form.encode()).hexdigest()
    return _build(scenario.path, raw, digest, scenario.tables)


def read_part(scenario: Scenario, name: str) -> dict[str, Any]:
    """A table of a scenario in a file of its own, such as another tariff, to be set with `vary`.

    Parameters
    ----------
    scenario : Scenario
    name : str
        A TOML file, relative to the scenario's folder and inside it or one that it names.

    Raises
    ------
    ScenarioError
        If the file is not there or is not TOML.
    """
    raw = with_uses(scenario.path, {"use": name}, Uses(scenario.file.outside_folders, hashlib.sha256()), ())
    return rebased(raw, name) if "component" in raw else dict(raw)


def warmed_up(scenario: Scenario) -> Scenario:
    """The same scenario begun as many days earlier as its `warm_up_days` say, with nothing sold."""
    days = scenario.foresight.warm_up_days
    return (
        vary(scenario, {**_begun_earlier(scenario.file), "foresight.warm_up_days": 0}) if days else scenario
    )


def _begun_earlier(file: ScenarioFile) -> dict[str, Any]:
    """The timeline with the days to warm up by before it."""
    days = file.foresight.warm_up_days
    start = file.timeline.start - datetime.timedelta(days=days)
    return {"timeline.start": start, "timeline.days": file.timeline.days + days}


def _cold(
    file: ScenarioFile, tables: Mapping[str, SeriesTable], unfit: Mapping[str, Sequence[str]]
) -> Iterator[str]:
    """What keeps the days to warm up by from being read, beside what is said of the timeline's own."""
    days = file.foresight.warm_up_days
    if not days:
        return
    try:
        span = file.timeline.model_copy(
            update={key.partition(".")[2]: value for key, value in _begun_earlier(file).items()}
        )
    except OverflowError:
        yield f"foresight.warm_up_days: there are no {days} days before the timeline. Lower it."
        return
    longer = timeline_of(file.model_copy(update={"timeline": span}))
    if isinstance(longer, str):
        yield f"foresight.warm_up_days: with {days} days more, {longer}"
        return
    for place, reference, least in references_of(file):
        name, _, column = reference.partition(".")
        if name in tables and not unfit:
            try:
                lay(tables[name], column, longer, least)
            except SeriesError as error:
                for fault in error.faults:
                    yield (
                        f"foresight.warm_up_days: {reference} ({place}) has no {days} days before the timeline: "
                        f"{fault} Begin timeline.start later, or lower warm_up_days."
                    )
                return


def price_year(scenario: Scenario, index: int) -> Scenario:
    """The same scenario on the data files of one of its price years.

    Raises
    ------
    ScenarioError
        If a file of that year does not fit, with every fault.
    """
    return _of_year(scenario.path, dict(scenario.raw), index, scenario.tables)


def _of_year(path: Path, raw: dict[str, Any], index: int, known: Mapping[str, SeriesTable]) -> Scenario:
    raw = copy.deepcopy(raw)
    year = raw.pop("price_year")[index]
    for name, keys in year["source"].items():
        raw["source"][name] |= keys
    text_form = json.dumps(raw, sort_keys=True, default=str)
    return _build(path, raw, hashlib.sha256(text_form.encode()).hexdigest(), known)


def _index(part: str) -> int:
    if not part.isdecimal():
        raise ValueError(part)
    return int(part)


def _plain(value: Any) -> Any:
    """A number of a sweep's array as a number of the file."""
    return value.item() if isinstance(value, np.generic) else value


def _build(
    path: Path, raw: dict[str, Any], digest: str, known: Mapping[str, SeriesTable] | None = None
) -> Scenario:
    """The scenario of a parsed file; `known` are data files that need not be read again."""
    raw, unlike = _lifted(raw)
    completed, places, faults = _with_products(raw)
    faults += unlike
    completed, session_files = _with_sessions(path, completed, faults)
    scenario = None
    try:
        scenario = _build_completed(path, raw, completed, digest, known, session_files)
    except ScenarioError as error:
        faults += _at_places(error.faults, places)
    if scenario is None or faults:
        raise ScenarioError(str(path), faults)
    return scenario


def _with_products(raw: dict[str, Any]) -> tuple[dict[str, Any], list[int], list[str]]:
    """The file with its services completed by the products that they name, their places, and faults.

    Where rules change within the timeline there are more services than the file has.
    """
    services = raw.get("service")
    if not isinstance(services, list):
        return raw, [], []
    span = raw.get("timeline")
    start, days = (span.get("start"), span.get("days")) if isinstance(span, dict) else (None, None)
    first, end = datetime.date.min, datetime.date.max
    # A date with a time is a date too, to isinstance; the file's own check refuses it.
    if type(start) is datetime.date and isinstance(days, int):
        first = start
        with contextlib.suppress(OverflowError):
            end = start + datetime.timedelta(days=max(1, days))
    tables, places, faults = products.completed(services, first, end)
    return {**raw, "service": tables}, places, faults


def _with_sessions(
    path: Path, raw: dict[str, Any], faults: list[str]
) -> tuple[dict[str, Any], list[DataFile]]:
    """The file with the sessions of flexible loads that stand in files of their own, and those files.

    What is wrong with them is added to `faults`.
    """
    site = raw.get("site")
    loads = site.get("flexible_load") if isinstance(site, dict) else None
    if not isinstance(loads, list):
        return raw, []
    made, files = [], []
    for index, load in enumerate(loads):
        made.append(load)
        if not isinstance(load, dict) or not isinstance(load.get("sessions"), str):
            continue
        name = load["sessions"]
        try:
            where = inside(path, name, outside_folders(raw), endings=DATA_ENDINGS)
            found, digest = read_sessions(where)
            own = load.get("session", [])
            made[-1] = {**load, "session": [*own, *found] if isinstance(own, list) else own}
            files.append(DataFile(f"sessions of {load.get('name', index)}", where, digest))
        except ScenarioError as error:
            faults += placed(path, f"site.flexible_load.{index}.sessions", error)
    return {**raw, "site": {**raw["site"], "flexible_load": made}}, files


def _at_places(faults: Sequence[str], places: list[int]) -> list[str]:
    """Faults with the numbers of services as the file counts them; those said twice, once."""

    def of_file(found: re.Match[str]) -> str:
        place = int(found[1])
        return f"service.{places[place]}" if place < len(places) else found[0]

    return list(dict.fromkeys(re.sub(r"\bservice\.(\d+)\b", of_file, fault) for fault in faults))


def _build_completed(
    path: Path,
    raw: dict[str, Any],
    completed: dict[str, Any],
    digest: str,
    known: Mapping[str, SeriesTable] | None,
    session_files: Sequence[DataFile],
) -> Scenario:
    file, faults = _validated(completed)
    sources = file.source if file else _sound_sources(raw)
    outside = file.outside_folders if file else outside_folders(raw)
    tables = {}
    for name, source in sources.items():
        if known and name in known and known[name].source == source:
            tables[name] = known[name]
            continue
        try:
            tables[name] = read_table(name, source, inside(path, source.file, outside, endings=DATA_ENDINGS))
        except ScenarioError as error:
            faults += placed(path, f"source.{name}", error)
    if file is None:
        raise ScenarioError(str(path), faults)
    timeline = timeline_of(file)
    if isinstance(timeline, str):
        raise ScenarioError(str(path), [*faults, timeline, *name_faults(file)])
    faults += [*name_faults(file), *combination_faults(file, timeline)]
    columns: dict[str, np.ndarray] = {}
    unfit: dict[str, list[str]] = {}
    for place, reference, least in references_of(file):
        source_name, _, column = reference.partition(".")
        if source_name not in file.source:
            faults.append(no_source(place, reference, list(file.source)))
        elif source_name in tables:
            try:
                columns[reference] = lay(tables[source_name], column, timeline, least)
            except SeriesError as error:
                for fault in placed(path, "", error):
                    unfit.setdefault(fault, []).append(place)
    faults += [f"{', '.join(places)}{fault}" for fault, places in unfit.items()]
    faults += _cold(file, tables, unfit)
    issued: dict[str, Issued] = {}
    floors = least_of(file)
    for index, told in enumerate(file.foresight.forecast):
        if told.issues is not None:
            try:
                where = inside(path, told.issues.file, outside, endings=DATA_ENDINGS)
                issued[told.of] = read_issued(told.issues, where, timeline, floors.get(told.of))
            except ScenarioError as error:
                faults += placed(path, f"foresight.forecast.{index}.issues", error)
    if not faults:
        data = InputData(timeline, lambda given: columns[given] if isinstance(given, str) else given)
        for index, load in enumerate(file.site.flexible_load):
            faults += [f"site.flexible_load.{index}{fault}" for fault in load.faults(data)]
    files = [
        *session_files,
        *(DataFile(name, table.path, table.sha256) for name, table in tables.items()),
        *(DataFile(f"forecast of {of}", told.path, told.sha256) for of, told in issued.items()),
    ]
    faults += [*_price_years(path, raw, file, tables, faults, files)]
    if faults:
        raise ScenarioError(str(path), faults)
    made = Scenario(path, file, timeline, columns, tables, digest, raw, issued, tuple(files))
    if peaks := list(peak_faults(made)):
        raise ScenarioError(str(path), peaks)
    return made


def _price_years(
    path: Path,
    raw: dict[str, Any],
    file: ScenarioFile,
    tables: Mapping[str, SeriesTable],
    said: Sequence[str],
    files: list[DataFile],
) -> Iterator[str]:
    """What keeps a price year from being run, beside what is said of the scenario; known before the first run.

    Files that a year reads beside the scenario's are added to `files`.
    """
    for index, year in enumerate(file.price_year):
        unknown = [name for name in year.source if name not in file.source]
        for name in unknown:
            known = ", ".join(file.source)
            yield f"price_year.{index}.source.{name} is no source of this scenario. Use one of {known}."
        if not unknown:
            try:
                own = _of_year(path, raw, index, tables).tables
                files += [DataFile(f"{year.name}, {n}", own[n].path, own[n].sha256) for n in year.source]
            except ScenarioError as error:
                for fault in error.faults:
                    if fault not in said:
                        yield f"price_year.{index} ({year.name}): {fault}"


def _sound_sources(raw: dict[str, Any]) -> dict[str, Source]:
    """The sources of a faulty file that can be read all the same, so that their data are checked with it."""
    sound, tables = {}, raw.get("source", {})
    for name, table in tables.items() if isinstance(tables, dict) else ():
        with contextlib.suppress(ValidationError):
            sound[name] = Source.model_validate(table)
    return sound


def _lifted(raw: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The file with what its tariffs say of currency and data files put where a scenario says it, and faults."""
    faults = []
    for key in TARIFFS:
        tariff: dict[str, Any] = raw[key] if isinstance(raw.get(key), dict) else {}
        shared = shared_keys(tariff)
        if not shared:
            continue
        own = raw.get("currency")
        if shared.get("currency", own) != own:
            faults.append(
                f"{key}.currency must be the scenario's, {shown_value(own)}, got {shown_value(shared['currency'])}. "
                "Use a tariff in the scenario's currency."
            )
        raw = {**raw, key: {name: value for name, value in tariff.items() if name not in shared}}
        if "source" in shared:
            known = raw.get("source", {})
            raw["source"] = {**shared["source"], **known} if isinstance(known, dict) else known
        if "outside_folders" in shared:
            raw["outside_folders"] = [*outside_folders(raw), *outside_folders(shared)]
    return raw, faults


def _validated(raw: dict[str, Any]) -> tuple[ScenarioFile | None, list[str]]:
    """The typed file, or None, and its faults."""
    file, faults = checked(ScenarioFile, raw)
    if file is None:
        return None, faults
    return file, constant_faults(file)
