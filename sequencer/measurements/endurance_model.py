"""An endurance as it goes: what was seen of each burst and at each look. Pure data."""

from __future__ import annotations

from dataclasses import dataclass, field

from sequencer.analysis.dropouts import Dropout
from sequencer.measurements.endurance_look import Look
from sequencer.measurements.heating import Tone
from sequencer.measurements.values import ValueJob


@dataclass(frozen=True)
class Watched:
    """One channel in one burst. power_w: at its end, U^2 / R, None where its record was overloaded. seen_s: of the
    burst, that was looked through. at_s: since the endurance began.
    gone, risen: all of it, by 10 dB or more, by 3 dB or more."""

    cycle: int
    part: str
    channel: str
    at_s: float
    power_w: float | None
    seen_s: float
    dropouts: tuple[Dropout, ...]
    gone: bool
    risen: bool = False


@dataclass
class Endurance:
    """As it goes. loud: at 1/8; small: at the small power. due_v: (part, channel) -> Vrms of the first burst.
    cooled: of each cycle, s and degC by channel. stopped_by: None where it lasted."""

    job: ValueJob
    loud: Tone
    small: Tone
    looks: list[Look] = field(default_factory=list)
    watched: list[Watched] = field(default_factory=list)
    due_v: dict[tuple[str, str], float] = field(default_factory=dict)
    waited_s: list[float] = field(default_factory=list)
    worked_s: dict[str, float] = field(default_factory=dict)
    burst_seconds: dict[str, float] = field(default_factory=dict)
    gone_in_a_row: int = 0
    begun_ns: int | None = None
    shots: int = 0
    stopped_by: str | None = None
    sentence: str | None = None
    stopped_at: str | None = None  # the channel
    trip: str | None = None
    no_drive: str | None = None

    @property
    def ended(self) -> bool:
        return self.stopped_by is not None or self.trip is not None

    def stop(self, stopped_by: str, sentence: str, channel: str | None = None) -> None:
        self.stopped_by, self.sentence, self.stopped_at = stopped_by, sentence, channel
