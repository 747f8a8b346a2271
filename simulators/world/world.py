"""The one world of a bench: generator, unit, loads and supply as they really are, at any instant.

State is anchored at changes (of drive, power, contacts) and evaluated in closed form between them, so reading it,
however often, changes nothing. Changes that are due later (a burst's end, a contact that follows its coil, the end of
muting) are planned, and take effect at their own instant whoever looks.
"""

from __future__ import annotations

import bisect
import heapq
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from simulators.world.bench_truth import BenchTruth
from simulators.world.heat import Warmth, later_c
from simulators.world.journal import BurstRow, EventRow, JournalRow
from simulators.world.layout import Bay, Layout
from simulators.world.noise import Samples
from simulators.world.setting import Feed, Setting, State, Work
from simulators.world.signals import Tone
from simulators.world.timeline import Segment, Timeline
from simulators.world.wires import Wires, noise_vrms

CONTACT_NS = 15_000_000
ALL_OPEN = frozenset[str]()


@dataclass(frozen=True)
class SupplyMeans:
    """True means over a window, at the supply's own terminals."""

    volts: float
    amps: float


class World:
    """One bench. Commands must come in order of time; reads may look back as far as a few thousand changes."""

    def __init__(self, layout: Layout, bench: BenchTruth | None = None, seed: int = 0) -> None:
        self.layout, self.seed = layout, seed
        self.bench = bench or BenchTruth()
        self.triggers: list[int] = []
        self._planned: list[tuple[int, int, Callable[[int], None]]] = []
        self._count = itertools.count()
        self._contacts: frozenset[str] = ALL_OPEN
        self._welded: frozenset[str] = ALL_OPEN
        self._tone: Tone | None = None
        self._emf_v = 0.0
        self._feed = Feed(source_ohm=self.bench.supply.source_ohm, lead_ohm=self.bench.supply.lead_ohm)
        self._energised: tuple[str, int] | None = None
        self._warmth = {bay.name: _at_rest(bay) for bay in layout.bays}
        self._rows: list[JournalRow] = []
        self._work = Work()
        bay, setting = self._present(0)
        self._timeline = Timeline(Segment(0, setting, _fresh(setting), bay.name if bay else None))
        self._reopen(0)

    # The generator

    def fire(
        self,
        now_ns: int,
        level_vrms: float,
        frequency_hz: float,
        cycles: int | None,
        phase_deg: float = 0.0,
        offset_v: float = 0.0,
    ) -> None:
        """Begin a tone of `level_vrms` e.m.f. (as set; the true one has the generator's error); None = endless.

        At the same instant the sync output triggers whoever waits for it.
        """
        self._settle(now_ns)
        true = 1.0 + self.bench.generator_level_error
        peak_v = math.sqrt(2.0) * level_vrms * true
        self._tone = Tone(now_ns, peak_v, frequency_hz, cycles, math.radians(phase_deg), offset_v * true)
        self.triggers.append(now_ns)
        if self._tone.end_ns is not None:
            self._plan(self._tone.end_ns, self._ending(self._tone))
        self._reopen(now_ns)

    def rest(self, now_ns: int, emf_v: float = 0.0) -> None:
        """End any tone at once; the generator rests at `emf_v` (0: its output is off)."""
        self._settle(now_ns)
        self._tone, self._emf_v = None, emf_v
        self._reopen(now_ns)

    def set_idle_emf(self, now_ns: int, emf_v: float) -> None:
        """The level at which the generator rests between bursts; a running one goes on."""
        self._settle(now_ns)
        self._emf_v = emf_v
        self._reopen(now_ns)

    def tone_at(self, now_ns: int) -> Tone | None:
        """What the generator is giving, if anything."""
        self._settle(now_ns)
        return self._tone

    def _ending(self, tone: Tone) -> Callable[[int], None]:
        def end(_at_ns: int) -> None:
            if self._tone is tone:
                self._tone = None

        return end

    # Supply and contacts

    def set_supply(self, now_ns: int, volts: float, limit_a: float, on: bool) -> None:
        """As set; the true volts have the supply's error."""
        self._settle(now_ns)
        true_v = volts * (1.0 + self.bench.supply.volts_error)
        self._feed = replace(self._feed, on=on, volts=true_v, limit_a=limit_a)
        self._reopen(now_ns)

    def set_coils(self, now_ns: int, closed: frozenset[str]) -> None:
        """Contacts follow 15 ms later."""
        self._settle(now_ns)
        self._plan(now_ns + CONTACT_NS, lambda at_ns: self._set_contacts(at_ns, closed))

    def weld(self, now_ns: int, contacts: frozenset[str]) -> None:
        """From now on these contacts stay closed, whatever their coils do."""
        self._settle(now_ns)
        self._welded |= contacts
        self._set_contacts(now_ns, self._contacts | contacts)
        self._reopen(now_ns)

    def contacts(self, now_ns: int) -> frozenset[str]:
        """Those that are really closed."""
        self._settle(now_ns)
        return self._contacts

    def _set_contacts(self, at_ns: int, closed: frozenset[str]) -> None:
        before = self._timeline.last.setting
        self._contacts = closed | self._welded
        bay, after = self._present(at_ns)
        if len(self.layout.connected_bays(self._contacts)) > 1:
            self._rows.append(EventRow(at_ns, "more than one bay connected"))
        if self._tone is not None and before.live and before.load_ohm != after.load_ohm:
            opened = any(b > a for a, b in zip(before.load_ohm, after.load_ohm, strict=False)) or bay is None
            what = "opened" if opened else "closed"
            self._rows.append(EventRow(at_ns, f"load contact {what} under signal"))

    # Reading

    def wires(self, names: Sequence[str], base_ns: int, t_s: Samples) -> dict[str, tuple[Samples, Samples]]:
        """Volts and noise (rms, V) on wires at `base_ns` + `t_s`, ascending. Shapes: as `t_s`."""
        self._settle(base_ns + math.ceil(float(t_s[-1]) * 1e9))
        found = {name: (np.empty_like(t_s), np.empty_like(t_s)) for name in names}
        from_ns = base_ns + math.floor(float(t_s[0]) * 1e9)
        last_ns = base_ns + math.ceil(float(t_s[-1]) * 1e9) + 1
        done = 0
        for segment, _, end_ns in self._timeline.pieces(from_ns, last_ns):
            own = len(t_s)
            if segment.until_ns is not None and end_ns < last_ns:
                own = int(np.searchsorted(t_s, (end_ns - base_ns) * 1e-9))
            part = slice(done, own)
            here = Wires(segment, t_s[part] + (base_ns - segment.from_ns) * 1e-9, self.bench)
            for name, (volts, noise) in found.items():
                volts[part] = here.volts(name)
                noise[part] = noise_vrms(segment, name)
            done = own
        return found

    def supply_means(self, from_ns: int, to_ns: int) -> SupplyMeans:
        """Window means, bursts in it included."""
        self._settle(to_ns)
        volts = amps = 0.0
        for segment, a_ns, b_ns in self._timeline.pieces(from_ns, to_ns):
            v, a = segment.response.supply_sums(segment.seconds(a_ns), segment.seconds(b_ns))
            volts, amps = volts + v, amps + a
        length_s = (to_ns - max(from_ns, 0)) * 1e-9
        return SupplyMeans(volts / length_s, amps / length_s) if length_s > 0 else SupplyMeans(0.0, 0.0)

    def supply_limited(self, now_ns: int) -> bool:
        """The supply is in current limit at this instant."""
        self._settle(now_ns)
        segment = self._timeline.at(now_ns)
        return segment.response.limited_at(segment.seconds(now_ns))

    def supply_limited_between(self, from_ns: int, to_ns: int) -> bool:
        self._settle(to_ns)
        return any(piece.limited_between(a, b) for piece, a, b in self._timeline.pieces(from_ns, to_ns))

    def temperature_c(self, thermometer_input: str, now_ns: int) -> float | None:
        """True heat sink temperature behind a thermometer's input; None if nothing is connected to it."""
        self._settle(now_ns)
        for bay in self.layout.bays:
            for channel, name in bay.thermometer.items():
                if name == thermometer_input and bay.unit is not None:
                    index = [c.name for c in bay.unit.channels].index(channel)
                    return self._warm(bay, now_ns).celsius[index]
        return None

    def trigger_between(self, from_ns: int, to_ns: int) -> int | None:
        """The first sync trigger of a window, both ends included."""
        place = bisect.bisect_left(self.triggers, from_ns)
        found = self.triggers[place] if place < len(self.triggers) else None
        return found if found is not None and found <= to_ns else None

    @property
    def journal(self) -> tuple[JournalRow, ...]:
        """All rows in order of their ends; a burst still running stands with its planned end."""
        tone = self._timeline.last.setting.tone
        if tone is None or tone.end_ns is None:
            return tuple(self._rows)
        last = self._timeline.last
        work = self._work.plus(last.response.work(last.seconds(tone.end_ns)))
        return (*self._rows, self._burst_row(last, tone, tone.end_ns, work))

    # Changes

    def _plan(self, at_ns: int, change: Callable[[int], None]) -> None:
        heapq.heappush(self._planned, (at_ns, next(self._count), change))

    def _settle(self, until_ns: int) -> None:
        """Let planned changes happen, each at its instant: the same whoever looks first."""
        while self._planned and self._planned[0][0] <= until_ns:
            at_ns, _, change = heapq.heappop(self._planned)
            change(at_ns)
            self._reopen(at_ns)

    def _present(self, at_ns: int) -> tuple[Bay | None, Setting]:
        """The setting as contacts, supply and generator stand."""
        bays = self.layout.connected_bays(self._contacts)
        bay = bays[0] if bays else None
        emf_v = 0.0 if self._tone else self._emf_v
        if bay is None or bay.unit is None:
            return bay, Setting(None, self._feed, tone=self._tone, emf_v=emf_v)
        names = [channel.name for channel in bay.unit.channels]
        loads = tuple(self.layout.load_ohm(name, self._contacts) for name in names)
        driven = tuple(self._contacts.issuperset(bay.input_contacts.get(name, ())) for name in names)
        live = self._is_live(bay, at_ns)
        return bay, Setting(bay.unit, self._feed, live, loads, driven, self._tone, emf_v)

    def _is_live(self, bay: Bay, at_ns: int) -> bool:
        if self._energised is None or self._energised[0] != bay.name or bay.unit is None:
            return False
        return at_ns >= self._energised[1] + round(bay.unit.feed.mute_s * 1e9)

    def _energise(self, at_ns: int) -> None:
        """Note when a unit got volts enough to start; it comes alive when its muting ends."""
        bays = self.layout.connected_bays(self._contacts)
        bay = bays[0] if bays else None
        unit = bay.unit if bay else None
        if bay is None or unit is None or not self._feed.on or self._feed.volts < unit.feed.start_v:
            self._energised = None
        elif self._energised is None or self._energised[0] != bay.name:
            self._energised = (bay.name, at_ns)
            self._plan(at_ns + round(unit.feed.mute_s * 1e9), lambda _: None)

    def _reopen(self, at_ns: int) -> None:
        """Begin a new segment if anything has changed."""
        self._energise(at_ns)
        bay, setting = self._present(at_ns)
        name = bay.name if bay else None
        last = self._timeline.last
        if setting == last.setting and name == last.bay:
            return
        before = last.start
        if at_ns > last.from_ns:
            before = last.response.state(last.seconds(at_ns))
            self._close(last, at_ns)
        start = _carried(last, setting, before, at_ns) if name == last.bay else _fresh(setting)
        if last.setting.tone is not None and last.setting.tone is not setting.tone:
            self._finish_burst(last, last.setting.tone, at_ns)
        self._timeline.append(Segment(at_ns, setting, start, name))

    def _close(self, last: Segment, at_ns: int) -> None:
        elapsed_s = last.seconds(at_ns)
        for bay in self.layout.bays:
            self._warmth[bay.name] = self._warm(bay, at_ns)
        last.limited = last.response.limited_between(0.0, elapsed_s)
        if last.setting.tone is not None:
            self._work = self._work.plus(last.response.work(elapsed_s))

    def _finish_burst(self, last: Segment, tone: Tone, at_ns: int) -> None:
        self._rows.append(self._burst_row(last, tone, at_ns, self._work))
        self._work = Work()

    @staticmethod
    def _burst_row(last: Segment, tone: Tone, end_ns: int, work: Work) -> BurstRow:
        return BurstRow(
            start_ns=tone.start_ns,
            end_ns=end_ns,
            emf_vrms=tone.peak_v / math.sqrt(2.0),
            frequency_hz=tone.frequency_hz,
            cycles=tone.cycles,
            bay=last.bay,
            serial=last.setting.unit.serial if last.setting.unit else None,
            load_j=work.load_j,
            heat_j=work.heat_j,
            supply_j=work.supply_j,
            cut=end_ns != tone.end_ns,
        )

    def _warm(self, bay: Bay, now_ns: int) -> Warmth:
        """Temperatures from the last change on, the work since then taken as evenly spread in time."""
        before, last = self._warmth[bay.name], self._timeline.last
        if bay.unit is None or now_ns <= before.at_ns:
            return before
        elapsed_s = (now_ns - before.at_ns) * 1e-9
        watts = (0.0,) * len(before.celsius)
        if bay.name == last.bay:
            watts = tuple(joules / elapsed_s for joules in last.response.work(last.seconds(now_ns)).heat_j)
        heat = bay.unit.heat
        pairs = zip(before.celsius, watts, strict=True)
        return Warmth(now_ns, tuple(later_c(c, w, elapsed_s, heat) for c, w in pairs))


def _at_rest(bay: Bay) -> Warmth:
    unit = bay.unit
    return Warmth(0, (unit.heat.ambient_c,) * len(unit.channels) if unit else ())


def _fresh(setting: Setting) -> State:
    return State(0.0, 0.0, (0.0,) * len(setting.driven))


def _carried(last: Segment, setting: Setting, before: State, at_ns: int) -> State:
    """The state a new segment starts from: what the couplings hold jumps with the unit's input."""
    unit = setting.unit
    if unit is None or not setting.live:
        return State(before.rail_v, before.terminal_v, (0.0,) * len(setting.driven))
    now_v = setting.wave(at_ns).first_v
    if not last.setting.live:  # the rail comes up while muted; a DC coupled input is where its source is
        at_input = tuple(
            now_v if driven and not channel.coupling_hz else 0.0
            for channel, driven in zip(unit.channels, setting.driven, strict=True)
        )
        return State(setting.rail_no_load_v, before.terminal_v, at_input)
    was_v = last.setting.wave(at_ns).first_v
    jumps = (
        (now_v if now else 0.0) - (was_v if was else 0.0)
        for now, was in zip(setting.driven, last.setting.driven, strict=True)
    )
    return State(before.rail_v, before.terminal_v, tuple(y + j for y, j in zip(before.coupled_v, jumps, strict=True)))
