"""What a simulated unit really is. The unit file declares something similar, and is never exactly right."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from simulators.world.noise import around_zero


@dataclass(frozen=True)
class ChannelTruth:
    """One signal path.

    clip_positive, clip_negative: where the output stops, as parts of the momentary internal rail.
    knee_exponent: for soft clipping, x / (1 + |x|^p)^(1/p); large = sharp.
    coupling_hz: corner of the first-order high-pass at the input; 0 = DC coupled.
    """

    name: str
    gain_db: float = 26.0
    clip: Literal["hard", "soft"] = "hard"
    knee_exponent: float = 8.0
    clip_positive: float = 1.0
    clip_negative: float = 1.0
    offset_v: float = 0.0
    inverted: bool = False
    input_ohm: float = 20_000.0
    coupling_hz: float = 0.0
    output_ohm: float = 0.0
    noise_vrms: float = 0.0

    @property
    def gain(self) -> float:
        """Volts out per volt in, negative where inverted."""
        return float(10.0 ** (self.gain_db / 20.0)) * (-1.0 if self.inverted else 1.0)


@dataclass(frozen=True)
class RailTruth:
    """The internal rail (one side): tau dV/dt = V0 - source_ohm i - V.

    follows_supply: 0 = regulated, 1 = in proportion to the supply's volts.
    """

    no_load_v: float
    source_ohm: float = 0.0
    tau_s: float = 0.0
    follows_supply: float = 0.0

    def __post_init__(self) -> None:
        if self.source_ohm > 0 and self.tau_s <= 0:
            raise ValueError("a rail with a source resistance needs a reservoir: tau_s must be above 0")


@dataclass(frozen=True)
class FeedTruth:
    """What the unit takes from the supply: (rail volts x rail current) / efficiency, and the idle current.

    start_v: below it the unit does not start. mute_s: silence after it is energised.
    bleed_tau_s: how the terminals fall after switching off.
    """

    nominal_v: float = 24.0
    start_v: float = 18.0
    mute_s: float = 0.8
    idle_a: float = 1.1
    standby_a: float = 0.15
    efficiency: float = 0.88
    bleed_tau_s: float = 1.2


@dataclass(frozen=True)
class HeatTruth:
    """One node per channel: K/W to the air and J/K."""

    k_per_w: float = 1.2
    j_per_k: float = 500.0
    ambient_c: float = 22.0


@dataclass(frozen=True)
class UnitTruth:
    """One unit, by serial."""

    serial: str
    channels: tuple[ChannelTruth, ...]
    rail: RailTruth
    feed: FeedTruth = FeedTruth()
    heat: HeatTruth = HeatTruth()
    bridged: bool = False

    @staticmethod
    def from_ratings(declared: DeclaredUnit, seed: int) -> UnitTruth:
        """A unit like the declared one, but not equal: knee +-1.5 dB, gain +-1 dB, all by seed and serial.

        A truth equal to the declaration would make every prediction right and prove no search.
        """

        def spread(name: str, most: float) -> float:
            return most * around_zero(seed, declared.serial, name)

        channels = tuple(
            ChannelTruth(
                name,
                gain_db=declared.gain_db + spread(f"gain {name}", 1.0),
                offset_v=spread(f"offset {name}", 0.012),
                input_ohm=declared.input_ohm,
                coupling_hz=declared.coupling_hz * (1.0 + spread("coupling", 0.2)),
                noise_vrms=0.0003,
            )
            for name in declared.channels
        )
        no_load_v = declared.output_rail_v * 10.0 ** (spread("knee", 1.5) / 20.0)
        full_a = len(channels) * no_load_v / declared.lowest_load_ohm * 2.0 / math.pi
        sag = 0.05 + spread("sag", 0.03)  # of the no-load volts, all channels at full into the lowest load
        rail = RailTruth(no_load_v, sag * no_load_v / full_a, 0.010 + spread("reservoir", 0.005))
        feed = FeedTruth(
            nominal_v=declared.supply_v,
            start_v=0.75 * declared.supply_v,
            idle_a=declared.idle_a * (1.0 + spread("idle", 0.2)),
            efficiency=0.87 + spread("efficiency", 0.03),
        )
        heat = HeatTruth(1.2 + spread("heat", 0.15), 500.0 * (1.0 + spread("mass", 0.15)))
        return UnitTruth(declared.serial, channels, rail, feed, heat, declared.bridged)


@dataclass(frozen=True)
class DeclaredUnit:
    """What is declared of a unit without a truth of its own. output_rail_v: the crest it should clip at."""

    serial: str
    channels: tuple[str, ...] = ("A", "B")
    gain_db: float = 26.0
    output_rail_v: float = 32.0
    lowest_load_ohm: float = 4.0
    supply_v: float = 24.0
    idle_a: float = 1.1
    input_ohm: float = 20_000.0
    coupling_hz: float = 3.0
    bridged: bool = False


def spread_ohm(nominal_ohm: float, seed: int, load: str, channel: str) -> float:
    """The true ohms of a load whose file says `nominal_ohm`: within +-0.5 %, by seed."""
    return nominal_ohm * (1.0 + 0.005 * around_zero(seed, "load", load, channel))
