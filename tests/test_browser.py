"""The page in a real browser: it draws, it fits a phone, it prints, and it complains of nothing."""

from __future__ import annotations

import dataclasses
import json
import re
import shutil
import struct
import subprocess
import zlib
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from report_sample import sample_results

import optimiser
from optimiser.importing import bring_in, write_import
from optimiser.report import write_report
from optimiser.report.page import read

BROWSER = next(
    (path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), None
)
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--virtual-time-budget=30000",
)
# The browser makes no window as narrow as a phone, so the page sits in a frame of that width and a script
# beside it looks in: how wide its content is, what was drawn, and where a chart stands.
FRAME = """<!DOCTYPE html><meta charset="utf-8"><style>body{margin:0}
iframe{border:0;width:WIDTHpx;height:16000px}
pre{position:fixed;left:-9999px}</style>
<iframe src="page.html"></iframe><pre id="told"></pre><script>
const look = () => {
  const page = document.querySelector("iframe").contentDocument;
  const root = page.documentElement;
  if (!root.dataset.drawn) { setTimeout(look, 100); return; }
  const told = {drawn: root.dataset.drawn, content: root.scrollWidth, frame: root.clientWidth, charts: {}};
  for (const chart of page.querySelectorAll(".chart"))
    told.charts[chart.id] = chart.querySelectorAll(".trace path, .trace image, .bars path, .hm image").length;
  document.getElementById("told").textContent = JSON.stringify(told);
  const shown = page.getElementById("SHOWN");
  if (shown) document.body.style.marginTop = -shown.getBoundingClientRect().top + "px";
};
look();
</script>"""

pytestmark = pytest.mark.skipif(BROWSER is None, reason="Chromium is not installed: the page was not drawn")


def browse(folder: Path, page: str, *flags: str) -> subprocess.CompletedProcess[str]:
    """Run the browser once on a file of the folder, with a profile of its own."""
    return subprocess.run(
        [
            str(BROWSER),
            *FLAGS,
            f"--user-data-dir={folder / 'profile'}",
            *flags,
            (folder / page).as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=180,
        check=True,
    )


def frame(folder: Path, width_px: int, shown: str = "") -> str:
    """Write the frame round the page and give its name."""
    name = f"frame-{width_px}-{shown}.html"
    (folder / name).write_text(
        FRAME.replace("WIDTH", str(width_px)).replace("SHOWN", shown), encoding="utf-8"
    )
    return name


def told(folder: Path, width_px: int) -> dict:
    """What the frame's script saw at a width."""
    for _ in range(4):  # on a busy machine the browser may end before the page is drawn
        done = browse(folder, frame(folder, width_px), "--dump-dom", "--allow-file-access-from-files")
        found = re.search(r'<pre id="told">(.+?)</pre>', done.stdout, re.DOTALL)
        if found is not None:
            return json.loads(unescape(found.group(1)))
    raise AssertionError("the page was not drawn")


def pixels(path: Path) -> np.ndarray:
    """Red, green and blue of a picture (W3C, Portable Network Graphics, 3rd edition, clauses 9 and 11)."""
    data = path.read_bytes()
    place, packed, width, height, channels = 8, b"", 0, 0, 3
    while place < len(data):
        length, kind = struct.unpack(">I4s", data[place : place + 8])
        chunk = data[place + 8 : place + 8 + length]
        if kind == b"IHDR":
            width, height, depth, colour_type = struct.unpack(">IIBB", chunk[:10])
            assert depth == 8
            channels = {2: 3, 6: 4}[colour_type]
        elif kind == b"IDAT":
            packed += chunk
        place += 12 + length
    lines = np.frombuffer(zlib.decompress(packed), dtype="u1").reshape(height, 1 + width * channels)
    picture = np.zeros((height, width, channels), dtype="u1")
    above = np.zeros(width * channels, dtype="u1")
    for row, line in enumerate(lines):
        above = unfiltered(int(line[0]), line[1:], above, channels)
        picture[row] = above.reshape(width, channels)
    return picture[..., :3]


def unfiltered(kind: int, line: np.ndarray, above: np.ndarray, channels: int) -> np.ndarray:
    """One line of a picture with its filter undone."""
    if kind == 0:
        return line
    if kind == 2:
        return line + above
    if kind == 1:
        return np.cumsum(line.reshape(-1, channels), axis=0, dtype="u1").ravel()
    now, before = bytearray(line.tobytes()), above.tobytes()
    for place in range(len(now)):
        left = now[place - channels] if place >= channels else 0
        up = before[place]
        corner = before[place - channels] if place >= channels else 0
        if kind == 3:
            guess = (left + up) // 2
        else:
            slope = left + up - corner
            guess = min((left, up, corner), key=lambda value: abs(slope - value))
        now[place] = (now[place] + guess) & 255
    return np.frombuffer(bytes(now), dtype="u1")


def count(picture: np.ndarray, colour: str) -> int:
    """How many pixels have a colour of the light scheme."""
    found = re.search(rf"--{colour}: #([0-9a-f]{{6}})", read("style.css"))
    assert found is not None
    wanted = np.array([int(found.group(1)[place : place + 2], 16) for place in (0, 2, 4)])
    return int((np.abs(picture.astype(int) - wanted).max(axis=-1) <= 2).sum())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder holding a page of two months round a clock change."""
    place = tmp_path_factory.mktemp("browser")
    write_report(sample_results(days=61, start="2025-03-10"), place / "page.html")
    return place


def test_page_loads_without_complaint(folder: Path) -> None:
    """Opened from disk, everything is drawn and the console stays empty."""
    done = browse(folder, "page.html", "--dump-dom", "--enable-logging=stderr", "--v=0")
    assert 'data-drawn="all"' in done.stdout
    complaints = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    assert complaints == []


def test_console_complaints_would_be_seen(folder: Path) -> None:
    """The check above has teeth: a script that the policy does not know is refused, and that is seen."""
    page = (folder / "page.html").read_text(encoding="utf-8")
    (folder / "tampered.html").write_text(
        page.replace("</body>", "<script>document.title = 'changed'</script></body>"), encoding="utf-8"
    )
    done = browse(folder, "tampered.html", "--dump-dom", "--enable-logging=stderr", "--v=0")
    assert any("CONSOLE" in line for line in done.stderr.splitlines())
    assert "<title>changed</title>" not in done.stdout


@pytest.mark.parametrize("width_px", [390, 1280])
def test_page_fits_and_every_chart_is_drawn(folder: Path, width_px: int) -> None:
    """No sideways scroll at a phone's or a desk's width, and marks in every chart."""
    seen = told(folder, width_px)
    assert seen["drawn"] == "all"
    assert seen["frame"] == width_px
    assert seen["content"] <= width_px
    assert len(seen["charts"]) >= 12
    assert [name for name, marks in seen["charts"].items() if not marks] == []


@pytest.mark.parametrize(
    ("chart", "colours"),
    [("chart-earnings", ("gain", "before")), ("chart-panel-flows", ("solar", "import", "load"))],
)
def test_chart_shows_on_the_screen(folder: Path, chart: str, colours: tuple[str, ...]) -> None:
    """The picture of the screen holds each colour of the chart, far more than a legend's worth."""
    path = folder / f"{chart}.png"
    flags = (f"--screenshot={path}", "--window-size=600,400", "--allow-file-access-from-files")
    for _ in range(4):  # on a busy machine the picture may be taken before the chart is painted
        browse(folder, frame(folder, 600, chart), *flags)
        picture = pixels(path)
        seen = {colour: count(picture, colour) for colour in colours}
        if min(seen.values()) > 1000:
            break
    assert {colour: number for colour, number in seen.items() if number <= 1000} == {}


def test_page_prints(folder: Path) -> None:
    """It prints on A4: 210 by 297 mm (ISO 216), that is 595 by 842 points."""
    path = folder / "page.pdf"
    browse(folder, "page.html", f"--print-to-pdf={path}", "--no-pdf-header-footer")
    data = path.read_bytes()
    assert data.startswith(b"%PDF")
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", data)
    assert 3 <= len(boxes) <= 40
    for width, height in boxes:
        assert (float(width), float(height)) == pytest.approx((595.3, 841.9), abs=1)


def test_short_edition_prints_on_two_sheets(folder: Path) -> None:
    """Two sheets of A4, and nothing on them that the browser complains of."""
    bakery = optimiser.read_scenario(Path(__file__).parent.parent / "scenarios" / "three-phase-bakery")
    results = dataclasses.replace(sample_results(), wired=bakery)
    write_report(results, folder / "customer.html", edition="customer")
    path = folder / "customer.pdf"
    browse(folder, "customer.html", f"--print-to-pdf={path}", "--no-pdf-header-footer")
    assert 2 == len(re.findall(rb"/MediaBox", path.read_bytes()))


def test_scheme_day_and_table_follow_the_reader(folder: Path) -> None:
    """Dark colours where asked for; another day at a press; the clock change has its repeated hour."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=BROWSER, args=list(FLAGS[1:-1]))
        page = browser.new_page(color_scheme="dark", viewport={"width": 900, "height": 900})
        complaints: list[str] = []
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto((folder / "page.html").as_uri())
        page.locator("html[data-drawn=all]").wait_for(state="attached")
        dark = re.findall(r"--gain: (#[0-9a-f]{6})", read("style.css"))[1]
        red, green, blue = (int(dark[place : place + 2], 16) for place in (1, 3, 5))
        styles = page.locator("#chart-earnings").inner_html()
        assert f"rgb({red}, {green}, {blue})" in styles
        page.locator("#day").fill("2025-04-06")
        assert "Sunday 6 April 2025 (25 hours)" in page.locator("#day-words").inner_text().replace(",", "", 1)
        page.get_by_text("The day's figures in a table").click()
        assert page.locator("#day-table tbody tr").count() == 50
        assert page.locator("#day-table th", has_text="02:30 again").count() == 1
        page.locator("#day-after").click()
        assert page.locator("#day").input_value() == "2025-04-07"
        assert page.locator("#day-table tbody tr").count() == 48
        browser.close()
    assert complaints == []
    assert asked == [(folder / "page.html").as_uri()]


def test_numbers_are_written_as_the_reader_writes_them(folder: Path) -> None:
    """A reader in Germany sees 1.234,56, one in Britain 1,234.56; versions stay as they are."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    texts = {}
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=BROWSER, args=list(FLAGS[1:-1]))
        for locale in ("en-GB", "de-DE"):
            page = browser.new_context(locale=locale).new_page()
            page.goto((folder / "page.html").as_uri())
            page.locator("html[data-drawn=all]").wait_for(state="attached")
            words = [page.locator(place).inner_text() for place in ("#answer", "#bill", "#provenance")]
            texts[locale] = [*words, page.locator("#chart-earnings").inner_html()]
        browser.close()
    figure = re.search(r"\d,\d{3}\.\d\d", texts["en-GB"][0])
    assert figure is not None
    german = figure[0].replace(",", "_").replace(".", ",").replace("_", ".")
    assert german in texts["de-DE"][0]
    assert not re.search(r"\d,\d{3}\.\d\d", "".join(texts["de-DE"][:2]) + texts["de-DE"][3])
    assert texts["en-GB"][2] == texts["de-DE"][2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("edition", ["full", "customer"])
def test_page_passes_an_accessibility_checker(folder: Path, scheme: str, edition: str) -> None:
    """axe-core finds no breach of WCAG 2.2 A and AA: names, roles, contrast, order of headings, landmarks.

    The reference is axe-core, the checker of Deque Systems, as packed in axe-playwright-python.
    """
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    write_report(sample_results(), folder / f"{edition}.html", edition=edition)
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=BROWSER, args=list(FLAGS[1:-1]))
        page = browser.new_page(color_scheme=scheme, viewport={"width": 1000, "height": 900})
        page.goto((folder / f"{edition}.html").as_uri())
        if edition == "full":
            page.locator("html[data-drawn=all]").wait_for(state="attached")
        wanted = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
        found = axe.Axe().run(page, options={"runOnly": {"type": "tag", "values": wanted}}).response
        browser.close()
    breaches = [
        f"{rule['id']}: {node['html'][:120]} {node['failureSummary']}"
        for rule in found["violations"]
        for node in rule["nodes"]
    ]
    assert breaches == []
    assert len(found["passes"]) > 15


@pytest.mark.parametrize("width_px", [360, 1280])
def test_page_of_an_import_is_drawn(tmp_path: Path, width_px: int) -> None:
    """A made-up meter's fortnight: bars and a map for each register, nothing wider than the screen, no complaint."""
    lines = ["200,4123456789,E1B1,,{},,,kWh,30,", "300,202501{:02d},{},A,,,,"]
    values = ",".join(f"{abs(24 - place) / 10}" for place in range(48))
    text = "\n".join(
        line
        for suffix in ("E1", "B1")
        for line in [lines[0].format(suffix), *(lines[1].format(day, values) for day in range(1, 15))]
    )
    (tmp_path / "meter.csv").write_text(text, encoding="utf-8")
    write_import(bring_in([tmp_path / "meter.csv"], "page"), tmp_path)
    seen = told(tmp_path, width_px)
    assert "all" == seen["drawn"]
    assert seen["content"] <= seen["frame"]
    assert {"chart-months-0", "chart-map-column-0", "chart-map-column-1"} == set(seen["charts"])
    assert all(seen["charts"].values()), seen["charts"]
    done = browse(tmp_path, "page.html", "--dump-dom", "--enable-logging=stderr", "--v=0")
    assert [] == [line for line in done.stderr.splitlines() if "CONSOLE" in line]
