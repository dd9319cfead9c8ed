"""A sentence for each fault of a parsed table: place, rule, what came, what to do."""

from __future__ import annotations

import difflib
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from optimiser import tariff
from optimiser.equipment import flexible, storage
from optimiser.fields import RENAMED
from optimiser.scenario.file import ContractFile, ScenarioFile
from optimiser.scenario.uses import TOO_DEEP, shown_value

Model = TypeVar("Model", bound=BaseModel)


def checked(model: type[Model], raw: dict[str, Any]) -> tuple[Model | None, list[str]]:
    """A parsed table as `model`, or None with a sentence for each of its faults."""
    try:
        return model.model_validate(raw), []
    except ValidationError as error:
        return None, _faults(model, raw, [dict(detail) for detail in error.errors()])
    except RecursionError:
        return None, [TOO_DEEP]


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
        shown = "" if isinstance(value, (dict, list, BaseModel)) else f", got {shown_value(value)}"
        return f"{place}: {context.get('error', detail['msg'])}{shown}."
    if detail["loc"][-1] == "float" and kind == "float_type":
        kind = "series_type"
    words = _WORDS[kind].format(**context) if kind in _WORDS else detail["msg"]
    return f"{place} {words}, got {shown_value(value)}.{_way_out(kind, place, value)}"


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
    get_args(model.model_fields["kind"].annotation)[0]: model
    for model in (*flexible.KINDS, *storage.KINDS, *tariff.KINDS)
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
