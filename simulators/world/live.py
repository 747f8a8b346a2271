"""A unit that is powered: its outputs, its rail and what it takes from the supply, solved once, read at any time."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from functools import cached_property

import numpy as np

from simulators.world.drive import Memory, drive_of
from simulators.world.noise import Samples
from simulators.world.path import LoadNow, Path, ShapedPath, own_tau_s, path_of
from simulators.world.rail import Grid, Part, Source, rail_volts
from simulators.world.relax import relaxed
from simulators.world.running import Running
from simulators.world.setting import Setting, State, Work
from simulators.world.signals import Wave
from simulators.world.unit_truth import UnitTruth

SETTLED = 1e-7  # of the rail: what is left of a transient when the rest is taken as periodic
POINTS_PER_CYCLE = 400
MOST_POINTS = 240_000
TWO_TONES_PER_CYCLE = 60  # of the faster one
LONG_POINTS_PER_CYCLE = 160  # where hundreds of cycles are needed until it is periodic
STIFF = Source(0.0, 0.01, 1e-4)  # stands in for a rail without reservoir once the supply limits


class Live:
    """Response of a powered unit."""

    def __init__(self, setting: Setting, unit: UnitTruth, start: State, from_ns: int) -> None:
        self._setting, self._unit, self._start = setting, unit, start
        self._wave = setting.wave(from_ns)
        self._drives = [
            drive_of(channel, self._wave if heard else Wave(), start.coupled_v[k], start.memory_of(k))
            for k, (channel, heard) in enumerate(zip(unit.channels, setting.heard, strict=True))
        ]
        ohms = (math.inf,) * len(unit.channels) if setting.cut else setting.load_ohm
        self._loads = [LoadNow(ohm, setting.load_h[k] if setting.load_h else 0.0) for k, ohm in enumerate(ohms)]
        rail = unit.rail
        self._source = Source(setting.rail_no_load_v, rail.source_ohm, rail.tau_s)
        end_ns = setting.tone.end_ns if setting.tone else None
        self._worked: tuple[float, Work] | None = None
        self._planned_s = math.inf if end_ns is None else (end_ns - from_ns) * 1e-9
        self._grid = self._grid_for(self._source)
        self._rail_v = rail_volts(self._source, self._paths, self._grid, self._first_rail_v)
        if self._feed_over_limit:
            self._limit_the_source()

    # The grid

    def _grid_for(self, source: Source) -> Grid:
        taus = [(_rail_tau_s(source, self._loads), self._rail_unrest)] if source.ohm else []
        if source.no_load_v:
            dying = itertools.chain.from_iterable(drive.dying for drive in self._drives)
            taus += [(tau_s, min(volts / source.no_load_v, 1.0)) for tau_s, volts in dying]
        if self._wave.peak_v:
            taus += [(tau_s, 1.0) for tau_s in map(own_tau_s, self._unit.channels, self._loads) if tau_s]
        settle_s = max((tau * math.log(size / SETTLED) for tau, size in taus if size > SETTLED), default=0.0)
        if self._wave.peak_v:
            return self._grid_of_cycles(settle_s, source)
        if not settle_s:
            return Grid(1.0, 1, 1)
        dt_s = min(tau for tau, size in taus if size > SETTLED) / 100.0
        return Grid(max(dt_s, settle_s / 20_000), min(math.ceil(settle_s / dt_s), 20_000), 1)

    def _grid_of_cycles(self, settle_s: float, source: Source) -> Grid:
        if self._wave.second is not None:
            return self._grid_of_two_tones(self._wave, self._wave.second)
        frequency_hz = self._wave.omega / (2.0 * math.pi)
        planned = self._planned_s * frequency_hz
        cycles = math.ceil(settle_s * frequency_hz) + 1
        if planned < cycles:
            cycles = max(1, math.ceil(planned - 1e-4))
        per_cycle = POINTS_PER_CYCLE
        if cycles > 100:
            per_cycle = max(MOST_POINTS // cycles, 40) if cycles > 1500 else LONG_POINTS_PER_CYCLE
        if source.ohm:
            part = 300.0 if source.tau_s > STIFF.tau_s else 4.0
            per_cycle = max(per_cycle, min(math.ceil(part / (frequency_hz * source.tau_s)), 20_000))
        return Grid(1.0 / (frequency_hz * per_cycle), cycles * per_cycle, per_cycle)

    def _grid_of_two_tones(self, first: Wave, second: Wave) -> Grid:
        """Two tones seldom repeat together: the grid holds all of the burst, and nothing is taken as periodic."""
        fastest_hz = max(first.omega, second.omega) / (2.0 * math.pi)
        length_s = min(self._planned_s, MOST_POINTS / (TWO_TONES_PER_CYCLE * fastest_hz))
        points = max(math.ceil(length_s * fastest_hz * TWO_TONES_PER_CYCLE), 1)
        return Grid(length_s / points, points, points)

    @property
    def _rail_unrest(self) -> float:
        """How far the rail may still move, as part of V0."""
        if self._wave.peak_v:
            return 1.0
        return abs(self._first_rail_v / self._source.no_load_v - 1.0) + sum(
            min(abs(drive.resting_v), self._source.no_load_v) / load.ohm * self._source.ohm / self._source.no_load_v
            for drive, load in zip(self._drives, self._loads, strict=True)
        )

    @property
    def _first_rail_v(self) -> float:
        return self._start.rail_v if self._source.ohm else self._source.no_load_v

    @cached_property
    def _paths(self) -> list[Path]:
        t_s = self._grid.times_s
        if self._setting.cut:
            return [Path(channel, math.inf, np.zeros_like(t_s)) for channel in self._unit.channels]
        return [
            path_of(channel, load, drive.wanted_v(t_s), self._grid.dt_s, self._start.memory_of(k).flux_vs)
            for k, (channel, load, drive) in enumerate(zip(self._unit.channels, self._loads, self._drives, strict=True))
        ]

    # The supply

    @cached_property
    def _path_amps(self) -> list[Samples]:
        return [path.rail_amps(self._rail_v) for path in self._paths]

    @cached_property
    def _natural(self) -> tuple[Samples, Samples]:
        """Amperes and unit terminal volts on the grid if the supply had no limit."""
        return self._without_limit(self._source_amps(slice(None)))

    def _source_amps(self, points: slice) -> Samples:
        """Out of the rail's source."""
        if self._source.ohm:
            return (self._source.no_load_v - self._rail_v[points]) / self._source.ohm
        first, *others = (amps[points] for amps in self._path_amps)
        return sum(others, first)

    def _without_limit(self, source_a: Samples) -> tuple[Samples, Samples]:
        """Vt = Vs - R (I0 + P / Vt): the larger root of Vt^2 - (Vs - R I0) Vt + R P = 0. I rises with `source_a`."""
        feed, taken = self._setting.feed, self._unit.feed
        power_w = self._source.no_load_v * source_a / taken.efficiency
        half = 0.5 * (feed.volts - feed.ohm * taken.idle_a)
        terminal_v = half + np.sqrt(np.maximum(half**2 - feed.ohm * power_w, 0.0))
        return taken.idle_a + power_w / terminal_v, terminal_v

    @cached_property
    def _feed_over_limit(self) -> bool:
        most_a = np.max(self._source_amps(slice(None)), keepdims=True)
        return float(self._without_limit(most_a)[0][0]) > self._setting.feed.limit_a

    def _limit_the_source(self) -> None:
        """Solve again with the rail's source held to what the current limit leaves for it."""
        feed, taken = self._setting.feed, self._unit.feed
        at_limit_v = max(feed.volts - feed.ohm * feed.limit_a, 0.0)
        left_a = max(feed.limit_a - taken.idle_a, 0.0)
        source = self._source
        if not source.ohm:
            source = replace(STIFF, no_load_v=source.no_load_v)
        source = replace(source, cap_a=left_a * at_limit_v * taken.efficiency / source.no_load_v)
        self._source = source
        self._grid = self._grid_for(source)
        for name in ("_paths", "_path_amps", "_natural"):
            self.__dict__.pop(name, None)
        self._rail_v = rail_volts(source, self._paths, self._grid, self._first_rail_v)

    @cached_property
    def _feed_on_grid(self) -> tuple[Samples, Samples, Samples]:
        """Amperes, supply volts, unit terminal volts on the grid: in current limit the volts fold."""
        natural_a, natural_v = self._natural
        feed = self._setting.feed
        if not self._feed_over_limit:
            return natural_a, natural_v + feed.lead_ohm * natural_a, natural_v
        amps = np.minimum(natural_a, feed.limit_a)
        supply_v = feed.volts * amps / natural_a - feed.source_ohm * amps
        return amps, supply_v, np.maximum(supply_v - feed.lead_ohm * amps, 0.0)

    def _feed_in(self, part: Part) -> tuple[Samples, Samples, Samples]:
        """The same on a stretch: all there is to know for a reading, which is short."""
        if self._feed_over_limit:
            amps, supply_v, terminal_v = self._feed_on_grid
            return amps[part.points], supply_v[part.points], terminal_v[part.points]
        natural_a, natural_v = self._without_limit(self._source_amps(part.points))
        return natural_a, natural_v + self._setting.feed.lead_ohm * natural_a, natural_v

    def _read(self, which: int, t_s: Samples) -> Samples:
        part = self._grid.part(float(t_s[0]), float(t_s[-1])) if t_s.size else Part(self._grid, 0)
        return part.grid.value(self._feed_in(part)[which], t_s - part.from_s)

    @cached_property
    def _limited(self) -> Samples:
        return (self._natural[0] > self._setting.feed.limit_a).astype(np.float64)

    # Read

    def rail_v(self, t_s: Samples) -> Samples:
        """The internal rail."""
        if not self._source.ohm:
            return np.full_like(t_s, self._source.no_load_v)
        return self._grid.value(self._rail_v, t_s)

    def outputs(self, t_s: Samples) -> list[Samples]:
        if self._setting.cut:
            return [np.zeros_like(t_s) for _ in self._drives]
        rail_v = self.rail_v(t_s)
        return [
            path.at_load(drive.wanted_v(t_s), rail_v, 0.0 if lost is None else self._grid.value(lost, t_s))
            for drive, path, lost in zip(self._drives, self._paths, self._lost_v, strict=True)
        ]

    @cached_property
    def _lost_v(self) -> list[Samples | None]:
        return [path.lost_v(self._rail_v) for path in self._paths]

    def load_amps(self, t_s: Samples) -> Samples:
        """Through all loads together; where a load is inductive, by straight lines between the grid's points."""
        total = np.zeros_like(t_s)
        for path, load, volts in zip(self._paths, self._loads, self.outputs(t_s), strict=True):
            if load.henry and path.takes:
                total = total + self._grid.value(path.amps(self._rail_v), t_s)
            elif not math.isinf(load.ohm):
                total = total + volts / load.ohm
        return total

    @property
    def resting_v(self) -> tuple[float, ...]:
        return tuple(min(drive.resting_v, self._source.no_load_v) for drive in self._drives)

    def first_over_s(self, amps: float) -> float | None:
        """By the grid's points, the last period taken to hold for ever."""
        sizes = (path.size_a(self._rail_v, own) for path, own in zip(self._paths, self._path_amps, strict=True))
        over = [np.flatnonzero(size > amps) for size in sizes]
        firsts = [int(found[0]) for found in over if len(found)]
        return min(firsts) * self._grid.dt_s if firsts else None

    def terminal_v(self, t_s: Samples) -> Samples:
        return self._read(2, t_s)

    def amps(self, t_s: Samples) -> Samples:
        return self._read(0, t_s)

    def amps_behind(self, t_s: Samples, corner_hz: float) -> Samples:
        if not corner_hz:
            return self.amps(t_s)
        amps = self._feed_on_grid[0]
        slow = relaxed(amps, float(amps[0]), 2.0 * math.pi * corner_hz * self._grid.dt_s)
        return self._grid.value(amps - slow, t_s)

    def supply_sums(self, from_s: float, to_s: float) -> tuple[float, float]:
        part = self._grid.part(from_s, to_s)
        amps, supply_v, _ = self._feed_in(part)
        a_s, b_s = from_s - part.from_s, to_s - part.from_s
        return Running(part.grid, supply_v).between(a_s, b_s), Running(part.grid, amps).between(a_s, b_s)

    @cached_property
    def _sums(self) -> list[tuple[Running, Running]]:
        """Per channel: charge, and joules in the load."""
        return [
            (Running(self._grid, amps), Running(self._grid, path.load_w(self._rail_v, amps)))
            for path, amps in zip(self._paths, self._path_amps, strict=True)
        ]

    def work(self, t_s: float) -> Work:
        """Asked for the heat sinks and for the loads at the same instant, so the last answer is kept."""
        if self._worked is None or self._worked[0] != t_s:
            self._worked = (t_s, self._work(t_s))
        return self._worked[1]

    def _work(self, t_s: float) -> Work:
        feed, taken = self._setting.feed, self._unit.feed
        idle_a = min(taken.idle_a, feed.limit_a)  # a limit below it folds the volts
        idle_v = feed.volts if idle_a == taken.idle_a else feed.volts * idle_a / taken.idle_a
        idle_j = idle_a * (idle_v - feed.ohm * idle_a) * t_s
        share_j = idle_j / len(self._unit.channels)
        per_coulomb = self._source.no_load_v / taken.efficiency
        drawn = [per_coulomb * charge.to(t_s) for charge, _ in self._sums]
        loads = tuple(joules.to(t_s) for _, joules in self._sums)
        heats = tuple(d - load + share_j for d, load in zip(drawn, loads, strict=True))
        return Work(loads, heats, sum(drawn) + idle_j)

    def state(self, t_s: float) -> State:
        t = np.array([t_s])
        coupled = tuple(float(drive.coupled_v(t)[0]) for drive in self._drives)
        memory = tuple(self._memory(k, t) for k in range(len(self._drives)))
        return State(float(self.rail_v(t)[0]), float(self.terminal_v(t)[0]), coupled, memory)

    def _memory(self, index: int, t: Samples) -> Memory:
        path, held = self._paths[index], self._drives[index].memory(float(t[0]))
        if not isinstance(path, ShapedPath):
            return held
        flux = path.flux(self._rail_v)
        if flux is None:
            return held
        beyond_s = 0.0 if self._wave.peak_v else max(float(t[0]) - self._grid.end_s, 0.0)
        flux_vs = float(self._grid.value(flux, np.minimum(t, self._grid.end_s) if beyond_s else t)[0])
        return replace(held, flux_vs=flux_vs * math.exp(-beyond_s / path.leak_s))

    def limited_at(self, t_s: float) -> bool:
        return self._feed_over_limit and float(self._grid.value(self._limited, np.array([t_s]))[0]) > 0.0

    def limited_between(self, from_s: float, to_s: float) -> bool:
        if not self._feed_over_limit:
            return False
        lasted_s = Running(self._grid, self._limited).between(from_s, to_s)
        return self.limited_at(to_s) or lasted_s > 1e-6 * self._grid.dt_s  # above what rounding leaves of nothing


def _rail_tau_s(source: Source, loads: list[LoadNow]) -> float:
    """How slowly the rail comes to rest. A source that gives no more than its cap holds nothing: the reservoir then
    empties into the loads alone.
    """
    if math.isinf(source.cap_a):
        return source.tau_s
    siemens = sum(1.0 / load.ohm for load in loads)
    return source.tau_s + (source.farad / siemens if siemens else 0.0)
