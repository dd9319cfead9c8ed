"""What a practitioner would warn of before power is switched on: ratings, currents, phases, clocks."""

from __future__ import annotations

from typing import Any


def warnings(scenario: Any) -> list[str]:
    """Sentences on hardware, connection and data that deserve a second look; none stops a run."""
    return []
