"""The sweep file: what is varied, how, and what is recorded; and the cases that come of it."""

from __future__ import annotations

import hashlib
import itertools
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import Field, StrictStr, model_validator

from optimiser.batch.sweep.cases import DRIVEN, MEASURED
from optimiser.batch.sweep.designs import MOST_CASES, AnyDesign, Listed, Pick
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.fields import Component, Several, choice, quantity, text
from optimiser.scenario.faults import checked
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_part, read_scenario, vary
from optimiser.scenario.uses import read_toml
from optimiser.studies.catalogue import chosen
from optimiser.versions import versions

OF_RUNNING = ("saving_per_year", "saving", "bill_after", "services_income", "payback_years", "npv")
DRIVEN_RECORD = tuple(f"headline.forecast_driven_{figure}" for figure in OF_RUNNING)
RECORD = (
    *(f"headline.ceiling_{figure}" for figure in OF_RUNNING),
    "headline.bill_before",
    "energy_kwh.import",
    "energy_kwh.export",
    "proof.gap_relative",
    "proof.gap_absolute",
)
WITHOUT_FORESIGHT = "without_foresight"  # the study that makes figures without foresight
MEASURED_SHARE = "measured_share"  # the one that measures them quickly
MEASURED_RECORD = tuple(
    f"{MEASURED}{figure}"
    for figure in ("saving_per_year", "payback_years", "npv", "share_of_ceiling", "spread")
)
RESERVED = ("case", "status", "message", "seconds")
MOST_STEPS = 100_000
MOST_LEVELS_CHECKED = 200


class NamedLevel(Component):
    """A named level of a factor that sets any number of paths."""

    label: StrictStr = text("what the level is called")
    set: dict[str, Any] = Field(description="new values by path of the scenario")


class Factor(Component):
    """Something that is varied.

    Its levels are `values`, a range from `low` to `high`, tables from `files` (other tariffs), or `choice` tables.
    """

    name: StrictStr = text("what it is called in tables and on the page")
    unit: StrictStr = text("unit of its values", default="")
    path: StrictStr = text("the path that it sets, such as storage.0.unit_kwh", default="")
    paths: Several[StrictStr] = ()
    change: Literal["set", "times", "plus"] = choice(
        "whether a value is set, or multiplies or is added to what the scenario has", default="set"
    )
    values: Several[Any] = ()
    low: float | None = quantity("the unit of the path", "lowest value of a range", default=None)
    high: float | None = quantity("the unit of the path", "highest value of a range", default=None)
    steps: int = quantity(
        "-", "levels of a range in a grid or one at a time", default=5, at_least=2, at_most=MOST_STEPS
    )
    scale: Literal["linear", "log"] = choice(
        "whether a range is even in values or in ratios", default="linear"
    )
    whole: bool = Field(default=False, description="whether only whole numbers of the range can be")
    files: Several[StrictStr] = ()
    choice: Several[NamedLevel] = ()
    together: StrictStr = text("a word; factors with the same one move together, level by level", default="")

    @property
    def targets(self) -> tuple[str, ...]:
        """The paths that it sets."""
        return (self.path,) if self.path else self.paths

    @property
    def is_range(self) -> bool:
        """Whether any value between two can be."""
        return self.low is not None

    def faults(self) -> Iterator[str]:
        """What is wrong with the keys that are given."""
        ways = {
            "values": bool(self.values),
            "low and high": self.low is not None or self.high is not None,
            "files": bool(self.files),
            "choice": bool(self.choice),
        }
        given = [name for name, there in ways.items() if there]
        if len(given) != 1:
            got = " and ".join(given) or "none"
            yield f"must have one of values, low and high, files, or choice, got {got}. Keep one."
        if bool(self.path) + bool(self.paths) + bool(self.choice) != 1:
            yield "must have one of path, paths, or choice tables that set their own. Keep one."
        if ways["low and high"] and (self.low is None or self.high is None):
            yield "has one end of a range. Give both low and high."
        elif self.low is not None and self.high is not None:
            if self.low >= self.high:
                yield f"low must be below high, got {self.low:g} and {self.high:g}. Swap them."
            elif self.scale == "log" and self.low <= 0:
                yield f'low must be above 0 for scale = "log", got {self.low:g}. Use "linear".'
        if self.change != "set" and (self.files or self.choice):
            yield f'change = "{self.change}" needs numbers. Give values, or low and high.'
        if self.name in RESERVED:
            yield f'name "{self.name}" is a column of the results. Choose another.'


class SweepFile(Component):
    """Everything that a sweep file may say."""

    title: StrictStr = text("title of the page")
    description: StrictStr = text("a sentence or two", default="")
    scenario: StrictStr = text("folder of the scenario, relative to this file", default=".")
    record: Several[StrictStr] = Field(
        default=RECORD,
        min_length=1,
        description="paths of the run's summary that each case records; the first leads; left out: money, energy and "
        "the proof, with the figures without foresight first where a study makes them",
    )
    studies: Several[StrictStr] = Field(
        default=(),
        description="studies that each case works out, for their figures to be recorded; left out with the record: "
        "measured_share",
    )
    start: Literal["base", "nothing"] = choice(
        "where the solver starts: from the answer to the scenario as it is (quicker), or as a run by itself does",
        default="base",
    )
    design: AnyDesign = Field(discriminator="kind")
    factor: Several[Factor] = Field(min_length=1)
    case: Several[dict[str, Any]] = ()

    @model_validator(mode="before")
    @classmethod
    def _driven_first(cls, raw: Any) -> Any:
        if not isinstance(raw, dict) or "record" in raw:
            return raw
        studies = raw.get("studies", (MEASURED_SHARE,))
        first = {WITHOUT_FORESIGHT: DRIVEN_RECORD, MEASURED_SHARE: MEASURED_RECORD}
        driven = [path for name, paths in first.items() if name in (studies or ()) for path in paths]
        return {**raw, "studies": studies, "record": (*driven, *RECORD)}


@dataclass(frozen=True)
class Level:
    """A value of a factor: as tables show it, and what it changes in the scenario."""

    shown: Any
    changes: Mapping[str, Any]


@dataclass(frozen=True)
class Case:
    """One combination of factors.

    Attributes
    ----------
    number : int
        Its place in the plan from 1; 0 is the scenario as it is.
    values : dict of str to value
        What each factor is, as tables show it.
    changes : dict of str to value
        What is changed in the scenario, by path.
    key : str
        Digest of the changes: equal for cases that are the same.
    """

    number: int
    values: Mapping[str, Any]
    changes: Mapping[str, Any]
    key: str


@dataclass(frozen=True)
class SweepPlan:
    """A sweep that can be worked out.

    Attributes
    ----------
    path : Path or None
        The sweep file; None for one from Python.
    file : SweepFile
    base : Scenario
    cases : tuple of Case
        Without the scenario as it is, which is `as_it_is`.
    as_it_is : Case
    warnings : tuple of str
        Levels that the scenario refuses; their cases will be recorded as failed.
    identity : dict of str to value
        What results depend on beside a case's changes; results of another identity are never mixed in.
    """

    path: Path | None
    file: SweepFile
    base: Scenario
    cases: tuple[Case, ...]
    as_it_is: Case
    warnings: tuple[str, ...]
    identity: Mapping[str, Any]


def read_plan(source: str | Path | Mapping[str, Any]) -> SweepPlan:
    """The plan of a sweep file, or of the same keys in a mapping.

    Parameters
    ----------
    source : str, Path or mapping
        A mapping's `scenario` is relative to the working folder.

    Raises
    ------
    ScenarioError
        With every fault of the file, and of the scenario it varies.
    """
    path = None if isinstance(source, Mapping) else Path(source)
    raw = dict(source) if isinstance(source, Mapping) else read_toml(Path(source))[0]
    where = str(path or "the sweep")
    file, faults = checked(SweepFile, raw)
    if file is None:
        raise ScenarioError(where, faults)
    faults += _file_faults(file)
    if faults:
        raise ScenarioError(where, faults)
    base = read_scenario((path.parent if path else Path()) / file.scenario)
    levels = {}
    tables = {f"{file.name}: {file.sha256}" for file in base.files}
    warnings: list[str] = []
    partly: list[str] = []
    for place, factor in enumerate(file.factor):
        here = f"factor.{place} ({factor.name})"
        found, wrong = levels_of(factor, base)
        levels[factor.name] = found
        refused, tried, used = _tried(base, found)
        tables |= used
        faults += [f"{here}: {fault}" for fault in wrong]
        if tried and len(refused) == tried:
            faults.append(f"{here}: {refused[0][1]}")
        elif refused:
            partly.append(f"{here}: {refused[0][0]} is refused: {refused[0][1]}")
        warnings += [f"{factor.name} = {shown} will be recorded as failed: {why}" for shown, why in refused]
    if faults:  # whoever mends these is told now, not after, of what else is refused
        raise ScenarioError(where, faults + partly)
    try:
        cases = _cases(file, base, levels)
    except OptimiserError as error:
        raise ScenarioError(where, _within("case", error)) from None
    identity = {
        "scenario": base.sha256,
        "data": sorted(tables),
        "record": list(file.record),
        "studies": list(file.studies),
        "start": file.start,
        **versions(),
    }
    as_it_is = _case(0, {name: _own(factor, base) for name, factor in _named(file).items()}, {})
    return SweepPlan(path, file, base, tuple(cases), as_it_is, tuple(warnings), identity)


def _within(place: str, error: OptimiserError) -> list[str]:
    """The faults of an error with the place that led to them."""
    return [f"{place}: {fault}" for fault in getattr(error, "faults", [str(error)])]


def _named(file: SweepFile) -> dict[str, Factor]:
    return {factor.name: factor for factor in file.factor}


def _file_faults(file: SweepFile) -> list[str]:
    faults: list[str] = []
    names: dict[str, int] = {}
    for place, factor in enumerate(file.factor):
        faults += [f"factor.{place} {fault}" for fault in factor.faults()]
        if factor.name in names:
            faults.append(
                f"factor.{place}.name is {factor.name!r}, like factor.{names[factor.name]}. Give each its own name."
            )
        names.setdefault(factor.name, place)
        if factor.name in file.record:
            faults.append(
                f"factor.{place}.name is {factor.name!r}, like a recorded path. Give the factor another name."
            )
    for place, path in enumerate(file.record):
        if path in file.record[:place]:
            faults.append(f"record.{place} is {path!r} again. Record each path once.")
    for start, study in ((DRIVEN, WITHOUT_FORESIGHT), (MEASURED, MEASURED_SHARE)):
        driven = [path for path in file.record if path.startswith(start)]
        if driven and study not in file.studies:
            ceiling = f"headline.ceiling_{driven[0].removeprefix(start)}"
            other = f", or record {ceiling}" if ceiling in RECORD else ""
            faults.append(
                f"record: {driven[0]} is earned without foresight, which no case works out. Say studies = "
                f'["{study}"]{other}.'
            )
    faults += file.design.faults()
    listed = isinstance(file.design, Listed)
    if listed != bool(file.case):
        faults.append(
            'design.kind = "list" needs [[case]] tables, each with a value for its factors. Add them.'
            if listed
            else f'[[case]] tables are for design.kind = "list", got "{file.design.kind}". Remove them or change it.'
        )
    for place, case in enumerate(file.case):
        faults += [
            f"case.{place}.{name} is no factor here; there are {', '.join(names)}."
            for name in case
            if name not in names
        ]
    try:
        chosen(file.studies, ())
    except OptimiserError as error:
        faults.append(f"studies: {error}")
    if faults or isinstance(file.design, Listed):
        return faults
    for word, members in groups_of(file).items():
        sizes = {factor.name: _size(factor) for factor in members}
        if len(set(sizes.values())) > 1:
            words = ", ".join(f"{name} has {size}" for name, size in sizes.items())
            faults.append(
                f"factors together as {word!r} must have equally many levels: {words}. Make them equal."
            )
    count = file.design.count([_size(members[0]) for members in groups_of(file).values()])
    if count > MOST_CASES and not faults:
        faults.append(
            f"the design has {count:,} cases, the most is {MOST_CASES:,}. Use fewer levels, or a sample."
        )
    return faults


def groups_of(file: SweepFile) -> dict[str, list[Factor]]:
    """Factors that move together, by the word they share or their own name."""
    groups: dict[str, list[Factor]] = {}
    for factor in file.factor:
        groups.setdefault(
            f"together {factor.together}" if factor.together else f"alone {factor.name}", []
        ).append(factor)
    return groups


def _size(factor: Factor) -> int:
    """How many levels a factor has in a grid."""
    if factor.is_range:
        return len(_range_values(factor))
    return len(factor.values) or len(factor.files) or len(factor.choice)


def _range_values(factor: Factor) -> list[float]:
    return list(dict.fromkeys(_between(factor, u) for u in np.linspace(0, 1, factor.steps).tolist()))


def _between(factor: Factor, share: float) -> float:
    """The value of a range at a share of the way from its low end to its high end."""
    assert factor.low is not None
    assert factor.high is not None
    low, high = factor.low, factor.high
    if factor.whole:
        # As many whole numbers as the range holds, each with an equal part of it.
        first, last = math.ceil(low), math.floor(high)
        if factor.scale == "linear":
            return min(last, first + int(share * (last - first + 1)))
        return min(last, max(first, round(low * math.pow(high / low, share))))
    if share in (0.0, 1.0):
        return low if share == 0 else high
    value = low * (high / low) ** share if factor.scale == "log" else low + share * (high - low)
    return float(f"{value:.12g}")  # 0.3 rather than 0.30000000000000004


def levels_of(factor: Factor, base: Scenario) -> tuple[list[Level], list[str]]:
    """The levels of a factor; of a range, those of a grid.

    Returns
    -------
    (list of Level, list of str)
        Those that can be had, and what is wrong with the others: a file that cannot be read, a path without a number
        to change.
    """
    if factor.choice:
        return [Level(item.label, item.set) for item in factor.choice], []
    values: Sequence[Any] = _range_values(factor) if factor.is_range else factor.values or factor.files
    levels: list[Level] = []
    faults: list[str] = []
    for value in values:
        try:
            levels.append(_from_file(factor, value, base) if factor.files else level_at(factor, value, base))
        except OptimiserError as error:
            faults += getattr(error, "faults", [str(error)])
    return levels, list(dict.fromkeys(faults))


def level_at(factor: Factor, value: Any, base: Scenario) -> Level:
    """A factor at a value."""
    changes = {path: _changed(factor, path, value, base) for path in factor.targets}
    return Level(_plain(value), changes)


def _plain(value: Any) -> Any:
    return value if isinstance(value, (int, float, str, bool)) else str(value)


def _changed(factor: Factor, path: str, value: Any, base: Scenario) -> Any:
    if factor.change == "set":
        return value
    old = value_at(base.raw, path)
    if isinstance(old, bool) or not isinstance(old, (int, float)):
        what = "no value" if old is None else f"{old!r}"
        raise OptimiserError(f'{path} has {what}, no number to change. Use change = "set".')
    return old * value if factor.change == "times" else old + value


def value_at(raw: Any, path: str) -> Any:
    """What a parsed file has at a path; None if nothing."""
    for part in path.split("."):
        if isinstance(raw, list) and part.isdecimal() and int(part) < len(raw):
            raw = raw[int(part)]
        elif isinstance(raw, dict) and part in raw:
            raw = raw[part]
        else:
            return None
    return raw


def _from_file(factor: Factor, name: str, base: Scenario) -> Level:
    """A table in a file of its own; a tariff's may bring its data files, which become the scenario's."""
    table = read_part(base, name)
    changes: dict[str, Any] = {}
    for source, description in table.pop("source", {}).items():
        changes[f"source.{source}"] = description
    table.pop("currency", None)
    table.pop("outside_folders", None)
    changes |= dict.fromkeys(factor.targets, table)
    return Level(Path(name).stem, changes)


def _own(factor: Factor, base: Scenario) -> Any:
    """What a factor is in the scenario as it is, where that can be said."""
    if factor.change != "set":
        return 1.0 if factor.change == "times" else 0.0
    found = value_at(base.raw, factor.targets[0]) if factor.targets else None
    return None if isinstance(found, (dict, list)) or found is None else _plain(found)


def _cases(file: SweepFile, base: Scenario, levels: Mapping[str, Sequence[Level]]) -> list[Case]:
    named = _named(file)
    if isinstance(file.design, Listed):
        return [
            _of_levels(
                number,
                file,
                base,
                {name: _listed(named[name], value, base, levels[name]) for name, value in row.items()},
            )
            for number, row in enumerate(file.case, 1)
        ]
    groups = list(groups_of(file).values())
    picks = file.design.picks([_size(members[0]) for members in groups])
    return [
        _of_levels(
            number,
            file,
            base,
            {
                factor.name: _picked(factor, pick, base, levels[factor.name])
                for members, pick in zip(groups, row, strict=True)
                if pick is not None
                for factor in members
            },
        )
        for number, row in enumerate(picks, 1)
    ]


def _listed(factor: Factor, value: Any, base: Scenario, levels: Sequence[Level]) -> Level:
    """A level that a case names: one of its labels or file names, or else a value."""
    named = {level.shown: level for level in levels if isinstance(level.shown, str)}
    if isinstance(value, str) and value in named:
        return named[value]
    if factor.files or factor.choice:
        raise OptimiserError(f"{factor.name} has no level {value!r}; there are {', '.join(named)}.")
    return level_at(factor, value, base)


def _picked(factor: Factor, pick: Pick, base: Scenario, levels: Sequence[Level]) -> Level:
    if isinstance(pick, int):
        return levels[pick]
    assert pick is not None
    if factor.is_range:
        return level_at(factor, _between(factor, pick), base)
    return levels[min(len(levels) - 1, int(pick * len(levels)))]


def _of_levels(number: int, file: SweepFile, base: Scenario, given: Mapping[str, Level]) -> Case:
    """The case of some factors' levels; the others are as the scenario has them."""
    values = {f.name: given[f.name].shown if f.name in given else _own(f, base) for f in file.factor}
    changes = dict(itertools.chain.from_iterable(level.changes.items() for level in given.values()))
    return _case(number, values, changes)


def _case(number: int, values: Mapping[str, Any], changes: Mapping[str, Any]) -> Case:
    return Case(number, values, changes, case_key(changes))


def case_key(changes: Mapping[str, Any]) -> str:
    """Digest of what a case changes."""
    words = json.dumps(changes, sort_keys=True, default=repr)
    return hashlib.sha256(words.encode()).hexdigest()


def _tried(base: Scenario, levels: Sequence[Level]) -> tuple[list[tuple[Any, str]], int, set[str]]:
    """Levels that the scenario refuses by themselves with their first fault, of how many, and what files others read.

    Of a long list of levels the ends are tried, and some between.
    """
    places = np.unique(np.linspace(0, len(levels) - 1, min(len(levels), MOST_LEVELS_CHECKED)).astype(int))
    refused: list[tuple[Any, str]] = []  # no dict: 1 and true are one key, and two levels
    used: set[str] = set()
    for level in (levels[place] for place in places):
        try:
            used |= {f"{file.name}: {file.sha256}" for file in vary(base, level.changes).files}
        except ScenarioError as error:
            refused.append((level.shown, error.faults[0]))
    return refused, len(places), used
