"""Where the site meets the grid: its phases, and what the network allows."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Literal, Protocol

import numpy as np

from optimiser.columns import register_of
from optimiser.equipment import binding, limits
from optimiser.fields import Column, Component, quantity
from optimiser.terms.data import InputData

Phase = Literal["L1", "L2", "L3", "all"]
Place = Phase | Literal["bus"]
PHASES = ("L1", "L2", "L3")


class OnPhase(Protocol):
    """What is on a phase, or on all of them."""

    @property
    def phase(self) -> Place | None:
        """Which one; None: on none."""


class Connection(Component):
    """Limits where the site meets the grid, as the network approved them."""

    import_limit_kw: Column = limits.IMPORT.series(at_least=0)
    export_limit_kw: Column = limits.EXPORT.series(at_least=0)
    import_limit_kw_per_phase: Column | None = limits.PHASE_IMPORT.series(default=None, at_least=0)
    export_limit_kw_per_phase: Column | None = limits.PHASE_EXPORT.series(default=None, at_least=0)
    imbalance_limit_kw: float | None = limits.IMBALANCE.number(default=None, at_least=0)
    phase_voltage_v: float = quantity("V", "phase to neutral voltage", default=230.0, above=0)

    def net_limits(self, data: InputData, phases: Sequence[str]) -> tuple[binding.NetLimit, ...]:
        """What it allows: in all, on each phase, and of one phase against another."""
        made = [
            binding.NetLimit(
                limits.IMPORT,
                limits.EXPORT,
                "connection",
                dict.fromkeys(phases, 1.0),
                data.values(self.import_limit_kw),
                data.values(self.export_limit_kw),
                (limits.IMPORT.rule, limits.EXPORT.rule),
                register_of(),
            )
        ]
        if len(phases) == 1:
            return tuple(made)
        own = self.import_limit_kw_per_phase, self.export_limit_kw_per_phase
        if own != (None, None):
            none = np.full(data.timeline.steps, np.inf)
            into, out = (none if limit is None else data.values(limit) for limit in own)
            made += [
                binding.NetLimit(
                    limits.PHASE_IMPORT,
                    limits.PHASE_EXPORT,
                    f"phase {phase}",
                    {phase: 1.0},
                    into,
                    out,
                    (f"limits of phase {phase}",) * 2,
                    register_of(phase),
                )
                for phase in phases
            ]
        if self.imbalance_limit_kw is not None:
            most = np.full(data.timeline.steps, self.imbalance_limit_kw)
            made += [
                binding.NetLimit(
                    limits.IMBALANCE,
                    limits.IMBALANCE,
                    f"phases {one} and {other}",
                    {one: 1.0, other: -1.0},
                    most,
                    most,
                    (f"imbalance of phases {one} and {other}",) * 2,
                )
                for one, other in combinations(phases, 2)
            ]
        return tuple(made)
