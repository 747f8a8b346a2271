"""What `output_power` must know of unit, load and bench before it fires: one frozen model, built by the night."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from sequencer.analysis.uncertainty import Source
from sequencer.measurements.transferred import Transferred
from sequencer.plan.heat_law import HeatLaw
from sequencer.plan.points import Point

RANGE_ALIKE = 0.02  # replies carry rounded digits


@dataclass(frozen=True)
class ChannelJob:
    """One driven channel. clip_v: expected crest at clipping into this load, V at the unit.

    sources: the bench's own uncertainty sources of this channel (range gain, probe, load), shared ones by the same
    id. gain_db: as the unit's file expects it. transfers: ranges compared with the meter in this run.
    """

    name: str
    input: str
    load_ohm: float
    clip_v: float
    gain_db: float
    sources: tuple[Source, ...]
    ranges: tuple[tuple[float, Source], ...] = ()
    transfers: tuple[Transferred, ...] = ()
    bridged: bool = False  # its volts are those between two live legs

    def sources_on(self, full_scale_v: float) -> tuple[Source, ...]:
        """All sources of a reading on the range that reaches full_scale_v; the widest if none does. What was compared
        with the meter counts for the very range that volts are put right on (`factor_for`)."""
        fitting = [one for one in self.ranges if one[0] >= full_scale_v * (1.0 - RANGE_ALIKE)]
        used = fitting[:1] or list(self.ranges[-1:])
        for one in self.transfers:
            if abs(full_scale_v / one.reach_v - 1.0) <= RANGE_ALIKE:
                return (*one.sources(), *(s for s in self.sources if s.id != f"probe:{self.input}"))
        return (*(source for _, source in used), *self.sources)


@dataclass(frozen=True)
class LevelLimits:
    """What no level may pass: at the generator, at the unit's output, and in the load."""

    generator_vrms: float
    output_crest_v: float
    burst_j: float
    largest_range_v: float
    step_vrms: float = 1e-4


@dataclass(frozen=True)
class Allowance:
    """What all shots of one job may cost together, s and J; infinite where nothing is said."""

    time_s: float = math.inf
    energy_unit_j: float = math.inf
    energy_load_j: float = math.inf


@dataclass(frozen=True)
class PowerJob:
    """The points that are searched together (they differ in the limit only, highest first).

    lead_ohm: of the supply's lead, both ways: what its meter shows is so much above the volts at the unit.
    """

    points: tuple[Point, ...]
    channels: tuple[ChannelJob, ...]
    limits: LevelLimits
    rail_input: str | None
    coupling_hz: float
    rest_s: float
    shots_at_most: int = 60
    allowance: Allowance = Allowance()
    stop_c: float | None = None  # heat sink that ends the ramp; None where none is seen
    lead_ohm: float = 0.0
    no_meter: bool = False  # a person works the supply: its own meter is read by nobody
    heat: HeatLaw = field(default_factory=HeatLaw)  # for the allowance; empty: ideal class B at the clip volts

    @property
    def point(self) -> Point:
        return self.points[0]

    @property
    def burst_s(self) -> float:
        return self.point.cycles / self.point.frequency_hz

    def inputs(self) -> tuple[str, ...]:
        names = [c.input for c in self.channels]
        if self.rail_input is not None:
            names.append(self.rail_input)
        return tuple(names)


@dataclass(frozen=True)
class GainProof:
    """Gain of each channel in dB at a harmless level, and the level it was seen at. rail_v: at the unit then, where a
    steady tone needs it."""

    level_vrms: float
    gain_db: Mapping[str, float]
    shots: int
    rail_v: float | None = None
