"""Measurements of single values by the name a plan calls them: one line for each. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from sequencer.measurements.gain import gain
from sequencer.measurements.idle_current import idle_current
from sequencer.measurements.output_offset import output_offset
from sequencer.measurements.values import ValueJob, ValueTalk

VALUE_MEASUREMENTS: Mapping[str, Callable[[ValueJob], ValueTalk]] = MappingProxyType(
    {"output_offset": output_offset, "idle_current": idle_current, "gain": gain}
)
DRIVEN = frozenset({"gain"})  # these put a signal on the unit, though a harmless one
