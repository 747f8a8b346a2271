"""What a soak says of each side: its heat, the curve of its heat sink, its K/W. Pure.

Heat of the whole unit: what the supply gave less what both loads took, the pauses counted in at the idle power.
The converter's own loss cannot be told from it, and is counted as the output stages'. It is split between the
channels: half of the idle each, and the rest in proportion to the class B law, 2 Vr Vp / (pi R) - Vp^2 / (2 R).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.warming import Warming, fit_warming
from sequencer.measurements.heating import Heated
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import BenchReading
from sequencer.measurements.states import first_start_c
from sequencer.measurements.values import ValueJob

Real = NDArray[np.float64]

SETTLE_S = 60.0  # a sensor beside the devices jumps first: one time constant fits from there on
REACHED_LEAST = 0.6  # of the way to rest; less, and the end is a guess (our own judgement)
LEFT_MOST_K = 1.0  # what one time constant may leave over (rms); more, and the cooling changed on the way
FROM_RUN = "as the heat sinks were when this run began"
FROM_SOAK = "as the heat sinks were when the soak began: no earlier reading in this run"


@dataclass(frozen=True)
class Course:
    """times_s: of each burst's reading, since the first burst began. celsius: per channel, shape (n,).

    heat_w: of the whole unit, mean over time; idle_w: without signal; output_w: per channel, mean over time.
    """

    times_s: Real
    celsius: Mapping[str, Real]
    duty: float
    heat_w: float
    idle_w: float
    output_w: Mapping[str, float]
    ambient_c: Mapping[str, float]
    ambient_basis: str


@dataclass(frozen=True)
class Side:
    """One channel. end_c: as last read; rest_c: at rest, by the fit or as last read, None where it is not known.

    note: where rest_c comes from, or why it is not known.
    """

    end_c: float
    rest_c: float | None
    ambient_c: float
    heat_w: float
    fit: Warming | None
    note: str

    @property
    def k_per_w(self) -> float | None:
        """Rise at rest over the air, over the heat."""
        return None if self.rest_c is None else self._over_heat(self.rest_c)

    @property
    def end_k_per_w(self) -> float:
        """The same as far as it had risen: for comparing two sides that warmed for as long."""
        return self._over_heat(self.end_c) or 0.0

    def _over_heat(self, celsius: float) -> float | None:
        return (celsius - self.ambient_c) / self.heat_w if self.heat_w > 0.0 else None


def course(job: ValueJob, before: Sequence[BenchReading], heated: Sequence[Heated]) -> Course:
    """From all bursts; the heat is what the last half of them gave, when the current has settled."""
    first_ns = heated[0].begun_ns
    times_s = np.array([(h.bench.at_ns - first_ns) / 1e9 for h in heated])
    burst_s = heated[0].shot.request.cycles / heated[0].shot.request.frequency_hz
    duty = min(sum(h.bursts for h in heated) * burst_s / float(times_s[-1]), 1.0)
    late = heated[len(heated) // 2 :]
    idle_w = _mean([r.supply_v * r.supply_a for r in before])
    output_w = {c.name: duty * _mean([w for h in late if (w := h.power_w[c.name]) is not None]) for c in job.channels}
    drawn_w = duty * _mean([h.drawn_w for h in late]) + (1.0 - duty) * idle_w
    start_c = first_start_c(job)
    basis = FROM_RUN if start_c else FROM_SOAK
    names = [name for name in heated[0].bench.heatsink_c if name in output_w]
    celsius = {n: np.array([h.bench.heatsink_c.get(n, math.nan) for h in heated]) for n in names}
    ambient_c = {n: start_c.get(n, before[0].heatsink_c.get(n, float(celsius[n][0]))) for n in names}
    return Course(times_s, celsius, duty, drawn_w - sum(output_w.values()), idle_w, output_w, ambient_c, basis)


def sides(job: ValueJob, seen: Course) -> dict[str, Side]:
    """Every channel whose heat sink is seen."""
    heats = split(job, seen)
    return {name: _side(name, seen, heats[name]) for name in seen.celsius}


def split(job: ValueJob, seen: Course) -> dict[str, float]:
    """Heat of each driven channel, W, mean over time."""
    law = {c.name: class_b_w(c, seen.output_w[c.name]) for c in job.channels}
    total, all_channels = sum(law.values()), len(job.around.unit.channel)
    idle_each_w = seen.idle_w / all_channels
    by_signal_w = max(seen.heat_w - seen.idle_w, 0.0)
    return {n: idle_each_w + by_signal_w * (law[n] / total if total else 1.0 / len(law)) for n in law}


def class_b_w(channel: ChannelJob, output_w: float) -> float:
    """Heat of an ideal class B stage at this output, W (textbook); its rail at the expected clip volts."""
    peak_v = math.sqrt(2.0 * output_w * channel.load_ohm)
    drawn_w = 2.0 * max(channel.clip_v, peak_v) * peak_v / (math.pi * channel.load_ohm)
    return drawn_w - output_w


def _side(name: str, seen: Course, heat_w: float) -> Side:
    celsius = seen.celsius[name]
    end_c = float(np.mean(celsius[-3:]))
    late = (seen.times_s >= SETTLE_S) & np.isfinite(celsius)
    fit = fit_warming(seen.times_s[late], celsius[late])
    ambient_c = seen.ambient_c[name]
    if fit is None or fit.reached < REACHED_LEAST:
        far = "" if fit is None else f", {100.0 * fit.reached:.0f} % of the way to rest"
        note = f"not at rest{far}: a longer soak would tell"
        return Side(end_c, None, ambient_c, heat_w, None, note)
    if fit.left_rms_k > LEFT_MOST_K:
        note = f"as last read: one time constant leaves {fit.left_rms_k:.1f} K over, the cooling changed on the way"
        return Side(end_c, end_c, ambient_c, heat_w, None, note)
    note = f"at rest by the fit, of which {100.0 * fit.reached:.0f} % was seen"
    return Side(end_c, fit.end_c, ambient_c, heat_w, fit, note)


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values) if values else 0.0
