"""What the bench is doing while a point is measured, in the words of a status message. Pure."""

from __future__ import annotations

from sequencer.plan.points import AnyPoint, ValuePoint
from sequencer.publish.messages import BenchState

OF_MEASUREMENTS: dict[str, BenchState] = {
    "first_power": "first power",
    "precondition": "preconditioning",
    "idle_adjustment": "waiting for a person",
    "soak": "keeping level",
    "steady_efficiency": "keeping level",
    "output_power": "ramping",
    "power_bandwidth": "ramping",
    "protection": "ramping",
    "thd_by_level": "ramping",
    "thd_by_frequency": "ramping",
    "dynamic_headroom": "ramping",
    "intermodulation": "ramping",
}  # every other one is looked at with small signals, or with none
OF_WAITS: dict[str, BenchState] = {"warm": "warming up", "cooled": "cooling"}


def state_at(point: AnyPoint) -> BenchState:
    """Of a point of single values, what it waits for first."""
    if isinstance(point, ValuePoint) and point.measurement in ("idle_current", "output_offset"):
        return OF_WAITS.get(point.wait, "checking")
    return OF_MEASUREMENTS.get(point.measurement, "checking")
