"""A unit on paper that is warmed: class B heat into one thermal resistance and one heat capacity a channel.

Independent of simulators/ and of the measurement: T' = (P - (T - Ta) / R) / C, solved between two changes of P.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np

from sequencer.analysis.records import Record
from sequencer.measurements.requests import BenchReading, Fire, Quiet, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.values import Context, Expected, ValueJob
from sequencer.plan.models import Bay, Bench, Heat, Unit
from sequencer.plan.points import ValuePoint
from tests.sequencer.paper_values import job as paper_job
from tests.wire.wire_bench import declared_bench, declared_unit

T = TypeVar("T")
RAIL_V = 30.0
READ_S = 0.05
SUPPLY_V = 24.0


@dataclass
class PaperOven:
    """Channels A, B, ... of gain 20 into 8 ohm, a rail of 30 V without loss. k_per_w, j_per_k: of each heat sink.

    dead_v: of the peak is lost in a dead zone. frozen: what a thermometer shows whatever happens. jump_k_per_w: a
    sensor beside the devices reads higher by that times the heat, while they are driven. gone_after_s: the outputs
    are taken away. limit_after_s: current limit.
    """

    k_per_w: Mapping[str, float]
    j_per_k: float = 500.0
    ambient_c: float = 22.0
    start_c: float | None = None
    idle_a: float = 1.0
    idle_per_k: float = 0.0
    jump_k_per_w: float = 0.0
    noise_k: float = 0.0
    frozen: Mapping[str, float] = field(default_factory=dict)
    unseen: bool = False
    dead_v: float = 0.0
    gone_after_s: float = math.inf
    limit_after_s: float = math.inf
    now_s: float = 0.0
    celsius: dict[str, float] = field(default_factory=dict)
    fired: list[Fire] = field(default_factory=list)
    heat_j: dict[str, float] = field(default_factory=dict)
    readings: int = 0
    read_at_s: list[float] = field(default_factory=list)
    driven: float = 0.0

    def __post_init__(self) -> None:
        start_c = self.ambient_c if self.start_c is None else self.start_c
        self.celsius = dict.fromkeys(self.k_per_w, start_c)
        self.heat_j = dict.fromkeys(self.k_per_w, 0.0)

    @property
    def idle_now_a(self) -> float:
        mean_c = sum(self.celsius.values()) / len(self.celsius)
        return self.idle_a * (1.0 + self.idle_per_k * (mean_c - 25.0))

    def output_w(self, level_vrms: float) -> float:
        volts = max(20.0 * level_vrms - self.dead_v / math.sqrt(2.0), 0.0)
        return 0.0 if self.now_s >= self.gone_after_s else volts**2 / 8.0

    def drawn_w(self, level_vrms: float) -> float:
        """Class B, of one channel: 2 Vr Vp / (pi R), textbook."""
        on = self.output_w(level_vrms) > 0.0
        return 2.0 * RAIL_V * 20.0 * level_vrms * math.sqrt(2.0) / (math.pi * 8.0) if on else 0.0

    def heat_w(self, level_vrms: float) -> float:
        each = self.drawn_w(level_vrms) - self.output_w(level_vrms)
        return each + self.idle_now_a * SUPPLY_V / len(self.k_per_w)

    def passes(self, seconds: float, level_vrms: float) -> None:
        heat_w = self.heat_w(level_vrms)
        for name, k_per_w in self.k_per_w.items():
            end_c = self.ambient_c + heat_w * k_per_w
            left = math.exp(-seconds / (k_per_w * self.j_per_k))
            self.celsius[name] = end_c + (self.celsius[name] - end_c) * left
            self.heat_j[name] += heat_w * seconds
        self.now_s += seconds
        self.driven = heat_w if level_vrms > 0.01 else 0.0

    def answer(self, request: Request) -> Reply:
        match request:
            case Rest(seconds=seconds):
                self.passes(seconds, 0.0)
                return None
            case ReadBench():
                driven = self.driven
                self.passes(READ_S, 0.0)
                return self._reading(driven)
            case Fire():
                return self._shot(request)
            case Quiet():
                return self._shot(Fire(1e-5, 1000.0, 210, request.full_scale_v, "quiet"))
        raise AssertionError(f"not asked here: {request}")

    def _reading(self, driven_w: float) -> BenchReading:
        self.readings += 1
        self.read_at_s.append(self.now_s - READ_S)
        rng = np.random.default_rng([7, self.readings])
        seen = {
            name: c + self.jump_k_per_w * driven_w + (float(rng.normal(0.0, self.noise_k)) if self.noise_k else 0.0)
            for name, c in self.celsius.items()
        }
        shown = {} if self.unseen else seen | dict(self.frozen)
        return BenchReading(SUPPLY_V, self.idle_now_a, False, None, shown, round(self.now_s * 1e9))

    def _shot(self, fire: Fire) -> Shot:
        seconds, began_ns = fire.cycles / fire.frequency_hz, round(self.now_s * 1e9)
        if fire.purpose != "quiet":
            self.fired.append(fire)
        drawn_w = len(self.k_per_w) * self.drawn_w(fire.level_vrms)
        peak = math.sqrt(2.0 * 8.0 * self.output_w(fire.level_vrms))
        self.passes(seconds, fire.level_vrms)
        begin_s = 0.0 if fire.last_s is None else seconds * (1.0 - 2e-4) - fire.last_s
        length_s = seconds if fire.last_s is None else fire.last_s
        times = begin_s + np.arange(round(length_s * 50_000.0)) / 50_000.0
        records = {
            name: _record(peak * np.sin(2.0 * np.pi * fire.frequency_hz * times), begin_s, scale)
            for name, scale in fire.full_scale_v.items()
        }
        amps, limited = self.idle_now_a + drawn_w / SUPPLY_V, self.now_s >= self.limit_after_s
        return Shot(len(self.fired), fire, fire.level_vrms, records, began_ns, limited, None, SUPPLY_V, amps)


def _record(volts: Any, start_s: float, scale: float) -> Record:
    return Record(volts, 2e-5, start_s, scale / 2048.0, scale, bool(np.abs(volts).max(initial=0.0) > scale), 12)


def bench_of(**load: float) -> Bench:
    """The shipped workshop with bursts of 10 s, and its 8 ohm changed as asked."""
    bench = declared_bench(channels="AB").model
    eight = bench.load["8R"].model_copy(update={"burst_max_s": 10.0, "ohm": {"A": 8.0, "B": 8.0}} | load)
    ceiling = bench.ceiling.model_copy(update={"burst_s": 10.0})
    return bench.model_copy(update={"load": dict(bench.load) | {"8R": eight}, "ceiling": ceiling})


def unit_of(k_per_w: float | None = None, j_per_k: float = 500.0, stop_c: float = 90.0) -> Unit:
    unit = declared_unit(RAIL_V, gain_db=26.0206, channels="AB")
    changed = {"heatsink_k_per_w": k_per_w, "heatsink_j_per_k": j_per_k, "heat": Heat(stop_c=stop_c, trip_c=99.0)}
    return unit.model_copy(update=changed)


def heat_job(
    measurement: str = "soak",
    unit: Unit | None = None,
    bench: Bench | None = None,
    earlier: tuple[Mapping[str, Any], ...] = (),
    last_drive_ns: int | None = None,
    window_a: tuple[float, float] | None = None,
    **point: Any,
) -> ValueJob:
    context = Context(unit or unit_of(), bench or bench_of(), Bay(name="1"), earlier, last_drive_ns)
    made = paper_job(measurement, "AB", expected=Expected(idle_window_a=window_a), **point)
    assert isinstance(made.point, ValuePoint)
    return replace(made, context=context)


def run(talk: Generator[Request, Reply, T], oven: PaperOven) -> T:
    reply: Reply = None
    try:
        while True:
            reply = oven.answer(talk.send(reply))
    except StopIteration as end:
        found: T = end.value
        return found
