"""The report: one page that explains a run, works from disk, and asks the network for nothing.

It only formats. Money comes in finished; the totals it shows are sums of the rows it was given.
"""

from __future__ import annotations

import base64
import hashlib
import os
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from optimiser.report import (
    activation,
    bill,
    binds,
    capture,
    cautions,
    customer,
    dispatch,
    earnings,
    energy,
    first_screen,
    money,
    patterns,
    programme,
    proof,
    provenance,
    ride_through,
    services,
    stack,
)
from optimiser.report.blocks import Section
from optimiser.report.embed import embed
from optimiser.report.results import Results
from optimiser.writing import all_or_nothing

__all__ = ["SECTIONS", "Results", "render", "write_report"]

SECTIONS = (
    first_screen.section,
    bill.section,
    earnings.section,
    capture.section,
    patterns.section,
    dispatch.section,
    programme.section,
    services.section,
    stack.section,
    activation.section,
    ride_through.section,
    energy.section,
    binds.section,
    money.section,
    proof.section,
    cautions.section,
    provenance.section,
)


def write_report(results: Results, path: str | os.PathLike[str], *, edition: str = "full") -> Path:
    """Write the page of a run.

    Parameters
    ----------
    results : Results
        Finished figures of the run.
    path : path
        Where to write; an existing file is replaced only once the new one is whole.
    edition : str
        "full", or "customer" for two sheets of paper.

    Returns
    -------
    pathlib.Path
        The file written.
    """
    target = Path(path)
    page = render(results, edition=edition)
    all_or_nothing({target: lambda path: path.write_text(page, encoding="utf-8", newline="\n")})
    return target


def render(results: Results, *, edition: str = "full") -> str:
    """The page as text."""
    full = edition == "full"
    made = [section(results) for section in SECTIONS] if full else customer.sections(results)
    columns = dispatch.embedded_columns(results) if full else []
    return page_text(
        title=str(results.summary["title"]),
        invented=bool(results.summary.get("invented")),
        currency=results.summary["currency"],
        sections=[section for section in made if section is not None],
        series=embed(results.dispatch, columns, float(results.summary["step_minutes"])),
        edition=edition,
    )


def page_text(
    title: str,
    invented: bool,
    currency: str,
    sections: list[Section],
    series: dict[str, Any],
    edition: str = "full",
) -> str:
    """Sections and embedded series as one page that asks the network for nothing."""
    library, script = get_plotlyjs(), read("page.js")
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        loader=DictLoader({"page.html.j2": read("page.html.j2")}),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("page.html.j2").render(
        title=title,
        invented=invented,
        currency=currency,
        edition=edition,
        sections=sections,
        series=without_gaps(series),
        style=Markup(read("style.css")),
        library=inline(library),
        script=inline(script),
        policy=policy(library, script),
    )


def read(name: str) -> str:
    """Text of a file that travels with this package."""
    return files(__package__).joinpath(name).read_text(encoding="utf-8")


def inline(script: str) -> Markup:
    """A script as it stands, refused if it could end its own element early."""
    if "</script" in script.lower() or "<!--" in script:
        raise ValueError("script text holds a sequence that would end its element; it cannot be inlined")
    return Markup(script)


def policy(*scripts: str) -> str:
    """A content security policy that runs exactly these scripts and loads nothing from anywhere."""
    digests = (base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()) for script in scripts)
    allowed = " ".join(f"'sha256-{digest.decode('ascii')}'" for digest in digests)
    # The drawing library writes its own style elements, so inline styles have to be let through.
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


def without_gaps(value: Any) -> Any:
    """The same value with NaN and infinities as None, which is how JSON says that there is no number."""
    if isinstance(value, dict):
        return {key: without_gaps(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [without_gaps(entry) for entry in value]
    if isinstance(value, float) and value - value != 0:
        return None
    return value
