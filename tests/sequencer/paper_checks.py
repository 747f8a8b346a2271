"""A bench on paper for first power and the checks of bench and wiring: two outputs, a rail, a shunt in the load return,
contacts, a supply with a lead, a unit that mutes. Independent of simulators/: its formulas are written here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.records import Record
from sequencer.measurements.requests import (
    BenchReading,
    Connect,
    Fire,
    Quiet,
    ReadBench,
    Remote,
    Reply,
    Request,
    Rest,
    SetSupply,
    Shot,
)
from sequencer.measurements.values import Context, Value, ValueJob, Values
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.night.values import value_job
from sequencer.plan.expand import expand
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Input, Plan, Unit
from sequencer.plan.points import ValuePoint

Volts = NDArray[np.float64]
BITS, READ_S = 12, 0.1
OUTPUTS = {"ch1": "A", "ch2": "B"}
RAIL, SHUNT = "ch3", "ch4"
SHUNT_OHM = 0.01
LEVEL_HZ = 100_000.0


def bench_model(shunt: bool = True, rail: bool = True, remote: bool = True) -> Bench:
    """The shipped bench with the wiring these tests want, and 0.5 % probes and 1 % ranges as it declares."""
    bench = load_bench("workshop").model
    wiring: dict[str, str] = {"ch1": "output A", "ch2": "output B"}
    wiring |= {RAIL: "rail"} if rail else {}
    wiring |= {SHUNT: "shunt in the load return"} if shunt else {}
    one = Input(factor=10.0, gain_uncertainty_pct=0.5, offset_uncertainty_v=0.001)
    inputs = {name: one for name in wiring} | ({SHUNT: Input(ohm=SHUNT_OHM, gain_uncertainty_pct=0.5)} if shunt else {})
    bay = bench.bay[0].model_copy(update={"remote_contact": "209" if remote else None})
    return bench.model_copy(update={"wiring": wiring, "input": inputs, "bay": (bay,)})


def unit_model(**changed: Any) -> Unit:
    """The shipped unit with a remote line: 26 dB, 0.3 to 1.2 A, 3 s of mute, at most 50 mA in standby."""
    unit = load_unit("ferry_pa_60").model
    return unit.model_copy(update={"remote_line": True, "standby_a_max": 0.05, "mute_s": 3.0} | changed)


def job_of(measurement: str, unit: Unit, bench: Bench, earlier: tuple[Mapping[str, Any], ...] = ()) -> ValueJob:
    """As the night builds it."""
    stage = {"name": "checks", "measurement": measurement, "loads": ("8R",)}
    plan = Plan.model_validate({"format": 1, "name": "checks", "stage": (stage,)})
    run = UnitRun("r0", unit, bench.bay[0], expand(plan, unit, bench))
    night = NightPlan(plan, bench, (run,), 1, "", "", "", {})
    point = run.points[0]
    assert isinstance(point, ValuePoint)
    return value_job(night, run, point, Context(unit, bench, run.bay, earlier))


@dataclass
class PaperUnit:
    """gain: volts per volt by channel, 0: silent. short: channels whose outputs are shorted, at 0.05 ohm.

    hum_v: (Hz, peak V) by channel. crossed: output A comes out where B is wired.
    """

    gain: dict[str, float] = field(default_factory=lambda: {"A": 20.0, "B": 20.0})
    output_ohm: float = 0.015
    mute_s: float = 0.8
    standby_a: float = 0.01
    idle_a: float = 1.0
    hum_v: dict[str, tuple[float, float]] = field(default_factory=dict)
    noise_v: float = 0.0003
    thump_v: float = 0.0
    thump_tau_s: float = 0.04
    short: frozenset[str] = frozenset()
    crossed: bool = False
    delay_s: float = 0.0
    unsteady_a: float = 0.0
    dead_zone_v: float = 0.0


@dataclass
class PaperBenchOfChecks:
    """probe: true factor over the declared one, by input. range_error: relative, by full scale at the unit, of ch1.

    clock: the digitiser's seconds per true second. supply_off_v: what the supply shows beyond what is set. lead_ohm
    and true ohms by (load, channel).
    """

    unit: PaperUnit = field(default_factory=PaperUnit)
    bench: Bench = field(default_factory=bench_model)
    ohm: dict[tuple[str, str], float] = field(
        default_factory=lambda: {("8R", "A"): 7.99, ("8R", "B"): 8.02, ("4R", "A"): 4.015, ("4R", "B"): 3.995}
    )
    probe: dict[str, float] = field(default_factory=dict)
    range_error: dict[float, float] = field(default_factory=dict)
    clock: float = 1.0
    supply_off_v: float = 0.0
    sense_more_v: float = 0.0
    lead_ohm: float = 0.012
    seed: int = 1
    now_s: float = 0.0
    volts: float = 24.0
    limit_a: float = 25.0
    on: bool = True
    remote_s: float | None = -100.0
    load: str | None = "8R"
    loaded: tuple[str, ...] = ("A", "B")
    fired: list[Fire] = field(default_factory=list)
    asked: list[Request] = field(default_factory=list)
    highest_v: float = 0.0
    readings: int = 0

    def answer(self, request: Request) -> Reply:
        self.asked.append(request)
        match request:
            case Rest(seconds=seconds):
                self.now_s += seconds
            case ReadBench():
                return self._reading()
            case Quiet(seconds=seconds, full_scale_v=scale):
                fire = Fire(0.0001, 1000.0, 1, scale, "quiet")
                return self._shot(fire, seconds + 0.007)
            case Fire():
                self.fired.append(request)
                return self._shot(request, request.cycles / request.frequency_hz + 0.001)
            case SetSupply(volts=volts, limit_a=limit_a, on=on):
                self.volts, self.limit_a, self.on = volts, limit_a, on
            case Remote(on=on):
                self.remote_s = (self.now_s if self.remote_s is None else self.remote_s) if on else None
            case Connect(load=load, channels=channels):
                self.load, self.loaded = load, channels
        return None

    # --- supply

    def wanted_a(self) -> float:
        if not self.on:
            return 0.0
        if self.remote_s is None:
            return self.unit.standby_a
        return self.unit.idle_a * min(1.0, self.volts / 24.0) + self.unit.unsteady_a * (self.readings % 2)

    @property
    def limited(self) -> bool:
        return self.wanted_a() > self.limit_a

    def amps(self) -> float:
        return min(self.wanted_a(), self.limit_a)

    def _supply_v(self) -> float:
        volts = (self.volts + self.supply_off_v) if self.on else 0.0
        return volts * (self.amps() / self.wanted_a()) if self.limited else volts

    def _reading(self) -> BenchReading:
        self.now_s += READ_S
        self.readings += 1
        rng = np.random.default_rng([self.seed, len(self.asked)])
        volts, amps = self._supply_v() + rng.normal(0.0, 0.0005), self.amps() + rng.normal(0.0, 0.002)
        return BenchReading(float(volts), float(amps), self.limited, None, {}, round(self.now_s * 1e9))

    # --- records

    def _shot(self, fire: Fire, seconds: float) -> Shot:
        fired_s, number = self.now_s, len(self.asked)
        rate_hz = max(LEVEL_HZ, 50.0 * fire.frequency_hz)
        true_s = (np.arange(round((seconds + 0.001) * rate_hz)) + 0.37) / rate_hz - 0.0005
        records = {
            name: self._record(name, fire, true_s, fired_s, np.random.default_rng([self.seed, number, int(name[2:])]))
            for name in fire.full_scale_v
        }
        self.now_s += seconds
        more = sum(self._rms(fire, name) / 0.05 for name in self.unit.short) if fire.cycles > 100 else 0.0
        limited = self.limited
        return Shot(
            number,
            fire,
            fire.level_vrms,
            records,
            round(fired_s * 1e9),
            limited,
            None,
            self._supply_v(),
            self.amps() + more,
        )

    def _rms(self, fire: Fire, channel: str) -> float:
        return fire.level_vrms * abs(self.unit.gain[channel])

    def _load_ohm(self, channel: str) -> float:
        if self.load is None or channel not in self.loaded:
            return math.inf
        return self.ohm[self.load, channel]

    def _output(self, channel: str, fire: Fire, true_s: Volts, fired_s: float) -> Volts:
        """Volts at the terminals: the divider of output and load ohms, textbook."""
        unit = self.unit
        if not self.on or self.remote_s is None:
            return np.zeros_like(true_s)
        at = true_s - unit.delay_s
        inside = (at >= 0.0) & (at < fire.cycles / fire.frequency_hz)
        peak = math.sqrt(2.0) * fire.level_vrms * unit.gain[channel]
        volts = np.where(inside, peak * np.sin(2.0 * np.pi * fire.frequency_hz * at), 0.0)
        self.highest_v = max(self.highest_v, abs(peak))
        since_s = fired_s + true_s - self.remote_s - unit.mute_s
        alive = since_s >= 0.0
        thump = unit.thump_v * np.exp(-np.maximum(since_s, 0.0) / unit.thump_tau_s)
        if unit.dead_zone_v:
            volts = volts - unit.dead_zone_v * np.tanh(volts / unit.dead_zone_v)
        hz, hum_v = unit.hum_v.get(channel, (50.0, 0.0))
        volts = np.where(alive, volts + thump + hum_v * np.sin(2.0 * np.pi * hz * (fired_s + true_s)), 0.0)
        ohm = self._load_ohm(channel) if channel not in unit.short else 0.005
        return volts if math.isinf(ohm) else volts * ohm / (ohm + unit.output_ohm)

    def _wire(self, name: str, fire: Fire, true_s: Volts, fired_s: float, rng: Any) -> Volts:
        other = {"A": "B", "B": "A"} if self.unit.crossed else {"A": "A", "B": "B"}
        if name in OUTPUTS:
            alive = self.on and self.remote_s is not None
            noise = rng.normal(0.0, self.unit.noise_v, true_s.size) if alive else 0.0
            volts: Volts = self._output(other[OUTPUTS[name]], fire, true_s, fired_s) + noise
            return volts
        if name == RAIL:
            return np.full_like(true_s, self._supply_v() + self.sense_more_v - self.lead_ohm * self.amps())
        amps = [
            self._output(c, fire, true_s, fired_s) / self._load_ohm(c) if not math.isinf(self._load_ohm(c)) else 0.0
            for c in "AB"
        ]
        return np.asarray(sum(amps) * SHUNT_OHM + np.zeros_like(true_s))

    def _record(self, name: str, fire: Fire, true_s: Volts, fired_s: float, rng: Any) -> Record:
        factor = self.bench.input[name].factor
        reaches = sorted(r.full_scale_v * factor for r in self.bench.range)
        scale = next((v for v in reaches if v >= fire.full_scale_v[name] * 0.9999), reaches[-1])
        volts = self._wire(name, fire, true_s, fired_s, rng) / self.probe.get(name, 1.0)
        if name == "ch1":
            volts = volts * (1.0 + self.range_error.get(round(scale, 6), 0.0))
        step, top = 2.0 * scale / 2**BITS, 2 ** (BITS - 1)
        codes = np.round(volts / step + rng.normal(0.0, 0.5, volts.size))
        over = bool((codes >= top - 1).any() or (codes <= -top).any())
        kept = np.clip(codes, -top, top - 1).astype(np.int32)
        dt, start = float(true_s[1] - true_s[0]) * self.clock, float(true_s[0]) * self.clock
        return Record(kept * step, dt, start, step, scale, over, BITS, kept, step, 0.0)


def drive(talk: Generator[Request, Reply, Values], answer: Callable[[Request], Reply]) -> Values:
    """Runs a measurement and returns what it returns."""
    reply: Reply = None
    try:
        while True:
            reply = answer(talk.send(reply))
    except StopIteration as end:
        found: Values = end.value
        return found


def value(found: Values, name: str, channel: str | None = None) -> Value:
    (one,) = [v for v in found.values if (v.name, v.channel) == (name, channel)]
    return one


def number(found: Values, name: str, channel: str | None = None) -> float:
    read = value(found, name, channel).value
    assert read is not None
    return read


def kinds(found: Values) -> list[tuple[str, str | None]]:
    return [(f.kind, f.channel) for f in found.findings]
