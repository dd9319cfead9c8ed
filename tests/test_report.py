"""The page: its figures are the summary's, nothing in it is loaded from elsewhere or run unasked."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import re
import zlib
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest
from report_sample import CURRENCY, sample_results, summary_of

from optimiser import words as formats
from optimiser.report import SECTIONS, Results, bill, proof, render, write_report
from optimiser.report.blocks import Chart
from optimiser.report.dispatch import embedded_columns
from optimiser.report.embed import MISSING, SIZE_LIMIT_CHARACTERS, embed, local_clock, pack
from optimiser.report.page import read

HOSTILE = "</script><script>alert(1)</script><b>&"
LOADING = {"src", "href", "srcset", "action", "formaction", "data", "poster", "background", "ping", "cite"}


class Page(HTMLParser):
    """Elements, visible text, tables and scripts of a page, read by Python's own parser."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.scripts: list[tuple[dict[str, str | None], str]] = []
        self.styles: list[str] = []
        self.rows: list[list[str]] = []
        self.inside: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attributes)))
        if tag in {"script", "style", "th", "td", "tr"}:
            self.inside.append(tag)
        if tag == "script":
            self.scripts.append((dict(attributes), ""))
        if tag == "tr":
            self.rows.append([])
        if tag in {"th", "td"}:
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if self.inside and self.inside[-1] == tag:
            self.inside.pop()

    def handle_data(self, data: str) -> None:
        place = self.inside[-1] if self.inside else ""
        if place == "script":
            self.scripts[-1] = (self.scripts[-1][0], self.scripts[-1][1] + data)
        elif place == "style":
            self.styles.append(data)
        else:
            self.words.append(data)
            if place in {"th", "td"}:
                self.rows[-1][-1] += data

    @property
    def text(self) -> str:
        """Visible text with spaces evened out."""
        return re.sub(r"\s+", " ", "".join(self.words))

    def row(self, name: str) -> list[str]:
        """Cells of the first table row of that name, after the name."""
        return next(row[1:] for row in self.rows if row and row[0] == name)


def to_the_cent(value: float) -> str:
    """Two decimals by Python's decimal arithmetic, with a true minus sign."""
    return f"{Decimal(value):,.2f}".replace("-", "\u2212")


def changed(results: Results, **entries: object) -> Results:
    """The same results with some entries of the summary replaced."""
    return dataclasses.replace(results, summary=summary_of({**results.summary.as_dict(), **entries}))


@pytest.fixture(scope="module")
def month() -> Results:
    return sample_results(days=31)


@pytest.fixture(scope="module")
def page(month: Results) -> Page:
    return Page(render(month))


def test_headline_shows_the_summary_to_the_cent(month: Results, page: Page) -> None:
    """Every amount of money of the headline stands on the page as it is in the summary."""
    headline = month.summary.as_dict()["headline"]
    for key in (
        "bill_before",
        "ceiling_bill_after",
        "ceiling_saving_per_year",
        "ceiling_services_income",
        "capital_cost",
        "ceiling_npv",
    ):
        value = headline[key]
        expected = f"{CURRENCY} {to_the_cent(abs(value))}"
        assert ("\u2212" if value < 0 else "") + expected in page.text, key


def test_bill_totals_are_the_headline_to_the_cent(month: Results, page: Page) -> None:
    """The bill's total row, a sum of its lines, is the bill before and after."""
    headline = month.summary.as_dict()["headline"]
    before, after = headline["bill_before"], headline["ceiling_bill_after"]
    assert [to_the_cent(value) for value in (before, after, before - after)] == page.row("Bill")
    earned = headline["ceiling_services_income"]
    expected = [to_the_cent(value) for value in (before, after - earned, before - after + earned)]
    assert expected == page.row("Bill less income from services") == page.row("All periods")
    assert to_the_cent(before - after + earned) == page.row("Together")[0]
    assert "do not add up" not in page.text


def test_every_line_is_shown_to_the_cent(month: Results, page: Page) -> None:
    """Each line's amount before and after, with the sign of a bill."""
    for line in month.summary.lines:
        cells = page.row(line.line)
        assert to_the_cent(-line.amount) == cells[0 if line.case == "before" else 1]


def test_bill_that_does_not_add_up_is_said(month: Results) -> None:
    """A headline a cent away from its lines is named, with both figures."""
    headline = month.summary.as_dict()["headline"]
    headline["ceiling_bill_after"] += 0.01
    page = Page(render(changed(month, headline=headline)))
    assert "do not add up to the cent: the bill after" in page.text


def test_payback_that_never_comes_says_never(month: Results) -> None:
    """No payback is an answer: never."""
    headline = {**month.summary.as_dict()["headline"], "ceiling_payback_years": None}
    page = Page(render(changed(month, headline=headline)))
    assert page.text.count("never") >= 2
    assert "The savings never return" in page.text
    assert "None" not in page.text


@pytest.mark.parametrize("invented", [True, False])
def test_invented_badge_follows_the_summary(month: Results, invented: bool) -> None:
    """The badge is on the page exactly when the numbers are invented."""
    page = Page(render(changed(month, invented=invented, title="A site")))
    badges = [attributes for _, attributes in page.elements if attributes.get("class") == "badge"]
    assert invented == bool(badges)
    assert invented == ("INVENTED" in page.text)


def test_ceiling_is_named_with_its_gap(page: Page) -> None:
    """The first screen says that the figure is a proven upper bound with perfect foresight."""
    assert "A ceiling, proven" in page.text
    assert "upper bound with perfect foresight" in page.text
    assert "better by more than 0.001 % of turnover (AUD 0.01)" in page.text


@pytest.mark.parametrize(
    ("entries", "said"),
    [
        ({"gap_relative": 0.02}, "Best found, within 2 % of turnover"),
        ({"direction": {"remaining_violations": 3}}, "An upper bound only"),
    ],
)
def test_only_what_is_proven_is_called_proven(month: Results, entries: dict, said: str) -> None:
    """A wide gap or a broken rule is never called proven; a proof without a gap is no summary."""
    proof = month.summary.as_dict()["proof"]
    entries = {key: {**proof[key], **new} if isinstance(new, dict) else new for key, new in entries.items()}
    page = Page(render(changed(month, proof={**proof, **entries})))
    assert said in page.text
    assert "A ceiling, proven" not in page.text


def test_payback_beyond_the_life_is_said(month: Results) -> None:
    """A payback longer than the life is no payback, and the page says so."""
    headline = {**month.summary.as_dict()["headline"], "ceiling_payback_years": 30.0, "life_years": 15}
    assert "longer than its life" in Page(render(changed(month, headline=headline))).text


def test_page_asks_for_nothing(page: Page) -> None:
    """No element loads from anywhere; only anchors in the page and an empty icon are pointed to."""
    for tag, attributes in page.elements:
        for name, value in attributes.items():
            if name in LOADING:
                assert value == "data:," or (value or "").startswith("#"), (tag, name, value)
            if name == "style":
                assert "url(" not in (value or "")
            assert not name.startswith("on"), (tag, name)
        assert tag not in {"iframe", "object", "embed", "base", "img", "video", "audio"}
    for style in page.styles:
        assert "url(" not in style
        assert "@import" not in style


def test_policy_runs_exactly_the_page_scripts(page: Page) -> None:
    """The policy allows the scripts by digest and nothing else (W3C, Content Security Policy Level 3)."""
    policy = next(
        attributes["content"] or ""
        for tag, attributes in page.elements
        if attributes.get("http-equiv") == "Content-Security-Policy"
    )
    runs = [
        unsqueezed(page, "library"),
        *(text for attributes, text in page.scripts if "type" not in attributes),
    ]
    expected = {
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in runs
    }
    directives = {part.split()[0]: set(part.split()[1:]) for part in policy.split(";")}
    assert {"'none'"} == directives["default-src"]
    assert expected == directives["script-src"]
    assert {"data:", "blob:"} == directives["img-src"]
    assert len(runs) == 2


def test_drawing_library_is_inlined_once_and_sends_nothing(page: Page) -> None:
    """One copy of the library; the logo and the button that uploads data are off."""
    scripts = [text for attributes, text in page.scripts if "type" not in attributes]
    assert "plotly.js v" in unsqueezed(page, "library")[:200]
    assert not [text for text in scripts if "plotly.js v" in text]
    for setting in ("displaylogo: false", "showSendToCloud: false", "responsive: true"):
        assert setting in scripts[-1]


def unsqueezed(page: Page, name: str) -> str:
    """A text that travels squeezed: the digits of RFC 1924, then ZLIB (RFC 1950), by Python's own decoders."""
    digits = next(text for attributes, text in page.scripts if attributes.get("id") == name)
    assert "</" not in digits
    assert "<!" not in digits
    return zlib.decompress(base64.b85decode("".join(digits.split()))).decode("utf-8")


def test_a_page_is_light_enough_to_send(month: Results) -> None:
    """Below 2.3 MB, the drawing library included; its series unpack to those that were embedded."""
    text = render(month)
    assert len(text.encode("utf-8")) < 2.3e6
    embedded = embed(month.dispatch, embedded_columns(month), month.summary.step_minutes)
    assert json.loads(unsqueezed(Page(text), "series"))["columns"] == json.loads(
        json.dumps(embedded["columns"])
    )


def test_hostile_words_stay_words(month: Results) -> None:
    """Markup in a title, a description, a name or a note is shown, never obeyed."""
    services = [{**service, "name": HOSTILE} for service in month.summary.as_dict()["services"]]
    dispatch = month.dispatch.rename(columns={"service.raise.offer_kw": f"service.{HOSTILE}.offer_kw"})
    hostile = dataclasses.replace(
        changed(month, title=HOSTILE, description=HOSTILE, services=services, warnings=[HOSTILE]),
        dispatch=dispatch,
    )
    plain, page = Page(render(month)), Page(render(hostile))
    assert HOSTILE in page.text
    assert sum(tag == "script" for tag, _ in plain.elements) == sum(
        tag == "script" for tag, _ in page.elements
    )
    assert not [tag for tag, _ in page.elements if tag == "b"]
    drawn = [json.loads(text) for attributes, text in page.scripts if attributes.get("data-chart")]
    names = [name for spec in drawn for trace in spec["data"] for name in trace.get("y", [])]
    assert not [name for name in names if isinstance(name, str) and "<" in name]


def test_charts_are_valid_for_the_drawing_library(month: Results) -> None:
    """Plotly's own schema accepts every trace and layout, once colour names are colours."""
    charts = [
        block
        for section in SECTIONS
        if (made := section(month)) is not None
        for block in made.blocks
        if isinstance(block, Chart)
    ]
    assert len(charts) >= 5
    for chart in charts:
        spec = json.loads(re.sub(r'"@\w+"', '"#123456"', json.dumps(chart.spec)))
        go.Figure(spec)


def test_every_drawing_has_words_and_keys(page: Page) -> None:
    """Each chart has a label and a caption; each scrolling table can be reached by keyboard."""
    drawings = [attributes for _, attributes in page.elements if attributes.get("class") == "chart"]
    captions = [tag for tag, _ in page.elements if tag == "figcaption"]
    assert len(drawings) == len(captions) >= 10
    assert all((attributes.get("aria-label") or "").strip() for attributes in drawings)
    boxes = [attributes for _, attributes in page.elements if attributes.get("class") == "scroll"]
    assert all(attributes.get("tabindex") == "0" and attributes.get("aria-label") for attributes in boxes)


def test_colours_used_by_charts_are_in_the_style_sheet(page: Page) -> None:
    """No chart names a colour that the style sheet lacks."""
    given = "".join(text for attributes, text in page.scripts if "type" in attributes)
    used = set(re.findall(r'"@(\w+)"', given))
    assert {"solar", "import", "before"} <= used
    assert used <= set(re.findall(r"--([\w-]+):", read("style.css")))


def palettes() -> dict[str, dict[str, str]]:
    """Colours of the light and the dark scheme."""
    style = read("style.css")
    blocks = re.findall(r":root[^{]*\{([^}]*--paper[^}]*)\}", style)
    return {
        name: dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))
        for name, block in zip(("light", "dark"), blocks, strict=True)
    }


def contrast(one: str, other: str) -> float:
    """Contrast ratio (W3C, Web Content Accessibility Guidelines 2.2, definitions of contrast ratio
    and relative luminance)."""

    def luminance(colour: str) -> float:
        parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        red, green, blue = (
            part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_reaches_aa(scheme: str) -> None:
    """Text reaches 4.5 to 1 and drawn marks 3 to 1 (WCAG 2.2, success criteria 1.4.3 and 1.4.11)."""
    assert pytest.approx(21) == contrast("#000000", "#ffffff")
    colours = palettes()[scheme]
    for ground in ("ground", "paper"):
        for text in ("ink", "quiet", "accent"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    assert contrast(colours["badge-ink"], colours["badge"]) >= 4.5
    assert contrast(colours["warning-ink"], colours["warning-ground"]) >= 4.5
    structure = {"ground", "paper", "rule", "grid", "badge-ink", "warning-ground"}
    for name in set(colours) - structure:
        if name not in {"warning-ink"}:
            assert contrast(colours[name], colours["paper"]) >= 3, name


def unpacked(packed: dict, steps: int) -> np.ndarray:
    """The series read back number by number, in plain integers.

    Seven-bit groups are the unsigned LEB128 of the DWARF Debugging Information Format 5, section 7.6.
    """
    data = iter(base64.b64decode(packed["packed"]))

    def number() -> int:
        value, shift = 0, 0
        for byte in data:
            value |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                break
        return value

    whole, values = 0, []
    while len(values) < steps:
        folded = number()
        run = number() if folded == 0 else 1
        whole += -(folded + 1) // 2 if folded % 2 else folded // 2
        whole = (whole + 2**31) % 2**32 - 2**31
        values += [np.nan if whole == MISSING else whole * packed["quantum"]] * run
    assert next(data, None) is None
    return np.array(values)


def test_embedded_series_read_back() -> None:
    """Values come back within half of the step kept; what is missing stays missing."""
    values = np.array([0, 0, 0, 12.345, -7.1, -7.1, -7.1, np.nan, np.nan, 20_000, -20_000, 0.004, np.nan, 0])
    for column, half_step in (("site.load_kw", 0.005), ("price.import_per_kwh", 0.00005)):
        np.testing.assert_allclose(
            unpacked(pack(column, values), len(values)), values, rtol=0, atol=half_step * 1.001
        )


def test_days_follow_the_local_clock() -> None:
    """New South Wales: clocks went back on 6 April 2025 and forward on 5 October 2025, so those days have
    25 and 23 hours (Standard Time Act 1987 (NSW), s. 2A: first Sundays of April and October; from memory)."""
    clock = local_clock(sample_results().dispatch)
    steps = {date: count for date, _, count in clock.days}
    assert len(steps) == 365
    assert steps.pop("2025-04-06") == 50
    assert steps.pop("2025-10-05") == 46
    assert {48} == set(steps.values())
    assert [minutes for _, minutes in clock.offsets] == [660, 600, 660]


@pytest.mark.slow
def test_a_year_of_five_minutes_stays_light() -> None:
    """A year of 5-minute steps fits below the limit with every column the page draws."""
    results = sample_results(days=365, step_minutes=5)
    series = embed(results.dispatch, embedded_columns(results), 5)
    assert series["left_out"] == []
    assert len(json.dumps(series)) < SIZE_LIMIT_CHARACTERS


def test_groups_of_columns_may_be_absent() -> None:
    """A single day with the bare columns and no services makes a page."""
    results = sample_results(days=1)
    bare = [
        column for column in results.dispatch if column.split(".")[0] in {"interval_start_local", "meter"}
    ]
    lean = changed(dataclasses.replace(results, dispatch=results.dispatch[bare]), services=[], storage=[])
    page = Page(render(lean))
    assert "offers no grid services" in page.text
    assert not [attributes for attributes, _ in page.scripts if attributes.get("data-map")]


def test_report_replaces_the_file_only_when_whole(
    tmp_path: Path, month: Results, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A write that fails leaves the old page and no scraps."""
    path = write_report(month, tmp_path / "page.html")
    whole = path.read_text(encoding="utf-8")

    def fail(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(OSError, match="disk full"):
        write_report(changed(month, title="other"), path)
    assert whole == path.read_text(encoding="utf-8")
    assert [path] == list(tmp_path.iterdir())


def test_numbers_read_as_people_write_them() -> None:
    """Grouping, true minus, no minus nothing, and smallness that is never rounded to nothing.

    Minor units of JPY and KWD: ISO 4217 (0 and 3 decimals, from memory).
    """
    assert formats.money(-1234.5, "AUD") == "\u2212AUD\u00a01,234.50"
    assert formats.amount(-0.001, "AUD") == "0.00"
    assert formats.money(1234.6, "JPY") == "JPY\u00a01,235"
    assert formats.money(1.2346, "KWD") == "KWD\u00a01.235"
    assert formats.percent(1e-9) == "less than 0.1\u00a0%"
    assert formats.percent(0.99977) == "more than 99.9\u00a0%"
    assert formats.percent(0.9989) == "99.9\u00a0%"
    assert formats.percent(1.0) == "100.0\u00a0%"
    assert formats.tiny(3.2e-9) == "3.2\u00a0×\u00a010⁻⁹"
    assert formats.years(None) == "never"
    assert formats.day("2025-01-01T00:00:00+11:00") == "1\u00a0January\u00a02025"


def test_what_has_no_quantity_is_blank_and_a_gap_of_rounding_is_nothing():
    """A tax has an amount and no quantity; what is left of a subtraction of floats is no gap."""
    lines = [
        bill.PeriodLine(
            case=case,
            group="tax",
            line="GST",
            cash=True,
            amount=-1.0,
            billing_period="2025-01",
            quantity=None,
            unit="",
        )
        for case in ("before", "after")
    ]
    assert ("GST", "", "", "") == bill.detail_row("GST", lines, "AUD").cells[:4]
    assert "0.00" == proof._gap(1.6e-12, "AUD")
    assert "0.0040" == proof._gap(0.004, "AUD")
