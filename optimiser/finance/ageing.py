"""How storage and modules wear: cycles counted, years to the end of life, what is left in each year."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import rainflow

from optimiser.accounts.settlement import Statement
from optimiser.equipment.bank import StorageBank
from optimiser.finance.yearly import per_year
from optimiser.flows import BankFlows
from optimiser.scenario.cost import Cost


@dataclass(frozen=True)
class BankLife:
    """How a bank is used and how long it lasts.

    Attributes
    ----------
    name : str
    capacity_kwh : float
        Usable energy when new. [kWh]
    discharged_kwh : float
        Energy discharged in a year, for calls of services too. [kWh/year]
    full_cycles : float
        The same over the capacity. [1/year]
    counted_cycles : float
        Cycles by rainflow counting, each at its depth to the power that its life says. [1/year]
    years_by_cycles, years_by_calendar : float or None
        End of life by either alone; None where the scenario gives no life. [years]
    years : float or None
        End of life. [years]
    loss_per_year : float
        Share of the capacity lost in a year. [-]
    renewed_every : int or None
        Years after which it is bought again; None: never. [years]
    wear_per_kwh : float or None
        What it costs over all that it discharges in its life; None without a price or a life. [currency/kWh]
    """

    name: str
    capacity_kwh: float
    discharged_kwh: float
    full_cycles: float
    counted_cycles: float
    years_by_cycles: float | None
    years_by_calendar: float | None
    years: float | None
    loss_per_year: float
    renewed_every: int | None
    wear_per_kwh: float | None = None

    def share_left(self, year: int) -> float:
        """Share of the capacity at the start of year 1, 2, ...; a bank never renewed fades on to nothing. [-]"""
        age = year - 1 if self.renewed_every is None else (year - 1) % self.renewed_every
        return max(0.0, 1 - self.loss_per_year * age)

    def renewals(self, life_years: int) -> list[int]:
        """Years at whose end it is bought again, the last year of all left out."""
        return (
            []
            if self.renewed_every is None
            else list(range(self.renewed_every, life_years, self.renewed_every))
        )


def cycles(share: np.ndarray, depth_exponent: float = 1.0) -> float:
    """Full cycles in a course of the state of charge, by rainflow counting, half cycles as halves.

    Parameters
    ----------
    share : array of shape (points,)
        State of charge, 0 to 1. [-]
    depth_exponent : float
        A cycle of depth d counts as d to this power; at 1 the sum is that of all movement over two.

    References
    ----------
    .. [1] ASTM E1049-85 (2017), section 5.4.4, rainflow counting, by the library `rainflow`.
    """
    return float(
        sum(
            count * depth**depth_exponent for depth, _, count, _, _ in rainflow.extract_cycles(share.tolist())
        )
    )


def course(bank: StorageBank, flow: BankFlows, hours: float) -> np.ndarray:
    """What a bank holds from the start to the end of a run, with what calls move within each step. [kWh]

    Nobody knows how many calls make up a step's: they are taken as one, out and back, which wears the most. Down to
    where only what was given has left (from the start of a charging step), or where what is taken has not come yet
    (before the end of a discharging one), whichever is less; both are one figure in a step at rest.

    Parameters
    ----------
    bank : Battery or CapacitorBank
    flow : BankFlows
    hours : float
        Length of a step. [h]

    Returns
    -------
    array of shape (2 steps + 1,)
    """
    end = np.asarray(flow.end_kwh, float)
    start = np.r_[bank.start_kwh, end[:-1]]
    through = bank.converter_efficiency
    given = hours * bank.drained_by_calls(0.0, flow.called_discharge_kw * through)
    taken = -hours * bank.drained_by_calls(flow.called_charge_kw / through, 0.0)
    low = np.minimum(start - given, end - taken)
    made: np.ndarray = np.r_[bank.start_kwh, np.stack([low, end], axis=1).ravel()]
    return made


def bank_lives(statement: Statement, cost: Cost) -> tuple[BankLife, ...]:
    """How each bank of a run is used and how long it lasts."""
    return tuple(_bank_life(statement, cost, bank) for bank in statement.dispatch.scenario.storage)


def _bank_life(statement: Statement, cost: Cost, bank: StorageBank) -> BankLife:
    dispatch, yearly = statement.dispatch, per_year(statement.dispatch.scenario.timeline)
    flow, life = dispatch.flows.banks[bank.name], bank.life
    hours = dispatch.scenario.timeline.step_hours
    discharged = yearly * hours * float(np.sum(flow.worn_kw))
    share = course(bank, flow, hours) / bank.capacity_kwh
    counted = yearly * cycles(share, life.depth_exponent if life else 1.0)
    by_cycles = by_calendar = years = None
    loss = 0.0
    if life is not None:
        by_calendar = life.calendar_life_years
        by_cycles = life.cycle_life / counted if counted > 0 else None
        worn = life.worn_per_year(counted)
        years, loss = 1 / worn, (1 - life.end_of_life_fraction) * worn
    renewed = price = None
    if len(dispatch.scenario.storage) == 1:
        price = sum(item.amount for item in cost.item if item.part == "storage") or None
    for part in cost.replacement:
        if part.storage == bank.name:
            price = part.amount
            # Rounded down: it is bought again before its end, never after it.
            renewed = part.every_years or max(1, int((years or 0) + 1e-9))
    return BankLife(
        bank.name,
        bank.capacity_kwh,
        discharged,
        discharged / bank.capacity_kwh,
        counted,
        by_cycles,
        by_calendar,
        years,
        loss,
        renewed,
        wear_price(price, discharged, years),
    )


def wear_price(price: float | None, discharged_kwh: float, years: float | None) -> float | None:
    """Price of a bank over all that it discharges in its life; None where one of them is not known. [currency/kWh]

    References
    ----------
    .. [1] Capital over cycles a year times years, the amortised form of a throughput warranty: A. Prakash, doctoral
       thesis, UNSW, chapter on information and storage scheduling in the NEM.
    """
    return price / (discharged_kwh * years) if price is not None and years and discharged_kwh > 0 else None


@dataclass(frozen=True)
class Course:
    """What the saving does from year to year, at the prices of year 1.

    Attributes
    ----------
    banks : tuple of BankLife
    solar_fade_fraction : float
        Share of their yield that modules lose a year. [-]
    ages : tuple of int
        Years that were solved, rising, the first of them 1.
    saving : dict of str to tuple of float
        Saving of those years in each group. [currency/year]
    """

    banks: tuple[BankLife, ...]
    solar_fade_fraction: float
    ages: tuple[int, ...]
    saving: Mapping[str, tuple[float, ...]]

    def storage_share(self, year: int) -> float:
        """Share of all storage left at the start of a year. [-]"""
        new = sum(bank.capacity_kwh for bank in self.banks)
        return sum(bank.capacity_kwh * bank.share_left(year) for bank in self.banks) / new if new else 1.0

    def solar_share(self, year: int) -> float:
        """Share of the modules' yield left in a year. [-]"""
        return (1 - self.solar_fade_fraction) ** (year - 1)

    def scale(self, year: int) -> float:
        """Share of year 1's saving that a year keeps where it is not solved again. [-]

        The smaller of what is left of storage and of modules. The best saving is concave in both sizes together and
        no loss without either, so half of everything saves at least half as much: the rule is cautious.
        """
        return min(self.storage_share(year), self.solar_share(year))

    def saving_in(self, year: int) -> dict[str, float]:
        """Saving of a year in each group: between solved years by a straight line, after them by `scale`."""
        last = self.ages[-1]
        beyond = self.scale(year) / self.scale(last) if year > last and self.scale(last) > 0 else 1.0
        return {
            group: beyond * float(np.interp(year, self.ages, made)) for group, made in self.saving.items()
        }


def warranty_notes(statement: Statement, lives: tuple[BankLife, ...]) -> Iterator[str]:
    """Banks that are used more in a year than their warranty allows."""
    for bank, found in zip(statement.dispatch.scenario.storage, lives, strict=True):
        if bank.life is None:
            continue
        throughput, allowed = bank.life.warranted_kwh_per_year, bank.life.warranted_cycles_per_year
        if throughput is not None and found.discharged_kwh > throughput * bank.units * (1 + 1e-9):
            yield (
                f"{bank.name}: {found.discharged_kwh:,.0f} kWh a year are discharged, its warranty covers "
                f"{throughput * bank.units:,.0f}. Raise its wear_per_kwh until it stays within, or set "
                "life.keep_warranty."
            )
        if allowed is not None and found.full_cycles > allowed * (1 + 1e-9):
            yield (
                f"{bank.name}: {found.full_cycles:,.0f} full cycles a year, its warranty covers {allowed:,.0f}. "
                "Raise its wear_per_kwh until it stays within, or set life.keep_warranty."
            )
