"""Sections as one page that works from disk and asks the network for nothing."""

from __future__ import annotations

import base64
import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import DictLoader, Environment, StrictUndefined, Template
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from optimiser.report.blocks import Section
from optimiser.report.drawn import drawn

# What `embed` gives for no columns: a page without a day picker or heat maps reads nothing of it.
NO_SERIES: Mapping[str, Any] = {
    "steps": 0,
    "step_minutes": 60.0,
    "start_ms": 0,
    "days": [],
    "offsets": [[0, 0]],
    "columns": {},
    "left_out": [],
}


def page_text(
    title: str,
    invented: bool,
    currency: str,
    sections: Sequence[Section],
    series: Mapping[str, Any] = NO_SERIES,
    edition: str = "full",
) -> str:
    """Sections and embedded series as one page that asks the network for nothing; other editions than the full one
    need no script, since their charts are drawn in the page.
    """
    script, scripted = read("page.js"), edition == "full"
    return template("page.html.j2").render(
        title=title,
        invented=invented,
        currency=currency,
        edition=edition,
        scripted=scripted,
        drawn=drawn,
        sections=sections,
        series=squeezed(json.dumps(without_gaps(series), separators=(",", ":"))),
        style=Markup(read("style.css")),
        library=squeezed_library() if scripted else "",
        script=inline(script),
        policy=policy(get_plotlyjs(), script) if scripted else policy(),
    )


def template(name: str) -> Template:
    """A template that travels with this package: all text is escaped, and a name that is missing is an error."""
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        loader=DictLoader({name: read(name)}),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name)


def read(name: str) -> str:
    """Text of a file that travels with this package."""
    return files(__package__).joinpath(name).read_text(encoding="utf-8")


def inline(script: str) -> Markup:
    """A script as it stands, refused if it could end its own element early."""
    if "</script" in script.lower() or "<!--" in script:
        raise ValueError("script text holds a sequence that would end its element; it cannot be inlined")
    return Markup(script)


def squeezed(text: str) -> Markup:
    """A text in few characters, which the page's script unpacks: deflated, five characters for four bytes.

    References
    ----------
    .. [1] RFC 1950, ZLIB Compressed Data Format; the digits of RFC 1924, which hold no slash, so that nothing ends an
       element early. A line break within "<!" keeps comments from beginning; who unpacks it skips what is no digit.
    """
    digits = base64.b85encode(zlib.compress(text.encode("utf-8"), 9)).decode("ascii")
    return Markup(digits.replace("<!", "<\n!"))


@cache
def squeezed_library() -> Markup:
    """The drawing library, squeezed once a process."""
    return squeezed(get_plotlyjs())


def policy(*scripts: str) -> str:
    """A content security policy that runs exactly these scripts and loads nothing from anywhere."""
    digests = (base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()) for script in scripts)
    allowed = " ".join(f"'sha256-{digest.decode('ascii')}'" for digest in digests) or "'none'"
    # The drawing library writes its own style elements, so inline styles have to be let through.
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


def without_gaps(value: Any) -> Any:
    """The same value with NaN and infinities as None, which is how JSON says that there is no number."""
    if isinstance(value, Mapping):
        return {key: without_gaps(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [without_gaps(entry) for entry in value]
    if isinstance(value, float) and value - value != 0:
        return None
    return value
