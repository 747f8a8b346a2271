"""Paper for the rules of safety: readings and shots as a measurement would hear them, and cases of what they must
trip. The rules are handed in, so that broken copies of them can be tried on the same cases."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sequencer.analysis.records import Record
from sequencer.measurements.requests import BenchReading, Fire, ReadBench, Reply, Request, Shot
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Unit
from sequencer.safety.rules import Seen

UNIT = load_unit("mv_0131").model
BENCH = load_bench("ferry_workshop").model
BAY = BENCH.bay[0]
READ = ReadBench()
GAIN = 20.0  # volts a volt: 26.02 dB, as the unit's file has it
CLIP_V = math.sqrt(2.0 * 60.0 * 8.0)  # the unit's file: 60 W into 8 ohm
AT_ONCE = 10**9

Heard = tuple[Request, Reply]


@dataclass(frozen=True)
class Begin:
    """The next measurement begins."""

    measurement: str


@dataclass(frozen=True)
class Case:
    """heard, in order; trips: the rules that must trip, in order. last: value and limit of the last of them, channel:
    its own."""

    name: str
    heard: tuple[Heard | Seen | Begin, ...]
    trips: tuple[str, ...] = ()
    last: tuple[float | None, float | None] | None = None
    channel: str | None = None
    measurement: str = "output_power"
    unit: Unit = UNIT
    bench: Bench = BENCH


def check(case: Case, module: Any) -> None:
    """Raises AssertionError where the module's rules say something else."""
    rules, found = module.Rules(case.unit, case.bench, BAY, case.measurement), []
    for one in case.heard:
        if isinstance(one, Begin):
            rules = rules.next(one.measurement)
            continue
        breach = rules.watch(one) if isinstance(one, Seen) else rules.hear(*one)
        if breach is not None:
            found.append(breach)
    assert tuple(one.name for one in found) == case.trips, f"{case.name}: {[one.sentence for one in found]}"
    if case.last is not None:
        assert case.channel is None or found[-1].channel == case.channel, f"{case.name}: {found[-1]}"
        assert _same((found[-1].value, found[-1].limit), case.last), f"{case.name}: {found[-1]}"


def _same(seen: tuple[float | None, float | None], expected: tuple[float | None, float | None]) -> bool:
    pairs = zip(seen, expected, strict=True)
    return all(a == b if a is None or b is None else math.isclose(a, b, rel_tol=1e-3) for a, b in pairs)


Check = Callable[[Any], None]


# --- what is heard


def reading(
    at_s: float = 0.0,
    volts: float = 24.0,
    amps: float = 1.1,
    heat: Mapping[str, float | None] | None = None,
    *,
    limited: bool = False,
    tripped: str | None = None,
) -> BenchReading:
    temps: Any = {"A": 25.0, "B": 25.0} if heat is None else heat
    return BenchReading(volts, amps, limited, tripped, temps, round(at_s * 1e9))


def read(at_s: float = 0.0, volts: float = 24.0, amps: float = 1.1, **other: Any) -> Heard:
    return READ, reading(at_s, volts, amps, **other)


def look(at_s: float = 0.0, *, driven: bool, fresh_s: float = 0.01, **other: Any) -> Seen:
    """Of the watch."""
    return Seen(reading(at_s, **other), driven, fresh_s)


def temps(at_s: float, a_c: float | None, b_c: float | None = 25.0) -> Heard:
    return READ, reading(at_s, heat={"A": a_c, "B": b_c})


def record(
    volts: np.ndarray, interval_s: float, start_s: float = 0.0, *, step_v: float = 0.001, over: bool = False
) -> Record:
    codes = np.zeros(volts.size, np.int32)
    return Record(volts, interval_s, start_s, step_v, 100.0, over, 12, codes, step_v, 0.0)


@dataclass(frozen=True)
class Drive:
    """A burst. gains: volts a volt of channel A and B, None where not recorded. over: inputs overloaded. read_s: of its
    end that is recorded, for a steady tone. gated_s: at its beginning, of which nothing comes out. rail: the rail's
    samples. hz: of the burst."""

    level_vrms: float
    purpose: str = "ramp"
    gains: tuple[float | None, float | None] = (GAIN, GAIN)
    cycles: int = 20
    amps: float = 1.1
    limited: bool = False
    over: tuple[str, ...] = ()
    scale_v: float = 50.0
    read_s: float | None = None
    gated_s: float = 0.0
    rail: np.ndarray | None = None
    hz: float = 1000.0

    def at(self, at_s: float, volts: float = 24.0) -> Heard:
        length_s = self.cycles / self.hz
        start_s = 0.0 if self.read_s is None else length_s - self.read_s
        times = np.arange(start_s, length_s - 1e-9, 2.5e-5)
        sine = math.sqrt(2.0) * self.level_vrms * np.sin(2.0 * math.pi * self.hz * times) * (times >= self.gated_s)
        records = {
            name: record(gain * sine, 2.5e-5, start_s, over=name in self.over)
            for name, gain in zip(("ch1", "ch2"), self.gains, strict=True)
            if gain is not None
        }
        if self.rail is not None:
            records["ch3"] = record(self.rail, 2.5e-5, over="ch3" in self.over)
        scales = dict.fromkeys(records, self.scale_v)
        purpose: Any = self.purpose
        request = Fire(self.level_vrms, self.hz, self.cycles, scales, purpose, last_s=self.read_s)
        fired_ns = round(at_s * 1e9)
        return request, Shot(1, request, self.level_vrms, records, fired_ns, self.limited, None, volts, self.amps)


def silence(
    mean_v: float = 0.0,
    rms_v: float = 0.0,
    seconds: float = 0.25,
    at_s: float = 1.0,
    *,
    step_v: float = 0.001,
    **other: Any,
) -> Heard:
    """Without signal, on channel A: so much DC and a square wave of so many volts, by whatever trigger. Recorded is
    what must be seen of it and 10 ms more, for the trigger's burst."""
    n = round((seconds + 0.0059) / 1e-4)
    request = Fire(1e-3, 1000.0, 1, {"ch1": 50.0, "ch2": 50.0}, "quiet")
    volts = mean_v + rms_v * np.where(np.arange(n) % 2, 1.0, -1.0)
    records = {"ch1": record(volts, 1e-4, step_v=step_v), "ch2": record(np.zeros(n), 1e-4)}
    seen = {"limited": False, "tripped": None, "volts": 24.0, "amps": 1.1} | other
    return request, Shot(
        1, request, 1e-3, records, round(at_s * 1e9), seen["limited"], seen["tripped"], seen["volts"], seen["amps"]
    )
