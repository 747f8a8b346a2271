"""A point: one search of one drive into one load, or one measurement of single values. And the three forms of a drive.
Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Quantity = Literal["thd", "thd_n"]

CYCLES_AT_MOST = 50_000
STEADY_AT_MOST_S = 10.0
DRIVE_FORMS = 'write "20 cycles", "1 cycle" or "steady 2 s"'

_MANY = re.compile(r"([1-9][0-9]{0,5}) cycles")
_STEADY = re.compile(r"steady ([0-9]{1,3}(?:\.[0-9]{1,6})?) s")


@dataclass(frozen=True)
class Drive:
    """A counted burst of `cycles`, or a tone kept for `steady_s` seconds; the other one is None."""

    cycles: int | None = None
    steady_s: float | None = None


@dataclass(frozen=True, kw_only=True)
class RowOfPlan:
    """One row of the results, whatever it measures. load: the one that is connected. rest: "normal" or "quick".
    by_hand: what a person must have set before it."""

    id: str
    stage: str
    measurement: str
    load: str
    supply_v: float
    channels: tuple[str, ...]
    group: int
    after_trip: str
    keep_traces: int
    rest: str
    thermal: str = "any"
    by_hand: str = ""


@dataclass(frozen=True, kw_only=True)
class Point(RowOfPlan):
    """One search for a power. Points that differ only in the limit share `group`, highest limit first.

    limit_pct: of `quantity`, percent. harmonics: highest one counted, already cut to the band. confirm: fresh
    shots at the accepted level.
    """

    frequency_hz: float
    cycles: int
    steady: bool
    quantity: Quantity
    limit_pct: float
    resolution_db: float
    confirm: int
    harmonics: int
    band_hz: tuple[float, float]
    any_cycle_factor: float
    rail_sag_pct: float

    @property
    def burst_s(self) -> float:
        return self.cycles / self.frequency_hz

    @property
    def drive(self) -> str:
        """In a plan's own words: "20 cycles", "1 cycle", "steady 2 s"."""
        if self.steady:
            return f"steady {self.burst_s:g} s"
        return "1 cycle" if self.cycles == 1 else f"{self.cycles} cycles"


@dataclass(frozen=True, kw_only=True)
class ValuePoint(RowOfPlan):
    """Single values at no level, or at a harmless one: nothing is searched.

    frequencies_hz: of `gain`, rising; of the measurements with one tone, that tone; empty elsewhere. wait: of
    `idle_current` and `output_offset`, the state that is waited for. minutes, power_parts, powers_w, levels_db,
    tone_pairs, small_power_w, dropout_db, offset_jump_v, small_gain_db: as in the plan's options. second_load: of
    `output_impedance`, None where there is none.
    quantity, limit_pct, harmonics, band_hz: of `power_bandwidth`; limit_pct None: the rating's.
    """

    frequencies_hz: tuple[float, ...] = ()
    wait: str = "cold"
    minutes: float = 45.0
    mains_hz: float = 50.0
    power_cycles: int = 3
    dropout_db: float = 1.0
    offset_jump_v: float = 0.02
    small_gain_db: float = 0.5
    capacitors_nf: tuple[float, ...] = ()
    power_parts: tuple[float, ...] = ()
    powers_w: tuple[float, ...] = ()
    levels_db: tuple[float, ...] = ()
    tone_pairs: tuple[str, ...] = ()
    small_power_w: float = 1.0
    second_load: str | None = None
    quantity: Quantity = "thd"
    limit_pct: float | None = None
    harmonics: int = 20
    band_hz: tuple[float, float] = (20.0, 20000.0)


AnyPoint = Point | ValuePoint


def parse_drive(text: str) -> Drive:
    """`"N cycles"` (N from 2), `"1 cycle"` or `"steady X s"` (0 < X <= 10 s). Raises ValueError with the remedy."""
    if text == "1 cycle":
        return Drive(cycles=1)
    if (many := _MANY.fullmatch(text)) and 2 <= int(many[1]) <= CYCLES_AT_MOST:
        return Drive(cycles=int(many[1]))
    if (steady := _STEADY.fullmatch(text)) and 0.0 < float(steady[1]) <= STEADY_AT_MOST_S:
        return Drive(steady_s=float(steady[1]))
    raise ValueError(f"{DRIVE_FORMS}; at most {CYCLES_AT_MOST} cycles, at most {STEADY_AT_MOST_S:g} s")


def hertz(value: float) -> str:
    """ "50 Hz", "1 kHz"."""
    return f"{value / 1000:g} kHz" if value >= 1000.0 else f"{value:g} Hz"


def burst_cycles(text: str) -> int | None:
    """Cycles of a drive that is a burst; None for a steady one or a form that is not understood."""
    try:
        return parse_drive(text).cycles
    except ValueError:
        return None


def drive_cycles(text: str, frequency_hz: float) -> int | None:
    """Cycles of any drive at this frequency: every one is a counted burst. None for a form that is not understood."""
    try:
        drive = parse_drive(text)
    except ValueError:
        return None
    return drive.cycles if drive.steady_s is None else round(frequency_hz * drive.steady_s)


def harmonics_within(frequency_hz: float, wanted: int, band_hz: tuple[float, float]) -> int:
    """Highest harmonic that is counted: `wanted`, cut where it would lie above the band."""
    return min(wanted, int(band_hz[1] / frequency_hz * (1.0 + 1e-9)))
