"""What a measurement asks of the night, and what it is sent back. Pure data.

A measurement is a generator: it yields one of the requests below and is sent the reply named beside it. The night
drives it against instruments, a test against a list, re-analysis against stored traces.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from sequencer.analysis.records import Record

Purpose = Literal[
    "gain proof", "twin", "ramp", "confirm", "gain", "quiet", "check", "efficiency", "soak", "warming", "protection",
    "distortion", "headroom", "response", "endurance",
]  # fmt: skip


@dataclass(frozen=True)
class SecondTone:
    """Played with the first one, in phase with it at the burst's begin. ratio: the first one's peak over its own."""

    frequency_hz: float
    ratio: float


@dataclass(frozen=True)
class Fire:
    """One counted burst with its capture. Reply: Shot.

    level_vrms: of the sine inside the burst, at the unit's input. full_scale_v: for each digitiser input to
    capture, the volts (at the unit) that must fit its range. before_s, after_s: silence captured before and after
    the burst. last_s: of a steady tone only its last so many seconds are captured, and the supply is read within them;
    None: the whole burst. harmonics: highest one that the record must show; None: as the night has it for the point.
    second: of two tones together, level_vrms is that of a sine with the crest of their sum, and the cycles count the
    first one's. meter_vrms: what the bench's meter is expected to read meanwhile; None: it is not asked.
    """

    level_vrms: float
    frequency_hz: float
    cycles: int
    full_scale_v: Mapping[str, float]
    purpose: Purpose
    before_s: float = 0.0005
    after_s: float = 0.0005
    last_s: float | None = None
    harmonics: int | None = None
    second: SecondTone | None = None
    meter_vrms: float | None = None

    @property
    def first_part(self) -> float:
        """Of the level, what the tone of `frequency_hz` has: 1 where it is alone."""
        return 1.0 if self.second is None else self.second.ratio / (1.0 + self.second.ratio)


@dataclass(frozen=True)
class Rest:
    """Silence between shots. Reply: None."""

    seconds: float


@dataclass(frozen=True)
class Quiet:
    """Outputs without signal, at least `seconds` of them. Reply: Shot.

    A digitiser waits for an external trigger, which only a burst gives: so one cycle of 1 kHz at the generator's
    least level is fired, and what counts is the record after it, from `TRIGGER_PAST_S` on, when it has died away.
    full_scale_v: for each digitiser input, the volts (at the unit) that must fit its range.
    """

    seconds: float
    full_scale_v: Mapping[str, float]


@dataclass(frozen=True)
class ReadBench:
    """Slow readings now. Reply: BenchReading."""


@dataclass(frozen=True)
class SetSupply:
    """Volts and current limit of the unit's supply, and whether it is on. Reply: None, once it is read back."""

    volts: float
    limit_a: float
    on: bool = True


@dataclass(frozen=True)
class Remote:
    """The unit's remote line. Reply: None; where the bay has no contact for it, nothing happens."""

    on: bool


@dataclass(frozen=True)
class Connect:
    """A load of the bench on these channels, and on no others; None: no load at all. Only in silence. Reply: None."""

    load: str | None
    channels: tuple[str, ...]


@dataclass(frozen=True)
class Inputs:
    """The generator on the inputs of these channels, and on no others; None: on all. Only in silence. Reply: None."""

    channels: tuple[str, ...] | None


@dataclass(frozen=True)
class MeterOn:
    """The meter on the output of this channel, and on no other; None: on none. Only in silence. Reply: None."""

    channel: str | None


@dataclass(frozen=True)
class Outputs:
    """The bay's output contacts: closed, or open so that digitiser and loads see nothing of the unit. Only while the
    unit is off. Reply: None."""

    closed: bool


@dataclass(frozen=True)
class Deed:
    """What a person is asked to do, for whoever plays that person in a dry run. load, channels: of "load on", "load
    off". input, terminal: of "probe", where its tip goes, None: back where it was; so of "leads", the meter's."""

    what: Literal["load on", "load off", "supply", "meter", "probe", "ohmmeter", "leads"]
    load: str | None = None
    channels: tuple[str, ...] = ()
    volts: float = 0.0
    limit_a: float = 0.0
    on: bool = False
    input: str | None = None
    terminal: str | None = None


@dataclass(frozen=True)
class Ask:
    """A question to a person. Reply: Answer, one of `choices`. otherwise: what is assumed where nobody answers. number:
    its unit, where a number may be typed instead of a choice."""

    question: str
    choices: tuple[str, ...]
    otherwise: str
    deed: Deed | None = None
    number: str | None = None

    def accepts(self, word: str) -> bool:
        """A choice, or a number from 0 up where one is asked for."""
        if word in self.choices:
            return True
        try:
            return self.number is not None and 0.0 <= float(word) < math.inf
        except ValueError:
            return False

    @property
    def answers(self) -> str:
        """What may be typed, in words."""
        return ", ".join((*((f"a number of {self.number}",) if self.number else ()), *self.choices))


@dataclass(frozen=True)
class AskMeanwhile:
    """As Ask, while the measurement goes on. Reply: None; what became of it is the reply to `Answered`. One at a
    time."""

    question: str
    choices: tuple[str, ...]
    otherwise: str


@dataclass(frozen=True)
class Answered:
    """What was said to the question that is open. Reply: Answer; None while nobody has said anything."""


@dataclass(frozen=True)
class ReadOhms:
    """What the bench's meter reads between its leads, the unit off. Reply: Answer, by nobody: its choice is a number of
    ohms, "inf" beyond the meter's range, "no" where it gave none."""


@dataclass(frozen=True)
class Tell:
    """A sentence for the person who is there. Reply: None."""

    sentence: str


Setting = SetSupply | Remote | Connect | Inputs | Outputs | MeterOn
Request = Fire | Quiet | Rest | ReadBench | Setting | Ask | AskMeanwhile | Answered | ReadOhms | Tell


@dataclass(frozen=True)
class BenchReading:
    """supply_v, supply_a: one meter window of the supply, nan where nothing reads it; heatsink_c per channel.

    at_ns: bench clock, when it was read.
    """

    supply_v: float
    supply_a: float
    supply_limited: bool
    supply_tripped: str | None
    heatsink_c: Mapping[str, float] = field(default_factory=dict)
    at_ns: int = 0


@dataclass(frozen=True)
class Answer:
    """by_a_person: False where nobody was there, and `choice` is what was assumed."""

    choice: str
    by_a_person: bool


@dataclass(frozen=True)
class Metered:
    """True rms of the AC part at an output, V, and the meter's range, V rms."""

    vrms: float
    range_vrms: float


@dataclass(frozen=True)
class Shot:
    """One burst as captured.

    level_vrms: as set (and read back equal). records: per digitiser input, e.g. "ch1". fired_at_ns: bench clock.
    supply_limited: the latched sign of current limit since the shot before. metered: where the meter was asked and
    gave a number while the tone stood.
    """

    number: int
    request: Fire
    level_vrms: float
    records: Mapping[str, Record]
    fired_at_ns: int
    supply_limited: bool
    supply_tripped: str | None
    supply_v: float
    supply_a: float
    metered: Metered | None = None


Reply = Shot | BenchReading | Answer | None
