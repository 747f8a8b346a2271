"""Plans, units and benches drawn by a number: near what is shipped, and as far from it as files can say. Most have one
thing too many and are refused; the others are driven.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from random import Random
from typing import Any

from sequencer.errors import Problem
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Load, Meter, Plan, Rating, SupplyRange, Unit, UnitLimit
from sequencer.plan.refuse import refusals
from sequencer.plan.within import plan_problems, unit_problems
from sequencer.plan.within_bench import bench_problems

FREQUENCIES_HZ = (20.0, 40.0, 100.0, 400.0, 1000.0, 1000.0, 1000.0, 3000.0, 10000.0, 20000.0)
DRIVES = ("20 cycles", "20 cycles", "1 cycle", "3 cycles", "100 cycles", "steady 1 s", "steady 2 s")
RESPONSE = ("frequency_response", "channel_balance", "crosstalk", "output_impedance", "power_bandwidth")
AFTER_POWER = ("thd_by_level", "intermodulation")  # like an efficiency they need a power of their load before
QUIET = ("noise", "turn_on", "load_check", "precondition", "stability", "idle_adjustment", "endurance")
DISTORTION = ("thd_by_frequency", "dynamic_headroom", *AFTER_POWER)
MEASUREMENTS = ("output_power",) * 5 + (
    "terminal_scan",
    "gain", "protection", "soak", "steady_efficiency", "bench_check", "range_transfer", "output_offset", "idle_current",
    *RESPONSE, *DISTORTION, *QUIET,
)  # fmt: skip


@dataclass(frozen=True)
class World:
    """What is true beside the files. gain_off_db: of the unit, above its file; clip_db: of its crest. seen: what the
    digitiser shows over what is there (0.1: a probe of 1:1 taken for 10:1). twin_off_db: how far the twin's record
    lies. nonsense: every record is scaled by chance up to so many dB. dead: nothing comes out.
    """

    gain_off_db: float = 0.0
    clip_db: float = 0.0
    seen: float = 1.0
    twin_off_db: float = 0.0
    nonsense_db: float = 0.0
    dead: bool = False

    @property
    def honest(self) -> bool:
        """The readings are true, however the unit may be."""
        return self.seen == 1.0 and self.twin_off_db == 0.0 and self.nonsense_db == 0.0


@dataclass(frozen=True)
class Drawn:
    number: int
    plan: Plan
    unit: Unit
    bench: Bench
    world: World
    supply: str

    def refused(self) -> list[Problem]:
        """As the commands have it: each file by itself, then all together."""
        alone = [
            *plan_problems(self.plan, "plan"),
            *unit_problems(self.unit, "unit"),
            *bench_problems(self.bench, "bench"),
        ]
        return alone or refusals(self.plan, self.unit, self.bench)


@cache
def _base() -> tuple[Unit, Bench]:
    return load_unit("mv_0131").model, load_bench("ferry_workshop").model


def draw(number: int) -> Drawn:
    rng = Random(f"ceilings {number}")
    supply = rng.choice("ab")
    bench = _bench(rng, supply)
    unit = _unit(rng, bench)
    return Drawn(number, _plan(rng, unit, bench), unit, bench, _world(rng), supply)


def _world(rng: Random) -> World:
    plain = World(rng.uniform(-1.0, 1.0), rng.uniform(-3.0, 3.0))
    return rng.choice(
        (
            plain,
            plain,
            replace(plain, gain_off_db=rng.choice((-12.0, -5.5, 5.5, 12.0))),
            replace(plain, seen=rng.choice((0.1, 0.52, 1.9, 10.0))),
            replace(plain, twin_off_db=rng.choice((-20.0, -6.0, 6.0, 20.0))),
            replace(plain, nonsense_db=rng.choice((1.0, 5.0, 20.0))),
            replace(plain, dead=True),
        )
    )


def _bench(rng: Random, supply: str) -> Bench:
    _, base = _base()
    most_v = rng.choice((24.0, 31.2, 31.2, 40.0) if supply == "b" else (31.2, 31.2, 31.2, 60.0))
    ceiling = base.ceiling.model_copy(
        update={
            "generator_vrms": rng.choice((0.5, 1.0, 2.0, 4.0, 4.0, 6.5)),
            "supply_v": most_v,
            "supply_a": rng.choice((20.0, 35.0, 35.0, 60.0)),
            "output_w": rng.choice((None, 60.0, 120.0, 400.0, 400.0)),
            "burst_s": rng.choice((1.0, 2.0, 5.0, 10.0)),
        }
    )
    loads = {name: _load(rng, name, load) for name, load in base.load.items()}
    role = dict(base.role)
    role["supply"] = role["supply"].model_copy(update={"dialect": f"supply-{supply}"})
    role["meter"] = role["load_switch"].model_copy(update={"address": "TCPIP::127.0.0.1::5099::SOCKET"})
    meter = Meter(close={"A": ("109",), "B": ("110",)}, reading_s=0.2)
    factor = rng.choice((10.0, 10.0, 20.0))
    inputs = {
        name: one.model_copy(update={"factor": factor}) if name in ("ch1", "ch2") else one
        for name, one in base.input.items()
    }
    changed: dict[str, Any] = {"ceiling": ceiling, "load": loads, "role": role, "input": inputs, "meter": meter}
    if rng.random() < 0.1:
        changed["hardware"] = base.hardware.model_copy(update={"cut_off": False})
    return base.model_copy(update=changed)


def _load(rng: Random, name: str, load: Load) -> Load:
    ohm = {c: load.nominal_ohm * rng.uniform(0.98, 1.05) for c in "AB"}
    return load.model_copy(
        update={
            "ohm": ohm,
            "burst_j": rng.choice((5.0, 30.0, 100.0, 300.0, 700.0, 1500.0)),
            "burst_max_s": rng.choice((0.5, 1.0, 2.0, 5.0, 10.0, 10.0)),
            "continuous_w": rng.choice((50.0, 150.0, 300.0, 600.0)),
            "kind": rng.choice(("wirewound", "wirewound", "film")),
        }
    )


def _unit(rng: Random, bench: Bench) -> Unit:
    base, _ = _base()
    watts = rng.choice((15.0, 30.0, 60.0, 60.0, 100.0))
    ratings = tuple(
        Rating(load_ohm=ohm, supply_v=24.0, power_w=watts * part, cycles=20) for ohm, part in ((8.0, 1.0), (4.0, 1.7))
    )
    own = {"gain_db": rng.choice((None, None, 20.0, 32.0))}
    channels = tuple(c.model_copy(update=own if c.name == "A" else {}) for c in base.channel)
    changed: Mapping[str, Any] = {
        "gain_db": rng.choice((14.0, 20.0, 26.0, 26.0, 32.0, 40.0)),
        "rating": ratings,
        "channel": channels,
        "front_end": rng.choice(("converter", "linear")),
        "supply_v": SupplyRange(min=20.0, nominal=24.0, max=rng.choice((24.0, 28.0, 31.2))),
        "input_max_vrms": rng.choice((0.3, 1.0, 2.0, 4.0, 4.0)),
        "supply_a_max": rng.choice((15.0, 25.0, 25.0, 40.0)),
        "supply_fuse_a": rng.choice((25.0, 40.0)),
        "coupling_hz": rng.choice((0.0, 3.5)),
        "minimum_load_ohm": rng.choice((4.0, 4.0, 8.0)),
        "limit": UnitLimit(
            output_crest_v=rng.choice((None, None, 20.0, 35.0)),
            power_w=rng.choice((None, None, 40.0, 120.0)),
            energy_per_burst_j=rng.choice((None, None, 10.0, 100.0)),
        ),
    }
    return base.model_copy(update=changed)


def _plan(rng: Random, unit: Unit, bench: Bench) -> Plan:
    first = [_stage(rng, 0, "first_power", unit)] if rng.random() < 0.2 else []
    names = [rng.choice(MEASUREMENTS) for _ in range(rng.choice((1, 1, 2)))]
    stages = first + [_stage(rng, n + 1, name, unit) for n, name in enumerate(names)]
    if names[-1] in ("steady_efficiency", *AFTER_POWER):  # it needs a power of its load, volts and channels before
        same = {
            key: stages[-1][key] for key in ("loads", "frequencies_hz", "supply_v", "channels") if key in stages[-1]
        }
        before = {"name": "before", "measurement": "output_power", "drives": ("20 cycles",)}
        stages.insert(len(stages) - 1, before | same)
    return Plan.model_validate({"format": 1, "name": "drawn", "rest": "quick", "stage": tuple(stages)})


def _stage(rng: Random, number: int, measurement: str, unit: Unit) -> dict[str, Any]:
    one: dict[str, Any] = {"name": f"s{number}", "measurement": measurement, "loads": (rng.choice(("8R", "8R", "4R")),)}
    if rng.random() < 0.25:
        one["supply_v"] = (rng.choice((21.6, 24.0, 28.0, unit.supply_v.max, 33.0)),)
    if measurement in ("output_power", "gain", "protection", "steady_efficiency", "thd_by_level"):
        one["frequencies_hz"] = (rng.choice(FREQUENCIES_HZ),)
    if measurement in RESPONSE:
        one["frequencies_hz"] = (400.0, 3000.0)
        one["options"] = {"small_power_w": rng.choice((1.0, 5.0, 50.0))}
    if measurement == "thd_by_frequency":
        one["frequencies_hz"] = (400.0, 3000.0, 15000.0)
        one["options"] = {"powers_w": (rng.choice((1.0, 40.0)),), "power_parts": (0.5, 1.0)}
    if measurement == "intermodulation":
        one["options"] = {"power_parts": (0.5, 1.0)}
    if measurement == "power_bandwidth":
        one |= {"stop_limit": {"thd_pct": 1.0, "harmonics": 5, "band_hz": (20.0, 20000.0)}}
    if measurement == "output_power":
        one |= {"drives": (rng.choice(DRIVES),), "stop_limit": {"thd_pct": rng.choice((1.0, (1.0, 10.0)))}}
    if measurement == "output_power" and rng.random() < 0.15:
        one["thermal"] = ("hot",)
    if measurement in ("soak", "steady_efficiency"):
        parts = rng.choice(((1.0, 0.125), (0.125,))) if measurement == "steady_efficiency" else (0.125,)
        one["options"] = {"minutes": 1.0, "power_parts": parts}
    if measurement in ("precondition", "load_check"):
        one["options"] = {"minutes": 1.0}
    if measurement == "endurance":
        one["options"] = {"minutes": 1.0, "power_cycles": 2}
    if measurement not in ("first_power", "bench_check", "range_transfer") and rng.random() < 0.3:
        one["channels"] = rng.choice(("each", ("B",)))
    return one
