"""The generator's ceilings against requests of all kinds: what counts is what arrives at the instrument."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from importlib import resources

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.dialect import dialect_from_text, load_dialect
from drivers.errors import CeilingPassed, InstrumentError
from drivers.roles.generator import Generator, GeneratorCeilings
from tests.drivers.scripted import GeneratorByTheManual, Scripted
from tests.drivers.transcripts_generator import PREPARE

CEILINGS = GeneratorCeilings(level_vrms=4.0, burst_s=10.0, frequency_hz=(20.0, 20_000.0))
DIALECT = load_dialect("generator-a", "generator")


NOT_WITHIN: list[tuple[float, float, object]] = [
    (4.0001, 1000.0, 20),  # above the level
    (math.nan, 1000.0, 20),
    (math.inf, 1000.0, 20),
    (0.0, 1000.0, 20),
    (-1.0, 1000.0, 20),
    (0.00009, 1000.0, 20),  # less than the least level
    (1.0, 1000.0, 10_001),  # 10.001 s
    (1.0, 20.0, 201),  # 10.05 s
    (1.0, 19.9, 20),  # below, above the frequencies
    (1.0, 20_001.0, 20),
    (1.0, math.nan, 20),
    (1.0, 1000.0, 0),
    (1.0, 1000.0, -1),
    (1.0, 1000.0, 20.0),
    (1.0, 1000.0, math.inf),
    (1.0, 1000.0, True),
    (1.0, 1000.0, "INF"),
]


@pytest.mark.parametrize(("level", "frequency", "cycles"), NOT_WITHIN)
async def test_nothing_is_sent_beyond_a_ceiling(level: float, frequency: float, cycles: object) -> None:
    """The transcript ends after the preparation: one more message would fail it."""
    speaker = Scripted(PREPARE)
    role = Generator(speaker, DIALECT, CEILINGS)
    await role.prepare()
    speaker.done()
    with pytest.raises(CeilingPassed, match="nothing was sent"):
        await role.set_burst(level, frequency, cycles)  # type: ignore[arg-type]


async def test_exactly_the_ceiling_is_allowed() -> None:
    """10 s at 1 kHz are 10 000 cycles; a ceiling is a value that may be reached."""
    speaker = GeneratorByTheManual()
    role = Generator(speaker, DIALECT, CEILINGS)
    await role.prepare()
    assert (await role.set_burst(4.0, 1000.0, 10_000)).level_vrms == 4.0


REQUESTS = st.lists(
    st.tuples(
        st.one_of(st.floats(), st.floats(0, 8), st.sampled_from([4.0, 4.00001, 3.99999])),
        st.one_of(st.floats(), st.floats(10, 30_000)),
        st.one_of(st.integers(-5, 300_000), st.integers(), st.floats()),
    ),
    max_size=8,
)


async def _drive(speaker: GeneratorByTheManual, role: Generator, requests: list[tuple[float, float, int]]) -> None:
    """Asks for everything, whatever was refused before."""

    async def tried(act: Callable[[], object]) -> None:
        try:
            await act()  # type: ignore[misc]
        except InstrumentError:
            return

    await tried(role.prepare)
    for level, frequency, cycles in requests:
        await tried(lambda lv=level, f=frequency, n=cycles: role.set_burst(lv, f, n))
        await tried(lambda: role.output(True))
        await tried(role.fire)


@settings(max_examples=200, deadline=None, database=None)
@given(requests=REQUESTS, ceiling=st.sampled_from([0.0005, 0.3, 1.0, 4.0]))
def test_no_message_ever_passes_a_ceiling(requests: list[tuple[float, float, int]], ceiling: float) -> None:
    """Truth: what arrives at the instrument, whatever was asked for."""
    speaker = GeneratorByTheManual()
    role = Generator(speaker, DIALECT, GeneratorCeilings(ceiling, 2.0, (20.0, 20_000.0)))
    asyncio.run(_drive(speaker, role, requests))
    assert all(level <= ceiling for level in speaker.levels)
    assert all(length <= 2.0 * (1 + 1e-9) for length in speaker.bursts_s)
    assert speaker.tone_levels == []


@settings(max_examples=200, deadline=None, database=None)
@given(requests=REQUESTS, reopen_at=st.frozensets(st.integers(0, 60), max_size=3))
def test_a_restart_at_any_message_fires_nothing_unprepared(
    requests: list[tuple[float, float, int]], reopen_at: frozenset[int]
) -> None:
    """A restarted instrument has burst off and fires by itself: no tone may come of it."""
    speaker = GeneratorByTheManual(reopen_at=reopen_at)
    role = Generator(speaker, DIALECT, GeneratorCeilings(1.0, 2.0, (20.0, 20_000.0)))
    asyncio.run(_drive(speaker, role, requests))
    assert all(level <= 1.0 for level in speaker.levels)
    assert all(length <= 2.0 * (1 + 1e-9) for length in speaker.bursts_s)
    assert speaker.tone_levels == []


async def test_a_level_in_volts_peak_to_peak() -> None:
    """1 Vrms of a sine is 2 sqrt 2 Vpp = 2.8284 V (closed form); rounded down, it is 0.99998 Vrms."""
    text = (resources.files("drivers") / "dialects" / "generator-a.toml").read_text(encoding="utf-8")
    text = text.replace('round = "down"', 'round = "down"\nconvert = "vrms_to_vpp"')
    text = text.replace(
        'samples = [{ reply = "+5.0000000E-01", means = 0.5 }, { reply = "+1.2700000E+00", means = 1.27 }]',
        'samples = [{ reply = "+2.8284271E+00", means = 1.0 }]',
    )
    text = text.replace("within = 0.00004 ", "within = 0.0001 ")
    speaker = GeneratorByTheManual()
    role = Generator(speaker, dialect_from_text(text, "mine.toml", "generator"), CEILINGS)
    await role.prepare()
    assert "SOUR1:VOLT:UNIT VPP" in speaker.told
    burst = await role.set_burst(1.0, 1000.0, 1)
    assert speaker.levels[-1] == 2.8284
    assert burst.level_vrms == pytest.approx(2.8284 / (2 * math.sqrt(2)))
    assert burst.level_vrms <= 1.0


@pytest.mark.parametrize("bad", [(0.0, 1.0, (1.0, 2.0)), (1.0, math.inf, (1.0, 2.0)), (1.0, 1.0, (2.0, 1.0))])
def test_ceilings_without_sense_are_refused(bad: tuple[float, float, tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="ceilings"):
        GeneratorCeilings(*bad)
