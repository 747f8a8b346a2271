"""What rows of a unit tell together, on paper: ratings, ohms and currents worked out here."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from sequencer.measurements.power_findings import burst_note, of_run
from sequencer.measurements.values import Context, Finding
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Rating, Unit

MORE_AT_1_PCT = 1.0477  # power at 1 % THD over that just unclipped, hard clip (closed form, harmonics to the 19th)


@cache
def bench() -> Bench:
    return load_bench("workshop").model


@cache
def unit() -> Unit:
    return load_unit("ferry_pa_60").model


def told(*rows: dict[str, Any], of: Unit | None = None) -> list[tuple[str | None, Finding]]:
    return list(of_run(Context(of or unit(), bench(), bench().bay[0], rows)))


def row(id: str, load: str, cycles: int, rail_v: float, **changed: Any) -> dict[str, Any]:
    """A row of two equal channels that clip hard at rail_v, at 1 kHz and 1 %."""
    ohm = bench().load[load].nominal_ohm
    power_w = MORE_AT_1_PCT * rail_v**2 / 2.0 / ohm
    channel = {"load_ohm": ohm, "power_w": power_w, "power_at_limit_w": power_w, "power_expanded_uncertainty_w": 1.0}
    rails = [{"at_unit_v": 23.9, "at_unit_before_v": 24.0, "amps": 5.0}]
    return {
        "id": id, "measurement": "output_power", "outcome": "measured", "stopped_by": "thd", "load": load,
        "frequency_hz": 1000.0, "cycles": cycles, "supply_nominal_v": 24.0, "channels_driven": ["A", "B"],
        "stop_limit": 1.0, "stop_quantity": "thd", "rail_note": None, "stopped_by_channel": "A", "reason": None,
        "channels": [channel | {"channel": name, "thd_pct": 1.0} for name in "AB"], "rails": rails,
    } | changed  # fmt: skip


def settled_v(no_load_v: float, source_ohm: float, load: str) -> float:
    """Rail of two channels after a long while: V = V0 / (1 + R (2/pi) 2/Z), mean class B current."""
    return no_load_v / (1.0 + source_ohm * 2.0 / math.pi * 2.0 / bench().load[load].nominal_ohm)


def rail_v(no_load_v: float, source_ohm: float, tau_s: float, cycles: int, load: str) -> float:
    """On the way there, at the middle of the last cycle (closed form of a first-order circuit)."""
    end = settled_v(no_load_v, source_ohm, load)
    faster = no_load_v / end
    return end + (no_load_v - end) * math.exp(-(cycles - 0.5) / 1000.0 * faster / tau_s)


def searched(source_ohm: float) -> list[dict[str, Any]]:
    cases = [(load, n) for load in ("8R", "4R") for n in (1, 8, 20)]
    return [
        row(f"p{k}", load, n, rail_v(33.6, source_ohm, 0.008, n, load)) for k, (load, n) in enumerate(cases, start=1)
    ]


# --- the inner rail


def test_a_source_half_as_large_again_is_found() -> None:
    """0.5 ohm is what a sound unit has; its ratings, 60 W and 100 W, allow (V8 - V4)/(g4 V4 - g8 V8) = 0.66 ohm with
    V = sqrt(2 P Z) and g = (2/pi) 2/Z (closed form)."""
    assert told(*searched(0.5)) == []
    ((point, found),) = told(*searched(0.75))
    assert (point, found.kind, found.channel) == ("p6", "weak rail", None)
    assert "4R" in found.sentence


def test_without_two_ratings_our_own_bound_holds() -> None:
    """A fall of 16.5 % at the lowest load: at two times 4 ohm a source of 0.62 ohm (closed form)."""
    plain = unit().model_copy(update={"rating": ()})
    assert told(*searched(0.5), of=plain) == []
    assert [f.kind for _, f in told(*searched(0.75), of=plain)] == ["weak rail"]


def test_two_long_bursts_give_a_lower_bound() -> None:
    """Only 20 cycles at both loads: a source of 1 ohm is found; of 0.5 ohm nothing is said."""
    long = [one for one in searched(1.0) if one["cycles"] == 20]
    assert [f.kind for _, f in told(*long)] == ["weak rail"]
    assert told(*[one for one in searched(0.5) if one["cycles"] == 20]) == []


@pytest.mark.parametrize("changed", [{"stopped_by": "limited"}, {"rail_note": "rail moved"}, {"frequency_hz": 50.0}])
def test_rows_that_say_nothing_of_the_rail_are_left_out(changed: dict[str, Any]) -> None:
    """Another end than a clip, a rail that the supply moved, and a tone within whose cycle the rail moves."""
    assert told(*[one | changed for one in searched(1.0)]) == []


# --- the supply's lead


@pytest.mark.parametrize(("lead_ohm", "found"), [(0.012, False), (0.08, True)])
def test_the_lead_from_the_supply(lead_ohm: float, found: bool) -> None:
    """Ohm's law: two channels of 100 W take 4/pi x 200 W / 0.88 at the unit, so about 12.5 A; 80 mohm take 1 V of it,
    the file's 12 mohm 0.15 V, below 3 %."""
    watts = 200.0
    amps = 4.0 / math.pi * watts / 0.88 / 23.0
    heavy = row("p1", "4R", 20, math.sqrt(2 * 100.0 / MORE_AT_1_PCT * 4.0))
    heavy["rails"] = [{"at_unit_v": 24.0 - amps * lead_ohm, "at_unit_before_v": 24.0, "amps": 8.0}]
    kinds = [one.kind for _, one in told(heavy)]
    assert kinds == (["supply lead"] if found else [])
    if found:
        ((_, one),) = told(heavy)
        assert "80 mohm" in one.sentence or "79 mohm" in one.sentence


# --- single words


def test_a_gain_far_away_is_told_once_a_channel() -> None:
    reason = "gain of channel B is -56.0 dB where 26.0 dB is expected: check wiring, controls and the load"
    rows = [row(f"p{k}", "8R", 8, 30.0, outcome="not_measured", reason=reason, channels=[], rails=[]) for k in (1, 2)]
    ((point, found),) = told(*rows)
    assert (point, found.kind, found.channel) == ("p1", "gain away", "B")


def test_a_first_cycle_behind_a_coupling_is_explained_not_found() -> None:
    """50 Hz behind 3 Hz: nearer than 20 times the corner; at 1 kHz it is not."""
    short, long = row("p2", "8R", 1, 29.0, frequency_hz=50.0), row("p1", "8R", 20, 30.0, frequency_hz=50.0)
    context = Context(unit(), bench(), bench().bay[0], ())
    note = burst_note(context, short, [long, short])
    assert note is not None
    assert "coupling" in note
    assert burst_note(context, long, [long, short]) is None
    assert burst_note(context, short | {"frequency_hz": 1000.0}, [long | {"frequency_hz": 1000.0}]) is None


def test_context_is_not_changed() -> None:
    """Findings are drawn from rows, and leave them alone."""
    rows = searched(0.75)
    before = [dict(one) for one in rows]
    context = Context(unit(), bench(), bench().bay[0], tuple(rows))
    of_run(replace(context))
    assert rows == before


def test_a_rating_of_other_channels_is_no_measure_of_the_rail() -> None:
    """Ratings of one channel driven say nothing of two at once: our own bound holds then, and 0.5 ohm is sound."""
    ratings = tuple(
        Rating(load_ohm=ohm, supply_v=24.0, power_w=watts, channels_driven=1, cycles=20)
        for ohm, watts in ((8.0, 60.0), (4.0, 118.0))
    )
    assert told(*searched(0.5), of=unit().model_copy(update={"rating": ratings})) == []
