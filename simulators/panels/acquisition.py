"""One capture from arming to the last sample: shared by the digitisers' fronts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from simulators.world.digitise import InputSetting, Record
from simulators.world.world import World

AUTO_NS = 50_000_000
Phase = Literal["filling", "waiting", "recording", "complete"]


@dataclass(frozen=True)
class Capture:
    """Settings as they were when armed. starts_ns: pre-trigger begins to fill. auto: triggers by itself."""

    starts_ns: int
    sample_hz: float
    points: int
    before: int
    auto: bool
    inputs: tuple[InputSetting, ...]
    probes: tuple[float, ...]

    @property
    def ready_ns(self) -> int:
        """The pre-trigger is full; triggers that come before are not seen."""
        return self.starts_ns + round(self.before / self.sample_hz * 1e9)

    def trigger_ns(self, world: World, now_ns: int) -> int | None:
        """When it was triggered, if it was."""
        by_itself_ns = self.ready_ns + AUTO_NS if self.auto else None
        last_ns = now_ns if by_itself_ns is None else min(now_ns, by_itself_ns)
        found = world.trigger_between(self.ready_ns, last_ns)
        if found is None and by_itself_ns is not None and by_itself_ns <= now_ns:
            return by_itself_ns
        return found

    def complete_ns(self, trigger_ns: int) -> int:
        return trigger_ns + round((self.points - self.before) / self.sample_hz * 1e9)

    def phase(self, world: World, now_ns: int) -> Phase:
        if now_ns < self.ready_ns:
            return "filling"
        trigger_ns = self.trigger_ns(world, now_ns)
        if trigger_ns is None:
            return "waiting"
        return "recording" if now_ns < self.complete_ns(trigger_ns) else "complete"

    def record(self, trigger_ns: int) -> Record:
        return Record(trigger_ns, self.sample_hz, self.points, self.before)

    def input(self, number: int) -> tuple[InputSetting, float] | None:
        """Settings and probe ratio of an input that took part."""
        pairs = zip(self.inputs, self.probes, strict=True)
        return next(((i, probe) for i, probe in pairs if i.number == number), None)


def block(data: bytes) -> bytes:
    """Definite length block of IEEE 488.2, 8.7.9: `#`, digits of the count, the count, the bytes."""
    count = str(len(data))
    return b"#%d%s" % (len(count), count.encode()) + data
