"""What was asked of a sweep, and what came of it."""

from __future__ import annotations

from optimiser.report.blocks import Block, Fact, Headline, NamedValues, Points, Section, Text
from optimiser.report.swept.figures import WITH_RESULTS, Swept, never_paid, row_at
from optimiser.report.swept.moves import what_moves
from optimiser.report.swept.words import levels_of, shown
from optimiser.words import listed, number

DESIGNS = {
    "grid": "every combination of levels",
    "list": "the cases of a list",
    "one_at_a_time": "one factor at a time, all others as the scenario has them",
    "latin_hypercube": "a Latin hypercube, an even spread over all ranges",
    "sobol": "a Sobol' design for indices of variance",
    "morris": "a Morris design of long single steps",
}


def section(swept: Swept) -> Section:
    """What was asked, the highest and lowest case, and what moves the leading figure."""
    lead, done = swept.record[0], swept.done
    failed = swept.table[~swept.table["status"].isin(WITH_RESULTS)]
    blocks: list[Block] = []
    if swept.description:
        blocks.append(Text(swept.description))
    blocks += [Text(swept.basis), Text(swept.recorded.covered())]
    finished = int((swept.table["case"] > 0).sum())
    if finished < swept.planned:
        blocks.append(
            Text(
                f"{number(finished)} of {number(swept.planned)} cases are finished; the page shows those.",
                tone="warning",
            )
        )
    if lead in swept.numeric and done[lead].notna().any():
        base = swept.as_it_is[lead]
        facts = [Fact(f"{swept.name(lead)}: as it is", shown(base), ("The scenario without a change.",))]
        for words, at in (("highest", "idxmax"), ("lowest", "idxmin")):
            never = never_paid(swept, lead)
            if words == "highest" and never:
                facts.append(
                    Fact(f"{swept.name(lead)}: highest", "never", (f"In {never} of {len(done)} cases.",))
                )
                continue
            row = row_at(done, lead, at)
            facts.append(
                Fact(
                    f"{swept.name(lead)}: {words}",
                    shown(row[lead]),
                    (f"Case {row['case']}: {levels_of(swept, row)}.",),
                )
            )
        blocks.append(Headline(tuple(facts)))
    if lead in swept.numeric and finished > 1:
        blocks.append(Text(what_moves(swept, lead)))
    blocks.append(
        NamedValues(
            (
                ("Design", DESIGNS[swept.design]),
                ("Cases", f"{number(finished)} finished, {number(len(failed))} without figures"),
                ("Factors", listed([name for name, _, _ in swept.factors])),
            )
        )
    )
    unproven = int((swept.table["status"] == "best found").sum())
    notes = list(swept.notes)
    if unproven:
        notes.append(f"{number(unproven)} cases are the best found and not proven within tolerance.")
    partly = int((swept.done["message"] != "").sum())
    if partly:
        notes.append(f"Cases that could not be run without foresight: {number(partly)}; cases.csv says why.")
    if notes:
        blocks.append(Points(tuple(notes[:20]), tone="warning"))
    return Section("answer", "Answer", "What was asked, and what came of it", tuple(blocks))
