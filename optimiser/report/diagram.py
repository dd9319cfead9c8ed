"""What is connected to what, as a one-line diagram: grid, meter, AC busbar, inverters, DC bus and all that is on them.

Notes
-----
Symbols follow IEC 60617, Graphical symbols for diagrams, from memory: a converter as a square halved from corner to
corner, a battery's long and short plates, a capacitor's equal ones, a breaker's cross, an arrow for a load. One line
stands for all conductors; protection, earthing and isolators are left to local code and licensed people.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from markupsafe import Markup, escape

from optimiser.equipment.inverter import Inverter
from optimiser.equipment.site import Site
from optimiser.equipment.solar import AcSolar, SolarController
from optimiser.equipment.storage import AnyBank
from optimiser.words import listed, number

COLUMN, SIDE, MARGIN = 164, 34, 12  # width of a part's room, of a symbol, at the edges [px]
LONGEST = 22  # letters that fit into a part's room
AC_Y, DC_Y, HEIGHT = 104, 256, 376
LEAN = 32  # how far an inverter stands left of the middle of its room, for the words on its right

NOTE = (
    "One line stands for all conductors. Protection, isolators and earthing are not shown: local code and licensed "
    "people decide them."
)


class Wired(Protocol):
    """What the diagram reads of a scenario."""

    @property
    def site(self) -> Site:
        """The site."""

    @property
    def storage(self) -> Sequence[AnyBank]:
        """Its banks."""


@dataclass(frozen=True)
class Part:
    """A part that hangs on a busbar: its symbol, and lines of words below."""

    symbol: Callable[[float, float], str]
    words: tuple[str, ...]


def in_words(wired: Wired) -> str:
    """The diagram for those who cannot see it."""
    site = wired.site
    on_ac = [f"load of {'each phase' if site.phases == 3 else 'the site'}"] if site.load else []
    on_ac += [f"solar {solar.name}" for solar in site.ac_solar]
    on_ac += [f"inverter {inverter.name}" for inverter in site.inverter]
    on_dc = [bank.name for bank in wired.storage]
    on_dc += [f"solar controller {controller.name}" for controller in site.solar_controller]
    on_dc += [f"DC load {load.name}" for load in site.dc_load]
    said = f"Grid and meter feed an AC busbar with {listed(on_ac) or 'nothing'}."
    return f"{said} On the DC bus behind the inverters: {listed(on_dc)}." if on_dc else said


def diagram(wired: Wired) -> Markup:
    """The drawing as SVG, in the page's colours."""
    site = wired.site
    above = [*_loads(site), *map(_ac_solar, site.ac_solar)]
    between = [_inverter(inverter, site) for inverter in site.inverter]
    below = [*map(_bank, wired.storage), *map(_controller, site.solar_controller)]
    below += [Part(_arrow, (_cut(load.name), "DC load")) for load in site.dc_load]
    count = max(len(above) + len(between), len(below), 3)
    width = count * COLUMN + 2 * MARGIN
    parts = [_grid(site, width)]
    parts.append(_busbar(AC_Y, width, "AC, 3 phases" if site.phases == 3 else "AC"))
    places = [MARGIN + (place + 0.5) * COLUMN for place in range(count)]
    for x, part in zip(places, above, strict=False):
        parts.append(_hung(x, AC_Y, part))
    for middle, inverter, part in zip(places[len(above) :], site.inverter, between, strict=False):
        x = middle - LEAN
        parts.append(_wire(x, AC_Y, x, DC_Y) + _hung(x, AC_Y + 14, part, beside=True))
        if inverter.ac_breaker_a is not None:
            parts.append(_cross(x, AC_Y + 18) + _text(x + 10, AC_Y + 18, f"{inverter.ac_breaker_a:g} A"))
    if between or below:
        parts.append(_busbar(DC_Y, width, f"DC bus{_volts(wired)}"))
    for x, part in zip(places, below, strict=False):
        parts.append(_hung(x, DC_Y, part))
    height = HEIGHT if below else DC_Y + 20
    words = escape(in_words(wired))
    return Markup(
        f'<svg class="drawn diagram" style="max-width:{width}px" viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="{words}">'
        f"{''.join(parts)}</svg>"
    )


def _grid(site: Site, width: float) -> str:
    """From the grid through the meter to the busbar."""
    x, connection = width / 2, site.connection
    limits = [
        f"{words} {value:g} kW" if isinstance(value, int | float) else f"{words} limit as its series says"
        for words, value in (
            ("import up to", connection.import_limit_kw),
            ("export up to", connection.export_limit_kw),
        )
    ]
    meters = {
        None: "meter",
        "netted": "meter that nets the phases",
        "per_phase": "meter with a register each phase",
    }
    return (
        _wire(x, 28, x, AC_Y)
        + f'<circle cx="{x}" cy="18" r="11" class="part"/>'
        + _wave(x, 18)
        + _text(x - 18, 18, "grid", "end")
        + _text(x + 18, 11, limits[0])
        + _text(x + 18, 26, limits[1])
        + f'<rect x="{x - 20}" y="48" width="40" height="24" class="part"/>'
        + _text(x, 60, "kWh", "middle")
        + _text(x + 28, 60, meters[site.registers])
    )


def _loads(site: Site) -> list[Part]:
    """The site's load, one arrow for all phases."""
    phases = sorted({load.phase for load in site.load})
    words = "all phases" if phases == ["all"] and site.phases == 3 else ", ".join(phases)
    return [Part(_arrow, ("load", words if site.phases == 3 else ""))] if phases else []


def _ac_solar(solar: AcSolar) -> Part:
    size = [] if solar.size_kwp is None else [f"{number(solar.size_kwp, 1)} kWp"]
    size += [] if solar.rating_kw is None else [f"{number(solar.rating_kw, 1)} kW"]
    words = ("existing " if solar.existing else "") + (solar.phase if solar.phase != "all" else "")
    return Part(_solar_inverter, (_cut(solar.name), ", ".join(size), words.strip()))


def _inverter(inverter: Inverter, site: Site) -> Part:
    phase = "three phases" if inverter.phase == "all" else inverter.phase
    ratings = (f"{number(inverter.output_kw, 1)} kW out", f"{number(inverter.input_kw, 1)} kW in")
    line = ("in line",) if inverter.in_line else ()
    return Part(
        _converter("~", "="), (_cut(inverter.name), *((phase,) if site.phases == 3 else ()), *ratings, *line)
    )


def _bank(bank: AnyBank) -> Part:
    kwh = f"{number(bank.capacity_kwh, 1)} kWh"
    behind = () if bank.converter is None else ("own converter",)
    if bank.kind == "battery":
        return Part(_battery, (_cut(bank.name), kwh, *behind))
    low, high = bank.voltages
    return Part(_capacitor, (_cut(bank.name), f"{kwh}, {low:g} to {high:g} V", *behind))


def _controller(controller: SolarController) -> Part:
    size = [] if controller.size_kwp is None else [f"{number(controller.size_kwp, 1)} kWp"]
    size += [] if controller.current_limit_a is None else [f"{controller.current_limit_a:g} A"]
    return Part(_solar_controller, (_cut(controller.name), ", ".join(size)))


def _volts(wired: Wired) -> str:
    """The bus voltage where it is known."""
    ends = [bank.voltages for bank in wired.storage if bank.converter is None]
    if not ends:
        volts = wired.site.dc_voltage_v
        return "" if volts is None else f", {volts:g} V"
    low, high = min(low for low, _ in ends), max(high for _, high in ends)
    return f", {low:g} V" if low == high else f", {low:g} to {high:g} V"


def _cut(name: str) -> str:
    """A name in as many letters as fit."""
    return name if len(name) <= LONGEST else f"{name[: LONGEST - 1]}…"


def _hung(x: float, y: float, part: Part, *, beside: bool = False) -> str:
    """A part below a busbar, with its words below it, or beside it where a line goes on."""
    top = y + 22
    wire = "" if beside else _wire(x, y, x, top)
    words = [line for line in part.words if line]
    if beside:
        first = top + 2 + (SIDE - 15 * (len(words) - 1)) / 2 - 2
        texts = [_text(x + SIDE / 2 + 5, first + 15 * row, line) for row, line in enumerate(words)]
    else:
        texts = [_text(x, top + SIDE + 14 + 15 * row, line, "middle") for row, line in enumerate(words)]
    return wire + part.symbol(x, top) + "".join(texts)


def _busbar(y: float, width: float, words: str) -> str:
    bar = f'<path d="M{MARGIN} {y}H{width - MARGIN}" class="bar"/>'
    return bar + _text(MARGIN, y - 10, words)


def _converter(above: str, below: str) -> Callable[[float, float], str]:
    """A square halved from corner to corner: from what, to what."""

    def symbol(x: float, top: float) -> str:
        left, side = x - SIDE / 2, SIDE
        marks = ""
        for mark, dx, dy in ((above, 10, 10), (below, side - 10, side - 10)):
            cx, cy = left + dx, top + dy
            marks += _wave(cx, cy) if mark == "~" else _direct(cx, cy)
        return (
            f'<rect x="{left}" y="{top}" width="{side}" height="{side}" class="part"/>'
            f'<path d="M{left} {top + side}L{left + side} {top}" class="wire"/>{marks}'
        )

    return symbol


def _solar_inverter(x: float, top: float) -> str:
    return _converter("~", "=")(x, top) + _array(x, top)


def _solar_controller(x: float, top: float) -> str:
    return _converter("=", "=")(x, top) + _array(x, top)


def _array(x: float, top: float) -> str:
    """A solar array on the right of its converter, with the arrows of light."""
    left, y = x + SIDE / 2 + 12, top + 7
    return (
        _wire(x + SIDE / 2, top + SIDE / 2, left, top + SIDE / 2)
        + f'<rect x="{left}" y="{y}" width="26" height="20" class="part"/>'
        + f'<path d="M{left} {y}L{left + 7} {y + 10}L{left} {y + 20}" class="wire"/>'
        + f'<path d="M{left + 24} {y - 12}l-7 8m0 -4v4h4" class="wire"/>'
    )


def _battery(x: float, top: float) -> str:
    """Two cells: long and short plates."""
    plates = "".join(
        f'<path d="M{x - half} {top + dy}h{2 * half}" class="wire"/>'
        for dy, half in ((8, 14), (14, 7), (20, 14), (26, 7))
    )
    return _wire(x, top, x, top + 8) + plates


def _capacitor(x: float, top: float) -> str:
    """Two equal plates."""
    plates = "".join(f'<path d="M{x - 14} {top + dy}h28" class="wire"/>' for dy in (12, 19))
    return _wire(x, top, x, top + 12) + plates


def _arrow(x: float, top: float) -> str:
    return _wire(x, top, x, top + SIDE - 8) + (
        f'<path d="M{x - 6} {top + SIDE - 12}L{x} {top + SIDE}L{x + 6} {top + SIDE - 12}z" class="tip"/>'
    )


def _cross(x: float, y: float) -> str:
    return f'<path d="M{x - 5} {y - 5}l10 10m0 -10l-10 10" class="wire"/>'


def _wave(x: float, y: float) -> str:
    return f'<path d="M{x - 6} {y}q3 -6 6 0t6 0" class="wire"/>'


def _direct(x: float, y: float) -> str:
    return f'<path d="M{x - 6} {y - 2}h12m-12 4h3m2 0h3m2 0h2" class="wire"/>'


def _wire(x: float, y: float, x2: float, y2: float) -> str:
    return f'<path d="M{x} {y}L{x2} {y2}" class="wire"/>'


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y + 4.5:.1f}" text-anchor="{anchor}">{escape(words)}</text>'
