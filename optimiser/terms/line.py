"""What the verbs make: lines of money, columns, rows, pairs, orders; plain values that both readings share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from optimiser.flows import Series
from optimiser.terms.data import Array
from optimiser.terms.verbs import Group
from optimiser.timeline import STEP, Grouping


@dataclass(frozen=True)
class Line:
    """One amount of money, named.

    Attributes
    ----------
    name : str
        As it stands on the bill.
    group : str
        What it is part of.
    values : array
        Income positive, outgoings negative, one a step or one a group of `per`. [currency]
    per : Grouping
    cash : bool
        False for wear and tie-breaks, which steer the schedule and are on no bill.
    quantity : array or None
        What was multiplied by the rate, with the same shape; None where there is no single one.
    unit : str
        Unit of `quantity`.
    approximates : str
        A sentence where the linear program may see more money than is settled; the proof's gap then holds the rest.
    joined : str
        Lines of one name here are the same money between them in the program and in the books, though not each by
        itself.
    """

    name: str
    group: Group
    values: Series
    per: Grouping = STEP
    cash: bool = True
    quantity: Series | None = None
    unit: str = ""
    approximates: str = ""
    joined: str = ""


@dataclass(frozen=True)
class ColumnFamily:
    """Decisions of one name, one a step or one a group, with finite bounds.

    `before` is the value it had in the steps before the horizon. An `auxiliary` column is held up by rows alone, so it
    is right only while money pushes it down. `derived` columns (every auxiliary is one) the books reckon afresh from
    the flows; `whole` ones are whole numbers in the true problem, and anything between in its relaxation.
    """

    name: str
    per: Grouping
    lower: Array
    upper: Array
    before: float
    unit: str
    auxiliary: bool = False
    derived: bool = False
    whole: bool = False


@dataclass(frozen=True)
class RowFamily:
    """Rows of one name: the sum of `each` over the steps of a group, plus `once`, against zero.

    A row that holds both ways lies between `-width` and zero.
    """

    name: str
    per: Grouping
    sense: Literal["at_most", "equal"]
    each: Any
    once: Any
    unit: str = "kW"
    width: Any = np.inf


@dataclass(frozen=True)
class Pair:
    """Two columns of which only one may be above zero in a step, with the most that each can be there."""

    name: str
    forth: str
    back: str
    forth_most: Array
    back_most: Array


@dataclass(frozen=True)
class FillOrder:
    """A column that may only be used once another is full."""

    name: str
    first: str
    then: str


@dataclass
class RuleReplay:
    """What replaying a rule on solved numbers found.

    Attributes
    ----------
    name : str
    excess : array
        How far the rule is broken, one a step or a group; zero or below where it holds.
    per : Grouping
    unit : str
    """

    name: str
    excess: Array
    per: Grouping
    unit: str

    @property
    def worst(self) -> float:
        """The largest excess."""
        return float(self.excess.max(initial=0.0))
