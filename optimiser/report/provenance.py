"""What made this page: versions, files with their fingerprints, options and times."""

from __future__ import annotations

from optimiser.report.blocks import Block, NamedValues, Row, Section, TableBlock, text_column
from optimiser.report.results import Results
from optimiser.summary.run import Provenance
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
    made = results.summary.provenance
    facts = [("Run", results.summary.run)]
    facts += [(label, str(getattr(made, key))) for key, label in VERSIONS]
    facts.append(("Made at", made.created_at))
    facts += [(f"Seconds to {name}", number(value, 2)) for name, value in made.seconds.items()]
    facts += [(f"Option {name}", str(value)) for name, value in made.options.items()]
    blocks: list[Block] = [NamedValues(tuple(facts)), files_table(made)]
    return Section("provenance", "Origin", "Where this comes from", tuple(blocks))


def files_table(made: Provenance) -> TableBlock:
    """The scenario's and every data file's fingerprint."""
    rows = [Row(("Scenario", made.scenario_sha256))]
    rows += [Row((name, fingerprint)) for name, fingerprint in made.files.items()]
    columns = (text_column("File"), text_column("SHA-256"))
    return TableBlock("Fingerprints of what was read", columns, tuple(rows), folded=True)
