"""Many sites behind one aggregator: solved apart, offers joined into bids that a market takes, income shared again.

A market's steps and least bids are the aggregator's to keep. The offers of all sites are added up in each block,
rounded down to a whole bid, and each site is paid for the part of its offer that the bid holds.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import Field, StrictStr

from optimiser.accounts.settlement import settle
from optimiser.batch.sweep.cases import DEFECT, DONE, CaseOutcome, Found
from optimiser.batch.sweep.pool import LocalProcesses, WorkPool, carry_out
from optimiser.dispatch import OPTIMAL, Progress, solve
from optimiser.errors import OptimiserError, ScenarioError
from optimiser.fields import Component, Several, quantity, text
from optimiser.scenario.faults import checked
from optimiser.scenario.file import Scenario
from optimiser.scenario.read import read_scenario, vary
from optimiser.scenario.uses import read_toml
from optimiser.services.product import Product
from optimiser.terms.books import SettledTerms
from optimiser.versions import versions
from optimiser.writing import write_files, write_one

# A bid is a whole one if it misses it by less than what a solver's tolerance can take away.
ROUNDING_KW = 1e-6
MOST_SPREAD = 1e12  # beyond any size or price, and still a number that can be drawn
SUMS = ("offered_kw_hours", "bid_kw_hours", "income_as_offered", "income_as_bid", "income_if_alone")
UNWRITABLE = "unwritable"
FACTS, CHECKSUM = b"answer", b"checksum"  # in the metadata of a kept answer
SAME = {"most_kw", "site_share", "price", "delivered_price_per_mwh", "source"}


class SiteEntry(Component):
    """One site of a fleet, or several that differ by chance."""

    scenario: StrictStr = text("scenario folder or file, beside the fleet's file")
    name: StrictStr = text("name of the site; left out: the scenario's folder", default="")
    count: int = quantity("-", "how many sites of this kind", default=1, above=0, at_most=10_000)
    seed: int = quantity("-", "seed of what is drawn by chance", default=1, at_least=0)
    change: dict[str, Any] = Field(
        default_factory=dict, description="values by path, the same for all of them"
    )
    spread: dict[str, Any] = Field(
        default_factory=dict,
        description="lowest and highest value by path, drawn evenly for each site; whole if both are",
    )


class FleetFile(Component):
    """Everything that a fleet's file may say."""

    title: StrictStr = text("title of the page")
    description: StrictStr = text("a sentence or two", default="")
    invented: bool = Field(default=False, description="true if the data are made up; the page says so")
    site: Several[SiteEntry] = Field(min_length=1, description="the sites")


@dataclass(frozen=True)
class Member:
    """One site: its name, its scenario's file, and what is changed in it."""

    name: str
    scenario: Path
    changes: Mapping[str, Any]


@dataclass(frozen=True)
class Fleet:
    """A fleet that can be solved.

    Attributes
    ----------
    path : Path
    file : FleetFile
    members : tuple of Member
    products : tuple of Product
        What is sold, as the first site has it.
    example : Scenario
        The first site.
    """

    path: Path
    file: FleetFile
    members: tuple[Member, ...]
    products: tuple[Product, ...]
    example: Scenario


@dataclass(frozen=True)
class FleetResult:
    """What a fleet comes to.

    Attributes
    ----------
    summary : dict
    services : DataFrame
        One row a product: what is offered and bid (kW hours), what the offers and the bids would pay, what rounding
        loses, and what the sites could earn if each had to keep the market's steps by itself. [currency]
    sites : DataFrame
        One row a site: bill before, bill after, services as offered, services as bid, saving, gap, verdict.
    bids : DataFrame
        One row a step: what is offered and bid of each product. [kW]
    failed : dict of str to str
        What went wrong with sites that have no answer.
    """

    summary: dict[str, Any]
    services: pd.DataFrame
    sites: pd.DataFrame
    bids: pd.DataFrame
    failed: dict[str, str]


def read_fleet(path: str | Path) -> Fleet:
    """Read a fleet's file and check its sites.

    Raises
    ------
    ScenarioError
        With every fault of the file and of the first site of each entry: a scenario that cannot be read, a path that
        does not exist, another timeline or other rules of a product than the first site has, a name that is taken.
    """
    path = Path(path)
    raw, _ = read_toml(path)
    file, faults = checked(FleetFile, raw)
    members: list[Member] = []
    first: tuple[int, Scenario] | None = None
    taken: dict[str, int] = {}
    for index, entry, whole in _entries(file, raw):
        made = list(_members(path, entry))
        faults += [f"site.{index}.spread {fault}" for fault in _spread_faults(entry)]
        if whole:
            faults += _twin_faults(index, made, taken)
            members += made
        try:
            scenario = _scenario(made[0])
        except ScenarioError as error:
            faults += [f"site.{index}: {error.where}: {fault}" for fault in error.faults]
            continue
        first = first or (index, scenario)
        faults += [f"site.{index} {fault}" for fault in _differences(first, scenario)]
    if faults or file is None or first is None:
        raise ScenarioError(str(path), faults)
    example = first[1]
    return Fleet(path, file, tuple(members), example.service, example)


def _entries(file: FleetFile | None, raw: Mapping[str, Any]) -> Iterator[tuple[int, SiteEntry, bool]]:
    """The sites with their places, and whether each is whole; of one with faulty keys what the others tell."""
    if file is not None:
        yield from ((index, entry, True) for index, entry in enumerate(file.site))
        return
    listed = raw.get("site")
    for index, given in enumerate(listed if isinstance(listed, list) else ()):
        entry, _ = checked(SiteEntry, given)
        if entry is not None:
            yield index, entry, True
        elif isinstance(given, dict):
            alone = {key: {"scenario": "", key: value} for key, value in given.items()}
            kept = {key: given[key] for key, table in alone.items() if checked(SiteEntry, table)[0]}
            if "scenario" in kept:
                yield index, SiteEntry(**kept), False


def _twin_faults(index: int, made: Sequence[Member], taken: dict[str, int]) -> Iterator[str]:
    """Names of a site's members that another has; the rest are its own from now on."""
    again = [member.name for member in made if member.name in taken]
    if again:
        makes = "is" if len(made) == 1 else "makes"
        yield (
            f"site.{index}.name {makes} {again[0]!r}, which is taken by site.{taken[again[0]]}. "
            "Give it a name of its own."
        )
    for member in made:
        taken.setdefault(member.name, index)


def _members(path: Path, entry: SiteEntry) -> Iterator[Member]:
    target = path.parent / entry.scenario
    name = entry.name or (target if target.is_dir() else target.parent).resolve().name
    random = np.random.default_rng(entry.seed)
    wide = len(str(entry.count))
    for number in range(1, entry.count + 1):
        drawn = {place: _drawn(random, *ends) for place, ends in entry.spread.items() if _is_spread(ends)}
        own = name if entry.count == 1 else f"{name} {number:0{wide}d}"
        yield Member(own, target, {**entry.change, **drawn})


def _drawn(random: np.random.Generator, least: float, most: float) -> float | int:
    if isinstance(least, int) and isinstance(most, int):
        return int(random.integers(least, most + 1))
    return round(float(random.uniform(least, most)), 3)


def _is_spread(ends: Any) -> bool:
    numbers = isinstance(ends, list | tuple) and len(ends) == 2
    return (
        numbers
        and all(isinstance(e, int | float) and not isinstance(e, bool) for e in ends)
        and all(abs(e) <= MOST_SPREAD for e in ends)  # which is false of what is no number too
        and ends[0] <= ends[1]
    )


def _spread_faults(entry: SiteEntry) -> Iterator[str]:
    for place, ends in entry.spread.items():
        if not _is_spread(ends):
            yield (
                f"of {place} must be two numbers, the lower first, got {ends!r}, and none beyond {MOST_SPREAD:g}. "
                "Write [3.0, 9.0]."
            )


def _scenario(member: Member) -> Scenario:
    scenario = read_scenario(member.scenario)
    return vary(scenario, member.changes) if member.changes else scenario


def _differences(first: tuple[int, Scenario], other: Scenario) -> Iterator[str]:
    """Why two sites cannot be of one fleet; the first is the first that can be read, with its place."""
    place, one = first
    name = "the first site" if place == 0 else f"site.{place}"
    if (one.timeline.starts[0], one.timeline.step_minutes, one.timeline.steps) != (
        other.timeline.starts[0],
        other.timeline.step_minutes,
        other.timeline.steps,
    ):
        yield f"has another timeline than {name}. Give all the same start, days and step_minutes."
    if one.file.currency != other.file.currency:
        yield f"is in {other.file.currency}, {name} in {one.file.currency}. Give all the same currency."
    rules = {product.name: product.model_dump(exclude=SAME) for product in one.service}
    for product in other.service:
        if product.name not in rules:
            if place == 0:
                yield f"sells {product.name}, which the first site does not. Let the first site list every product."
        elif product.model_dump(exclude=SAME) != rules[product.name]:
            yield f"sells {product.name} by other rules than {name}. Share them in a file with `use`."


def solve_fleet(
    fleet: Fleet,
    folder: str | Path,
    *,
    workers: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> FleetResult:
    """Solve each site, join the offers, share the income.

    Each site's answer is kept in `folder` as soon as it is there; one that is there from an earlier run of the same
    site, of the same data, is used again. One fleet at a time works in a folder.

    Parameters
    ----------
    fleet : Fleet
    folder : path
        Where sites' answers are kept.
    workers : int, optional
        Processes; left out: one a core.
    executor : Executor, optional
        Runs the sites in place of own processes.
    progress : callable, optional
        Told in a phrase what is being done.

    Raises
    ------
    OptimiserError
        If no site has an answer, the folder cannot be written to, or another fleet is at work in it.
    """
    kept = Path(folder) / "sites"
    try:
        kept.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise OptimiserError(
            f"{kept} cannot be written to: {problem.strerror}. Choose another folder."
        ) from None
    with _held(kept):
        found = _solve_members(fleet, kept, workers, executor, progress or (lambda words: None))
        failed = {answer.name: answer.problem for answer in found if answer.problem}
        solved = [answer for answer in found if not answer.problem]
        if not solved:
            raise OptimiserError("no site has an answer. The first: " + next(iter(failed.values())))
        made = _joined(fleet, solved, kept, failed)
        made.summary["defects"] = [answer.name for answer in found if answer.defect]
        return made


@dataclass(frozen=True)
class SiteAnswer:
    """Where a site's answer is kept.

    Attributes
    ----------
    name : str
        Of the site.
    digest : str
        Of all that the answer depends on.
    problem : str
        What went wrong; empty if nothing did.
    defect : bool
        Whether that is a defect of this package and no fault of the site.
    """

    name: str
    digest: str = ""
    problem: str = ""
    defect: bool = False


@contextlib.contextmanager
def _held(kept: Path) -> Iterator[None]:
    """Keep other fleets out of a folder until this one is done or its process has ended, however it ended."""
    try:
        lock = sqlite3.connect(kept / ".at-work", timeout=1.0, isolation_level=None)
    except sqlite3.Error as problem:
        raise OptimiserError(f"{kept} cannot be used: {problem}. Choose another folder.") from None
    try:
        try:
            lock.execute("begin exclusive")
        except sqlite3.Error as problem:
            way = "If another fleet is at work in it, wait, or choose another folder."
            if "full" in str(problem):
                way = "Make room, or choose another folder."
            raise OptimiserError(f"{kept} cannot be used: {problem}. {way}") from None
        yield
    finally:
        lock.close()


def _solve_members(
    fleet: Fleet, kept: Path, workers: int | None, executor: Executor | None, say: Progress
) -> list[SiteAnswer]:
    """Every site's answer, in the order of the fleet."""
    pool = WorkPool(executor, workers) if executor is not None else LocalProcesses(workers)
    answers: dict[str, SiteAnswer] = {}

    def keep(outcome: CaseOutcome) -> None:
        if outcome.status == UNWRITABLE:
            raise OptimiserError(
                f"{kept} cannot be written to: {outcome.results['why']}. Sites that are solved are kept; make room or "
                "mend that, then start the same fleet again."
            )
        digest = outcome.results.get("digest", "")
        answers[outcome.key] = SiteAnswer(outcome.key, digest, outcome.message, outcome.status == DEFECT)
        say(f"{len(answers)} of {len(fleet.members)} sites")

    try:
        works = ((member.name, {"member": member}) for member in fleet.members)
        carry_out(MemberModel(kept), works, pool, keep)
    finally:
        pool.close()
    return [answers[member.name] for member in fleet.members]


@dataclass(frozen=True)
class MemberModel:
    """What solves one site wherever that is done, and keeps its answer in a folder."""

    kept: Path

    def __call__(self, changes: Mapping[str, Any]) -> Found:
        """The digest of the answer of `member`; or why the folder cannot be written to."""
        try:
            return Found(DONE, {"digest": solve_member(changes["member"], self.kept).digest})
        except OSError as problem:
            return Found(UNWRITABLE, {"why": problem.strerror or str(problem)})


def solve_member(member: Member, kept: Path) -> SiteAnswer:
    """Solve one site and keep its answer, unless it is kept already.

    Raises
    ------
    OptimiserError
        If it has no answer.
    OSError
        If its answer cannot be written.
    """
    scenario = _scenario(member)
    answer = SiteAnswer(member.name, _digest(scenario))
    if _kept(kept, answer) is not None:
        return answer
    dispatch = solve(scenario)
    statement = settle(dispatch)
    lines = {line.name: np.asarray(line.values, float) for line in dispatch.lines}
    columns = {}
    for offer in dispatch.offers:
        name = offer.product.name
        paid = lines[f"Availability, {name}"] + lines.get(f"Delivered energy, {name}", 0.0)
        columns[f"{name}.offered_kw"] = np.asarray(offer.offered_kw, float)
        columns[f"{name}.paid"] = paid
    facts = {
        "digest": answer.digest,
        "name": member.name,
        "changes": dict(member.changes),
        "bill_before": statement.bill_before,
        "bill_after": statement.bill_after,
        "services_income": statement.services_income,
        "gap_relative": dispatch.proof.gap_relative,
        "verdict": dispatch.proof.verdict,
    }
    frame = pd.DataFrame(columns, index=range(scenario.timeline.steps))
    write_one(_place(kept, answer), partial(_write_answer, facts, frame))
    return answer


def _write_answer(facts: Mapping[str, Any], frame: pd.DataFrame, path: Path) -> None:
    """One file of an answer: its steps, and in the file's metadata its facts and the checksum of both."""
    words = json.dumps(facts)
    table = pa.Table.from_pandas(frame)
    own = {FACTS: words, CHECKSUM: _checksum(words, frame)}
    pq.write_table(table.replace_schema_metadata({**table.schema.metadata, **own}), path)


def _checksum(facts: str, frame: pd.DataFrame) -> str:
    """Digest of an answer's facts and of every number of its steps."""
    digest = hashlib.sha256(facts.encode())
    for name in frame:
        digest.update(f"{name}\n".encode() + np.ascontiguousarray(frame[name], float).tobytes())
    return digest.hexdigest()


def _digest(scenario: Scenario) -> str:
    """Of all that an answer depends on: the scenario with its changes, its data files, this program, its libraries."""
    parts = [
        scenario.sha256,
        sorted(f"{name}: {table.sha256}" for name, table in scenario.tables.items()),
        versions(),
    ]
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()


def _place(kept: Path, answer: SiteAnswer) -> Path:
    """The file of an answer, named so whatever the site is called."""
    return kept / f"{hashlib.sha256(answer.name.encode()).hexdigest()[:16]}-{answer.digest[:16]}.parquet"


def _kept(kept: Path, answer: SiteAnswer) -> tuple[dict[str, Any], pd.DataFrame] | None:
    """An answer's facts and steps; None if it is not kept, or not whole."""
    try:
        table = pq.read_table(_place(kept, answer))
        frame = table.to_pandas()
        words = table.schema.metadata[FACTS].decode()
        if table.schema.metadata[CHECKSUM].decode() != _checksum(words, frame):
            return None
        facts = json.loads(words)
    except (
        OSError,
        ValueError,
        KeyError,
        TypeError,
        MemoryError,
        pa.ArrowException,
    ):  # what damage can set off
        return None
    return (facts, frame) if (facts["digest"], facts["name"]) == (answer.digest, answer.name) else None


def whole_bids(product: Product, offered_kw: np.ndarray, terms: Any) -> np.ndarray:
    """The bid that a market takes for what is offered: whole steps, nothing below the least, one a block.

    Parameters
    ----------
    product : Product
    offered_kw : array of shape (steps,)
    terms : Terms

    Returns
    -------
    array of shape (steps,)
        [kW]

    References
    ----------
    .. [1] Least bids of 1 MW in whole megawatts: regelleistung.net (German transmission operators), "Tendering and
       bidding process"; that a bid is rounded down is common practice, no source.
    """
    blocks = terms.groups(product.block(terms))
    offered = -blocks.max(-offered_kw)
    if product.bid_step_kw is not None:
        offered = np.floor((offered + ROUNDING_KW) / product.bid_step_kw) * product.bid_step_kw
    offered = np.where(offered < product.least_bid_kw - ROUNDING_KW, 0.0, offered)
    return offered[blocks.of_step]


def _joined(fleet: Fleet, solved: list[SiteAnswer], kept: Path, failed: dict[str, str]) -> FleetResult:
    timeline = fleet.example.timeline
    terms = SettledTerms(timeline, fleet.example.read, {})
    names = [product.name for product in fleet.products]
    offered = {name: np.zeros(timeline.steps) for name in names}
    paid = {name: np.zeros(timeline.steps) for name in names}
    alone = dict.fromkeys(names, 0.0)
    for _, frame in _answers(solved, kept):
        for product in fleet.products:
            if f"{product.name}.paid" not in frame:
                continue
            own, money = (frame[f"{product.name}.{what}"].to_numpy() for what in ("offered_kw", "paid"))
            offered[product.name] += own
            paid[product.name] += money
            alone[product.name] += float((money * _share(whole_bids(product, own, terms), own)).sum())
    bids = {product.name: whole_bids(product, offered[product.name], terms) for product in fleet.products}
    shares = {name: _share(bids[name], offered[name]) for name in names}
    hours = timeline.step_hours
    services = pd.DataFrame(
        [
            {
                "service": name,
                "offered_kw_hours": float(offered[name].sum() * hours),
                "bid_kw_hours": float(bids[name].sum() * hours),
                "income_as_offered": float(paid[name].sum()),
                "income_as_bid": float((paid[name] * shares[name]).sum()),
                "income_if_alone": alone[name],
            }
            for name in names
        ],
        columns=[
            "service",
            "offered_kw_hours",
            "bid_kw_hours",
            "income_as_offered",
            "income_as_bid",
            "income_if_alone",
        ],
    )
    services["lost_by_rounding"] = services["income_as_offered"] - services["income_as_bid"]
    rows = []
    for facts, frame in _answers(solved, kept):
        as_bid = sum(
            float((frame[f"{n}.paid"].to_numpy() * shares[n]).sum()) for n in names if f"{n}.paid" in frame
        )
        rows.append(
            {
                "site": facts["name"],
                "bill_before": facts["bill_before"],
                "ceiling_bill_after": facts["bill_after"],
                "services_as_offered": facts["services_income"],
                "services_as_bid": as_bid,
                "ceiling_saving": facts["bill_before"] - facts["bill_after"] + as_bid,
                "gap_relative": facts["gap_relative"],
                "verdict": facts["verdict"],
                "changes": json.dumps(facts["changes"]),
            }
        )
    sites = pd.DataFrame(rows)
    table = pd.DataFrame(
        {
            f"{name}.{what}": made[name]
            for name in names
            for what, made in (("offered_kw", offered), ("bid_kw", bids))
        },
        index=timeline.starts.rename("interval_start"),
    )
    return FleetResult(_summary(fleet, services, sites, failed), services, sites, table, failed)


def _share(bid_kw: np.ndarray, offered_kw: np.ndarray) -> np.ndarray:
    """The part of each offer that a bid holds."""
    return np.divide(bid_kw, offered_kw, out=np.zeros_like(bid_kw), where=offered_kw > 0)


def _answers(solved: Sequence[SiteAnswer], kept: Path) -> Iterator[tuple[dict[str, Any], pd.DataFrame]]:
    """Each site's answer, one in memory at a time."""
    for answer in solved:
        found = _kept(kept, answer)
        if found is None:
            raise OptimiserError(
                f"{kept} lost the answer of {answer.name} while the fleet was at work. Start it again."
            )
        yield found


def _summary(
    fleet: Fleet, services: pd.DataFrame, sites: pd.DataFrame, failed: dict[str, str]
) -> dict[str, Any]:
    timeline = fleet.example.timeline
    unproven = sites[sites["verdict"] != OPTIMAL].sort_values("gap_relative", ascending=False, kind="stable")
    return {
        "title": fleet.file.title,
        "description": fleet.file.description,
        "invented": fleet.file.invented or fleet.example.file.invented,
        "currency": fleet.example.file.currency,
        "zone": timeline.zone,
        "start": timeline.local()[0].isoformat(),
        "steps": timeline.steps,
        "step_minutes": timeline.step_minutes,
        "sites": len(sites),
        "failed": failed,
        "verdict": str(unproven["verdict"].iloc[0]) if len(unproven) else OPTIMAL,  # the widest
        "unproven": dict(zip(unproven["site"], unproven["verdict"], strict=True)),
        "ceiling_saving": float(sites["ceiling_saving"].sum()),
        "income_as_offered": float(services["income_as_offered"].sum()),
        "income_as_bid": float(services["income_as_bid"].sum()),
        "income_if_alone": float(services["income_if_alone"].sum()),
        "lost_by_rounding": float(services["lost_by_rounding"].sum()),
        "widest_gap_relative": float(sites["gap_relative"].max()),
    }


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
