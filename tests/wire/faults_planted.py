"""Thirty and more kinds of planted fault: the smallest size that matters, how an instance of one to three times that is
made, and the finding that must name it. All sizes are our own judgement (common practice, no source).

`python -m tests.wire.faults_planted --instances 20 --healthy 200` runs more of them than the tests do, and prints a
table.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any
from unittest import mock

import numpy as np

from sequencer.plan.inputs import Loaded
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Fingerprint, Plan, Unit
from simulators.bench import BenchSpec
from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth
from simulators.world.channel_truth import LimiterTruth, NetworkTruth, ResidueTruth
from simulators.world.truth_files import SHIPPED, load_bench_truth
from simulators.world.unit_truth import FanTruth, GateTruth, ProtectionTruth, UnitTruth
from tests.wire import wire_bench
from tests.wire.unit_nights import sound, stage
from tests.wire.wire_bench import NightOnWire, Wired, run_plan

# Noise planted is white up to half the digitiser's rate in silence, 100 kHz; what matters is its share up to 20 kHz.
NOISE_OF_BAND = math.sqrt(100.0 / 20.0)
REMOTE_STATES = ("first_power", "bench_check", "output_offset", "idle_current", "gain")


@dataclass(frozen=True)
class Case:
    """A drawn unit on a drawn bench. known: the unit's own fingerprint as its file has it."""

    truth: UnitTruth
    wired: Wired
    known: Fingerprint
    k_per_w: float = 0.95
    spec: Callable[[BenchSpec], BenchSpec] = lambda spec: spec

    def unit(self, **changed: Any) -> Case:
        return replace(self, truth=replace(self.truth, **changed))

    def feed(self, **changed: Any) -> Case:
        return self.unit(feed=replace(self.truth.feed, **changed))

    def side_b(self, **changed: Any) -> Case:
        a, b = self.truth.channels
        return self.unit(channels=(a, replace(b, **changed)))

    def both(self, **changed: Any) -> Case:
        return self.unit(channels=tuple(replace(one, **changed) for one in self.truth.channels))

    def bench(self, **changed: Any) -> Case:
        return replace(self, wired=replace(self.wired, truth=replace(self.wired.truth, **changed)))

    def supply(self, **changed: Any) -> Case:
        return self.bench(supply=replace(self.wired.truth.supply, **changed))

    def digitiser(self, **changed: Any) -> Case:
        return self.bench(digitiser=replace(self.wired.truth.digitiser, **changed))


@cache
def declared() -> tuple[Loaded[Bench], Unit, BenchTruth]:
    truth = load_bench_truth(SHIPPED / "bench-ferry.toml")
    return load_bench("ferry_workshop"), load_unit("mv_0131").model, truth


def healthy(seed: int) -> Case:
    """A sound unit and bench, drawn up to the bounds themselves: gain within 0.24 dB (channels within 0.48 of each
    other), idle current 25 % (0.83 to 1.38 A of a window of 0.8 to 1.45), offset of 7 mV standard deviation (within
    20), K/W 15 %, loads 0.5 %, clock within 100 ppm; ranges, probes and input offsets anywhere in what the bench's file
    states.
    """
    rng = np.random.default_rng([131, seed])
    bench, _, on = declared()

    def around(most: float) -> float:
        return float(rng.uniform(-most, most))

    base = sound()
    channels = tuple(
        replace(one, gain_db=26.0 + around(0.24), offset_v=float(np.clip(rng.normal(0.0, 0.007), -0.02, 0.02)))
        for one in base.channels
    )
    idle_a = 1.1 * (1.0 + around(0.25))
    heat = replace(base.heat, k_per_w=base.heat.k_per_w * (1.0 + around(0.15)))
    truth = replace(base, channels=channels, feed=replace(base.feed, idle_a=idle_a), heat=heat)
    inputs = {}
    for name, one in bench.model.input.items():
        ranges = {
            float(f"{digit * 10.0**power:.6g}"): around(0.01) for power in range(-4, 2) for digit in (1.0, 2.0, 5.0)
        }
        probe = around(one.gain_uncertainty_pct / 100.0)
        inputs[int(name[2:])] = InputTruth(one.factor, probe, around(one.offset_uncertainty_v), 0.01, ranges)
    digitiser = DigitiserTruth(noise_steps=0.5, clock_ppm=around(100.0), inputs=inputs)
    ohm = {
        label: {name: value * (1.0 + around(0.005)) for name, value in load.ohm.items()}
        for label, load in bench.model.load.items()
    }
    others = {label: value for label, value in ohm.items() if label != "8R"}
    wired = Wired(bench, replace(on, digitiser=digitiser, load_ohm={}), ohm["8R"], others)
    gains = {one.name: round(one.gain_db, 2) for one in channels}
    return Case(truth, wired, Fingerprint(gain_db=gains, idle_a=round(idle_a, 2), standby_a=0.012))


def _plan(*stages: dict[str, Any]) -> Plan:
    return Plan.model_validate({"format": 1, "name": "faults", "rest": "quick", "stage": stages})


PLANS = {
    "look": _plan(*({"name": name, "measurement": name} for name in REMOTE_STATES)),
    "bursts": _plan(stage("output_power", ("8R", "4R"), "8 cycles", "20 cycles")),
    "rail": _plan(stage("output_power", ("4R",), "1 cycle", "8 cycles", "20 cycles")),
    "soak": _plan(
        {"name": "offset", "measurement": "output_offset"},
        {"name": "soak", "measurement": "soak", "loads": ("8R",), "options": {"minutes": 22.0}},
    ),
    "warm": _plan(
        {"name": "cold", "measurement": "output_offset"},
        {"name": "warm", "measurement": "output_offset", "wait": "warm"},
    ),
    "idle, warm": _plan({"name": "warm", "measurement": "idle_current", "wait": "warm"}),
}


@dataclass(frozen=True)
class Kind:
    """plan: a name of PLANS. change: (sound case, size 1 to 3 times the smallest) -> case. named: any of these kinds,
    on this channel, names it."""

    plan: str
    change: Callable[[Case, float], Case]
    named: tuple[str, ...]
    channel: str | None = None


def _wired(spec: BenchSpec) -> BenchSpec:
    return replace(spec, wiring={**spec.wiring, 1: "output B", 2: "output A"})


def _probe(number: int, factor: float) -> Callable[[BenchSpec], BenchSpec]:
    return lambda spec: replace(spec, probe_factors={**spec.probe_factors, number: factor})


def _load(case: Case, load: str, channel: str, factor: float) -> Case:
    wired = case.wired
    if load == "8R":
        ohm = dict(wired.true_ohm or {})
        return replace(case, wired=replace(wired, true_ohm=ohm | {channel: factor * ohm[channel]}))
    others = {name: dict(value) for name, value in wired.others_ohm.items()}
    others[load][channel] *= factor
    return replace(case, wired=replace(wired, others_ohm=others))


def _idle(case: Case, amps: float, **other: float) -> Case:
    return case.feed(idle_a=amps, **other)


def _input(case: Case, number: int, **changed: Any) -> Case:
    inputs = dict(case.wired.truth.digitiser.inputs)
    inputs[number] = replace(inputs[number], **changed)
    return case.digitiser(inputs=inputs)


def _dead_zone(case: Case, s: float) -> Case:
    feed = replace(case.truth.feed, idle_a=0.55 / s, healthy_idle_a=1.1)
    channels = tuple(replace(one, crossover_v=0.12) for one in case.truth.channels)
    return case.unit(channels=channels, feed=feed)


def _other_unit(case: Case, s: float) -> Case:
    a, b = case.truth.channels
    moved = (replace(a, gain_db=a.gain_db - 0.5 * s), replace(b, gain_db=b.gain_db - 0.5 * s))
    return case.unit(channels=moved)


def _soaked(case: Case, **heat: Any) -> Case:
    return case.unit(heat=replace(sound().heat, **heat))


KINDS: dict[str, Kind] = {
    "shorted output": Kind("look", lambda c, s: c.side_b(fault="shorted"), ("shorted output",), "B"),
    "open output": Kind("look", lambda c, s: c.side_b(fault="open"), ("no output",), "B"),
    "dead channel": Kind("look", lambda c, s: c.side_b(fault="dead"), ("no output",), "B"),
    "gain mismatch of 1 dB": Kind(
        "look", lambda c, s: c.side_b(gain_db=c.truth.channels[0].gain_db - s), ("channel mismatch",), "B"
    ),
    "boost of 4 dB": Kind(
        "look", lambda c, s: c.both(network=NetworkTruth(boost_hz=45.0, boost_db=3.0 + s)), ("boost",), "A"
    ),
    "wrong load": Kind("look", lambda c, s: _load(c, "8R", "B", 1.0 / (1.0 + 0.3 * s)), ("wrong load",), "B"),
    "contact of 0.1 ohm": Kind(
        "look", lambda c, s: _load(c, "4R", "A", 1.0 + 0.025 * min(s, 1.3)),
        ("contact or lead resistance", "load resistance"), "A",
    ),
    "probe at x1": Kind("look", lambda c, s: replace(c, spec=_probe(1, 1.0)), ("probe",), "A"),
    "outputs crossed": Kind("look", lambda c, s: replace(c, spec=_wired), ("channels crossed",)),
    "input ground open": Kind("look", lambda c, s: c.bench(input_hum_v=((50.0, 0.0008 * s),)), ("input ground",)),
    "hum of one channel": Kind(
        "look", lambda c, s: c.side_b(residue=ResidueTruth(hum_v=((100.0, 0.01 * s),))), ("hum",), "B"
    ),
    "noise of one channel": Kind("look", lambda c, s: c.side_b(noise_vrms=NOISE_OF_BAND * 0.006 * s), ("noise",), "B"),
    "channel inverted": Kind("look", lambda c, s: c.side_b(inverted=True), ("polarity",), "B"),
    "another unit in the bay": Kind("look", _other_unit, ("not the unit expected",)),
    "supply sense open": Kind("look", lambda c, s: c.supply(sense="open", open_sense_v=0.4 * s), ("supply sense",)),
    "digitiser clock off": Kind("look", lambda c, s: c.digitiser(clock_ppm=200.0 * s), ("clock",)),
    "standby current": Kind("look", lambda c, s: c.feed(standby_a=0.04 * s), ("standby current",)),
    "mute too long": Kind("look", lambda c, s: c.feed(mute_s=4.0 * min(s, 2.0)), ("mute time",)),
    "idle current high": Kind(
        "look", lambda c, s: _idle(c, 1.45 * (1.0 + 0.15 * s)), ("idle current high", "no drive"),
    ),
    "idle current low": Kind("look", lambda c, s: _idle(c, 0.8 / (1.0 + 0.15 * s)), ("idle current low",)),
    "idle current running away": Kind(
        "idle, warm", lambda c, s: _idle(c, 1.1, idle_per_k=0.03 + 0.01 * s),
        ("idle current high", "no drive", "idle current unsettled", "trip"),
    ),
    # Bounds of 20 and 50 mV, and twice the 10 mV that the input's own offset may be: once for the reading, once for the
    # uncertainty it must lie beyond.
    "offset of 40 mV": Kind(
        "look", lambda c, s: c.side_b(offset_v=0.04 * s), ("offset doubtful", "offset outside", "no drive"), "B"
    ),
    "offset of 70 mV": Kind("look", lambda c, s: c.side_b(offset_v=0.07 * s), ("offset outside", "no drive"), "B"),
    "offset only warm": Kind(
        "warm", lambda c, s: c.side_b(offset_v=0.002, offset_v_per_k=0.005 * s),
        ("offset warm", "offset outside", "no drive"), "B",
    ),
    "weak rail": Kind(
        "rail", lambda c, s: c.unit(rail=replace(c.truth.rail, source_ohm=0.5 + 0.25 * s)), ("weak rail",),
    ),
    "supply lead too thin": Kind("bursts", lambda c, s: c.supply(lead_ohm=0.08 * s), ("supply lead",)),
    "supply too weak": Kind("bursts", lambda c, s: c.supply(most_a=8.0 / s**0.5), ("supply current limit",)),
    "limiter on": Kind("bursts", lambda c, s: c.both(limiter=LimiterTruth(22.0 / s**0.5)), ("limiter",)),
    "gate": Kind("bursts", lambda c, s: c.unit(gate=GateTruth(0.002 + 0.001 * s, 0.3)), ("gate",)),
    "protection early": Kind(
        "bursts",
        lambda c, s: c.unit(protection=ProtectionTruth(over_a=5.5 / s**0.3, delay_s=0.003, returns_after_s=1.5)),
        ("protection", "protection early"),
    ),
    "one side clips first": Kind(
        "bursts", lambda c, s: c.both(clip_negative=1.0 - 0.05 * s), ("one side clips first",),
    ),
    "oscillation on the crest": Kind(
        "bursts",
        lambda c, s: c.both(residue=ResidueTruth(oscillation_v=0.15 * s, oscillates_above_v=18.0)),
        ("oscillation on the crest",),
    ),
    "crossover distortion": Kind("bursts", _dead_zone, ("crossover",)),
    "bad mounting": Kind(
        "soak", lambda c, s: _soaked(c).side_b(mounting_k_per_w=0.9 * s), ("mounting",), "B"
    ),
    "fan that never starts": Kind(
        "soak",
        lambda c, s: replace(_soaked(c, fan=FanTruth(start_c=40.0, k_per_w=0.45, dead=True)), k_per_w=0.6),
        ("cooling",),
    ),
}  # fmt: skip


def night(case: Case, plan: str, seed: int) -> NightOnWire:
    """A night of one unit; what trips it stands in `trips`."""
    _, unit, _ = declared()
    own = unit.model_copy(update={"fingerprint": case.known, "heatsink_k_per_w": case.k_per_w})
    original = wire_bench._spec
    with mock.patch.object(wire_bench, "_spec", lambda *given: case.spec(original(*given))):
        return run_plan(case.wired, own, case.truth, PLANS[plan], seed)


def found(case: Case, plan: str, seed: int) -> list[tuple[str, str | None]]:
    """Kinds with their channels; a trip of the unit as ("trip", None)."""
    from sequencer.night.measuring import UnitTrip
    from sequencer.night.wiring import Trip

    try:
        seen = night(case, plan, seed)
    except (UnitTrip, Trip):
        return [("trip", None)]
    told = [one for _, one in seen.findings] + [one for _, values in seen.values for one in values.findings]
    return list(dict.fromkeys((one.kind, one.channel) for one in told))


def instance(name: str, number: int) -> tuple[Case, float]:
    """The case of one instance, and its size."""
    rng = np.random.default_rng([7, number, *name.encode()])
    size = float(rng.uniform(1.0, 3.0))
    return KINDS[name].change(healthy(int(rng.integers(1, 10**6))), size), size


def is_named(name: str, told: list[tuple[str, str | None]]) -> bool:
    kind = KINDS[name]
    return any(one in kind.named and (kind.channel is None or channel in (kind.channel, None)) for one, channel in told)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--instances", type=int, default=20)
    parser.add_argument("--healthy", type=int, default=0)
    parser.add_argument("--kind", action="append", choices=[*KINDS], help="all, if none is given")
    parser.add_argument("--plan", action="append", choices=[*PLANS], help="of sound units: look and bursts, else these")
    asked = parser.parse_args()
    for name in asked.kind or KINDS:
        begun_s = time.perf_counter()
        missed = []
        for number in range(asked.instances):
            case, size = instance(name, number)
            told = found(case, KINDS[name].plan, number + 1)
            if not is_named(name, told):
                missed.append((round(size, 2), told))
        each_s = (time.perf_counter() - begun_s) / max(asked.instances, 1)
        print(
            f"{name:28} {asked.instances - len(missed)} of {asked.instances}  {each_s:.1f} s each  {missed}", flush=True
        )
    condemned = 0
    for seed in range(asked.healthy):
        told = [one for plan in asked.plan or ("look", "bursts") for one in found(healthy(10_000 + seed), plan, seed)]
        condemned += bool(told)
        if told:
            print(f"healthy {seed}: {told}", flush=True)
    print(f"healthy: {condemned} of {asked.healthy} condemned")


if __name__ == "__main__":
    main()
