"""Paper cases of heat sinks and their sensors. Figures: common practice, no source, or our own judgement, as the table
of rules says; heat and cooling: class B and one body's exponential (textbook), worked out here anew."""

from __future__ import annotations

import math
from dataclasses import replace

from tests.sequencer.rule_paper import CLIP_V, UNIT, Begin, Case, Drive, Heard, temps

NEVER_COOLS = 1e6  # K/W

# A tone of 10 s at 12 A, 10 V crest at both outputs; class B keeps 1 - pi x / 4 of what reaches the stages.
TONE = Drive(10.0 / 20.0 / math.sqrt(2.0), "soak", cycles=10_000, amps=12.0, read_s=0.1)
X = 1.3 * 10.0 / CLIP_V
HEAT_J = 0.85 * 24.0 * 12.0 * 10.0 / 2.0 * (1.0 - math.pi / 4.0 * X)  # in each channel


def sunk(worth_k: float, tau_s: float | None = None, k_per_w: float | None = NEVER_COOLS) -> object:
    """The unit with a heat sink that the tone warms by so many kelvin. tau_s: of its cooling, as declared."""
    j_per_k = HEAT_J / worth_k
    k_per_w = tau_s / j_per_k if tau_s is not None else k_per_w
    return UNIT.model_copy(update={"heatsink_j_per_k": j_per_k, "heatsink_k_per_w": k_per_w})


def heated(name: str, worth_k: float, heard: tuple[Heard, ...], trips: tuple[str, ...] = (), **other: object) -> Case:
    return Case(name, heard, trips, unit=sunk(worth_k, **other), measurement="soak")  # type: ignore[arg-type]


def cooled(name: str, start_c: float, worth_k: float, tau_s: float | None, left: float, trips: bool) -> Case:
    """left: e^(-t / tau) at the reading, tau being half of what is declared, or 300 s where nothing is."""
    fast_s = 300.0 if tau_s is None else tau_s / 2.0
    at_s = 15.0 - fast_s * math.log(left)
    heard = (temps(0.0, start_c, start_c), TONE.at(5.0), temps(at_s, start_c + 0.01, start_c + 0.01))
    extra: dict[str, object] = {"k_per_w": None} if tau_s is None else {"tau_s": tau_s}
    return heated(name, worth_k, heard, ("sensor not following",) if trips else (), **extra)


NOT_FOLLOWING = ("sensor not following",)
ONE_OF_TWO = Drive(0.1, gains=(20.0, None))


def alike(level_vrms: float, part: float) -> Heard:
    return Drive(level_vrms, gains=(20.0, 20.0 * part)).at(30.0)


def apart(name: str, start_k: float, apart_k: float, drive: Heard | None, trips: bool) -> Case:
    """A starts so much hotter than B, and ends so much hotter a minute later."""
    heard = (temps(0.0, 25.0 + start_k), *((drive,) if drive else ()), temps(60.0, 25.0 + apart_k))
    return Case(name, heard, ("heat sinks apart",) if trips else (), (apart_k, 40.0) if trips else None)


CASES: tuple[Case, ...] = (
    # --- level and rate: the unit's file has trip_c = 85
    Case("just below trip_c", (temps(0.0, 84.9, 84.9),)),
    Case("at trip_c", (temps(0.0, 85.0, 84.0),), ("heat sink",), (85.0, 85.0)),
    Case("the other side at trip_c", (temps(0.0, 84.0, 85.0),), ("heat sink",), (85.0, 85.0), "B"),
    Case("1.49 K/s", (temps(0.0, 25.0), temps(10.0, 39.9))),
    Case("1.52 K/s", (temps(0.0, 25.0), temps(10.0, 40.2)), ("heat sink rising",), (1.52, 1.5)),
    Case("fast, but within less than 2 s", (temps(0.0, 25.0), temps(1.9, 30.0))),
    Case("fast within 2.1 s", (temps(0.0, 25.0), temps(2.1, 30.0)), ("heat sink rising",)),
    Case("against the newest reading 2 s old", (temps(0.0, 25.0), temps(6.0, 33.0), temps(8.5, 36.5))),
    Case(
        "the newest reading 2 s old, not the oldest",
        (temps(0.0, 25.0), temps(6.0, 33.0), temps(7.0, 33.0), temps(8.5, 37.0)),
        ("heat sink rising",),
        (1.6, 1.5),
    ),
    Case("falling fast is no rise", (temps(0.0, 60.0), temps(2.1, 51.0))),
    # --- side against side
    apart("40 K apart, never even", 5.1, 40.1, None, False),
    apart("even, then 39.9 K apart", 4.9, 39.9, alike(0.5, 1.0), False),
    apart("even, then 40.1 K apart", 4.9, 40.1, alike(0.5, 1.0), True),
    apart("without any drive", 0.0, 40.1, None, True),
    apart("driven by 0.81 of the other", 0.0, 41.0, alike(0.5, 0.81), True),
    apart("driven by 0.79 of the other", 0.0, 41.0, alike(0.5, 0.79), False),
    apart("unlike, but harmless", 0.0, 41.0, alike(0.9 / 20.0, 0.5), True),
    apart("unlike, a little more than harmless", 0.0, 41.0, alike(1.1 / 20.0, 0.5), False),
    apart("one output not seen", 0.0, 41.0, ONE_OF_TWO.at(30.0), False),
    Case(
        "driven unlike, even again, apart",
        (temps(0.0, 25.0), alike(0.5, 0.5), temps(60.0, 50.0), temps(200.0, 29.0), temps(300.0, 66.0)),
        ("heat sinks apart",),
    ),
    # --- a sensor that is not there, or says what cannot be
    Case("nothing", (temps(0.0, None),), ("sensor open",), (None, None)),
    Case("no number", (temps(0.0, math.nan),), ("sensor open",)),
    Case("-19 degC", (temps(0.0, -19.0),)),
    Case("-21 degC", (temps(0.0, -21.0),), ("sensor implausible",), (-21.0, -20.0)),
    Case("149 degC is hot", (temps(0.0, 149.0),), ("heat sink",)),
    Case("151 degC is no heat sink", (temps(0.0, 151.0),), ("sensor implausible",), (151.0, 150.0)),
    Case("9.9 K down within 4.9 s", (temps(0.0, 60.0), temps(4.9, 50.1))),
    Case("10.1 K down within 4.9 s", (temps(0.0, 60.0), temps(4.9, 49.9)), ("sensor implausible",), (10.1, 10.0)),
    Case("10.1 K down within 5.1 s", (temps(0.0, 60.0), temps(5.1, 49.9))),
    Case("10.1 K up at once", (temps(0.0, 25.0), temps(0.2, 35.1)), ("sensor implausible",)),
    # --- silent: the same reading for 60 s while heat worth 4 K went in
    heated("the same for 59 s", 4.1, (temps(0.0, 25.0), TONE.at(45.0), temps(59.0, 25.0)), NOT_FOLLOWING),
    heated("the same for 61 s", 4.1, (temps(0.0, 25.0), TONE.at(45.0), temps(61.0, 25.0)), ("sensor silent",)),
    heated("the same for 61 s, less heat", 3.9, (temps(0.0, 25.0), TONE.at(45.0), temps(61.0, 25.0))),
    heated(
        "changed within 60 s",
        4.1,
        (temps(0.0, 24.9), temps(2.0, 25.0), TONE.at(45.0), temps(61.0, 25.0)),
        NOT_FOLLOWING,
    ),
    heated(
        "silent, having followed before",
        4.1,
        (temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 27.0, 27.0), TONE.at(60.0), temps(77.0, 27.0, 27.0)),
        ("sensor silent",),
    ),
    # --- not following: a quarter of the least rise due, from 4 K on
    heated("worth 3.9 K", 3.9, (temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 25.01, 25.01))),
    heated("worth 4.1 K", 4.1, (temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 25.01, 25.01)), NOT_FOLLOWING),
    heated("followed by 1.1 of 4.1 K", 4.1, (temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 26.1, 26.1))),
    heated(
        "followed by 0.95 of 4.1 K", 4.1, (temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 25.95, 25.95)), NOT_FOLLOWING
    ),
    heated("one side follows", 4.1, (temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 26.1, 25.1)), NOT_FOLLOWING),
    heated("heat before the first reading", 4.1, (TONE.at(0.0), temps(16.0, 25.0), temps(30.0, 25.01, 25.01))),
    heated(
        "having followed, it begins anew",
        3.95,
        (
            *(temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 25.5, 25.5), TONE.at(20.0), temps(31.0, 27.1, 27.1)),
            *(TONE.at(35.0), temps(46.0, 27.11, 27.11)),
        ),
    ),
    heated(
        "little heat, forgotten after 10 min",
        3.0,
        (
            *(temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 25.01, 25.01), temps(610.0, 25.02, 25.02)),
            *(TONE.at(620.0), temps(631.0, 25.03, 25.03)),
        ),
    ),
    heated(
        "little heat, not yet forgotten",
        3.0,
        (
            *(temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 25.01, 25.01), temps(590.0, 25.02, 25.02)),
            *(TONE.at(592.0), temps(603.0, 25.03, 25.03)),
        ),
        NOT_FOLLOWING,
    ),
    heated(
        "a burst that no meter saw counts for nothing",
        4.1,
        (temps(0.0, 25.0), Drive(0.3, "soak", cycles=1000, amps=12.0).at(5.0), temps(16.0, 25.01, 25.01)),
    ),
    heated(
        "nothing comes out",
        4.1,
        (temps(0.0, 25.0), replace(TONE, gains=(0.0, 0.0)).at(5.0), temps(16.0, 25.01, 25.01)),
    ),
    Case(
        "its file does not say where it clips: nothing is known of its heat",
        (temps(0.0, 25.0), TONE.at(5.0), temps(16.0, 25.01, 25.01)),
        unit=UNIT.model_copy(update={"rating": (), "heatsink_j_per_k": 1.0}),
        measurement="soak",
    ),
    # --- what is owed cools away: w e^(-t/tau), and (w + T0 - Ta) e^(-t/tau) - (T0 - Ta) above the room
    cooled("cooled to 4.2 of 8 K", 25.0, 8.0, 200.0, 4.2 / 8.0, True),
    cooled("cooled to 3.8 of 8 K", 25.0, 8.0, 200.0, 3.8 / 8.0, False),
    cooled("K/W not declared, 4.2 of 8 K", 25.0, 8.0, None, 4.2 / 8.0, True),
    cooled("K/W not declared, 3.8 of 8 K", 25.0, 8.0, None, 3.8 / 8.0, False),
    cooled("came in at 40 degC, 4.2 K left", 40.0, 10.0, 200.0, 19.2 / 25.0, True),
    cooled("came in at 40 degC, 3.8 K left", 40.0, 10.0, 200.0, 18.8 / 25.0, False),
    # --- a sound unit
    Case(
        "sound",
        (
            *(temps(10.0 * n, 25.0 + 0.3 * n, 25.0 + 0.28 * n) for n in range(60)),
            Begin("soak"),
            *(temps(600.0 + 10.0 * n, 43.0 - 0.2 * n, 41.5 - 0.18 * n) for n in range(60)),
        ),
    ),
)
