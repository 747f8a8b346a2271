"""Records that begin long after the trigger: all dialects against all panels over real sockets.

Both sides were written from simulators/panels/MANUALS.md; expected texts are that page's.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.errors import SettingRefused
from drivers.roles.capture import Capture, RawTrace
from tests.simulators.sine_fit import fitted
from tests.wire.contract_bench import INPUT_OHM, OFFSET_V, Joint, joint

LEVEL_VRMS, FREQUENCY_HZ, CYCLES = 0.5, 1000.0, 2000  # two seconds
PEAK_V = LEVEL_VRMS * math.sqrt(2.0) * INPUT_OHM / (INPUT_OHM + 50.0)  # the generator's 50 ohm into the unit's input
LAST = {1: 20.0, 3: 1.0}

# Message and reply as they go over the wire, in order.
PREPARED = {
    "digitiser-a": [(":TRIG:DEL 0.000000", None), (":TRIG:DEL?", b"0.000000000E+00\n")],
    "digitiser-b": [("HOR:BEG 0.000000000", None), ("HOR:BEG?", b"0.000000000E+0\n")],
    "digitiser-c": [("LATE 0", None), ("LATE?", b"0\n")],
}
SET = {
    "digitiser-a": [(":TRIG:DEL 1.800000", None), (":TRIG:DEL?", b"1.800000000E+00\n")],
    "digitiser-b": [("HOR:BEG 1.800000000", None), ("HOR:BEG?", b"1.800000000E+0\n")],
    "digitiser-c": [("LATE 1800000", None), ("LATE?", b"1800000\n")],
}
# The question for its state, its word while the delay passes, and at rest.
STATE = {
    "digitiser-a": (":TRIG:STAT?", "RUN", "STOP"),
    "digitiser-b": ("TRIG:STATE?", "TRIGGER", "SAVE"),
    "digitiser-c": ("MODE?", "SINGLE", "STOP"),
}
FRONTS = list(SET)


def talk_of_delay(at: Joint) -> list[tuple[str, bytes | None]]:
    return [(m, r) for _, m, r in at.said if ":DEL" in m or ":BEG" in m or "LATE" in m]


def volts(trace: RawTrace) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    found: np.ndarray[tuple[int], np.dtype[np.float64]] = trace.volts_at_zero + trace.codes * trace.volts_per_code
    return found


async def last_of_a_tone(at: Joint, capture: Capture) -> dict[int, RawTrace]:
    await at.digitiser.set_capture(capture)
    await at.generator.set_burst(LEVEL_VRMS, FREQUENCY_HZ, CYCLES)
    await at.digitiser.arm()
    await at.generator.fire()
    await at.digitiser.wait_complete(3.0)
    return {number: await at.digitiser.fetch(number) for number in capture.full_scale_v}


@pytest.mark.parametrize("front", FRONTS)
def test_the_words_of_a_delay(front: str) -> None:
    """Nought when prepared, then as asked, each read back once."""

    async def body(at: Joint) -> None:
        await at.digitiser.prepare()
        assert talk_of_delay(at) == PREPARED[front]
        found = await at.digitiser.set_capture(Capture(LAST, 5e5, 100_000, 0.0, delay_s=1.8))
        assert talk_of_delay(at) == PREPARED[front] + SET[front]
        assert (found.delay_s, found.start_s, found.end_s) == (1.8, 1.8, pytest.approx(2.0))
        await at.digitiser.prepare()
        assert talk_of_delay(at) == PREPARED[front] + SET[front] + PREPARED[front]
        assert at.errors == []

    joint(body, digitiser=front)


@pytest.mark.parametrize("front", FRONTS)
@pytest.mark.parametrize(("delay_s", "before_s"), [(1.8, 0.0), (1.85, 0.05)])
def test_the_last_fifth_of_a_second_of_two(front: str, delay_s: float, before_s: float) -> None:
    """Closed form: the unit's input sees peak sin(2 pi f t), its output ten times that on the offset. When the trigger
    came within a sample is not told: both inputs' phases must lag by one and the same part of a sample's turn.
    """

    async def body(at: Joint) -> None:
        await at.energise()
        traces = await last_of_a_tone(at, Capture(LAST, 5e5, 100_000, before_s, delay_s))
        phases = []
        for number, gain, mean_v in ((1, 10.0, OFFSET_V), (3, 1.0, 0.0)):
            trace = traces[number]
            assert trace.start_s == pytest.approx(1.8, abs=1e-9)
            assert trace.codes.size == 100_000
            t_s = trace.start_s + np.arange(trace.codes.size) * trace.sample_interval_s
            peak_v, phase_rad, mean = fitted(t_s, volts(trace), FREQUENCY_HZ)
            assert peak_v == pytest.approx(gain * PEAK_V, rel=1e-3)
            assert mean == pytest.approx(mean_v, abs=trace.converter_step_codes * trace.volts_per_code)
            phases.append(phase_rad)
        one_sample_rad = 2.0 * math.pi * FREQUENCY_HZ * 2e-6
        assert all(-1e-3 <= phase <= one_sample_rad + 1e-3 for phase in phases)
        assert phases[0] == pytest.approx(phases[1], abs=1e-3)
        assert at.errors == []

    joint(body, digitiser=front)


@pytest.mark.parametrize("front", FRONTS)
def test_armed_at_once_and_complete_when_the_record_is_full(front: str) -> None:
    """By the bench's clock: arming takes no part of the delay, completion all of it and the record."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.digitiser.set_capture(Capture(LAST, 5e5, 100_000, 0.0, delay_s=1.8))
        await at.generator.set_burst(LEVEL_VRMS, FREQUENCY_HZ, CYCLES)
        begun_ns = at.clock.now_ns()
        await at.digitiser.arm()
        assert at.clock.now_ns() - begun_ns < 100_000_000
        await at.generator.fire()
        await at.digitiser.wait_complete(3.0)
        late_ns = at.clock.now_ns() - at.bursts[-1].start_ns - 2_000_000_000
        assert 0 <= late_ns < 50_000_000
        assert len(at.bursts) == 1

    joint(body, digitiser=front)


@pytest.mark.parametrize("front", FRONTS)
def test_captures_with_and_without_a_delay_in_turn(front: str) -> None:
    """Other rates between them too: page of b, a new rate changes the seconds of a delay that stands."""

    async def body(at: Joint) -> None:
        await at.energise()
        for capture in (
            Capture(LAST, 5e5, 100_000, 0.0, delay_s=1.8),
            Capture(LAST, 1e6, 10_000, 0.001),
            Capture(LAST, 1e5, 20_000, 0.0, delay_s=1.8),
            Capture(LAST, 1e6, 100_000, 0.0, delay_s=1.9),
        ):
            found = await at.digitiser.set_capture(capture)
            assert found.delay_s == pytest.approx(capture.delay_s, abs=1e-9)
            traces = await last_of_a_tone(at, capture)
            assert traces[1].start_s == pytest.approx(capture.delay_s - capture.before_s, abs=1e-9)
            await at.clock.sleep(2.0)
        assert at.errors == []

    joint(body, digitiser=front)


def test_where_the_two_fronts_differ() -> None:
    """1.800006 s: a takes 1.80001 s (10 us), more than a sample of 1 us off; b has whole samples of 1 us."""
    asked = Capture(LAST, 1e6, 1000, 0.0, delay_s=1.800006)

    async def refused(at: Joint) -> None:
        await at.digitiser.prepare()
        with pytest.raises(SettingRefused, match=r"delay reads back 1\.80001 s, 1\.800006 s was asked"):
            await at.digitiser.set_capture(asked)

    async def taken(at: Joint) -> None:
        await at.digitiser.prepare()
        assert (await at.digitiser.set_capture(asked)).delay_s == 1.800006

    joint(refused, digitiser="digitiser-a")
    joint(taken, digitiser="digitiser-b")


@pytest.mark.parametrize("front", FRONTS)
def test_longer_than_it_can_wait(front: str) -> None:
    """Pages: 50 s; above -222."""

    async def body(at: Joint) -> None:
        await at.digitiser.prepare()
        assert (await at.digitiser.set_capture(Capture(LAST, 1e6, 1000, 0.0, delay_s=50.0))).delay_s == 50.0
        with pytest.raises(SettingRefused, match="-222"):
            await at.digitiser.set_capture(Capture(LAST, 1e6, 1000, 0.0, delay_s=50.001))

    joint(body, digitiser=front)


@pytest.mark.parametrize("front", FRONTS)
def test_made_safe_while_the_delay_passes(front: str) -> None:
    """At rest at once, and no record comes of it."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.digitiser.set_capture(Capture(LAST, 5e5, 100_000, 0.0, delay_s=1.8))
        await at.generator.set_burst(LEVEL_VRMS, FREQUENCY_HZ, CYCLES)
        await at.digitiser.arm()
        await at.generator.fire()
        await at.clock.sleep(0.5)
        ask, busy, rest = STATE[front]
        assert at.asks("digitiser", ask) == busy
        await at.digitiser.make_safe()
        await at.clock.sleep(0.01)
        assert at.asks("digitiser", ask) == rest
        with pytest.raises(SettingRefused, match="not armed"):
            await at.digitiser.wait_complete(0.5)

    joint(body, digitiser=front)
