"""The verbs in which amounts and limits are said: what each of them means, whatever reads it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import Literal

import numpy as np

from optimiser.flows import Amount, Series
from optimiser.terms.data import Array, InputData, Numbers
from optimiser.timeline import STEP, Grouping

# Angles of the tangents of a circle that apparent power is held above, and what counts as an edge of a tariff's step
# or band: a watt or watt-hour, finer than meters. The program keeps a tenth of it as room for its solver's tolerance,
# so that what it takes to be inside is inside for the books.
TANGENTS = tuple(np.radians(np.arange(0, 91, 10)))
EDGE = 1e-3
INNER_EDGE = 0.9 * EDGE


Group = Literal[
    "energy in", "energy out", "demand", "fixed", "tax", "availability", "activation", "wear", "tie-break"
]


class Terms(InputData, ABC):
    """What amounts and limits are said in.

    The program makes columns and rows of it, the books reckon with solved numbers and replay every rule. What is said
    may add, subtract, and multiply by numbers and by `series`; it never branches on a series.

    Parameters
    ----------
    data : InputData
    """

    def __init__(self, data: InputData):
        super().__init__(data.timeline, data.read)

    def counted(self, highest: int, at_most: Array, slot: Grouping, apart: Grouping, per: Grouping) -> Array:
        """How many peaks each group of `per` has, of the `highest` asked for: one an `apart` with something in it."""
        unit = self.groups(slot if apart == STEP else apart)
        there = unit.max(at_most) > 0
        of_unit = self.groups(per).of_step[unit.first_step]
        found = np.bincount(of_unit, weights=there, minlength=self.count(per))
        return np.clip(found, 1, highest)

    @abstractmethod
    def series(self, numbers: Numbers, per: Grouping = STEP) -> Series:
        """Data, one number a step or a group, as amounts take them."""

    @abstractmethod
    def column(
        self,
        name: str,
        *,
        at_most: Numbers,
        at_least: Numbers = 0.0,
        per: Grouping = STEP,
        before: float = 0.0,
        unit: str = "kW",
        auxiliary: bool = False,
        derived: bool = False,
    ) -> Series:
        """A decision, one a step or a group, between finite bounds.

        Parameters
        ----------
        name : str
            Its own.
        at_most, at_least : float or array
            Bounds, in `unit`.
        per : Grouping
        before : float
            The value that `previous` gives before the horizon.
        unit : str
        auxiliary : bool
            Held up by rows alone, so that it is right only while money pushes it down.
        derived : bool
            The books reckon it afresh from the flows; every auxiliary one is.
        """

    @abstractmethod
    def broadcast(self, values: Series, per: Grouping) -> Series:
        """A group's value in each of its steps."""

    @abstractmethod
    def previous(self, column: Series, lag: int = 1) -> Series:
        """A column's values `lag` steps earlier; before the horizon, the value it was declared with."""

    @abstractmethod
    def at_most(
        self, name: str, left: Series, right: Amount, *, per: Grouping = STEP, unit: str = "kW"
    ) -> None:
        """The rule that `left` never exceeds `right`."""

    @abstractmethod
    def between(self, name: str, low: Numbers, middle: Series, high: Numbers, *, unit: str = "kW") -> None:
        """The rule that `middle` stays between two series of numbers in every step."""

    @abstractmethod
    def equal(
        self, name: str, left: Series, right: Amount, *, per: Grouping = STEP, unit: str = "kW"
    ) -> None:
        """The rule that both sides are the same."""

    @abstractmethod
    def total(
        self, name: str, values: Series, *, per: Grouping, at_most: Numbers, unit: str = "kWh"
    ) -> Series:
        """The sum of a step series over each group, which never exceeds `at_most`."""

    @abstractmethod
    def peak(
        self,
        name: str,
        values: Series,
        *,
        per: Grouping,
        slot: Grouping = STEP,
        at_most: Array,
        unit: str = "kW",
        reactive: Array | None = None,
        highest: int = 1,
        apart: Grouping = STEP,
    ) -> Series:
        """The highest of a series in each group, of its mean over each `slot` where one is given; at least zero.

        Parameters
        ----------
        name : str
        values : series of shape (steps,)
        per, slot : Grouping
        at_most : array of shape (steps,)
            What `values` never exceeds; nothing counts where it is zero.
        unit : str
        reactive : array of shape (steps,), optional
            Numbers at right angles to `values`: the root of both squared is meant. The program takes tangents, which
            lie at most 0.4 % below it.
        highest : int
            The mean of so many of the highest is meant, of as many as there are where a group has fewer.
        apart : Grouping, optional
            No two of the highest lie in one of these.
        """

    @abstractmethod
    def ratchet(
        self,
        name: str,
        level: Series,
        *,
        per: Grouping,
        fraction: float,
        periods: int,
        past: Sequence[float],
        at_least: float,
        at_most: Array,
        unit: str = "kW",
    ) -> Series:
        """A level that counts at least a fraction of the highest of the periods before, and at least `at_least`.

        `past` are the levels before the timeline, the latest last.
        """

    @abstractmethod
    def whole(self, name: str) -> None:
        """The rule that a column is a whole number; its relaxation lets it be anything between its bounds."""

    @abstractmethod
    def blocks(
        self,
        name: str,
        values: Series,
        *,
        widths: Sequence[Array],
        per: Grouping,
        at_most: Array,
        in_order: bool,
        unit: str = "kWh",
    ) -> list[Series]:
        """What of each group's sum falls into each of its blocks, filled one after the other; the last is open.

        Parameters
        ----------
        name : str
        values : series of shape (steps,)
        widths : list of arrays of shape (groups,)
            Of all blocks but the last.
        per : Grouping
        at_most : array of shape (groups,)
            What a group's sum never exceeds.
        in_order : bool
            Whether the order needs whole numbers, because a later block is worth more than an earlier one; money fills
            them in order by itself otherwise. Relaxed, the worth lies on the envelope of the true one.
        unit : str
        """

    @abstractmethod
    def bands(
        self,
        name: str,
        values: Series,
        *,
        tops: Sequence[Array],
        worth: Sequence[float],
        per: Grouping,
        at_most: Array,
        unit: str = "kWh",
    ) -> list[Series]:
        """Each group's whole sum in the one band that it lies in, nothing in the others; the last band is open.

        Within a watt-hour of an edge the band of the greater worth counts. Relaxed, a sum may be split
        between bands.
        """

    @abstractmethod
    def step_of(
        self,
        name: str,
        level: Series,
        *,
        tops: Sequence[float],
        per: Grouping,
        top_included: bool = True,
        unit: str = "kW",
    ) -> list[Series]:
        """1 for the lowest step that a level fits under, 0 for the others; between whole numbers, shares of several.

        A level within a watt of a step's top is in it, or, with `top_included` false, in the next; the last top is the
        highest that the level can be.
        """

    @abstractmethod
    def shortfall(
        self,
        name: str,
        parts: Sequence[tuple[Series, Grouping]],
        *,
        at_least: Array,
        per: Grouping,
        at_most: Array,
        unit: str = "currency",
    ) -> Series:
        """How far the sum of some parts, each with its own groups, stays below a number in each group of `per`."""

    @abstractmethod
    def square_over(
        self,
        name: str,
        left: Series,
        value: Series,
        over: Series,
        *,
        factor: float,
        touching: Sequence[float],
        most: tuple[float, float],
        within: tuple[float, float],
        unit: str = "kW",
    ) -> None:
        """The rule that `left` is `factor` times the square of `value` over `over`, both linear, near enough.

        Where tangents of the law meet, what the value has above or below that ratio is told apart, and only one of the
        two is above zero, so that `left` lies between tangents and chords. Money mostly keeps that by itself; where it
        does not, it is decided like a direction.

        Parameters
        ----------
        name : str
        left, value, over : series of shape (steps,)
        factor : float
        touching : sequence of float
            Ratios of `value` to `over` at which tangents touch, rising from 0.
        most : (float, float)
            The most that the ratio and that `over` can be.
        within : (float, float)
            How near: a share of the law and an amount, for the books.
        unit : str
        """

    @abstractmethod
    def one_direction(
        self, name: str, forth: str, back: str, forth_most: Numbers, back_most: Numbers
    ) -> None:
        """The rule that of two columns only one is above zero in a step; the most that each can be there."""

    @abstractmethod
    def in_order(self, name: str, first: str, then: str) -> None:
        """The rule that a column is used only once another one is at its upper bound."""
