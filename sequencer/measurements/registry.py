"""Measurements of single values by the name a plan calls them: one line for each. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from sequencer.measurements.bench_check import bench_check
from sequencer.measurements.first_power import first_power
from sequencer.measurements.gain import gain
from sequencer.measurements.idle_current import idle_current
from sequencer.measurements.output_offset import output_offset
from sequencer.measurements.protection import protection
from sequencer.measurements.soak import soak
from sequencer.measurements.steady_efficiency import steady_efficiency
from sequencer.measurements.values import ValueJob, ValueTalk

VALUE_MEASUREMENTS: Mapping[str, Callable[[ValueJob], ValueTalk]] = MappingProxyType(
    {"output_offset": output_offset, "idle_current": idle_current, "gain": gain, "soak": soak}
    | {"first_power": first_power, "bench_check": bench_check, "protection": protection}
    | {"steady_efficiency": steady_efficiency}
)
DRIVEN = frozenset({"bench_check", "gain", "protection", "soak", "steady_efficiency"})  # these put a signal on the unit
