"""The studies that a run can be asked for, by name: each takes a statement and gives a `Study`, or None.

A study is None where its question does not arise, such as services where none are sold. The usual ones are quick
and are made with every run; the others take longer and wait to be asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from optimiser.accounts.settlement import Statement
from optimiser.dispatch import Progress
from optimiser.errors import OptimiserError
from optimiser.fields import RENAMED
from optimiser.progress import Step
from optimiser.scenario.file import Scenario
from optimiser.studies import (
    driven_limits,
    flexible_loads,
    measured_share,
    outages,
    patterns,
    timetable,
    what_binds,
    without_foresight,
)
from optimiser.studies.activation import ActivationFigures, make_activation
from optimiser.studies.concentration import ConcentrationFigures, make_concentration
from optimiser.studies.life import LaterYearFigures, later_years
from optimiser.studies.price_years import PriceYearFigures, price_years
from optimiser.studies.stack import StackFigures, make_stack
from optimiser.study import Figures, Study


@dataclass(frozen=True)
class Entry:
    """A study of the list: what works it out, whether every run has it, and why it may not arise.

    `figures` is the type of its summary; None where that is a plain mapping, explained in its docstring.
    `reads` names a study before it in the list whose findings it takes too, where that one was made.
    """

    make: Callable[..., Study | None]
    usual: bool = False
    absent: str = "its question does not arise for this site"
    reads: str | None = None
    figures: type[Figures] | None = None


NO_SERVICES = "no service ([[service]]) is sold"

STUDIES: Mapping[str, Entry] = {
    "concentration": Entry(make_concentration, usual=True, absent=NO_SERVICES, figures=ConcentrationFigures),
    "activation": Entry(
        make_activation,
        absent="no service ([[service]]) is sold, or the plan offers nothing",
        figures=ActivationFigures,
    ),
    "stack": Entry(make_stack, absent=NO_SERVICES, figures=StackFigures),
    "timetable": Entry(
        timetable.study,
        absent="there is no inverter or no bank to steer",
        figures=timetable.TimetableFigures,
    ),
    "without_foresight": Entry(
        without_foresight.study, usual=True, reads="timetable", figures=without_foresight.ForesightFigures
    ),
    "flexible_loads": Entry(
        flexible_loads.study,
        usual=True,
        absent="there is no load that can wait ([[site.flexible_load]])",
        figures=flexible_loads.FlexibleFigures,
        reads="without_foresight",
    ),
    "flexible_headline": Entry(
        flexible_loads.headline,
        absent="it needs a load that can wait ([[site.flexible_load]]), the study without_foresight and a policy that "
        "leads the page",
        figures=flexible_loads.FlexibleHeadlineFigures,
        reads="without_foresight",
    ),
    "measured_share": Entry(
        measured_share.study,
        absent="there is no storage or no policy ([foresight]), the ceiling saves nothing, or nobody could run the "
        "site within its limits",
        figures=measured_share.ShareFigures,
    ),
    "patterns": Entry(patterns.study, usual=True, reads="without_foresight", figures=patterns.PatternFigures),
    "outages": Entry(
        outages.study,
        usual=True,
        absent="neither a critical load nor a backup reserve is named, or there is no inverter or bank",
        figures=outages.OutageFigures,
        reads="without_foresight",
    ),
    "reserve_cost": Entry(
        outages.reserve_cost,
        absent="no backup reserve ([[storage.reserve]]) is kept",
        figures=outages.ReserveCostFigures,
    ),
    "what_binds": Entry(
        what_binds.study,
        absent="the solver gave no multipliers for this answer",
        figures=what_binds.BindingFigures,
    ),
    "driven_limits": Entry(
        driven_limits.study,
        absent="it needs the study without_foresight, a policy that leads the page and a limit that binds",
        figures=driven_limits.DrivenLimitFigures,
        reads="without_foresight",
    ),
    "life": Entry(later_years, absent="no costs ([cost]) are given", figures=LaterYearFigures),
    "price_years": Entry(
        price_years,
        absent="no price years ([[price_year]]) or no costs ([cost]) are given",
        figures=PriceYearFigures,
    ),
}


def usual() -> tuple[str, ...]:
    """The studies that every run has."""
    return tuple(name for name, entry in STUDIES.items() if entry.usual)


def with_required(scenario: Scenario, names: Iterable[str]) -> tuple[str, ...]:
    """The studies named, and those that the scenario itself asks for, in the order of the list."""
    cost = scenario.file.cost
    wanted = {*names, *(("life",) if cost is not None and cost.life.resolve else ())}
    return tuple(name for name in STUDIES if name in wanted)


def chosen(added: Iterable[str], left_out: Iterable[str]) -> tuple[str, ...]:
    """The usual studies with some added and some left out; "all" stands for every one.

    Raises
    ------
    OptimiserError
        With every name that is not known.
    """
    more, fewer = set(added), set(left_out)
    unknown = sorted((more | fewer) - STUDIES.keys() - {"all"})
    if unknown:
        raise OptimiserError("\n".join(f"there is no study {name}. {_meant(name)}" for name in unknown))
    wanted = (set(STUDIES) if "all" in more else set(usual()) | more) - fewer
    wanted = more & wanted if "all" in fewer else wanted
    return tuple(name for name in STUDIES if name in wanted)


def _meant(name: str) -> str:
    close = get_close_matches(RENAMED.get(name, name), STUDIES, 1)
    return f"Did you mean {close[0]}?" if close else f"There are: {', '.join(STUDIES) or 'none'}."


def make_studies(
    statement: Statement,
    names: Iterable[str],
    say: Progress,
    kept: Callable[[Mapping[str, Study], int], None] = lambda made, through: None,
) -> dict[str, Study]:
    """Work out the studies named, in the order of the list; those whose question does not arise are left out.

    `kept` is handed what is made and how many names were gone through, before the first and after each.
    """
    made: dict[str, Study] = {}
    kept(made, 0)
    for through, name in enumerate(names, 1):
        say(Step(f"study: {name.replace('_', ' ')}", afresh=True))
        entry = STUDIES[name]
        read = (made[entry.reads],) if entry.reads and entry.reads in made else ()
        found = entry.make(statement, say, *read)
        if found is not None:
            made[name] = found
        kept(made, through)
    return made


def not_arising(asked: Iterable[str], made: Mapping[str, Study]) -> Iterator[str]:
    """A sentence for each study that was asked for by name and whose question does not arise."""
    for name in dict.fromkeys(asked):
        if name in STUDIES and name not in made:
            yield f"the study {name} is left out: {STUDIES[name].absent}."
