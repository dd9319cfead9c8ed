"""What a study hands back: more that was worked out of a run, as words for the summary and tables for files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

import pandas as pd
from pydantic import BaseModel, ConfigDict


class Figures(BaseModel):
    """What a study's summary holds, typed: frozen, without unknown keys, without numbers that have no end.

    Each study has its own beside the function that makes it, named in its `Entry` of the catalogue; its schema stands
    in that of summary.json.
    """

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


F = TypeVar("F", bound=Figures)


@dataclass(frozen=True)
class Study:
    """What one study found.

    Attributes
    ----------
    summary : dict
        Figures and words that can be written as JSON; they stand in the run's summary under the study's name.
    tables : dict of str to DataFrame
        The rows behind them, each written as STUDY-TABLE.csv.
    warnings : tuple of str
        What must not be overlooked, for the first screen.
    """

    summary: dict[str, Any]
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def typed(self, kind: type[F]) -> F:
        """The summary as the type that the study's `Entry` names."""
        return kind.model_validate(self.summary)
