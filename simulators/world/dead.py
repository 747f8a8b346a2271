"""A unit that is off, muted, or not there: no output; the terminals fall by themselves."""

from __future__ import annotations

import math

import numpy as np

from simulators.world.noise import Samples
from simulators.world.setting import Setting, State, Work


class Dead:
    """Response without output."""

    def __init__(self, setting: Setting, start: State) -> None:
        self._setting, self._start = setting, start
        unit, feed = setting.unit, setting.feed
        self._channels = len(unit.channels) if unit else 0
        dummy_a = feed.volts / (setting.dummy_ohm + feed.source_ohm) if feed.on else 0.0
        self._wanted_a = unit.feed.standby_a if unit and feed.on else dummy_a
        self._amps = min(self._wanted_a, feed.limit_a)
        fold = self._amps / self._wanted_a if self._wanted_a else 1.0
        self._supply_v = fold * feed.volts - feed.source_ohm * self._amps if feed.on else 0.0
        if unit is None and fold < 1.0:
            self._supply_v = self._amps * setting.dummy_ohm
        self._bleed_tau_s = unit.feed.bleed_tau_s if unit else 0.0

    def outputs(self, t_s: Samples) -> list[Samples]:
        return [np.zeros_like(t_s) for _ in range(self._channels)]

    def load_amps(self, t_s: Samples) -> Samples:
        return np.zeros_like(t_s)

    @property
    def resting_v(self) -> tuple[float, ...]:
        return ()

    def first_over_s(self, _amps: float) -> float | None:
        return None

    def terminal_v(self, t_s: Samples) -> Samples:
        if self._setting.unit is None:
            return np.full_like(t_s, self._supply_v if self._setting.bare and self._setting.feed.on else 0.0)
        if self._setting.feed.on:
            return np.full_like(t_s, self._supply_v - self._setting.feed.lead_ohm * self._amps)
        return np.asarray(self._start.terminal_v * np.exp(-t_s / self._bleed_tau_s))

    def amps(self, t_s: Samples) -> Samples:
        return np.full_like(t_s, self._amps)

    def amps_behind(self, t_s: Samples, corner_hz: float) -> Samples:
        return np.zeros_like(t_s) if corner_hz else self.amps(t_s)

    def supply_sums(self, from_s: float, to_s: float) -> tuple[float, float]:
        length_s = to_s - from_s
        if self._setting.feed.parted_v is not None:
            return self._setting.feed.parted_v * length_s, 0.0
        if self._setting.feed.on or self._setting.unit is None:
            return self._supply_v * length_s, self._amps * length_s
        tau_s = self._bleed_tau_s
        fallen = math.exp(-from_s / tau_s) - math.exp(-to_s / tau_s)
        return self._start.terminal_v * tau_s * fallen, 0.0

    def work(self, t_s: float) -> Work:
        n = self._channels
        joules = (self._supply_v - self._setting.feed.lead_ohm * self._amps) * self._amps * t_s
        return Work((0.0,) * n, (joules / n,) * n if n else (), joules)

    def state(self, t_s: float) -> State:
        terminal_v = float(self.terminal_v(np.array([t_s]))[0])
        return State(0.0, terminal_v, (0.0,) * self._channels)

    def limited_at(self, t_s: float) -> bool:
        return self._wanted_a > self._setting.feed.limit_a

    def limited_between(self, from_s: float, to_s: float) -> bool:
        return self.limited_at(from_s)
