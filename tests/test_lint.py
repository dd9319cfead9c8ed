"""The house's linter and type checker, run as anyone would run them."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize("arguments", [("ruff", "check", "."), ("mypy",)], ids=lambda arguments: arguments[0])
def test_tool_finds_nothing(arguments):
    """The tool ends with 0; what it says otherwise is shown."""
    if importlib.util.find_spec(arguments[0]) is None:
        pytest.skip(f"{arguments[0]} is not installed: install the dev extra to run it")
    ran = subprocess.run(
        [sys.executable, "-m", *arguments], cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )
    if ran.returncode:
        pytest.fail(
            f"{' '.join(arguments)} ended with {ran.returncode}\n{ran.stdout}{ran.stderr}", pytrace=False
        )
