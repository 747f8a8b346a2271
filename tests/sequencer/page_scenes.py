"""Scenes of a small invented night, as a board would have them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache

from sequencer.measurements.requests import BenchReading
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.on_paper import read
from sequencer.page import scene as state
from sequencer.page.about import About
from sequencer.page.history import Past
from sequencer.page.scene import Scene
from sequencer.page.views import Sight
from sequencer.plan.points import Point
from sequencer.safety.make_safe import Report
from sequencer.whole_night import night_plan
from tests.sequencer.view_night import a_shot, powered

START = datetime(2026, 1, 5, 22, 0, tzinfo=UTC)
ABOUT = About("workshop", simulated=False, has_queue=True)


@cache
def plan() -> NightPlan:
    return night_plan(read("two_limits", [], None)[0], 1, {})


def first_run() -> tuple[UnitRun, Point]:
    run = plan().runs[0]
    return run, powered(run)


def begun() -> Scene:
    run, point = first_run()
    scene = state.night_begun(Scene(), plan(), START)
    scene = state.run_begun(scene, run, 1, len(plan().runs), START.isoformat())
    return state.point_begun(scene, run, point)


def reading(at_s: float, volts: float = 24.0, amps: float = 1.1, hot_c: float = 31.0) -> BenchReading:
    return BenchReading(volts, amps, False, None, {"A": hot_c, "B": hot_c - 1.0}, round(at_s * 1e9))


def measuring() -> Scene:
    """One shot at 20 Vrms, readings each second for a minute."""
    point = first_run()[1]
    scene = begun()
    for second in range(60):
        scene = state.read(scene, reading(float(second)), driven=False)
    shot = replace(a_shot(point, 20.0), fired_at_ns=60_000_000_000)
    return state.heard(scene, shot.request, shot)


def report(*confirmed: str, failed: str = "") -> Report:
    made = Report("normal")
    for name in confirmed:
        made.note(name, "confirmed, reads back off", confirmed=True)  # type: ignore[arg-type]
    if failed:
        made.note(failed, "not confirmed: no answer in time", confirmed=False)  # type: ignore[arg-type]
    return made


def sight(scene: Scene, past: Past | None = None, after_s: float = 60.0) -> Sight:
    return Sight(ABOUT, scene, (), past or Past(True), START + timedelta(seconds=after_s))
