"""`endurance` over real sockets against truths planted here: a contact that opens when it is hot, an offset that jumps,
a stage without idle current; and a sound unit, of which nothing is told.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import pytest

from sequencer.measurements.values import Values
from simulators.world.channel_truth import ContactTruth
from simulators.world.truth_files import shipped_bench
from simulators.world.unit_truth import UnitTruth
from tests.sequencer.paper_checks import kinds, number
from tests.sequencer.test_endurance import dead_zone_db
from tests.wire.unit_nights import bench, night, plan, sound, stage, unit
from tests.wire.wire_bench import Wired

OFTEN = ContactTruth(opens_every_s=1.1, opens_for_s=0.05, from_c=38.0, leaves=0.25)
OPTIONS = {"minutes": 3.0, "power_cycles": 2}


def warm_bench() -> Wired:
    """The workshop, with bursts of ten seconds and a thermometer for each channel."""
    loaded = bench()
    eight = loaded.model.load["8R"].model_copy(update={"burst_max_s": 10.0, "burst_j": 1000.0})
    first = loaded.model.bay[0]
    first = first.model_copy(update={"thermometer": first.thermometer or {"A": "301", "B": "302"}})
    model = loaded.model.model_copy(
        update={
            "load": dict(loaded.model.load) | {"8R": eight},
            "ceiling": loaded.model.ceiling.model_copy(update={"burst_s": 10.0}),
            "bay": (first, *loaded.model.bay[1:]),
        }
    )
    return Wired(replace(loaded, model=model), shipped_bench())


def of(truth: UnitTruth) -> Values:
    """Heat sinks so small that three minutes warm them; devices are warmer still."""
    quick = replace(truth, heat=replace(truth.heat, j_per_k=40.0, k_per_w=1.2))
    done = night(quick, plan(stage("endurance", ("8R",), options=OPTIONS)), warm_bench(), unit())
    (values,) = [values for _, values in done.values]
    return values


def channel_b(**changed: object) -> UnitTruth:
    a, b = sound().channels
    return replace(sound(), channels=(a, replace(b, **changed)))  # type: ignore[arg-type]


@cache
def planted() -> Values:
    """All three in one night: B's contact and its offset when hot, A's dead zone at too little idle current."""
    one = channel_b(contact=OFTEN, offset_jump_v=0.04, offset_jumps_at_c=38.0)
    a = replace(one.channels[0], crossover_v=0.012)
    feed = replace(one.feed, idle_a=1.0, healthy_idle_a=2.0, idle_per_k=0.0)
    return of(replace(one, channels=(a, one.channels[1]), feed=feed))


def test_a_sound_unit_is_told_nothing() -> None:
    """1 W at most by U^2 / R into the measured ohms, 60 / 8 = 7.5 W; B has 0.09 dB less gain. 3 %: probes and ranges
    are 0.5 and 1 % each, squared."""
    found = of(sound())
    assert kinds(found) == []
    for channel, lacks in (("A", 1.0), ("B", 10.0 ** (-0.09 / 10.0))):
        assert number(found, "power held, small", channel) == pytest.approx(lacks, rel=0.03)
        assert number(found, "power held, at 1/8", channel) == pytest.approx(lacks * 60.0 / 8.0, rel=0.03)
        assert number(found, "bursts with a drop-out", channel) == 0.0


def test_a_contact_that_opens_when_hot() -> None:
    """A quarter of the volts is 12.04 dB less; 50 ms, in blocks of 10 ms."""
    found = planted()
    assert ("drop-out", "B") in kinds(found)
    assert ("drop-out", "A") not in kinds(found)
    rows = [row for row in found.extra["endurance_cycles"] if row["furthest_db"] is not None]
    assert {row["channel"] for row in rows} == {"B"}
    for row in rows:
        assert row["furthest_db"] == pytest.approx(20.0 * math.log10(0.25), abs=0.2)
        assert row["longest_s"] == pytest.approx(0.05, abs=0.011)


def test_an_offset_that_jumps_when_hot() -> None:
    found = planted()
    assert ("offset jump", "B") in kinds(found)
    assert ("offset jump", "A") not in kinds(found)
    assert number(found, "largest change of offset", "B") == pytest.approx(0.04, abs=0.006)


def test_a_dead_zone_at_10_mv() -> None:
    """12 mV of dead zone at half of the idle current that closes it: 6 mV, by Fourier's integral."""
    found = planted()
    assert ("gain at 10 mV", "A") in kinds(found)
    cold = [row["cold_small_less_db"] for row in found.extra["endurance_cycles"] if row["channel"] == "B"]
    assert cold == pytest.approx([0.0, 0.0], abs=0.2)
    seen_db = number(found, "gain at 10 mV re that at the small power", "A")
    assert seen_db == pytest.approx(dead_zone_db(0.006, 0.01), abs=0.3)
