"""What is known of the unit now under test, and what its points need of it. No I/O."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from sequencer.measurements.by_hand import HandsDone, Wanted, wanted
from sequencer.measurements.power_job import GainProof
from sequencer.measurements.predict import Learned
from sequencer.measurements.requests import Fire, Reply, Request, Shot
from sequencer.measurements.values import Context, Values
from sequencer.night.setup import UnitRun
from sequencer.night.wiring import Wiring
from sequencer.plan.estimate_endurance import ENDURANCE, endurance_window
from sequencer.plan.estimate_heat import heating_window
from sequencer.plan.models import Bench
from sequencer.plan.points import AnyPoint, Point
from sequencer.plan.promises import lacking
from sequencer.plan.window import ShotWindow, shot_window, silence_window, steady_window
from sequencer.safety.rules_load import LoadRules

RETRIED = "cool and retry once"
HEATING = ("soak", "warming")
HARMLESS = ("gain proof", "gain", "quiet", "check", "protection")  # purposes that do not heat a unit


@dataclass
class UnitState:
    """rows: of the finished points. no_drive, no_power: why it gets no signal, or no power, any more. protected: per
    load, the point its protection cut in at. told: findings, by kind and channel. last_drive_ns: bench clock after the
    last burst that heats. last_shot: kept as evidence where the unit trips. hands: what a person has
    done in this night; is_left_off: nobody answered, and the next point switches it on again. is_resumed: another
    process began the run. tried: points that tripped once and may be tried once more. loads: of the
    bench, as warm as whoever was measured before has left them.
    """

    run: UnitRun
    bench: Bench
    wiring: Wiring
    learned: list[Learned] = field(default_factory=list)
    proofs: dict[tuple[Any, ...], GainProof] = field(default_factory=dict)
    repeats: list[list[float]] = field(default_factory=list)
    rows: list[dict[str, Any]] = field(default_factory=list)
    protected: dict[str, str] = field(default_factory=dict)
    told: set[tuple[str, str | None]] = field(default_factory=set)
    no_drive: str | None = None
    no_power: str | None = None
    last_drive_ns: int | None = None
    last_shot: Shot | None = None
    hands: HandsDone = field(default_factory=HandsDone)
    is_left_off: bool = False
    is_resumed: bool = False
    tried: set[str] = field(default_factory=set)
    loads: LoadRules = field(default_factory=LoadRules)

    def context(self, point: AnyPoint | None = None) -> Context:
        """point: with the rows before that one only, else with all."""
        ids = [one.id for one in self.run.points]
        before = set(ids if point is None else ids[: ids.index(point.id)])
        rows = tuple(row for row in self.rows if row["id"] in before)
        return Context(self.run.unit, self.bench, self.run.bay, rows, self.last_drive_ns, drive_unknown=self.is_resumed)

    def why_not(self, point: AnyPoint, *, driven: bool) -> tuple[str, str | None] | None:
        """Why a point is not measured, with what stopped it in the results' words; None where it is."""
        if self.no_power is not None:
            return self.no_power, None
        if driven and self.no_drive is not None:
            return self.no_drive, None
        if (why := lacking(self.bench, point.measurement)) is not None:
            return why, None
        if isinstance(point, Point) and point.load in self.protected:
            return f"the unit's protection cut in on this load before ({self.protected[point.load]})", "protection"
        return None

    def has_row(self, point: AnyPoint) -> bool:
        """It is kept: measured, or why not."""
        return any(row["id"] == point.id for row in self.rows)

    def is_last_try(self, point: AnyPoint) -> bool:
        """Whether a trip of the point is its last word: only then has it a row, since it has one row at most."""
        is_last = point.after_trip != RETRIED or point.id in self.tried
        self.tried.add(point.id)
        return is_last

    def to_do(self, point: AnyPoint) -> tuple[Wanted, ...]:
        """By a person, before that point."""
        return tuple(wanted(point, self.bench, self.run.unit.serial, self.hands))

    def believe(self, found: Values) -> None:
        """What a measurement says of the unit holds from here on."""
        self.no_drive = self.no_drive or found.no_drive
        self.no_power = self.no_power or found.no_power

    def note_drive(self, request: Request, reply: Reply) -> None:
        if isinstance(reply, Shot):
            self.last_shot = reply
        self.last_drive_ns = drive_ended_ns(request, reply) or self.last_drive_ns


def drive_ended_ns(request: Request, reply: Reply) -> int | None:
    """Bench clock at the end of a burst that heats; None for anything else."""
    if isinstance(request, Fire) and isinstance(reply, Shot) and request.purpose not in HARMLESS:
        return reply.fired_at_ns + round(1e9 * request.cycles / request.frequency_hz)
    return None


@dataclass(frozen=True)
class BenchWindows:
    """Captures of one bench for points that count so many harmonics."""

    bench: Bench
    harmonics: int

    def of_burst(self, request: Fire) -> ShotWindow:
        """Of a steady tone: what ends with it; where it only heats, coarser."""
        harmonics = request.harmonics or self.harmonics
        if request.last_s is None:
            return shot_window(self.bench, request.frequency_hz, request.cycles, harmonics)
        if request.purpose in HEATING:
            return heating_window(self.bench, request.cycles / request.frequency_hz)
        if request.purpose == ENDURANCE:
            return endurance_window(self.bench, request.cycles / request.frequency_hz)
        return steady_window(self.bench, request.frequency_hz, harmonics, request.cycles)

    def of_silence(self, seconds: float) -> ShotWindow:
        return silence_window(self.bench, seconds)
