"""What a simulated unit really is. The unit file declares something similar, and is never exactly right."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulators.world.channel_truth import ChannelTruth
from simulators.world.noise import around_zero

__all__ = [
    "ChannelTruth",
    "DeclaredUnit",
    "FanTruth",
    "FeedTruth",
    "GateTruth",
    "HeatTruth",
    "ProtectionTruth",
    "RailTruth",
    "UnitTruth",
    "spread_ohm",
]


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
    idle_a: at 25 degC, all channels; idle_per_k: of it, per K of the devices' mean temperature.
    healthy_idle_a: below it there is a dead zone in the output.
    """

    nominal_v: float = 24.0
    start_v: float = 18.0
    mute_s: float = 0.8
    idle_a: float = 1.1
    standby_a: float = 0.15
    efficiency: float = 0.88
    bleed_tau_s: float = 1.2
    idle_per_k: float = 0.0
    healthy_idle_a: float = 0.0


@dataclass(frozen=True)
class FanTruth:
    """It starts when a channel's heat sink passes start_c and then brings K/W down to k_per_w; dead: it never does."""

    start_c: float
    k_per_w: float
    dead: bool = False


@dataclass(frozen=True)
class HeatTruth:
    """Each channel has a heat sink (K/W to the air, J/K) and on it, if device_j_per_k is given, its devices.

    device_k_per_w: from the devices to the heat sink, mounting included. sensor_part: what the thermometer sees,
    0 = the heat sink, 1 = the devices' side.
    """

    k_per_w: float = 1.2
    j_per_k: float = 500.0
    ambient_c: float = 22.0
    device_k_per_w: float = 0.0
    device_j_per_k: float = 0.0
    sensor_part: float = 0.0
    fan: FanTruth | None = None


@dataclass(frozen=True)
class ProtectionTruth:
    """What takes the outputs away, and how they come back.

    over_a: peak amps at an output, for delay_s. over_c: of the devices. offset_v: DC at an output, for delay_s.
    returns_after_s: by itself; None = only after supply or remote line were off for 5 s.
    """

    over_a: float = math.inf
    over_c: float = math.inf
    offset_v: float = math.inf
    delay_s: float = 0.0
    returns_after_s: float | None = None


@dataclass(frozen=True)
class GateTruth:
    """Mutes the inputs without signal: opens open_s after one begins, shuts hold_s after it has ended."""

    open_s: float
    hold_s: float


@dataclass(frozen=True)
class UnitTruth:
    """One unit, by serial.

    input_ground_ohm: from the shells of the inputs to the supply's minus; infinite = they float.
    note: what sets it apart from a healthy low-impedance unit; empty for those.
    """

    serial: str
    channels: tuple[ChannelTruth, ...]
    rail: RailTruth
    feed: FeedTruth = FeedTruth()
    heat: HeatTruth = HeatTruth()
    bridged: bool = False
    protection: ProtectionTruth | None = None
    gate: GateTruth | None = None
    input_ground_ohm: float = math.inf
    note: str = ""

    def __post_init__(self) -> None:
        if any(channel.crossover_v for channel in self.channels) and self.feed.healthy_idle_a <= 0.0:
            raise ValueError("a dead zone needs the idle current at which it is gone: healthy_idle_a")

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
