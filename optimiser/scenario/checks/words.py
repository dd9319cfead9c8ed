"""Figures and spans of dates as warnings give them."""

from __future__ import annotations

from typing import Any


def shown(number: float) -> str:
    """A figure to few digits."""
    return f"{number:,.4g}" if abs(number) < 10_000 else f"{number:,.0f}"


def span_words(since: Any, until: Any) -> str:
    """From when to when something holds."""
    words = [f"from {since}" if since else "", f"until {until}" if until else ""]
    return " ".join(filter(None, words))
