"""What the level search is told, asks and finds. Levels in dB re 1 Vrms at the unit's input; distortions as ratios."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

Purpose = Literal["ramp", "confirm"]
# crossing, limited, protected, never_below, floor, ceiling, drifting, not_repeatable, budget, or an outside stop
Ended = str


@dataclass(frozen=True)
class Knowledge:
    """Hard bounds of the level at which a hard clip would begin; the search converts them to its limit.

    rail_ratio: rail without load over rail at the knee (steepens a knee). collapse_possible: a supply near its limit
    folds back, and nothing may be concluded from how a hard clip would rise.
    """

    low_db: float
    high_db: float
    softness_known: bool
    rail_ratio: float = 1.5
    collapse_possible: bool = False


@dataclass(frozen=True)
class Settings:
    resolution_db: float = 0.05
    bound_db: float = 0.3
    margin_db: float = 0.05
    confirms: int = 3
    shots_at_most: int = 60
    ceiling_db: float = 60.0
    round_down: Callable[[float], float] = field(default=lambda db: db)


@dataclass(frozen=True)
class Ask:
    level_db: float
    purpose: Purpose
    limit: float


@dataclass(frozen=True, eq=False)
class Reading:
    """One shot's worst channel. distortion: raw; floor, sigma: of it; stop: an outside reason. output_db: the
    fundamental, re that channel's own small-signal gain where channels may differ: only its changes are used."""

    level_db: float
    distortion: float
    floor: float
    sigma: float
    output_db: float
    output_gone: bool = False
    even: bool = False
    stop: str | None = None


@dataclass(frozen=True)
class Found:
    """How the search for one limit ended. accepted_db was read good and confirmed, never interpolated.

    crossing_db: interpolated between the bracket's ends; bad: the lowest standing reading above; notes: contradictions.
    """

    limit: float
    ended: Ended
    accepted_db: float | None
    confirms: tuple[Reading, ...]
    crossing_db: float | None
    bad: Reading | None
    bracket_width_db: float | None
    resolution_db: float
    shots: int
    lowest: Reading | None
    notes: tuple[str, ...] = ()
