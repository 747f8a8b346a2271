"""What the generators' fronts share: one e.m.f. behind 50 ohm, bursts of it, and how both reach the world."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulators.panels.tree import Refused
from simulators.world.signals import SOURCE_OHM, SecondTone
from simulators.world.world import World

VPP_PER_VRMS = 2.0 * math.sqrt(2.0)
VPEAK_PER_VRMS = math.sqrt(2.0)
MOST_PEAK_V = 10.0


@dataclass
class Sine:
    """As set. Level and offset are those of the e.m.f. load_ohm: as told, it changes numbers only. cycles: None for
    endless. bursts: counted ones; else a tone. by_itself: bursts come again and again, without being fired.
    """

    frequency_hz: float = 1000.0
    emf_vrms: float = 0.1
    emf_offset_v: float = 0.0
    load_ohm: float = 50.0
    cycles: int | None = 1
    phase_deg: float = 0.0
    bursts: bool = False
    by_itself: bool = True
    output: bool = False
    second: SecondTone | None = None

    @property
    def shown_part(self) -> float:
        """Volts shown per volt of e.m.f."""
        return 1.0 if math.isinf(self.load_ohm) else self.load_ohm / (self.load_ohm + SOURCE_OHM)

    @property
    def idle_emf_v(self) -> float:
        """Of two tones only the first one's phase is set."""
        peak_v = self.emf_vrms * math.sqrt(2.0)
        if self.second is not None:
            peak_v *= self.second.ratio / (1.0 + self.second.ratio)
        return self.emf_offset_v + peak_v * math.sin(math.radians(self.phase_deg))


class Source:
    """The signal in the world. Whatever of `sine` was changed, `apply` brings the world in line."""

    def __init__(self, world: World, sine: Sine) -> None:
        self._world, self.sine = world, sine
        self._fired = False

    def reset(self, now_ns: int, sine: Sine) -> None:
        self.sine, self._fired = sine, False
        self._world.rest(now_ns)

    def burst_ends_ns(self, now_ns: int) -> int | None:
        """Of one that runs; None without."""
        tone = self._world.tone_at(now_ns)
        return tone.end_ns if tone is not None and self.sine.bursts else None

    def fire(self, now_ns: int) -> None:
        """One burst. Refused -211 unless output and bursts are on, none runs, and they do not come by themselves."""
        ready = self.sine.bursts and self.sine.output and not self.sine.by_itself
        if not ready or self._world.tone_at(now_ns) is not None:
            raise Refused(-211)
        self._begin(now_ns, self.sine.cycles)
        self._fired = True

    def apply(self, now_ns: int) -> None:
        """A burst that runs goes on as it began; repeating bursts are a tone without end."""
        sine = self.sine
        running = self._fired and self._world.tone_at(now_ns) is not None
        if sine.output and sine.bursts and running:
            self._world.set_idle_emf(now_ns, sine.idle_emf_v)
            return
        self._fired = False
        if sine.output and (not sine.bursts or sine.by_itself):
            self._begin(now_ns, None)
        else:
            self._world.rest(now_ns, sine.idle_emf_v if sine.output else 0.0)

    def _begin(self, now_ns: int, cycles: int | None) -> None:
        sine = self.sine
        self._world.set_idle_emf(now_ns, sine.idle_emf_v)
        self._world.fire(
            now_ns, sine.emf_vrms, sine.frequency_hz, cycles, sine.phase_deg, sine.emf_offset_v, sine.second
        )


def refuse_too_high(emf_vrms: float, offset_v: float) -> None:
    """-221 where e.m.f. and offset together pass 10 V."""
    if abs(offset_v) + emf_vrms * math.sqrt(2.0) > MOST_PEAK_V * 1.000001:
        raise Refused(-221)
