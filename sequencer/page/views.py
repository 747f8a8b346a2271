"""From what is known to the parts of the page, each a piece of HTML with a name. No I/O but its templates.

Everything that comes from a file is escaped by the templates; drawings escape their own labels. A part is made again
only where what it shows has changed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from jinja2 import Environment
from markupsafe import Markup

from sequencer.page import pictures, words
from sequencer.page.about import About
from sequencer.page.eye import last_shot, limit_of, wires_of
from sequencer.page.history import Past, Run
from sequencer.page.pictures import Tried
from sequencer.page.scene import Scene, safe_sentence
from sequencer.page.timeline import Ahead, Night, in_words, timeline
from sequencer.plan.estimate import estimates
from sequencer.report.pages import breakable, environment
from sequencer.report.words import clean

CALM_S = 10.0  # the timeline moves no oftener


@dataclass(frozen=True)
class Sight:
    """All that is shown at one moment. now: the bench's time, coarse."""

    about: About
    scene: Scene
    tried: tuple[Tried, ...]
    past: Past
    now: datetime


Shown = Mapping[str, Any]
Part = tuple[Callable[[Sight], Sequence[Any]], Callable[[Sight, "Bounds"], Shown]]


class Bounds:
    """The upper bound of a run's time by its plan on paper, each worked out once, s."""

    def __init__(self) -> None:
        self._known: dict[str, float] = {}

    def of_run(self, scene: Scene, run_id: str) -> float | None:
        run = next((one for one in scene.plan.runs if one.id == run_id), None) if scene.plan else None
        if run is None or scene.plan is None:
            return None
        if run_id not in self._known:
            costs = estimates(run.points, run.unit, scene.plan.bench, scene.plan.plan.budget.shots_per_point)
            self._known[run_id] = sum(cost.time_s for cost in costs) + run.unit.mute_s + run.unit.bleed_s
        return self._known[run_id]


class Views:
    """`parts(sight)`: the name of each part and its HTML."""

    def __init__(self) -> None:
        self._templates = of_the_page()
        self._bounds = Bounds()
        self._made: dict[str, tuple[Sequence[Any], str]] = {}

    def parts(self, sight: Sight) -> dict[str, str]:
        return {name: self._part(name, sight, *part) for name, part in PARTS.items()}

    def whole(self, sight: Sight, **more: Any) -> str:
        parts = {name: Markup(html) for name, html in self.parts(sight).items()}
        return self._templates.get_template("page.html").render(about=sight.about, parts=parts, **more)

    def refused(self, about: About, sentence: str) -> str:
        return self._templates.get_template("refused.html").render(about=about, sentence=sentence)

    def _part(
        self,
        name: str,
        sight: Sight,
        of: Callable[[Sight], Sequence[Any]],
        shown: Callable[[Sight, Bounds], Shown],
    ) -> str:
        now, before = of(sight), self._made.get(name)
        if before is not None and len(now) == len(before[0]) and all(map(_same, now, before[0])):
            return before[1]
        try:
            html = self._templates.get_template(f"parts/{name}.html").render(shown(sight, self._bounds)).strip()
        except Exception as error:  # one part that can't be shown must not take the others, or STOP, along
            html = str(Markup("<p class=note>can't be shown: {}</p>").format(clean(repr(error))))
        self._made[name] = now, html
        return html


def of_the_page() -> Environment:
    """As that of sheets; what comes from outside is cleaned too."""
    made = environment("sequencer.page")
    made.filters |= {"breakable": lambda text: breakable(clean(text)), "clean": clean}
    return made


def _same(one: Any, other: Any) -> bool:
    """Records hold arrays, which are told apart by identity; only what is small is compared."""
    return one is other or (isinstance(one, str | int | float | datetime) and one == other)


# --- what each part hangs on, and what it shows


def _state(sight: Sight, bounds: Bounds) -> Shown:
    scene = sight.scene
    return {"line": words.state_line(scene), "time": words.time_line(scene), "ended": scene.ended}


def _safe(sight: Sight, bounds: Bounds) -> Shown:
    scene = sight.scene
    return {
        "safe": scene.safe,
        "pressed": scene.stop_at_s is not None,
        "is_night": scene.is_night,
        "sentence": safe_sentence(scene.safe) if scene.safe else "",
        "after": words.after_words,
    }


def _ask(sight: Sight, bounds: Bounds) -> Shown:
    return {"questions": sight.scene.questions}


def _point(sight: Sight, bounds: Bounds) -> Shown:
    return {"lines": words.point_lines(sight.scene, sight.tried)}


def _shot(sight: Sight, bounds: Bounds) -> Shown:
    shot = last_shot(sight.scene)
    drawn = pictures.shot_picture(shot, wires_of(sight.scene)) if shot is not None else ""
    return {"drawn": drawn, "said": words.shot_line(shot) if shot is not None else ""}


def _ramp(sight: Sight, bounds: Bounds) -> Shown:
    limit_pct, quantity = limit_of(sight.scene.now.points)
    drawn = pictures.ramp_picture(sight.tried, limit_pct, quantity)
    return {"drawn": drawn, "said": pictures.ramp_words(sight.tried, limit_pct, quantity)}


def _bench(sight: Sight, bounds: Bounds) -> Shown:
    scene = sight.scene
    bench, run = (scene.plan.bench, scene.now.run) if scene.plan and scene.is_night else (None, None)
    readings = scene.readings
    drawn = [pictures.trend_picture(trend) for trend in words.trends(run, bench, readings)]
    return {"rows": words.bench_rows(run, bench, readings), "drawn": [one for one in drawn if one]}


def night_of(sight: Sight, bounds: Bounds) -> Night:
    """What is done, what goes on, what is to come with its bound."""
    scene = sight.scene
    begun = {one.run for one in scene.spans}
    ahead: list[Ahead] = []
    if scene.is_night and scene.plan is not None:
        to_come = [run for run in scene.plan.runs if run.id not in begun]
        ahead = [Ahead(f"{run.unit.serial}, bay {run.bay.name}", bounds.of_run(scene, run.id)) for run in to_come]
    for entry in sight.past.entries:
        if entry.state == "waiting":
            left_s = entry.estimate_s * (entry.repeat - entry.times_done)
            ahead.append(Ahead(f"{entry.serial}, bay {entry.bay}: waiting", left_s))
    going = next((one for one in reversed(scene.spans) if one.ended is None), None) if scene.is_night else None
    bound_s = None if going is None else bounds.of_run(scene, going.run)
    until = None if going is None or bound_s is None else going.begun + timedelta(seconds=bound_s)
    limit_c = scene.now.run.unit.heat.stop_c if scene.now.run is not None else None
    return Night(sight.now, scene.spans, tuple(ahead), until, scene.heat, limit_c)


def _night(sight: Sight, bounds: Bounds) -> Shown:
    night = night_of(sight, bounds)
    return {"drawn": timeline(night), "said": in_words(night)}


def _queue(sight: Sight, bounds: Bounds) -> Shown:
    return {"past": sight.past}


def _runs(sight: Sight, bounds: Bounds) -> Shown:
    return {
        "past": sight.past,
        "pages": sorted(set(sight.past.pages) & {"batch.html"}),
        "points": _points(sight),
        "when": lambda stamp: words.when(stamp, sight.now.tzinfo),
    }


def _points(sight: Sight) -> Callable[[Run], str]:
    counts = {one.run: (len(one.marks), one.of) for one in sight.scene.spans}

    def told(run: Run) -> str:
        done, of = counts.get(run.id, (0, 0))
        return f"{done} of {of}" if of else ""

    return told


def _said(sight: Sight, bounds: Bounds) -> Shown:
    return {"said": [clean(line) for line in reversed(sight.scene.said)]}


def _call(sight: Sight, bounds: Bounds) -> Shown:
    return {"call": clean(sight.scene.call)}


PARTS: dict[str, Part] = {
    "state": (lambda s: (words.state_line(s.scene), words.time_line(s.scene), s.scene.ended), _state),
    "call": (lambda s: (s.scene.call,), _call),
    "safe": (lambda s: (s.scene.safe, s.scene.stop_at_s is None, s.scene.is_night), _safe),
    "ask": (lambda s: (s.scene.questions,), _ask),
    "point": (lambda s: tuple(words.point_lines(s.scene, s.tried)), _point),
    "bench": (lambda s: (s.scene.readings, s.scene.is_night, s.scene.now.run), _bench),
    "ramp": (lambda s: (s.scene.levels, s.scene.now.points, *(one.seen for one in s.tried)), _ramp),
    "shot": (lambda s: (last_shot(s.scene),), _shot),
    "night": (lambda s: (s.now, s.scene.spans, s.past, s.scene.is_night), _night),
    "queue": (lambda s: (s.past,), _queue),
    "runs": (lambda s: (s.past, s.scene.spans), _runs),
    "said": (lambda s: (s.scene.said,), _said),
}
