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
from simulators.world.carry import carried, fresh
from simulators.world.climate import Climate
from simulators.world.conditions import as_it_stands, drifts
from simulators.world.guards import Guards
from simulators.world.journal import EventRow, JournalRow, burst_row
from simulators.world.layout import Bay, Laid, Layout
from simulators.world.minder import Minder, nothing
from simulators.world.noise import Samples
from simulators.world.readiness import Readiness
from simulators.world.setting import Feed, Setting, Work
from simulators.world.signals import SecondTone, Tone
from simulators.world.timeline import Segment, Timeline
from simulators.world.unit_truth import UnitTruth
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
        self.probes: dict[int, str] = {}  # input (0: the meter) -> wire, where a person moved its probe
        self.laid = Laid()
        self._planned: list[tuple[int, int, Callable[[int], None]]] = []
        self._count = itertools.count()
        self._contacts = self._welded = ALL_OPEN
        self._tone: Tone | None = None
        self._emf_v = 0.0
        supply = self.bench.supply
        source_ohm = -supply.lead_ohm if supply.sense == "unit" else supply.source_ohm
        self._feed = Feed(source_ohm=source_ohm, lead_ohm=supply.lead_ohm)
        self._ready = Readiness()
        self._climate = Climate(layout, self.bench)
        self._minder = Minder(self._ready, self._climate, self._plan, self._tell)
        self._rows: list[JournalRow] = []
        self.guards = Guards(self._settle, self._plan, self._relay_moved)
        self._work = Work()
        bay, setting = self._present(0)
        self._timeline = Timeline(Segment(0, setting, fresh(setting), bay.name if bay else None))
        self._climate.last = self._timeline.last
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
        second: SecondTone | None = None,
    ) -> None:
        """Begin a tone of `level_vrms` e.m.f. (as set; the true one has the generator's error); None = endless. With a
        second one the level is that of a sine with the crest of both. The sync output triggers whoever waits for it.
        """
        self._settle(now_ns)
        true = 1.0 + self.bench.generator_level_error
        peak_v = math.sqrt(2.0) * level_vrms * true
        self._tone = Tone(now_ns, peak_v, frequency_hz, cycles, math.radians(phase_deg), offset_v * true, second)
        self.triggers.append(now_ns)
        self._moved(now_ns)
        self._minder.signal(self._bay, self._tone)
        if self._tone.end_ns is not None:
            self._plan(self._tone.end_ns, self._ending(self._tone))
        self._reopen(now_ns)

    def rest(self, now_ns: int, emf_v: float = 0.0) -> None:
        """End any tone at once; the generator rests at `emf_v` (0: its output is off)."""
        self._settle(now_ns)
        self._tone, self._emf_v = None, emf_v
        self._moved(now_ns)
        self._minder.silence(self._bay, now_ns)
        self._reopen(now_ns)

    def set_idle_emf(self, now_ns: int, emf_v: float) -> None:
        """Where the generator rests between bursts; a running one goes on."""
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

    def set_supply(self, now_ns: int, volts: float, limit_a: float, on: bool) -> None:
        """As set; the true volts have the supply's error."""
        self._settle(now_ns)
        supply = self.bench.supply
        true_v = volts * (1.0 + supply.volts_error) + (supply.open_sense_v if supply.sense == "open" else 0.0)
        self._feed = replace(self._feed, on=on, volts=true_v, limit_a=min(limit_a, supply.most_a))
        self._moved(now_ns)
        self._reopen(now_ns)

    def set_remote(self, now_ns: int, bay: str, on: bool) -> None:
        """The remote line of a bay, for benches that give it a level of its own; on unless somebody says otherwise."""
        self._settle(now_ns)
        if on:
            self._ready.remote_off.discard(bay)
        else:
            self._ready.remote_off.add(bay)
        self._moved(now_ns)
        self._reopen(now_ns)

    def set_coils(self, now_ns: int, closed: frozenset[str]) -> None:
        """Contacts follow 15 ms later."""
        self._settle(now_ns)
        self._plan(now_ns + CONTACT_NS, lambda at_ns: self._set_contacts(at_ns, closed))

    def weld(self, now_ns: int, contacts: frozenset[str], welded: bool = True) -> None:
        """From now on these contacts stay closed, whatever their coils do; welded no more, they are open."""
        self._settle(now_ns)
        self._welded = self._welded | contacts if welded else self._welded - contacts
        self._set_contacts(now_ns, self._contacts | contacts if welded else self._contacts - contacts)
        self._reopen(now_ns)

    def contacts(self, now_ns: int) -> frozenset[str]:
        """Those that are really closed."""
        self._settle(now_ns)
        return self._contacts

    def is_live(self, now_ns: int) -> bool:
        """Whether a unit is connected that amplifies now."""
        self._settle(now_ns)
        return self._timeline.last.setting.live

    def _set_contacts(self, at_ns: int, closed: frozenset[str]) -> None:
        before, closed_before = self._timeline.last.setting, self._contacts
        self._contacts = closed | self._welded
        self._moved(at_ns)
        bay = self._bay
        if len(self.layout.connected_bays(self._contacts)) > 1:
            self._tell(at_ns, "more than one bay connected")
        if self._tone is None or not before.live or before.unit is None:
            return
        names = [channel.name for channel in before.unit.channels]
        pairs = [tuple(self.layout.load_ohm(n, c) for c in (closed_before, self._contacts)) for n in names]
        gone = bay is None or bay.unit is None
        if gone or any(a != b for a, b in pairs):
            what = "opened" if bay is None or any(b > a for a, b in pairs) else "closed"
            self._tell(at_ns, f"load contact {what} under signal")

    def _relay_moved(self, at_ns: int) -> None:
        self._moved(at_ns)
        if self._feed.on and not self.guards.is_in:
            self._tell(at_ns, "cut-off dropped under volts")

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
        """What a thermometer's input sees: heat sink, whatever its sensor is nearer to, air; None: nothing."""
        self._settle(now_ns)
        for bay in self.layout.bays:
            for channel, name in bay.thermometer.items():
                if name == thermometer_input and bay.unit is None:
                    return self.laid.air_c(name)
                if name == thermometer_input and bay.unit is not None:
                    index = [c.name for c in bay.unit.channels].index(channel)
                    return self._climate.now(bay, now_ns).sensed_c(index, bay.unit.heat)
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
        return (*self._rows, burst_row(last.setting, last.bay, tone.end_ns, work))

    # Changes

    def _moved(self, at_ns: int) -> None:
        self._minder.moved_ns = at_ns

    def _tell(self, at_ns: int, text: str) -> None:
        self._rows.append(EventRow(at_ns, text))

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
        bay = self._bay
        emf_v = 0.0 if self._tone else self._emf_v
        if bay is None or bay.unit is None:
            bare, dummy_ohm = bay is not None, self.laid.dummy_ohm
            return bay, Setting(None, self._lead, tone=self._tone, emf_v=emf_v, bare=bare, dummy_ohm=dummy_ohm)
        names = [channel.name for channel in bay.unit.channels]
        loads = [self._climate.load_at(name, self._contacts, at_ns) for name in names]
        henries = tuple(henry for _, henry in loads)
        driven = tuple(self._contacts.issuperset(bay.input_contacts.get(name, ())) for name in names)
        live = self._ready.is_live(bay, at_ns)
        return bay, Setting(
            self._unit_now(bay, bay.unit, at_ns) if live else bay.unit,
            self._lead,
            live,
            tuple(ohm for ohm, _ in loads),
            driven,
            self._tone,
            emf_v,
            henries if any(henries) else (),
            gated=self._ready.is_shut(bay, at_ns),
            cut=live and bay.name in self._ready.cuts,
        )

    @property
    def _bay(self) -> Bay | None:
        """The bay that is connected."""
        bays = self.layout.connected_bays(self._contacts)
        return bays[0] if bays else None

    @property
    def _lead(self) -> Feed:
        """What of the supply reaches the bays."""
        return self._feed if self.guards.is_in else self._feed.parted()

    def _unit_now(self, bay: Bay, unit: UnitTruth, at_ns: int) -> UnitTruth:
        last = self._timeline.last
        before = last.setting.unit
        fan_ran = last.bay == bay.name and last.setting.live and before is not None and before.heat != unit.heat
        return as_it_stands(unit, self._climate.now(bay, at_ns if drifts(unit) else 0), fan_ran)

    def _reopen(self, at_ns: int) -> None:
        """Begin a new segment if anything has changed."""
        woken = self._ready.update(self._bay, self._lead, self._contacts, at_ns)
        if woken is not None:
            self._plan(at_ns + round(woken.feed.mute_s * 1e9), nothing)
        bay, setting = self._present(at_ns)
        name = bay.name if bay else None
        last = self._timeline.last
        if setting != last.setting or name != last.bay:
            self._begin(at_ns, setting, name)
        if bay is not None and bay.unit is not None:
            self._minder.watch(bay, bay.unit, self._timeline.last, at_ns)

    def _begin(self, at_ns: int, setting: Setting, name: str | None) -> None:
        last = self._timeline.last
        before = last.start
        if at_ns > last.from_ns:
            before = last.response.state(last.seconds(at_ns))
            self._close(last, at_ns)
        start = carried(last, setting, before, at_ns) if name == last.bay else fresh(setting)
        if last.setting.tone is not None and last.setting.tone is not setting.tone:
            self._rows.append(burst_row(last.setting, last.bay, at_ns, self._work))
            self._work = Work()
        self._climate.closed = self._contacts
        self._timeline.append(Segment(at_ns, setting, start, name))
        self._climate.last = self._timeline.last

    def _close(self, last: Segment, at_ns: int) -> None:
        elapsed_s = last.seconds(at_ns)
        self._climate.settle(at_ns)
        last.limited = last.response.limited_between(0.0, elapsed_s)
        if last.setting.tone is not None:
            self._work = self._work.plus(last.response.work(elapsed_s))
