"""One capture from arming to the last sample: shared by the digitisers' fronts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from simulators.panels.tree import Refused
from simulators.world.digitise import Codes, Digitiser, InputSetting, Record
from simulators.world.world import World

AUTO_NS = 50_000_000
Phase = Literal["filling", "waiting", "recording", "complete"]


@dataclass(frozen=True)
class Shape:
    """Of a record, in samples: `before` of its `points` are the pre-trigger part; `delay` lie between the trigger and
    the first sample that follows that part.
    """

    sample_hz: float
    points: int
    before: int
    delay: int = 0

    @property
    def first_s(self) -> float:
        """Time of the first sample as the instrument tells it, trigger at 0."""
        return (self.delay - self.before) / self.sample_hz


@dataclass(frozen=True)
class Capture:
    """Settings as they were when armed. starts_ns: pre-trigger begins to fill. auto: triggers by itself.

    shape: of the record.
    """

    starts_ns: int
    shape: Shape
    auto: bool
    inputs: tuple[InputSetting, ...]
    probes: tuple[float, ...]

    @property
    def ready_ns(self) -> int:
        """The pre-trigger is full; triggers that come before are not seen."""
        return self.starts_ns + round(self.shape.before / self.shape.sample_hz * 1e9)

    def trigger_ns(self, world: World, now_ns: int) -> int | None:
        """When it was triggered, if it was."""
        by_itself_ns = self.ready_ns + AUTO_NS if self.auto else None
        last_ns = now_ns if by_itself_ns is None else min(now_ns, by_itself_ns)
        found = world.trigger_between(self.ready_ns, last_ns)
        if found is None and by_itself_ns is not None and by_itself_ns <= now_ns:
            return by_itself_ns
        return found

    def complete_ns(self, trigger_ns: int) -> int:
        shape = self.shape
        return trigger_ns + round((shape.delay + shape.points - shape.before) / shape.sample_hz * 1e9)

    def phase(self, world: World, now_ns: int) -> Phase:
        if now_ns < self.ready_ns:
            return "filling"
        trigger_ns = self.trigger_ns(world, now_ns)
        if trigger_ns is None:
            return "waiting"
        return "recording" if now_ns < self.complete_ns(trigger_ns) else "complete"

    def record(self, trigger_ns: int) -> Record:
        """With a delay above the pre-trigger part the trigger lies before the first sample: `before` is negative."""
        shape = self.shape
        return Record(trigger_ns, shape.sample_hz, shape.points, shape.before - shape.delay)

    def input(self, number: int) -> tuple[InputSetting, float] | None:
        """Settings and probe ratio of an input that took part."""
        pairs = zip(self.inputs, self.probes, strict=True)
        return next(((i, probe) for i, probe in pairs if i.number == number), None)


def rates_of_order(ordered_hz: tuple[float, ...], own_hz: tuple[float, ...]) -> tuple[float, ...]:
    """What a front samples at: its page's own rates, or those it was ordered with where they are others."""
    return own_hz if set(ordered_hz) <= set(own_hz) else tuple(sorted(ordered_hz))


class Memory:
    """The capture last completed, and its codes once somebody asks for them."""

    def __init__(self, converters: Digitiser) -> None:
        self._converters = converters
        self._trigger_ns = 0
        self.taken: Capture | None = None
        self._codes: dict[int, Codes] | None = None

    def keep(self, capture: Capture, trigger_ns: int) -> None:
        self.taken, self._trigger_ns, self._codes = capture, trigger_ns, None

    def clear(self) -> None:
        self.taken = self._codes = None

    @property
    def points(self) -> int:
        """Samples of each input, 0 without a capture."""
        return self.taken.shape.points if self.taken else 0

    def chosen(self, number: int) -> tuple[Capture, InputSetting, float]:
        """Capture, settings and probe ratio of an input. Refused -221 if there is no capture of it."""
        found = self.taken.input(number) if self.taken else None
        if self.taken is None or found is None:
            raise Refused(-221)
        return (self.taken, *found)

    def words(self, number: int) -> Codes:
        """Signed codes of an input, shifted to the top of a word of 16 bits. Refused -221 without them."""
        taken, setting, _ = self.chosen(number)
        if self._codes is None:
            self._codes = self._converters.codes(taken.record(self._trigger_ns), list(taken.inputs))
        return self._codes[setting.number] << (16 - self._converters.bits)


def block(data: bytes) -> bytes:
    """Definite length block of IEEE 488.2, 8.7.9: `#`, digits of the count, the count, the bytes."""
    return block_of_digits(data, len(str(len(data))))


def block_of_digits(data: bytes, digits: int) -> bytes:
    """As `block`, the count with so many digits, zeros before it."""
    return b"#%d" % digits + str(len(data)).zfill(digits).encode() + data
