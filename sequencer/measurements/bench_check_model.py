"""What the checks of bench and wiring share: what they look at, what they bring back, their levels. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sequencer.measurements.bench_inputs import ToneSeen
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import BenchReading, Shot
from sequencer.measurements.values import Finding, Value, ValueJob
from sequencer.plan.estimate_checks import check_tone_hz

CREST_SCALE_V = 5.0  # room for a thump beside the wiring tone
RANGE_FACTORS = (4.0, 40.0)  # of the level expected: 12 dB more of gain is seen at once, 32 dB the second time


@dataclass(frozen=True)
class Checked:
    """What one check brings back. wrong: why the unit must not be driven."""

    values: tuple[Value, ...] = ()
    findings: tuple[Finding, ...] = ()
    wrong: str | None = None


@dataclass(frozen=True)
class ChannelSeen:
    """One channel at the first tone. gain_db: None where no output was seen. sign: of its first half cycle."""

    job: ChannelJob
    tone: ToneSeen
    gain_db: float | None
    sign: int = 0

    @property
    def name(self) -> str:
        return self.job.name

    @property
    def against_file_db(self) -> float | None:
        return None if self.gain_db is None else self.gain_db - self.job.gain_db


@dataclass(frozen=True)
class LoadShots:
    """Bursts with one load on one channel alone, the others open. cycles: of each burst."""

    load: str
    channel: str
    shots: tuple[Shot, ...]


@dataclass(frozen=True)
class Looked:
    """Everything the checks read, in the order it was read. with_tone: of the supply under the wiring tone, only
    where a channel did not answer as it should."""

    job: ValueJob
    tone_hz: float
    readings: tuple[BenchReading, ...]
    tone: Shot
    channels: tuple[ChannelSeen, ...]
    quiet: Shot | None = None
    with_tone: Shot | None = None
    ranges: tuple[tuple[float, Shot], ...] = ()
    loads: tuple[LoadShots, ...] = ()

    @property
    def idle_a(self) -> float:
        return sum(r.supply_a for r in self.readings) / len(self.readings)

    @property
    def supply_v(self) -> float:
        return sum(r.supply_v for r in self.readings) / len(self.readings)


def together(checks: Iterable[Checked]) -> Checked:
    """All of them, in order."""
    listed = tuple(checks)
    return Checked(
        tuple(v for one in listed for v in one.values),
        tuple(f for one in listed for f in one.findings),
        next((one.wrong for one in listed if one.wrong), None),
    )


def tone_hz(job: ValueJob) -> float:
    """The point's own tone, else 1 kHz or the edge of the passband that is nearest to it."""
    return check_tone_hz(job.point, job.around.unit)


def scales(job: ValueJob, volts: float) -> Mapping[str, float]:
    """Every output's input at a range for so many volts, as far as ranges reach."""
    return {channel.input: min(volts, job.limits.largest_range_v) for channel in job.channels}


def level_for(job: ValueJob, output_vrms: float, gain_db: float) -> float:
    wanted: float = output_vrms / 10.0 ** (gain_db / 20.0)
    return min(wanted, job.limits.generator_vrms)


def not_measured(name: str, unit: str, reason: str, channel: str | None = None) -> Value:
    return Value(name, None, unit, channel, judgement="not measured", reason=reason)
