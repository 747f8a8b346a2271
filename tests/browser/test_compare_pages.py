"""Comparisons and customers' pages in a real browser: no script of any name runs, one A4, light and dark."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from sequencer.comparing.differences import pair
from sequencer.comparing.figures import measured
from sequencer.comparing.files import page_html, write_customers
from sequencer.comparing.told import page_of_pairs
from tests.sequencer.compare_runs import hostile, one_run
from tests.sequencer.hostile_names import NAMES
from tests.sequencer.report_nights import rehearsed

pytestmark = pytest.mark.process

PACKAGES = {"chromium": "chromium", "pdfinfo": "poppler-utils", "pdftotext": "poppler-utils"}
# Told by the page's own elements; a name that ran would have changed the title.
PROBE = """<script>
const count = what => document.querySelectorAll(what).length, body = getComputedStyle(document.body);
const texts = [...document.querySelectorAll("bdi")].filter(e => e.textContent.includes("<script>")).length;
const seen = [document.title, document.scripts.length, count("[onerror], [onload], iframe, img"), count("tbody tr"),
  texts, body.backgroundColor, body.color, document.documentElement.scrollWidth, innerWidth];
setTimeout(() => { const told = [...seen, document.title]; document.body.innerHTML = "<pre id=told></pre>";
  document.getElementById("told").textContent = JSON.stringify(told); }, 500);
</script>"""


@pytest.fixture(scope="module", autouse=True)
def tools() -> None:
    """An error, not a test left out: a page that nobody looked at is not known to be right."""
    missing = {package for command, package in PACKAGES.items() if shutil.which(command) is None}
    if missing:
        raise RuntimeError(f"install Debian's package(s) {', '.join(sorted(missing))}: these tests need them")


def chromium(tmp_path: Path, *arguments: str) -> str:
    command = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    command += ["--disable-dev-shm-usage", f"--user-data-dir={tmp_path / 'browser'}", *arguments]
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stdout


def seen(tmp_path: Path, page: str, *more: str) -> list[object]:
    """What the probe tells of a copy of the page whose policy is taken out: names must not run even then."""
    assert "default-src 'none'" in page
    copied = re.sub(r"<meta http-equiv[^>]*>", "", page).replace("</body>", f"{PROBE}</body>")
    (tmp_path / "page.html").write_text(copied)
    given = ("--window-size=1280,1000", "--virtual-time-budget=10000", "--dump-dom", *more)
    text = chromium(tmp_path, *given, (tmp_path / "page.html").as_uri())
    found = re.search(r'<pre id="told">(.*?)</pre>', text, re.DOTALL)
    assert found is not None
    told: list[object] = json.loads(html.unescape(found[1]))
    return told


def test_no_name_runs_and_all_of_them_are_there(tmp_path: Path) -> None:
    """All two hundred on one page, in light and in dark."""
    runs = [measured(hostile(name, number)) for number, name in enumerate(NAMES)]
    again = [measured(hostile(name, number, " again")) for number, name in enumerate(NAMES)]
    page = page_html(page_of_pairs([pair(first, second) for first, second in zip(runs, again, strict=True)]))
    title, scripts, strange, rows, shown, paper, ink, wide, window, later = seen(tmp_path, page)
    assert (title, later) == (title, title)
    assert title != "ran"
    assert (scripts, strange) == (1, 0)  # the probe alone
    assert rows == 2 * len(NAMES)
    assert isinstance(shown, int)
    assert shown >= 5
    assert isinstance(wide, int)
    assert isinstance(window, int)
    assert wide <= window
    dark = seen(tmp_path, page, "--blink-settings=preferredColorScheme=0")
    assert (paper, ink) == ("rgb(250, 247, 240)", "rgb(35, 32, 28)")
    assert (dark[5], dark[6]) == ("rgb(31, 29, 26)", "rgb(233, 227, 214)")


def printed(tmp_path: Path, page: Path) -> tuple[int, str, str]:
    """Pages, size and text on paper."""
    paper = tmp_path / "paper.pdf"
    chromium(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={paper}", page.as_uri())
    told = subprocess.run(["pdfinfo", str(paper)], check=True, capture_output=True, text=True).stdout
    text = subprocess.run(["pdftotext", "-layout", str(paper), "-"], check=True, capture_output=True, text=True).stdout
    size, count = re.search(r"Page size:\s+(.*)", told), re.search(r"Pages:\s+(\d+)", told)
    assert size is not None
    assert count is not None
    return int(count[1]), size[1], text


@pytest.mark.parametrize("which", ["rehearsed", "everything wrong", "long names"])
def test_a_customers_page_is_one_a4(which: str, tmp_path: Path) -> None:
    """ISO 216: 210 mm x 297 mm, 595 x 842 points."""
    if which == "rehearsed":
        run = rehearsed()[1]["runs"][1]
        before = dict(run) | {"label": "as it came in", "begun": "2025-01-05T22:00:00+00:00"}
    else:
        name = "W" * 300 if which == "long names" else "It was found that a side of it is not as it should be. " * 6
        found = [{"kind": f"k{i}", "sentence": name, "channel": "A"} for i in range(40)]
        before = one_run(80.0, label=name, run_id="r0")
        run = one_run(90.0, serial=name, label=f"{name} again", findings=found, unit={"serial": name, "model": name})
    (page,) = write_customers(tmp_path, [run], {run["id"]: before})
    count, size, text = printed(tmp_path, page)
    assert (count, size.startswith("59"), "A4" in size) == (1, True, True)
    for heading in ("Is it healthy", "What was tested", "How much power it gives", "Before and after"):
        assert heading in text
