"""What every bank on the DC bus has and keeps, whatever its technology."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from pydantic import StrictStr, model_validator

from optimiser.columns import of_bank
from optimiser.equipment import binding, laws, limits
from optimiser.equipment.losses import OF_LOSS, OF_POWER, Curve, PieceCurve, ResistanceCurve, touching
from optimiser.equipment.voltage import limit_current, voltage_at
from optimiser.equipment.warranty import Warranty
from optimiser.fields import Component, Several, quantity, text
from optimiser.flows import BankFlows
from optimiser.terms.verbs import Terms
from optimiser.timeline import Grouping, Timeline, Window


class Reserve(Component):
    """Stored energy kept for backup in a window."""

    fraction: float = quantity("-", limits.RESERVE.meaning, at_least=0, at_most=1)
    when: Window | None = None


class MeasuredPoint(Component):
    """A round-trip efficiency measured at one power, both at the bank's DC terminals."""

    power_kw: float = quantity("kW", "power at which it was measured", above=0)
    round_trip_efficiency: float = quantity("-", "energy out over energy in", above=0, at_most=1)


class Converter(Component):
    """A DC converter between a bank and the bus."""

    rating_kw: float = limits.CONVERTER.number(above=0)
    efficiency: float = quantity("-", "one-way efficiency", above=0, at_most=1)


class StorageBank(Component, ABC):
    """What every technology has and tells of itself."""

    name: StrictStr = text("name of the bank")
    units: int = quantity("-", limits.CAPACITY.meaning, default=1, above=0)
    charge_kw: float = limits.CHARGE.number(above=0)
    discharge_kw: float = limits.DISCHARGE.number(above=0)
    charge_efficiency: float = quantity(
        "-", "energy stored over energy taken in at low rate, one way", default=1.0, above=0, at_most=1
    )
    discharge_efficiency: float = quantity(
        "-", "energy given over energy drawn from store at low rate, one way", default=1.0, above=0, at_most=1
    )
    resistance_ohm: float = quantity(
        "ohm", "internal resistance of a unit, which makes losses rise with power", default=0.0, at_least=0
    )
    charge_current_a: float | None = limits.CHARGE_CURRENT.number()
    discharge_current_a: float | None = limits.DISCHARGE_CURRENT.number()
    peak_discharge_a: float | None = quantity(
        "A", "current that a unit gives for seconds, for the check of peaks only", default=None, above=0
    )
    measured_points: Several[MeasuredPoint] = ()
    standby_w: float = quantity("W", "power that a unit's electronics always draw", default=0.0, at_least=0)
    self_discharge_per_day: float = quantity(
        "-", "share of the stored energy lost in a day", default=0.0, at_least=0, at_most=0.9
    )
    start_fraction: float = quantity(
        "-", "share of the usable energy held at the start", default=0.5, at_least=0, at_most=1
    )
    end_fraction: float | None = quantity(
        "-",
        limits.END.meaning,
        default=None,
        at_least=0,
        at_most=1,
    )
    reserve: Several[Reserve] = ()
    converter: Converter | None = None
    life: Warranty | None = None
    wear_per_kwh: float = quantity(
        "currency/kWh",
        "wear price per kWh discharged at the units' terminals; steers the schedule, is on no bill",
        default=0.0,
        at_least=0,
    )

    @model_validator(mode="after")
    def _losses_once(self) -> Any:
        if self.resistance_ohm and self.measured_points:
            raise ValueError("give either resistance_ohm or measured_points, not both")
        points = self.measured_points
        if points and (self.charge_efficiency, self.discharge_efficiency) != (1.0, 1.0):
            raise ValueError(
                "measured_points already hold the losses; leave out charge_efficiency and discharge_efficiency"
            )
        if list(points) != sorted(points, key=lambda point: point.power_kw):
            raise ValueError("measured_points must be in order of rising power_kw")
        for low, high in pairwise(points):
            if high.power_kw - low.power_kw < 1e-6 * high.power_kw:
                raise ValueError(
                    f"measured_points has two points at {high.power_kw:g} kW, of round trips "
                    f"{low.round_trip_efficiency:g} and {high.round_trip_efficiency:g}; keep one of them"
                )
            power = high.power_kw / low.power_kw
            one_way = math.sqrt(high.round_trip_efficiency / low.round_trip_efficiency)
            if (
                not 1 / power < one_way < power
            ):  # else more power would store less, or draw less from the store
                raise ValueError(
                    f"measured_points go from {low.round_trip_efficiency:g} at {low.power_kw:g} kW to "
                    f"{high.round_trip_efficiency:g} at {high.power_kw:g} kW, so that at more power less is stored or "
                    "drawn; check both"
                )
        if points and points[-1].power_kw < max(self.charge_kw, self.discharge_kw) - 1e-9:
            raise ValueError(
                f"measured_points must reach the largest power of {max(self.charge_kw, self.discharge_kw):g} kW, "
                f"the last is at {points[-1].power_kw:g} kW; repeat the last efficiency there if unsure"
            )
        return self

    def _check_resistance(self) -> None:
        """A source behind a resistance gives at most V^2/4R."""
        if self.resistance_ohm:
            most_kw = laws.most_power_kw(self.voltages[0], self.resistance_ohm)
            if self.discharge_kw > most_kw:
                raise ValueError(
                    f"resistance_ohm of {self.resistance_ohm:g} allows a discharge of {most_kw:.3g} kW at the most "
                    f"(V^2/4R), got discharge_kw {self.discharge_kw:g}; lower one of them"
                )

    @property
    @abstractmethod
    def usable_kwh(self) -> float:
        """Usable energy of a unit. [kWh]"""

    @property
    @abstractmethod
    def voltages(self) -> tuple[float, float]:
        """Lowest and highest voltage as the schedule sees them. [V]"""

    @property
    def capacity_kwh(self) -> float:
        """Usable energy of the whole bank. [kWh]"""
        return self.units * self.usable_kwh

    @property
    def start_kwh(self) -> float:
        """Energy held before the first step. [kWh]"""
        return self.start_fraction * self.capacity_kwh

    @property
    def end_kwh(self) -> float:
        """Least energy held after the last step. [kWh]"""
        return self.capacity_kwh * (self.start_fraction if self.end_fraction is None else self.end_fraction)

    @property
    def charge_limit_kw(self) -> float:
        """Charge power on the bus side that no step exceeds. [kW]"""
        limit = self.units * self.charge_kw
        if self.converter is None:
            return limit
        return min(limit / self.converter.efficiency, self.converter.rating_kw)

    @property
    def discharge_limit_kw(self) -> float:
        """Discharge power on the bus side that no step exceeds. [kW]"""
        limit = self.units * self.discharge_kw
        if self.converter is None:
            return limit
        return min(limit * self.converter.efficiency, self.converter.rating_kw)

    @property
    def converter_efficiency(self) -> float:
        """One-way efficiency between the bank's terminals and the bus; 1 where it sits on the bus. [-]"""
        return 1.0 if self.converter is None else self.converter.efficiency

    @property
    def peak_ohm(self) -> float:
        """Resistance by which its voltage falls under a peak; where losses are measured, that of the last point. [ohm]

        References
        ----------
        .. [1] Discharge efficiency (V - I R) / V, elementary circuit theory; half of a round trip's losses are taken
           as those of discharge, and the highest voltage, at which the same loss means the most resistance.
        """
        ohms = self.resistance_ohm
        if self.measured_points:
            last = self.measured_points[-1]
            lost = 1 - math.sqrt(last.round_trip_efficiency)
            ohms = lost * self.voltages[1] ** 2 / (1000 * last.power_kw)
        return ohms / self.units

    def kept(self, hours: float) -> float:
        """Share of the stored energy that is left after `hours` of self-discharge. [-]"""
        return math.pow(1 - self.self_discharge_per_day, hours / 24)

    def reserve_kwh(self, timeline: Timeline) -> np.ndarray:
        """Energy kept for backup in each step, of shape (steps,). [kWh]"""
        floor = np.zeros(timeline.steps)
        for reserve in self.reserve:
            mask = timeline.mask(reserve.when, timeline.zone)
            floor = np.maximum(floor, mask * reserve.fraction * self.capacity_kwh)
        return floor

    def stored_kw(self, charge_kw: float, volts: float | None = None) -> float:
        """Rate at which energy is stored while `charge_kw` flows into the terminals of the whole bank. [kW]

        `volts` is the open voltage, the lowest one if left out.
        """
        if self.measured_points:
            return charge_kw * math.sqrt(self._measured(charge_kw / self.units))
        return float(self.charge_efficiency * self._open_kw(charge_kw, volts, discharging=False))

    def drained_kw(self, discharge_kw: float, volts: float | None = None) -> float:
        """Rate at which stored energy falls while `discharge_kw` flows out of the terminals. [kW]

        `volts` is the open voltage, the lowest one if left out.
        """
        if self.measured_points:
            return discharge_kw / math.sqrt(self._measured(discharge_kw / self.units))
        return float(self._open_kw(discharge_kw, volts, discharging=True) / self.discharge_efficiency)

    def _open_kw(self, terminal_kw: float, volts: float | None, *, discharging: bool) -> Any:
        volts = self.voltages[0] if volts is None else volts
        ohms = self.resistance_ohm / self.units
        return laws.open_power_kw(terminal_kw, volts, ohms, discharging=discharging)

    def _measured(self, unit_kw: float) -> float:
        powers = [point.power_kw for point in self.measured_points]
        return float(
            np.interp(unit_kw, powers, [point.round_trip_efficiency for point in self.measured_points])
        )

    @property
    def voltage_moves_losses(self) -> bool:
        """Whether losses follow a resistance at a voltage that the stored energy moves."""
        lowest, highest = self.voltages
        return bool(self.resistance_ohm) and lowest < highest

    def charge_curve(self) -> Curve:
        """From power on the bus to the rate at which the store fills."""
        if self.voltage_moves_losses:
            return self._resistance_curve(self.charge_limit_kw, out=False)
        return PieceCurve(self.charge_pieces(), out=False)

    def discharge_curve(self) -> Curve:
        """From power on the bus to the rate at which the store drains."""
        if self.voltage_moves_losses:
            return self._resistance_curve(self.discharge_limit_kw, out=True)
        return PieceCurve(self.discharge_pieces(), out=True)

    def _resistance_curve(self, limit_kw: float, *, out: bool) -> ResistanceCurve:
        through = self.converter_efficiency
        return ResistanceCurve(
            self.voltages[0],
            self.voltages[1],
            self.capacity_kwh,
            self.resistance_ohm / self.units,
            limit_kw,
            1 / through if out else through,
            1 / self.discharge_efficiency if out else self.charge_efficiency,
            out,
        )

    def open_powers(
        self, start_kwh: float, stored_kwh: np.ndarray, charge_kw: np.ndarray, discharge_kw: np.ndarray
    ) -> dict[str, np.ndarray]:
        """Columns of powers at the open voltage, from energy before and after steps and power on the bus. [kW]"""
        before = np.concatenate([[start_kwh], stored_kwh[:-1]])
        volts = voltage_at(self, (before + stored_kwh) / 2)
        through, ohms = self.converter_efficiency, self.resistance_ohm / self.units
        return {
            of_bank(self.name, "open_charge_kw"): laws.open_power_kw(
                charge_kw * through, volts, ohms, discharging=False
            ),
            of_bank(self.name, "open_discharge_kw"): laws.open_power_kw(
                discharge_kw / through, volts, ohms, discharging=True
            ),
        }

    def breakpoints_kw(self, limit_kw: float) -> list[float]:
        """Powers of the whole bank between which losses are taken as straight lines. [kW]"""
        if self.measured_points:
            inner = [point.power_kw * self.units for point in self.measured_points]
            return [0.0, *(power for power in inner if power < limit_kw - 1e-9), limit_kw]
        pieces = 3 if self.resistance_ohm else 1
        return [limit_kw * index / pieces for index in range(pieces + 1)]

    def charge_pieces(self) -> list[tuple[float, float]]:
        """Width at the bus [kW] and efficiency into store [-] of each straight piece of the charging curve."""
        return self._pieces(self.charge_limit_kw, lambda bus: self.stored_kw(bus * self.converter_efficiency))

    def discharge_pieces(self) -> list[tuple[float, float]]:
        """Width at the bus [kW] and efficiency out of store [-] of each straight piece of the discharging curve."""
        pieces = self._pieces(
            self.discharge_limit_kw, lambda bus: self.drained_kw(bus / self.converter_efficiency)
        )
        return [(width, 1 / slope) for width, slope in pieces]

    def _pieces(self, limit_kw: float, curve: Any) -> list[tuple[float, float]]:
        points = self.breakpoints_kw(limit_kw)
        levels = [curve(point) if point else 0.0 for point in points]
        return [
            (high - low, (top - bottom) / (high - low))
            for low, high, bottom, top in zip(points, points[1:], levels, levels[1:], strict=False)
        ]

    @property
    def least_efficiency(self) -> tuple[float, float]:
        """The worst marginal efficiency into and out of store, for rules that must be safe. [-]"""
        if self.voltage_moves_losses:
            through, ohms = self.converter_efficiency, self.resistance_ohm / self.units * 1000
            into, out = (ratio * ohms for ratio in self._most_ratios())
            return (
                through * self.charge_efficiency / (1 + 2 * into),
                through * self.discharge_efficiency * (1 - 2 * out),
            )
        return min(e for _, e in self.charge_pieces()), min(e for _, e in self.discharge_pieces())

    @property
    def best_efficiency(self) -> tuple[float, float]:
        """The best marginal efficiency into and out of store. [-]"""
        if self.voltage_moves_losses:
            through = self.converter_efficiency
            return through * self.charge_efficiency, through * self.discharge_efficiency
        return max(e for _, e in self.charge_pieces()), max(e for _, e in self.discharge_pieces())

    def _most_ratios(self) -> tuple[float, float]:
        """The most power at the open voltage over the square of the voltage, charging and discharging. [kW/V^2]"""
        lowest, through = self.voltages[0], self.converter_efficiency
        into = self._open_kw(self.charge_limit_kw * through, lowest, discharging=False)
        out = self._open_kw(self.discharge_limit_kw / through, lowest, discharging=True)
        return float(into) / lowest**2, float(out) / lowest**2

    def drained_by_calls(self, charge_kw: Any, discharge_kw: Any) -> Any:
        """Rate at which stored energy falls while calls bring and draw so much on the bus, losses included. [kW]"""
        into, out = self.least_efficiency
        return discharge_kw / out - charge_kw * into

    def flows(
        self, terms: Terms, floor_kwh: np.ndarray, called_charge_kw: Any = 0.0, called_discharge_kw: Any = 0.0
    ) -> BankFlows:
        """Make the bank's columns and the rules that it keeps by itself.

        `floor_kwh` is what it holds at the end of each step at the least [kWh], `called_charge_kw` and
        `called_discharge_kw` are what calls of services are expected to bring and draw. [kW]
        """
        hours, name = terms.step_hours, self.name
        if not self.voltage_moves_losses:
            charge, stored = self._direction(terms, "charge", self.charge_pieces())
            discharge, drained = self._direction(terms, "discharge", self.discharge_pieces(), out=True)
        floor = floor_kwh.copy()
        floor[-1] = max(floor[-1], min(self.end_kwh, self.capacity_kwh))
        end = terms.column(
            of_bank(name, "stored_kwh"),
            at_least=floor,
            at_most=self.capacity_kwh,
            before=self.start_kwh,
            unit="kWh",
        )
        start = terms.previous(end)
        if self.voltage_moves_losses:
            charge, discharge, stored, drained = self._by_resistance(terms, start, end)
        kept = self.kept(hours) * start
        by_calls = self.drained_by_calls(called_charge_kw, called_discharge_kw)
        terms.equal(f"energy of {name}", end, kept + hours * (stored - drained - by_calls), unit="kWh")
        through = self.converter_efficiency
        taken, given = charge * through, discharge / through
        called_in, called_out = called_charge_kw * through, called_discharge_kw / through
        self._keep_warranty(terms, given + called_out)
        terms.one_direction(
            f"storage {name}",
            of_bank(name, "charge_kw"),
            of_bank(name, "discharge_kw"),
            self.charge_limit_kw,
            self.discharge_limit_kw,
        )
        return BankFlows(
            charge, discharge, taken, given, stored, drained, kept, start, end, called_in, called_out
        )

    def _keep_warranty(self, terms: Terms, given_kw: Any) -> None:
        """Where asked for, no month discharges more than its days' share of what the warranty covers in a year."""
        if self.life is None or not self.life.keep_warranty:
            return
        month = Grouping("month", terms.timeline.zone)
        days = terms.timeline.groups(month).sum(terms.timeline.share_of_day(terms.timeline.zone))
        in_year = 366 if 365.5 < days.sum() < 366.5 else 365
        most = self.units * self.life.most_kwh_per_year(self.usable_kwh) * days / in_year
        energy = given_kw * terms.step_hours
        terms.total(of_bank(self.name, "warranted_kwh"), energy, per=month, at_most=most)

    def _by_resistance(self, terms: Terms, start: Any, end: Any) -> tuple[Any, Any, Any, Any]:
        """Powers on the bus and rates at the store, losses at the voltage of the energy in the middle of each step.

        Of charge and discharge only one is above zero, so one law holds the losses of both.
        """
        through, ohms = self.converter_efficiency, self.resistance_ohm / self.units
        lowest, highest = self.voltages
        ratios = self._most_ratios()
        most = max(ratios)
        charge = terms.column(of_bank(self.name, "charge_kw"), at_most=self.charge_limit_kw)
        discharge = terms.column(of_bank(self.name, "discharge_kw"), at_most=self.discharge_limit_kw)
        filled = terms.column(of_bank(self.name, "open_charge_kw"), at_most=self.charge_limit_kw * through)
        drawn = terms.column(of_bank(self.name, "open_discharge_kw"), at_most=ratios[1] * lowest**2)
        terms.at_most(f"charge of {self.name} loses something", filled, charge * through)
        terms.at_most(f"discharge of {self.name} loses something", discharge / through, drawn)
        per_kwh = (highest**2 - lowest**2) / self.capacity_kwh
        rated = self.units * max(self.charge_kw, self.discharge_kw)
        terms.square_over(
            f"resistance loss of {self.name}",
            charge * through - filled + drawn - discharge / through,
            filled + drawn,
            (start + end) * (per_kwh / 2) + lowest**2,
            factor=ohms * 1000,
            touching=touching(most, ohms, rated, highest),
            most=(most, highest**2),
            within=(OF_LOSS, OF_POWER * rated),
        )
        return charge, discharge, filled * self.charge_efficiency, drawn / self.discharge_efficiency

    def _direction(
        self, terms: Terms, word: str, pieces: Sequence[tuple[float, float]], out: bool = False
    ) -> tuple[Any, Any]:
        """The power one way on the bus, and the rate at which it fills or drains the store."""
        whole = of_bank(self.name, f"{word}_kw")
        power = terms.column(whole, at_most=sum(width for width, _ in pieces))
        if len(pieces) == 1:
            return power, power / pieces[0][1] if out else power * pieces[0][1]
        names = [of_bank(self.name, f"{word}_piece_{index + 1}_kw") for index in range(len(pieces))]
        parts = [terms.column(name, at_most=width) for name, (width, _) in zip(names, pieces, strict=True)]
        terms.equal(f"pieces of {word} of {self.name}", power, sum(parts[1:], parts[0]))
        for first, then in pairwise(names):
            terms.in_order(f"{then} after {first}", first, then)
        rates = [
            part / efficiency if out else part * efficiency
            for part, (_, efficiency) in zip(parts, pieces, strict=True)
        ]
        return power, sum(rates[1:], rates[0])

    def current(self, *, out: bool) -> binding.Current | None:
        """The limit of the current at its terminals one way, at its own voltage."""
        limit = limits.DISCHARGE_CURRENT if out else limits.CHARGE_CURRENT
        amperes, unit_kw = limit.amperes(self, limit.key), self.discharge_kw if out else self.charge_kw
        if amperes is None:
            return None
        rule = limit.rule.format(name=self.name)
        return binding.Current(limit, self.name, rule, out, amperes, unit_kw, self.units)

    def current_rules(self, terms: Terms, flows: BankFlows) -> None:
        """The bank's own current limits at its own voltage."""
        for current, power in (
            (self.current(out=False), flows.taken_kw),
            (self.current(out=True), flows.given_kw),
        ):
            if current is not None and current.binds_from(self.voltages[0]):
                limit_current(terms, current.rule, power, current.amperes, self, flows)
