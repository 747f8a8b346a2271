"""`terminal_scan` over real sockets: a person moves a probe over terminals that are wired otherwise than the files say,
and each miswiring is named once. The truth is where the simulated probe really was.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import pytest

from sequencer.measurements.requests import Answer, Ask
from sequencer.measurements.values import Values
from sequencer.night.night import Doing
from sequencer.plan.models import Unit, UnitChannel
from simulators.world.digitise import Digitiser
from simulators.world.unit_truth import UnitTruth
from tests.wire import wire_bench
from tests.wire.checks_on_wire import checked_on_wire, checks_bench, plan_of_checks, unit_in_truth, unit_on_paper

SCAN = plan_of_checks("terminal_scan")
TERMINAL = re.compile(r"terminal (\w \w+)")
NOWHERE = "output Z"  # no such output in this bay: a wire that carries nothing of its unit
SOUND = {f"{c} {leg}": f"leg {c} {leg}" for c in "AB" for leg in ("plus", "minus")}


@dataclass
class Person:
    """Puts the probe of ch1 where it is asked. terminals: what is really there. back: where it ends up."""

    terminals: dict[str, str]
    shell_ohm: str = "470"
    back: str = "output A"
    at: str = "output A"
    asked: list[str] = field(default_factory=list)

    async def __call__(self, ask: Ask) -> Answer:
        self.asked.append(ask.question)
        if "ohmmeter" in ask.question:
            return Answer(self.shell_ohm, by_a_person=True)
        if found := TERMINAL.search(ask.question):
            self.at = self.terminals[found[1]]
        elif "input's shell" in ask.question:
            self.at = "input ground"
        elif "back" in ask.question:
            self.at = self.back
        return Answer(ask.choices[0], by_a_person=True)


@dataclass
class Scanned:
    values: Values
    row: dict[str, Any]
    loudest_vrms: float

    @property
    def kinds(self) -> list[tuple[str, str | None]]:
        return [(f.kind, f.channel) for f in self.values.findings]


def scanned(
    monkeypatch: pytest.MonkeyPatch,
    person: Person,
    unit: Unit | None = None,
    truth: UnitTruth | None = None,
    inputs_apart: bool = False,
) -> Scanned:
    as_wired = Digitiser.codes

    def where_the_probe_is(self: Any, record: Any, inputs: Any) -> Any:
        self._wiring[1] = person.at
        return as_wired(self, record, inputs)

    monkeypatch.setattr(Digitiser, "codes", where_the_probe_is)
    monkeypatch.setattr(wire_bench, "Doing", partial(Doing, asking=person))
    apart = {"input_contacts": {"A": "210", "B": "211"}} if inputs_apart else {}
    found = checked_on_wire(SCAN, truth, on_paper=unit, declared=checks_bench(**apart))
    ((row, values),) = found.night.values
    return Scanned(values, row, max(found.night.commanded_vrms))


def test_a_sound_wiring_is_drawn_and_nothing_is_raised(monkeypatch: pytest.MonkeyPatch) -> None:
    """50 mV by 26 dB of its file, 26.1 dB in truth: 50.6 mV; the shell stands at the drop of 1.1 A along the minus
    half of a lead of 12.4 mohm, 6.8 mV (Ohm's law)."""
    person = Person(dict(SOUND))
    found = scanned(monkeypatch, person)
    assert (found.kinds, found.values.no_drive) == ([], None)
    states = {t["terminal"]: t["state"] for t in found.row["wiring_found"]["terminals"]}
    minus = "at the supply's minus"
    assert states == {"A plus": "live", "A minus": minus, "B plus": "live", "B minus": minus}
    (live,) = [v for v in found.values.values if (v.name, v.channel) == ("terminal plus", "A")]
    assert live.value == pytest.approx(0.05 * 10 ** (0.1 / 20.0), rel=0.02)
    assert found.row["wiring_found"]["shell_v"] == pytest.approx(1.1 * 0.0124 / 2.0, abs=0.01)
    assert found.loudest_vrms <= 0.05 / 10 ** (26.0 / 20.0) * 1.01  # never louder than 50 mV by its file
    assert all("It is off" in one for one in person.asked[1:])


def bridged_on_paper() -> Unit:
    return unit_on_paper(channel=(UnitChannel(name="A", live_terminal="both"), UnitChannel(name="B")))


def test_a_bridge_has_two_live_terminals_at_half_the_supply(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each leg half the volts, at 12 V of 24: textbook. Told as single in its file, both are named and not driven."""
    bridge = replace(unit_in_truth(), bridged=True)
    found = scanned(monkeypatch, Person(dict(SOUND)), truth=bridge)
    assert found.kinds == [("live terminal", "A"), ("live terminal", "B")]
    legs = [t for t in found.row["wiring_found"]["terminals"] if t["terminal"].startswith("A")]
    assert [t["state"] for t in legs] == ["live", "live, the other way round"]
    for leg in legs:
        assert leg["tone_vrms"] == pytest.approx(0.025 * 10 ** (0.1 / 20.0), rel=0.1)
        assert leg["rest_v"] == pytest.approx(12.0, rel=0.02)


SWAPPED = SOUND | {"B plus": "leg B minus", "B minus": "leg B plus"}
CROSSED = {"A plus": "leg B plus", "A minus": "leg B minus", "B plus": "leg A plus", "B minus": "leg A minus"}
PLANTED: dict[str, tuple[dict[str, str], list[tuple[str, str | None]], dict[str, Any]]] = {
    "swapped terminals": (SWAPPED, [("live terminal", "B")], {}),
    "minus grounded": (SOUND, [("minus grounded", "A")], {"unit": bridged_on_paper()}),
    "output to another bay": (dict.fromkeys(SOUND, NOWHERE), [("outputs elsewhere", None)], {}),
    "crossed outputs": (CROSSED, [("channels crossed", "A"), ("channels crossed", "B")], {"inputs_apart": True}),
}


@pytest.mark.parametrize("planted", PLANTED)
def test_each_miswiring_is_named_and_then_nothing_is_driven(planted: str, monkeypatch: pytest.MonkeyPatch) -> None:
    terminals, kinds, more = PLANTED[planted]
    found = scanned(monkeypatch, Person(terminals), **more)
    assert found.kinds == kinds
    assert found.values.no_drive is not None
    assert not found.row["wiring_found"]["as_declared"]


def test_a_probe_that_is_not_put_back_keeps_the_unit_from_being_driven(monkeypatch: pytest.MonkeyPatch) -> None:
    found = scanned(monkeypatch, Person(dict(SOUND), back="leg B minus"))
    assert found.kinds == [("probe off", None)]
    assert found.values.no_drive == "not driven: the probe of ch1 does not see what it saw before it was moved"
