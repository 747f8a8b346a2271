"""What holds between two changes: the unit, its feed, its loads and its drive; and the state it starts from."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Protocol

from simulators.world.drive import Memory
from simulators.world.noise import Samples
from simulators.world.signals import SOURCE_OHM, Tone, Wave
from simulators.world.unit_truth import UnitTruth


@dataclass(frozen=True)
class Feed:
    """The supply: volts it really gives unloaded, resistances on the way to the unit, current limit. parted_v: at its
    own terminals while its lead does not reach the unit."""

    on: bool = False
    volts: float = 0.0
    limit_a: float = math.inf
    source_ohm: float = 0.0
    lead_ohm: float = 0.0
    parted_v: float | None = None

    def parted(self) -> Feed:
        """As the unit has it once the lead is open."""
        return replace(self, on=False, parted_v=self.volts if self.on else 0.0)

    @property
    def ohm(self) -> float:
        return self.source_ohm + self.lead_ohm


@dataclass(frozen=True)
class Setting:
    """unit: as heat has made it. load_ohm, load_h: per channel, infinite ohm = no load. driven: per channel, input
    connected to the generator.

    live: energised, above its start volts and no longer muted. emf_v: of the generator at rest. gated: the inputs are
    shut for want of signal. cut: a protection has opened the outputs. bare: a bay without a unit is connected.
    dummy_ohm: of a resistor across the supply's lead.
    """

    unit: UnitTruth | None
    feed: Feed
    live: bool = False
    load_ohm: tuple[float, ...] = ()
    driven: tuple[bool, ...] = ()
    tone: Tone | None = None
    emf_v: float = 0.0
    load_h: tuple[float, ...] = ()
    gated: bool = False
    cut: bool = False
    bare: bool = False
    dummy_ohm: float = math.inf

    @property
    def heard(self) -> tuple[bool, ...]:
        """Per channel: the generator's signal gets in."""
        return tuple(driven and not self.gated for driven in self.driven)

    @property
    def input_part(self) -> float:
        """Unit input volts per volt of e.m.f.: 50 ohm into the inputs in parallel."""
        if self.unit is None:
            return 1.0
        pairs = zip(self.unit.channels, self.driven, strict=True)
        siemens = sum(1.0 / channel.input_ohm for channel, driven in pairs if driven)
        return 1.0 / (1.0 + SOURCE_OHM * siemens)

    def wave(self, from_ns: int) -> Wave:
        """The unit's input volts from `from_ns` on."""
        part, tone = self.input_part, self.tone
        if tone is None:
            return Wave(dc_v=part * self.emf_v)
        omega = 2.0 * math.pi * tone.frequency_hz
        phase_rad = tone.phase_rad + omega * (from_ns - tone.start_ns) * 1e-9
        second = None
        if tone.second is not None:
            faster = 2.0 * math.pi * tone.second.frequency_hz
            second = Wave(part * tone.second_peak_v, faster, faster * (from_ns - tone.start_ns) * 1e-9)
        return Wave(part * tone.first_peak_v, omega, phase_rad, part * tone.offset_v, second)

    @property
    def rail_no_load_v(self) -> float:
        """Internal rail without load; a regulated one does not follow the supply."""
        if self.unit is None:
            return 0.0
        rail, nominal_v = self.unit.rail, self.unit.feed.nominal_v
        return rail.no_load_v * (1.0 + rail.follows_supply * (self.feed.volts / nominal_v - 1.0))


@dataclass(frozen=True)
class State:
    """At an instant: internal rail, unit's supply terminals, volts behind each input coupling, and what else each
    channel holds (empty: nothing).
    """

    rail_v: float = 0.0
    terminal_v: float = 0.0
    coupled_v: tuple[float, ...] = ()
    memory: tuple[Memory, ...] = ()

    def memory_of(self, index: int) -> Memory:
        return self.memory[index] if self.memory else Memory()


@dataclass(frozen=True)
class Work:
    """Joules since a segment began; idle included in heat and supply. A burst's cost to the supply counts the
    recharging of the reservoir that follows it.
    """

    load_j: tuple[float, ...] = ()
    heat_j: tuple[float, ...] = ()
    supply_j: float = 0.0

    def plus(self, other: Work) -> Work:
        return Work(
            _summed(self.load_j, other.load_j),
            _summed(self.heat_j, other.heat_j),
            self.supply_j + other.supply_j,
        )


def _summed(some: tuple[float, ...], others: tuple[float, ...]) -> tuple[float, ...]:
    """Channel by channel. A bay whose contacts opened in the burst has no channels from then on."""
    return tuple(a + b for a, b in zip_longest(some, others, fillvalue=0.0))


class Response(Protocol):
    """How a setting plays out, t in s from its start. Arrays of times ascend."""

    def outputs(self, t_s: Samples) -> list[Samples]:
        """Volts at each channel's load."""

    def load_amps(self, t_s: Samples) -> Samples:
        """Through all loads together."""

    @property
    def resting_v(self) -> tuple[float, ...]:
        """DC at each channel's output once all else has died away."""

    def first_over_s(self, amps: float) -> float | None:
        """When an output's current first passes `amps`."""

    def terminal_v(self, t_s: Samples) -> Samples:
        """Volts at the unit's supply terminals."""

    def amps(self, t_s: Samples) -> Samples:
        """Supply current."""

    def amps_behind(self, t_s: Samples, corner_hz: float) -> Samples:
        """Supply current behind a first-order high-pass that was at rest before; 0 Hz: the current itself."""

    def supply_sums(self, from_s: float, to_s: float) -> tuple[float, float]:
        """Volt seconds and ampere seconds at the supply's own terminals."""

    def work(self, t_s: float) -> Work: ...

    def state(self, t_s: float) -> State: ...

    def limited_at(self, t_s: float) -> bool:
        """The supply is in current limit."""

    def limited_between(self, from_s: float, to_s: float) -> bool: ...
