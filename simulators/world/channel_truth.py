"""What one signal path of a simulated unit really is, faults included. Every default changes nothing."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

Fault = Literal["none", "dead", "open", "shorted", "at the rail"]


@dataclass(frozen=True)
class StageTruth:
    """The output stage. AB is B with idle current; the idle current itself stands in the feed.

    conduction_ohm: class D, of the devices that conduct; fixed_w: class D, what switching costs at rest.
    low_rail_part: class H, the lower rail as a part of the rail; crossing_v: how far the output drops when
    the rails change over, which shows as distortion.
    """

    output_class: Literal["AB", "B", "D", "H"] = "AB"
    conduction_ohm: float = 0.0
    fixed_w: float = 0.0
    low_rail_part: float = 0.5
    crossing_v: float = 0.0


@dataclass(frozen=True)
class NetworkTruth:
    """Filters at the input, second order: boost (gain boost_db at boost_hz, Q of its poles), subsonic, low-pass.

    0 Hz: not fitted.
    """

    boost_hz: float = 0.0
    boost_db: float = 0.0
    boost_q: float = 1.0
    subsonic_hz: float = 0.0
    subsonic_q: float = math.sqrt(0.5)
    lowpass_hz: float = 0.0
    lowpass_q: float = math.sqrt(0.5)


@dataclass(frozen=True)
class LimiterTruth:
    """Above threshold_v (peak volts at the output) the level rises by 1/ratio dB a dB."""

    threshold_v: float
    ratio: float = 10.0
    attack_s: float = 0.002
    release_s: float = 0.3


@dataclass(frozen=True)
class ResidueTruth:
    """What lies on the output beside the signal, all peak volts.

    hum_v: frequency in Hz -> V. carrier: of a switching stage. oscillation: while the output is above
    oscillates_above_v. They are too small to count in the energy.
    """

    hum_v: tuple[tuple[float, float], ...] = ()
    carrier_v: float = 0.0
    carrier_hz: float = 262_000.0
    oscillation_v: float = 0.0
    oscillation_hz: float = 700_000.0
    oscillates_above_v: float = math.inf


@dataclass(frozen=True)
class TransformerTruth:
    """Of a 100 V line output. ratio: volts out per volt in. winding_ohm: both windings, as seen from the stage.

    saturation_vs: flux in volt seconds on the stage's side. leak_s: how fast a flux that stands dies away.
    """

    ratio: float
    saturation_vs: float
    winding_ohm: float = 0.2
    leak_s: float = 0.5


@dataclass(frozen=True)
class ContactTruth:
    """An output contact that opens for opens_for_s every opens_every_s, while its devices are above from_c degC.

    leaves: the part of the volts that still comes through. Too short to count in the energy.
    """

    opens_every_s: float
    opens_for_s: float
    from_c: float = -math.inf
    leaves: float = 0.0


@dataclass(frozen=True)
class ChannelTruth:
    """One signal path.

    clip_positive, clip_negative: where the output stops, as parts of the momentary internal rail.
    knee_exponent: for soft clipping, x / (1 + |x|^p)^(1/p); large = sharp.
    coupling_hz: corner of the first-order high-pass at the input; 0 = DC coupled.
    offset_v: at 25 degC; offset_v_per_k: with the temperature of the devices; offset_jump_v: on top of it while they
    are above offset_jumps_at_c.
    crossover_v: half width of the dead zone without any idle current. most_a: peak amps the stage can give.
    crosstalk: of each other channel's output, what comes over, ratio at low frequencies; crosstalk_hz: where it has
    risen by 3 dB, and on by 6 dB an octave (a capacity between the two).
    thump_v: at the end of muting, falling with thump_tau_s. mounting_k_per_w: more than a sound mounting has.
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
    offset_v_per_k: float = 0.0
    offset_jump_v: float = 0.0
    offset_jumps_at_c: float = math.inf
    crossover_v: float = 0.0
    most_a: float = math.inf
    thump_v: float = 0.0
    thump_tau_s: float = 0.05
    mounting_k_per_w: float = 0.0
    crosstalk: float = 0.0
    crosstalk_hz: float = math.inf
    fault: Fault = "none"
    stage: StageTruth = field(default_factory=StageTruth)
    network: NetworkTruth | None = None
    limiter: LimiterTruth | None = None
    residue: ResidueTruth | None = None
    transformer: TransformerTruth | None = None
    contact: ContactTruth | None = None

    @property
    def gain(self) -> float:
        """Volts out per volt in, negative where inverted."""
        return float(10.0 ** (self.gain_db / 20.0)) * (-1.0 if self.inverted else 1.0)

    @property
    def plain_stage(self) -> bool:
        """Nothing but the rail shapes the output."""
        return not self.crossover_v and math.isinf(self.most_a) and self.stage.output_class in ("AB", "B")
