"""1,000 plans, units and benches drawn by number: whatever is not refused is driven by the real measurements, wiring
and roles, and what arrives is read as the programming pages print it.

Nothing of it lies beyond a ceiling of the bench, a limit of the unit or a rating of the load, whatever the unit or the
digitiser says.
"""

from __future__ import annotations

import asyncio
import math
import os
from collections import Counter
from collections.abc import Mapping
from typing import get_args

import pytest

from drivers.errors import CeilingPassed
from sequencer.measurements.output_power import OverloadRemains
from sequencer.measurements.requests import Fire
from sequencer.night.wiring import Trip
from sequencer.plan.models import Load, MeasurementName
from sequencer.plan.points import AnyPoint
from tests.sequencer.driven_draws import Bench, Course, Driven, Ended
from tests.sequencer.random_benches import Drawn, draw

DRAWS = int(os.environ.get("CEILING_DRAWS", "1000"))
BATCH = 100
HARMLESS_VRMS = 0.5  # at the output (common practice, no source)
AWAY_DB = 6.0  # a gain farther from its file is not driven: the project's own promise
NEAR_DB = 0.35  # what a shot may pass a limit of the output by: the reading of the gain, at 12 bit and with noise


def driven(drawn: Drawn) -> Driven:
    """The draw, driven to its end, and everything of it that lies beyond."""
    found, bench = Driven(drawn), Bench(drawn)
    try:
        asyncio.run(Course(bench, found).go())
    except (Ended, Trip, OverloadRemains) as why:
        found.ends[f"{type(why).__name__}: {str(why)[:30]}"] += 1
    except CeilingPassed as passed:
        found.beyond += [str(passed)] if "below the least level" not in str(passed) else []
        found.ends["below the least level"] += 1
    found.beyond += [*bench.generator.beyond, *bench.supply.beyond]
    for point, fire, loaded in found.asked:
        words = beyond(bench, point, fire, loaded=loaded)
        found.beyond += [f"{point.measurement}, {fire.purpose}: {one}" for one in words]
    return found


def beyond(bench: Bench, point: AnyPoint, fire: Fire, *, loaded: bool = True) -> list[str]:
    """What a burst asked for has too much of, by arithmetic of its own: P = V^2/2R, E = P t (closed forms).

    With readings that are true, the output wanted by the true gain is held against every limit; with readings that
    lie, that by the file's gain, less the 6 dB within which a reading is believed. Without a load there are volts
    only.
    """
    world, load = bench.drawn.world, bench.drawn.bench.load[point.load]
    found = [f"{fire.level_vrms} Vrms"] if fire.level_vrms > bench.most.level_vrms else []
    for channel in point.channels:
        true_vrms = fire.level_vrms * bench.gain_of(channel)
        filed_vrms = fire.level_vrms * 10.0 ** (bench.declared_db(channel) / 20.0)
        vrms, room_db = (true_vrms, NEAR_DB) if world.honest else (filed_vrms, AWAY_DB + NEAR_DB)
        if filed_vrms <= HARMLESS_VRMS:
            continue
        limits = _limits(bench, load, channel, fire)
        for name, most_vrms in limits.items():
            if (loaded or name == "output_crest_v") and vrms > most_vrms * 10.0 ** (room_db / 20.0):
                found.append(f"{name}: {vrms:.3g} Vrms of {channel} where {most_vrms:.3g} are allowed")
    if (
        loaded
        and fire.cycles / fire.frequency_hz > load.burst_max_s * (1 + 1e-9)
        and not _is_harmless(bench, point, fire)
    ):
        found.append(f"{fire.cycles / fire.frequency_hz:.3g} s into a load of {load.burst_max_s} s at most")
    return found


def _is_harmless(bench: Bench, point: AnyPoint, fire: Fire) -> bool:
    most_db = max(bench.declared_db(channel) for channel in point.channels)
    return bool(fire.level_vrms * 10.0 ** (most_db / 20.0) <= HARMLESS_VRMS)


def _limits(bench: Bench, load: Load, channel: str, fire: Fire) -> Mapping[str, float]:
    """Vrms at the output of one channel that each declared limit allows; the sine that is wanted, not what clips."""
    unit, ceiling, ohm = bench.drawn.unit, bench.drawn.bench.ceiling, load.ohm[channel]
    burst_s = fire.cycles / fire.frequency_hz
    crest_v, watts = unit.limit.output_crest_v, (ceiling.output_w, unit.limit.power_w)
    joules = (load.burst_j, unit.limit.energy_per_burst_j)
    found = {"output_crest_v": crest_v / math.sqrt(2.0)} if crest_v is not None else {}
    most_w, most_j = (min((x for x in few if x is not None), default=math.inf) for few in (watts, joules))
    return found | {"watts": math.sqrt(most_w * ohm), "joules": math.sqrt(most_j / burst_s * ohm)}


# --- the property


@pytest.mark.parametrize("batch", range(math.ceil(DRAWS / BATCH)))
def test_nothing_that_is_accepted_passes_a_ceiling(batch: int) -> None:
    """Truth: what the pages say of the messages, and the files' own limits by closed forms."""
    wrong, ends, bursts, accepted = [], Counter[str](), 0, 0
    for number in range(batch * BATCH, min((batch + 1) * BATCH, DRAWS)):
        drawn = draw(number)
        if drawn.refused():
            continue
        found = driven(drawn)
        accepted, bursts = accepted + 1, bursts + len(found.asked)
        ends.update(found.ends)
        wrong += [(number, words) for words in dict.fromkeys(found.beyond)]
    print(f"{accepted} driven with {bursts} bursts: {dict(ends)}")
    assert wrong == []
    assert bursts > 5 * accepted > 0, "hardly anything was driven"


def test_a_third_and_more_are_driven() -> None:
    """A property over nothing but refusals would say nothing: at least 300 of 1,000, and all that there is to measure.
    Most draws have one thing too many, and are told so."""
    accepted = [drawn for drawn in map(draw, range(1000)) if not drawn.refused()]
    measured = Counter(stage.measurement for drawn in accepted for stage in drawn.plan.stage)
    print(f"{len(accepted)} of 1000 accepted, {1000 - len(accepted)} refused: {dict(measured)}")
    assert 300 <= len(accepted) <= 900
    assert set(measured) == set(get_args(MeasurementName))
