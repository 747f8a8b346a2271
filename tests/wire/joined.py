"""Whole nights on the simulated bench with something laid on its links, and what the simulators say of them after."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sequencer.compose import Done, DryRun, Rig, dry_run
from simulators.bench import SimulatedBench
from simulators.faults import LinkFaults
from simulators.world.journal import BurstRow

UNIT = "ferry_pa_60"
FRONTS = {
    "generator": "generator-a",
    "digitiser": "digitiser-a",
    "supply": "supply-a",
    "load_switch": "load-switch-a",
    "thermometer": "thermometer-a",
}


@dataclass(frozen=True)
class Said:
    """One message as an instrument took it, with its reply; a fault that struck stands as "(kind)"."""

    at_ns: int
    front: str
    message: str
    reply: bytes | None


@dataclass
class Joined:
    """One night as it ended. said: by the simulators' own log. told: the lines the person saw."""

    out: Path
    said: list[Said] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    benches: list[SimulatedBench] = field(default_factory=list)
    done: Done | None = None

    @property
    def exit_code(self) -> int:
        assert self.done is not None
        return self.done.exit_code

    @property
    def run(self) -> dict[str, Any]:
        """The one run, from the file that was written."""
        (one,) = json.loads((self.out / "results.json").read_text())["runs"]
        found: dict[str, Any] = one
        return found

    @property
    def told_at_the_end(self) -> str:
        assert self.done is not None
        return self.done.text

    @property
    def sentences(self) -> list[str]:
        return [trip["sentence"] for trip in self.run["trips"]]

    @property
    def bench(self) -> SimulatedBench:
        return self.benches[0]

    @property
    def end_ns(self) -> int:
        assert self.done is not None
        return round(self.done.bench_s * 1e9) + 1

    def to(self, role: str) -> list[Said]:
        return [s for s in self.said if s.front == FRONTS[role]]

    def asks(self, role: str, question: str) -> str:
        """What the panel itself answers when the night is over, past all links."""
        reply = self.bench.panels[role].execute(question, self.end_ns)
        assert isinstance(reply, bytes), f"{role} does not answer {question}"
        return reply.decode().strip()

    @property
    def bursts(self) -> list[BurstRow]:
        return [row for row in self.bench.world.journal if isinstance(row, BurstRow)]


def night(
    out: Path, faults: Mapping[str, LinkFaults] | None = None, plan: str = "first", bench: str | None = None
) -> Joined:
    """Plan `first` on one unit, in simulated time, with these faults of links: role -> faults."""
    joined = Joined(out)
    rig = Rig(
        faults or {},
        lambda now_ns, front, message, reply: joined.said.append(Said(now_ns, front, message, reply)),
        joined.benches.append,
    )
    joined.done = dry_run(DryRun(plan=plan, units=(UNIT,), bench=bench, out=out, rig=rig), joined.told.append)
    return joined
