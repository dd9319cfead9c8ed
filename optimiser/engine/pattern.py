"""The formulation compiled for a few steps: for each row and amount, its coefficients in terms of the data.

Pyomo's standard-form compiler reads the last step of the few; that step's columns, lags and coefficients are the
pattern that `tiling` repeats over the horizon.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyomo.environ as pyo
from pyomo.common.gc_manager import PauseGC
from pyomo.core.expr.visitor import StreamBasedExpressionVisitor, identify_variables
from pyomo.repn.plugins.parameterized_standard_form import ParameterizedLinearStandardFormCompiler

from optimiser.errors import DriftError
from optimiser.formulation import Stated, formulate
from optimiser.services.offers import longest_lag
from optimiser.terms.line import ColumnFamily, FillOrder, Line, Pair, RowFamily
from optimiser.terms.program import LpTerms
from optimiser.timeline import STEP, Grouping

_ONE_AT_A_TIME = threading.Lock()  # Pyomo's compiler keeps what it does in places that threads would share.


@dataclass(frozen=True)
class Coefficient:
    """A coefficient of the pattern: on which column, how many steps or groups back, and its worth."""

    column: str
    lag: int
    worth: Any


@dataclass(frozen=True)
class Body:
    """A linear expression of the pattern."""

    entries: tuple[Coefficient, ...]
    constant: Any


@dataclass(frozen=True)
class PatternRow:
    """A family of rows: what each step adds to its group, and what the group adds once."""

    family: RowFamily
    each: Body
    once: Body


@dataclass(frozen=True)
class PatternLine:
    """An amount of money of the pattern."""

    line: Line
    body: Body


@dataclass(frozen=True)
class Symbol:
    """The numbers behind a symbol."""

    numbers: np.ndarray
    per: Grouping


@dataclass(frozen=True)
class Pattern:
    """Everything that tiling needs."""

    columns: dict[str, ColumnFamily]
    rows: tuple[PatternRow, ...]
    lines: tuple[PatternLine, ...]
    pairs: dict[str, Pair]
    fill_orders: dict[str, FillOrder]
    symbol_of: dict[int, tuple[int, int]]
    symbols: tuple[Symbol, ...]
    steps: int


# A body by what it is of: ("each" or "once", name of a row), or ("line", number).
Key = tuple[str, str | int]


def compile_pattern(scenario: Stated) -> Pattern:
    """Compile a scenario's formulation.

    Raises
    ------
    DriftError
        If a rule has no declared kind, or is not linear.
    """
    steps = longest_lag(scenario.service, scenario.timeline.step_hours) + 2
    terms = LpTerms(scenario.data, steps)
    with _ONE_AT_A_TIME, PauseGC():
        stated = formulate(scenario, terms)
        return _compiled(terms, stated.lines, steps)


def _compiled(terms: LpTerms, lines: list[Line], steps: int) -> Pattern:
    model = terms.model
    symbols = [symbol for symbol, _, _ in terms.symbols]
    symbol_of = {id(symbol[k]): (number, k) for number, symbol in enumerate(symbols) for k in range(steps)}
    column_of: dict[int, tuple[str, int]] = {}
    for name in terms.columns:
        variable = model.component(f"column {name}")
        column_of |= {id(variable[k]): (name, k) for k in range(steps)}
    model.bodies = pyo.Constraint(pyo.Any)
    constants: dict[Key, Any] = {}
    wanted: list[tuple[Key, Any]] = []
    for row in terms.rows.values():
        wanted += [(("each", row.name), row.each), (("once", row.name), row.once)]
    wanted += [(("line", number), line.values[-1]) for number, line in enumerate(lines)]
    for key, expression in wanted:
        if expression is None or not _has_columns(expression, symbol_of):
            constants[key] = 0.0 if expression is None else expression
        else:
            model.bodies[key] = expression == 0
    model.objective = pyo.Objective(expr=0)
    try:
        form = ParameterizedLinearStandardFormCompiler().write(model, wrt=symbols, mixed_form=True)
    except Exception as problem:  # the compiler raises many kinds for what is not linear
        raise DriftError(f"the formulation could not be compiled: {problem}") from problem
    bodies = {key: Body((), constant) for key, constant in constants.items()}
    # A body whose coefficients all cancel has no row; what is left of it is a constant.
    bodies |= {key: Body((), expression) for key, expression in wanted if key not in bodies}
    bodies |= _read_rows(form, column_of, steps)
    nothing = Body((), 0.0)
    rows = tuple(
        PatternRow(row, bodies.get(("each", row.name), nothing), bodies[("once", row.name)])
        for row in terms.rows.values()
    )
    for pattern_row in rows:
        _check_kinds(pattern_row, terms.columns)
    return Pattern(
        terms.columns,
        rows,
        tuple(PatternLine(line, bodies[("line", number)]) for number, line in enumerate(lines)),
        terms.pairs,
        terms.fill_orders,
        symbol_of,
        tuple(Symbol(numbers, per) for _, numbers, per in terms.symbols),
        steps,
    )


def _has_columns(expression: Any, symbol_of: dict[int, Any]) -> bool:
    if isinstance(expression, (int, float, np.number)):
        return False
    return any(id(variable) not in symbol_of for variable in identify_variables(expression))


def _read_rows(form: Any, column_of: dict[int, tuple[str, int]], steps: int) -> dict[Key, Body]:
    count = len(form.rows)
    entries: list[list[Coefficient]] = [[] for _ in range(count)]
    matrix = form.A
    for number, variable in enumerate(form.columns):
        name, index = column_of[id(variable)]
        for place in range(matrix.indptr[number], matrix.indptr[number + 1]):
            entries[matrix.indices[place]].append(Coefficient(name, steps - 1 - index, matrix.data[place]))
    return {
        row.constraint.index(): Body(tuple(entries[number]), -form.rhs[number])
        for number, row in enumerate(form.rows)
    }


def _check_kinds(row: PatternRow, columns: dict[str, ColumnFamily]) -> None:
    """Refuse, by name, a rule that tiling does not know how to repeat."""
    per = row.family.per
    for entry in row.once.entries:
        own = columns[entry.column].per
        if own == STEP and per != STEP:
            raise DriftError(
                f"rule {row.family.name} takes {entry.column} of a single step once for a whole group"
            )
        if own != per and entry.lag:
            raise DriftError(f"rule {row.family.name} looks back at {entry.column}, which has other groups")
    for entry in row.each.entries:
        if columns[entry.column].per != STEP and entry.lag:
            raise DriftError(f"rule {row.family.name} looks back at {entry.column} within a sum")


class _Evaluator(StreamBasedExpressionVisitor):  # type: ignore[misc]  # Pyomo has no types
    """An expression of symbols evaluated on whole arrays at once."""

    def __init__(self, lookup: Callable[[Any], Any]):
        super().__init__()
        self._lookup = lookup

    def initializeWalker(self, expr: Any) -> tuple[bool, Any]:  # noqa: N802 - Pyomo's name
        go_on, value = self.beforeChild(None, expr, 0)
        return go_on, value

    def beforeChild(self, node: Any, child: Any, index: int) -> tuple[bool, Any]:  # noqa: N802
        if isinstance(child, (int, float, np.number)):
            return False, float(child)
        if child.is_expression_type():
            return True, None
        return False, self._lookup(child)

    def exitNode(self, node: Any, data: list[Any]) -> Any:  # noqa: N802
        return node._apply_operation(data)


def evaluate(expression: Any, lookup: Callable[[Any], Any]) -> Any:
    """The value of an expression of symbols; `lookup` gives the array of each."""
    if isinstance(expression, (int, float, np.number)):
        return float(expression)
    return _Evaluator(lookup).walk_expression(expression)
