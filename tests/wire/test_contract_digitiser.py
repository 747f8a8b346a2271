"""Digitisers against their panels: samples, overload and triggers over real sockets; both sides as in test_contract."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drivers.errors import LinkTimeout, NotFinished, SettingRefused
from drivers.roles.capture import Capture, RawTrace
from tests.wire.contract_bench import (
    AT_INPUT,
    CYCLES,
    FREQUENCY_HZ,
    LEVEL_VRMS,
    OFFSET_V,
    WIRES,
    Joint,
    described,
    joint,
)

DIGITISERS = described("digitiser-a", "digitiser-b", "digitiser-c")


# digitiser-a, digitiser-b


def volts(trace: RawTrace) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    found: np.ndarray[tuple[int], np.dtype[np.float64]] = trace.volts_at_zero + trace.codes * trace.volts_per_code
    return found


async def shot(at: Joint, capture: Capture) -> dict[int, RawTrace]:
    """One burst, captured and fetched."""
    await at.digitiser.set_capture(capture)
    await at.generator.set_burst(LEVEL_VRMS, FREQUENCY_HZ, CYCLES)
    await at.digitiser.arm()
    await at.generator.fire()
    await at.digitiser.wait_complete(1.0)
    return {number: await at.digitiser.fetch(number) for number in capture.full_scale_v}


def _agree(at: Joint, traces: dict[int, RawTrace], trigger_ns: int, part: float) -> bool:
    """All samples, but those within 2 samples of the burst's ends, if the clock ran `part` of a sample late."""
    for number, trace in traces.items():
        t_s = trace.start_s + (np.arange(trace.codes.size) + part) * trace.sample_interval_s
        true_v = at.bench.world.wires([WIRES[number]], trigger_ns, t_s)[WIRES[number]][0]
        steepest_v = 10 * LEVEL_VRMS * math.sqrt(2.0) * 2 * math.pi * FREQUENCY_HZ * 0.0025 * trace.sample_interval_s
        half_step_v = 0.5 * trace.converter_step_codes * trace.volts_per_code
        inside = np.abs(t_s) > 2 * trace.sample_interval_s
        inside &= np.abs(t_s - CYCLES / FREQUENCY_HZ) > 2 * trace.sample_interval_s
        if np.max(np.abs(volts(trace) - true_v)[inside]) > half_step_v * (1 + 1e-6) + steepest_v:
            return False
    return True


CAPTURE = Capture({1: 20.0, 2: 30.0, 3: 1.0}, 1e6, 25_000, 0.001)


@pytest.mark.parametrize("front", DIGITISERS)
def test_samples_are_the_volts_of_the_wires(front: str) -> None:
    """Every sample lies within half a step of the converter of the volts the world has on that wire at its time. When
    the trigger came between two samples is not told: one fraction of a sample must serve all samples of all inputs.

    And by numbers that need no world: the DC before the burst is the unit's offset, the burst at the unit's input has
    the level set times the divider of 50 ohm and the input.
    """

    async def body(at: Joint) -> None:
        await at.energise()
        traces = await shot(at, CAPTURE)
        trigger_ns = at.bursts[-1].start_ns
        assert any(_agree(at, traces, trigger_ns, part) for part in np.arange(0.0, 1.0, 0.005))
        assert not any(trace.overloaded for trace in traces.values())
        before = traces[1].start_s + np.arange(traces[1].codes.size) * traces[1].sample_interval_s < -2e-6
        half_step_v = 0.5 * traces[1].converter_step_codes * traces[1].volts_per_code
        assert np.mean(volts(traces[1])[before]) == pytest.approx(OFFSET_V, abs=half_step_v)
        at_input = volts(traces[3])
        first = round(-traces[3].start_s / traces[3].sample_interval_s)
        burst = at_input[first : first + round(CYCLES / FREQUENCY_HZ / traces[3].sample_interval_s)]
        assert np.sqrt(np.mean(burst**2)) == pytest.approx(LEVEL_VRMS * AT_INPUT, rel=1e-4)
        assert at.errors == []

    joint(body, digitiser=front)


@pytest.mark.parametrize(
    ("front", "rate_hz", "samples", "full_scale_v"),
    [
        ("digitiser-a", 5e5, 20_100, {1: 40.0, 3: 0.4}),
        ("digitiser-b", 1e6, 20_050, {1: 25.0, 3: 0.5}),
        ("digitiser-c", 1e6, 20_050, {1: 25.6, 3: 0.512}),
    ],
)
def test_a_capture_is_told_as_the_instrument_rounds_it(
    front: str, rate_hz: float, samples: int, full_scale_v: dict[int, float]
) -> None:
    """Pages: a rounds 7e5 Hz down to 5e5 and samples up to hundreds, 8 divisions; b and c round up to 1e6, 10 and 10.24
    divisions.

    Ranges 1-2-5 a division, up: 21 V at 10:1 is 2.1 V: a 1 V x 4, b 0.5 V x 5, c 0.5 V x 5.12, times ten; 0.3 V: 0.1 x
    4, 0.1 x 5, 0.1 x 5.12.
    """

    async def body(at: Joint) -> None:
        await at.digitiser.prepare()
        found = await at.digitiser.set_capture(Capture({1: 21.0, 3: 0.3}, 7e5, 20_050, 0.001))
        assert (1 / found.sample_interval_s, found.samples) == (pytest.approx(rate_hz), samples)
        assert found.full_scale_v == pytest.approx(full_scale_v)
        assert found.before_s == pytest.approx(0.001, rel=1e-4)
        assert at.errors == []

    joint(body, digitiser=front)


@pytest.mark.parametrize("front", DIGITISERS)
def test_more_than_fits_is_called_overloaded_on_either_side(front: str) -> None:
    """A range of 2 V under an offset of 3.25 V; end codes by the pages."""

    async def body(at: Joint) -> None:
        await at.energise()
        traces = await shot(at, Capture({1: 2.0, 3: 1.0}, 1e6, 25_000, 0.001))
        assert traces[1].overloaded
        assert not traces[3].overloaded

    joint(body, digitiser=front)


@pytest.mark.parametrize(
    ("front", "error"), [("digitiser-a", NotFinished), ("digitiser-b", LinkTimeout), ("digitiser-c", NotFinished)]
)
def test_a_capture_without_a_trigger_ends_by_name_and_the_next_is_right(front: str, error: type[Exception]) -> None:
    """Page of b: the blocked query never answers; a new connection frees it, and then it must be prepared again."""

    async def body(at: Joint) -> None:
        await at.energise()
        await at.digitiser.set_capture(CAPTURE)
        await at.digitiser.arm()
        with pytest.raises(error):
            await at.digitiser.wait_complete(0.5)
        if error is LinkTimeout:
            with pytest.raises(SettingRefused):
                await at.digitiser.arm()
        await at.digitiser.prepare()
        traces = await shot(at, CAPTURE)
        assert np.max(volts(traces[1])) == pytest.approx(
            OFFSET_V + 10 * LEVEL_VRMS * AT_INPUT * math.sqrt(2.0), abs=0.02
        )
        assert len(at.bursts) == 1

    joint(body, digitiser=front)


@pytest.mark.parametrize(
    ("front", "state", "rest"),
    [("digitiser-a", ":TRIG:STAT?", "STOP"), ("digitiser-b", "TRIG:STATE?", "SAVE"), ("digitiser-c", "MODE?", "STOP")],
)
def test_an_armed_digitiser_is_brought_to_rest(front: str, state: str, rest: str) -> None:
    async def body(at: Joint) -> None:
        await at.digitiser.prepare()
        await at.digitiser.set_capture(CAPTURE)
        await at.digitiser.arm()
        assert at.asks("digitiser", state) != rest
        await at.digitiser.make_safe()
        await at.clock.sleep(0.01)
        assert at.asks("digitiser", state) == rest
        with pytest.raises(SettingRefused, match="not armed"):
            await at.digitiser.wait_complete(0.5)
        with pytest.raises(SettingRefused, match="not captured"):
            await at.digitiser.fetch(4)

    joint(body, digitiser=front)
