"""The sheet and the batch page as a reader gets them: parsed back, and held against results.json."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import main
from sequencer.errors import InputRefused
from sequencer.report.pages import read_night, write_pages
from tests.sequencer.ledger_rows import channel, point, refused_point
from tests.sequencer.report_html import NUMBER, Shown, numbers_in, read, rounds_to, to_two_digits
from tests.sequencer.report_nights import HOSTILE, power_of, rating, rehearsed, run, write

SECTIONS = [
    "Judgement", "Power by load and drive", "Distortion by level", "The last clean shot", "Burst envelope",
    "Rail and current", "Temperature over the night", "Response", "Noise", "Idle current and offset", "Efficiency",
    "Protection", "Trips", "How it was measured", "Instruments", "Uncertainty", "Cautions",
]  # fmt: skip
NO_DATA = ("Response", "Noise", "Idle current and offset", "Efficiency", "Protection")  # of a night of bursts alone
AVOIDED = """
    sequence step sweep recipe procedure profile verdict pass fail failed passed station fixture plug dut uut
    experiment engine dashboard monitor operator parameter skipped abort teardown sink adapter dataset project certified
"""


@pytest.fixture(scope="module")
def paper(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The rehearsed night on paper."""
    folder, _ = rehearsed()
    out = tmp_path_factory.mktemp("paper")
    assert write_pages(folder, out=out) == out / "batch.html"
    return out


def sheets(paper: Path) -> dict[str, Shown]:
    """By the unit's serial."""
    return {p.name.split("+")[0]: read(p.read_text()) for p in sorted((paper / "sheets").iterdir())}


def one_sheet(tmp_path: Path, *runs: dict[str, Any], suspect: str | None = None) -> Shown:
    return read(write_pages(write(tmp_path / "night", *runs, suspect=suspect)).read_text())


def test_watts_are_those_of_results_json(paper: Path) -> None:
    """Both powers of every row, rounded after JCGM 100, 7.2.6 by this test's own arithmetic."""
    _, results = rehearsed()
    shown = sheets(paper)
    for one in results["runs"]:
        heads, *rows = shown[one["unit"]["serial"]].tables_of("Power by load and drive")[0]
        told = [(row[heads.index("W at limit")], row[heads.index("W accepted")]) for row in rows]
        assert told == [
            (of_each(p, "power_at_limit_w", "power_at_limit_expanded_uncertainty_w"),
             of_each(p, "power_w", "power_expanded_uncertainty_w"))
            for p in one["points"]
        ]  # fmt: skip
        assert len(told) == 6  # 2 loads x 3 bursts, both channels in each


def of_each(measured: dict[str, Any], key: str, expanded: str) -> str:
    return ", ".join(f"{c['channel']} {to_two_digits(c[key], c[expanded])}" for c in measured["channels"])


def test_every_number_in_every_table_is_one_of_the_results(paper: Path) -> None:
    """Shares of the variance are worked out on the sheet; everything else is a rounded number of results.json."""
    _, results = rehearsed()
    shown, checked = sheets(paper), 0
    for one in results["runs"]:
        numbers = list(numbers_in(one)) + [1e3 * p["record_s"] for p in one["points"]]
        for title, (heads, *rows) in shown[one["unit"]["serial"]].tables:
            for row in rows:
                cells = [cell for head, cell in zip(heads, row, strict=True) if head != "share %"]
                for number in NUMBER.findall(" ".join(cells)):
                    assert rounds_to(number, numbers), (title, row, number)
                    checked += 1
    assert checked > 400


def test_shares_of_the_variance_add_up(paper: Path) -> None:
    """JCGM 100, 5.1.2: independent parts add by their squares; shares of one row make 100 %, each to 0.05."""
    for shown in sheets(paper).values():
        tables, sums = shown.tables_of("Uncertainty"), []
        for heads, *rows in tables:
            shares = [row[heads.index("share %")] for row in rows]
            sums.append(sum(float(share) for share in shares if not share.startswith("<")))
        assert sums == pytest.approx([100.0] * 4, abs=0.2)


def test_sections_stand_in_their_order_and_the_title_names_the_unit(paper: Path) -> None:
    for serial, shown in sheets(paper).items():
        assert shown.title == f"Sheet for unit {serial}"
        assert shown.headings == [h for h in SECTIONS if h not in NO_DATA]


def test_drawings_are_there_and_described(paper: Path) -> None:
    """2 loads: 2 ladders, 2 of distortion, 2 shots, 2 envelopes; 1 of temperature."""
    for shown in sheets(paper).values():
        drawn = [given["aria-label"] for tag, given in shown.elements if tag == "svg"]
        assert len(drawn) == 9
        assert all(drawn)
        assert {"8R", "4R"} <= set(re.findall(r"\b\dR\b", shown.text))


def test_nothing_points_outside(paper: Path) -> None:
    """No request: no address, no script, no picture, no style from elsewhere; fonts are the reader's own."""
    for path in [paper / "batch.html", *(paper / "sheets").iterdir()]:
        text = path.read_text()
        shown = read(text)
        assert "://" not in text
        assert "url(" not in re.sub(r"url\(#\w+\)", "", text)
        assert not {tag for tag, _ in shown.elements} & {"script", "img", "link", "iframe", "object", "form", "image"}
        for tag, given in shown.elements:
            for key in ("src", "href", "xlink:href", "srcset", "action", "data"):
                target = given.get(key)
                if target is not None:
                    assert target.startswith("#") or (path.parent / target).is_file(), (tag, target)


def test_ids_are_not_shared(paper: Path) -> None:
    """HTML: an id stands once in a page; and every reference finds its own."""
    for path in (paper / "sheets").iterdir():
        text = path.read_text()
        ids = re.findall(r'\bid="([^"]*)"', text)
        assert len(ids) == len(set(ids))
        assert set(re.findall(r'(?:url\(#|href="#)([^)"]+)', text)) == set(ids)


def test_same_results_same_bytes(paper: Path, tmp_path: Path) -> None:
    """In another process, with another order of hashes, in another place."""
    folder, _ = rehearsed()
    copied = shutil.copytree(folder, tmp_path / "elsewhere")
    command = [sys.executable, "-P", "-m", "sequencer", "report", str(copied), "--out", str(tmp_path / "again")]
    hashed = {"PYTHONHASHSEED": "7", "PATH": "", "HOME": str(tmp_path)}
    subprocess.run(command, check=True, capture_output=True, env=hashed)
    ours = {p.relative_to(paper): p.read_bytes() for p in paper.rglob("*.html")}
    assert len(ours) == 3
    assert {p.relative_to(tmp_path / "again"): p.read_bytes() for p in (tmp_path / "again").rglob("*.html")} == ours


def test_words_of_our_own(paper: Path) -> None:
    for path in paper.rglob("*.html"):
        shown = read(path.read_text())
        told = set(re.findall(r"[a-z]+", (shown.text + shown.title).lower().replace("heat sink", "")))
        assert told.isdisjoint(AVOIDED.split())


def test_batch_has_a_row_for_each_unit(paper: Path) -> None:
    """The forward unit meets all four ratings. Of the aft one B ended both ramps, at which A still gave a clean tone of
    less than it is rated for: two are not judged. Each has one reading nearer to its limit than its uncertainty."""
    _, results = rehearsed()
    shown = read((paper / "batch.html").read_text())
    assert shown.title == "Batch of 2 units"
    heads, *rows = shown.tables[0][1]
    assert [row[0].split()[0] for row in rows] == ["MV-0117", "MV-0122"]
    assert all("within, nearer to the limit than its uncertainty" in row[1] for row in rows)
    assert "4 of 4 within" in rows[0][3]
    assert "2 of 4 within, 2 not measured" in rows[1][3]
    for row, serial in zip(rows, ("MV-0117", "MV-0122"), strict=True):
        one = next(r for r in results["runs"] if r["unit"]["serial"] == serial)
        for column, load in ((4, "8R"), (5, "4R")):
            assert load in heads[column]
            (longest,) = (p for p in one["points"] if p["load"] == load and p["cycles"] == 20)
            for c in longest["channels"]:
                watts = to_two_digits(c["power_at_limit_w"], c["power_at_limit_expanded_uncertainty_w"])
                assert f"{c['channel']} {watts}" in row[column]


def test_a_spread_needs_three_units_of_one_model(tmp_path: Path) -> None:
    """Median and ends of 98, 101 and 107 W, by eye."""
    runs = [run(power_of(w), serial=f"S{w}", run_id=f"r{w:g}") for w in (107.0, 98.0, 101.0)]
    shown = read(write_pages(write(tmp_path / "three", *runs)).read_text())
    assert shown.tables_of("Median and spread")[0][1][1:] == ["A", "3", "101.0", "98.00", "107.0"]
    two = read(write_pages(write(tmp_path / "two", *runs[:2])).read_text())
    assert "Median and spread" not in two.headings


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_text(name: str, tmp_path: Path) -> None:
    """As serial, model, label, load, channel, reason, plan, bench, stand-in: never an element, never an attribute."""
    alike = channel(name, uncertainty_parts_w={name: 0.5, "probe:" + name: 0.2})
    one = run(
        point(channels=[alike], load=name, id=name, stopped_by_channel=name),
        refused_point(name + "2", reason=name),
        serial=name, run_id="r01", label=name, plan=name, bench=name, bay=name, dialect_substitutes={name: name},
        findings=[{"kind": name, "sentence": name, "channel": name, "next_action": name}],
        trips=[{"time": name, "sentence": name}], ratings=[rating()], wiring={"ch1": name},
    )  # fmt: skip
    plain = run(serial="plain", run_id="r02")
    page = write_pages(write(tmp_path / "night", one | {"unit": {"serial": name, "model": name}}, plain))
    for path in [page, *(tmp_path / "night" / "sheets").iterdir()]:
        text = path.read_text()
        shown = read(text)
        assert not {tag for tag, _ in shown.elements} & {"script", "img", "b"}
        assert not [key for _, given in shown.elements for key in given if key.startswith("on")]
        assert "49" not in shown.title
        assert not re.search("[\u202a-\u202e\u2066-\u2069\x00\x1b]", text)
    assert all(p.is_relative_to(tmp_path / "night") for p in (tmp_path / "night").rglob("*"))
    assert len(list((tmp_path / "night" / "sheets").iterdir())) == 2
    readable = "".join(c if c.isprintable() else "?" for c in name)
    first = next(p for p in (tmp_path / "night" / "sheets").iterdir() if "r01" in p.name)
    assert read(first.read_text()).title == f"Sheet for unit {readable}"


def test_a_run_with_nothing_in_it_is_still_a_sheet(tmp_path: Path) -> None:
    """An unfinished run without a point: sections without data are left out, the others say what there is."""
    shown = one_sheet(tmp_path, run(outcome="unfinished", ended=None))
    assert shown.headings == ["Judgement", "Trips", "How it was measured", "Instruments", "Cautions"]
    assert "The run has no end: 0 points kept." in shown.text


def test_suspect_nights_and_rehearsals_say_so(tmp_path: Path) -> None:
    shown = one_sheet(tmp_path, run(power_of(110.0), seed=3), suspect="the reference unit moved by 0.2 dB")
    assert "Suspect: the reference unit moved by 0.2 dB." in shown.text
    assert "A dry run on simulated instruments" in shown.text
    real = one_sheet(tmp_path / "real", run(power_of(110.0), seed=None))
    assert "dry run" not in real.text


def test_single_values_find_their_section(tmp_path: Path) -> None:
    """Rows of later measurements, and one that nobody foresaw, which is not lost."""

    def value(name: str, **more: Any) -> dict[str, Any]:
        return {"name": name, "channel": "A", "value": 0.0112, "unit": "V", "expanded_uncertainty": 0.0021} | more

    points = [
        {"id": f"p{i}", "measurement": measurement, "outcome": "measured", "values": [value(name)]}
        for i, (measurement, name) in enumerate(
            [("response", "at 20 kHz"), ("noise", "hum"), ("output_offset", "offset"), ("shell_volts", "shell")]
        )
    ]  # fmt: skip
    shown = one_sheet(
        tmp_path,
        run(*points, {"id": "p9", "measurement": "steady_efficiency", "outcome": "measured", "efficiency_pct": 61.34}),
    )
    for title in ("Response", "Noise", "Idle current and offset", "Further values"):
        assert any("0.0112 ±0.0021" in cell for cell in shown.tables_of(title)[0][1]), title
    assert "61.3" in shown.tables_of("Efficiency")[0][1]


def test_a_shot_without_its_trace_says_why(tmp_path: Path) -> None:
    """Never an empty drawing: not kept, not there, damaged, outside the folder."""
    night = tmp_path / "night"
    wired = {"ch1": "output A", "ch3": "rail"}
    (tmp_path / "x+accepted.npz").write_bytes(b"outside")
    for name, why in [
        (None, "its accepted trace was not kept"),
        ("traces/gone+accepted.npz", "the file is not there"),
        ("traces/bad+accepted.npz", "not a trace"),
        ("../x+accepted.npz", "the file is not there"),
    ]:
        write(night, run(point(traces=[name] if name else []), wiring=wired))
        (night / "traces").mkdir(exist_ok=True)
        (night / "traces" / "bad+accepted.npz").write_bytes(b"no zip")
        shown = read(write_pages(night).read_text())
        assert "p001 is not drawn: " in shown.text
        assert why in shown.text


# --- the command ----------------------------------------------------------------------------------


def test_one_run_is_a_sheet_several_are_a_batch(tmp_path: Path) -> None:
    two = write(tmp_path / "two", run(power_of(110.0)), run(power_of(110.0), serial="B", run_id="r02"))
    assert write_pages(two).name == "batch.html"
    assert write_pages(two, run_id="r02", out=tmp_path / "one") == tmp_path / "one" / "sheet.html"
    assert read((tmp_path / "one" / "sheet.html").read_text()).title == "Sheet for unit B"
    with pytest.raises(InputRefused, match=r"r01, r02"):
        write_pages(two, run_id="r03")


def test_a_ledger_gives_the_same_as_its_results(paper: Path, tmp_path: Path) -> None:
    """A night that was killed has only its ledger."""
    folder, results = rehearsed()
    copied = shutil.copytree(folder, tmp_path / "killed")
    (copied / "results.json").unlink()
    assert json.dumps(read_night(copied), sort_keys=True) == json.dumps(results, sort_keys=True)
    assert write_pages(copied / "ledger.sqlite").read_bytes() == (paper / "batch.html").read_bytes()


def test_dry_run_leaves_its_pages_and_a_failure_of_paper_does_not_fail_the_night(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "one"
    assert main(["dry-run", "first", "--unit", "ferry_pa_60", "--out", str(out)]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == f"pages: {out / 'sheet.html'}"
    assert read((out / "sheet.html").read_text()).title == "Sheet for unit MV-0117"
    monkeypatch.setenv("PYTHONHASHSEED", "not a number")  # the child's interpreter refuses to start
    again = tmp_path / "two"
    assert main(["dry-run", "first", "--unit", "ferry_pa_60", "--out", str(again)]) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert last.startswith("pages not written: ")
    assert f"nightramp report {again}" in last
    assert (again / "results.json").read_bytes() == (out / "results.json").read_bytes()


def test_the_nights_own_process_draws_nothing(tmp_path: Path) -> None:
    """matplotlib stays in the child."""
    program = (
        "import sys; from sequencer.cli import main; code = main(sys.argv[1:]); "
        "assert 'matplotlib' not in sys.modules; assert 'jinja2' not in sys.modules; sys.exit(code)"
    )
    command = [
        sys.executable,
        "-P",
        "-c",
        program,
        "dry-run",
        "first",
        "--unit",
        "ferry_pa_60",
        "--out",
        str(tmp_path / "n"),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "n" / "sheet.html").is_file()
