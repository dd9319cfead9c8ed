"""Events that call on what a plan offers: read from a table, made from a frequency, or the hardest ones of the plan."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimiser.dispatch import Dispatch
from optimiser.errors import ScenarioError
from optimiser.fields import zone_of
from optimiser.series.bounded import bounded_bytes, refuse_no_file
from optimiser.services.droop import Droop
from optimiser.timeline import Timeline, from_clock

LARGEST_FILE = 20_000_000
LEAST_KW = 1e-3


@dataclass(frozen=True)
class Holding:
    """What one response group holds in one direction, step by step.

    Attributes
    ----------
    group : str
    direction : str
        "up" or "down".
    kw : array of shape (steps,)
        Power of the plant that the offers need, a product's derating counted. [kW]
    hours : float
        How long it can be called for. [h]
    following : int
        Steps after its own for which the plan keeps the energy.
    members : tuple of Offer
    """

    group: str
    direction: str
    kw: np.ndarray
    hours: float
    following: int
    members: tuple[Any, ...]


@dataclass(frozen=True)
class Call:
    """Power called for from the start of an event on.

    Attributes
    ----------
    holding : Holding
    kw : float
        Positive: the direction is the holding's. [kW]
    hours : float
    share : callable or None
        Part of the power that is called for, by hours since the start; None: all of it, all the time.
    """

    holding: Holding
    kw: float
    hours: float
    share: Callable[[float], float] | None = None

    def wanted_kw(self, elapsed: float) -> float:
        """Change of AC power that is wanted some hours after the start, positive outwards. [kW]"""
        if elapsed >= self.hours - 1e-12:
            return 0.0
        sign = 1.0 if self.holding.direction == "up" else -1.0
        return sign * self.kw * (1.0 if self.share is None else self.share(elapsed))


@dataclass(frozen=True)
class Event:
    """Calls that start at one moment.

    Attributes
    ----------
    name : str
        What is called, for people.
    why : str
        "tight", "random", "given" or "frequency".
    start_hours : float
        Since the first step. [h]
    calls : tuple of Call
    edges_hours : tuple of float
        Moments since the start at which what is wanted changes in between. [h]
    """

    name: str
    why: str
    start_hours: float
    calls: tuple[Call, ...]
    edges_hours: tuple[float, ...] = ()

    @property
    def hours(self) -> float:
        """Until the last call ends. [h]"""
        return max(call.hours for call in self.calls)

    def wanted_kw(self, elapsed: float) -> float:
        """Change of AC power that is wanted some hours after the start, positive outwards. [kW]"""
        return sum(call.wanted_kw(elapsed) for call in self.calls)


def holdings(dispatch: Dispatch) -> list[Holding]:
    """What each response group of a plan holds in each direction; those that offer nothing are left out."""
    found = []
    step_hours = dispatch.scenario.timeline.step_hours
    for direction in ("up", "down"):
        groups: dict[str, list[Any]] = {}
        for offer in dispatch.offers:
            if direction in offer.product.directions():
                groups.setdefault(offer.product.group, []).append(offer)
        for name, members in groups.items():
            kw = np.max([offer.offered_kw / offer.product.derating for offer in members], axis=0)
            hours = max(offer.product.sustain_hours for offer in members)
            following = max(0, math.ceil(hours / step_hours - 1e-9) - 1)
            if kw.max(initial=0.0) > LEAST_KW:
                found.append(Holding(name, direction, kw, hours, following, tuple(members)))
    return found


def hardest(dispatch: Dispatch, tight: int = 3, random: int = 20, seed: int = 1) -> list[Event]:
    """The events that test a plan most: all that is offered, for as long as it can be called.

    Each group alone, and all groups of a direction at once, in the steps with the least left of energy, power or
    connection, from the start of the step and from its last seconds; then some at random moments. Calls of the same
    power from the same moment are one event: where one group alone offers, it is all that there is.

    Parameters
    ----------
    dispatch : Dispatch
    tight : int
        Steps for each group and for all together.
    random : int
    seed : int
        Of the random moments.
    """
    held, events = holdings(dispatch), []
    hours = dispatch.scenario.timeline.step_hours
    for direction in ("up", "down"):
        own = [h for h in held if h.direction == direction]
        for members in [*([h] for h in own), *([own] if len(own) > 1 else [])]:
            for step in _tightest(dispatch, members, own, tight):
                for offset in (0.0, hours - min(hours / 10, 10 / 3600)):
                    events.append(_full(members, direction, step, step * hours + offset, "tight"))
    generator = np.random.default_rng(seed)
    offered = [(d, step) for d in ("up", "down") for step in _steps_with(held, d)]
    if offered:
        for place in np.sort(generator.choice(len(offered), min(random, len(offered)), replace=False)):
            direction, step = offered[place]
            own = [h for h in held if h.direction == direction and h.kw[step] > LEAST_KW]
            start = (step + float(generator.uniform())) * hours
            events.append(_full(own, direction, step, start, "random"))
    once: dict[tuple[Any, ...], Event] = {}
    for event in events:
        once.setdefault(_what(event), event)
    return list(once.values())


def _what(event: Event) -> tuple[Any, ...]:
    """What is called, and when: by it two events are the same."""
    return event.start_hours, *((c.holding.group, c.holding.direction, c.kw, c.hours) for c in event.calls)


def _steps_with(held: list[Holding], direction: str) -> np.ndarray:
    own = [h.kw for h in held if h.direction == direction]
    return np.flatnonzero(np.max(own, axis=0) > LEAST_KW) if own else np.zeros(0, int)


def _full(members: list[Holding], direction: str, step: int, start: float, why: str) -> Event:
    calls = tuple(Call(h, float(h.kw[step]), h.hours) for h in members if h.kw[step] > LEAST_KW)
    name = calls[0].holding.group if len(calls) == 1 else f"everything {direction}"
    return Event(name, why, start, calls)


def _tightest(dispatch: Dispatch, members: list[Holding], own: list[Holding], count: int) -> np.ndarray:
    """Steps in which what is offered is closest to what power, energy or connection leave, the largest offers first."""
    scenario, flows, up = dispatch.scenario, dispatch.flows, members[0].direction == "up"
    called, held = np.sum([h.kw for h in members], axis=0), np.sum([h.kw for h in own], axis=0)
    site, steps = scenario.site, scenario.timeline.steps
    data = scenario.data
    net = sum((f.output_kw - f.input_kw for f in flows.inverters.values()), np.zeros(steps))
    rating = sum(i.output_kw if up else i.input_kw for i in site.inverter)
    power = rating - held + (-net if up else net)
    stored = sum((f.end_kwh for f in flows.banks.values()), np.zeros(steps))
    least = sum(site.floor_kwh(data, scenario.storage), np.zeros(steps))
    most = sum(b.capacity_kwh for b in scenario.storage)
    needed = sum(h.kw * h.hours for h in own)
    energy = (stored - least if up else most - stored) - needed
    limit = site.connection.export_limit_kw if up else site.connection.import_limit_kw
    meter = flows.connection.net_import_kw
    connection = data.values(limit) - held + (meter if up else -meter)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.min([power / held, energy / needed, connection / held], axis=0)
    # What is left is nothing in many steps; among those the largest calls come first.
    offered = np.flatnonzero(called > LEAST_KW)
    order = np.lexsort((-called[offered], np.round(np.maximum(left[offered], 0.0), 3)))
    return offered[order[:count]]


def read_events(path: Path, dispatch: Dispatch) -> list[Event]:
    """Events of a table with the columns start, minutes, service and, if wanted, share.

    A service is a product's name, a response group, "up" or "down"; start is a stamp on the scenario's clock unless
    it carries an offset; share is that of the offer in the step of the start, 1 where it is left out.

    Raises
    ------
    ScenarioError
        With every fault of the file, by line.
    """
    rows = _rows(path, ("start", "minutes", "service"), ("share",))
    starts, faults = _starts([row["start"] for _, row in rows], dispatch.scenario.timeline)
    held, events = holdings(dispatch), []
    for (line, row), start, fault in zip(rows, starts, faults, strict=True):
        own = [fault] if fault else []
        minutes, wrong = _number(row["minutes"], "minutes", 1 / 60, 1440)
        own += wrong
        share, wrong = _number(row.get("share") or "1", "share", 0, 1)
        own += wrong
        members = _called(row["service"], dispatch, held)
        if isinstance(members, str):
            own.append(members)
        rows_faults = [f"line {line}: {words}" for words in own]
        events.append((rows_faults, start, minutes, share, members, row["service"]))
    found = [words for event in events for words in event[0]]
    if found:
        raise ScenarioError(str(path), found)
    hours = dispatch.scenario.timeline.step_hours
    made = []
    for _, start, minutes, share, members, service in events:
        step = int(start / hours)
        calls = tuple(
            Call(h, share * float(h.kw[step]), minutes / 60) for h in members if not isinstance(h, str)
        )
        made.append(Event(service, "given", start, calls))
    return made


def _called(name: str, dispatch: Dispatch, held: list[Holding]) -> list[Holding] | str:
    """What a word of a table calls on, or the sentence that says why nothing."""
    groups = {o.product.name: o.product.group for o in dispatch.offers}
    if name in ("up", "down"):
        members = [h for h in held if h.direction == name]
        return members or f"nothing is offered {name} in this plan. Leave the line out."
    group = groups.get(name, name)
    if group not in groups.values():
        known = ", ".join(dict.fromkeys([*groups, *groups.values(), "up", "down"]))
        return f"service must be one of {known}; got {name!r}. Write it as in the scenario."
    return [
        h for h in held if h.group == group
    ] or f"{name} is offered in no step of this plan. Leave the line out."


def read_frequency(path: Path, dispatch: Dispatch, droop: Droop) -> list[Event]:
    """One event from a table of frequencies (time, hz), each held until the next, answered as a droop says.

    Low frequency calls on what is offered up, high on what is offered down, in proportion between the dead band and
    the full deviation.

    Raises
    ------
    ScenarioError
        With every fault of the file, by line.
    """
    rows = _rows(path, ("time", "hz"), ())
    starts, faults = _starts([row["time"] for _, row in rows], dispatch.scenario.timeline)
    found, hertz = [], []
    for (line, row), fault in zip(rows, faults, strict=True):
        value, wrong = _number(row["hz"], "hz", droop.nominal_hz * 0.8, droop.nominal_hz * 1.2)
        found += [f"line {line}: {words}" for words in [*([fault] if fault else []), *wrong]]
        hertz.append(value)
    for (line, _), before, after in zip(rows[1:], starts, starts[1:], strict=False):
        if after <= before:
            found.append(f"line {line}: times must rise, this one does not. Sort the rows.")
    if len(rows) < 2:
        found.append("at least two rows are needed, the last one ends the event. Add rows.")
    if found:
        raise ScenarioError(str(path), found)
    deviation = np.array(hertz) - droop.nominal_hz
    edges = np.array(starts) - starts[0]
    step = int(starts[0] / dispatch.scenario.timeline.step_hours)
    calls = []
    for holding in holdings(dispatch):
        called = deviation < 0 if holding.direction == "up" else deviation > 0
        shares = np.where(called, droop.share(deviation), 0.0)
        calls.append(Call(holding, float(holding.kw[step]), float(edges[-1]), _held(edges, shares)))
    if not calls:
        raise ScenarioError(str(path), ["nothing is offered in this plan. Add services to the scenario."])
    return [Event("frequency", "frequency", starts[0], tuple(calls), tuple(map(float, edges)))]


def _held(edges: np.ndarray, shares: np.ndarray) -> Callable[[float], float]:
    def share(elapsed: float) -> float:
        return float(shares[max(0, int(np.searchsorted(edges, elapsed + 1e-9, side="right")) - 1)])

    return share


def _rows(path: Path, needed: tuple[str, ...], known: tuple[str, ...]) -> list[tuple[int, dict[str, str]]]:
    """Lines of a small table with their numbers, its heading checked."""
    refuse_no_file(path, "Check its name.", ScenarioError)
    raw = bounded_bytes(path, LARGEST_FILE, "Cut it into parts.", ScenarioError)
    try:
        words = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ScenarioError(str(path), ["it is not text in UTF-8. Save it as CSV in UTF-8."]) from None
    reader = csv.DictReader(io.StringIO(words), skipinitialspace=True)
    heading = [name.strip() for name in reader.fieldnames or ()]
    faults = [
        f"line 1: there is no column {name}; the columns are {', '.join(heading) or 'none'}. Add it."
        for name in needed
        if name not in heading
    ]
    faults += [
        f"line 1: {name!r} is not known here; known are {', '.join([*needed, *known])}. Remove it."
        for name in heading
        if name not in (*needed, *known)
    ]
    if len(set(heading)) < len(heading):
        faults.append(f"line 1: a column is there twice in {', '.join(heading)}. Remove one.")
    if faults:
        raise ScenarioError(str(path), faults)
    reader.fieldnames = heading
    rows = []
    for row in reader:
        if None in row or None in row.values():
            faults.append(f"line {reader.line_num}: it must have {len(heading)} fields. Mend the line.")
        else:
            rows.append((reader.line_num, {name: value.strip() for name, value in row.items()}))
    if not rows and not faults:
        faults.append("it holds no rows. Write one line an event.")
    if faults:
        raise ScenarioError(str(path), faults)
    return rows


def _number(words: str, name: str, low: float, high: float) -> tuple[float, list[str]]:
    try:
        value = float(words)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        return 0.0, [f"{name} must be a number from {low:.3g} to {high:g}, got {words!r}. Correct it."]
    return value, []


def _starts(words: list[str], timeline: Timeline) -> tuple[list[float], list[str]]:
    """Hours since the first step of each stamp, and a fault or an empty text for each."""
    stamps = [_stamp(word) for word in words]
    wall = pd.DatetimeIndex([pd.NaT if s is None or s.tz is not None else s for s in stamps])
    moments, odd = from_clock(wall, timeline.zone, second=np.zeros(len(wall), bool))
    first, zone = timeline.starts[0], zone_of(timeline.zone)
    hours, faults = [], []
    for place, (word, stamp) in enumerate(zip(words, stamps, strict=True)):
        fault, elapsed = "", 0.0
        if stamp is None:
            fault = f"{word!r} is no time. Write it like 2025-01-31T13:30 or 2025-01-31T13:30+10:30."
        elif place in odd:
            fault = f"{word!r} {odd[place]}. Write it with its offset from UTC."
        else:
            moment = moments[place] if stamp.tz is None else stamp.tz_convert("UTC")
            elapsed = (moment - first) / pd.Timedelta(hours=1)
            if not 0 <= elapsed < timeline.hours:
                end = first + pd.Timedelta(hours=timeline.hours)
                span = " to ".join(m.tz_convert(zone).strftime("%Y-%m-%d %H:%M") for m in (first, end))
                fault = f"{word!r} is outside the run, {span}. Move it, or run those days."
        hours.append(float(elapsed))
        faults.append(fault)
    return hours, faults


def _stamp(words: str) -> pd.Timestamp | None:
    """A stamp whose year, month and day are plain, or None."""
    if not words[:4].isdigit() or words[4:5] not in ("-", "/"):
        return None
    try:
        stamp = pd.Timestamp(words)
    except ValueError:
        return None
    return None if pd.isna(stamp) else stamp
