"""The site problem written a second time, from the physics, to judge the package by.

Nothing of the package is imported. The equations are written straight into SCIP through PySCIPOpt, with a
binary for every pair of opposite flows in every step, and solved to a gap of zero: another text, another
modelling library and another solver than the package's. Clarity goes before speed; a few dozen steps are its
size.

A site is a plain dict of numbers and arrays. Powers are kW averaged over a step, never negative, with the
direction in the name; money is income-positive. A limit may be a number, an array over the steps, or None.

    step_hours, steps, phases      1.0, 8, ["L1"] or ["L1", "L2", "L3"]
    load_kw                        {phase: array}
    ac_solar                       [{"phase": "L1" | "all", "available_kw": array,
                                     "existing": it is there before, and nobody commands it: it gives way at a limit of
                                     the connection alone, and no further than beside the load by itself}]
    registers                      "netted" | "per_phase"
    import_limit_kw, export_limit_kw, phase_import_limit_kw, phase_export_limit_kw, imbalance_limit_kw
    firm_load_fraction             share of the import for loads that an up service may count on
    inverters                      [{"phase", "output_kw", "input_kw", "output_efficiency",
                                     "input_efficiency", "standby_w", "dc_current_limit_a",
                                     "pass_through_a", "ac_voltage_v",
                                     "ac_breaker_a", "ac_breaker_share": what of its rating may flow for hours}]
    controllers                    [{"available_kw", "efficiency", "current_limit_a"}]
    dc_loads                       [{"power_kw", "before": {"efficiency", "phase"} of a rectifier or a charger of its
                                     own that fed it before; left out: it is new,
                                     "back_kw": what it can give back to the bus, at most,
                                     "peak_a", "peak_seconds", "least_v", "cable_ohm": a peak of its current, to whose
                                     end the bank on the bus, a capacitor bank, keeps the voltage at its terminals}]
    bus_voltage_v                  only where no bank sits on the bus directly
    flexible                       [{"phase", "power_kw", "efficiency", "sessions": [(first step, step no more,
                                     kwh to be stored by then), ...], on arrival before; of "phase": "bus" through a
                                     charger of "before": {"efficiency", "phase"} at the same rate} or
                                     {"phase", "power_kw", "performance": array, "capacity_kwh", "loss_kw",
                                     "draw_kw": array, "start_kwh": by a thermostat before, as empty at the end at
                                     the most as it left it}]
    banks                          [{"kind": "battery" | "capacitor_bank", "capacity_kwh",
                                     "charge_kw", "discharge_kw", "charge_efficiency", "discharge_efficiency",
                                     "self_discharge_per_day", "standby_w", "start_kwh",
                                     "floor_kwh", "reserve_hours" (when the floor holds; None: always),
                                     "end_kwh" (None: as at the start), "current_limit_a",
                                     "voltage_v" | "lowest_voltage_v", "highest_voltage_v",
                                     "measured_points": [(power_kw, round_trip_efficiency), ...] in place of
                                     the two efficiencies,
                                     "converter_kw", "converter_efficiency",
                                     "resistance_ohm": of capacitors, losses at the voltage of the energy
                                     in the middle of each step; the efficiencies come on top,
                                     "warranted_kwh_per_year": kept, month by month}]
    import_price, export_price     arrays, currency/kWh
    demand_rate_per_kw, demand_slot_steps, demand_hours (None: always)
    charges                        further charges, each {"what": ...} with:
                                     "blocks": ends_kwh, rates, hours: import of a period, filled in order
                                     "volume": ends_kwh, rates: all import of a period at the rate its sum picks
                                     "tiers": ends_kwh, rates: credit for export of a day, filled in order
                                     "export_level": free_kwh, rate, hours: charge on export of a period above it
                                     "highest": count, rate, slot_steps, days_apart: mean of the highest averages
                                     "steps": ends_kw, fees, slot_steps: fee of the step that the peak lies in;
                                     "next_at_end" (a peak of just an end is in the next one, within a watt)
                                     "ratchet": rate, fraction, past_kw, at_least_kw: on the peak of single steps
                                     "subscribed": kw, rate, excess_rate, slot_steps, hours: kW of a period, and what
                                     a slot's hours import beyond them
                                     "apparent": rate, kvar: on the peak of the root of kW and kvar squared
                                     "least": least, topping up energy in and all charges of a period
                                     of "highest", "steps", "ratchet": "valid" (first date, first date no more):
                                     the whole period's amount by its share of the period's days
    first_day                      the billing period is the calendar month; the first step starts at midnight
    wear_per_kwh                   on what every bank's units discharge, before a converter
    services                       [{"direction": "up" | "down", "group", "sustain_hours", "maximum_kw",
                                     "price_per_kw_h", "share" (of the price that is paid in the end),
                                     "block_hours" (None: the step), "derating",
                                     "opposite_share" (kW kept the other way per kW offered),
                                     "from_solar" (down: solar that runs may be reduced; alike in a group),
                                     "net", "gross", "accepted", "crosses", "settled_outside" (what calls are
                                     expected to move; outside: not through the retail registers),
                                     "price_unit" (for the scenario file only)}]

Pairs of hours are clock hours, the second one left out. Everything is UTC.

Choices where the physics leaves several:

* Losses measured at several powers are straight lines between zero and the points, better pieces first.
* The voltage of a capacitor bank is taken from chords below its curve, equal steps of voltage apart, as few
  as keep within 1 % of it, at the stored energy of both the start and the end of a step.
* Power of a call at the bus: every kW, both ways, counts 1 / output efficiency.
* Energy of a call, up: at the start of the step what is drawn by the time that some group has served, less
  the charge that stands still meanwhile, beside the discharge that was planned for the rest of the step, fits
  into what self-discharge has left of the stored energy above the floor by that time, or by the end of the step
  where the call lasts longer. Of a floor that begins with the step only what was owed before counts there, so
  that nothing is asked where nothing is offered. At the end of the step, and of the steps that a call reaches
  into, the whole call fits and nothing is counted as stopped. Down is the mirror below the capacity. Each figure
  takes the efficiency that is on the safe side.
* Calls that are expected ("net", "gross": mean kW one way and both ways per kW offered, "accepted") give and take
  half of gross plus and less net. A kWh given at the connection leaves the bus as 1 / the worst output efficiency;
  banks share it by capacity, each at its worst efficiency. What leaves the bus for calls wears and counts under a
  warranty as discharge does. Of the larger of given and taken the share "crosses" runs through both registers.
* Solar that a down call reduces must run as long as the call may last. It asks nothing of the store, on the
  AC side nothing of an inverter; a kW of the bus counts as its least worth outside, the worst output efficiency.
* Current limits in a call: up at the voltage that the whole call would leave, down at the plan's; only where
  the limit can bind at the lowest voltage.

Left out: whole lots and minimum offers, tax, fixed charges.
"""

import datetime
import math
from itertools import combinations

import numpy as np
from pyscipopt import Model, quicksum

# ------------------------------------------------------------
# Small helpers


def at(value, step):
    """Value of a number or of an array in a step; None stays None."""
    if value is None or np.ndim(value) == 0:
        return None if value is None else float(value)
    return float(value[step])


def voltage_lines(bank):
    """Straight lines (volts at empty, volts per kWh) whose lowest is the voltage that may be counted on.

    The square of a capacitor's voltage rises linearly with its energy, so voltage is concave in energy and
    every chord between two points of the curve lies below it: the lowest of the chords is safe.
    """
    if bank["kind"] == "battery":
        return [(float(bank["voltage_v"]), 0.0)]
    low_v, high_v = float(bank["lowest_voltage_v"]), float(bank["highest_voltage_v"])
    count = 1
    while True:
        corner_v = np.linspace(low_v, high_v, count + 1)
        # A chord between V1 and V2 falls short most at their geometric mean.
        if 1.0 - 2.0 * math.sqrt(corner_v[0] * corner_v[1]) / (corner_v[0] + corner_v[1]) <= 0.01:
            break
        count += 1
    corner_kwh = bank["capacity_kwh"] * (corner_v**2 - low_v**2) / (high_v**2 - low_v**2)
    slopes = np.diff(corner_v) / np.diff(corner_kwh)
    return [(float(corner_v[k] - slopes[k] * corner_kwh[k]), float(slopes[k])) for k in range(count)]


def within_hours(hours, steps, step_hours):
    """True in the steps whose start lies between two clock hours (None: in all)."""
    if hours is None:
        return np.ones(steps, dtype=bool)
    clock = np.arange(steps) * step_hours % 24.0
    return (clock >= hours[0] - 1e-9) & (clock < hours[1] - 1e-9)


def floors_kwh(bank, steps, step_hours):
    """Energy that is kept for backup in each step."""
    inside = within_hours(bank.get("reserve_hours"), steps, step_hours)
    return np.maximum(np.where(inside, bank.get("floor_kwh", 0.0), 0.0), bank.get("peaks_kwh", 0.0))


def peaks_kwh(site, bank):
    """Energy at the end of each step from which the peaks of that step and of the next could be carried.

    All peaks end at once beside all else at its most. Their end is at the voltage that the neediest load asks for,
    the falls in its cable and the bank on top; before it, the charge that flows until then, at the currents of the end.
    """
    loads = [load for load in site["dc_loads"] if load.get("peak_a")]
    if not loads:
        return np.zeros(site["steps"])
    least_v = max(load["least_v"] + load["cable_ohm"] * load["peak_a"] for load in loads)
    low_v, high_v = bank["lowest_voltage_v"], bank["highest_voltage_v"]
    asked = []
    for step in range(site["steps"]):
        watts = sum(equipment.get("standby_w", 0.0) for equipment in [*site["inverters"], *site["banks"]])
        watts += 1e3 * sum(at(o["power_kw"], step) for o in site["dc_loads"] if not o.get("peak_a"))
        watts += 1e3 * sum(o["power_kw"] for o in site.get("flexible", []) if o["phase"] == "bus")
        for inverter in site["inverters"]:
            amperes = inverter.get("dc_current_limit_a") or math.inf
            watts += min(1e3 * inverter["output_kw"] / inverter["output_efficiency"], amperes * least_v)
        beside_a = watts / least_v
        end_v = least_v + bank.get("resistance_ohm", 0.0) * (beside_a + sum(o["peak_a"] for o in loads))
        coulombs = sum(load["peak_a"] * load["peak_seconds"] for load in loads)
        coulombs += beside_a * max(load["peak_seconds"] for load in loads)
        joules = 3.6e6 * bank["capacity_kwh"]
        farads = 2.0 * joules / (high_v**2 - low_v**2)
        start_v = max(end_v, low_v) + coulombs / bank["discharge_efficiency"] / farads
        asked.append(farads * (start_v**2 - low_v**2) / 2.0 / 3.6e6)
    return np.maximum(asked, [*asked[1:], 0.0])


def months(site):
    """Billing period of each step, counted from 0."""
    first = site.get("first_day", datetime.date(2025, 1, 1))
    days = [int(step * site["step_hours"] / 24.0 + 1e-9) for step in range(site["steps"])]
    names = [(first + datetime.timedelta(days=day)).strftime("%Y-%m") for day in days]
    return [sorted(set(names)).index(name) for name in names]


def loss_pieces(bank):
    """Width at the terminals (kW) and efficiency of each straight piece, charging and discharging."""
    points = bank.get("measured_points")
    if not points:
        return {
            "charge": [(bank["charge_kw"], bank["charge_efficiency"])],
            "discharge": [(bank["discharge_kw"], bank["discharge_efficiency"])],
        }
    powers_kw = [power for power, _ in points]
    round_trips = [efficiency for _, efficiency in points]
    made = {}
    for way in ("charge", "discharge"):
        corners = [0.0, *(kw for kw in powers_kw if kw < bank[f"{way}_kw"]), bank[f"{way}_kw"]]
        one_way = [math.sqrt(np.interp(kw, powers_kw, round_trips)) for kw in corners]
        if way == "charge":
            store = [kw * share for kw, share in zip(corners, one_way, strict=True)]
            made[way] = [(w, s / w) for w, s in zip(np.diff(corners), np.diff(store), strict=True)]
        else:
            store = [kw / share for kw, share in zip(corners, one_way, strict=True)]
            made[way] = [(w, w / s) for w, s in zip(np.diff(corners), np.diff(store), strict=True)]
    return made


def lowest_v(bank):
    """Lowest voltage of a bank."""
    return bank["voltage_v"] if bank["kind"] == "battery" else bank["lowest_voltage_v"]


def ac_breaker_kw(inverter):
    """Power that the breaker in an inverter's AC supply carries for hours, of a phase; None without one."""
    if inverter.get("ac_breaker_a") is None:
        return None
    return inverter["ac_breaker_share"] * inverter["ac_breaker_a"] * inverter["ac_voltage_v"] / 1000.0


def can_bind(current_a, lowest_voltage_v, full_kw):
    """Whether a current limit can come before the power limit beside it."""
    return current_a is not None and current_a * lowest_voltage_v / 1000.0 < full_kw


def shares(equipment, phases):
    """Share of an inverter's or a roof's power on each phase."""
    if equipment["phase"] == "all":
        return {phase: 1.0 / len(phases) for phase in phases}
    return {phase: float(phase == equipment["phase"]) for phase in phases}


def powers(problem, steps, most_kw=None):
    """One variable a step, from zero up to a number or array."""
    return [problem.addVar(lb=0.0, ub=at(most_kw, step)) for step in range(steps)]


def one_way(problem, forward_kw, backward_kw, forward_most_kw, backward_most_kw):
    """Of two opposite flows only one may run."""
    forwards = problem.addVar(vtype="B")
    problem.addCons(forward_kw <= forward_most_kw * forwards)
    problem.addCons(backward_kw <= backward_most_kw * (1 - forwards))


def within(problem, signed_kw, most_export_kw, most_import_kw):
    """Keep a signed power, import positive, within two limits of which either may be missing."""
    if most_import_kw is not None:
        problem.addCons(signed_kw <= most_import_kw)
    if most_export_kw is not None:
        problem.addCons(-signed_kw <= most_export_kw)


def pieces_in_order(problem, power_kw, pieces):
    """Split a power over pieces (width in kW, efficiency), each open only when the one before is full."""
    if len(pieces) == 1:
        return [(power_kw, pieces[0][1])]
    parts = [problem.addVar(lb=0.0, ub=width_kw) for width_kw, _ in pieces]
    problem.addCons(quicksum(parts) == power_kw)
    for k in range(1, len(pieces)):
        opened = problem.addVar(vtype="B")
        problem.addCons(parts[k] <= pieces[k][0] * opened)
        problem.addCons(parts[k - 1] >= pieces[k - 1][0] * opened)
    return [(part, efficiency) for part, (_, efficiency) in zip(parts, pieces, strict=True)]


def behind_resistance(problem, taken_kw, given_kw, square, ohms):
    """Powers at the open voltage: taken less its loss, given and its loss, a loss being R P^2 / V^2 exactly."""
    made = []
    for kw, sign in ((taken_kw, -1.0), (given_kw, 1.0)):
        open_kw, loss_w = problem.addVar(lb=0.0), problem.addVar(lb=0.0)
        problem.addCons(open_kw == kw + sign * loss_w / 1000.0)
        problem.addCons(loss_w * square == ohms * 1e6 * open_kw * open_kw)
        made.append(open_kw)
    return made


def further_steps(sustain_hours, step_hours):
    """Steps beyond its own that a call reaches into."""
    return max(math.ceil(sustain_hours / step_hours - 1e-9) - 1, 0)


def fits_export(problem, called_kw, export_limit_kw, net_kw, input_kw, firm_load_fraction):
    """Keep an up call within an export limit even when every load that is not firm has gone.

    Import that feeds the inverters, the lesser of import and input, can be stopped whatever the loads do; of
    the rest, which serves loads, the firm part stays. "The lesser of" makes it two rows: in the first all
    import is for inverters, in the second all input is from the grid. While exporting the first is tighter.
    """
    problem.addCons(called_kw <= export_limit_kw + net_kw)
    feeding_kw = (1.0 - firm_load_fraction) * input_kw
    problem.addCons(called_kw <= export_limit_kw + feeding_kw + firm_load_fraction * net_kw)


def expected_calls(services, offered_kw, inverters, steps):
    """What calls bring the bus, draw from it, give the retail meter in all and run through both registers. [kW]"""
    out, into, net, crossing = ([quicksum([]) for _ in range(steps)] for _ in range(4))
    for service, offer in zip(services, offered_kw, strict=True):
        one_way, both_ways = service.get("net", 0.0), service.get("gross", 0.0)
        given, taken = (both_ways + one_way) / 2, (both_ways - one_way) / 2
        if service["direction"] == "down":
            given, taken = taken, given
        for step in range(steps):
            accepted_kw = service.get("accepted", 1.0) * offer[step]
            out[step] = out[step] + given * accepted_kw / min(i["output_efficiency"] for i in inverters)
            into[step] = into[step] + taken * accepted_kw * min(i["input_efficiency"] for i in inverters)
            if not service.get("settled_outside", False):
                net[step] = net[step] + (given - taken) * accepted_kw
                crossing[step] = (
                    crossing[step] + service.get("crosses", 1.0) * max(given, taken) * accepted_kw
                )
    return out, into, net, crossing


def held_power(problem, site, offered_kw):
    """Power that the response groups hold ready, each for the longest time one of its products asks.

    Products of one group share the same kW; groups add. Returns, per direction, the kW per group and step,
    the hours per group, and the kW per step that the plant must be able to move in all.
    """
    steps, services = site["steps"], site["services"]
    if not site.get("inverters") or not site.get("banks"):
        raise ValueError("Services need an inverter and a bank.")
    group_kw, sustain_hours = {"up": {}, "down": {}}, {"up": {}, "down": {}}
    called_kw = {"up": [0.0] * steps, "down": [0.0] * steps}
    for k, service in enumerate(services):
        direction = service["direction"]
        opposite = "down" if direction == "up" else "up"
        name = service.get("group") or f"alone {k}"
        if name not in group_kw[direction]:
            group_kw[direction][name] = powers(problem, steps)
            sustain_hours[direction][name] = 0.0
        sustain_hours[direction][name] = max(sustain_hours[direction][name], service["sustain_hours"])
        for step in range(steps):
            reserved_kw = offered_kw[k][step] / service.get("derating", 1.0)
            problem.addCons(group_kw[direction][name][step] >= reserved_kw)
            called_kw[opposite][step] = (
                called_kw[opposite][step] + service.get("opposite_share", 0.0) * offered_kw[k][step]
            )
    for direction, groups in group_kw.items():
        for step in range(steps):
            called_kw[direction][step] = called_kw[direction][step] + quicksum(
                kw[step] for kw in groups.values()
            )
    return group_kw, sustain_hours, called_kw


# ------------------------------------------------------------
# The reference


def solve_reference(site, *, one_direction=True, relaxed=False):
    """Best money of a site and the flows that earn it.

    Parameters
    ----------
    site : dict
        As described at the top of this file.
    one_direction : bool
        Forbid import with export, charge with discharge, output with input. False gives the naive LP.
    relaxed : bool
        Only ask whether any schedule exists.

    Returns
    -------
    dict
        "money" (all lines), "cash" (without wear), "lines" and the main flows.

    Raises
    ------
    ValueError
        If SCIP does not prove an optimum.
    """
    problem = Model()
    problem.hideOutput()
    problem.setParam("numerics/feastol", 1e-9)
    problem.setParam("limits/gap", 0.0)
    problem.setParam("limits/absgap", 0.0)

    steps, hours, phases = site["steps"], site["step_hours"], site["phases"]
    inverters = site.get("inverters", [])
    controllers = site.get("controllers", [])
    banks = site.get("banks", [])
    services = site.get("services", [])
    ac_solar = site.get("ac_solar", [])
    every_step = range(steps)

    # --- Offers, and what calls are expected to move: at the connection, on the bus, through both registers ------
    offered_kw = []  # per service and step; one variable a block
    for service in services:
        block_hours = service.get("block_hours") or hours
        blocks = [int(step * hours / block_hours + 1e-9) for step in every_step]
        block_kw = {
            block: problem.addVar(lb=0.0, ub=service.get("maximum_kw")) for block in sorted(set(blocks))
        }
        offered_kw.append([block_kw[blocks[step]] for step in every_step])
    calls = expected_calls(services, offered_kw, inverters, steps)
    called_out_kw, called_in_kw, called_net_kw, crossing_kw = calls
    whole_kwh = sum(bank["capacity_kwh"] for bank in banks)

    # --- Loads that wait ----------------------------------------
    flexible = site.get("flexible", [])
    flexible_kw = []
    for load in flexible:
        if "sessions" in load:
            there = np.zeros(steps)
            for first, stop, _ in load["sessions"]:
                there[first:stop] = load["power_kw"]
            taken = powers(problem, steps, there)
            for first, stop, kwh in load["sessions"]:
                problem.addCons(hours * load["efficiency"] * quicksum(taken[first:stop]) == kwh)
        else:
            taken = powers(problem, steps, load["power_kw"])
            _, left_kwh = flexible_before(site, load)
            stored = load["start_kwh"]
            for step in every_step:
                out_kw = load["draw_kw"][step] + load["loss_kw"]
                stored = stored + hours * (load["performance"][step] * taken[step] - out_kw)
                problem.addCons(stored <= load["capacity_kwh"])
                problem.addCons(stored >= (left_kwh if step == steps - 1 else 0.0))
        flexible_kw.append(taken)

    # --- Banks: power, current, stored energy ----------------------------------------
    charge_kw, discharge_kw, stored_kwh = [], [], []  # power on the bus side; stored_kwh[b][0] is the start
    charge_most_kw, discharge_most_kw = [], []
    filling_kw, draining_kw = [], []  # rates at the store, losses included
    best, worst = {"charge": [], "discharge": []}, {"charge": [], "discharge": []}  # efficiencies, per bank
    for bank in banks:
        through = bank.get("converter_efficiency", 1.0)
        converter_kw = bank.get("converter_kw", math.inf)
        charge_most = min(converter_kw, bank["charge_kw"] / through)
        discharge_most = min(converter_kw, bank["discharge_kw"] * through)
        charge = powers(problem, steps, charge_most)
        discharge = powers(problem, steps, discharge_most)
        floor = floors_kwh(bank, steps, hours)
        stored = [problem.addVar(lb=bank["start_kwh"], ub=bank["start_kwh"])]
        stored += [problem.addVar(lb=floor[step], ub=bank["capacity_kwh"]) for step in every_step]
        kept = (1.0 - bank.get("self_discharge_per_day", 0.0)) ** (hours / 24.0)
        pieces = loss_pieces(bank)
        part = bank["capacity_kwh"] / whole_kwh
        least_in, least_out = (
            through * min(efficiency for _, efficiency in pieces[way]) for way in ("charge", "discharge")
        )
        filling, draining = [], []
        ohms = bank.get("resistance_ohm", 0.0)
        for step in every_step:
            taken_kw, given_kw = charge[step] * through, discharge[step] / through
            if ohms:
                low, high = bank["lowest_voltage_v"] ** 2, bank["highest_voltage_v"] ** 2
                middle_kwh = (stored[step] + stored[step + 1]) / 2.0
                square = low + (high - low) / bank["capacity_kwh"] * middle_kwh
                taken_kw, given_kw = behind_resistance(problem, taken_kw, given_kw, square, ohms)
            filled = pieces_in_order(problem, taken_kw, pieces["charge"])
            drawn = pieces_in_order(problem, given_kw, pieces["discharge"])
            filling.append(quicksum(part * efficiency for part, efficiency in filled))
            draining.append(quicksum(part / efficiency for part, efficiency in drawn))
            by_calls = part * (called_in_kw[step] * least_in - called_out_kw[step] / least_out)
            gained_kwh = hours * (filling[step] - draining[step] + by_calls)
            problem.addCons(stored[step + 1] == kept * stored[step] + gained_kwh)
            if one_direction:
                one_way(problem, charge[step], discharge[step], charge_most, discharge_most)
            if bank.get("current_limit_a") is not None:
                for empty_v, slope in voltage_lines(bank):
                    for level in (stored[step], stored[step + 1]):
                        limit_kw = bank["current_limit_a"] * (empty_v + slope * level) / 1000.0
                        problem.addCons(charge[step] * through <= limit_kw)
                        problem.addCons(discharge[step] / through <= limit_kw)
        if bank.get("warranted_kwh_per_year") is not None:
            # Each month its days' share of a common year of what the units discharge at their terminals.
            for month in sorted(set(months(site))):
                members = [step for step in every_step if months(site)[step] == month]
                share = len(members) * hours / 24.0 / 365.0
                given_kwh = quicksum(
                    (discharge[step] + part * called_out_kw[step]) / through * hours for step in members
                )
                problem.addCons(given_kwh <= share * bank["warranted_kwh_per_year"])
        end_kwh = bank.get("end_kwh")
        problem.addCons(stored[steps] >= (bank["start_kwh"] if end_kwh is None else end_kwh))
        charge_kw.append(charge)
        discharge_kw.append(discharge)
        stored_kwh.append(stored)
        charge_most_kw.append(charge_most)
        discharge_most_kw.append(discharge_most)
        filling_kw.append(filling)
        draining_kw.append(draining)
        for way in ("charge", "discharge"):
            best[way].append(through * max(efficiency for _, efficiency in pieces[way]))
            worst[way].append(through * min(efficiency for _, efficiency in pieces[way]))

    # --- Voltage of the bus: that of the bank wired to it ----------------------------------------
    direct = [b for b, bank in enumerate(banks) if bank.get("converter_kw") is None]
    if len(direct) > 1:
        raise ValueError("Only one bank can sit on the bus directly.")

    def bus_limits_kw(current_a, step):
        """Power that a current may carry on the bus, at the start and at the end of a step."""
        if not direct:
            return [current_a * site["bus_voltage_v"] / 1000.0]
        bank, levels = banks[direct[0]], stored_kwh[direct[0]][step : step + 2]
        lines = voltage_lines(bank)
        return [
            current_a * (empty_v + slope * level) / 1000.0 for empty_v, slope in lines for level in levels
        ]

    # --- Solar ----------------------------------------
    dc_solar_kw = []
    for controller in controllers:
        most = controller["efficiency"] * np.asarray(controller["available_kw"], dtype=float)
        solar = powers(problem, steps, most)
        if controller.get("current_limit_a") is not None:
            for step in every_step:
                for limit_kw in bus_limits_kw(controller["current_limit_a"], step):
                    problem.addCons(solar[step] <= limit_kw)
        dc_solar_kw.append(solar)
    ac_solar_kw = [powers(problem, steps, roof["available_kw"]) for roof in ac_solar]

    # --- Inverters ----------------------------------------
    output_kw = [powers(problem, steps, inverter["output_kw"]) for inverter in inverters]
    input_kw = [powers(problem, steps, inverter["input_kw"]) for inverter in inverters]
    for i, inverter in enumerate(inverters):
        for step in every_step:
            if one_direction:
                most = (inverter["output_kw"], inverter["input_kw"])
                one_way(problem, output_kw[i][step], input_kw[i][step], *most)
            if inverter.get("dc_current_limit_a") is not None:
                for limit_kw in bus_limits_kw(inverter["dc_current_limit_a"], step):
                    problem.addCons(output_kw[i][step] / inverter["output_efficiency"] <= limit_kw)
                    problem.addCons(input_kw[i][step] * inverter["input_efficiency"] <= limit_kw)

    # --- Balance of the bus ----------------------------------------
    back_kw = [
        powers(problem, steps, load["back_kw"]) for load in site.get("dc_loads", []) if "back_kw" in load
    ]
    standby_kw = sum(equipment.get("standby_w", 0.0) for equipment in [*inverters, *banks]) / 1000.0
    for step in every_step:
        given = [solar[step] for solar in dc_solar_kw]
        given += [discharge[step] for discharge in discharge_kw]
        given += [input_kw[i][step] * inv["input_efficiency"] for i, inv in enumerate(inverters)]
        given += [back[step] for back in back_kw]
        waiting_kw = [
            kw[step] for kw, load in zip(flexible_kw, flexible, strict=True) if load["phase"] == "bus"
        ]
        taken = [charge[step] for charge in charge_kw]
        taken += [output_kw[i][step] / inv["output_efficiency"] for i, inv in enumerate(inverters)]
        taken += waiting_kw
        burden_kw = standby_kw + sum(at(load["power_kw"], step) for load in site.get("dc_loads", []))
        if given or taken:
            problem.addCons(quicksum(given) == quicksum(taken) + burden_kw)
        elif burden_kw > 0.0:
            raise ValueError("A DC load needs something that feeds it.")

    # --- Phases: net power at the connection, import positive ----------------------------------------
    roof_shares = [shares(roof, phases) for roof in ac_solar]
    inverter_shares = [shares(inverter, phases) for inverter in inverters]
    flexible_shares = [shares(load, phases) for load in flexible]
    net_kw = {phase: [] for phase in phases}
    phase_input_kw = {phase: [] for phase in phases}
    for phase in phases:
        for step in every_step:
            roof = quicksum(roof_shares[r][phase] * ac_solar_kw[r][step] for r in range(len(ac_solar)))
            out = quicksum(inverter_shares[i][phase] * output_kw[i][step] for i in range(len(inverters)))
            into = quicksum(inverter_shares[i][phase] * input_kw[i][step] for i in range(len(inverters)))
            by_calls = called_net_kw[step] / len(phases)
            waiting = quicksum(flexible_shares[f][phase] * flexible_kw[f][step] for f in range(len(flexible)))
            own_kw = at(site["load_kw"][phase], step) + waiting
            net_kw[phase].append(own_kw - roof - out + into - by_calls)
            phase_input_kw[phase].append(into)
    total_kw = [quicksum(net_kw[phase][step] for phase in phases) for step in every_step]

    def registers_of(signed_kw, most_import_kw, most_export_kw):
        """Import and export of a signed power; never both at once."""
        imports = powers(problem, steps, most_import_kw)
        exports = powers(problem, steps, most_export_kw)
        for step in every_step:
            problem.addCons(imports[step] - exports[step] == signed_kw[step])
            if one_direction:
                one_way(problem, imports[step], exports[step], most_import_kw[step], most_export_kw[step])
        return imports, exports

    # What a phase could import or export at the very most: large enough for any schedule, for the binaries.
    most_import_kw, most_export_kw = {}, {}
    for phase in phases:
        most_import_kw[phase] = np.array([at(site["load_kw"][phase], step) for step in every_step]) + sum(
            inverter_shares[i][phase] * inverter["input_kw"] for i, inverter in enumerate(inverters)
        )
        most_import_kw[phase] += sum(
            flexible_shares[f][phase] * x["power_kw"] for f, x in enumerate(flexible)
        )
        most_export_kw[phase] = sum(
            (
                roof_shares[r][phase] * np.asarray(roof["available_kw"], float)
                for r, roof in enumerate(ac_solar)
            ),
            np.zeros(steps),
        ) + sum(inverter_shares[i][phase] * inverter["output_kw"] for i, inverter in enumerate(inverters))
    phase_export_limit_kw = site.get("phase_export_limit_kw")
    phase_import_limit_kw = site.get("phase_import_limit_kw")
    if site.get("registers", "netted") == "per_phase":
        registers = [
            registers_of(net_kw[phase], most_import_kw[phase], most_export_kw[phase]) for phase in phases
        ]
    else:
        registers = [registers_of(total_kw, sum(most_import_kw.values()), sum(most_export_kw.values()))]
    metered_import_kw, metered_export_kw = (
        [quicksum(register[way][step] for register in registers) + crossing_kw[step] for step in every_step]
        for way in (0, 1)
    )

    # --- Connection ----------------------------------------
    for step in every_step:
        within(
            problem,
            total_kw[step],
            at(site.get("export_limit_kw"), step),
            at(site.get("import_limit_kw"), step),
        )
        for phase in phases:
            net = net_kw[phase][step]
            within(problem, net, at(phase_export_limit_kw, step), at(phase_import_limit_kw, step))
            for i, inverter in enumerate(inverters):
                share = inverter_shares[i][phase]
                if share == 0.0:
                    continue
                if inverter.get("pass_through_a") is not None:
                    limit_kw = inverter["pass_through_a"] * inverter["ac_voltage_v"] / 1000.0
                    within(problem, net, limit_kw, limit_kw)
                if (breaker_kw := ac_breaker_kw(inverter)) is not None:
                    # Wired in line, all of the phase passes its breaker; beside the loads, its own power alone.
                    own = share * (input_kw[i][step] - output_kw[i][step])
                    passing = own if inverter.get("pass_through_a") is None else net
                    within(problem, passing, breaker_kw, breaker_kw)
        imbalance_kw = at(site.get("imbalance_limit_kw"), step)
        for one, phase in enumerate(phases):
            for other in phases[:one]:
                difference = net_kw[phase][step] - net_kw[other][step]
                within(problem, difference, imbalance_kw, imbalance_kw)

    # --- Solar that is there already and that nobody commands ----------------------------------------
    for r, roof in enumerate(ac_solar):
        if not roof.get("existing"):
            continue
        least_kw = given_alone_kw(site, roof, site["load_kw"], input_beside=True)
        for step in every_step:
            most_kw, given = float(roof["available_kw"][step]), ac_solar_kw[r][step]
            problem.addCons(given >= least_kw[step])
            at_limit = []
            for weights, limit in limits_obeyed(site):
                room = at(limit, step) + quicksum(weight * net_kw[p][step] for p, weight in weights.items())
                problem.addCons(room >= 0.0)
                if sum(weight * roof_shares[r][p] for p, weight in weights.items()) > 0.0:
                    full = problem.addVar(vtype="B")
                    far = at(limit, step) + sum(
                        most_import_kw[p][step] + most_export_kw[p][step] for p in phases
                    )
                    problem.addCons(room <= far * (1 - full))
                    at_limit.append(full)
            problem.addCons(most_kw - given <= most_kw * quicksum(at_limit))

    # --- Services ----------------------------------------
    if services:
        group_kw, sustain_hours, called_kw = held_power(problem, site, offered_kw)
        firm = site.get("firm_load_fraction", 0.0)

        # Solar that down calls may reduce, and what each group leaves to it.
        sunny = {
            service.get("group") or f"alone {k}"
            for k, service in enumerate(services)
            if service.get("from_solar")
        }
        lasting = [further_steps(sustain_hours["down"][g], hours) for g in sunny]
        less_dc_kw, less_ac_kw = (
            [powers(problem, steps) for _ in running] if sunny else []
            for running in (dc_solar_kw, ac_solar_kw)
        )
        for reduced, running in zip(less_dc_kw + less_ac_kw, dc_solar_kw + ac_solar_kw, strict=bool(sunny)):
            if any(
                running is kw and roof.get("existing") for kw, roof in zip(ac_solar_kw, ac_solar, strict=True)
            ):
                for step in every_step:
                    problem.addCons(reduced[step] == 0.0)
            for step in every_step:
                for later in range(step, min(step + max(lasting) + 1, steps)):
                    problem.addCons(reduced[step] <= running[later])
        left_kw = {g: powers(problem, steps) for g in sunny}
        for step in every_step if sunny else ():
            for g in sunny:
                problem.addCons(left_kw[g][step] <= group_kw["down"][g][step])
            outside = quicksum(kw[step] for kw in less_ac_kw) + min(
                inverter["output_efficiency"] for inverter in inverters
            ) * quicksum(kw[step] for kw in less_dc_kw)
            problem.addCons(quicksum(kw[step] for kw in left_kw.values()) <= outside)

        # The worst path is assumed for the energy of a call: through the least efficient inverter and bank
        # going up, through the most efficient going down; the other way round for what a call stops.
        per_kwh_up = 1.0 / (min(inv["output_efficiency"] for inv in inverters) * min(worst["discharge"]))
        per_kwh_down = max(inv["input_efficiency"] for inv in inverters) * max(best["charge"])

        def moved_kwh(direction, step, moment=math.inf, still_lasting=0):
            """Moved at the store by the groups' calls after `moment` hours, if nothing is stopped."""
            per_kwh = per_kwh_up if direction == "up" else per_kwh_down
            return per_kwh * quicksum(
                min(sustain_hours[direction][g], moment)
                * (kw[step] - left_kw[g][step] if direction == "down" and g in sunny else kw[step])
                for g, kw in group_kw[direction].items()
                if further_steps(sustain_hours[direction][g], hours) >= still_lasting
            )

        lowest_bus_v = lowest_v(banks[direct[0]]) if direct else site.get("bus_voltage_v")

        # Inverters.
        headroom_up_kw = [powers(problem, steps) for _ in inverters]
        headroom_down_kw = [powers(problem, steps) for _ in inverters]
        for step in every_step:
            problem.addCons(quicksum(kw[step] for kw in headroom_up_kw) >= called_kw["up"][step])
            by_roofs = quicksum(kw[step] for kw in less_ac_kw)
            problem.addCons(
                quicksum(kw[step] for kw in headroom_down_kw) >= called_kw["down"][step] - by_roofs
            )
            for i, inverter in enumerate(inverters):
                net_out = output_kw[i][step] - input_kw[i][step]
                problem.addCons(headroom_up_kw[i][step] <= inverter["output_kw"] - net_out)
                problem.addCons(headroom_down_kw[i][step] <= inverter["input_kw"] + net_out)

        # The bus, up.
        for step in every_step:
            asked_kw = quicksum(
                headroom_up_kw[i][step] / inverter["output_efficiency"]
                for i, inverter in enumerate(inverters)
            )
            change_kw = quicksum(charge_kw[b][step] - discharge_kw[b][step] for b in range(len(banks)))
            gone_kwh = moved_kwh("up", step)
            # What each bank can give: its rating, and its current at the voltage left when the call ends.
            can_give_kw = []
            for b, bank in enumerate(banks):
                most = problem.addVar(lb=None, ub=discharge_most_kw[b])
                if can_bind(bank.get("current_limit_a"), lowest_v(bank), bank["discharge_kw"]):
                    through = bank.get("converter_efficiency", 1.0)
                    for empty_v, slope in voltage_lines(bank):
                        for level in stored_kwh[b][step : step + 2]:
                            volts = empty_v + slope * (level - gone_kwh)
                            problem.addCons(most <= through * bank["current_limit_a"] * volts / 1000.0)
                can_give_kw.append(most)
            slack_kw = quicksum(can_give_kw) + change_kw
            problem.addCons(asked_kw <= slack_kw)
            # The breakers on the DC side of the inverters, at the same voltage.
            for i, inverter in enumerate(inverters):
                full_kw = inverter["output_kw"] / inverter["output_efficiency"]
                if not can_bind(inverter.get("dc_current_limit_a"), lowest_bus_v, full_kw):
                    continue
                dc_kw = (output_kw[i][step] - input_kw[i][step] + headroom_up_kw[i][step]) / inverter[
                    "output_efficiency"
                ]
                lines = voltage_lines(banks[direct[0]]) if direct else [(site["bus_voltage_v"], 0.0)]
                for empty_v, slope in lines:
                    for level in stored_kwh[direct[0]][step : step + 2] if direct else [0.0]:
                        volts = empty_v + slope * (level - gone_kwh)
                        problem.addCons(dc_kw <= inverter["dc_current_limit_a"] * volts / 1000.0)

        # The bus, down. Filling only raises the voltage, so the plan's own voltage is the lowest.
        for step in every_step:
            brought_kw = []
            for i, inverter in enumerate(inverters):
                out_efficiency, in_efficiency = inverter["output_efficiency"], inverter["input_efficiency"]
                called, out = headroom_down_kw[i][step], output_kw[i][step]
                brought_kw.append(called / out_efficiency)
                full_kw = inverter["input_kw"] * in_efficiency
                if can_bind(inverter.get("dc_current_limit_a"), lowest_bus_v, full_kw):
                    dc_kw = (input_kw[i][step] - out + called) * in_efficiency
                    for limit_kw in bus_limits_kw(inverter["dc_current_limit_a"], step):
                        problem.addCons(dc_kw <= limit_kw)
            can_take_kw = []
            for b, bank in enumerate(banks):
                most = problem.addVar(lb=None, ub=charge_most_kw[b])
                if can_bind(bank.get("current_limit_a"), lowest_v(bank), bank["charge_kw"]):
                    through = bank.get("converter_efficiency", 1.0)
                    for empty_v, slope in voltage_lines(bank):
                        for level in stored_kwh[b][step : step + 2]:
                            limit_kw = bank["current_limit_a"] * (empty_v + slope * level) / 1000.0
                            problem.addCons(most * through <= limit_kw)
                can_take_kw.append(most)
            change_kw = quicksum(discharge_kw[b][step] - charge_kw[b][step] for b in range(len(banks)))
            less_kw = quicksum(kw[step] for kw in less_dc_kw)
            problem.addCons(quicksum(brought_kw) <= quicksum(can_take_kw) + change_kw + less_kw)

        # The connection in the activated state, whole and per phase.
        for step in every_step:
            input_total = quicksum(input_kw[i][step] for i in range(len(inverters)))
            limit = at(site.get("export_limit_kw"), step)
            if limit is not None:
                fits_export(problem, called_kw["up"][step], limit, total_kw[step], input_total, firm)
            limit = at(site.get("import_limit_kw"), step)
            if limit is not None:
                problem.addCons(called_kw["down"][step] <= limit - total_kw[step])
            for phase in phases:
                net, into = net_kw[phase][step], phase_input_kw[phase][step]
                phase_up, phase_down = (
                    quicksum(inverter_shares[i][phase] * kw[step] for i, kw in enumerate(headroom_kw))
                    for headroom_kw in (headroom_up_kw, headroom_down_kw)
                )
                phase_down += quicksum(roof_shares[r][phase] * kw[step] for r, kw in enumerate(less_ac_kw))
                passing_kw = []
                for i, inverter in enumerate(inverters):
                    share, breaker_kw = inverter_shares[i][phase], ac_breaker_kw(inverter)
                    if share > 0.0 and inverter.get("pass_through_a") is not None:
                        passing_kw.append(inverter["pass_through_a"] * inverter["ac_voltage_v"] / 1000.0)
                        passing_kw += [breaker_kw] * (breaker_kw is not None)
                    elif share > 0.0 and breaker_kw is not None:
                        own = output_kw[i][step] - input_kw[i][step]
                        problem.addCons(share * (headroom_up_kw[i][step] + own) <= breaker_kw)
                        problem.addCons(share * (headroom_down_kw[i][step] - own) <= breaker_kw)
                for limit in (at(phase_export_limit_kw, step), *passing_kw):
                    if limit is not None:
                        fits_export(problem, phase_up, limit, net, into, firm)
                for limit in (at(phase_import_limit_kw, step), *passing_kw):
                    if limit is not None:
                        problem.addCons(phase_down <= limit - net)

        # Energy, as said at the top of this file.
        floors = sum(floors_kwh(bank, steps, hours) for bank in banks)
        leaks = [1.0 - bank.get("self_discharge_per_day", 0.0) for bank in banks]
        owed_kwh = [
            np.minimum(floor, np.array([banks[b]["start_kwh"], *floor[:-1]]))
            for b, floor in enumerate(floors_kwh(bank, steps, hours) for bank in banks)
        ]
        full_kwh = sum(bank["capacity_kwh"] for bank in banks)
        for step in every_step:
            charging_kw = quicksum(kw[step] for kw in charge_kw)
            discharging_kw = quicksum(kw[step] for kw in discharge_kw)
            for moment in sorted(set(sustain_hours["up"].values())):
                spared_kwh = moment * charging_kw / max(best["discharge"])
                beside_kwh = min(moment, hours) * quicksum(kw[step] for kw in draining_kw)
                need_kwh = moved_kwh("up", step, moment) - spared_kwh + beside_kwh
                left = [leak ** (min(moment, hours) / 24.0) for leak in leaks]
                over_kwh = quicksum(
                    left[b] * (stored_kwh[b][step] - owed_kwh[b][step]) for b in range(len(banks))
                )
                problem.addCons(need_kwh <= over_kwh)
            for moment in sorted(set(sustain_hours["down"].values())):
                # What stops is bus power; at the meter it is less, and so the call is used up more slowly.
                through = min(inv["output_efficiency"] * inv["input_efficiency"] for inv in inverters)
                spared_kwh = moment * discharging_kw * through * min(worst["charge"])
                beside_kwh = min(moment, hours) * quicksum(kw[step] for kw in filling_kw)
                need_kwh = moved_kwh("down", step, moment) - spared_kwh + beside_kwh
                left = [leak ** (min(moment, hours) / 24.0) for leak in leaks]
                held_kwh = quicksum(left[b] * stored_kwh[b][step] for b in range(len(banks)))
                problem.addCons(need_kwh <= full_kwh - held_kwh)
            held_kwh = quicksum(stored[step + 1] for stored in stored_kwh)
            for lag in range(step + 1):
                problem.addCons(moved_kwh("up", step - lag, still_lasting=lag) <= held_kwh - floors[step])
                problem.addCons(moved_kwh("down", step - lag, still_lasting=lag) <= full_kwh - held_kwh)

    # --- Money, income positive ----------------------------------------
    lines = {
        "energy_in": quicksum(
            -at(site["import_price"], s) * metered_import_kw[s] * hours for s in every_step
        ),
        "energy_out": quicksum(
            at(site["export_price"], s) * metered_export_kw[s] * hours for s in every_step
        ),
    }
    if site.get("demand_rate_per_kw"):
        slot = int(site.get("demand_slot_steps", 1))
        periods = months(site)
        counts = within_hours(site.get("demand_hours"), steps, hours)
        peak_kw = {period: problem.addVar(lb=0.0) for period in sorted(set(periods))}
        for first in range(0, steps, slot):
            members = range(first, min(first + slot, steps))
            if counts[first]:
                average = quicksum(metered_import_kw[step] for step in members) / len(members)
                problem.addCons(peak_kw[periods[first]] >= average)
        lines["demand"] = -site["demand_rate_per_kw"] * quicksum(peak_kw.values())
    lines |= charge_lines(problem, site, metered_import_kw, metered_export_kw)
    if site.get("wear_per_kwh") and banks:
        lines["wear"] = quicksum(
            -site["wear_per_kwh"]
            * hours
            * (kw[s] + bank["capacity_kwh"] / whole_kwh * called_out_kw[s])
            / bank.get("converter_efficiency", 1.0)
            for bank, kw in zip(banks, discharge_kw, strict=True)
            for s in every_step
        )
    if services:
        lines["services"] = quicksum(
            at(service["price_per_kw_h"], s)
            * service.get("share", 1.0)
            * service.get("accepted", 1.0)
            * hours
            * offered_kw[k][s]
            for k, service in enumerate(services)
            for s in every_step
        )

    if not relaxed:
        problem.setObjective(quicksum(lines.values()), "maximize")
    problem.optimize()
    if problem.getStatus() != "optimal":
        raise ValueError(f"SCIP ended with the status {problem.getStatus()}.")

    def numbers(expressions):
        return np.array([problem.getVal(expression) for expression in expressions])

    amounts = {name: problem.getVal(line) for name, line in lines.items()}
    return {
        "money": sum(amounts.values()),
        "cash": sum(amount for name, amount in amounts.items() if name != "wear"),
        "lines": amounts,
        "import_kw": numbers(metered_import_kw),
        "export_kw": numbers(metered_export_kw),
        "net_kw": {phase: numbers(net_kw[phase]) for phase in phases},
        "output_kw": [numbers(kw) for kw in output_kw],
        "input_kw": [numbers(kw) for kw in input_kw],
        "dc_solar_kw": [numbers(kw) for kw in dc_solar_kw],
        "ac_solar_kw": [numbers(kw) for kw in ac_solar_kw],
        "charge_kw": [numbers(kw) for kw in charge_kw],
        "discharge_kw": [numbers(kw) for kw in discharge_kw],
        "stored_kwh": [numbers(kwh) for kwh in stored_kwh],
        "offered_kw": [numbers(kw) for kw in offered_kw],
        "crossing_kw": numbers(crossing_kw),
        "called_out_kw": numbers(called_out_kw),
    }


# ------------------------------------------------------------
# What is there before the system


def limits_obeyed(site):
    """Limits that solar adds to: how the import of each phase counts, and the most that may flow out."""
    phases = site["phases"]
    made = [(dict.fromkeys(phases, 1.0), site["export_limit_kw"])]
    if len(phases) == 3 and site.get("phase_export_limit_kw") is not None:
        made += [({p: 1.0}, site["phase_export_limit_kw"]) for p in phases]
    if len(phases) == 3 and site.get("imbalance_limit_kw") is not None:
        made += [({p: 1.0, q: -1.0}, site["imbalance_limit_kw"]) for p in phases for q in phases if p != q]
    return made


def given_alone_kw(site, roof, load_kw, input_beside=False):
    """What a roof gives beside a load and nothing else, as far as every limit allows; the only one of its site.

    `input_beside` leaves room, on a phase against another, for what inverters on the other may take in.
    """
    assert sum(other.get("existing", False) for other in site["ac_solar"]) == 1
    share, given_kw = shares(roof, site["phases"]), []
    for step in range(site["steps"]):
        given = float(roof["available_kw"][step])
        for weights, limit in limits_obeyed(site):
            seen = sum(weight * share[p] for p, weight in weights.items())
            spare = at(limit, step) + sum(weight * at(load_kw[p], step) for p, weight in weights.items())
            if input_beside:
                for inverter in site.get("inverters", []):
                    part = shares(inverter, site["phases"])
                    spare -= sum(
                        part[p] * inverter["input_kw"] for p, weight in weights.items() if weight < 0
                    )
            if seen > 0.0:
                given = min(given, max(spare, 0.0) / seen)
        given_kw.append(given)
    return np.array(given_kw)


def flexible_before(site, load):
    """What a load took before, and what is stored behind it at the end: on arrival, or by its thermostat."""
    steps, hours = site["steps"], site["step_hours"]
    taken_kw = np.zeros(steps)
    if "sessions" in load:
        efficiency = load.get("before", load)["efficiency"]
        most_kw = load["power_kw"] * load["efficiency"] / efficiency
        for first, stop, kwh in load["sessions"]:
            for step in range(first, stop):
                taken_kw[step] = min(most_kw, kwh / hours / efficiency)
                kwh -= taken_kw[step] * hours * efficiency
        return taken_kw, 0.0
    stored, heating = load["start_kwh"], False
    for step in range(steps):
        left = stored - hours * (load["draw_kw"][step] + load["loss_kw"])
        heating = heating or left < 0.0
        gain = hours * load["performance"][step]
        if heating:
            taken_kw[step] = min(load["power_kw"], (load["capacity_kwh"] - left) / gain)
            heating = taken_kw[step] == load["power_kw"]
        stored = left + gain * taken_kw[step]
    return taken_kw, stored


def money_before(site):
    """Energy bought and sold without the system, income positive: load, what fed DC loads, solar that is there."""
    phases, steps, hours = site["phases"], site["steps"], site["step_hours"]
    load_kw = {p: np.array([at(site["load_kw"][p], s) for s in range(steps)], float) for p in phases}
    for load in site.get("dc_loads", []):
        if before := load.get("before"):
            drawn = np.array([at(load["power_kw"], s) for s in range(steps)]) / before["efficiency"]
            part = shares(before, phases)
            load_kw = {p: load_kw[p] + part[p] * drawn for p in phases}
    for load in site.get("flexible", []):
        taken_kw, _ = flexible_before(site, load)
        load_kw = {p: load_kw[p] + shares(load.get("before", load), phases)[p] * taken_kw for p in phases}
    net_kw = dict(load_kw)
    for roof in site.get("ac_solar", []):
        if roof.get("existing"):
            given, part = given_alone_kw(site, roof, load_kw), shares(roof, phases)
            net_kw = {p: net_kw[p] - part[p] * given for p in phases}
    registers = list(net_kw.values()) if site["registers"] == "per_phase" else [sum(net_kw.values())]
    bought = sum(np.maximum(net, 0.0) for net in registers)
    sold = sum(np.maximum(-net, 0.0) for net in registers)
    return hours * float(
        np.sum(-np.asarray(site["import_price"]) * bought + np.asarray(site["export_price"]) * sold)
    )


# ------------------------------------------------------------
# Charges of a tariff, each with as many binaries as say it plainly


def charge_lines(problem, site, import_kw, export_kw):
    """Money of each of `charges`, income positive, by its number and kind; whole periods, no pro-rating."""
    hours, made = site["step_hours"], {}
    month, day = months(site), [int(step * hours / 24.0 + 1e-9) for step in range(site["steps"])]
    in_period = {m: [s for s, mine in enumerate(month) if mine == m] for m in sorted(set(month))}
    in_day = {d: [s for s, mine in enumerate(day) if mine == d] for d in sorted(set(day))}
    paid = {m: [at(site["import_price"], s) * import_kw[s] * hours for s in in_period[m]] for m in in_period}
    for number, charge in enumerate(site.get("charges", [])):
        what, costs = charge["what"], {m: [] for m in in_period}
        counts = within_hours(charge.get("hours"), site["steps"], hours)
        power_kw = export_kw if what in ("tiers", "export_level") else import_kw
        groups = in_day if what == "tiers" else in_period
        for members in groups.values():
            period = month[members[0]]
            energy = quicksum(power_kw[s] * hours for s in members if counts[s])
            cost = None
            if what in ("blocks", "tiers"):
                cost = filled_in_order(problem, energy, charge["ends_kwh"], charge["rates"])
                cost = -cost if what == "tiers" else cost
            elif what == "volume":
                cost = picked_by_sum(problem, energy, charge["ends_kwh"], charge["rates"])
            elif what == "export_level":
                above = problem.addVar(lb=0.0)
                problem.addCons(above >= energy - charge["free_kwh"])
                cost = charge["rate"] * above
            elif what == "subscribed":
                cost = charge["rate"] * charge["kw"]
                cost += charge["excess_rate"] * beyond(problem, charge, import_kw, members, counts, hours)
            elif what == "least":
                top_up = problem.addVar(lb=0.0)
                problem.addCons(top_up >= charge["least"] - quicksum(paid[period]))
                cost = top_up
            elif what != "ratchet":
                cost = days_held(site, charge, members) * of_power(problem, charge, import_kw, members, day)
            if what != "ratchet":
                costs[period].append(cost)
                if what != "tiers" and what != "export_level":
                    paid[period].append(cost)
        if what == "ratchet":
            known = list(charge["past_kw"])
            for period, members in in_period.items():
                peak, billed = problem.addVar(lb=0.0), problem.addVar(lb=charge["at_least_kw"])
                for s in members:
                    problem.addCons(peak >= import_kw[s])
                problem.addCons(billed >= peak)
                for earlier in known[-11:]:
                    problem.addCons(billed >= charge["fraction"] * earlier)
                known.append(peak)
                costs[period].append(days_held(site, charge, members) * charge["rate"] * billed)
        made[f"charge {number}, {what}"] = -quicksum(cost for every in costs.values() for cost in every)
    return made


def days_held(site, charge, members):
    """Part of a period's days on which a charge holds."""
    if "valid" not in charge:
        return 1.0
    since, until = charge["valid"]
    days = [int(step * site["step_hours"] / 24.0 + 1e-9) for step in members]
    dates = [site["first_day"] + datetime.timedelta(days=day) for day in days]
    return sum(since <= date < until for date in dates) / len(dates)


def beyond(problem, charge, import_kw, members, counts, hours):
    """Energy of a period that its slots import beyond a subscribed power, each by the hours of it that count."""
    slot, parts = int(charge.get("slot_steps", 1)), []
    for first in range(0, len(members), slot):
        mine = [s for s in members[first : first + slot] if counts[s]]
        part = problem.addVar(lb=0.0)
        problem.addCons(part >= quicksum((import_kw[s] - charge["kw"]) * hours for s in mine))
        parts.append(part)
    return quicksum(parts)


def filled_in_order(problem, energy, ends_kwh, rates):
    """Cost of energy in blocks: a block is used only once a binary says that the one before is full."""
    most, parts, earlier = 1e4, [], None
    starts = [0.0, *ends_kwh]
    for number, start in enumerate(starts):
        width = ends_kwh[number] - start if number < len(ends_kwh) else most
        part = problem.addVar(lb=0.0, ub=width)
        if earlier is not None:
            full = problem.addVar(vtype="B")
            problem.addCons(earlier[0] >= earlier[1] * full)
            problem.addCons(part <= width * full)
        parts.append(part)
        earlier = (part, width)
    problem.addCons(quicksum(parts) == energy)
    return quicksum(rate * part for rate, part in zip(rates, parts, strict=True))


def picked_by_sum(problem, energy, ends_kwh, rates):
    """Cost of energy all at one rate: a binary a band, and the energy in the band that is on."""
    starts, ends = [0.0, *ends_kwh], [*ends_kwh, 1e4]
    parts, chosen = [], []
    for start, end in zip(starts, ends, strict=True):
        part, on = problem.addVar(lb=0.0), problem.addVar(vtype="B")
        problem.addCons(part >= start * on)
        problem.addCons(part <= end * on)
        parts.append(part)
        chosen.append(on)
    problem.addCons(quicksum(chosen) == 1)
    problem.addCons(quicksum(parts) == energy)
    return quicksum(rate * part for rate, part in zip(rates, parts, strict=True))


def of_power(problem, charge, import_kw, members, day):
    """Cost of a period's power: the highest averages, a stepped fee, or apparent power as a cone."""
    slot = int(charge.get("slot_steps", 1))
    slots = [members[k : k + slot] for k in range(0, len(members), slot)]
    averages = [quicksum(import_kw[s] for s in mine) / len(mine) for mine in slots]
    level = problem.addVar(lb=0.0)
    if charge["what"] == "apparent":
        for s in members:
            # P^2 + Q^2 <= S^2 with S >= 0, to SCIP as it stands.
            problem.addCons(import_kw[s] * import_kw[s] + float(charge["kvar"][s]) ** 2 <= level * level)
        return charge["rate"] * level
    if charge["what"] == "steps":
        for average in averages:
            problem.addCons(level >= average)
        short = 1e-3 if charge.get("next_at_end") else 0.0
        ends = [*(end - short for end in charge["ends_kw"]), 1e4]
        chosen = [problem.addVar(vtype="B") for _ in ends]
        problem.addCons(quicksum(chosen) == 1)
        problem.addCons(level <= quicksum(end * on for end, on in zip(ends, chosen, strict=True)))
        return quicksum(fee * on for fee, on in zip(charge["fees"], chosen, strict=True))
    # The mean of the highest is no less than the mean of any choice that is allowed: every choice is a row.
    count = charge["count"]
    for choice in combinations(range(len(slots)), count):
        if charge["days_apart"] and len({day[slots[k][0]] for k in choice}) < count:
            continue
        problem.addCons(level >= quicksum(averages[k] for k in choice) / count)
    return charge["rate"] * level


# ------------------------------------------------------------
# Random sites


def random_site(seed):
    """A small invented site with a mix of features, drawn until some schedule can serve it.

    Every figure is invented. Limits are generous, but the first draw is not trusted: a schedule is looked for
    before the site is handed out.
    """
    generator = np.random.default_rng(seed)
    for _ in range(50):
        site = draw_site(generator)
        try:
            solve_reference(site, relaxed=True)
        except ValueError:
            continue
        return site
    raise ValueError(f"No feasible site found for seed {seed}.")


def draw_site(generator):
    """One draw, feasible or not. Numbers are rounded so that a file can hold them exactly."""

    def between(low, high, size=None, digits=3):
        return np.round(generator.uniform(low, high, size), digits)

    def number(low, high, digits=3):
        return float(between(low, high, digits=digits))

    def chance(probability):
        return bool(generator.random() < probability)

    # A day, so that the horizon holds whole demand slots and blocks. Sites without services may have two,
    # which belong to two months, or half hours; with services that takes SCIP too long.
    phases = ["L1", "L2", "L3"] if chance(0.6) else ["L1"]
    with_services = chance(0.65)
    longer = [(1, 1.0), (2, 1.0), (1, 0.5)][int(generator.integers(3))]
    days, step_hours = (1, 1.0) if with_services else longer
    steps = round(days * 24 / step_hours)

    inverter_phases = ["all"] if len(phases) == 3 and chance(0.4) else phases
    share = 3.0 if inverter_phases == ["all"] else 1.0
    rating_kw = number(2.0, 6.0) * share
    inverters = []
    for phase in inverter_phases:
        inverters.append(
            {
                "phase": phase,
                "output_kw": rating_kw,
                "input_kw": round(rating_kw * (1.0 if chance(0.5) else 0.8), 3),
                "output_efficiency": 0.94,
                "input_efficiency": 0.95,
                "standby_w": number(0.0, 40.0, 1),
                "dc_current_limit_a": number(40.0, 120.0, 1) * share if chance(0.3) else None,
            }
        )
    if not with_services:  # with services one efficiency for all, so that the worst path is the only path
        for inverter in inverters:
            inverter["output_efficiency"] = number(0.90, 0.98)
            inverter["input_efficiency"] = number(0.90, 0.98)
            if len(inverter_phases) == len(phases) and chance(0.2):
                inverter |= {"pass_through_a": number(40.0, 63.0, 1), "ac_voltage_v": 230.0}

    banks = [draw_bank(generator, between, number, chance)]
    if not with_services and chance(0.35):
        second = draw_bank(generator, between, number, chance, measured=False)
        banks.append(second | {"converter_kw": number(1.0, 4.0), "converter_efficiency": number(0.94, 0.99)})

    load_kw = {phase: between(0.0, 3.0, steps) for phase in phases}
    controllers = []
    for _ in range(int(generator.integers(0, 3))):
        limit_a = number(30.0, 100.0, 1) if chance(0.5) else None
        available_kw = np.maximum(between(-2.0, 6.0, steps), 0.0)
        controllers.append(
            {"available_kw": available_kw, "efficiency": number(0.95, 0.99), "current_limit_a": limit_a}
        )
    ac_solar = []
    if chance(0.4):
        phase = str(generator.choice([*phases, "all"] if len(phases) == 3 else phases))
        ac_solar.append({"phase": phase, "available_kw": np.maximum(between(-2.0, 5.0, steps), 0.0)})

    # Prices: usually a spread, now and then negative, now and then export dearer than import.
    import_price = between(0.05, 0.50, steps, 4)
    export_price = np.round(import_price * generator.uniform(0.1, 0.95, steps), 4)
    if chance(0.5):
        import_price = np.where(generator.random(steps) < 0.3, between(-0.30, 0.0, steps, 4), import_price)
        export_price = np.where(import_price < 0.0, np.round(import_price - 0.02, 4), export_price)
    if chance(0.4):
        inverted = generator.random(steps) < 0.3
        export_price = np.where(inverted, np.round(import_price + between(0.01, 0.4, steps), 4), export_price)

    site = {
        "first_day": datetime.date(2025, 1, 31),
        "step_hours": step_hours,
        "steps": steps,
        "phases": phases,
        "load_kw": load_kw,
        "ac_solar": ac_solar,
        "registers": "per_phase" if len(phases) == 3 and chance(0.55) else "netted",
        "import_limit_kw": number(10.0, 25.0),
        "export_limit_kw": 100.0,
        "phase_import_limit_kw": None,
        "phase_export_limit_kw": None,
        "imbalance_limit_kw": None,
        "firm_load_fraction": float(generator.choice([0.0, 0.0, 0.3, 1.0])),
        "inverters": inverters,
        "controllers": controllers,
        "dc_loads": [{"power_kw": between(0.0, 0.2, steps)}] if chance(0.3) else [],
        "banks": banks,
        "import_price": import_price,
        "export_price": export_price,
        "wear_per_kwh": number(0.0, 0.06, 4) if chance(0.5) else 0.0,
        "services": draw_services(generator, steps, step_hours, chance) if with_services else [],
    }
    kind = generator.choice(["wide", "zero", "constant", "series"])
    if kind == "zero":
        site["export_limit_kw"] = 0.0
    elif kind == "constant":
        site["export_limit_kw"] = number(1.0, 8.0)
    elif kind == "series":
        site["export_limit_kw"] = between(0.0, 8.0, steps)
    if len(phases) == 3 and chance(0.4):
        site["phase_import_limit_kw"] = number(5.0, 9.0)
        site["phase_export_limit_kw"] = number(0.0, 5.0)
    if len(phases) == 3 and chance(0.3):
        site["imbalance_limit_kw"] = number(3.0, 5.0)
    if chance(0.4) or days == 2:
        site["demand_rate_per_kw"] = number(0.1, 3.0)
        site["demand_slot_steps"] = int(generator.choice([1, 2]))
        site["demand_hours"] = (16, 22) if chance(0.5) else None
    return site


def random_site_with_a_past(seed):
    """A random site with a roof that is there already, at an export limit it may reach, and DC loads fed before."""
    site, generator = random_site(seed), np.random.default_rng(seed + 5000)
    steps, phases = site["steps"], site["phases"]
    sun = np.maximum(np.round(generator.uniform(-2.0, 7.0, steps), 3), 0.0)
    phase = str(generator.choice([*phases, "all"]))
    site["ac_solar"] = [*site["ac_solar"][:1], {"phase": phase, "available_kw": sun, "existing": True}]
    site["export_limit_kw"] = [0.0, 2.0, np.round(generator.uniform(0.0, 5.0, steps), 3)][seed % 3]
    site["dc_loads"] = []
    for number in range(seed % 4):
        load = {"power_kw": np.round(generator.uniform(0.0, 0.3, steps), 3)}
        if number != 1:
            efficiency = round(float(generator.uniform(0.85, 0.97)), 3)
            load["before"] = {"efficiency": efficiency, "phase": str(generator.choice([*phases, "all"]))}
        site["dc_loads"].append(load)
    return site


def random_site_with_flexible_loads(seed):
    """A random site with a vehicle that is there twice and hot water, each on a phase or all."""
    site, generator = random_site(seed), np.random.default_rng(seed + 9000)
    steps, phases = site["steps"], site["phases"]

    def number(low, high):
        return round(float(generator.uniform(low, high)), 3)

    cuts = sorted(int(cut) for cut in generator.choice(steps + 1, 4, replace=False))
    vehicle = {"phase": str(generator.choice([*phases, "all"])), "power_kw": number(1.0, 3.0)}
    vehicle["efficiency"] = number(0.85, 1.0)
    rate = vehicle["power_kw"] * vehicle["efficiency"] * site["step_hours"]
    vehicle["sessions"] = [
        (first, stop, round((stop - first) * rate * number(0.2, 1.0) * 0.999, 3))
        for first, stop in (cuts[:2], cuts[2:])
    ]
    water = {"phase": str(generator.choice(phases)), "power_kw": number(1.0, 2.0)}
    water |= {
        "performance": np.round(generator.uniform(1.0, 3.0, steps), 3),
        "capacity_kwh": number(2.0, 6.0),
    }
    water |= {"loss_kw": number(0.0, 0.1), "draw_kw": np.round(generator.uniform(0.0, 0.8, steps), 3)}
    water["start_kwh"] = round(number(0.2, 0.9) * water["capacity_kwh"], 3)
    return site | {"flexible": [vehicle, water], "firm_load_fraction": 0.0, "import_limit_kw": 30.0}


def random_site_with_dc_loads(seed):
    """A random site whose bus has loads with peaks, some of which give energy back, beside a capacitor bank."""
    site, generator = random_site(seed), np.random.default_rng(seed + 9000)
    steps = site["steps"]
    direct = next(bank for bank in site["banks"] if "converter_kw" not in bank)
    for key in ("measured_points", "voltage_v"):
        direct.pop(key, None)
    direct |= {"kind": "capacitor_bank", "lowest_voltage_v": 42.0, "highest_voltage_v": 57.0}
    direct |= {"charge_efficiency": 0.97, "discharge_efficiency": 0.96}
    site["dc_loads"] = [{"power_kw": np.round(generator.uniform(0.0, 0.3, steps), 3)}]
    for number in range(1 + seed % 2):
        load = {"power_kw": round(float(generator.uniform(0.0, 0.1)), 3)}
        load |= {"peak_a": round(float(generator.uniform(40.0, 160.0)), 1), "cable_ohm": 0.004 * number}
        load |= {"peak_seconds": round(float(generator.uniform(1.0, 60.0)), 1), "least_v": 43.0 + seed % 7}
        if generator.random() < 0.7:
            load["back_kw"] = np.maximum(np.round(generator.uniform(-3.0, 2.0, steps), 3), 0.0)
        site["dc_loads"].append(load)
    cuts = sorted(int(cut) for cut in generator.choice(steps + 1, 4, replace=False))
    truck = {"phase": "bus", "power_kw": 1.2, "efficiency": 0.95}
    truck["before"] = {"efficiency": 0.85, "phase": str(generator.choice([*site["phases"], "all"]))}
    rate = truck["power_kw"] * truck["efficiency"] * site["step_hours"]
    truck["sessions"] = [
        (first, stop, round((stop - first) * rate * float(generator.uniform(0.2, 0.7)), 3))
        for first, stop in (cuts[:2], cuts[2:])
    ]
    site |= {"flexible": [truck], "firm_load_fraction": 0.0, "import_limit_kw": 30.0}
    direct["peaks_kwh"] = peaks_kwh(site, direct)
    asked = float(direct["peaks_kwh"].max())
    direct["start_kwh"] = round(max(direct["start_kwh"], min(asked * 1.05, direct["capacity_kwh"])), 3)
    if direct["end_kwh"] is not None:
        direct["end_kwh"] = max(direct["end_kwh"], 0.0)
    return site


def draw_bank(generator, between, number, chance, measured=True):
    """A battery or a capacitor bank that starts somewhere between its floor and full."""
    capacity_kwh = number(2.0, 12.0)
    floor_kwh = round(capacity_kwh * float(generator.choice([0.0, 0.1, 0.3])), 3)
    bank = {
        "capacity_kwh": capacity_kwh,
        "charge_kw": number(2.0, 10.0),
        "discharge_kw": number(2.0, 10.0),
        "charge_efficiency": number(0.92, 0.99),
        "discharge_efficiency": number(0.92, 0.99),
        "self_discharge_per_day": float(generator.choice([0.0, 0.001, 0.03])),
        "standby_w": number(0.0, 20.0, 1),
        "floor_kwh": floor_kwh,
        "reserve_hours": (17, 23) if chance(0.2) else None,
        "start_kwh": number(floor_kwh, capacity_kwh),
        "end_kwh": floor_kwh if chance(0.3) else None,
        "current_limit_a": None,
    }
    if measured and chance(0.25):
        del bank["charge_efficiency"], bank["discharge_efficiency"]
        bank["measured_points"] = [(number(0.5, 3.0), number(0.94, 0.99)), (10.0, number(0.85, 0.93))]
    if chance(0.5):
        low_v = float(generator.choice([24.0, 42.0, 44.0]))
        bank |= {"kind": "capacitor_bank", "lowest_voltage_v": low_v, "highest_voltage_v": 54.0}
        bank["current_limit_a"] = number(50.0, 160.0, 1)
    else:
        bank |= {"kind": "battery", "voltage_v": 51.2}
        bank["current_limit_a"] = number(50.0, 160.0, 1) if chance(0.3) else None
    return bank


def draw_services(generator, steps, step_hours, chance):
    """Two to four products: up and down, some sharing a group, some standing alone."""
    services = []
    for direction in ("up", "down"):
        group = f"{direction} contingency" if chance(0.5) else None
        for _ in range(int(generator.integers(1, 3))):
            block_hours = [None, 2.0, 4.0, 24.0][int(generator.integers(4))]
            prices = np.round(generator.uniform(0.0, 0.08, steps), 5)
            unit = str(generator.choice(["per_mw_hour", "per_mw_block", "per_mw_year"]))
            services.append(
                {
                    "direction": direction,
                    "group": group,
                    "sustain_hours": float(generator.choice([60 / 3600, 1 / 6, 0.5, 1.0, 1.5, 2.5])),
                    "price_per_kw_h": prices,
                    "share": round(float(generator.choice([1.0, 0.8])), 3),
                    "block_hours": block_hours,
                    "derating": float(generator.choice([1.0, 1.0, 0.9])),
                    "maximum_kw": 2.0 if chance(0.2) else None,
                    "opposite_share": 0.25 if group is None and chance(0.3) else 0.0,
                    "price_unit": "per_mw_hour" if block_hours is None else unit,
                }
            )
    return services


# ------------------------------------------------------------
# The same site as a scenario folder

# Spot prices are written so that these bring the prices of the site back. The figures are invented.
TRANSMISSION_LOSS_FACTOR, DISTRIBUTION_LOSS_FACTOR, FEE_PER_KWH = 0.98, 1.05, 0.02


def as_scenario(site, folder):
    """Write a site as scenario.toml and series.csv, every number to its last digit.

    Parameters
    ----------
    site : dict
        As described at the top of this file; whole days of steps that divide an hour.
    folder : Path
        An existing folder.

    Returns
    -------
    Path
        The folder.
    """
    steps, hours, phases = site["steps"], site["step_hours"], site["phases"]
    minutes = round(hours * 60)
    series = {}

    def column(name, values):
        """A constant as it is; an array as a column of the data file."""
        if np.ndim(values) == 0:
            return float(values)
        series[name] = np.asarray(values, dtype=float)
        return f"series.{name}"

    def spot(price, fee):
        return (np.asarray(price) - fee) * 1000 / TRANSMISSION_LOSS_FACTOR / DISTRIBUTION_LOSS_FACTOR

    def limit(name, key):
        return {} if site.get(key) is None else {name: column(name, site[key])}

    inverters = site.get("inverters", [])
    connection = {
        "import_limit_kw": column("import_limit_kw", site.get("import_limit_kw", 1000.0)),
        "export_limit_kw": column("export_limit_kw", site.get("export_limit_kw", 1000.0)),
        **limit("import_limit_kw_per_phase", "phase_import_limit_kw"),
        **limit("export_limit_kw_per_phase", "phase_export_limit_kw"),
        **limit("imbalance_limit_kw", "imbalance_limit_kw"),
        "phase_voltage_v": next((i["ac_voltage_v"] for i in inverters if "ac_voltage_v" in i), 230.0),
    }
    tables = {
        "timeline": {
            "start": site.get("first_day", datetime.date(2025, 1, 1)),
            "days": round(steps * hours / 24),
            "step_minutes": minutes,
            "zone": "UTC",
        },
        "source.series": {"file": "series.csv", "stamps": "start", "step_minutes": minutes},
        "site": {
            "phases": len(phases),
            "registers": site.get("registers", "netted"),
            "dc_voltage_v": site.get("bus_voltage_v"),
            "firm_load_fraction": site.get("firm_load_fraction", 0.0),
        },
        "site.connection": connection,
        "tariff": {"name": "made up", "zone": "UTC"},
        "solve": {"gap_tolerance": 1e-9, "tie_break_per_kwh": 0.0},
    }
    lists = {
        "site.load": [
            {"phase": phase, "power_kw": column(f"load_{phase}_kw", site["load_kw"][phase])}
            for phase in phases
        ],
        "site.ac_solar": [
            {
                "name": f"roof {r}",
                "phase": roof["phase"],
                "available_kw": column(f"roof_{r}_kw", roof["available_kw"]),
                "existing": roof.get("existing", False),
            }
            for r, roof in enumerate(site.get("ac_solar", []))
        ],
        "site.flexible_load": [
            _flexible_table(load, f"waiting {f}", column, site)
            for f, load in enumerate(site.get("flexible", []))
        ],
        "site.inverter": [
            {
                "name": f"inverter {i}",
                "phase": inverter["phase"],
                "pass_through_limit_a": inverter.get("pass_through_a"),
                **{
                    key: value
                    for key, value in inverter.items()
                    if key not in ("pass_through_a", "ac_voltage_v", "ac_breaker_share")
                },
                "ac_breaker_continuous_share": inverter.get("ac_breaker_share"),
            }
            for i, inverter in enumerate(inverters)
        ],
        "site.solar_controller": [
            controller
            | {"name": f"controller {c}", "available_kw": column(f"array_{c}_kw", controller["available_kw"])}
            for c, controller in enumerate(site.get("controllers", []))
        ],
        "site.dc_load": [
            _dc_load_table(load, f"load {n}", column) for n, load in enumerate(site.get("dc_loads", []))
        ],
        "storage": [
            _bank_table(bank, f"bank {b}", site.get("wear_per_kwh", 0.0))
            for b, bank in enumerate(site.get("banks", []))
        ],
        "tariff.component": _components(site, column, spot, minutes),
        "service": [
            _service_table(service, f"service {k}", column, minutes)
            for k, service in enumerate(site.get("services", []))
        ],
    }
    text = 'title = "made up"\ninvented = true\ncurrency = "EUR"\n'
    text += "".join(f"\n[{name}]\n{_toml_lines(table)}" for name, table in tables.items())
    text += "".join(
        f"\n[[{name}]]\n{_toml_lines(table)}" for name, entries in lists.items() for table in entries
    )
    (folder / "scenario.toml").write_text(text, encoding="utf-8")
    start = datetime.datetime.combine(tables["timeline"]["start"], datetime.time(), datetime.UTC)
    rows = ["interval_start," + ",".join(series)]
    for step in range(steps):
        stamp = (start + datetime.timedelta(minutes=minutes * step)).isoformat()
        rows.append(",".join([stamp, *(repr(float(values[step])) for values in series.values())]))
    (folder / "series.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


def _dc_load_table(load, name, column):
    """A load on the DC bus under the names of the scenario file."""
    table = {"name": name, "power_kw": column(name.replace(" ", "_dc_"), load["power_kw"]), "before": "new"}
    if "back_kw" in load:
        table["regenerated_kw"] = column(f"{name.replace(' ', '_dc_')}_back", load["back_kw"])
    if load.get("peak_a"):
        table |= {key: load[key] for key in ("peak_a", "peak_seconds", "cable_ohm")}
        table["least_terminal_v"] = load["least_v"]
    if before := load.get("before"):
        fed_by = "charger" if name.endswith("2") else "rectifier"
        table |= {
            "before": fed_by,
            "before_efficiency": before["efficiency"],
            "before_phase": before["phase"],
        }
    return table


def _flexible_table(load, name, column, site):
    """A load that waits under the names of the scenario file."""
    made = {"name": name, "phase": load["phase"], "power_kw": load["power_kw"]}
    if "sessions" in load:
        first_day = site.get("first_day", datetime.date(2025, 1, 1))
        midnight = datetime.datetime.combine(first_day, datetime.time(), datetime.UTC)
        stamps = [
            {
                "arrival": midnight + datetime.timedelta(hours=first * site["step_hours"]),
                "departure": midnight + datetime.timedelta(hours=stop * site["step_hours"]),
                "energy_kwh": kwh,
            }
            for first, stop, kwh in load["sessions"]
        ]
        more = {"kind": "sessions", "efficiency": load["efficiency"], "before": "on arrival"}
        if before := load.get("before"):
            more |= {"before_phase": before["phase"], "before_efficiency": before["efficiency"]}
        return made | more | {"session": stamps}
    return made | {
        "kind": "heat",
        "capacity_kwh": load["capacity_kwh"],
        "performance": column(f"{name} performance", load["performance"]),
        "draw_kw": column(f"{name} draw_kw", load["draw_kw"]),
        "standing_loss_kwh_per_day": 24 * load["loss_kw"],
        "start_fraction": load["start_kwh"] / load["capacity_kwh"],
        "before": "thermostat",
    }


def _bank_table(bank, name, wear_per_kwh):
    """A bank under the names of the scenario file."""
    same = ("kind", "charge_kw", "discharge_kw", "charge_efficiency", "discharge_efficiency", "standby_w")
    same += ("self_discharge_per_day", "voltage_v", "lowest_voltage_v", "highest_voltage_v")
    table = {"name": name, "wear_per_kwh": wear_per_kwh} | {key: bank[key] for key in same if key in bank}
    capacity_kwh = bank["capacity_kwh"]
    table["unit_kwh" if bank["kind"] == "battery" else "unit_usable_kwh"] = capacity_kwh
    table["charge_current_a"] = table["discharge_current_a"] = bank.get("current_limit_a")
    table["start_fraction"] = bank["start_kwh"] / capacity_kwh
    if bank.get("end_kwh") is not None:
        table["end_fraction"] = bank["end_kwh"] / capacity_kwh
    reserve = {"fraction": bank.get("floor_kwh", 0.0) / capacity_kwh}
    table["reserve"] = [reserve | _window(bank.get("reserve_hours"))]
    if bank.get("measured_points"):
        table["measured_points"] = [
            {"power_kw": kw, "round_trip_efficiency": share} for kw, share in bank["measured_points"]
        ]
    if bank.get("resistance_ohm"):
        table["resistance_ohm"] = bank["resistance_ohm"]
    if bank.get("warranted_kwh_per_year") is not None:
        # Neither life is near, so that wear stays what the site says.
        life = {"cycle_life": 1e6, "calendar_life_years": 100.0, "keep_warranty": True}
        table["life"] = life | {"warranted_kwh_per_year": bank["warranted_kwh_per_year"]}
    if bank.get("converter_kw") is not None:
        table["converter"] = {"rating_kw": bank["converter_kw"], "efficiency": bank["converter_efficiency"]}
    return table


def _service_table(service, name, column, minutes):
    """A service under the names of the scenario file, its price per MW in the unit it asks for."""
    unit = service.get("price_unit", "per_mw_hour")
    block_hours = service.get("block_hours") or minutes / 60
    factor = {"per_mw_hour": 1.0, "per_mw_block": block_hours, "per_mw_year": 8760.0}[unit]
    return {
        "name": name,
        "direction": service["direction"],
        "response_group": service.get("group") or "",
        "sustain_hours": service["sustain_hours"],
        "price": column(name.replace(" ", "_"), np.asarray(service["price_per_kw_h"]) * 1000 * factor),
        "price_unit": unit,
        "block_minutes": round(block_hours * 60),
        "site_share": service.get("share", 1.0),
        "utilisation_net": service.get("net", 0.0),
        "utilisation_gross": service.get("gross", 0.0),
        "acceptance_share": service.get("accepted", 1.0),
        "crossing_share": service.get("crosses", 1.0),
        "delivered_energy": "none" if service.get("settled_outside") else "meter",
        "most_kw": service.get("maximum_kw"),
        "derating": service.get("derating", 1.0),
        "opposite_headroom_share": service.get("opposite_share", 0.0),
        "from_solar": service.get("from_solar", False),
    }


def _components(site, column, spot, minutes):
    """Energy both ways at spot with loss factors and a fee, and the demand charge."""
    factors = {
        "transmission_loss_factor": TRANSMISSION_LOSS_FACTOR,
        "distribution_loss_factor": DISTRIBUTION_LOSS_FACTOR,
        "fee_per_kwh": FEE_PER_KWH,
    }
    spot_in = column("spot_in_per_mwh", spot(site["import_price"], FEE_PER_KWH))
    spot_out = column("spot_out_per_mwh", spot(site["export_price"], -FEE_PER_KWH))
    made = [
        {"kind": "spot_charge", "price_per_mwh": spot_in, **factors},
        {"kind": "spot_feed_in", "price_per_mwh": spot_out, **factors},
    ]
    if site.get("demand_rate_per_kw"):
        made.append(
            {
                "kind": "demand_charge",
                "rate_per_kw": site["demand_rate_per_kw"],
                "interval_minutes": minutes * int(site.get("demand_slot_steps", 1)),
                **_window(site.get("demand_hours")),
            }
        )
    for number, charge in enumerate(site.get("charges", [])):
        made.append(_charge_table(charge, f"charge {number}", column, minutes))
    return made


def _charge_table(charge, name, column, minutes):
    """One of `charges` under the names of the scenario file."""
    what, interval = charge["what"], minutes * int(charge.get("slot_steps", 1))
    if what in ("blocks", "volume", "tiers"):
        ends = [{"up_to_kwh": float(end)} for end in charge["ends_kwh"]] + [{}]
        blocks = [end | {"rate_per_kwh": float(r)} for end, r in zip(ends, charge["rates"], strict=True)]
        kind = {"blocks": "block_charge", "volume": "volume_charge", "tiers": "tiered_feed_in"}[what]
        return {"kind": kind, "name": name, "blocks": blocks, **_window(charge.get("hours"))}
    if what == "export_level":
        free = {"rate_per_kwh": charge["rate"], "free_kwh": charge["free_kwh"]}
        return {"kind": "export_charge", "name": name, **free, **_window(charge.get("hours"))}
    if what == "subscribed":
        rates = {"rate_per_kw": charge["rate"], "excess_rate_per_kwh": charge["excess_rate"]}
        own = {"subscribed_kw": charge["kw"], "interval_minutes": interval, **_window(charge.get("hours"))}
        return {"kind": "subscribed_capacity", "name": name, **rates, **own}
    if what == "least":
        return {"kind": "minimum_charge", "name": name, "at_least_per_period": charge["least"]}
    demand = {"name": name, "interval_minutes": interval}
    if "valid" in charge:
        demand |= dict(zip(("valid_from", "valid_until"), charge["valid"], strict=True))
    if what == "apparent":
        kvar = column(f"{name.replace(' ', '_')}_kvar", charge["kvar"])
        return demand | {
            "kind": "apparent_demand_charge",
            "rate_per_kva": charge["rate"],
            "reactive_kvar": kvar,
        }
    if what == "steps":
        ends = [{"up_to_kw": float(end)} for end in charge["ends_kw"]] + [{}]
        steps = [end | {"fee": float(fee)} for end, fee in zip(ends, charge["fees"], strict=True)]
        included = not charge.get("next_at_end", False)
        return demand | {"kind": "capacity_fee", "steps": steps, "top_included": included}
    demand |= {"kind": "demand_charge", "rate_per_kw": charge["rate"]}
    if what == "highest":
        return demand | {"highest": charge["count"], "distinct_days": charge["days_apart"]}
    ratchet = {"fraction": charge["fraction"], "past_peaks": [float(peak) for peak in charge["past_kw"]]}
    return demand | {"at_least_kw": charge["at_least_kw"], "ratchet": ratchet}


def _window(hours):
    """A daily window of whole clock hours."""
    return {} if hours is None else {"when": {"from": f"{hours[0]:02d}:00", "to": f"{hours[1]:02d}:00"}}


def _toml_lines(table):
    """A table's keys, those without a value left out."""
    return "".join(f"{key} = {_toml(value)}\n" for key, value in table.items() if value is not None)


def _toml(value):
    """A value as TOML writes it; numbers to their last digit."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(inner) for inner in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, (int, np.integer)):
        return str(int(value))
    return repr(float(value))
