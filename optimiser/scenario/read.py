"""The only reader of a scenario folder: typed, frozen, every fault found at once and named by its place."""

from __future__ import annotations

import contextlib
import copy
import datetime
import difflib
import hashlib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args

import numpy as np
from pydantic import BaseModel, Field, StrictStr, ValidationError

from optimiser import tariff
from optimiser.equipment import storage
from optimiser.equipment.backup import Backup
from optimiser.equipment.site import Site
from optimiser.equipment.storage import AnyBank
from optimiser.errors import ScenarioError, SeriesError
from optimiser.fields import MOST, RENAMED, Component, ZoneName, choice, quantity, several, text, zone_of
from optimiser.scenario.cost import Cost
from optimiser.scenario.foresight import Foresight, role_of
from optimiser.series.bounded import bounded_bytes, refuse_no_file
from optimiser.series.issued import Issued, read_issued
from optimiser.series.table import SeriesTable, Source, lay, read_table
from optimiser.services import product_sets as products
from optimiser.services.product import Product
from optimiser.tariff import Tariff
from optimiser.timeline import Timeline

FILE_NAME = "scenario.toml"
MOST_BYTES = 2_000_000
MOST_USES, MOST_USED_BYTES = 200, 10_000_000
DATA_ENDINGS = (".csv", ".gz", ".parquet")
MOST_STEPS = 600_000
TARIFFS = ("tariff", "before_tariff")
TOO_DEEP = "its brackets or tables are nested too deeply. Close each bracket."


class Span(Component):
    """The steps that are scheduled."""

    start: datetime.date = Field(description="first day, from midnight on the site's clock")
    days: int = quantity("days", "number of days", above=0, at_most=25_000)
    step_minutes: int = quantity("min", "length of a step", above=0, at_most=60)
    zone: ZoneName = text("zone of the site's clock")


class PriceYear(Component):
    """Another year's prices, laid onto the same days to see how far the result moves."""

    name: StrictStr = text("what the year is called")
    source: dict[str, dict[str, Any]] = Field(
        description="by source, the keys that replace its own, such as file and redate"
    )


class Solve(Component):
    """How the answer is looked for."""

    gap_tolerance: float = quantity(
        "-", "proven gap that counts as optimal, a share of the turnover", default=1e-6, above=0, at_most=0.5
    )
    time_limit_s: float = quantity(
        "s", "time after which the best found is returned with its gap", default=600.0, above=0
    )
    route: Literal["auto", "whole", "days", "periods"] = choice(
        "the whole run at once; days first, then billing periods, then the whole from there; or no further than the "
        "periods, in little memory; auto decides by size",
        default="auto",
    )
    tie_break_per_kwh: float = quantity(
        "currency/kWh", "price of moving energy that breaks ties", default=1e-5, at_least=0, at_most=0.001
    )


class ScenarioFile(Component):
    """Everything that a scenario file may say."""

    title: StrictStr = text("title of the report")
    description: StrictStr = text("a sentence or two", default="")
    invented: bool = Field(default=False, description="true if the data are made up; the report says so")
    currency: StrictStr = text("currency code or sign")
    outside_folders: several(StrictStr) = Field(  # type: ignore[valid-type]
        default=(), description="folders outside the scenario's that its files may be in, relative to it"
    )
    timeline: Span
    source: dict[str, Source] = Field(default_factory=dict, description="data files by name")
    site: Site
    storage: several(AnyBank) = ()  # type: ignore[valid-type]
    tariff: Tariff
    before_tariff: Tariff | None = Field(
        default=None, description="contract of the before-case, if it differs"
    )
    service: several(Product) = ()  # type: ignore[valid-type]
    backup: Backup | None = Field(default=None, description="what must stay on when the grid fails")
    cost: Cost | None = None
    price_year: several(PriceYear) = ()  # type: ignore[valid-type]
    foresight: Foresight = Field(
        default_factory=Foresight, description="how the year is run without knowing it"
    )
    solve: Solve = Field(default_factory=Solve)


class ContractFile(Component):
    """A tariff by itself, with the data files it refers to."""

    currency: StrictStr = text("currency code or sign", default="")
    outside_folders: several(StrictStr) = ()  # type: ignore[valid-type]
    source: dict[str, Source] = Field(default_factory=dict)
    tariff: Tariff


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
        for place, reference, least in _references(self.tariff, self.place.rstrip(".")):
            source, _, column = reference.partition(".")
            if source not in tables:
                faults.append(_no_source(place, reference, list(tables)))
                continue
            try:
                found[reference] = lay(tables[source], column, timeline, least)
            except SeriesError as error:
                faults += _placed(self.path, place, error)
        if faults:
            raise ScenarioError(str(self.path), faults)
        return found


@dataclass(frozen=True)
class DataFile:
    """A data file that was read, what it is for, and the digest of its bytes."""

    name: str
    path: Path
    sha256: str


@dataclass(frozen=True)
class Scenario:
    """A scenario that can be solved: its file and its data, laid onto its timeline.

    Attributes
    ----------
    path : Path
        The scenario file.
    file : ScenarioFile
    timeline : Timeline
    columns : dict of str to array
        Every data column that the file refers to, of shape (steps,).
    tables : dict of str to Table
        The data files as they were read.
    sha256 : str
        Digest of the scenario file with everything it uses.
    raw : dict
        The file as it was parsed, for `vary`.
    issued : dict of str to Issued
        Forecasts with issue times, by the series that they foretell.
    files : tuple of DataFile
        Every data file that was read: of sources, forecasts and price years.
    """

    path: Path
    file: ScenarioFile
    timeline: Timeline
    columns: Mapping[str, np.ndarray]
    tables: Mapping[str, SeriesTable]
    sha256: str
    raw: dict[str, Any]
    issued: Mapping[str, Issued] = field(default_factory=dict)
    files: tuple[DataFile, ...] = ()

    @property
    def site(self) -> Site:
        """The site."""
        return self.file.site

    @property
    def storage(self) -> tuple[Any, ...]:
        """Its storage banks."""
        return self.file.storage

    @property
    def tariff(self) -> Tariff:
        """The contract with the system."""
        return self.file.tariff

    @property
    def before_tariff(self) -> Tariff:
        """The contract without the system."""
        return self.file.before_tariff or self.file.tariff

    @property
    def service(self) -> tuple[Product, ...]:
        """The products it may sell."""
        return self.file.service

    @property
    def solve(self) -> Solve:
        """How the answer is looked for."""
        return self.file.solve

    @property
    def foresight(self) -> Foresight:
        """How the year is run without knowing it."""
        return self.file.foresight

    def references(self) -> list[tuple[str, str]]:
        """Every "source.column" of the file, each with its place."""
        return [(place, reference) for place, reference, _ in _references(self.file)]

    def read(self, reference: Any) -> Any:
        """The numbers behind a constant or "source.column"."""
        return self.columns[reference] if isinstance(reference, str) else reference


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
    raw, digest = _parse(path)
    return _build(path, raw, digest)


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
    raw, _ = _parse(path)
    shared = _shared(raw)
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
    faults += _constant_faults(file.tariff, place.rstrip("."))
    used = {reference.partition(".")[0] for _, reference, _ in _references(file.tariff)}
    for name, source in file.source.items():
        if name not in used:
            continue
        try:
            tables[name] = read_table(
                name, source, inside(path, source.file, file.outside_folders, endings=DATA_ENDINGS)
            )
        except ScenarioError as error:
            faults += _placed(path, f"source.{name}", error)
    if faults:
        raise ScenarioError(str(path), faults)
    start = raw["timeline"].get("start") if isinstance(raw.get("timeline"), dict) else None
    year = start.year if isinstance(start, datetime.date) else None
    return Contract(path, file.tariff, file.currency, tables, year, place)


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
    raw = _with_uses(scenario.path, {"use": name}, _Uses(scenario.file.outside_folders, hashlib.sha256()), ())
    return _rebased(raw, name) if "component" in raw else dict(raw)


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
    scenario = None
    try:
        scenario = _build_completed(path, raw, completed, digest, known)
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
) -> Scenario:
    file, faults = _validated(completed)
    sources = file.source if file else _sound_sources(raw)
    outside = file.outside_folders if file else _outside(raw)
    tables = {}
    for name, source in sources.items():
        if known and name in known and known[name].source == source:
            tables[name] = known[name]
            continue
        try:
            tables[name] = read_table(name, source, inside(path, source.file, outside, endings=DATA_ENDINGS))
        except ScenarioError as error:
            faults += _placed(path, f"source.{name}", error)
    if file is None:
        raise ScenarioError(str(path), faults)
    timeline = _timeline(file)
    if isinstance(timeline, str):
        raise ScenarioError(str(path), [*faults, timeline, *_names(file)])
    faults += [*_names(file), *_combinations(file, timeline)]
    columns: dict[str, np.ndarray] = {}
    unfit: dict[str, list[str]] = {}
    for place, reference, least in _references(file):
        source_name, _, column = reference.partition(".")
        if source_name not in file.source:
            faults.append(_no_source(place, reference, list(file.source)))
        elif source_name in tables:
            try:
                columns[reference] = lay(tables[source_name], column, timeline, least)
            except SeriesError as error:
                for fault in _placed(path, "", error):
                    unfit.setdefault(fault, []).append(place)
    faults += [f"{', '.join(places)}{fault}" for fault, places in unfit.items()]
    issued: dict[str, Issued] = {}
    floors = least_of(file)
    for index, told in enumerate(file.foresight.forecast):
        if told.issues is not None:
            try:
                where = inside(path, told.issues.file, outside, endings=DATA_ENDINGS)
                issued[told.of] = read_issued(told.issues, where, timeline, floors.get(told.of))
            except ScenarioError as error:
                faults += _placed(path, f"foresight.forecast.{index}.issues", error)
    files = [
        *(DataFile(name, table.path, table.sha256) for name, table in tables.items()),
        *(DataFile(f"forecast of {of}", told.path, told.sha256) for of, told in issued.items()),
    ]
    faults += [*_price_years(path, raw, file, tables, faults, files)]
    if faults:
        raise ScenarioError(str(path), faults)
    return Scenario(path, file, timeline, columns, tables, digest, raw, issued, tuple(files))


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


def _placed(path: Path, place: str, error: ScenarioError) -> list[str]:
    """The faults of a file that a scenario uses, with the place that names it."""
    where = "" if error.where == str(path) else f" {error.where}:"
    return [f"{place}:{where} {fault}" for fault in error.faults]


def _sound_sources(raw: dict[str, Any]) -> dict[str, Source]:
    """The sources of a faulty file that can be read all the same, so that their data are checked with it."""
    sound, tables = {}, raw.get("source", {})
    for name, table in tables.items() if isinstance(tables, dict) else ():
        with contextlib.suppress(ValidationError):
            sound[name] = Source.model_validate(table)
    return sound


def _outside(raw: dict[str, Any]) -> tuple[str, ...]:
    named = raw.get("outside_folders", [])
    return tuple(map(str, named)) if isinstance(named, list) else ()


def _parse(path: Path) -> tuple[dict[str, Any], str]:
    refuse_no_file(path, "Give a folder that holds scenario.toml.", ScenarioError)
    digest = hashlib.sha256()
    raw = _toml(path, digest)
    try:
        whole = _with_uses(path, raw, _Uses(_outside(raw), digest), ())
    except RecursionError:
        raise ScenarioError(str(path), [TOO_DEEP]) from None
    for key in TARIFFS:
        if isinstance(raw.get(key), dict) and "use" in raw[key]:
            whole[key] = _rebased(whole[key], raw[key]["use"])
    return whole, digest.hexdigest()


def _shared(table: Mapping[str, Any]) -> dict[str, Any]:
    """What a tariff file says beside the tariff's own keys, to which `source` belongs where it is text."""
    keys = ("currency", "outside_folders", *(("source",) if isinstance(table.get("source"), dict) else ()))
    return {key: table[key] for key in keys if key in table}


def _rebased(tariff: dict[str, Any], name: str) -> dict[str, Any]:
    """A tariff from a file, its data files and folders named from where the file is used."""
    folder, shared = Path(name).parent, _shared(tariff)
    sources = {
        own: {**table, "file": (folder / table["file"]).as_posix()}
        if isinstance(table, dict) and isinstance(table.get("file"), str)
        else table
        for own, table in shared.get("source", {}).items()
    }
    outside = [(folder / other).as_posix() for other in _outside(tariff)]
    return {
        **tariff,
        **({"source": sources} if "source" in shared else {}),
        **({"outside_folders": outside} if "outside_folders" in shared else {}),
    }


def _lifted(raw: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The file with what its tariffs say of currency and data files put where a scenario says it, and faults."""
    faults = []
    for key in TARIFFS:
        tariff: dict[str, Any] = raw[key] if isinstance(raw.get(key), dict) else {}
        shared = _shared(tariff)
        if not shared:
            continue
        own = raw.get("currency")
        if shared.get("currency", own) != own:
            faults.append(
                f"{key}.currency must be the scenario's, {_shown(own)}, got {_shown(shared['currency'])}. Use a "
                "tariff in the scenario's currency."
            )
        raw = {**raw, key: {name: value for name, value in tariff.items() if name not in shared}}
        if "source" in shared:
            known = raw.get("source", {})
            raw["source"] = {**shared["source"], **known} if isinstance(known, dict) else known
        if "outside_folders" in shared:
            raw["outside_folders"] = [*_outside(raw), *_outside(shared)]
    return raw, faults


def _toml(path: Path, digest: Any, *, quoted: bool = True) -> dict[str, Any]:
    """The file, parsed; `quoted` is whether a fault may show the line that it is in."""
    content = bounded_bytes(path, MOST_BYTES, "Data belong in CSV or Parquet files.", ScenarioError)
    digest.update(content)
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except RecursionError:
        raise ScenarioError(str(path), [TOO_DEEP]) from None
    except UnicodeDecodeError:
        raise ScenarioError(str(path), ["the file is not text in UTF-8. Save it as UTF-8."]) from None
    except tomllib.TOMLDecodeError as problem:
        raise ScenarioError(
            str(path), [_toml_fault(content.decode("utf-8-sig"), str(problem), quoted)]
        ) from None
    except ValueError:
        raise ScenarioError(str(path), ["a whole number has thousands of digits. Shorten it."]) from None


_HINTS = (
    (r"=\s*-?\d{1,3}(,\d{3})+(?!\d)", "Write numbers without commas: 50000, and 0.5 with a point."),
    (r"=\s*-?\d+,\d", "Write a decimal number with a point: 10.5."),
    (r"=\s*\d\d?:\d\d\s*($|#|,|}|\n)", 'Put clock times in quotes: "07:00".'),
    (r"=\s*-?[\d.]+\s*%", "Write a percentage as a fraction: 0.19."),
    (r"[\u201c\u201d\u2018\u2019]", "Use straight quotes, \" or '."),
    (r"^[^\n]*\\", "Write paths with / or put them in single quotes."),
    (r"\nIllegal character|\nUnterminated", "Close the quotes on the line they were opened on."),
    (r"\nInvalid date", "There is no such date; write one that exists, such as 2025-06-30."),
    (r"\nCannot (overwrite|declare)|\nDuplicate", "The key or table stands there twice; keep one."),
    (r"=\s*[A-Za-z].*\nInvalid value", 'Put text in quotes: title = "My site".'),
    (r"=\s*-?[\d.]+\s*[A-Za-z]", "Write a number without its unit."),
)


def _toml_fault(content: str, words: str, quoted: bool) -> str:
    """What is wrong with the syntax, with a hint for the usual slips."""
    found = re.search(r"at line (\d+)", words)
    lines = content.splitlines()
    line = lines[int(found[1]) - 1].strip() if found and int(found[1]) <= len(lines) else ""
    hints = (hint for pattern, hint in _HINTS if re.search(pattern, f"{line}\n{words}"))
    hint = next(hints, "Check brackets, quotes and equals signs there.")
    shown = f" ({line[:80]!r})" if line and quoted else ""
    return f"the syntax is not TOML: {words}{shown}. {hint}"


@dataclass
class _Uses:
    """What the files of one scenario share while they are put together.

    Attributes
    ----------
    folders : tuple of str
        Folders outside the scenario's own that files may be taken from.
    digest : hash
        Of the bytes of all.
    files : dict of Path to tuple
        Each file that was used, parsed, and its size in bytes.
    count, size : int
        How many uses there were, and how many bytes they stand for.
    """

    folders: tuple[str, ...]
    digest: Any
    files: dict[Path, tuple[dict[str, Any], int]] = field(default_factory=dict)
    count: int = 0
    size: int = 0

    def content(self, path: Path, used: Path) -> dict[str, Any]:
        """A used file, read once; files that use files many times over stand for more than can be meant."""
        if used not in self.files:
            own = used.is_relative_to(path.parent.resolve())  # of others no line is ever shown
            self.files[used] = _toml(used, self.digest, quoted=own), used.stat().st_size
        content, size = self.files[used]
        self.count, self.size = self.count + 1, self.size + size
        if self.count > MOST_USES or self.size > MOST_USED_BYTES:
            raise ScenarioError(
                str(path),
                [
                    f"`use` stands more than {MOST_USES} times in the scenario and the files that it uses, or for more "
                    f"than {MOST_USED_BYTES} bytes. Join equal equipment by `units`, or write the tables out."
                ],
            )
        return content


def _with_uses(path: Path, table: Any, uses: _Uses, users: tuple[Path, ...]) -> Any:
    """Replace each table that says `use = "file.toml"` with that file's content under its own keys.

    `users` are the files that led here, so that a circle is seen.
    """
    if isinstance(table, list):
        return [_with_uses(path, item, uses, users) for item in table]
    if not isinstance(table, dict):
        return table
    table = {key: _with_uses(path, value, uses, users) for key, value in table.items()}
    if "use" not in table:
        return table
    name = table.pop("use")
    if not isinstance(name, str):
        raise ScenarioError(str(path), [f"use must name a TOML file in quotes, got {_shown(name)}."])
    used = inside(path, name, uses.folders, endings=(".toml",))
    if not used.is_file():
        raise ScenarioError(str(path), [f'use = "{name}" names a file that does not exist. Check the path.'])
    if used in users or used == path.resolve() or len(users) > 5:
        raise ScenarioError(
            str(path),
            [
                f'use = "{name}" leads back to a file that uses it, or through more than 6 files. Break the chain.'
            ],
        )
    content = _with_uses(path, uses.content(path, used), uses, (*users, used))
    (header, inner), *others = content.items() or [("", None)]
    if isinstance(inner, dict) and not others:
        shown = f"[{header}]" if used.is_relative_to(path.parent.resolve()) else "a header"
        raise ScenarioError(
            str(path), [f'use = "{name}": that file puts its keys under {shown}. Remove the header there.']
        )
    return {**content, **table}


def inside(
    path: Path,
    name: str,
    folders: tuple[str, ...] = (),
    where: str = "the scenario folder",
    way: str = "Copy it in, or name its folder in outside_folders.",
    endings: tuple[str, ...] = (),
) -> Path:
    """A file that the file at `path` names, which must lie in its folder or in one that it names.

    Raises
    ------
    ScenarioError
        If it lies elsewhere, outside `where`, with the way out; lies in a folder named with another of the `endings`
        wanted, so that a fault never shows what other files hold; or is no path that can be used.
    """
    try:
        folder = path.parent.resolve()
        target = (folder / name).resolve()
        allowed = [folder, *((folder / other).resolve() for other in folders)]
        target.is_file()
    except (OSError, ValueError, RuntimeError) as problem:  # too long, a zero byte, links in a circle
        words = getattr(problem, "strerror", None) or str(problem)
        raise ScenarioError(
            str(path), [f"{name[:80]!r} is no path that can be used: {words}. Check it."]
        ) from None
    if not any(target.is_relative_to(parent) for parent in allowed):
        raise ScenarioError(str(path), [f'"{name}" lies outside {where}. {way}'])
    if endings and not target.is_relative_to(folder) and target.suffix.lower() not in endings:
        wanted = " or ".join(endings)
        raise ScenarioError(
            str(path), [f'"{name}" lies outside {where}, where a file must end in {wanted}. Rename it.']
        )
    return target


def _timeline(file: ScenarioFile) -> Timeline | str:
    """The steps of a scenario, or what is wrong with them."""
    span = file.timeline
    if 60 % span.step_minutes:
        return f"timeline.step_minutes must divide 60, got {span.step_minutes}. Use 5, 10, 15, 30 or 60."
    last = span.start.toordinal() + span.days
    if span.start.year < 1970 or last > datetime.date(2200, 1, 1).toordinal():
        return f"timeline must lie between 1970 and 2199, got {span.days} days from {span.start}. Check start and days."
    zone = zone_of(span.zone)
    midnight = datetime.time()
    start = datetime.datetime.combine(span.start, midnight, zone)
    end = datetime.datetime.combine(datetime.date.fromordinal(last), midnight, zone)
    minutes = (end.astimezone(datetime.UTC) - start.astimezone(datetime.UTC)).total_seconds() / 60
    if minutes % span.step_minutes:
        return (
            f"timeline.step_minutes must divide the {minutes / 60:g} hours of the timeline, got {span.step_minutes}. "
            "Use a shorter step."
        )
    steps = round(minutes / span.step_minutes)
    if steps > MOST_STEPS:
        return f"timeline has {steps} steps, the most is {MOST_STEPS}. Shorten timeline.days."
    return Timeline(start, span.step_minutes, steps, span.zone)


def _names(file: ScenarioFile) -> Iterator[str]:
    """Names that must differ."""
    lists = {
        "site.inverter": file.site.inverter,
        "site.solar_controller": file.site.solar_controller,
        "site.ac_solar": file.site.ac_solar,
        "storage": file.storage,
        "service": file.service,
    }
    for place, items in lists.items():
        seen: dict[str, int] = {}
        for index, item in enumerate(items):
            if item.name in seen:
                yield f"{place}.{index}.name is {item.name!r}, like {place}.{seen[item.name]}. Give each its own name."
            seen.setdefault(item.name, index)
            if not re.fullmatch(r"[\w -]{1,40}", item.name):
                yield f"{place}.{index}.name must be 1 to 40 letters, digits, spaces, - or _, got {item.name!r}."
    years = [year.name for year in file.price_year]
    for index, name in enumerate(years):
        if name in years[:index]:
            yield f"price_year.{index}.name is {name!r}, like another one. Give each its own name."
    for key in ("tariff", "before_tariff"):
        contract = getattr(file, key)
        if contract is not None:
            yield from (f"{key}.{fault}" for fault in contract.twins())


def _combinations(file: ScenarioFile, timeline: Timeline) -> Iterator[str]:
    """Rules that hold between parts of the file."""
    direct = [bank for bank in file.storage if bank.converter is None]
    if len(direct) > 1:
        yield (
            "storage has "
            + str(len(direct))
            + " banks directly on the DC bus, which would share one voltage. Join equal ones by `units`; give every "
            "other technology a converter."
        )
    if file.storage and not file.site.inverter:
        yield "site.inverter is empty but there is storage. Add the inverter that connects it."
    if file.site.solar_controller and not file.site.inverter:
        yield "site.inverter is empty but there are solar controllers on the DC bus. Add the inverter."
    if file.site.dc_load is not None and not file.site.inverter:
        yield "site.dc_load is given but nothing feeds the DC bus from the grid. Add the inverter in site.inverter."
    if file.service and not file.site.inverter:
        yield "service needs at least one inverter in site.inverter."
    limited = any(c.current_limit_a for c in file.site.solar_controller) or any(
        i.dc_current_limit_a for i in file.site.inverter
    )
    if limited and not direct and file.site.dc_voltage_v is None:
        yield "site.dc_voltage_v is required: current limits are given, and no bank sits on the bus directly."
    if file.cost is not None:
        yield from (f"cost.{fault}" for fault in file.cost.faults(file.storage))
    for key in ("tariff", "before_tariff"):
        tariff = getattr(file, key)
        if tariff is None:
            continue
        yield from (f"{key}.{fault}" for fault in tariff.faults(timeline))
    met = {reference for place, reference, _ in _references(file) if role_of(place) not in (None, "limit")}
    for index, told in enumerate(file.foresight.forecast):
        if told.of not in met:
            near = difflib.get_close_matches(told.of, sorted(met), 1, cutoff=0.5)
            way = f"did you mean {near[0]}?" if near else "name a price, load or solar of this file."
            yield f"foresight.forecast.{index}.of is {told.of!r}, which is no series that plans meet; {way}"
    if file.backup is not None:
        yield from (f"backup.{fault}" for fault in file.backup.faults(file.site))
    for index, product in enumerate(file.service):
        if product.block_minutes and (
            (
                product.block_minutes % file.timeline.step_minutes
                and product.block_minutes > file.timeline.step_minutes
            )
            or 1440 % product.block_minutes
        ):
            yield (
                f"service.{index}.block_minutes is {product.block_minutes}; it must divide a day and be whole steps of "
                f"{file.timeline.step_minutes} min."
            )
        elif product.price_unit == "per_mw_block" and product.block_minutes < file.timeline.step_minutes:
            yield (
                f"service.{index}.price_unit is per_mw_block and a step of {file.timeline.step_minutes} min holds "
                f"several blocks of {product.block_minutes} min. Use a shorter step, or a price per_mw_hour."
            )
    yield from _solar_groups(file)


def _solar_groups(file: ScenarioFile) -> Iterator[str]:
    """A group's kW come from solar for all of its products or for none."""
    first: dict[str, int] = {}
    for index, product in enumerate(file.service):
        if product.direction == "up":
            continue
        other = first.setdefault(product.group, index)
        if file.service[other].from_solar != product.from_solar:
            yield (
                f"service.{index}.from_solar differs from service.{other}, of the same response group "
                f"{product.group!r}. Set both alike."
            )


def _references(model: BaseModel, place: str = "") -> Iterator[tuple[str, str, float | None]]:
    """Every "source.column" of a scenario: its place, itself, and its least value."""
    for name, info in type(model).model_fields.items():
        value = getattr(model, name)
        here = f"{place}.{info.alias or name}" if place else name
        extra = info.json_schema_extra if isinstance(info.json_schema_extra, dict) else {}
        if extra.get("series"):
            if isinstance(value, str):
                least = extra.get("at_least")
                yield here, value, least if isinstance(least, (int, float)) else None
        elif isinstance(value, BaseModel):
            yield from _references(value, here)
        elif isinstance(value, tuple):
            for index, item in enumerate(value):
                if isinstance(item, BaseModel):
                    yield from _references(item, f"{here}.{index}")


def least_of(file: ScenarioFile) -> dict[str, float | None]:
    """Every "source.column" of a file, with the least value that it may have anywhere it is used."""
    least: dict[str, float | None] = {}
    for _, reference, bound in _references(file):
        known = least.get(reference)
        least[reference] = bound if known is None else known if bound is None else max(known, bound)
    return least


def _no_source(place: str, reference: str, sources: list[str]) -> str:
    name = reference.partition(".")[0]
    near = difflib.get_close_matches(name, sources, 1)
    hint = f"did you mean {near[0]}?" if near else f"add [source.{name}] with its file."
    return f'{place} = "{reference}" names the source {name}, which is not declared; {hint}'


Model = TypeVar("Model", bound=BaseModel)


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """A TOML file as it was parsed, and its digest.

    Raises
    ------
    ScenarioError
        If there is no such file or it is not TOML: line, column and the usual slip behind it.
    """
    refuse_no_file(path, "Check its name.", ScenarioError)
    digest = hashlib.sha256()
    return _toml(path, digest), digest.hexdigest()


def checked(model: type[Model], raw: dict[str, Any]) -> tuple[Model | None, list[str]]:
    """A parsed table as `model`, or None with a sentence for each of its faults."""
    try:
        return model.model_validate(raw), []
    except ValidationError as error:
        return None, _faults(model, raw, [dict(detail) for detail in error.errors()])
    except RecursionError:
        return None, [TOO_DEEP]


def _validated(raw: dict[str, Any]) -> tuple[ScenarioFile | None, list[str]]:
    """The typed file, or None, and its faults."""
    file, faults = checked(ScenarioFile, raw)
    if file is None:
        return None, faults
    return file, _constant_faults(file)


def _constant_faults(model: BaseModel, root: str = "") -> list[str]:
    """Constants out of bounds that stand where a series may."""
    faults = []
    for place, value, least in _constants(model, root):
        if least is not None and value < least:
            faults.append(f"{place} must be at least {least:g}, got {value:g}. Check its sign.")
        elif abs(value) > MOST:
            faults.append(f"{place} must be at most {MOST:g}, got {value:g}. Check its unit.")
    return faults


def _constants(model: BaseModel, place: str = "") -> Iterator[tuple[str, float, float | None]]:
    """Constants that stand where a series may."""
    for name, info in type(model).model_fields.items():
        value = getattr(model, name)
        here = f"{place}.{name}" if place else name
        extra = info.json_schema_extra if isinstance(info.json_schema_extra, dict) else {}
        least = extra.get("at_least")
        if extra.get("series") and isinstance(value, (int, float)):
            yield here, value, least if isinstance(least, (int, float)) else None
        elif isinstance(value, BaseModel):
            yield from _constants(value, here)
        elif isinstance(value, tuple):
            for index, item in enumerate(value):
                if isinstance(item, BaseModel):
                    yield from _constants(item, f"{here}.{index}")


def _faults(model: type[BaseModel], raw: Any, details: list[dict[str, Any]]) -> list[str]:
    """A sentence for each fault that pydantic found; one for a slip that it sees twice."""
    numbers = {detail["loc"][:-1] for detail in details if detail["loc"][-1:] == ("float",)}
    missing = {detail["loc"] for detail in details if detail["type"] == "missing"}
    places = {detail["loc"] for detail in details}
    faults, meant = [], set()
    for detail in details:
        loc = detail["loc"]
        if loc[-1:] == ("str",) and loc[:-1] in numbers:
            continue  # a number or a series: said once, for the number
        if detail["type"] == "too_short" and any(
            other[: len(loc)] == loc and other != loc for other in places
        ):
            continue  # its items are there, and what is wrong with them is said
        if detail["type"] == "extra_forbidden":
            wanted = [str(other[-1]) for other in missing if other[:-1] == loc[:-1]]
            key = str(loc[-1])
            near = difflib.get_close_matches(RENAMED.get(key, key), wanted, 1, cutoff=0.6)
            meant |= {(*loc[:-1], key) for key in near}
            detail["near"] = near
        faults.append((loc, _fault(model, raw, detail)))
    return list(dict.fromkeys(fault for loc, fault in faults if loc not in meant))


_WORDS = {
    "greater_than": "must be above {gt:g}",
    "greater_than_equal": "must be at least {ge:g}",
    "less_than_equal": "must be at most {le:g}",
    "less_than": "must be below {lt:g}",
    "finite_number": "must be a finite number",
    "float_type": "must be a number",
    "series_type": 'must be a number, or "source.column" in quotes',
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "string_type": "must be text in quotes",
    "bool_type": "must be true or false",
    "date_type": "must be a date such as 2025-01-01, without quotes",
    "literal_error": "must be one of {expected}",
    "too_short": "must have at least {min_length} item",
    "string_too_long": "must be at most {max_length} characters long",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "model_attributes_type": "must be a table",
    "tuple_type": "must be a list",
}


def _fault(model: type[BaseModel], raw: Any, detail: dict[str, Any]) -> str:
    """One sentence: place, rule, what came, what to do."""
    location = _location(raw, detail["loc"])
    place = ".".join(map(str, location)) or "the file"
    kind, context, value = detail["type"], detail.get("ctx", {}), detail.get("input")
    if kind == "missing":
        return f"{place} is required but missing. Add it."
    if kind == "extra_forbidden":
        known = _known_keys(model, detail["loc"])
        key = str(location[-1])
        near = [RENAMED[key]] if RENAMED.get(key) in known else detail["near"]
        near = near or difflib.get_close_matches(key, known, 1, cutoff=0.5)
        if model in (ScenarioFile, ContractFile):
            where = "remove it, or see the starter for the keys there are."
        elif "kind" in known:
            others = ", ".join(key for key in known if key != "kind")
            where = f'remove it: kind = "{detail["loc"][-2]}" takes {others or "no other key"}.'
        else:
            where = f"remove it, or use {', '.join(known)}."
        way = f"did you mean {near[0]}?" if near else where
        return f"{place} is not known here; {way}"
    if kind == "union_tag_not_found":
        return f"{place}.kind is required but missing. Add it."
    if kind == "union_tag_invalid":
        near = difflib.get_close_matches(str(context["tag"]), sorted(_KIND_OF), 1)
        hint = f" Did you mean {near[0]}?" if near else ""
        return f"{place}.kind must be one of {context['expected_tags']}, got {context['tag']!r}.{hint}"
    if kind == "value_error":
        shown = "" if isinstance(value, (dict, list, BaseModel)) else f", got {_shown(value)}"
        return f"{place}: {context.get('error', detail['msg'])}{shown}."
    if detail["loc"][-1] == "float" and kind == "float_type":
        kind = "series_type"
    words = _WORDS[kind].format(**context) if kind in _WORDS else detail["msg"]
    return f"{place} {words}, got {_shown(value)}.{_way_out(kind, place, value)}"


def _way_out(kind: str, place: str, value: Any) -> str:
    """What to do about a value that breaks a rule, where that is not plain from the rule."""
    if kind == "tuple_type" and isinstance(value, dict):
        return f" Begin each of its items with [[{place}]]."
    if kind == "model_type" and isinstance(value, list):
        return f" Begin it with [{place}]."
    if kind == "float_type" and isinstance(value, str):
        return " Write it without quotes or unit."
    if kind in ("greater_than", "greater_than_equal") and isinstance(value, (int, float)) and value < 0:
        return " Check its sign."
    return " Check its unit." if kind == "less_than_equal" else ""


def _shown(value: Any) -> str:
    """A value as the file writes it, cut to a line."""
    if isinstance(value, (dict, list, tuple)):
        kind = "table" if isinstance(value, dict) else "list"
        return f"a {kind}" if value else f"an empty {kind}"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    words = repr(value)
    return words if len(words) <= 80 else f"{words[:76]} ..."


def _location(raw: Any, loc: tuple[Any, ...]) -> list[Any]:
    """The place in the file: pydantic's, without the names of alternatives."""
    place, target = [], raw
    for index, part in enumerate(loc):
        if (isinstance(target, dict) and part in target) or (
            isinstance(target, list) and isinstance(part, int) and part < len(target)
        ):
            place.append(part)
            target = target[part]
        elif index == len(loc) - 1 and not _is_alternative(part):
            place.append(part)
    return place


_KIND_OF = {
    get_args(model.model_fields["kind"].annotation)[0]: model for model in (*storage.KINDS, *tariff.KINDS)
}


def _is_alternative(part: Any) -> bool:
    return isinstance(part, str) and (part in ("float", "str", "int") or part in _KIND_OF or "[" in part)


def _known_keys(root: type[BaseModel], loc: tuple[Any, ...]) -> list[str]:
    """Keys that are known at a place of a file."""
    models: list[type[BaseModel]] = [root]
    for part in loc[:-1]:
        if part in _KIND_OF:
            models = [_KIND_OF[part]]
            continue
        tagged = [model for model in models if _kind_of(model) == part]
        if tagged:
            models = tagged
            continue
        if isinstance(part, int) or _is_alternative(part):
            continue
        inner: list[type[BaseModel]] = []
        for model in models:
            for name, info in model.model_fields.items():
                if part in (name, info.alias):
                    inner += _models_in(info.annotation)
        if inner:
            models = inner
    return [info.alias or name for model in models for name, info in model.model_fields.items()]


def _kind_of(model: type[BaseModel]) -> str | None:
    """The `kind` that a file says of a model; None if it says none."""
    info = model.model_fields.get("kind")
    words = get_args(info.annotation) if info is not None else ()
    return words[0] if len(words) == 1 else None


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in _models_in(part)]


def json_schema() -> dict[str, Any]:
    """JSON Schema of scenario files, for editors; a service that names a product needs no more than its price."""
    schema = ScenarioFile.model_json_schema(by_alias=True)
    service = schema["$defs"][Product.__name__]
    service["anyOf"] = [{"required": service.pop("required")}, {"required": ["product", "price"]}]
    return schema
