"""What a page shows of a night at this moment. Pure: each function returns the next state; what is kept is bounded.

It is told on the night's own loop, so that each step is only a few references: numbers and drawings are made of it
elsewhere, and only while somebody looks.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from sequencer.measurements.requests import BenchReading, Reply, Request, Shot
from sequencer.measurements.unseen import seen
from sequencer.night.questions import Open
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.plan.points import AnyPoint
from sequencer.safety.make_safe import Order, Report
from sequencer.view import now as state

RECENT_EVERY_S, MOST_RECENT = 0.5, 600
HEAT_EVERY_S, MOST_HEAT = 60.0, 1500
MOST_LEVELS, MOST_SHOTS, MOST_SAID, MOST_RUNS, MOST_MARKS = 120, 6, 12, 40, 400
RESTED = {"finished": "is finished", "tripped": "tripped", "stopped": "was stopped", "unfinished": "is unfinished"}


@dataclass(frozen=True)
class Reading:
    """at_s: bench time. None: nothing reads it."""

    at_s: float
    supply_v: float | None
    supply_a: float | None
    heatsink_c: Mapping[str, float]
    driven: bool


@dataclass(frozen=True)
class Level:
    """One shot of the present point: what was asked. level_vrms: at the unit's input."""

    number: int
    level_vrms: float
    purpose: str


@dataclass(frozen=True)
class Mark:
    """One point that is kept. at: wall time."""

    at: datetime
    id: str
    outcome: str


@dataclass(frozen=True)
class Span:
    """One unit's run. of: points in all. ended: None while it lasts."""

    run: str
    serial: str
    bay: str
    of: int
    begun: datetime
    marks: tuple[Mark, ...] = ()
    ended: datetime | None = None
    outcome: str = ""


@dataclass(frozen=True)
class Word:
    """One act of making safe. after_s: real seconds since somebody pressed STOP; None: nobody had."""

    act: str
    said: str
    confirmed: bool
    after_s: float | None = None


@dataclass(frozen=True)
class Safe:
    """The last making safe. over: nothing more will be said of it."""

    order: Order
    words: tuple[Word, ...] = ()
    over: bool = False
    confirmed: bool = False


@dataclass(frozen=True)
class Scene:
    """is_night: one is under way. start: wall time at bench time 0. stop_at_s: real seconds, when STOP was pressed.
    said: the latest sentences; call: the one that a person should hear of."""

    now: state.Now = field(default_factory=state.Now)
    plan: NightPlan | None = None
    is_night: bool = False
    start: datetime | None = None
    readings: tuple[Reading, ...] = ()
    heat: tuple[tuple[datetime, float], ...] = ()
    spans: tuple[Span, ...] = ()
    levels: tuple[Level, ...] = ()
    shots: tuple[Shot, ...] = ()
    questions: Open = ()
    safe: Safe | None = None
    stop_at_s: float | None = None
    said: tuple[str, ...] = ()
    call: str = ""
    ended: tuple[str, ...] = ()


def night_begun(scene: Scene, plan: NightPlan, start: datetime) -> Scene:
    """A clock of its own: bench time begins anew."""
    fresh = Scene(plan=plan, is_night=True, start=start, spans=scene.spans, heat=scene.heat, said=scene.said)
    return replace(fresh, stop_at_s=scene.stop_at_s, call=scene.call)


def night_over(scene: Scene, lines: list[str]) -> Scene:
    """Nothing that was read is true any more; the last shot stays to be looked at."""
    call = "; ".join(lines) or scene.call
    now = replace(scene.now, points=(), supply=None, heatsink_c={})
    spans = tuple(one if one.ended else replace(one, ended=_at(scene), outcome="broken off") for one in scene.spans)
    return replace(scene, is_night=False, now=now, spans=spans, ended=tuple(lines), call=call, questions=())


def run_begun(scene: Scene, run: UnitRun, number: int, of: int, at: str) -> Scene:
    span = Span(run.id, run.unit.serial, run.bay.name, len(run.points), _time(at, scene))
    spans = (*(one for one in scene.spans if one.run != run.id), span)[-MOST_RUNS:]
    call = f"unit {run.unit.serial} in bay {run.bay.name}, run {number} of {of}"
    safe = None if scene.stop_at_s is None else scene.safe  # of the unit before: it says nothing of what is powered now
    scene = replace(scene, now=state.begun(scene.now, run, number, of, at), safe=safe)
    return replace(scene, spans=spans, call=call, levels=(), shots=())


def point_begun(scene: Scene, run: UnitRun, point: AnyPoint) -> Scene:
    now = state.at_point(scene.now, run, point)
    same = now.points == scene.now.points
    return replace(scene, now=now, levels=scene.levels if same else (), shots=scene.shots if same else ())


def heard(scene: Scene, request: Request, reply: Reply) -> Scene:
    scene = replace(scene, now=state.heard(scene.now, request, reply))
    if isinstance(reply, BenchReading):
        return read(scene, reply, driven=False)
    if not isinstance(reply, Shot):
        return scene
    level = Level(reply.number, reply.level_vrms, reply.request.purpose)
    fresh = Reading(reply.fired_at_ns / 1e9, seen(reply.supply_v), seen(reply.supply_a), {}, driven=True)
    return replace(
        scene,
        levels=(*scene.levels, level)[-MOST_LEVELS:],
        shots=(*scene.shots, reply)[-MOST_SHOTS:],
        readings=_with(scene.readings, fresh),
    )


def read(scene: Scene, reading: BenchReading, *, driven: bool) -> Scene:
    """By the watch, or by a measurement."""
    at_s = reading.at_ns / 1e9
    fresh = Reading(at_s, seen(reading.supply_v), seen(reading.supply_a), dict(reading.heatsink_c), driven)
    scene = replace(scene, readings=_with(scene.readings, fresh))
    if scene.start is None or not reading.heatsink_c:
        return scene
    at = scene.start + timedelta(seconds=at_s)
    if scene.heat and (at - scene.heat[-1][0]).total_seconds() < HEAT_EVERY_S:
        return scene
    return replace(scene, heat=(*scene.heat, (at, max(reading.heatsink_c.values())))[-MOST_HEAT:])


def point_kept(scene: Scene, run: UnitRun, row: Mapping[str, Any]) -> Scene:
    mark = Mark(_at(scene), str(row.get("id")), str(row.get("outcome")))
    spans = tuple(
        replace(one, marks=(*one.marks, mark)[-MOST_MARKS:]) if one.run == run.id else one for one in scene.spans
    )
    return replace(scene, now=state.kept(scene.now, row), spans=spans)


def run_ended(scene: Scene, run: UnitRun, outcome: str, at: str) -> Scene:
    ended = _time(at, scene)
    spans = tuple(replace(one, ended=ended, outcome=outcome) if one.run == run.id else one for one in scene.spans)
    call = f"unit {run.unit.serial} {RESTED.get(outcome, outcome)}"
    return replace(scene, now=state.ended(scene.now, at), spans=spans, call=call)


def said(scene: Scene, line: str) -> Scene:
    return replace(scene, said=(*scene.said, line)[-MOST_SAID:])


def asked(scene: Scene, questions: Open) -> Scene:
    over = "no question is open any more" if scene.questions else scene.call
    call = questions[-1][1].question if questions else over
    return replace(scene, questions=questions, call=call)


def stop_pressed(scene: Scene, real_s: float) -> Scene:
    """safe: of the making safe before it, nothing counts."""
    return scene if scene.stop_at_s is not None else replace(scene, stop_at_s=real_s, safe=None)


def making_safe(scene: Scene, report: Report, over: bool, real_s: float) -> Scene:
    """When an act was first said to be confirmed stays with it."""
    before = {} if scene.safe is None or scene.safe.over else {(w.act, w.said): w.after_s for w in scene.safe.words}
    after_s = None if scene.stop_at_s is None else real_s - scene.stop_at_s
    words = tuple(
        Word(act, text, act not in report.unconfirmed, before.get((act, text), after_s))
        for act, text in report.words.items()
    )
    safe = Safe(report.order, words, over, over and report.confirmed)
    return replace(scene, safe=safe, call=safe_sentence(safe) if over else scene.call)


def safe_sentence(safe: Safe) -> str:
    if not safe.over:
        return "the bench is being made safe"
    missing = ", ".join(word.act for word in safe.words if not word.confirmed)
    if safe.confirmed:
        return "made safe, confirmed" + (f"; not seen: {missing}" if missing else "")
    return f"NOT CONFIRMED SAFE: {missing}. Emergency stop by hand, now."


def _with(readings: tuple[Reading, ...], fresh: Reading) -> tuple[Reading, ...]:
    """In the order of time, at most so many a second: the latest of them stays."""
    if readings and fresh.at_s < readings[-1].at_s:
        return readings
    if len(readings) > 1 and fresh.at_s - readings[-2].at_s < RECENT_EVERY_S:
        heat = fresh.heatsink_c or readings[-1].heatsink_c
        return (*readings[:-1], replace(fresh, heatsink_c=heat))
    return (*readings, fresh)[-MOST_RECENT:]


def _at(scene: Scene) -> datetime:
    """Wall time of the bench's present moment."""
    assert scene.start is not None
    return scene.start + timedelta(seconds=scene.now.bench_s)


def _time(stamp: str, scene: Scene) -> datetime:
    try:
        return datetime.fromisoformat(stamp)
    except ValueError:
        return _at(scene)
