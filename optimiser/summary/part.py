"""What the parts of every summary share: they are frozen and strict, and numbers have units."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field


class Part(BaseModel):
    """A frozen, strict part of a summary: wrong types, unknown keys and numbers without an end are refused."""

    model_config = ConfigDict(
        extra="forbid",
        strict=True,
        frozen=True,
        allow_inf_nan=False,
        json_schema_serialization_defaults_required=True,
    )

    def as_dict(self) -> dict[str, Any]:
        """The summary as tables, lists, numbers and texts, as it is written."""
        return self.model_dump(mode="json")


def figure(unit: str, words: str) -> Any:
    """A field that is a number, with its unit and meaning."""
    return Field(description=f"{words} [{unit}]")
