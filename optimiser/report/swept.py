"""The page of a sweep: what moves the figures, by how much, and each case with the command that makes it again."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from optimiser.report import cautions
from optimiser.report.blocks import (
    Block,
    Chart,
    Column,
    Fact,
    Headline,
    NamedValues,
    Points,
    Row,
    Section,
    TableBlock,
    Text,
    label,
    text_column,
)
from optimiser.report.page import page_text
from optimiser.report.recorded import RecordedRun
from optimiser.words import MINUS, NARROW, fitting_decimals, listed, number, significant

MOST_FIGURES, MOST_FACTORS, MOST_LINES, MOST_ROWS, MOST_SAID = 3, 12, 300, 1000, 4
WITH_RESULTS = ("done", "best found")
COLOURS = tuple(f"@series{place}" for place in range(1, 8))
SAMPLED = ("latin_hypercube", "sobol", "morris")
DESIGNS = {
    "grid": "every combination of levels",
    "list": "the cases of a list",
    "one_at_a_time": "one factor at a time, all others as the scenario has them",
    "latin_hypercube": "a Latin hypercube, an even spread over all ranges",
    "sobol": "a Sobol' design for indices of variance",
    "morris": "a Morris design of long single steps",
}


@dataclass(frozen=True)
class Swept:
    """The finished figures of a sweep.

    Attributes
    ----------
    title, description, design : str
    basis : str
        On what its money rests, in a sentence.
    invented : bool
    factors : tuple of (str, str, str)
        Name, unit and paths of each.
    record : tuple of str
        Recorded paths; the first leads.
    recorded : RecordedRun
        What they are called, and which days they count.
    order : dict of str to tuple of str
        For each recorded path, the factors, what moves it most first.
    pairs : tuple of (str, str)
        Factors to be looked at two at a time.
    planned : int
        Cases of the plan.
    table : DataFrame
        One row a finished case; case 0 is the scenario as it is.
    found : dict of str to DataFrame
        What was worked out of it.
    notes : tuple of str
    command : str
        To which ` --case 17` is added.
    identity : dict of str to str
        What the figures depend on.
    """

    title: str
    basis: str
    description: str
    invented: bool
    recorded: RecordedRun
    design: str
    factors: tuple[tuple[str, str, str], ...]
    record: tuple[str, ...]
    order: Mapping[str, tuple[str, ...]]
    pairs: tuple[tuple[str, str], ...]
    planned: int
    table: pd.DataFrame
    found: Mapping[str, pd.DataFrame]
    notes: tuple[str, ...]
    command: str
    identity: Mapping[str, str]

    @property
    def numeric(self) -> list[str]:
        """Recorded paths that are numbers."""
        return [
            path for path in self.record if self.table[path].dtype == float and self.table[path].notna().any()
        ]

    @property
    def done(self) -> pd.DataFrame:
        """Cases with figures, without the scenario as it is."""
        return self.table[self.table["status"].isin(WITH_RESULTS) & (self.table["case"] > 0)]

    @property
    def as_it_is(self) -> Mapping[str, Any]:
        """The row of the scenario as it is."""
        return dict(self.table[self.table["case"] == 0].iloc[0])

    @property
    def sampled(self) -> bool:
        """Whether cases lie anywhere in ranges, so that levels do not meet the other factors alike."""
        return self.design in SAMPLED

    def unit(self, path: str) -> str:
        """The unit of a recorded path, as far as its name tells."""
        return self.recorded.unit(path)

    def name(self, path: str) -> str:
        """A recorded path in words."""
        return self.recorded.name(path)

    def factor(self, name: str) -> str:
        """A factor with its unit."""
        unit = next((unit for own, unit, _ in self.factors if own == name), "")
        return f"{name}, {unit}" if unit else name


def swept_page(swept: Swept) -> str:
    """The page as text."""
    measured = (_indices, _spreads) if swept.sampled else (_spreads, _indices)
    parts = (_answer, *measured, _responses, _pairs, _lines, _cases, _made)
    sections = [section for part in parts if (section := part(swept)) is not None]
    return page_text(swept.title, swept.invented, swept.recorded.currency, [*sections, cautions.SECTION])


def _shown(value: Any) -> str:
    """A figure or word of the table as people read it."""
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "\u2013"
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    if isinstance(value, (float, np.floating)) and math.isinf(value):
        return "never"
    if isinstance(value, (int, np.integer)):
        return number(float(value))
    if isinstance(value, (float, np.floating)):
        size = abs(float(value))
        if size and (size < 1e-3 or size >= 1e9):
            return f"{value:.3g}".replace("-", MINUS)
        return number(float(value), 2 if size >= 100 and value != round(value) else _decimals(float(value)))
    return str(value)


def _level(value: Any) -> str:
    """A value of a factor to four digits, from a number or its text; a part of a range by both its ends."""
    if isinstance(value, (bool, np.bool_)) or _missing(value):
        return _shown(value)
    try:
        return " to ".join(significant(float(part)) for part in str(value).split(" to "))
    except ValueError:  # a word
        return str(value)


def _decimals(value: float) -> int:
    """As few decimals as show the value, and no more than fit it."""
    fitting = max(2, fitting_decimals(value))
    return next((d for d in range(fitting) if abs(round(value, d) - value) < 1e-9), fitting)


def _answer(swept: Swept) -> Section:
    lead, done = swept.record[0], swept.done
    failed = swept.table[~swept.table["status"].isin(WITH_RESULTS)]
    blocks: list[Block] = []
    if swept.description:
        blocks.append(Text(swept.description))
    blocks += [Text(swept.basis), Text(swept.recorded.covered())]
    finished = int((swept.table["case"] > 0).sum())
    if finished < swept.planned:
        blocks.append(
            Text(
                f"{number(finished)} of {number(swept.planned)} cases are finished; the page shows those.",
                tone="warning",
            )
        )
    if lead in swept.numeric and done[lead].notna().any():
        base = swept.as_it_is[lead]
        facts = [Fact(f"{swept.name(lead)}: as it is", _shown(base), ("The scenario without a change.",))]
        for words, at in (("highest", "idxmax"), ("lowest", "idxmin")):
            never = _never(swept, lead)
            if words == "highest" and never:
                facts.append(
                    Fact(f"{swept.name(lead)}: highest", "never", (f"In {never} of {len(done)} cases.",))
                )
                continue
            row = _row_at(done, lead, at)
            facts.append(
                Fact(
                    f"{swept.name(lead)}: {words}",
                    _shown(row[lead]),
                    (f"Case {row['case']}: {_words(swept, row)}.",),
                )
            )
        blocks.append(Headline(tuple(facts)))
    if lead in swept.numeric and finished > 1:
        blocks.append(Text(_what_moves(swept, lead)))
    blocks.append(
        NamedValues(
            (
                ("Design", DESIGNS[swept.design]),
                ("Cases", f"{number(finished)} finished, {number(len(failed))} without figures"),
                ("Factors", listed([name for name, _, _ in swept.factors])),
            )
        )
    )
    unproven = int((swept.table["status"] == "best found").sum())
    notes = list(swept.notes)
    if unproven:
        notes.append(f"{number(unproven)} cases are the best found and not proven within tolerance.")
    partly = int((swept.done["message"] != "").sum())
    if partly:
        notes.append(f"Cases that could not be run without foresight: {number(partly)}; cases.csv says why.")
    if notes:
        blocks.append(Points(tuple(notes[:20]), tone="warning"))
    return Section("answer", "Answer", "What was asked, and what came of it", tuple(blocks))


def _never(swept: Swept, path: str) -> int:
    """In how many cases a payback never comes."""
    if not path.endswith("payback_years"):
        return 0
    # A case with a message has none because it could not be run without foresight.
    return int((swept.done[path].isna() & (swept.done["message"] == "")).sum())


def _mean(row: Any) -> str:
    """A mean of cases, or of how many a payback never comes."""
    return f"never in {row.never} of {row.cases}" if row.never else _shown(row.mean)


def _words(swept: Swept, row: Any) -> str:
    return ", ".join(
        f"{name} {_level(row[name])}{f' {unit}' if unit else ''}" for name, unit, _ in swept.factors
    )


def _ranked(swept: Swept, path: str) -> list[Any]:
    return _found(swept, "spreads", path)


def _each(frame: pd.DataFrame) -> list[Any]:
    """Rows whose cells are attributes."""
    return list(frame.itertuples())


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as dicts."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def _row_at(frame: pd.DataFrame, column: str, best: str) -> Any:
    """The row with the highest ("idxmax") or lowest ("idxmin") value of a column."""
    return frame.loc[[getattr(frame[column], best)()]].iloc[0]


def _what_moves(swept: Swept, path: str) -> str:
    """Which factor moves a figure most, by the measure that the design is made for."""
    done = swept.done[path]
    name, ranked = swept.name(path), _ranked(swept, path)
    for table, say in (("sobol", _by_variance), ("morris", _by_effect), ("ranks", _by_rank)):
        rows = _found(swept, table, path)
        if rows:
            never = _never(swept, path)
            words = f" It never comes in {never} of {len(done)} cases." if never else ""
            return f"{name}: {say(swept, path, rows)}.{words}"
    if done.nunique(dropna=False) == 1:
        return f"{name}: all cases have the same."
    if ranked and not swept.sampled:
        return _apart(swept, path, ranked)
    return (
        f"{name}: {number(len(done))} cases are too few to tell which factor moves it most. "
        f"{WAYS_OUT.get(swept.design, 'A grid or a sampled design would tell.')}"
    )


WAYS_OUT = {
    "latin_hypercube": "Set cases to 12 or more.",
    "sobol": "Set base_cases to 64 or more.",
    "morris": "Set paths to 10 or more.",
}


def _by_variance(swept: Swept, path: str, rows: Sequence[Any]) -> str:
    ordered = sorted(rows, key=lambda row: -row.total)
    words = [
        f"{row.factor} {number(row.total, 2)} ({_interval(row.total_low, row.total_high, 2)})"
        for row in ordered[:MOST_SAID]
    ]
    lead = _lead(ordered[0].factor, ordered[0].total_low, [row.total_high for row in ordered[1:]])
    return (
        f"{lead}. Total index of each, which is its share of the variance with all that it "
        f"does together with others, with its 95{NARROW}% interval: {listed(words)}"
    )


def _by_effect(swept: Swept, path: str, rows: Sequence[Any]) -> str:
    ordered = sorted(rows, key=lambda row: -row.mean_size)
    words = [
        f"{row.factor} {_shown(row.mean_size)} ({_about(row.mean_size_interval)})"
        for row in ordered[:MOST_SAID]
    ]
    unit, first = swept.unit(path), ordered[0]
    highs = [row.mean_size + row.mean_size_interval for row in ordered[1:]]
    lead = _lead(first.factor, first.mean_size - first.mean_size_interval, highs)
    return (
        f"{lead}. Mean size of what going through its whole range does, with its 95{NARROW}% interval"
        f"{f', {unit}' if unit else ''}: {listed(words)}"
    )


def _by_rank(swept: Swept, path: str, rows: Sequence[Any]) -> str:
    ordered = sorted(rows, key=lambda row: -abs(row.rank_correlation))
    words = [f"{row.factor} {_signed(row.rank_correlation)}" for row in ordered[:MOST_SAID]]
    first, known = ordered[0], {row.factor for row in rows}
    words_alone = [name for name, _, _ in swept.factors if name not in known]
    chance = f"with {number(first.cases)} cases, what is nearer to 0 than {number(first.chance_below, 2)} may be chance"
    lead = (
        f"it goes most closely with {first.factor}"
        if abs(first.rank_correlation) >= first.chance_below
        else f"no factor{' that is a number' if words_alone else ''} stands out"
    )
    means = {row.factor: row.spread for row in _ranked(swept, path)}
    more = "".join(
        f"; means over {name} lie {_shown(means[name])} apart"
        if math.isfinite(means.get(name, math.inf))
        else f"; {name} has no rank and too few cases a level"
        for name in words_alone
    )
    return f"{lead}. Rank correlations: {listed(words)}; {chance}{more}"


def _lead(first: str, low: float, highs: Sequence[float]) -> str:
    """Which factor leads, and whether another may, its interval reaching as high."""
    if not low > max(highs, default=-math.inf):
        return f"{first} seems to move it most, but intervals overlap"
    return f"{first} moves it most"


def _about(half: float) -> str:
    return f"±{NARROW}{_shown(half)}"


def _interval(low: float, high: float, decimals: int) -> str:
    return f"{number(low, decimals)} to {number(high, decimals)}"


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", MINUS)


def _apart(swept: Swept, path: str, ranked: Sequence[Any]) -> str:
    """How far means of a figure lie apart over the levels of factors."""
    first = ranked[0]
    moves = (
        f"means over {first.factor} lie furthest apart" if swept.sampled else f"{first.factor} moves it most"
    )
    words = (
        f"{moves}: on average {_shown(first.lowest)} at {_level(first.lowest_at)} and "
        f"{_shown(first.highest)} at {_level(first.highest_at)}"
    )
    others = [f"{row.factor} by {_shown(row.spread)}" for row in ranked[1:4]]
    few = [name for name, _, _ in swept.factors if name not in {row.factor for row in ranked}]
    if few:
        others.append(f"too few cases a level for {listed(few)}")
    never = _never(swept, path)
    if never:
        words = (
            f"{swept.name(path)}: it never comes in {never} of {len(swept.done)} cases; a level with such a case has "
            "no mean."
        )
        endless = [row.factor for row in ranked if math.isinf(row.spread)]
        if endless:
            words += f" Levels without and with such cases: {listed(endless)}."
        return words
    return f"{swept.name(path)}: {'; '.join([f'{words}, apart by {_shown(first.spread)}', *others])}."


def _found(swept: Swept, table: str, path: str) -> list[Any]:
    """Rows of a table of findings that are of one figure."""
    frame = swept.found.get(table)
    return [] if frame is None else _each(frame[frame["figure"] == path])


def _spreads(swept: Swept) -> Section | None:
    if "spreads" not in swept.found:
        return None
    words = (
        "Each bar goes from the lowest to the highest mean of the figure over the levels of a factor; the line is the "
        "scenario as it is. "
    )
    if swept.sampled:
        counts = swept.found["responses"]["cases"]
        fewest, most = number(int(counts.min())), number(int(counts.max()))
        words += (
            "A level is a part of what was sampled and holds "
            f"{fewest if fewest == most else f'{fewest} to {most}'} cases, which differ in the other factors too: bars "
            "of means that vary little may be chance, and long ones too where a part has few cases."
        )
    else:
        words += "Means are over all other factors that the design varies with it."
    blocks: list[Block] = [Text(words)]
    for path in swept.numeric[:MOST_FIGURES]:
        rows = _ranked(swept, path)[:MOST_FACTORS]
        if rows and any(row.spread for row in rows):
            blocks += _tornado(swept, path, rows)
    return Section("spreads", "Spread", "What moves the figures", tuple(blocks)) if len(blocks) > 1 else None


def _tornado(swept: Swept, path: str, rows: Sequence[Any]) -> list[Block]:
    """A bar a factor; in words and a table alone where no factor has means at both ends."""
    base = swept.as_it_is[path]
    drawn = [row for row in rows if math.isfinite(row.spread) and math.isfinite(row.lowest)]
    names = [label(row.factor) for row in drawn][::-1]
    words = [
        f"{_shown(row.lowest)} at {label(_level(row.lowest_at))}<br>"
        f"{_shown(row.highest)} at {label(_level(row.highest_at))}"
        for row in drawn
    ][::-1]
    bar = {
        "type": "bar",
        "orientation": "h",
        "y": names,
        "base": [row.lowest for row in drawn][::-1],
        "x": [row.spread for row in drawn][::-1],
        "marker": {"color": "@accent"},
        "customdata": words,
        "hovertemplate": "%{y}<br>%{customdata}<extra></extra>",
    }
    table = TableBlock(
        f"{swept.name(path)}: spread of means",
        (
            text_column("Factor"),
            Column("Lowest"),
            Column("at"),
            Column("Highest"),
            Column("at"),
            Column("Apart"),
            Column("Cases a level, at least"),
        ),
        tuple(
            Row(
                (
                    row.factor,
                    _shown(row.lowest),
                    _level(row.lowest_at),
                    _shown(row.highest),
                    _level(row.highest_at),
                    _shown(row.spread),
                    number(row.fewest_cases),
                )
            )
            for row in rows
        ),
        folded=True,
    )
    if not drawn:
        return [Text(_apart(swept, path, rows)), table]
    chart = Chart(
        key=f"spread-{swept.record.index(path)}",
        title=swept.name(path),
        description=_apart(swept, path, rows),
        traces=(bar,),
        layout={
            "xaxis": {"title": {"text": label(swept.name(path))}},
            "yaxis": {"type": "category"},
            "shapes": [] if _missing(base) else [_line_at(float(base))],
        },
        height_px=90 + 34 * len(rows),
        table=table,
    )
    return [chart]


def _missing(value: Any) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


def _line_at(value: float) -> dict[str, Any]:
    line = {"color": "@ink", "dash": "dot", "width": 1.5}
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": value,
        "x1": value,
        "y0": 0,
        "y1": 1,
        "line": line,
    }


def _indices(swept: Swept) -> Section | None:
    blocks: list[Block] = []
    if "ranks" in swept.found:
        blocks.append(
            Text(
                f"Rank correlation: +1 where a figure rises with a factor throughout, {MINUS}1 where it falls, near 0 "
                "where it does neither, such as where it is highest in between. One in twenty factors that have "
                "nothing to do with a figure comes as far from 0 as chance may reach."
            )
        )
    # What the solver left unproven is no finding about the site.
    for path in (path for path in swept.numeric if not path.startswith("proof.")):
        for name, draw in (("sobol", _sobol), ("morris", _morris), ("ranks", _rank)):
            frame = swept.found.get(name)
            if frame is not None and (frame["figure"] == path).any():
                blocks.append(draw(swept, path, frame[frame["figure"] == path]))
    return (
        Section("indices", "Indices", "How much of the spread each factor explains", tuple(blocks))
        if any(not isinstance(block, Text) for block in blocks)
        else None
    )


def _bars(name: str, frame: pd.DataFrame, value: str, low: Any, high: Any, colour: str) -> dict[str, Any]:
    error: dict[str, Any] = {
        "type": "data",
        "symmetric": False,
        "array": _plain(high - frame[value]),
        "arrayminus": _plain(frame[value] - low),
        "color": "@ink",
        "thickness": 1.2,
        "width": 4,
    }
    return {
        "type": "bar",
        "orientation": "h",
        "name": name,
        "y": [label(factor) for factor in frame["factor"]][::-1],
        "x": _plain(frame[value])[::-1],
        "error_x": {**error, "array": error["array"][::-1], "arrayminus": error["arrayminus"][::-1]},
        "marker": {"color": colour},
        "hovertemplate": "%{y}: %{x:.3g}<extra>" + name + "</extra>",
    }


def _plain(values: Any) -> list[Any]:
    return [float(value) if not _missing(value) and math.isfinite(value) else None for value in values]


def _sobol(swept: Swept, path: str, frame: pd.DataFrame) -> Chart:
    frame = frame.sort_values("total", ascending=False)
    rows = tuple(
        Row(
            (
                row.factor,
                number(row.first_order, 3),
                _interval(row.first_order_low, row.first_order_high, 3),
                number(row.total, 3),
                _interval(row.total_low, row.total_high, 3),
            )
        )
        for row in _each(frame)
    )
    head = (
        text_column("Factor"),
        *map(Column, ("First order", "95 % interval", "Total", "95 % interval of the total")),
    )
    first: Any = frame.iloc[0]
    return Chart(
        key=f"sobol-{swept.record.index(path)}",
        title=f"{swept.name(path)}: Sobol' indices",
        description=(
            f"First order: the share of the variance that a factor explains by itself; total: with all that it does "
            f"together with others. {first['factor']} has {number(first['total'], 2)} in total. Whiskers: 95 % of a "
            f"bootstrap of {number(int(first['base_cases']))} base cases."
        ),
        traces=(
            _bars("total", frame, "total", frame["total_low"], frame["total_high"], "@series2"),
            _bars(
                "first order",
                frame,
                "first_order",
                frame["first_order_low"],
                frame["first_order_high"],
                "@series1",
            ),
        ),
        layout={"barmode": "group", "xaxis": {"zeroline": True}, "yaxis": {"type": "category"}},
        height_px=110 + 50 * len(frame),
        table=TableBlock(f"{swept.name(path)}: Sobol' indices", head, rows, folded=True),
    )


def _morris(swept: Swept, path: str, frame: pd.DataFrame) -> Chart:
    frame = frame.sort_values("mean_size", ascending=False)
    rows = tuple(
        Row(
            (
                row.factor,
                _shown(row.mean_size),
                _about(row.mean_size_interval),
                _shown(row.mean),
                _shown(row.scatter),
            )
        )
        for row in _each(frame)
    )
    head = (text_column("Factor"), *map(Column, ("Mean size", "95 % interval", "Mean", "Scatter")))
    low, high = (
        frame["mean_size"] - frame["mean_size_interval"],
        frame["mean_size"] + frame["mean_size_interval"],
    )
    return Chart(
        key=f"morris-{swept.record.index(path)}",
        title=f"{swept.name(path)}: effects of long steps",
        description=(
            "What the figure would change by if a factor went through its whole range: the mean size over all paths, "
            "with its 95 % interval. Where the scatter is as large, the effect depends on the other factors or bends."
        ),
        traces=(_bars("mean size", frame, "mean_size", low, high, "@series1"),),
        layout={
            "xaxis": {"zeroline": True, "title": {"text": label(swept.unit(path))}},
            "yaxis": {"type": "category"},
        },
        height_px=100 + 36 * len(frame),
        table=TableBlock(f"{swept.name(path)}: effects of long steps", head, rows, folded=True),
    )


def _rank(swept: Swept, path: str, frame: pd.DataFrame) -> TableBlock:
    ordered = frame.sort_values("rank_correlation", key=abs, ascending=False)
    rows = tuple(
        Row((row.factor, _signed(row.rank_correlation), number(row.chance_below, 2), number(row.cases)))
        for row in _each(ordered)
    )
    head = (text_column("Factor"), *map(Column, ("Rank correlation", "Chance may reach", "Cases")))
    return TableBlock(f"{swept.name(path)}: Spearman's rank correlation", head, rows)


def _hover(swept: Swept, row: Any) -> str:
    return (
        label(f"case {row['case']}: {_words(swept, row)}")
        + "<br>"
        + label(f"{swept.command} --case {row['case']}")
    )


def _responses(swept: Swept) -> Section | None:
    lead = swept.record[0]
    found = swept.found.get("responses")
    if lead not in swept.numeric or not len(swept.done) or (found is None and not swept.sampled):
        return None
    means = pd.DataFrame(columns=["factor", "figure", "level", "at", "mean"]) if found is None else found
    words = "Each mark is a case; point at it for the command that makes it again."
    if found is not None:
        words += " The line joins the means of the levels" + (
            ", which are parts of what was sampled, where those hold cases enough." if swept.sampled else "."
        )
    blocks: list[Block] = [Text(words)]
    blocks += [
        _response(swept, lead, name, means[(means["factor"] == name) & (means["figure"] == lead)])
        for name in swept.order[lead][:MOST_FACTORS]
        if swept.sampled or (means["factor"] == name).any()
    ]
    return (
        Section("responses", "Responses", f"{swept.name(lead)}, factor by factor", tuple(blocks))
        if len(blocks) > 1
        else None
    )


def _response(swept: Swept, path: str, name: str, means: pd.DataFrame) -> Chart:
    numeric = _are_numbers(swept.done[name])
    own = swept.done[swept.done[path].notna()]
    if len(own) > MOST_ROWS:
        own = own.iloc[np.linspace(0, len(own) - 1, MOST_ROWS).astype(int)]
    marks = {
        "type": "scatter",
        "mode": "markers",
        "name": "case",
        "x": _places(own[name]),
        "y": _plain(own[path]),
        "marker": {"color": "@quiet", "size": 6, "opacity": 0.6},
        "customdata": [_hover(swept, row) for row in _records(own)],
        "hovertemplate": "%{y:,.2f}<br>%{customdata}<extra></extra>",
    }
    line = {
        "type": "scatter",
        "mode": "lines+markers" if numeric else "markers",
        "name": "mean",
        "x": _plain(means["at"]) if numeric else [label(str(x)) for x in means["level"]],
        "y": _plain(means["mean"]),
        "line": {"color": "@series1", "width": 2},
        "marker": {"size": 9, "symbol": "diamond", "color": "@series1"},
        "hovertemplate": "mean %{y:,.2f}<extra></extra>",
    }
    rows = tuple(
        Row(
            (
                _level(row.level),
                _mean(row),
                _shown(row.lowest),
                _shown(row.highest),
                number(row.cases),
                _case_word(row.case),
            )
        )
        for row in _each(means)
    )
    head = (text_column(swept.factor(name)), *map(Column, ("Mean", "Lowest", "Highest", "Cases", "Case")))
    if len(means):
        ends = ", ".join(
            f"{_mean(row)} at {_level(row.level)}" for row in (_each(means)[end] for end in (0, -1))
        )
        words = f"Means: {ends}."
    else:
        why = "at the ends of long steps" if swept.design == "morris" else "too few for means of parts"
        words = f"{number(len(own))} cases, {why}."
    return Chart(
        key=f"response-{[factor for factor, _, _ in swept.factors].index(name)}",
        title=swept.factor(name),
        description=words,
        traces=(marks, line) if len(means) else (marks,),
        layout={
            "xaxis": {"type": _axis(own[name]), "title": {"text": label(swept.factor(name))}},
            "yaxis": {"title": {"text": label(swept.unit(path) or swept.name(path))}},
        },
        height_px=320,
        table=TableBlock(f"{swept.name(path)} by {name}", head, rows, folded=True) if rows else None,
    )


def _are_numbers(values: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)


def _axis(values: pd.Series) -> str:
    return "linear" if _are_numbers(values) else "category"


def _places(values: pd.Series) -> list[Any]:
    """Where cases stand on an axis: numbers, or names."""
    return _plain(values) if _are_numbers(values) else [label(_shown(value)) for value in values]


def _case_word(case: Any) -> str:
    return "" if case is pd.NA or case is None else number(float(case))


def _pairs(swept: Swept) -> Section | None:
    """Two factors at a time: means where cells hold enough cases, else, of sampled cases, each by itself."""
    lead = swept.record[0]
    if lead not in swept.numeric:
        return None
    frame = swept.found.get("pairs")
    blocks: list[Block] = []
    for place, (first, second) in enumerate(swept.pairs):
        part = None if frame is None else frame[(frame["first"] == first) & (frame["second"] == second)]
        if part is not None and len(part):
            blocks.append(_heat_map(swept, lead, place, first, second, part))
        elif swept.sampled and 2 * _distinct(swept.done, first, second) > len(swept.done):
            # Where most cases lie on one another, marks would hide what they differ in.
            blocks.append(_cloud(swept, lead, place, first, second))
    return Section("pairs", "Pairs", "Two factors at a time", tuple(blocks)) if blocks else None


def _distinct(done: pd.DataFrame, first: str, second: str) -> int:
    """At how many places cases lie by two factors."""
    return len(done[[first, second]].drop_duplicates())


COLOUR_BAR = {"thickness": 12, "outlinewidth": 0, "len": 1}


def _cloud(swept: Swept, path: str, place: int, first: str, second: str) -> Chart:
    """Sampled cases by two factors, coloured by a figure."""
    own = swept.done[swept.done[path].notna()]
    if len(own) > MOST_ROWS:
        own = own.iloc[np.linspace(0, len(own) - 1, MOST_ROWS).astype(int)]
    hidden = (
        "" if _distinct(own, first, second) == len(own) else ", and of some at one place the last is seen"
    )
    trace = {
        "type": "scatter",
        "mode": "markers",
        "x": _places(own[first]),
        "y": _places(own[second]),
        "marker": {
            "color": _plain(own[path]),
            "colorscale": "Cividis",
            "showscale": True,
            "colorbar": COLOUR_BAR,
            "size": 13,
            "line": {"color": "@quiet", "width": 1},
        },
        "customdata": [_hover(swept, row) for row in _records(own)],
        "hovertemplate": "%{marker.color:,.2f}<br>%{customdata}<extra></extra>",
    }
    return Chart(
        key=f"pair-{place}",
        title=f"{swept.name(path)}: {first} and {second}",
        description=(
            f"Each mark is one of {number(len(own))} cases, coloured by the figure: too few for means of both factors' "
            f"levels. Cases differ in the other factors too{hidden}."
        ),
        traces=(trace,),
        layout={
            "showlegend": False,
            "hovermode": "closest",
            "xaxis": {"type": _axis(own[first]), "title": {"text": label(swept.factor(first))}},
            "yaxis": {"type": _axis(own[second]), "title": {"text": label(swept.factor(second))}},
        },
        height_px=340,
    )


def _heat_map(swept: Swept, path: str, place: int, first: str, second: str, part: pd.DataFrame) -> Chart:
    """Means of a figure at the levels of two factors."""
    across, up = (
        list(dict.fromkeys(part.sort_values(f"{side}_at", kind="stable")[f"{side}_level"]))
        for side in ("first", "second")
    )
    values = {(row.first_level, row.second_level): row for row in _each(part)}
    cells = [[values.get((x, y)) for x in across] for y in up]
    trace = {
        "type": "heatmap",
        "x": _names_of(across),
        "y": _names_of(up),
        "z": [_plain(None if cell is None else cell.mean for cell in row) for row in cells],
        "customdata": [[_cell_words(cell) for cell in row] for row in cells],
        "colorscale": "Cividis",
        "colorbar": COLOUR_BAR,
        "hovertemplate": "%{x}, %{y}: %{z:,.2f}<br>%{customdata}<extra></extra>",
    }
    best = _row_at(part, "mean", "idxmax")
    rows = tuple(
        Row(
            (
                _level(row.first_level),
                _level(row.second_level),
                _mean(row),
                number(row.cases),
                _case_word(row.case),
            )
        )
        for row in _each(part)
    )
    head = (
        text_column(swept.factor(first)),
        text_column(swept.factor(second)),
        *map(Column, ("Mean", "Cases", "Case")),
    )
    return Chart(
        key=f"pair-{place}",
        title=f"{swept.name(path)}: {first} and {second}",
        description=(
            f"Highest mean {_shown(best['mean'])} at {first} {_level(best['first_level'])} and "
            f"{second} {_level(best['second_level'])}."
        ),
        traces=(trace,),
        layout={
            "xaxis": {
                "type": "category",
                "title": {"text": label(swept.factor(first))},
                "showgrid": False,
            },
            "yaxis": {
                "type": "category",
                "title": {"text": label(swept.factor(second))},
                "showgrid": False,
            },
        },
        height_px=340,
        table=TableBlock(f"{swept.name(path)} by {first} and {second}", head, rows, folded=True),
    )


def _names_of(levels: Sequence[Any]) -> list[str]:
    """Levels as an axis names them: to four digits, unless that made two the same."""
    names = [label(_level(level)) for level in levels]
    return names if len(set(names)) == len(names) else [label(str(level)) for level in levels]


def _cell_words(cell: Any) -> str:
    if cell is None:
        return ""
    if cell.never:
        return f"never in {cell.never} of {cell.cases}"
    return f"case {cell.case}" if cell.case is not pd.NA else f"mean of {cell.cases} cases"


def _lines(swept: Swept) -> Section | None:
    """Parallel coordinates: a line a case through its factors to the leading figure."""
    lead, done = swept.record[0], swept.done
    if lead not in swept.numeric or len(done) < 2:
        return None
    done = done[done[lead].notna()].sort_values(lead)
    if len(done) > MOST_LINES:
        done = done.iloc[np.linspace(0, len(done) - 1, MOST_LINES).astype(int)]
    names = [name for name, _, _ in swept.factors][:MOST_FACTORS]
    heights = {name: _heights(done[name], _level) for name in names} | {lead: _heights(done[lead], _shown)}
    unit = swept.unit(lead)  # short; the chart's title has the whole name
    titles = [label(name) for name in [*names, swept.name(lead) if unit in ("", *names) else unit]]
    groups = np.array_split(np.arange(len(done)), min(5, len(done)))
    traces = []
    for place, members in enumerate(groups):
        x: list[Any] = []
        y: list[Any] = []
        words: list[Any] = []
        for member in members:
            row = done.iloc[member]
            x += [*titles, None]
            y += [*(float(heights[name][0].iloc[member]) for name in [*names, lead]), None]
            words += [_hover(swept, row)] * (len(titles) + 1)
        ends = f"{_shown(done[lead].tolist()[members[0]])} to {_shown(done[lead].tolist()[members[-1]])}"
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "name": ends,
                "x": x,
                "y": _plain(y),
                "customdata": words,
                "line": {
                    "color": ("@series1", "@series4", "@series6", "@series2", "@series5")[place],
                    "width": 1.4,
                },
                "opacity": 0.75,
                "hovertemplate": "%{customdata}<extra></extra>",
            }
        )
    notes = [
        {
            "x": title, "y": at, "text": label(text), "showarrow": False,
            **({"xanchor": "right", "xshift": -4} if name == lead else {"xanchor": "left", "xshift": 4}),
            "bgcolor": "@paper", "opacity": 0.85, "font": {"size": 11},
        }
        for name, title in zip([*names, lead], titles, strict=True)
        for at, text in heights[name][1]
    ]  # fmt: skip
    drawn = (
        ""
        if len(done) == len(swept.done)
        else f" Drawn are {number(len(done))} cases, evenly picked by rank."
    )
    chart = Chart(
        key="lines",
        title=f"Every case, coloured by {swept.name(lead)}",
        description=(
            f"A line is a case; each upright is a factor, lowest at the foot, the last the figure itself.{drawn}"
        ),
        traces=tuple(traces),
        layout={
            "xaxis": {"type": "category", "range": [-0.1, len(titles) - 0.6]},
            "yaxis": {"visible": False, "range": [-0.05, 1.05]},
            "annotations": notes,
            "hovermode": "closest",
        },
        height_px=420,
    )
    return Section("lines", "All cases", "All cases together", (chart,))


def _heights(values: pd.Series, show: Callable[[Any], str]) -> tuple[pd.Series, list[tuple[float, str]]]:
    """A place between 0 and 1 for each value, and words at some places."""
    numbers = pd.to_numeric(values, errors="coerce")
    if numbers.notna().all() and not values.map(lambda value: isinstance(value, (bool, np.bool_))).any():
        low, high = float(numbers.min()), float(numbers.max())
        size = high - low
        if not size:
            return numbers * 0 + 0.5, [(0.5, show(low))]
        return (numbers - low) / size, [(0.0, show(low)), (1.0, show(high))]
    known = list(dict.fromkeys(map(str, values)))
    step = 1 / max(1, len(known) - 1)
    places = values.map(lambda value: known.index(str(value)) * step)
    return places, [(place * step, text) for place, text in enumerate(known)]


def _cases(swept: Swept) -> Section:
    names = [name for name, _, _ in swept.factors]
    good = swept.table[swept.table["status"].isin(WITH_RESULTS)]
    columns = (
        text_column("Case"),
        *(Column(swept.factor(name)) for name in names),
        *(Column(swept.name(path)) for path in swept.record),
        text_column("Status"),
    )

    def row(entry: Mapping[str, Any]) -> Row:
        levels, figures = (
            [_level(entry[name]) for name in names],
            [_shown(entry[path]) for path in swept.record],
        )
        return Row((str(entry["case"]), *levels, *figures, str(entry["status"])))

    rows = tuple(row(entry) for entry in _records(good.head(MOST_ROWS)))
    blocks: list[Block] = [
        Text(
            "Everything on this page is worked out of these rows, which cases.csv holds to the last digit. "
            f"{_first_rows(len(good))}".strip()
        ),
        Text(f"To make one again, with its whole report, put its number for N: {swept.command} --case N"),
    ]
    failed = swept.table[~swept.table["status"].isin(WITH_RESULTS)]
    if len(failed):
        head = (
            text_column("Case"),
            *(Column(swept.factor(name)) for name in names),
            text_column("Status"),
            text_column("Why"),
        )
        entries = _records(failed.head(MOST_ROWS))
        lost = tuple(
            Row(
                (
                    str(e["case"]),
                    *(_level(e[name]) for name in names),
                    str(e["status"]),
                    str(e["message"])[:400],
                )
            )
            for e in entries
        )
        blocks.append(
            TableBlock(
                f"{number(len(failed))} cases without figures. {_first_rows(len(failed))}".strip(), head, lost
            )
        )
    blocks.append(TableBlock("Cases; 0 is the scenario as it is", columns, rows, folded=len(rows) > 40))
    return Section("cases", "Cases", "Case by case", tuple(blocks))


def _first_rows(count: int) -> str:
    return f"The table shows the first {number(MOST_ROWS)}." if count > MOST_ROWS else ""


def _made(swept: Swept) -> Section:
    rows = tuple(Row((name, unit, paths)) for name, unit, paths in swept.factors)
    head = (text_column("Factor"), text_column("Unit"), text_column("What it changes in the scenario"))
    seconds = swept.table["seconds"]
    facts = (
        ("Seconds a case, mean", number(float(seconds.mean()), 2)),
        *((name.capitalize(), value) for name, value in swept.identity.items()),
    )
    return Section(
        "made", "Made by", "How it was made", (TableBlock("Factors", head, rows), NamedValues(facts))
    )
