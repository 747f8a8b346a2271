"""Paper cases of the unit's outputs, its gain, the digitiser and the loads. Figures: common practice, no source, or
our own judgement, as the table of rules says; the load's heat: one body's exponential (textbook), worked out anew."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sequencer.measurements.requests import Connect, Shot
from sequencer.plan.models import UnitLimit
from tests.sequencer.rule_paper import BENCH, CLIP_V, UNIT, Begin, Case, Drive, Heard, silence

OFFSET, RESTLESS = ("offset",), ("output without signal",)
GONE, AWAY, TWICE_OVER = ("output gone",), ("gain away",), ("digitiser overload",)
PROOF = Drive(0.02, "gain proof").at(0.0)
LOW_PROOF = Drive(0.02, "gain proof", gains=(20.0, 14.0)).at(0.0)
LOUD_B = UNIT.model_copy(update={"channel": (UNIT.channel[0], UNIT.channel[1].model_copy(update={"gain_db": 28.0}))})
MOST_V = 0.35 * CLIP_V / math.sqrt(2.0)  # far below the knee, Vrms


def db(change_db: float) -> float:
    return 20.0 * 10.0 ** (change_db / 20.0)


def disturbed(added: np.ndarray) -> Heard:
    """A proof on which something is added at channel B; 800 samples."""
    request, shot = PROOF
    assert isinstance(shot, Shot)
    record = shot.records["ch2"]
    records = {**shot.records, "ch2": replace(record, volts=record.volts + added)}
    return request, replace(shot, records=records)


NOISY_PROOF = disturbed(np.random.default_rng(5).normal(0.0, 0.6, 800))
THUMP_PROOF = disturbed(2.0 * np.exp(-np.maximum(np.arange(800) - 500, 0) / 40.0) * (np.arange(800) >= 500))


def ramps(count: int, volts: float, gain_b: float, **other: object) -> tuple[Heard, ...]:
    """Shots of which so many volts are due by the proof."""
    drive = Drive(volts / 20.0, gains=(20.0, gain_b), **other)  # type: ignore[arg-type]
    return tuple(drive.at(2.0 + 2.0 * n) for n in range(count))


def over(*scales_v: float | None) -> tuple[Heard, ...]:
    """Shots on ranges for so many volts that ch1 overloads; None: one that it holds."""
    return tuple(
        Drive(1.0, over=() if v is None else ("ch1",), scale_v=50.0 if v is None else v).at(2.0 * n)
        for n, v in enumerate(scales_v)
    )


# --- loads

ALL = ("A", "B")
ON_4R = (Connect("4R", ALL), None)
HEAVY = BENCH.load["4R"].model_copy(update={"j_per_k": 10.0, "continuous_w": 100.0, "burst_j": 5000.0})
HEAVY_BENCH = BENCH.model_copy(update={"load": {**BENCH.load, "4R": HEAVY}})
LIMITED_UNIT = UNIT.model_copy(update={"limit": UnitLimit(energy_per_burst_j=100.0)})
OF_THREE = UNIT.model_copy(update={"channel": (*UNIT.channel, UNIT.channel[0].model_copy(update={"name": "C"}))})
K_PER_W, TAU_S = 95.0 / 100.0, 9.5  # of HEAVY: 120 degC at 100 W, and 10 J/K
DEFAULT_TAU_S = 95.0 / 300.0 * 700.0 / 65.0  # of the bench's: 300 W; 700 J from 25 to 90 degC
HOT, BURST = ("load temperature",), ("burst energy",)


def into_4r(
    watts: float, seconds: float, at_s: float = 0.0, gain_b: float | None = 1.0, read_s: float | None = None
) -> Heard:
    """So many watts into 4.01 ohm at A, and as many volts at B, where there is no more than 4.03 ohm."""
    volts = math.sqrt(watts * 4.01)
    return Drive(volts, gains=(1.0, gain_b), cycles=round(100.0 * seconds), hz=100.0, read_s=read_s).at(at_s)


TO_120_W = 95.0 / K_PER_W / (1.0 - math.exp(-10.0 / TAU_S))  # for 10 s
LOAD_CASES: tuple[Case, ...] = (
    Case("119.5 degC after 10 s", (ON_4R, into_4r(TO_120_W * 94.5 / 95.0, 10.0, read_s=0.2)), bench=HEAVY_BENCH),
    Case(
        "120.5 degC after 10 s",
        (ON_4R, into_4r(TO_120_W * 95.5 / 95.0, 10.0, read_s=0.2)),
        HOT,
        (120.5, 120.0),
        bench=HEAVY_BENCH,
    ),
    Case("nothing connected", (into_4r(2.0 * TO_120_W, 10.0, read_s=0.2),), bench=HEAVY_BENCH),
    Case("disconnected", (ON_4R, (Connect(None, ()), None), into_4r(400.0, 10.0, read_s=0.2)), bench=HEAVY_BENCH),
    Case(
        "J/K by burst_j: two bursts of 380 W for 2 s",
        (ON_4R, into_4r(380.0, 2.0, 0.0), into_4r(380.0, 2.0, 2.0)),
    ),
    Case(
        "J/K by burst_j: three of them",
        (ON_4R, into_4r(380.0, 2.0, 0.0), into_4r(380.0, 2.0, 2.0), into_4r(380.0, 2.0, 4.0)),
        HOT,
        (25.0 + 95.0 / 300.0 * 380.0 * (1.0 - math.exp(-6.0 / DEFAULT_TAU_S)), 120.0),
    ),
    Case(
        "J/K by burst_j: three of them with a rest",
        (ON_4R, into_4r(380.0, 2.0, 0.0), into_4r(380.0, 2.0, 2.0), into_4r(380.0, 2.0, 6.0)),
    ),
    Case(
        "each load has a heat of its own",
        (
            *(ON_4R, into_4r(380.0, 2.0, 0.0), into_4r(380.0, 2.0, 2.0)),
            *((Connect("8R", ALL), None), into_4r(380.0, 2.0, 4.0)),
        ),
    ),
    Case(
        "the hardest that check lets pass: burst_j in 0.5 s, at half of continuous_w on average",
        (ON_4R, *(into_4r(1396.0, 0.5, 700.0 / 150.0 * n) for n in range(8))),
    ),
    Case("1.09 x burst_j", (ON_4R, into_4r(1.09 * 700.0 / 1.0, 1.0, gain_b=0.5))),
    Case("1.11 x burst_j", (ON_4R, into_4r(1.11 * 700.0 / 1.0, 1.0, gain_b=0.5)), BURST, (777.0, 770.0)),
    Case("1.09 x the unit's energy_per_burst_j", (ON_4R, into_4r(109.0, 1.0)), unit=LIMITED_UNIT),
    Case(
        "1.11 x the unit's energy_per_burst_j", (ON_4R, into_4r(111.0, 1.0)), BURST, (111.0, 110.0), unit=LIMITED_UNIT
    ),
    Case("a channel that no input sees", (ON_4R, into_4r(777.0, 1.0, gain_b=None)), BURST),
    Case(
        "one that no input sees is taken to be like the hottest",
        ((Connect("4R", ("C", "A", "B")), None), into_4r(777.0, 1.0, gain_b=0.5)),
        BURST,
        (777.0, 770.0),
        "C",
        unit=OF_THREE,
    ),
    Case("a channel without load", ((Connect("4R", ("B",)), None), into_4r(777.0, 1.0, gain_b=0.5))),
    Case("another channel's volts", ((Connect("4R", ("B",)), None), into_4r(777.0, 1.0, gain_b=None))),
    Case(
        "a tone of which the end is read", (ON_4R, into_4r(77.7, 10.0, gain_b=0.5, read_s=0.2)), BURST, (777.0, 770.0)
    ),
)

CASES: tuple[Case, ...] = (
    # --- silence: DC of 3 V, AC of 1 V or 3 steps of the digitiser, over at least 0.15 s
    Case("2.9 V", (silence(2.9),)),
    Case("3.1 V", (silence(3.1),), OFFSET, (3.1, 3.0)),
    Case("-8 V", (silence(-8.0),), OFFSET),
    Case("8 V, 0.14 s", (silence(8.0, seconds=0.14),)),
    Case("8 V, 0.16 s", (silence(8.0, seconds=0.16),), OFFSET),
    Case("8 V at first power", (silence(8.0),), OFFSET, measurement="first_power"),
    Case("0.95 Vrms", (silence(rms_v=0.95),)),
    Case("1.05 Vrms", (silence(rms_v=1.05),), RESTLESS, (1.05, 1.0)),
    Case("5 Vrms, 0.14 s", (silence(rms_v=5.0, seconds=0.14),)),
    Case("1.45 Vrms in steps of 0.5 V", (silence(rms_v=1.45, step_v=0.5),)),
    Case("1.55 Vrms in steps of 0.5 V", (silence(rms_v=1.55, step_v=0.5),), RESTLESS, (1.55, 1.5)),
    Case("a thump at first power", (silence(rms_v=5.0),), measurement="first_power"),
    # --- gone: a tenth of gain x level, twice in a row
    Case("2.1 of 20 V", (PROOF, *ramps(3, 20.0, 2.1))),
    Case("1.9 of 20 V once", (PROOF, *ramps(1, 20.0, 1.9), *ramps(1, 20.0, 20.0), *ramps(1, 20.0, 1.9))),
    Case("1.9 of 20 V twice", (PROOF, *ramps(2, 20.0, 1.9)), GONE, (1.9, 2.0)),
    Case("1.9 of 20 V, a point between", (PROOF, *ramps(1, 20.0, 1.9), Begin("output_power"), *ramps(1, 20.0, 1.9))),
    Case("the proof outlives a point", (PROOF, Begin("output_power"), *ramps(2, 20.0, 1.9)), GONE),
    Case("0.95 V due", (PROOF, *ramps(2, 0.95, 0.0))),
    Case("1.05 V due", (PROOF, *ramps(2, 1.05, 0.0)), GONE),
    Case("never proved", ramps(3, 20.0, 0.0)),
    Case("the best proof counts", (PROOF, Drive(0.02, "twin", gains=(20.0, 1.0)).at(1.0), *ramps(2, 20.0, 1.9)), GONE),
    Case("another frequency", (Drive(0.02, "gain proof", hz=500.0).at(0.0), *ramps(3, 20.0, 0.0))),
    Case(
        "overloaded says nothing",
        (PROOF, *(h for n in range(2) for h in ramps(1, 20.0, 0.0, over=("ch2",), scale_v=50.0 + n))),
    ),
    Case("where it is looked for", (Begin("gain"), PROOF, Begin("protection"), *ramps(3, 20.0, 0.0))),
    Case(
        "an output that comes alive proves nothing", (Begin("first_power"), PROOF, Begin("soak"), *ramps(3, 20.0, 0.0))
    ),
    Case("harmless shots prove", (PROOF, *(Drive(1.0, "check", gains=(20.0, 0.0)).at(2.0 + n) for n in range(3)))),
    # --- gain: 1.5 dB off the proof, far below the knee, twice in a row
    Case("1.45 dB down", (PROOF, *ramps(3, 7.0, db(-1.45)))),
    Case("1.55 dB down once", (PROOF, *ramps(1, 7.0, db(-1.55)), *ramps(1, 7.0, 20.0), *ramps(1, 7.0, db(-1.55)))),
    Case("1.55 dB down twice", (PROOF, *ramps(2, 7.0, db(-1.55))), AWAY, (26.02 - 1.55, 26.02 - 1.5)),
    Case("1.55 dB down, a point between", (PROOF, *ramps(1, 7.0, db(-1.55)), Begin("gain"), *ramps(1, 7.0, db(-1.55)))),
    Case("1.45 dB up", (PROOF, *ramps(3, 7.0, db(1.45)))),
    Case("1.55 dB up", (PROOF, *ramps(2, 7.0, db(1.55))), AWAY, (26.02 + 1.55, 26.02 + 1.5)),
    Case("a dead zone hid it", (LOW_PROOF, *ramps(3, 7.0, 20.0))),
    Case(
        "a dead zone hid it, and it goes beyond its file",
        (LOW_PROOF, *ramps(2, 7.0, 24.0)),
        AWAY,
    ),
    Case("a twin proved more", (LOW_PROOF, PROOF, *ramps(2, 7.0, 16.0)), AWAY),
    Case("just far enough below", (PROOF, *ramps(2, 0.98 * MOST_V, db(-3.0))), AWAY),
    Case("too near to the knee", (PROOF, *ramps(3, 1.02 * MOST_V, db(-3.0)))),
    Case("harmless", (PROOF, *ramps(3, 0.95, db(-3.0)))),
    Case("a little more than harmless", (PROOF, *ramps(2, 1.05, db(-3.0))), AWAY),
    Case("10 cycles", (PROOF, *ramps(2, 7.0, db(-3.0), cycles=10)), AWAY),
    Case("9 cycles", (PROOF, *ramps(3, 7.0, db(-3.0), cycles=9))),
    Case("down in current limit", (PROOF, *ramps(3, 7.0, db(-3.0), limited=True))),
    Case(
        "an overloaded record",
        (PROOF, *(h for n in range(3) for h in ramps(1, 7.0, db(-3.0), over=("ch2",), scale_v=50.0 + n))),
    ),
    Case("a gate that takes the first 9 of 20 ms", (PROOF, *ramps(3, 7.0, 20.0, gated_s=0.009))),
    Case("its file has 28 dB for B", (LOW_PROOF, *ramps(3, 7.0, db(2.0))), unit=LOUD_B),
    Case("its file has 28 dB for B, and it is more", (LOW_PROOF, *ramps(2, 7.0, db(4.0))), AWAY, unit=LOUD_B),
    Case("gone in silence", (PROOF, *ramps(1, 7.0, 0.0))),
    Case("looked for", (PROOF, Begin("recovery"), *ramps(3, 7.0, db(-3.0)))),
    Case("noise is no gain", (NOISY_PROOF, *ramps(3, 7.0, 20.0))),
    Case("a thump is no gain", (THUMP_PROOF, *ramps(3, 7.0, 20.0))),
    Case("an odd count of cycles", (PROOF, *ramps(3, 7.0, 20.0, cycles=11))),
    # --- the digitiser: the same range overloaded twice in a row
    Case("once, then wider", over(20.0, 32.0, None)),
    Case("once, held, once", over(20.0, None, 20.0)),
    Case("twice", over(20.0, 20.0), TWICE_OVER, (None, 20.0)),
    Case("twice, a point between", (*over(20.0), Begin("gain"), *over(20.0))),
    *LOAD_CASES,
)
