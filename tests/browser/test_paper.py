"""The pages in a real browser: no sideways scrolling on a telephone or a desk, A4 without anything cut, few pages."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from sequencer.compose import DryRun, dry_run
from sequencer.report.pages import write_pages
from tests.sequencer.ledger_rows import channel, point, refused_point
from tests.sequencer.report_nights import HOSTILE, rating, rehearsed, run, write

pytestmark = pytest.mark.process

A4_PT = (595.28, 841.89)  # ISO 216: 210 mm x 297 mm, 72 points an inch
MARGIN_PT = 15.0 / 25.4 * 72.0
PACKAGES = {"chromium": "chromium", "pdfinfo": "poppler-utils", "pdftotext": "poppler-utils"}
# A window has a smallest width of its own, a frame has none. Frames of files talk by messages alone.
PROBE = """<script>
const root = document.documentElement;
const edge = document.querySelector("main").getBoundingClientRect().right + 1;  // the paper's own margin
const wide = [...document.querySelectorAll("body *:not(svg *)")].filter(e => e.getBoundingClientRect().right > edge);
const seen = [innerWidth, root.scrollWidth, wide.length, document.scripts.length, wide.slice(-1).map(e => e.outerHTML)];
parent.postMessage(JSON.stringify(seen), "*");
</script>"""
FRAME = """<!doctype html><script>onmessage = e => { document.title = e.data; };</script>
<iframe src="page.html" style="width: WIDTHpx; height: 900px; border: 0"></iframe>"""


@pytest.fixture(scope="module", autouse=True)
def tools() -> None:
    """An error, not a test left out: a page that nobody looked at is not known to be right."""
    missing = {package for command, package in PACKAGES.items() if shutil.which(command) is None}
    if missing:
        raise RuntimeError(f"install Debian's package(s) {', '.join(sorted(missing))}: these tests need them")


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The rehearsed night, one of hostile and overlong names, and a first look at a unit whose controls are off."""
    folder, _ = rehearsed()
    out = tmp_path_factory.mktemp("pages")
    batch = write_pages(folder, out=out / "demo")
    runs = [_hostile(name, i) for i, name in enumerate(HOSTILE)]
    hostile = write_pages(write(out / "hostile", *runs))
    worst = next(p for p in (hostile.parent / "sheets").iterdir() if "WWWW" in p.name)
    first, second = sorted((batch.parent / "sheets").iterdir())
    look = tmp_path_factory.mktemp("look") / "night"
    asked = DryRun(plan="first_look", bench="ferry_workshop", units=("mv_0139",), out=look)
    assert dry_run(asked, say=lambda line: None).exit_code == 0
    return {
        "batch": batch, "first": first, "second": second, "hostile batch": hostile, "hostile sheet": worst,
        "first look": write_pages(look),
    }  # fmt: skip


def _hostile(name: str, number: int) -> dict[str, object]:
    return run(
        point(channels=[channel(name), channel("B" * 80)], load=name, id=name, stopped_by_channel=name),
        refused_point("p002", reason=name * 3),
        serial=name, run_id=f"r{number}", label=name, plan=name, bench=name, ratings=[rating(power_w=150.0)],
        findings=[{"kind": "k", "sentence": name, "next_action": name}], trips=[{"time": "t", "sentence": name}],
        wiring={"ch1": name},
    )  # fmt: skip


def chromium(tmp_path: Path, *arguments: str) -> str:
    command = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    command += ["--disable-dev-shm-usage", f"--user-data-dir={tmp_path / 'browser'}", *arguments]
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=120).stdout


def printed(tmp_path: Path, page: Path) -> Path:
    paper = tmp_path / "paper.pdf"
    chromium(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={paper}", page.as_uri())
    return paper


WHICH = ["batch", "first", "second", "hostile batch", "hostile sheet", "first look"]
PAGES_AT_MOST = {"batch": 1, "first": 3, "second": 3, "first look": 3}  # our own aim: a sheet is read on a bench


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("which", WHICH)
def test_nothing_is_wider_than_the_window(which: str, width: int, pages: dict[str, Path], tmp_path: Path) -> None:
    """Asked of the browser by a script in a copy of the page; the page itself lets no script run."""
    text = pages[which].read_text()
    assert "default-src 'none'" in text
    copied = re.sub(r"<meta http-equiv[^>]*>", "", text).replace("</body>", f"{PROBE}</body>")
    (tmp_path / "page.html").write_text(copied)
    (tmp_path / "frame.html").write_text(FRAME.replace("WIDTH", str(width)))
    given = ["--window-size=1400,1000", "--virtual-time-budget=10000", "--dump-dom"]
    found = re.search(
        r"<title>(.*?)</title>", chromium(tmp_path, *given, (tmp_path / "frame.html").as_uri()), re.DOTALL
    )
    assert found is not None
    inner, scroll, wide, scripts, which_one = json.loads(html.unescape(found[1]))
    assert inner == width
    assert (wide, which_one) == (0, [])
    assert scroll <= width
    assert scripts == 1  # the probe alone


@pytest.mark.parametrize("which", WHICH)
def test_it_prints_on_a4(which: str, pages: dict[str, Path], tmp_path: Path) -> None:
    """Page size by poppler; every printed word lies inside the page's margins, so that nothing is cut."""
    paper = printed(tmp_path, pages[which])
    told = subprocess.run(["pdfinfo", str(paper)], check=True, capture_output=True, text=True).stdout
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", told)
    count = re.search(r"Pages:\s+(\d+)", told)
    assert size is not None
    assert count is not None
    assert (float(size[1]), float(size[2])) == pytest.approx(A4_PT, abs=1.0)
    assert 1 <= int(count[1]) <= PAGES_AT_MOST.get(which, 5)
    boxes = subprocess.run(["pdftotext", "-bbox", str(paper), "-"], check=True, capture_output=True, text=True).stdout
    words = [tuple(map(float, w)) for w in re.findall(r'<word xMin="([\d.-]+)" yMin="[\d.-]+" xMax="([\d.-]+)"', boxes)]
    assert len(words) > 50
    assert min(left for left, _ in words) >= MARGIN_PT - 3.0
    assert max(right for _, right in words) <= A4_PT[0] - MARGIN_PT + 3.0


@pytest.mark.parametrize("which", ["first", "first look"])
def test_the_first_page_says_what_matters(which: str, pages: dict[str, Path], tmp_path: Path) -> None:
    """Judgement, what to look at with its next action, powers by load and drive: all of it before any detail."""
    paper = printed(tmp_path, pages[which])
    command = ["pdftotext", "-l", "1", "-layout", str(paper), "-"]
    told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    places = [told.index(text) for text in ("Judgement", "look first at", "Power by load and drive", "W accepted")]
    assert places == sorted(places)
    assert told.index("W by eye") > places[-1], "the whole head of the table of powers"
    assert ("Repair first, because channel B" in told) == (which == "first look")


def test_no_heading_is_left_alone_at_the_foot_of_a_page(pages: dict[str, Path], tmp_path: Path) -> None:
    """The last words of each printed page are not a section's title."""
    titles = re.findall(r"<h2>([^<]*)</h2>", pages["first"].read_text())
    told = subprocess.run(
        ["pdftotext", "-layout", str(printed(tmp_path, pages["first"])), "-"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    lasts = [page.strip().splitlines()[-1].strip() for page in told.split("\f") if page.strip()]
    assert len(lasts) > 1
    assert not set(lasts) & set(titles)
