"""How limits bind: what an entry of the catalogue holds, and the forms in which it meets powers and voltages.

A form is made by the part or the site that has the limit; program, walk, activation, outages, checks and diagnosis take
it from there. What the electrical laws behind them say stands in `laws`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from optimiser.columns import register_of
from optimiser.equipment.laws import power_kw
from optimiser.fields import column, quantity

Reader = Literal["program", "walk", "activation", "outages", "checks", "diagnosis", "what_binds"]
READERS: tuple[Reader, ...] = (
    *("program", "walk", "activation", "outages", "checks", "diagnosis", "what_binds"),
)
Owner = Literal[
    "site.connection",
    "site.inverter",
    "site.solar_controller",
    "site.ac_solar",
    "site.dc_load",
    "storage",
    "service",
]
Kind = Literal["most", "stored", "wear", "given"]
Form = Literal["flow", "bus current", "own current", "net", "through", "stored", "sun", "sold"]


@dataclass(frozen=True)
class Margin:
    """What a replayed activation tells of limits that are alike.

    Attributes
    ----------
    name : str
        Of the column of what is left to them, with its unit.
    words : str
        Its heading.
    stops : str
        What a response is said to be limited by; empty where it does not stop one.
    """

    name: str
    words: str
    stops: str = ""


@dataclass(frozen=True, eq=False)
class Limit:
    """A figure of the scenario that limits what a site can do.

    Attributes
    ----------
    owner : str
        The table of the file that it stands in; of lists, each of its parts has one.
    key : str
        Its place in that table.
    unit : str
        Of which one more is valued.
    meaning : str
        What the file's documentation says of it.
    words : str
        Its name, to be followed by "of" its part.
    rule : str
        Its name in rules and sentences, where {name} stands for its part and {phase} for its phase.
    rank : int
        Which of several limits is named first where nothing can be done: the lowest. A wish (reserve, end state) comes
        before what the network allows, and that before ratings of equipment.
    kind : str
        How that is told: the "most" of something, energy to be "stored", "wear" that a month may see, or what is
        "given" whether wanted or not.
    margin : Margin or None
        What a replayed activation tells of it.
    form : str
        How it binds: the most of a "flow"; a "bus current", power on the DC bus by its voltage; a bank's "own current";
        the "net" import of phases; what passes "through" an inverter's AC side; energy "stored"; the "sun"; what is
        "sold".
    amperes : callable
        From a part to the current that may flow; None where it has none.
    figures : callable
        The figures of a part that it is valued by: each its key, its size in `unit` and by how much of `unit` one more
        of the figure is.
    absent : dict of str to str
        Readers that it does not concern, and why.
    """

    owner: Owner
    key: str
    unit: str
    meaning: str
    words: str
    rule: str
    form: Form
    rank: int = 0
    kind: Kind = "most"
    margin: Margin | None = None
    amperes: Callable[[Any, str], float | None] = getattr
    figures: Callable[[Any, str], Iterator[tuple[str, Any, float]]] = field(
        default=lambda part, key: own_figure(part, key)
    )
    absent: Mapping[Reader, str] = field(default_factory=dict)

    @property
    def readers(self) -> tuple[Reader, ...]:
        """Those that it concerns."""
        return tuple(reader for reader in READERS if reader not in self.absent)

    def number(self, **bounds: Any) -> Any:
        """Its field in the scenario file, a number; without bounds one that may be left out."""
        return quantity(self.unit, self.meaning, **(bounds or {"default": None, "above": 0}))

    def series(self, **bounds: Any) -> Any:
        """Its field in the scenario file, a number or a series."""
        return column(self.unit, self.meaning, **bounds)


def own_figure(part: Any, key: str) -> Iterator[tuple[str, Any, float]]:
    """A figure that stands for the whole part."""
    if (value := getattr(part, key)) is not None:
        yield key, value, 1.0


@dataclass(frozen=True)
class Current:
    """A current limit on the DC side: a power is at most its amperes times a voltage.

    Attributes
    ----------
    limit : Limit
    part : str
        Whose current it is.
    rule : str
        Name of its rows.
    out : bool
        Whether it is of power that leaves the part for what it feeds: an inverter's draw from the bus for its output,
        a bank's discharge, what a controller brings.
    unit_a, unit_kw : float
        Current that may flow in each of `units` in parallel, and the power that its rating lets it have there.
    units : int
    """

    limit: Limit
    part: str
    rule: str
    out: bool
    unit_a: float
    unit_kw: float
    units: int = 1

    @property
    def amperes(self) -> float:
        """Of all units. [A]"""
        return self.unit_a * self.units

    def most_kw(self, volts: Any) -> Any:
        """Power that it allows at a voltage. [kW]"""
        return power_kw(self.amperes, volts)

    def binds_from(self, lowest_v: float) -> bool:
        """Whether it allows less than the rating at the lowest voltage; else no rule is needed."""
        return bool(power_kw(self.unit_a, lowest_v) < self.unit_kw)


@dataclass(frozen=True)
class NetLimit:
    """A limit of the connection: bounds on a sum of the net import of phases.

    `-most_out_kw <= sum(weight * net) <= most_in_kw`; a side without a limit is infinite.

    Attributes
    ----------
    into, out : Limit
        What limits either side.
    words : str
        Where it is.
    weights : dict of str to float
        Of each phase: 1 for all of them or one of them, 1 and -1 for one against another. [-]
    most_in_kw, most_out_kw : array of shape (steps,)
    rules : tuple of str
        Names of the rows of either side, alike where one row has both.
    registers : str
        Columns that carry it as bounds where the meter registers the same sum; empty if none can.
    """

    into: Limit
    out: Limit
    words: str
    weights: Mapping[str, float]
    most_in_kw: np.ndarray
    most_out_kw: np.ndarray
    rules: tuple[str, str]
    registers: str = ""

    @property
    def of_all(self) -> bool:
        """Whether it is of all phases together; else of each, or of one against another."""
        return self.registers == register_of()

    @property
    def phase(self) -> str:
        """The only phase that it is of, if it is of one."""
        return next(iter(self.weights)) if len(self.weights) == 1 and not self.of_all else ""

    @property
    def of_pair(self) -> bool:
        """Whether it is of one phase against another."""
        return min(self.weights.values()) < 0

    @property
    def sides(self) -> list[tuple[Limit, bool, np.ndarray]]:
        """The sides that have a limit: which, whether it is that of power going out, and the most. [kW]"""
        both = [(self.into, False, self.most_in_kw), (self.out, True, self.most_out_kw)]
        return [side for side in both if np.isfinite(side[2]).all()]

    def net_kw(self, nets: Mapping[str, Any]) -> Any:
        """The sum that it bounds. [kW]"""
        return sum(weight * nets[phase] for phase, weight in self.weights.items())


@dataclass(frozen=True)
class Through:
    """What may pass an inverter's AC side on a phase, one way and the other.

    In line between the supply and the phase's loads, what the phase takes from the grid or gives to it passes, less
    the load that is wired before it: `-limit_kw <= net_import - before_kw <= limit_kw`. Beside the loads, its own power
    passes: `-limit_kw <= share * (input - output) <= limit_kw`.

    Attributes
    ----------
    limit : Limit
    inverter, phase : str
    amperes, volts : float
        Current that may pass, and the phase's voltage. [A], [V]
    share : float
        Share of the inverter's power that is on the phase. [-]
    in_line : bool
    before_kw : array of shape (steps,)
        Load of the phase that is wired before an inverter in line. [kW]

    References
    ----------
    .. [1] Kirchhoff's current law; currents are taken at the nominal phase voltage and a power factor of 1, common
       practice, no source.
    """

    limit: Limit
    inverter: str
    phase: str
    amperes: float
    volts: float
    share: float
    in_line: bool
    before_kw: np.ndarray

    @property
    def rule(self) -> str:
        """Name of its row."""
        return f"{self.limit.rule.format(name=self.inverter)} on {self.phase}"

    @property
    def limit_kw(self) -> float:
        """Power of the current that may pass. [kW]"""
        return float(power_kw(self.amperes, self.volts))

    @property
    def own_kw(self) -> float:
        """Power of all its phases that it allows an inverter beside the loads, either way. [kW]"""
        return self.limit_kw / self.share

    @property
    def lowest_net_kw(self) -> np.ndarray:
        """Least net import of a phase in line, of shape (steps,). [kW]"""
        return self.before_kw - self.limit_kw

    @property
    def highest_net_kw(self) -> np.ndarray:
        """Most net import of a phase in line, of shape (steps,). [kW]"""
        return self.before_kw + self.limit_kw
