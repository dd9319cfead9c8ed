"""How the figure was proven, what it leaves out, and what the data had to be told."""

from __future__ import annotations

from optimiser.report.blocks import Block, Heading, NamedValues, Points, Section, Text
from optimiser.report.results import Results
from optimiser.report.state import further_digit
from optimiser.summary.run import Direction
from optimiser.words import amount, money, number, percent, tiny


def section(results: Results) -> Section:
    """Proof, direction rule, approximations and data notes."""
    summary = results.summary
    blocks: list[Block] = [*proof_blocks(results)]
    for title, notes in (
        ("Assumptions and approximations", summary.approximations),
        ("Notes on the data", summary.data_notes),
    ):
        if notes:
            blocks += [Heading(title), Points(notes)]
    return Section("proof", "Proof", "How it was proven", tuple(blocks))


def proof_blocks(results: Results) -> list[Block]:
    """The bound against the settled value, in words and as figures."""
    proof, currency = results.summary.proof, results.summary.currency
    words = Text(
        "A schedule is shown together with a bound that no schedule on the same data can pass. The bound is "
        "worked out apart from the schedule; the gap between the two is all that could still be missing. "
        "Both are seen from the site, where income is positive, and both include the lines that "
        "steer the plan without being paid."
    )
    facts = NamedValues(
        (
            ("Verdict", proof.verdict),
            ("How it was solved", proof.route),
            ("The bound: no schedule makes more", money(proof.bound, currency)),
            ("What the schedule shown makes", money(proof.settled, currency)),
            (
                "Gap",
                f"{percent(proof.gap_relative, 4)} of turnover, "
                f"{_gap(proof.gap_absolute, currency)} {currency}",
            ),
            ("Turnover: all amounts paid either way", money(proof.turnover, currency)),
            ("Gap allowed, of turnover", percent(proof.tolerance_relative, 4)),
            ("Largest breach of a limit", tiny(proof.primal_violation)),
            *((("Why the search ended", proof.ended),) if proof.ended else ()),
            *((("A gap of a tenth would take", further),) if (further := further_digit(proof)) else ()),
        )
    )
    blocks: list[Block] = [words, facts]
    return [*blocks, Heading("One direction at a time"), *direction_blocks(proof.direction)]


def direction_blocks(direction: Direction) -> list[Block]:
    """Whether anything charges and discharges, or imports and exports, in the same step."""
    remaining = direction.remaining_violations
    outcome = (
        "No step is left in which a pair runs both ways."
        if not remaining
        else f"{number(remaining)} steps are left in which a pair runs both ways."
    )
    return [
        Text(
            "Nothing may import and export, or charge and discharge, in the same step. Each such pair was "
            f"tested after solving. {outcome}",
            tone="plain" if not remaining else "warning",
        ),
        NamedValues(
            (
                ("Pairs tested", number(direction.tested_pairs)),
                ("Steps in which both ways would pay", number(direction.inverted_steps)),
                ("Steps in which the rule binds", number(direction.binding_steps)),
                ("Steps still running both ways", number(remaining)),
            )
        ),
    ]


def _gap(value: float | None, currency: str) -> str:
    """A gap in money; what is beyond the last digit of the arithmetic is nothing."""
    return amount(0.0, currency) if value is not None and abs(value) < 1e-6 else tiny(value)
