"""What can go wrong, as one small tree.

OptimiserError
├── ScenarioError      the scenario file: all its faults at once
│   └── SeriesError    a data file: gaps, repeats, wrong length, not a number
├── InfeasibleError    no schedule keeps every limit: which limit, when, by how much
├── UnprovenError      the solver stopped without an answer that can be proven
└── DriftError         ours: a rule or an amount of money does not hold after the solve
"""

from __future__ import annotations

from typing import Any


class OptimiserError(Exception):
    """Anything that this package raises on purpose; the message is written for its user."""


class ScenarioError(OptimiserError):
    """A scenario that cannot be used, with every fault found in it.

    Parameters
    ----------
    where : str
        The file or folder that the faults are in.
    faults : list of str
        One sentence each: place, rule, what came, what to do.
    """

    def __init__(self, where: str, faults: list[str]):
        self.where = where
        self.faults = list(faults)
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__("\n".join([f"{where} has {count}:", *(f"  {fault}" for fault in faults)]))


class SeriesError(ScenarioError):
    """A data file that cannot be laid onto the timeline."""


class InfeasibleError(OptimiserError):
    """No schedule keeps every limit.

    Parameters
    ----------
    message : str
        The sentence to show.
    findings : list of dict
        One a limit that had to give way: `rule`, `step`, `when`, `amount`, `unit`.
    """

    def __init__(self, message: str, findings: list[dict[str, Any]] | None = None):
        self.findings = findings or []
        super().__init__(message)


class UnprovenError(OptimiserError):
    """The solver stopped without a result that may be shown."""


class DriftError(OptimiserError):
    """The solved plan breaks a rule, or the books disagree with the objective: a defect of this package.

    Parameters
    ----------
    message : str
        What disagrees. That it is a defect and no limit of the site is said after it, wherever it is shown.
    """

    DEFECT = "This is a defect of the optimiser, not of the site; please report it with the scenario."

    def __init__(self, message: str):
        whole = message if message.endswith(self.DEFECT) else f"{message.rstrip(' .')}. {self.DEFECT}"
        super().__init__(whole)
