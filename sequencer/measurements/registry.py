"""Measurements of single values by the name a plan calls them: one line for each. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from sequencer.measurements.bench_check import bench_check
from sequencer.measurements.channel_balance import channel_balance
from sequencer.measurements.crosstalk import crosstalk
from sequencer.measurements.dynamic_headroom import dynamic_headroom
from sequencer.measurements.endurance import endurance
from sequencer.measurements.first_power import first_power
from sequencer.measurements.frequency_response import frequency_response
from sequencer.measurements.gain import gain
from sequencer.measurements.idle_adjustment import idle_adjustment
from sequencer.measurements.idle_current import idle_current
from sequencer.measurements.intermodulation import intermodulation
from sequencer.measurements.load_check import load_check
from sequencer.measurements.noise import noise
from sequencer.measurements.output_impedance import output_impedance
from sequencer.measurements.output_offset import output_offset
from sequencer.measurements.power_bandwidth import power_bandwidth
from sequencer.measurements.precondition import precondition
from sequencer.measurements.protection import protection
from sequencer.measurements.range_transfer import range_transfer
from sequencer.measurements.soak import soak
from sequencer.measurements.stability import stability
from sequencer.measurements.steady_efficiency import steady_efficiency
from sequencer.measurements.terminal_scan import terminal_scan
from sequencer.measurements.thd_by_frequency import thd_by_frequency
from sequencer.measurements.thd_by_level import thd_by_level
from sequencer.measurements.turn_on import turn_on
from sequencer.measurements.values import ValueJob, ValueTalk
from sequencer.plan.estimate_distortion import MEASUREMENTS as DISTORTION
from sequencer.plan.estimate_quiet import SIGNALS
from sequencer.plan.estimate_response import MEASUREMENTS as RESPONSE

VALUE_MEASUREMENTS: Mapping[str, Callable[[ValueJob], ValueTalk]] = MappingProxyType(
    {
        "output_offset": output_offset,
        "idle_current": idle_current,
        "idle_adjustment": idle_adjustment,
        "gain": gain,
        "soak": soak,
    }
    | {"first_power": first_power, "bench_check": bench_check, "protection": protection}
    | {"steady_efficiency": steady_efficiency, "terminal_scan": terminal_scan}
    | {"noise": noise, "turn_on": turn_on, "load_check": load_check, "precondition": precondition}
    | {"stability": stability, "endurance": endurance}
    | {"frequency_response": frequency_response, "channel_balance": channel_balance, "crosstalk": crosstalk}
    | {"power_bandwidth": power_bandwidth, "output_impedance": output_impedance}
    | {"thd_by_level": thd_by_level, "thd_by_frequency": thd_by_frequency, "dynamic_headroom": dynamic_headroom}
    | {"intermodulation": intermodulation, "range_transfer": range_transfer}
)
# These put a signal on the unit.
DRIVEN = frozenset({"bench_check", "range_transfer", "gain", "protection", "soak", "steady_efficiency", "endurance"})
DRIVEN |= frozenset({"terminal_scan", *DISTORTION, *RESPONSE, *SIGNALS})
