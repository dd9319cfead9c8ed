"""What made this page: versions, files with their fingerprints, options and times."""

from __future__ import annotations

from typing import Any

from optimiser.report.blocks import Block, NamedValues, Row, Section, TableBlock, Text, text_column
from optimiser.report.results import Results
from optimiser.words import number

VERSIONS = (
    ("package_version", "This package"),
    ("code_sha256", "Its files, SHA-256"),
    ("python", "Python"),
    ("pyomo", "Pyomo"),
    ("highspy", "HiGHS (highspy)"),
    ("numpy", "NumPy"),
    ("pandas", "pandas"),
)


def section(results: Results) -> Section:
    """Everything needed to run it again and get the same."""
    made: dict[str, Any] = results.summary.get("provenance") or {}
    if not made:
        return Section("provenance", "Origin", "Where this comes from", (Text("No provenance was given."),))
    run = results.summary.get("run")
    facts = [("Run", str(run))] if run else []
    facts += [(label, str(made[key])) for key, label in VERSIONS if made.get(key)]
    facts.append(("Made at", str(made.get("created_at", ""))))
    facts += [(f"Seconds to {name}", number(value, 2)) for name, value in (made.get("seconds") or {}).items()]
    facts += [(f"Option {name}", str(value)) for name, value in (made.get("options") or {}).items()]
    blocks: list[Block] = [NamedValues(tuple(facts)), files_table(made)]
    return Section("provenance", "Origin", "Where this comes from", tuple(blocks))


def files_table(made: dict[str, Any]) -> TableBlock:
    """The scenario's and every data file's fingerprint."""
    rows = [Row(("Scenario", str(made.get("scenario_sha256", ""))))]
    rows += [Row((name, str(fingerprint))) for name, fingerprint in (made.get("files") or {}).items()]
    columns = (text_column("File"), text_column("SHA-256"))
    return TableBlock("Fingerprints of what was read", columns, tuple(rows), folded=True)
