"""What a meter recorded, register by register: energy of each interval, and how far each figure can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

Kind = Literal["import", "export", "reactive import", "reactive export", "net", "unknown"]
ACTUAL, SUBSTITUTED, ESTIMATED, MISSING = 0, 1, 2, 3
QUALITIES = ("actual", "substituted", "estimated", "missing")


@dataclass(frozen=True)
class Channel:
    """One register of a meter.

    Attributes
    ----------
    name : str
        As the file names it: meter and register.
    kind : str
        Which way the energy went, where the file says so.
    unit : str
        "kWh" or "kvarh".
    step_minutes : int
    start : datetime64 array of shape (intervals,)
        UTC starts, rising, without repeats.
    energy : array of shape (intervals,)
        nan where missing; never zero for what was not recorded. [unit]
    quality : int8 array of shape (intervals,)
        ACTUAL, SUBSTITUTED, ESTIMATED or MISSING.
    notes : tuple of str
        What a person should know: late updates, repeated days, reasons given for substitutes.
    """

    name: str
    kind: Kind
    unit: str
    step_minutes: int
    start: np.ndarray
    energy: np.ndarray
    quality: np.ndarray = field(repr=False)
    notes: tuple[str, ...] = ()

    def power(self) -> pd.Series:
        """Mean power of each interval from the first to the last, nan where nothing is known. [kW or kvar]"""
        index = pd.DatetimeIndex(self.start, tz="UTC")
        values = pd.Series(self.energy * (60 / self.step_minutes), index=index, name=self.name)
        whole = pd.date_range(index[0], index[-1], freq=f"{self.step_minutes}min")
        return values.reindex(whole)


@dataclass(frozen=True)
class Readings:
    """Everything that a file held."""

    file: str
    form: str
    channels: tuple[Channel, ...]
    notes: tuple[str, ...] = ()
