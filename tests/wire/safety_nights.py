"""Nights in which something happens to a unit or to the bench while the unit is powered, and what is left of them.

What happens is planted in the simulated truths, or at one message of an instrument's own log.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

from sequencer.compose import Done, DryRun, Rig, dry_run
from simulators.bench import SimulatedBench
from simulators.faults import LinkFaults
from simulators.world import truth_files
from simulators.world.journal import BurstRow, EventRow
from simulators.world.unit_truth import UnitTruth

ROOT = Path(__file__).resolve().parents[2]
BENCH = "ferry_workshop"
FIRST, SECOND = "mv_0131", "mv_0137"  # in bays 1 and 2; both sound as shipped
FRONT = {
    "generator": "generator-a",
    "digitiser": "digitiser-a",
    "supply": "supply-a",
    "load_switch": "load-switch-a",
    "thermometer": "thermometer-a",
}
BARRIERS = {"interlock": "interlock-a", "cut_off": "cut-off-a"}  # of the line bench
EVERY_FRONT = FRONT | BARRIERS
LONG_AFTER_NS = 10**15  # simulated time: eleven days later

Act = Callable[[SimulatedBench, int], None]


@dataclass(frozen=True)
class Mishap:
    """At the nth message to `role` that begins with `begins`, `act` is done to the simulated bench."""

    role: str
    begins: str
    number: int
    act: Act


@dataclass(frozen=True)
class Said:
    """One message as an instrument took it."""

    at_ns: int
    front: str
    message: str


@dataclass(frozen=True)
class Case:
    """truths: serial -> the unit as it really is. own: unit -> texts replaced in its file. faults: of links."""

    truths: Mapping[str, UnitTruth] = field(default_factory=dict)
    own: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    mishaps: Sequence[Mishap] = ()
    faults: Mapping[str, LinkFaults] = field(default_factory=dict)


@dataclass
class Ended:
    """said: by the simulators' own log. struck_ns: when each mishap happened."""

    done: Done
    results: dict[str, Any]
    bench: SimulatedBench
    said: list[Said]
    struck_ns: list[int]

    @property
    def runs(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.results["runs"]
        return found

    @property
    def bursts(self) -> list[BurstRow]:
        return [row for row in self.bench.world.journal if isinstance(row, BurstRow)]

    @property
    def events(self) -> list[str]:
        return [row.text for row in self.bench.world.journal if isinstance(row, EventRow)]

    @property
    def contacts(self) -> frozenset[str]:
        return self.bench.world.contacts(LONG_AFTER_NS)

    @property
    def is_off(self) -> bool:
        """By the world: nothing at the supply's terminals, nothing from the generator; and by the panels."""
        means = self.bench.world.supply_means(LONG_AFTER_NS - 10**9, LONG_AFTER_NS)
        silent = self.bench.world.tone_at(LONG_AFTER_NS) is None and self.asks("generator", "OUTP1?") in ("0", "OFF")
        return silent and abs(means.volts) < 2.0 and abs(means.amps) < 0.05 and self.asks("supply", "OUTP?") == "0"

    def asks(self, role: str, question: str) -> str:
        """What the panel itself answers when all is over."""
        reply = self.bench.panels[role].execute(question, LONG_AFTER_NS)
        assert isinstance(reply, bytes), f"{role} does not answer {question}"
        return reply.decode().strip()

    def told_ns(self, role: str, begins: str, after_ns: int = 0) -> list[int]:
        """When `role` was told so from then on."""
        return [
            s.at_ns
            for s in self.said
            if s.front == EVERY_FRONT[role] and s.at_ns >= after_ns and s.message.startswith(begins)
        ]

    def bursts_of(self, serial: str) -> list[BurstRow]:
        return [burst for burst in self.bursts if burst.serial == serial]


class _Watching:
    """Hears every message, and does the mishaps at theirs."""

    def __init__(self, mishaps: Sequence[Mishap]) -> None:
        self.said: list[Said] = []
        self.struck_ns: list[int] = []
        self.bench: SimulatedBench | None = None
        self._left = {number: mishap.number for number, mishap in enumerate(mishaps)}
        self._mishaps = mishaps

    def watch(self, bench: SimulatedBench) -> None:
        self.bench = bench

    def log(self, now_ns: int, front: str, message: str, reply: bytes | None) -> None:
        self.said.append(Said(now_ns, front, message))
        assert self.bench is not None
        for index, mishap in enumerate(self._mishaps):
            if EVERY_FRONT[mishap.role] == front and message.startswith(mishap.begins):
                self._left[index] -= 1
                if self._left[index] == 0:
                    self.struck_ns.append(now_ns)
                    mishap.act(self.bench, now_ns)


def night(
    folder: Path, plan: str, case: Case = Case(), units: Sequence[str] = (FIRST, SECOND), bench: str = BENCH
) -> Ended:
    """The plan's text over these shipped units on a shipped bench, with what the case has of them."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plan.toml").write_text(plan)
    files = tuple(_file(folder, name, case.own.get(name, {})) for name in units)
    seen = _Watching(case.mishaps)
    rig = Rig(case.faults, seen.log, seen.watch)
    asked = DryRun(str(folder / "plan.toml"), files, bench, folder / "out", rig=rig)
    shipped = truth_files.load_unit_truth
    with mock.patch.object(truth_files, "load_unit_truth", lambda path: _truth(shipped(path), case.truths)):
        done = dry_run(asked, lambda line: None)
    assert seen.bench is not None
    return Ended(done, json.loads((folder / "out" / "results.json").read_text()), seen.bench, seen.said, seen.struck_ns)


def _truth(shipped: UnitTruth, own: Mapping[str, UnitTruth]) -> UnitTruth:
    return own.get(shipped.serial, shipped)


def _file(folder: Path, name: str, changed: Mapping[str, str]) -> str:
    text = (ROOT / "sequences" / "units" / f"{name}.toml").read_text()
    for old, new in changed.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (folder / f"{name}.toml").write_text(text)
    return str(folder / f"{name}.toml")
