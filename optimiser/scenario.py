"""The only reader of a scenario folder: typed, frozen, every fault found at once and named by its place."""

from __future__ import annotations

import copy
import datetime
import difflib
import hashlib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import numpy as np
from pydantic import BaseModel, Field, StrictStr, ValidationError

from optimiser.errors import ScenarioError, SeriesError
from optimiser.fields import Component, ZoneName, quantity, several, text, zone_of
from optimiser.series import Source, Table, lay, read_table
from optimiser.services import Product
from optimiser.site import Site
from optimiser import storage, tariff
from optimiser.storage import AnyBank
from optimiser.tariff import DemandCharge, Tariff
from optimiser.timeline import Timeline

FILE_NAME = "scenario.toml"
MOST_BYTES = 2_000_000
MOST_STEPS = 600_000


class Span(Component):
    """The steps that are scheduled."""

    start: datetime.date = Field(description="first day, from midnight on the site's clock")
    days: int = quantity("days", "number of days", above=0)
    step_minutes: int = quantity("min", "length of a step", above=0, at_most=60)
    zone: ZoneName = text("zone of the site's clock")


class Cost(Component):
    """What the system costs, for payback and net present value."""

    capital: float = quantity("currency", "capital cost installed, before tax credits", at_least=0)
    yearly: float = quantity("currency/year", "maintenance and subscriptions", default=0.0, at_least=0)
    life_years: int = quantity("years", "years that are appraised", default=15, above=0, at_most=60)
    discount_rate_fraction: float = quantity("-", "discount rate", default=0.06, at_least=0, at_most=1)


class Solve(Component):
    """How the answer is looked for."""

    gap_tolerance: float = quantity("-", "proven relative gap that counts as optimal", default=1e-6, above=0, at_most=0.5)
    time_limit_s: float = quantity("s", "time after which the best found is returned with its gap", default=600.0, above=0)
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
    before_tariff: Tariff | None = Field(default=None, description="contract of the before-case, if it differs")
    service: several(Product) = ()  # type: ignore[valid-type]
    cost: Cost | None = None
    solve: Solve = Field(default_factory=Solve)


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
    """

    path: Path
    file: ScenarioFile
    timeline: Timeline
    columns: Mapping[str, np.ndarray]
    tables: Mapping[str, Table]
    sha256: str
    raw: dict[str, Any]

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
    if path.is_dir():
        path = path / FILE_NAME
    raw, digest = _parse(path)
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
                target = target[int(part)] if isinstance(target, list) else target.setdefault(part, {})
            if isinstance(target, list):
                target[int(last)] = value
            else:
                target[last] = value
        except (KeyError, IndexError, ValueError, TypeError, AttributeError):
            raise ScenarioError(str(scenario.path), [f"{place} is no path in this scenario."]) from None
    text_form = json.dumps(raw, sort_keys=True, default=str)
    return _build(scenario.path, raw, hashlib.sha256(text_form.encode()).hexdigest())


def _build(path: Path, raw: dict[str, Any], digest: str) -> Scenario:
    file = _validated(path, raw)
    timeline = _timeline(path, file)
    faults = list(_names(file)) + list(_combinations(file, timeline))
    tables, columns = {}, {}
    for name, source in file.source.items():
        try:
            tables[name] = read_table(name, source, _inside(path, source.file, file.outside_folders))
        except ScenarioError as error:
            faults += [f"source.{name}: {error.where} {fault}" for fault in error.faults]
    for place, reference, least in _references(file):
        source_name, _, column = reference.partition(".")
        if source_name not in file.source:
            faults.append(_unknown_source(place, reference, file))
        elif source_name in tables:
            try:
                columns[reference] = lay(tables[source_name], column, timeline, least)
            except SeriesError as error:
                faults += [f"{place}: {error.where} {fault}" for fault in error.faults]
    if faults:
        raise ScenarioError(str(path), faults)
    return Scenario(path, file, timeline, columns, tables, digest, raw)


def _parse(path: Path) -> tuple[dict[str, Any], str]:
    if not path.is_file():
        raise ScenarioError(str(path), ["the file does not exist. Give a folder that holds scenario.toml."])
    digest = hashlib.sha256()
    raw = _toml(path, digest)
    outside = raw.get("outside_folders", [])
    folders = tuple(str(f) for f in outside) if isinstance(outside, list) else ()
    return _with_uses(path, raw, folders, digest, 0), digest.hexdigest()


def _toml(path: Path, digest: Any) -> dict[str, Any]:
    if path.stat().st_size > MOST_BYTES:
        raise ScenarioError(str(path), [f"the file is larger than {MOST_BYTES} bytes; data belong in CSV or Parquet files."])
    content = path.read_bytes()
    digest.update(content)
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise ScenarioError(str(path), ["the file is not text in UTF-8. Save it as UTF-8."]) from None
    except tomllib.TOMLDecodeError as problem:
        raise ScenarioError(str(path), [_toml_fault(content.decode("utf-8-sig"), str(problem))]) from None


def _toml_fault(content: str, words: str) -> str:
    """What is wrong with the syntax, with a hint for the usual slips."""
    found = re.search(r"at line (\d+)", words)
    lines = content.splitlines()
    line = lines[int(found[1]) - 1].strip() if found and int(found[1]) <= len(lines) else ""
    hint = "Check brackets, quotes and equals signs there."
    if re.search(r"=\s*\d{1,3}(,\d{3})+", line):
        hint = "Write numbers without commas: 50000."
    elif re.search(r"=\s*\d\d?:\d\d\s*($|#|,|})", line):
        hint = 'Put clock times in quotes: "07:00".'
    elif "\\" in line:
        hint = "Write paths with / or put them in single quotes."
    shown = f" ({line[:80]!r})" if line else ""
    return f"the syntax is not TOML: {words}{shown}. {hint}"


def _with_uses(path: Path, table: Any, folders: tuple[str, ...], digest: Any, depth: int) -> Any:
    """Replace each table that says `use = "file.toml"` with that file's content under its own keys."""
    if isinstance(table, list):
        return [_with_uses(path, item, folders, digest, depth) for item in table]
    if not isinstance(table, dict):
        return table
    table = {key: _with_uses(path, value, folders, digest, depth) for key, value in table.items()}
    if "use" not in table:
        return table
    name = table.pop("use")
    if not isinstance(name, str) or depth > 5:
        raise ScenarioError(str(path), [f"use = {name!r} must name a TOML file, and files may not use each other in circles."])
    used = _inside(path, name, folders)
    if not used.is_file():
        raise ScenarioError(str(path), [f'use = "{name}" names a file that does not exist. Check the path.'])
    content = _with_uses(path, _toml(used, digest), folders, digest, depth + 1)
    return {**content, **table}


def _inside(path: Path, name: str, folders: tuple[str, ...]) -> Path:
    """A file named by a scenario, which must lie in its folder or in one that it names."""
    folder = path.parent.resolve()
    target = (folder / name).resolve()
    allowed = [folder, *((folder / other).resolve() for other in folders)]
    if not any(target.is_relative_to(parent) for parent in allowed):
        raise ScenarioError(
            str(path),
            [f'"{name}" lies outside the scenario folder. Copy it in, or name its folder in outside_folders.'],
        )
    return target


def _timeline(path: Path, file: ScenarioFile) -> Timeline:
    span = file.timeline
    if 60 % span.step_minutes:
        raise ScenarioError(
            str(path), [f"timeline.step_minutes must divide 60, got {span.step_minutes}. Use 5, 10, 15, 30 or 60."]
        )
    zone = zone_of(span.zone)
    midnight = datetime.time()
    try:
        last = span.start + datetime.timedelta(days=span.days)
    except OverflowError:
        raise ScenarioError(str(path), [f"timeline.days is too large, got {span.days}."]) from None
    start = datetime.datetime.combine(span.start, midnight, zone)
    end = datetime.datetime.combine(last, midnight, zone)
    minutes = (end.astimezone(datetime.UTC) - start.astimezone(datetime.UTC)).total_seconds() / 60
    if minutes % span.step_minutes:
        raise ScenarioError(
            str(path),
            [f"timeline.step_minutes must divide the {minutes / 60:g} hours of the timeline, got {span.step_minutes}. Use a shorter step."],
        )
    steps = round(minutes / span.step_minutes)
    if steps > MOST_STEPS:
        raise ScenarioError(str(path), [f"the timeline has {steps} steps, the most is {MOST_STEPS}. Shorten timeline.days."])
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
    for key in ("tariff", "before_tariff"):
        tariff = getattr(file, key)
        if tariff is None:
            continue
        names = [(c.kind, c.name) for c in tariff.component]
        for index, name in enumerate(names):
            if name in names[:index]:
                yield f"{key}.component.{index} has the kind and name of another one. Give each its own name."


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
    if file.site.dc_load_kw != 0 and not file.site.inverter:
        yield "site.dc_load_kw is given but nothing can feed the DC bus from the grid. Add the inverter in site.inverter."
    if file.service and not file.site.inverter:
        yield "service needs at least one inverter in site.inverter."
    limited = any(c.current_limit_a for c in file.site.solar_controller) or any(
        i.dc_current_limit_a for i in file.site.inverter
    )
    if limited and not direct and file.site.dc_voltage_v is None:
        yield "site.dc_voltage_v is required: current limits are given, and no bank sits on the bus directly."
    for key in ("tariff", "before_tariff"):
        tariff = getattr(file, key)
        if tariff is None:
            continue
        for index, component in enumerate(tariff.component):
            if hasattr(component, "uncovered"):
                step = component.uncovered(timeline, tariff.zone)
                if step is not None:
                    when = timeline.local(tariff.zone)[step].strftime("%a %Y-%m-%d %H:%M")
                    yield (
                        f"{key}.component.{index}.rates leave {when} ({tariff.zone}) without a rate. "
                        "End the list with a rate that has no `when`."
                    )
            if isinstance(component, DemandCharge) and component.interval_minutes % file.timeline.step_minutes and (
                component.interval_minutes > file.timeline.step_minutes
            ):
                yield (
                    f"{key}.component.{index}.interval_minutes is {component.interval_minutes}, which "
                    f"{file.timeline.step_minutes} min steps do not divide. Change step_minutes."
                )
    for index, product in enumerate(file.service):
        if product.block_minutes and (
            product.block_minutes % file.timeline.step_minutes and product.block_minutes > file.timeline.step_minutes
            or 1440 % product.block_minutes
        ):
            yield (
                f"service.{index}.block_minutes is {product.block_minutes}; it must divide a day and be whole steps of "
                f"{file.timeline.step_minutes} min."
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


def _unknown_source(place: str, reference: str, file: ScenarioFile) -> str:
    name = reference.partition(".")[0]
    near = difflib.get_close_matches(name, list(file.source), 1)
    hint = f"did you mean {near[0]}?" if near else f'add [source.{name}] with its file.'
    return f'{place} = "{reference}" names the source {name}, which is not declared; {hint}'


def _validated(path: Path, raw: dict[str, Any]) -> ScenarioFile:
    try:
        file = ScenarioFile.model_validate(raw)
    except ValidationError as error:
        faults = _merged([_fault(raw, dict(detail)) for detail in error.errors()])
        raise ScenarioError(str(path), faults) from None
    negative = [
        f"{place} must be at least {least:g}, got {value:g}. Check its sign."
        for place, value, least in _constants(file)
        if least is not None and value < least
    ]
    if negative:
        raise ScenarioError(str(path), negative)
    return file


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


def _merged(faults: list[str]) -> list[str]:
    return list(dict.fromkeys(faults))


_WORDS = {
    "greater_than": "must be above {gt:g}",
    "greater_than_equal": "must be at least {ge:g}",
    "less_than_equal": "must be at most {le:g}",
    "less_than": "must be below {lt:g}",
    "finite_number": "must be a finite number",
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "string_type": "must be text in quotes",
    "bool_type": "must be true or false",
    "date_type": "must be a date such as 2025-01-01, without quotes",
    "literal_error": "must be one of {expected}",
    "string_too_long": "must be shorter",
    "dict_type": "must be a table",
    "model_type": "must be a table",
    "tuple_type": "must be a list",
}


def _fault(raw: Any, detail: dict[str, Any]) -> str:
    """One sentence: place, rule, what came, what to do."""
    location = _location(raw, detail["loc"])
    place = ".".join(map(str, location)) or "the file"
    kind, context, value = detail["type"], detail.get("ctx", {}), detail.get("input")
    if kind == "missing":
        return f"{place} is required but missing. Add it."
    if kind == "extra_forbidden":
        known = _known_keys(detail["loc"])
        near = difflib.get_close_matches(str(location[-1]), known, 1, cutoff=0.5)
        way = f"did you mean {near[0]}?" if near else "remove it, or see the starter for the keys there are."
        return f"{place} is not known here; {way}"
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        tag = context.get("tag")
        known = sorted(_KIND_OF)
        near = difflib.get_close_matches(str(tag), known, 1)
        expected = context.get("expected_tags", "a known kind")
        rule = f"{place}.kind must be one of {expected}" if tag else f"{place}.kind is required but missing"
        return f"{rule}, got {tag!r}." + (f" Did you mean {near[0]}?" if near else "") if tag else f"{rule}. Add it."
    if kind == "value_error":
        words = str(context.get("error", detail["msg"]))
        shown = f", got {value!r}" if isinstance(value, (str, int, float)) else ""
        return f"{place}: {words}{shown}."
    words = _WORDS.get(kind, detail["msg"]).format(**context) if kind in _WORDS else detail["msg"]
    hint = {"greater_than_equal": " Check its sign.", "less_than_equal": " Check its unit.", "float_type": " Write it without quotes or unit."}
    shown = repr(value) if not isinstance(value, (dict, list)) else "a table or list"
    return f"{place} {words}, got {shown[:80]}.{hint.get(kind, '')}"


def _location(raw: Any, loc: tuple[Any, ...]) -> list[Any]:
    """The place in the file: pydantic's, without the names of alternatives."""
    place, target = [], raw
    for index, part in enumerate(loc):
        if isinstance(target, dict) and part in target:
            place.append(part)
            target = target[part]
        elif isinstance(target, list) and isinstance(part, int) and part < len(target):
            place.append(part)
            target = target[part]
        elif index == len(loc) - 1 and not _is_alternative(part):
            place.append(part)
    return place


_KIND_OF = {get_args(model.model_fields["kind"].annotation)[0]: model for model in (*storage.KINDS, *tariff.KINDS)}


def _is_alternative(part: Any) -> bool:
    return isinstance(part, str) and (part in ("float", "str", "int") or part in _KIND_OF or "[" in part)


def _known_keys(loc: tuple[Any, ...]) -> list[str]:
    """Keys that are known at a place of a scenario file."""
    models: list[type[BaseModel]] = [ScenarioFile]
    for part in loc[:-1]:
        if part in _KIND_OF:
            models = [_KIND_OF[part]]
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


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in get_args(annotation) for model in _models_in(part)]


def json_schema() -> dict[str, Any]:
    """JSON Schema of scenario files, for editors."""
    return ScenarioFile.model_json_schema(by_alias=True)
