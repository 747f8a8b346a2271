"""From scenes to HTML and drawings. Truths: HTML as a parser of Python's standard library reads it, the numbers that
were put in, README's "The live page"."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from typing import Any

import pytest

from sequencer.ledger.queue import Entry
from sequencer.measurements.requests import Ask
from sequencer.page import scene as state
from sequencer.page import timeline as line
from sequencer.page.drawing import Field, Span, apart, around, ticks
from sequencer.page.eye import Eye, limit_of, wires_of
from sequencer.page.gallery import Gallery, event
from sequencer.page.history import Past, Run
from sequencer.page.pictures import Tried, ramp_picture, shot_picture
from sequencer.page.scene import Scene
from sequencer.page.static_files import paper_tokens, static_files
from sequencer.page.views import PARTS, Sight, Views
from sequencer.view.glance import Seen
from tests.sequencer.page_scenes import ABOUT, START, begun, first_run, measuring, plan, report, sight
from tests.sequencer.report_nights import HOSTILE

VOID = {"meta", "link", "input", "wbr", "br", "path", "circle", "rect"}


class Read(HTMLParser):
    """Tags, attributes, text; whether every tag is closed where it should be."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.text = ""
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        self.text += data


def entry(number: int, serial: str, why: str | None = None, **more: Any) -> Entry:
    row = {
        "plan": "/p.toml", "plan_sha256": "0" * 64, "unit": "/u.toml", "unit_sha256": "0" * 64, "serial": serial,
        "bay": "1", "bench": "/b.toml", "estimate_s": 600.0, "number": number, "state": "waiting",
        "added": START.isoformat(), "runs": [], "why": why,
    }  # fmt: skip
    return Entry.model_validate(row | more)


def whole(scene: Scene, past: Past | None = None, **more: Any) -> Read:
    return Read(Views().whole(sight(scene, past), **({"may": False, "outcome": ""} | more)))


def test_the_whole_page_is_sound_and_has_every_part() -> None:
    read = whole(measuring())
    assert (read.wrong, read.open) == ([], [])
    ids = [value for _, name, value in read.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    assert set(PARTS) <= set(ids)
    assert read.tags.count("h1") == 1
    assert ("form", "action", "/stop") in read.attributes
    assert ("form", "method", "post") in read.attributes
    assert "Measuring unit MV-0117 in bay 1" in read.text
    assert "44.0 K below the stop limit" in read.text
    named = [value for _, name, value in read.attributes if name == "aria-labelledby"]
    assert set(named) <= set(ids)
    assert read.tags.count("svg") == len(
        [1 for tag, name, value in read.attributes if tag == "svg" and name == "aria-label" and value]
    )


def test_nothing_in_it_is_style_or_script_of_its_own_or_from_elsewhere() -> None:
    """What the page's policy refuses anyway must not be there: it would be a page that looks broken."""
    read = whole(state.asked(measuring(), (("q", Ask("?", ("done",), "no", number="A")),)), _past("x"))
    assert "style" not in read.tags
    assert not [a for a in read.attributes if a[1] == "style" or a[1].startswith("on")]
    assert [a for a in read.attributes if a[0] == "script"] == [
        ("script", "src", "/static/page.js"),
        ("script", "defer", None),
    ]
    links = [value or "" for _, name, value in read.attributes if name in ("href", "src", "action", "formaction")]
    assert links
    assert all(one.startswith(("/", "#")) and not one.startswith("//") for one in links)
    for name, content in static_files().items():
        assert not re.search(rb"https?://(?!www\.w3\.org)", content), name


def _past(name: str) -> Past:
    run = Run("r1", name, name, name, START.isoformat(), None, name, f"sheets/{name}.html")
    return Past(True, (entry(1, name, why=name, label=name[:80]),), (run,), 2, frozenset({"batch.html"}), name)


@pytest.mark.parametrize("name", HOSTILE)
def test_names_from_files_stay_text(name: str) -> None:
    """Serials, bays, labels, reasons, questions, sentences: tags and attributes stay those of a plain page."""

    def scene_of(name: str) -> Scene:
        run, point = first_run()
        unit = run.unit.model_copy(update={"serial": name})
        hostile = replace(run, unit=unit, bay=run.bay.model_copy(update={"name": name}))
        scene = state.night_begun(Scene(), replace(plan(), runs=(hostile,)), START)
        scene = state.run_begun(scene, hostile, 1, 1, START.isoformat())
        scene = state.point_begun(scene, hostile, point)
        scene = state.said(state.asked(scene, (("q", Ask(name, (name, "no"), name, number=name)),)), name)
        made = report("signal off")
        made.note("supply off", name, confirmed=False)
        return state.making_safe(state.stop_pressed(scene, 0.0), made, True, 1.0)

    hostile, plain = whole(scene_of(name), _past(name)), whole(scene_of("plain"), _past("plain"))
    assert (hostile.wrong, hostile.open) == ([], [])

    def shape(read: Read) -> list[str]:
        return [tag for tag in read.tags if tag != "wbr"]

    assert shape(hostile) == shape(plain)
    assert {(tag, key) for tag, key, _ in hostile.attributes} == {(tag, key) for tag, key, _ in plain.attributes}
    assert "\x1b" not in hostile.text
    assert ("7 * 7" in hostile.text) == ("7 * 7" in name), "not worked out"


@pytest.mark.parametrize("name", [*HOSTILE, "\n\ndata: x\n\nevent: bye\n\n", "\u2028 \r\r"])
def test_no_text_ends_an_event_or_begins_another(name: str) -> None:
    """WHATWG HTML, 9.2.6: lines end at CR, LF or both; an empty line ends the event."""
    lines = re.split(rb"\r\n|\r|\n", event("parts", {"said": name}))
    assert [one.partition(b":")[0] for one in lines] == [b"event", b"data", b"", b""]
    assert json.loads(lines[1].removeprefix(b"data: ")) == {"said": name}


def test_a_part_is_made_again_only_where_what_it_shows_has_changed() -> None:
    views, scene, past = Views(), measuring(), Past(True)
    first = views.parts(sight(scene, past))
    again = views.parts(sight(scene, past))
    assert all(first[name] is again[name] for name in first)
    more = views.parts(sight(state.said(scene, "a word"), past))
    assert {name for name in first if more[name] is not first[name]} == {"said"}
    assert "a word" in more["said"]


def test_a_part_that_fails_takes_no_other_along(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(PARTS, "shot", (lambda s: (), lambda s, b: {}["gone"]))
    parts = Views().parts(sight(measuring()))
    assert "can't be shown" in parts["shot"]
    assert "MV-0117" in parts["state"]


def test_the_colours_are_those_of_the_sheet() -> None:
    css = static_files()["page.css"].decode()
    assert css.startswith(paper_tokens())
    names = set(re.findall(r"var\((--\w+)\)", css))
    assert names <= set(re.findall(r"(--\w+):", paper_tokens()))
    dark = re.search(r"prefers-color-scheme: dark\) \{\s*:root \{([^}]*)\}", css)
    assert dark is not None
    assert set(re.findall(r"(--\w+):", dark[1])) == set(re.findall(r"(--\w+):", paper_tokens())), "all of them, or none"


# --- drawings


def test_a_field_puts_values_where_arithmetic_does() -> None:
    field = Field(10.0, 20.0, 100.0, 50.0, Span(0.0, 10.0), Span(0.01, 100.0, log=True))
    assert (field.x(2.5), field.x(99.0)) == (35.0, 110.0)
    assert field.y(1.0) == pytest.approx(45.0), "the middle of four decades"
    assert (field.y(100.0), field.y(1e-9)) == (20.0, 70.0)


@pytest.mark.parametrize(
    ("span", "found"),
    [
        (Span(0.0, 10.0), [0.0, 5.0, 10.0]),
        (Span(-0.3, 0.31), [-0.2, 0.0, 0.2]),
        (Span(0.01, 10.0, log=True), [0.01, 0.1, 1.0, 10.0]),
        (Span(3.0, 3.0), [3.0]),
    ],
)
def test_ticks_are_round_numbers_within(span: Span, found: list[float]) -> None:
    assert ticks(span, 3) == pytest.approx(found)


def test_labels_are_pushed_apart_in_their_order() -> None:
    assert apart([10.0, 11.0, 50.0], 10.0) == [10.0, 20.0, 50.0]
    assert around([1.0], least_wide=2.0).least < 1.0


def test_the_ramp_shows_each_shot_and_its_limit() -> None:
    tried = [
        Tried(n, "ramp", 0.1 * n, (Seen("A", 2.0 * n, 0.001 * n), Seen("B", 1.9 * n, 0.0005 * n))) for n in range(1, 6)
    ]
    drawn = str(ramp_picture(tried, 1.0, "THD"))
    assert drawn.count('<circle class="mark"') == 5
    assert drawn.count('<rect class="mark"') == 5
    assert "limit 1 %" in drawn
    assert "5 shots; the last at 0.5 Vrms at the input: 0.50 % THD in A, limit 1 %" in drawn
    assert str(ramp_picture([Tried(1, "quiet", 0.001)], None, "THD")).count('class="mark"') == 1


def test_the_eye_reads_each_shot_once_and_agrees_with_the_closed_form() -> None:
    """A burst with a third harmonic of 1 %: THD(F) is 1 % by definition (IEC 60268-3, 14.12, from memory)."""
    eye, scene = Eye(), measuring()
    (tried,) = eye.tried(scene)
    assert tried.worst is not None
    assert tried.worst.volts == pytest.approx(20.0, rel=1e-3)
    assert tried.worst.thd == pytest.approx(0.01, rel=2e-2)
    (again,) = eye.tried(scene)
    assert again.seen is tried.seen
    assert limit_of(scene.now.points)[0] == max(p.limit_pct for p in first_run()[0].points if hasattr(p, "limit_pct"))


def test_the_shot_is_drawn_without_losing_its_crest() -> None:
    """A million samples a second become at most two a unit of width; least and most stay: 20 Vrms, 28.3 V."""
    scene = measuring()
    shot = scene.now.shot
    assert shot is not None
    drawn = str(shot_picture(shot, wires_of(scene)))
    assert drawn.count('class="trace"') == 2
    heights = [float(y) for y in re.findall(r" (\d+\.\d)[L\"]", re.findall(r'class="trace" d="M([^"]*")', drawn)[0])]
    assert max(heights) - min(heights) > 60.0, "fills its panel"
    assert len(drawn) < 20_000


def test_the_timeline_says_what_was_what_is_and_what_may_come() -> None:
    run, _ = first_run()
    scene = state.point_kept(measuring(), run, {"id": "p001", "outcome": "measured"})
    scene = state.point_kept(scene, run, {"id": "p002", "outcome": "not_measured"})
    spans = scene.spans
    ahead = (line.Ahead("MV-0122, bay 2", 3600.0),)
    night = line.Night(START + timedelta(minutes=1), spans, ahead, START + timedelta(minutes=30))
    assert line.ends_at_most(night) == START + timedelta(minutes=90)
    told = "1 unit begun: 1 under way; points: 1 measured, 1 not measured; 1 to come; at most until 23:30"
    assert line.in_words(night) == told
    drawn = str(line.timeline(night))
    assert drawn.count("<svg") == 2, "one for a telephone, one for a desk"
    assert drawn.count('class="tick"') == drawn.count('class="open"') == 2
    unknown = line.Night(START, spans, (line.Ahead("x", None),))
    assert line.ends_at_most(unknown) is None


def test_what_waits_in_the_queue_is_on_the_timeline_with_its_bound() -> None:
    past = Past(True, (entry(1, "MV-0130", repeat=3, times_done=1), entry(2, "MV-0131", state="held")))
    parts = Views().parts(Sight(ABOUT, begun(), (), past, START))
    assert "MV-0130, bay 1: waiting" in parts["night"]
    assert "MV-0131" not in parts["night"], "held: nobody knows when"
    assert "MV-0131" in parts["queue"]


# --- the gallery


async def test_a_viewer_is_sent_all_at_first_and_then_what_is_newer() -> None:
    gallery = Gallery()
    gallery.hang({"a": "1", "b": "1"})
    first = gallery.number
    gallery.hang({"a": "1", "b": "1"})
    assert gallery.number == first, "no news"
    for n in range(2, 500):
        gallery.hang({"a": "1", "b": str(n)})
    assert json.loads(gallery.since(0).split(b"data: ")[1]) == {"a": "1", "b": "499"}
    assert json.loads(gallery.since(first).split(b"data: ")[1]) == {"b": "499"}, "what lay between is gone"
    assert gallery.since(first) is gallery.since(first), "the same bytes for all"
    await gallery.newer(first)


def test_there_is_room_for_so_many_viewers() -> None:
    gallery = Gallery(most=2)
    with gallery.viewer() as one, gallery.viewer() as two:
        with gallery.viewer() as three:
            assert (one, two, three) == (True, True, False)
        assert gallery.viewers == 2
    with gallery.viewer() as one:
        assert one
