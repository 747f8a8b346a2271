"""The supply's current as a digitiser input sees it: a shunt or a clamp in its lead. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.plan.models import Bench, Input

SHUNT, CLAMP = "shunt in the supply lead", "clamp on the supply lead"


@dataclass(frozen=True)
class Ammeter:
    """volts_per_a: at the sensor. own_pct: half-width of its gain; zero_a: of its zero, which is taken anew each time
    before the supply is switched on. highest_hz: what it follows; None: more than the digitiser."""

    input: str
    wire: str
    volts_per_a: float
    own_pct: float
    zero_a: float
    highest_hz: float | None


def ammeter(bench: Bench) -> Ammeter | None:
    """None where no input sees it, or its volts per ampere are not declared."""
    for wire in (SHUNT, CLAMP):
        name = bench.input_for(wire)
        one = bench.input.get(name, Input()) if name is not None else Input()
        volts = one.ohm if wire == SHUNT else one.v_per_a
        if name is not None and volts is not None:
            zero_a = one.zero_uncertainty_a or one.offset_uncertainty_v * one.factor / volts
            return Ammeter(name, wire, volts, one.gain_uncertainty_pct, zero_a, one.bandwidth_hz)
    return None


def ammeter_input(bench: Bench) -> str | None:
    found = ammeter(bench)
    return None if found is None else found.input
