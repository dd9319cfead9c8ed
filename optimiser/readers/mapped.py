"""A table on its way through its mapping: columns found, values one below the other, stamps in UTC."""

from __future__ import annotations

import difflib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimiser.fields import MOST
from optimiser.readers.content import refuse
from optimiser.readers.frame import Frame, read_frame
from optimiser.readers.mapping import Mapping, Target
from optimiser.readers.readings import ACTUAL, ESTIMATED, MISSING, SUBSTITUTED
from optimiser.timeline import from_clock

_MOST_SHOWN = 5  # places shown of one kind of fault; the rest is counted
_ISO = r"\d{4}[-/]\d{2}[-/]\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?\s*(?:Z|[+-]\d{2}:?\d{2})?"


@dataclass(frozen=True)
class MappedColumn:
    """Values one below the other: what they are, when their interval starts, where they stand.

    Attributes
    ----------
    target : Target
    starts : DatetimeIndex of shape (rows,)
        UTC, rising, without repeats.
    values : array of shape (rows,)
        nan where the table has none.
    quality : int8 array of shape (rows,)
    """

    target: Target
    starts: pd.DatetimeIndex
    values: np.ndarray
    quality: np.ndarray


class MappedTable:
    """A table on its way through its mapping; faults and notes gather on the way."""

    def __init__(self, path: Path, mapping: Mapping):
        self.path, self.mapping = path, mapping
        self.faults: list[str] = []
        self.notes: list[str] = []

    def parts(self) -> list[MappedColumn]:
        """Each wanted column with its UTC starts; empty where faults stopped it."""
        frame = read_frame(self.path, self.mapping)
        self._find_columns(frame)
        refuse(self.path, self.faults)
        frame = self._where(frame)
        stacked = self._stack(frame)
        starts = self._starts(stacked)
        refuse(self.path, self.faults)
        quality = self._quality(stacked)
        parts = []
        for name, target in self._targets(stacked).items():
            rows = stacked.rows_of(name)
            values = self._numbers(stacked.values[name][rows], stacked.places[rows], stacked.word, name)
            values = values * target.scale
            sound = np.where(np.isnan(values), MISSING, quality[rows]).astype("int8")
            place = stacked.places[rows]
            parts.append(self._ordered(frame, target, starts[rows], values, sound, place, stacked.word))
        return parts

    # --- columns and rows -----------------------------------------------------------------------------------------

    def _find_columns(self, frame: Frame) -> None:
        mapping = self.mapping
        wanted = [*mapping.stamp, *mapping.where]
        if mapping.pivot:
            wanted += [mapping.pivot.by] + ([mapping.pivot.value] if mapping.pivot.value else [])
        elif not mapping.day_rows:
            wanted += list(mapping.columns)
        for column in (mapping.position, mapping.repeated and mapping.repeated.column):
            wanted += [column] if column else []
        if mapping.quality:
            wanted.append(mapping.quality.column)
        if mapping.day_rows:
            wanted += [mapping.day_rows.first, mapping.day_rows.last]
        known = list(frame.columns)
        for name in dict.fromkeys(wanted):
            if name not in frame.columns:
                near = difflib.get_close_matches(name, known, 1, 0.7)
                hint = f"Did you mean {near[0]!r}?" if near else f"The columns are {', '.join(known[:20])}."
                if len(known) == 1 and any(mark in known[0] for mark in ",;\t"):
                    hint = "Its columns are separated by another mark: say separator."
                self.faults.append(f"there is no column {name!r}. {hint}")

    def _where(self, frame: Frame) -> Frame:
        for name, word in self.mapping.where.items():
            column = frame.columns[name].astype(str).str.strip()
            rows = (column == word).to_numpy()
            if not rows.any():
                found = ", ".join(map(repr, column.unique()[:8]))
                refuse(self.path, [f"no row has {word!r} in column {name}. It holds {found}."])
            frame = frame.keep(rows)
        return frame

    def _stack(self, frame: Frame) -> _Stacked:
        """Rows of one interval each, whatever the layout."""
        mapping = self.mapping
        group = np.zeros(len(frame.places), int)
        names: list[str] = []
        if mapping.pivot:
            column = frame.columns[mapping.pivot.by].astype(str).str.strip()
            group, found = pd.factorize(column)
            names = list(map(str, found))
        if not mapping.day_rows:
            values = {name: frame.columns[name] for name in mapping.columns if name in frame.columns}
            if mapping.pivot and mapping.pivot.value:
                values = dict.fromkeys(names, frame.columns[mapping.pivot.value])
            slots = np.zeros(len(frame.places), int)
            return _Stacked(frame, np.arange(len(frame.places)), slots, group, names, values)
        known = list(frame.columns)
        first, last = known.index(mapping.day_rows.first), known.index(mapping.day_rows.last)
        headings = known[first : last + 1]
        count = 1440 // mapping.step_minutes
        if len(headings) != count:
            refuse(
                self.path,
                [
                    f"a day of {mapping.step_minutes} min intervals has {count} columns, but from "
                    f"{mapping.day_rows.first!r} to {mapping.day_rows.last!r} there are {len(headings)}. Correct "
                    "step_minutes or day_rows."
                ],
            )
        rows = np.repeat(np.arange(len(frame.places)), count)
        slots = np.tile(np.arange(count), len(frame.places))
        cells = pd.concat([frame.columns[name] for name in headings], ignore_index=True)
        order = np.arange(len(cells)).reshape(count, -1).T.ravel()
        cells = cells.iloc[order].reset_index(drop=True)
        return _Stacked(
            frame, rows, slots, group[rows], names, dict.fromkeys(names or mapping.columns, cells)
        )

    def _targets(self, stacked: _Stacked) -> dict[str, Target]:
        """Wanted columns, or words of the pivot's column, and what they become."""
        named = self.mapping.targets()
        if not self.mapping.pivot:
            return named
        if not named:
            return {name: Target(name=name) for name in stacked.names}
        for name in named:
            if name not in stacked.names:
                found = ", ".join(map(repr, stacked.names[:8]))
                self.faults.append(
                    f"no row has {name!r} in column {self.mapping.pivot.by}. It holds {found}."
                )
        return {name: target for name, target in named.items() if name in stacked.names}

    # --- time -----------------------------------------------------------------------------------------------------

    def _starts(self, stacked: _Stacked) -> pd.DatetimeIndex:
        mapping = self.mapping
        stamps = self._stamps(stacked.frame)
        refuse(self.path, self.faults)
        stamps = stamps[stacked.rows]
        step = pd.Timedelta(minutes=mapping.step_minutes)
        if mapping.day_rows:
            stamps = stamps + stacked.slots * step
        back = pd.Timedelta(0) if mapping.stamps == "start" or mapping.day_rows else step
        if stamps.tz is not None:
            return stamps.tz_convert("UTC") - back
        second = None
        if mapping.repeated:
            marks = stacked.frame.columns[mapping.repeated.column].astype(str).str.strip()
            second = marks.isin(mapping.repeated.words).to_numpy()[stacked.rows]
        if mapping.position:
            return self._counted(stacked, stamps)
        # Of the hours around a clock change, some publishers label the end with what the clock would have shown without
        # the change, others with what it shows; a file can only fit one of the two.
        moments, faults = from_clock(stamps - back, mapping.zone, stacked.group, second)
        if faults and back:
            other, others = from_clock(stamps, mapping.zone, stacked.group, second)
            if not others:
                return other - back
        if mapping.day_rows:
            moments, faults = self._without_skipped(stacked, moments, faults)
        self._tell(
            f"the stamp {{value}} {{reason}} in {mapping.zone}. Name the fixed zone that the stamps are in, such as "
            '"UTC+10:00", or the column that marks the repeated hour',
            [(stacked.places[row], str(stamps[row]), reason) for row, reason in sorted(faults.items())],
            stacked.word,
        )
        return moments

    def _without_skipped(
        self, stacked: _Stacked, moments: pd.DatetimeIndex, faults: dict[int, str]
    ) -> tuple[pd.DatetimeIndex, dict[int, str]]:
        """Day rows have cells for the hour that spring skips: they may be empty."""
        cells = next(iter(stacked.values.values()))
        blank = {"", *self.mapping.empty}
        faults = {
            row: reason
            for row, reason in faults.items()
            if not ("skipped" in reason and (pd.isna(cells[row]) or str(cells[row]).strip() in blank))
        }
        return moments, faults

    def _counted(self, stacked: _Stacked, days: pd.DatetimeIndex) -> pd.DatetimeIndex:
        """Starts of intervals that are counted from 1 within their local day."""
        mapping = self.mapping
        column = stacked.frame.columns[str(mapping.position)]
        count = self._numbers(column, stacked.places, stacked.word, str(mapping.position))
        wrong = ~(np.isfinite(count) & (count >= 1) & (count == np.rint(count)))
        self._tell(
            f"column {mapping.position} must count a day's intervals from 1, got {{value}}",
            [(stacked.places[row], str(column[row]), "") for row in np.flatnonzero(wrong)],
            stacked.word,
        )
        refuse(self.path, self.faults)
        midnight, faults = from_clock(days.normalize(), mapping.zone, np.arange(len(days)))
        following, more = from_clock(
            days.normalize() + pd.Timedelta(days=1), mapping.zone, np.arange(len(days))
        )
        starts = midnight + pd.to_timedelta((count - 1) * mapping.step_minutes, unit="min")
        late = np.asarray(starts >= following)
        self._tell(
            f"column {mapping.position} counts {{value}}, beyond the end of its day",
            [(stacked.places[row], str(column[row]), "") for row in np.flatnonzero(late)],
            stacked.word,
        )
        self._tell(
            f"the day {{value}} has a midnight that {{reason}} in {mapping.zone}",
            [
                (stacked.places[row], str(days[row]), reason)
                for row, reason in sorted((faults | more).items())
            ],
            stacked.word,
        )
        return starts

    def _stamps(self, frame: Frame) -> pd.DatetimeIndex:
        """Stamps as they are written: with a zone where they carry an offset, on the wall clock where not."""
        columns = [frame.columns[name] for name in self.mapping.stamp]
        if len(columns) == 1 and pd.api.types.is_datetime64_any_dtype(columns[0]):
            stamps = pd.DatetimeIndex(columns[0])
            self._no_stamp(np.asarray(stamps.isna()), columns[0], frame)
            return stamps.as_unit("s")
        parts = [self._day_words(column) for column in columns]
        words = parts[0] if len(parts) == 1 else parts[0] + " " + parts[1]
        words = words.str.strip()
        return self._parsed(words, frame)

    @staticmethod
    def _day_words(column: pd.Series) -> pd.Series:
        if pd.api.types.is_datetime64_any_dtype(column):
            days: pd.Series = column.dt.strftime("%Y-%m-%d")
            return days
        return column.astype(str).str.strip()

    def _parsed(self, words: pd.Series, frame: Frame) -> pd.DatetimeIndex:
        given = self.mapping.stamp_format
        # 24:00 is the end of a day, which the readers of stamps do not know.
        ends = words.str.contains(r"(?<![\d:])24:00(?::00)?(?![\d:])", regex=True)
        words = words.mask(ends, words.str.replace(r"(?<![\d:])24:00", "00:00", regex=True))
        if given is None:
            odd = ~words.str.fullmatch(_ISO)
            self._no_stamp(odd.to_numpy(), words, frame)
            refuse(self.path, self.faults)
            zoned = words.str.fullmatch(r".*\d{2}:\d{2}.*(?:Z|[+-]\d{2}:?\d{2})\s*")
            if zoned.any() and not zoned.all():
                row = int(np.argmin(zoned.to_numpy()))
                self.faults.append(
                    f"{frame.word} {frame.places[row]}: the stamp {words[row]!r} carries no offset and others do. "
                    "Write all of one kind."
                )
                refuse(self.path, self.faults)
            stamps = pd.to_datetime(
                words.str.replace("/", "-"), format="ISO8601", errors="coerce", utc=bool(zoned.all())
            )
        else:
            try:
                stamps = pd.to_datetime(words, format=given, errors="coerce", utc="%z" in given)
            except ValueError as problem:
                self.faults.append(
                    f"stamp_format {given!r} cannot be used: {str(problem).splitlines()[0]}. Write it like "
                    '"%d/%m/%Y %H:%M".'
                )
                refuse(self.path, self.faults)
                raise
        self._no_stamp(stamps.isna().to_numpy(), words, frame)
        index = pd.DatetimeIndex(stamps)
        index = index + pd.to_timedelta(ends.astype(int).to_numpy(), unit="D")
        whole = index.as_unit("s")
        self._tell(
            "the stamp {value} holds a part of a second. Round the stamps",
            [
                (frame.places[row], words[row], "")
                for row in np.flatnonzero(np.asarray(whole != index) & np.asarray(index.notna()))
            ],
            frame.word,
        )
        return whole

    def _no_stamp(self, wrong: np.ndarray, words: pd.Series, frame: Frame) -> None:
        form = self.mapping.stamp_format
        way_out = (
            f"written as {form!r}"
            if form
            else "like 2025-01-31 13:30; say stamp_format if it is written otherwise"
        )
        self._tell(
            f"{{value}} is no stamp {way_out}",
            [(frame.places[row], str(words[row]), "") for row in np.flatnonzero(wrong)],
            frame.word,
        )

    # --- values ---------------------------------------------------------------------------------------------------

    def _numbers(self, column: pd.Series, places: np.ndarray, word: str, name: str) -> np.ndarray:
        """A column as numbers, nan where it is empty; anything else is a fault."""
        column = column.reset_index(drop=True)
        if pd.api.types.is_bool_dtype(column) or pd.api.types.is_datetime64_any_dtype(column):
            self.faults.append(f"column {name} must hold numbers. Name another column.")
            return np.full(len(column), np.nan)
        if pd.api.types.is_numeric_dtype(column):
            values = column.to_numpy(float, na_value=np.nan)
            self._too_large(values, places, word, name)
            return values
        words = column.astype(str).str.strip()
        blank = column.isna() | words.isin(["", *self.mapping.empty])
        mark = self.mapping.decimal
        other = "." if mark == "," else ","
        plain = words.str.fullmatch(rf"[+-]?(?:\d+(?:[{mark}]\d*)?|[{mark}]\d+)(?:[eE][+-]?\d{{1,3}})?")
        grouped = words.str.fullmatch(rf"[+-]?\d{{1,3}}(?:[{other}' \u00a0\u202f]\d{{3}})+(?:[{mark}]\d+)?")
        odd = (~plain & ~blank).to_numpy()
        thousands = odd & grouped.to_numpy()
        rows = np.flatnonzero(thousands)
        self._tell(
            f"column {name} holds {{value}}, which may be thousands apart or another decimal mark than {mark!r}. Write "
            "numbers without a mark between thousands, or say decimal",
            [(places[row], words[row], "") for row in rows],
            word,
        )
        self._tell(
            f"column {name} must hold numbers with decimal {mark!r}, got {{value}}; name words that mean no "
            "value in empty",
            [(places[row], words[row], "") for row in np.flatnonzero(odd & ~thousands)],
            word,
        )
        clean = words.mask(blank | odd, "nan").str.replace(mark, ".", regex=False)
        values = clean.to_numpy(dtype=object).astype(float)
        self._too_large(values, places, word, name)
        return values

    def _too_large(self, values: np.ndarray, places: np.ndarray, word: str, name: str) -> None:
        wrong = np.flatnonzero(np.abs(np.nan_to_num(values, posinf=np.inf)) > MOST)
        self._tell(
            f"column {name} must be at most {MOST:g}, got {{value}}. Check its unit",
            [(places[row], f"{values[row]:g}", "") for row in wrong],
            word,
        )

    def _quality(self, stacked: _Stacked) -> np.ndarray:
        given = self.mapping.quality
        if given is None:
            return np.zeros(len(stacked.rows), "int8")
        words = stacked.frame.columns[given.column].astype(str).str.strip()
        quality = np.full(len(words), -1, "int8")
        for code, known in (
            (ACTUAL, given.actual),
            (SUBSTITUTED, given.substituted),
            (ESTIMATED, given.estimated),
        ):
            quality[words.isin(list(known)).to_numpy()] = code
        places = stacked.frame.places
        self._tell(
            f"column {given.column} holds {{value}}, which quality does not list",
            [(places[row], words[row], "") for row in np.flatnonzero(quality < 0)],
            stacked.word,
        )
        counts = Counter(words[quality > 0])
        for word, count in counts.items():
            self.notes.append(f"{count} rows with {word!r} in column {given.column}")
        made: np.ndarray = quality[stacked.rows]
        return made

    def _ordered(
        self,
        frame: Frame,
        target: Target,
        starts: pd.DatetimeIndex,
        values: np.ndarray,
        quality: np.ndarray,
        places: np.ndarray,
        word: str,
    ) -> MappedColumn:
        """In order of time, each interval once, all on one grid."""
        known = np.asarray(starts.notna())
        starts, values, quality, places = starts[known], values[known], quality[known], places[known]
        order = np.argsort(starts.asi8, kind="stable")
        starts, values, quality, places = starts[order], values[order], quality[order], places[order]
        again = np.flatnonzero(np.diff(starts.asi8) == 0) + 1
        same = (values[again] == values[again - 1]) | (np.isnan(values[again]) & np.isnan(values[again - 1]))
        self._tell(
            f"{target.name} has two values for the interval that starts {{value}}{self._apart(frame)}",
            [(places[row], f"{starts[int(row)]:%Y-%m-%d %H:%M}Z", "") for row in again[~same]],
            word,
        )
        if same.any():
            self.notes.append(
                f"{int(same.sum())} intervals of {target.name} repeated with the same value: counted once"
            )
        once = np.ones(len(starts), bool)
        once[again] = False
        starts, values, quality, places = starts[once], values[once], quality[once], places[once]
        if len(starts):
            seconds = (starts - starts[0]).total_seconds().to_numpy()
            off = np.flatnonzero(seconds % (self.mapping.step_minutes * 60))
            self._tell(
                f"the interval of {target.name} that starts {{value}} is not a whole number of "
                f"{self.mapping.step_minutes} min from the first, {starts[0]:%Y-%m-%d %H:%M}Z. Correct step_minutes, "
                "or split the table",
                [(places[row], f"{starts[int(row)]:%Y-%m-%d %H:%M:%S}Z", "") for row in off],
                word,
            )
        return MappedColumn(target, starts, values, quality)

    def _apart(self, frame: Frame) -> str:
        """A way out for repeats: a column of few words that may tell the rows apart."""
        used = {*self.mapping.stamp, *self.mapping.where, *self.mapping.columns}
        if self.mapping.pivot:
            used |= {self.mapping.pivot.by, self.mapping.pivot.value or ""}
        for name, column in frame.columns.items():
            if name not in used and not pd.api.types.is_numeric_dtype(column):
                words = column.astype(str).unique()
                if 1 < len(words) <= 12 and not any(word.replace(".", "").isdigit() for word in words):
                    return (
                        f". Choose rows by column {name} ({', '.join(words[:4])}) with where, or pivot by it"
                    )
        return ". Remove one"

    def _tell(self, sentence: str, cases: list[tuple[Any, str, str]], word: str) -> None:
        """One fault for the first cases of a kind, the rest counted."""
        for place, value, reason in cases[:_MOST_SHOWN]:
            told = sentence.replace("{value}", repr(value[:40])).replace("{reason}", reason)
            self.faults.append(f"{word} {place}: {told}.")
        if len(cases) > _MOST_SHOWN:
            self.faults.append(f"and {len(cases) - _MOST_SHOWN} more such {word}s, the last {cases[-1][0]}.")


@dataclass(frozen=True)
class _Stacked:
    """Values one below the other.

    Attributes
    ----------
    frame : Frame
    rows, slots : int array of shape (values,)
        Row of the frame, and interval within a row that holds a day.
    group : int array of shape (values,)
        Number of the word in the pivot's column.
    names : list of str
        The words of the pivot's column.
    values : dict of str to Series of shape (values,)
    """

    frame: Frame
    rows: np.ndarray
    slots: np.ndarray
    group: np.ndarray
    names: list[str]
    values: dict[str, pd.Series]

    @property
    def places(self) -> np.ndarray:
        """Line or row of each value."""
        made: np.ndarray = self.frame.places[self.rows]
        return made

    @property
    def word(self) -> str:
        """ "line" or "row"."""
        return self.frame.word

    def rows_of(self, name: str) -> np.ndarray:
        """Mask of the values that belong to a name."""
        if not self.names:
            return np.ones(len(self.rows), bool)
        made: np.ndarray = self.group == self.names.index(name)
        return made
