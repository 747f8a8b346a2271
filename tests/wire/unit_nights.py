"""Whole nights of a unit of a test's own on the simulated bench, and what they tell of it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from sequencer.plan.inputs import Loaded
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Plan, Unit
from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth
from simulators.world.truth_files import all_shipped_units, shipped_bench
from simulators.world.unit_truth import UnitTruth
from tests.wire.wire_bench import NightOnWire, Wired, run_plan

REMOTE = "215"  # a contact of the load switch that nothing else uses


@cache
def bench() -> Loaded[Bench]:
    return load_bench("workshop")


@cache
def unit() -> Unit:
    return load_unit("ferry_pa_60").model


@cache
def truths() -> dict[str, UnitTruth]:
    return all_shipped_units()


def sound() -> UnitTruth:
    """The reference unit of the batch: nothing is wrong with it."""
    return truths()["MV-0131"]


def both(truth: UnitTruth, **changed: Any) -> UnitTruth:
    """The same unit with both channels changed."""
    return replace(truth, channels=tuple(replace(one, **changed) for one in truth.channels))


def stage(measurement: str, loads: tuple[str, ...], *drives: str, **other: Any) -> dict[str, Any]:
    drawn = {"drives": drives} if drives else {}
    name = f"{measurement} {' '.join(drives)} {other.get('frequencies_hz', '')}".strip()
    return {"name": name, "measurement": measurement, "loads": loads} | drawn | other


def plan(*stages: dict[str, Any]) -> Plan:
    return Plan.model_validate({"format": 1, "name": "findings", "rest": "quick", "stage": stages})


def night(truth: UnitTruth, asked: Plan, wired: Wired | None = None, declared: Unit | None = None) -> NightOnWire:
    return run_plan(wired or Wired(bench(), shipped_bench()), declared or unit(), truth, asked)


def with_remote() -> tuple[Wired, Unit]:
    """The bench with a contact for the remote line, and a unit that has one."""
    loaded = bench()
    bay = loaded.model.bay[0].model_copy(update={"remote_contact": REMOTE})
    model = loaded.model.model_copy(update={"bay": (bay, *loaded.model.bay[1:])})
    return Wired(replace(loaded, model=model), shipped_bench()), unit().model_copy(update={"remote_line": True})


def kinds(found: NightOnWire) -> list[str]:
    """Kinds of all findings of a night, each once, in order."""
    all_of_them = [one for _, one in found.findings] + [one for _, values in found.values for one in values.findings]
    return list(dict.fromkeys(one.kind for one in all_of_them))


# --- the spread of sound units and benches


def healthy(seed: int) -> tuple[UnitTruth, Wired]:
    """A sound unit and bench, drawn: gain within 0.5 dB, idle current 25 %, offset of 7 mV standard deviation, K/W
    15 %, loads 0.5 %, digitiser and probes within what the bench's file states, clock within 100 ppm.
    """
    rng = np.random.default_rng([77, seed])
    base = sound()

    def around(most: float) -> float:
        return float(rng.uniform(-most, most))

    channels = tuple(
        replace(one, gain_db=26.0 + around(0.5), offset_v=float(np.clip(rng.normal(0.0, 0.007), -0.02, 0.02)))
        for one in base.channels
    )
    feed = replace(base.feed, idle_a=1.1 * (1.0 + around(0.25)))
    heat = replace(base.heat, k_per_w=base.heat.k_per_w * (1.0 + around(0.15)))
    truth = replace(base, channels=channels, feed=feed, heat=heat)
    loads = {
        label: {name: ohm * (1.0 + around(0.005)) for name, ohm in load.ohm.items()}
        for label, load in bench().model.load.items()
    }
    steps = [digit * 10.0**power for power in range(-4, 2) for digit in (1.0, 2.0, 2.5, 5.0)]
    inputs = {
        int(name[2:]): InputTruth(
            one.factor,
            around(one.gain_uncertainty_pct / 100.0),
            around(one.offset_uncertainty_v),
            0.01,
            {float(f"{v:.6g}"): around(0.01) for v in steps},
        )
        for name, one in bench().model.input.items()
    }
    digitiser = DigitiserTruth(noise_steps=0.5, clock_ppm=around(100.0), inputs=inputs)
    on = replace(shipped_bench(), digitiser=digitiser, load_ohm={})
    others = {label: ohm for label, ohm in loads.items() if label != "8R"}
    return truth, Wired(bench(), on, loads["8R"], others)


__all__ = ["BenchTruth", "both", "healthy", "kinds", "night", "plan", "sound", "stage", "truths", "unit", "with_remote"]
