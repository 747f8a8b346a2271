"""Nights with one fault, and when each phase of a point is.

Simulated time is the same in every run, so a phase is a time in the night without faults. NIGHTRAMP_SEED draws the
noise; what else it draws stands with the cases.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from typing import Any

from sequencer.compose import Done, DryRun, Rig, dry_run
from sequencer.measurements.requests import Fire, Reply, Request, Shot
from sequencer.night.listen import Nobody
from sequencer.night.setup import UnitRun
from simulators.bench import SimulatedBench
from simulators.faults import LinkFaults
from simulators.world.setting import Setting
from tests.wire.safety_nights import FIRST, FRONT, ROOT, SECOND, Ended, Said

SEED = int(os.environ.get("NIGHTRAMP_SEED", "1"))
ROLES = tuple(FRONT)
MOMENT_S = 0.0005  # before a message, so that the fault is there when it comes
SENSOR = "301"  # of the first unit
SERIAL, NEXT = FIRST.replace("mv_", "MV-"), SECOND.replace("mv_", "MV-")
BURST_J, LOAD_J, UNIT_J = 400.0, 3700.0, 3000.0  # what unit and bench allow: per burst; into loads, unit, in a point

PLAN = """
format = 1
name = "every phase"
rest = "quick"
[[stage]]
name = "burst"
measurement = "output_power"
loads = ["8R"]
drives = ["20 cycles"]
stop_limit = { thd_pct = 3.0 }
resolution_db = 0.3
confirm = 1
[[stage]]
name = "steady"
measurement = "output_power"
loads = ["4R"]
drives = ["steady 1 s"]
stop_limit = { thd_pct = 3.0 }
resolution_db = 0.3
confirm = 1
[[stage]]
name = "cooled"
measurement = "idle_current"
wait = "cooled"
"""

Act = Callable[[SimulatedBench, int], None]


# --- a night


class Heard(Nobody):
    """Every shot with its unit and point, and how far the instruments' own log was when it had been read."""

    def __init__(self) -> None:
        self.shots: list[tuple[str, str, Shot]] = []
        self._point = ""

    def point_begun(self, run: UnitRun, point: Any) -> None:
        self._point = point.id

    def heard(self, run: UnitRun, request: Request, reply: Reply) -> None:
        if isinstance(request, Fire) and isinstance(reply, Shot):
            self.shots.append((run.unit.serial, self._point, reply))


@dataclass(frozen=True)
class Seen:
    """The world at one instant, by its own clock: how it stands, and what the thermometer's panel shows of the first
    sensor."""

    at_ns: int
    setting: Setting
    sensor_c: float

    @classmethod
    def of(cls, bench: SimulatedBench, at_ns: int) -> Seen:
        shown_c = bench.panels["thermometer"]._celsius(SENSOR, at_ns)  # type: ignore[attr-defined]
        return cls(at_ns, bench.world._timeline.last.setting, shown_c)


@dataclass
class Run:
    """A night as it ended. seen: what the world had before and after something was done to it."""

    ended: Ended
    heard: Heard
    seen: list[Seen] = field(default_factory=list)

    @property
    def end_ns(self) -> int:
        return round(self.ended.done.bench_s * 1e9) + 1


def night(
    folder: Path,
    faults: Mapping[str, LinkFaults] | None = None,
    act: tuple[float, Act] | None = None,
    units: Sequence[str] = (FIRST, SECOND),
) -> Run:
    """faults: of links, by role. act: bench time in s, and what is then done to the bench."""
    folder.mkdir(parents=True, exist_ok=True)
    limit = f"[limit]\nenergy_per_burst_j = {BURST_J}\n\n[heat]"
    files = tuple(_written(folder, "units", name, ("[heat]", limit)) for name in units)
    ceilings = f"[ceiling]\nenergy_load_j = {LOAD_J}\nenergy_unit_j = {UNIT_J}\n"
    bench = _written(folder, "benches", "ferry_workshop", ("[ceiling]", ceilings))
    (folder / "plan.toml").write_text(PLAN)
    benches: list[SimulatedBench] = []
    said: list[Said] = []
    seen: list[Seen] = []

    def watch(made: SimulatedBench) -> None:
        benches.append(made)
        if act is None:
            return
        timebase = made.servers["supply"].timebase

        def strike() -> None:
            now_ns = timebase.now_ns()
            made.world.contacts(now_ns)  # what was due before has happened
            seen.append(Seen.of(made, now_ns))
            act[1](made, now_ns)
            seen.append(Seen.of(made, now_ns))

        timebase.call_at_ns(round(act[0] * 1e9), strike)

    def log(now_ns: int, front: str, message: str, reply: bytes | None) -> None:
        said.append(Said(now_ns, front, message))

    heard = Heard()
    rig = Rig(faults or {}, log, watch)
    asked = DryRun(str(folder / "plan.toml"), files, bench, folder / "out", SEED, rig=rig, listener=heard)
    done: Done = dry_run(asked, lambda line: None)
    struck = [one.at_ns for one in seen[:1]] + [s.at_ns for s in said if s.message.startswith("(")]
    results = json.loads((folder / "out" / "results.json").read_text())
    return Run(Ended(done, results, benches[0], said, struck), heard, seen)


def _written(folder: Path, kind: str, name: str, change: tuple[str, str]) -> str:
    text = (ROOT / "sequences" / kind / f"{name}.toml").read_text()
    assert text.count(change[0]) == 1
    (folder / f"{name}.toml").write_text(text.replace(*change))
    return str(folder / f"{name}.toml")


# --- when each phase is


PHASES = ("settle", "ramp", "fire", "read", "back off", "confirm", "rest")
SLOTS = (*product(("burst", "steady"), PHASES), ("", "relay change"), ("", "cool"))
POINT = {"burst": "p001", "steady": "p002"}
KEPT = {"burst": 0, "steady": 1, "relay change": 1, "cool": 2}  # points finished before
Slot = tuple[str, str]


@dataclass(frozen=True)
class Moment:
    """Bench time, s, of a phase's beginning and end; questions: when who is asked something within it, ns."""

    at_s: float
    until_s: float
    questions: Mapping[str, tuple[int, ...]] = field(default_factory=dict)

    @property
    def asked(self) -> Collection[str]:
        return self.questions.keys()

    def has(self, at_ns: int) -> bool:
        return round(self.at_s * 1e9) <= at_ns < round(self.until_s * 1e9)

    def of(self, said: Sequence[Said]) -> Moment:
        within = [s for s in said if self.has(s.at_ns) and "?" in s.message]
        times = {role: tuple(s.at_ns for s in within if s.front == FRONT[role]) for role in ROLES}
        return replace(self, questions={role: found for role, found in times.items() if found})


@dataclass
class Locator:
    """Finds phases in the log of a night without faults."""

    run: Run
    said: list[Said] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.said = self.run.ended.said

    def after(self, role: str, begins: str, from_s: float) -> float:
        """When `role` was first told so after that."""
        return next(
            s.at_ns * 1e-9
            for s in self.said
            if s.front == FRONT[role] and s.at_ns * 1e-9 > from_s and s.message.startswith(begins)
        )

    def before(self, role: str, begins: str, until_s: float) -> float:
        return max(
            s.at_ns * 1e-9
            for s in self.said
            if s.front == FRONT[role] and s.at_ns * 1e-9 < until_s and s.message.startswith(begins)
        )

    def moments(self) -> dict[Slot, Moment]:
        found = dict(self._of_points())
        opened_s = self.after("load_switch", "ROUT:OPEN (@101,102)", 0.0) - MOMENT_S
        closed_s = self.after("load_switch", "ROUT:CLOS? (@103", opened_s) + 0.03
        found["", "relay change"] = Moment(opened_s, closed_s)
        last_s = self._shots("steady")[-1].fired_at_ns * 1e-9
        read_s = self.after("supply", "STAT:QUES?", self.after("digitiser", ":WAV:SOUR CHAN1", last_s))
        held_s = self.after("load_switch", "ROUT:CLOS? (@201", read_s)
        found["", "cool"] = Moment(held_s + 2.0, self.after("load_switch", "ROUT:CLOS? (@201", held_s))
        return {slot: found[slot].of(self.said) for slot in SLOTS}

    def _shots(self, drive: str) -> list[Shot]:
        return [shot for serial, point, shot in self.run.heard.shots if (serial, point) == (SERIAL, POINT[drive])]

    def _of_points(self) -> Iterator[tuple[Slot, Moment]]:
        for drive in POINT:
            shots = self._shots(drive)
            asked = [shot for shot in shots if shot.request.purpose in ("ramp", "confirm")]
            over = next(i for i in range(2, len(asked)) if asked[i].level_vrms < asked[i - 1].level_vrms)
            confirm = next(shot for shot in shots if shot.request.purpose == "confirm")
            first_s = self._set_s(shots[0])
            if drive == "burst":
                settled_s = self.after("load_switch", "ROUT:CLOS (@205", 0.0) + 1.5
            else:
                settled_s = self.after("load_switch", "ROUT:CLOS? (@103", 0.0) + 0.031
            yield (drive, "settle"), Moment(settled_s, first_s)
            top, back = asked[over - 1], asked[over]
            fired_s, read_s, done_s = self._fired_s(top), self._read_s(top), self._done_s(top)
            yield (drive, "ramp"), Moment(self._set_s(top) - MOMENT_S, fired_s)
            yield (drive, "fire"), Moment(fired_s + MOMENT_S, read_s)
            yield (drive, "read"), Moment(read_s - MOMENT_S, done_s)
            yield (drive, "rest"), Moment(done_s + 0.3, self._set_s(back))
            yield (drive, "back off"), Moment(self._set_s(back) - MOMENT_S, self._fired_s(back))
            yield (drive, "confirm"), Moment(self._fired_s(confirm) + MOMENT_S, self._done_s(confirm))

    def _fired_s(self, shot: Shot) -> float:
        """The trigger itself: the shot's own time is when it was about to be sent."""
        return self.after("generator", "*TRG", shot.fired_at_ns * 1e-9 - MOMENT_S)

    def _set_s(self, shot: Shot) -> float:
        return self.before("generator", "SOUR1:BURS:NCYC ", self._fired_s(shot))

    def _read_s(self, shot: Shot) -> float:
        return self.after("digitiser", ":WAV:SOUR CHAN1", self._fired_s(shot))

    def _done_s(self, shot: Shot) -> float:
        return self.after("supply", "STAT:QUES?", self._read_s(shot))
