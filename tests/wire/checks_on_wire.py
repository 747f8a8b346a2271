"""A bench with rail, shunt and remote line over the wire, with what is really wired or planted laid on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import pytest

from sequencer.measurements.values import Values
from sequencer.plan.models import Bench, Fingerprint, IdleCurrent, Input, Plan, Unit
from simulators.bench import BenchSpec
from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth, SupplyTruth
from simulators.world.unit_truth import ChannelTruth, FeedTruth, RailTruth, UnitTruth
from tests.wire import wire_bench
from tests.wire.wire_bench import Loaded, NightOnWire, Wired, declared_bench, declared_unit, run_plan

SHUNT_OHM = 0.01
OHM = {"8R": {"A": 7.98, "B": 8.03}, "4R": {"A": 4.02, "B": 3.99}}


def checks_bench(digitiser: str = "a", supply: str = "a", **bay: Any) -> Loaded[Bench]:
    """The shipped bench of that letter with ch3 on the rail, ch4 on a shunt, and a remote contact."""
    loaded = declared_bench(digitiser, supply, channels="AB")
    bench = loaded.model
    wiring = {"ch1": "output A", "ch2": "output B", "ch3": "rail", "ch4": "shunt in the load return"}
    probe = Input(factor=10.0, gain_uncertainty_pct=0.5, offset_uncertainty_v=0.001)
    inputs = {name: probe for name in ("ch1", "ch2", "ch3")}
    inputs["ch4"] = Input(ohm=SHUNT_OHM, gain_uncertainty_pct=0.5)
    place = bench.bay[0].model_copy(update={"remote_contact": "209"} | bay)
    load = {name: bench.load[name] for name in OHM}
    changed = {"wiring": wiring, "input": inputs, "bay": (place,), "load": load}
    return replace(loaded, model=bench.model_copy(update=changed))


def unit_on_paper(**changed: Any) -> Unit:
    """Two channels of 26 dB, 0.9 to 1.4 A at rest, at most 50 mA in standby, muted for at most 3 s."""
    unit = declared_unit(30.0, coupling_hz=5.0, channels="AB")
    own = {"remote_line": True, "standby_a_max": 0.05, "idle_current": IdleCurrent(window_a=(0.9, 1.4))}
    return unit.model_copy(update=own | changed)


def channel(name: str, **own: Any) -> ChannelTruth:
    return ChannelTruth(name, **{"input_ohm": 22e3, "coupling_hz": 4.0, "output_ohm": 0.012, "noise_vrms": 4e-4} | own)


def unit_in_truth(
    own_a: Mapping[str, Any] | None = None, own_b: Mapping[str, Any] | None = None, **feed: Any
) -> UnitTruth:
    channels = (
        channel("A", **{"gain_db": 26.1} | dict(own_a or {})),
        channel("B", **{"gain_db": 25.9} | dict(own_b or {})),
    )
    return UnitTruth("MV-0900", channels, RailTruth(33.0), FeedTruth(**{"idle_a": 1.1, "standby_a": 0.012} | feed))


def bench_in_truth(**own: Any) -> BenchTruth:
    """Errors of ordinary size in everything, all within what the bench declares."""
    inputs = {
        1: InputTruth(10.0, 0.0032, 0.0008, 0.004),
        2: InputTruth(10.0, -0.0027, -0.0005, 0.004),
        3: InputTruth(10.0, 0.0018, 0.0, 0.004),
        4: InputTruth(1.0, 0.0, 0.0, 0.004),
    }
    supply = {"volts_error": -6e-4, "lead_ohm": 0.0124, "meter_noise_v": 8e-4, "meter_noise_a": 2.5e-3}
    supply |= own.pop("supply", {})
    changed = {n: replace(inputs[n], **more) for n, more in own.pop("inputs", {}).items()}
    digitiser = DigitiserTruth(noise_steps=0.6, clock_ppm=own.pop("clock_ppm", 18.0), inputs=inputs | changed)
    return BenchTruth(
        digitiser=digitiser, supply=SupplyTruth(**supply), load_shunt_ohm=SHUNT_OHM * 1.002,
        generator_level_error=0.0021, **own,
    )  # fmt: skip


@dataclass(frozen=True)
class Checked:
    """The rows of one night, what came of each, and all findings by kind and channel."""

    night: NightOnWire

    def values(self, measurement: str) -> Values:
        (found,) = [values for row, values in self.night.values if row["measurement"] == measurement]
        return found

    @property
    def kinds(self) -> list[tuple[str, str | None]]:
        return [(f.kind, f.channel) for _, values in self.night.values for f in values.findings]

    def number(self, measurement: str, name: str, channel: str | None = None) -> float:
        found = [v for v in self.values(measurement).values if (v.name, v.channel) == (name, channel)]
        assert len(found) == 1, f"{name} of {channel}: {[v.name for v in self.values(measurement).values]}"
        assert found[0].value is not None, found[0]
        return found[0].value


def plan_of_checks(*measurements: str) -> Plan:
    stages = tuple(
        {"name": name, "measurement": name}
        | ({"loads": ("8R",), "drives": ("8 cycles",)} if name == "output_power" else {"loads": ("8R",)})
        for name in measurements
    )
    return Plan.model_validate({"format": 1, "name": "checks", "rest": "quick", "stage": stages})


def checked_on_wire(
    plan: Plan,
    unit: UnitTruth | None = None,
    bench: BenchTruth | None = None,
    on_paper: Unit | None = None,
    declared: Loaded[Bench] | None = None,
    seed: int = 1,
) -> Checked:
    wired = Wired(declared or checks_bench(), bench or bench_in_truth())
    return Checked(run_plan(wired, on_paper or unit_on_paper(), unit or unit_in_truth(), plan, seed))


def really(monkeypatch: pytest.MonkeyPatch, change: Callable[[BenchSpec], BenchSpec]) -> None:
    """What is wired, loaded or fitted differs from what the bench's file says."""
    as_declared = wire_bench._spec
    monkeypatch.setattr(wire_bench, "_spec", lambda *given: change(as_declared(*given)))


__all__ = ["Fingerprint", "checked_on_wire"]
