"""Every fault in every phase of a point: the nights, when each phase is, and the cases, drawn so that each pair of
instrument and kind, of instrument and phase and of kind and phase occurs.

Simulated time is the same in every run, so a phase is a time in the night without faults.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from typing import Any, get_args

from sequencer.compose import Done, DryRun, Rig, dry_run
from sequencer.measurements.requests import Fire, Reply, Request, Shot
from sequencer.night.listen import Nobody
from sequencer.night.setup import UnitRun
from simulators.bench import SimulatedBench
from simulators.faults import LINK_KINDS, Kind, LinkFault, LinkFaults
from simulators.world.unit_truth import UnitTruth
from tests.wire.safety_nights import FIRST, FRONT, ROOT, SECOND, Ended, Said

ROLES = tuple(FRONT)
LINK = tuple(get_args(Kind))
MOMENT_S = 0.0005  # before a message, so that the fault is there when it comes
# The longest of them last beyond the links' 2 s; a garrulous instrument is cut off after a line's length already.
FOR_S = {"late": 3.0, "dribble": 0.2, "refused": 1.0, "frozen": 3.0, "babble": 0.5}
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


@dataclass
class Run:
    """A night as it ended."""

    ended: Ended
    heard: Heard

    @property
    def end_ns(self) -> int:
        return round(self.ended.done.bench_s * 1e9) + 1


def night(folder: Path, faults: Mapping[str, LinkFaults] | None = None, act: tuple[float, Act] | None = None) -> Run:
    """faults: of links, by role. act: bench time in s, and what is then done to the bench."""
    folder.mkdir(parents=True, exist_ok=True)
    units = tuple(_written(folder, "units", name, ("[heat]", f"[limit]\nenergy_per_burst_j = {BURST_J}\n\n[heat]"))
                  for name in (FIRST, SECOND))  # fmt: skip
    ceilings = f"[ceiling]\nenergy_load_j = {LOAD_J}\nenergy_unit_j = {UNIT_J}\n"
    bench = _written(folder, "benches", "ferry_workshop", ("[ceiling]", ceilings))
    (folder / "plan.toml").write_text(PLAN)
    benches: list[SimulatedBench] = []
    said: list[Said] = []
    struck: list[int] = []

    def watch(made: SimulatedBench) -> None:
        benches.append(made)
        if act is not None:
            at_ns, does = round(act[0] * 1e9), act[1]
            made.servers["supply"].timebase.call_at_ns(at_ns, lambda: (struck.append(at_ns), does(made, at_ns))[0])

    def log(now_ns: int, front: str, message: str, reply: bytes | None) -> None:
        said.append(Said(now_ns, front, message))

    heard = Heard()
    asked = DryRun(
        str(folder / "plan.toml"), units, bench, folder / "out", rig=Rig(faults or {}, log, watch), listener=heard
    )
    done: Done = dry_run(asked, lambda line: None)
    struck += [s.at_ns for s in said if s.message.startswith("(")]
    return Run(Ended(done, json.loads((folder / "out" / "results.json").read_text()), benches[0], said, struck), heard)


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
    """Bench time, s, of a phase's beginning and end; asked: who is asked something within it."""

    at_s: float
    until_s: float
    asked: tuple[str, ...] = ()

    def of(self, said: Sequence[Said]) -> Moment:
        within = [s for s in said if self.at_s <= s.at_ns * 1e-9 < self.until_s and "?" in s.message]
        return replace(self, asked=tuple(r for r in ROLES if any(s.front == FRONT[r] for s in within)))


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


# --- what happens to unit and bench


def changed_unit(change: Callable[[UnitTruth], UnitTruth]) -> Act:
    """The unit in the first bay is another one from then on."""

    def act(bench: SimulatedBench, now_ns: int) -> None:
        world = bench.world
        world.contacts(now_ns)  # what was due before has happened
        first, *others = world.layout.bays
        assert first.unit is not None
        layout = replace(world.layout, bays=(replace(first, unit=change(first.unit)), *others))
        world.layout = world._climate._layout = layout
        world._reopen(now_ns)

    return act


def latched(bench: SimulatedBench, now_ns: int) -> None:
    """Its protection has acted, and holds until the unit is off."""
    from simulators.world.readiness import Due
    from simulators.world.unit_truth import ProtectionTruth

    bench.world._ready.cuts["1"] = Due(now_ns, "offset", None)
    changed_unit(lambda unit: replace(unit, protection=ProtectionTruth()))(bench, now_ns)


def _shorted(unit: UnitTruth) -> UnitTruth:
    a, *others = unit.channels
    return replace(unit, channels=(replace(a, fault="shorted"), *others))


def lead_off(bench: SimulatedBench, now_ns: int) -> None:
    """Nothing comes out any more, and the supply's own panel does not know."""
    bench.world.set_supply(now_ns, 0.0, 25.0, on=False)


def broken_off(bench: SimulatedBench, now_ns: int) -> None:
    bench.panels["thermometer"].broken.add("301")  # type: ignore[attr-defined]


ACTS: dict[str, Act] = {
    "short": changed_unit(_shorted),
    "supply lead off": lead_off,
    "sensor broken": broken_off,
    "protection latched": latched,
    "runaway": changed_unit(lambda unit: replace(unit, feed=replace(unit.feed, idle_a=4.0))),
}


# --- the cases


@dataclass(frozen=True)
class Case:
    """One fault. role: whose link, or "unit"."""

    kind: str
    role: str
    slot: Slot

    @property
    def name(self) -> str:
        return f"{self.role} {self.kind}, {' '.join(part for part in self.slot if part)}"

    @property
    def kept(self) -> int:
        """Points finished before it strikes."""
        return KEPT[self.slot[0] or self.slot[1]]

    def run(self, folder: Path, moments: Mapping[Slot, Moment]) -> Run:
        at_s = moments[self.slot].at_s
        if self.role == "unit":
            return night(folder, act=(at_s, ACTS[self.kind]))
        fault = LinkFault(self.kind, at_s=at_s, for_s=FOR_S.get(self.kind, 0.0))  # type: ignore[arg-type]
        return night(folder, {self.role: LinkFaults((fault,))})


def possible(kind: str, role: str, moment: Moment) -> bool:
    """What spoils a reply needs somebody who is asked; what concerns a link as a whole strikes by itself."""
    return kind in LINK_KINDS or role in moment.asked


def in_turn(kind: str, slot: Slot, moments: Mapping[Slot, Moment]) -> Case:
    """Kind and phase, with the instrument whose turn it is among those that can."""
    able = [role for role in ROLES if possible(kind, role, moments[slot])]
    return Case(kind, able[(LINK.index(kind) + SLOTS.index(slot)) % len(able)], slot)  # type: ignore[arg-type]


def missing(moments: Mapping[Slot, Moment]) -> Iterator[Case]:
    """What pairs of instrument and kind, or of instrument and phase, still lack: the first case that has them."""
    found = [in_turn(kind, slot, moments) for kind, slot in product(LINK, SLOTS)]
    kinds = {(case.role, case.kind) for case in found}
    slots = {(case.role, case.slot) for case in found}
    for role, slot, kind in product(ROLES, SLOTS, LINK):
        if possible(kind, role, moments[slot]) and ((role, kind) not in kinds or (role, slot) not in slots):
            kinds.add((role, kind))
            slots.add((role, slot))
            yield Case(kind, role, slot)


def cases(moments: Mapping[Slot, Moment]) -> tuple[Case, ...]:
    """All of them: of units and bench, of links in turn, and what is missing then."""
    acts = (Case(kind, "unit", slot) for kind, slot in product(ACTS, SLOTS))
    links = (in_turn(kind, slot, moments) for kind, slot in product(LINK, SLOTS))
    return (*acts, *links, *missing(moments))
