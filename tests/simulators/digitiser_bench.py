"""A bench for tests of the digitisers' fronts: one burst of a known wave."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from simulators.panels.digitiser_a import DigitiserA
from simulators.panels.digitiser_b import DigitiserB
from simulators.panels.front import Front
from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth
from simulators.world.world import World
from tests.simulators.panel_talk import Talk, error
from tests.simulators.world_bench import ON_NS, channel, powered, unit

WIRING = {1: "output A", 2: "rail"}
CONFLICT, RANGE = error(-221, "Settings conflict"), error(-222, "Data out of range")


def world_of(bits: int = 12, noise_steps: float = 0.0) -> World:
    """A 10:1 probe on the output, 1:1 on the rail; 0.25 V of offset shows the sign."""
    truth = DigitiserTruth(bits, noise_steps, inputs={1: InputTruth(10.0), 2: InputTruth(1.0)})
    return powered(unit(channel(offset_v=0.25)), bench=BenchTruth(digitiser=truth))


def a(world: World) -> tuple[DigitiserA, Talk]:
    return DigitiserA(world, "44", WIRING), Talk(ON_NS)


def b(world: World) -> tuple[DigitiserB, Talk]:
    return DigitiserB(world, "55", WIRING), Talk(ON_NS)


A_SET_UP = [
    (":CHAN1:PROB 10", None),
    (":CHAN1:SCAL 5", None),
    (":ACQ:SRAT 1E6", None),
    (":ACQ:POIN 20000", None),
    (":TIM:PRET 5E-4", None),
    (":TRIG:SOUR EXT", None),
    (":TRIG:SWE NORM", None),
    (":SYST:ERR?", '0,"No error"'),
]
B_SET_UP = [
    ("CH1:PROBE:GAIN 0.1", None),
    ("CH1:SCALE 5", None),
    ("HOR:SAMPLER 1E6", None),
    ("HOR:RECO 20000", None),
    ("HOR:PRE 5", None),
    ("TRIG:SOU EXT", None),
    ("TRIG:MOD NORM", None),
    ("ACQ:STOPA SEQ", None),
    ("SYST:ERR?", '0,"No error"'),
]


def payload(reply: bytes) -> bytes:
    """Of a definite length block (IEEE 488.2, 8.7.9) with its line end."""
    assert reply[:1] == b"#"
    digits = int(reply[1:2])
    count = int(reply[2 : 2 + digits])
    assert reply[2 + digits + count :] == b"\n"
    return reply[2 + digits : -1]


def asked(talk: Talk, panel: Front, message: str) -> bytes:
    reply = talk.ask(panel, message)
    assert isinstance(reply, bytes)
    return payload(reply)


def expected_wave(t_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """10 x 1.2 Vrms for 20 ms at 1 kHz on 0.25 V."""
    burst = (t_s > 0) & (t_s < 0.02)
    return 0.25 + np.where(burst, 12.0 * math.sqrt(2.0) * np.sin(2.0 * math.pi * 1000.0 * t_s), 0.0)
