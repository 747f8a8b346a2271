"""`bench_check` over real sockets: a sound bench and unit raise nothing, and each planted fault is named once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from sequencer.plan.models import Fingerprint
from simulators.bench import BenchSpec
from simulators.world.channel_truth import ResidueTruth
from tests.wire.checks_on_wire import (
    bench_in_truth,
    checked_on_wire,
    checks_bench,
    plan_of_checks,
    really,
    unit_in_truth,
    unit_on_paper,
)

CHECK = plan_of_checks("bench_check")


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("letter", ["a", "b"])
def test_a_sound_bench_and_unit_raise_nothing(letter: str, seed: int) -> None:
    """Healthy spread of the unit, instruments within what the bench declares: common practice, no source."""
    found = checked_on_wire(CHECK, declared=checks_bench(letter, letter), seed=seed)
    assert found.kinds == []
    ((row, _),) = found.night.values
    assert (row["outcome"], row["channels_driven"]) == ("measured", ["A", "B"])
    assert max(found.night.commanded_vrms) <= 0.4 / 10 ** (26.0 / 20.0)
    assert found.night.safe[-1].confirmed


def test_figures_are_those_planted() -> None:
    """Ohm's law, the divider of output ohms, and a clock that runs 18 ppm fast and so reads 18 ppm low: closed
    forms; tolerances are what the planted errors of instruments are worth."""
    found = checked_on_wire(CHECK)
    assert found.number("bench_check", "clock ratio") == pytest.approx(-18.0, abs=2.0)
    for channel, ohm in (("A", 7.98), ("B", 8.03)):
        assert found.number("bench_check", "load 8R by volts and amps", channel) == pytest.approx(ohm, rel=0.015)
        assert found.number("bench_check", "output resistance", channel) == pytest.approx(0.012, abs=0.0005)
    assert found.number("bench_check", "supply at its terminals") == pytest.approx(24.0 * (1 - 6e-4), abs=0.003)


def with_ohm(load: str, channel: str, ohm: float) -> Callable[[BenchSpec], BenchSpec]:
    def change(spec: BenchSpec) -> BenchSpec:
        contacts, _ = spec.loads[load][channel]
        return replace(spec, loads={**spec.loads, load: {**spec.loads[load], channel: (contacts, ohm)}})

    return change


def swapped(spec: BenchSpec) -> BenchSpec:
    return replace(spec, wiring={**spec.wiring, 1: "output B", 2: "output A"})


def at_the_dead_terminal(spec: BenchSpec) -> BenchSpec:
    return replace(spec, wiring={**spec.wiring, 2: "leg B minus"})


def with_probe(number: int, factor: float) -> Callable[[BenchSpec], BenchSpec]:
    return lambda spec: replace(spec, probe_factors={**spec.probe_factors, number: factor})


REALLY: list[tuple[Callable[[BenchSpec], BenchSpec], tuple[str, str | None]]] = [
    (swapped, ("channels crossed", None)),
    (at_the_dead_terminal, ("probe off", "B")),
    (with_probe(1, 1.0), ("probe", "A")),
    (with_probe(3, 1.0), ("probe", None)),
    (with_ohm("4R", "A", 4.02 + 0.1), ("contact or lead resistance", "A")),
    (with_ohm("8R", "B", 4.0), ("wrong load", "B")),
]


@pytest.mark.parametrize(("change", "kind"), REALLY)
def test_what_is_wired_otherwise_is_named_once(
    change: Callable[[BenchSpec], BenchSpec], kind: tuple[str, str | None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Crossed outputs, a clip on the wrong terminal, a probe at x1, 0.1 ohm of contact, 4 ohm for 8."""
    really(monkeypatch, change)
    assert checked_on_wire(CHECK).kinds == [kind]


TRUE_BENCH: list[tuple[dict[str, Any], tuple[str, str | None]]] = [
    ({"clock_ppm": 240.0}, ("clock", None)),
    ({"inputs": {1: {"range_gain_errors": {0.2: 0.05}}}}, ("digitiser range", "A")),
    ({"input_hum_v": ((50.0, 0.0012),)}, ("input ground", None)),
    ({"inputs": {2: {"open_ground_hum_v": 0.0015}}}, ("hum", "B")),
    ({"supply": {"sense": "open", "open_sense_v": 0.42}}, ("supply sense", None)),
    ({"supply": {"lead_ohm": 0.9}}, ("supply lead", None)),
    ({"contact_ohm": {"103": 0.12}}, ("contact or lead resistance", "A")),
]


@pytest.mark.parametrize(("truth", "kind"), TRUE_BENCH)
def test_what_the_bench_really_is_is_named_once(truth: dict[str, Any], kind: tuple[str, str | None]) -> None:
    assert checked_on_wire(CHECK, bench=bench_in_truth(**truth)).kinds == [kind]


HUM_100 = ResidueTruth(hum_v=((100.0, 0.012),))
TRUE_UNIT: list[tuple[dict[str, Any], tuple[str, str | None]]] = [
    ({"inverted": True}, ("polarity", "B")),
    ({"fault": "dead"}, ("no output", "B")),
    ({"fault": "open"}, ("no output", "B")),
    ({"fault": "shorted"}, ("shorted output", "B")),
    ({"gain_db": 24.4}, ("gain not as its file", "B")),
    ({"residue": HUM_100}, ("hum", "B")),
    ({"noise_vrms": 0.02}, ("noise", "B")),
]


@pytest.mark.parametrize(("own", "kind"), TRUE_UNIT)
def test_what_the_unit_really_is_is_named_once(own: dict[str, Any], kind: tuple[str, str | None]) -> None:
    found = checked_on_wire(CHECK, unit_in_truth(own_b=own))
    assert found.kinds == [kind]
    if own.get("fault") == "shorted":
        assert found.values("bench_check").no_drive is not None
        assert max(found.night.commanded_vrms) <= 0.05 / 10 ** (26.0 / 20.0) * 1.05


def test_a_dead_zone_is_told_as_what_it_is() -> None:
    """An idle current far below what keeps the dead zone away: the gain at 50 mV is not that at 0.4 V, and neither is
    taken for another unit's."""
    zone = {"crossover_v": 0.05}
    last = unit_on_paper(fingerprint=Fingerprint(gain_db={"A": 26.1, "B": 25.9}, idle_a=1.1))
    found = checked_on_wire(CHECK, unit_in_truth(zone, zone, idle_a=0.3, healthy_idle_a=1.0), on_paper=last)
    assert found.kinds == [("gain depends on level", "A"), ("gain depends on level", "B")]


def test_an_open_output_and_a_dead_one_are_told_apart() -> None:
    """A stage that is alive makes noise, a wire that hangs free makes none of it; 3 mV are well above a step."""
    loud = {"noise_vrms": 0.003}
    dead = checked_on_wire(CHECK, unit_in_truth(loud, loud | {"fault": "dead"})).values("bench_check")
    gone = checked_on_wire(CHECK, unit_in_truth(loud, loud | {"fault": "open"})).values("bench_check")
    assert "its noise is there" in dead.findings[0].sentence
    assert "not even the noise" in gone.findings[0].sentence


def test_another_unit_in_this_bay_than_its_serial_says() -> None:
    """This serial's last gains were 26.8 and 25.3 dB; the ones read are 26.1 and 25.9."""
    last = unit_on_paper(fingerprint=Fingerprint(gain_db={"A": 26.8, "B": 25.3}, idle_a=1.1))
    found = checked_on_wire(CHECK, on_paper=last)
    assert found.kinds == [("not the unit expected", None)]


def test_a_wrong_load_keeps_the_unit_from_being_driven(monkeypatch: pytest.MonkeyPatch) -> None:
    """4 ohm where 8 are written: no watt of it would be right."""
    really(monkeypatch, with_ohm("8R", "A", 4.0))
    found = checked_on_wire(plan_of_checks("bench_check", "output_power"))
    assert found.night.points[0].row["outcome"] == "not_measured"
    assert "wrong load" in found.night.points[0].row["reason"]
