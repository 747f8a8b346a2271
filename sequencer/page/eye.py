"""Reads the shots of the present point at a glance, each once, and only while somebody looks."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.measurements.requests import Shot
from sequencer.page.pictures import Tried, Wire
from sequencer.page.scene import Scene
from sequencer.plan.points import AnyPoint, Point
from sequencer.view.glance import Seen, glance
from sequencer.view.words import HARMONICS

AT_ONCE = 2  # shots read in one go: reading one takes some milliseconds from the night's interpreter


class Eye:
    """What was read of the present points' shots. A shot that came and went while nobody looked has its level alone."""

    def __init__(self) -> None:
        self._points: tuple[AnyPoint, ...] = ()
        self._known: dict[int, tuple[Seen, ...]] = {}

    def tried(self, scene: Scene) -> tuple[Tried, ...]:
        points = scene.now.points
        if points and points != self._points:  # after the last one it stays to be looked at
            self._points, self._known = points, {}
        fresh = [shot for shot in reversed(scene.shots) if shot.number not in self._known]
        for shot in fresh[:AT_ONCE] if points else ():
            self._known[shot.number] = _glanced(shot, points[0])
        return tuple(
            Tried(one.number, one.purpose, one.level_vrms, self._known.get(one.number, ())) for one in scene.levels
        )


def _glanced(shot: Shot, point: AnyPoint) -> tuple[Seen, ...]:
    return glance(shot, point.channels, point.harmonics if isinstance(point, Point) else HARMONICS)


def wires_of(scene: Scene) -> list[Wire]:
    """The last shot's outputs in the channels' order, then the rail, as far as they were captured."""
    shot, run, plan = scene.now.shot or (scene.shots[-1] if scene.shots else None), scene.now.run, scene.plan
    if shot is None or run is None or plan is None:
        return []
    names = [*(f"output {name}" for name in run.unit.channel_names()), "rail"]
    found = [(name, plan.bench.input_for(name)) for name in names]
    return [Wire(name, shot.records[wire]) for name, wire in found if wire is not None and wire in shot.records]


def last_shot(scene: Scene) -> Shot | None:
    return scene.now.shot or (scene.shots[-1] if scene.shots else None)


def limit_of(points: Sequence[AnyPoint]) -> tuple[float | None, str]:
    """The highest limit that is looked for, percent, and of what."""
    searched = [one for one in points if isinstance(one, Point)]
    if not searched:
        return None, "THD"
    return max(one.limit_pct for one in searched), {"thd": "THD", "thd_n": "THD+N"}[searched[0].quantity]
