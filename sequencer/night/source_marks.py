"""Which physical thing each source of uncertainty is: two runs share an error only where the thing is the same. Pure.

A mark holds what makes it that thing: serial and date of the instrument, and what the bench's file says of it. Where
no serial is declared, the bench's name stands for it.
"""

from __future__ import annotations

from sequencer.plan.models import Bench, RoleName


def source_marks(bench: Bench) -> dict[str, str]:
    """Mark by the source's id, of all sources of a power that stay the same from one run to the next."""
    wires = sorted(bench.wiring)
    marks: dict[str, str] = {}
    for wire in wires:
        if probe := bench.input.get(wire):
            worth = f"x {probe.factor:g}, {probe.gain_uncertainty_pct:g} % {probe.kind}"
            marks[f"probe:{wire}"] = f"bench {bench.name}, input {wire}, {worth}"
        for one in bench.range:
            if one.input in ("all", wire):
                put_right = f", corrected {one.corrected_on}" if one.corrected_on else ""
                worth = f"{one.full_scale_v:g} V, {one.gain_uncertainty_pct:g} % {one.kind}{put_right}"
                marks[f"range:{wire}:{one.full_scale_v:g}"] = f"{_who(bench, 'digitiser')}, {worth}"
    for name, load in bench.load.items():
        when = f", measured {load.measured}" if load.measured else ""
        for channel, ohm in load.ohm.items():
            worth = f"{ohm:g} ohm, {load.uncertainty_ohm:g} ohm{when}"
            marks[f"load:{name}:{channel}"] = f"bench {bench.name}, {worth}"
    if bench.meter is not None:
        worth = f"{bench.meter.accuracy_pct:g} % + {bench.meter.range_accuracy_pct:g} % {bench.meter.kind}"
        marks["meter"] = f"{_who(bench, 'meter')}, {worth}"
    return marks


def _who(bench: Bench, role: RoleName) -> str:
    """The instrument, and the calibration its error stays the same in."""
    found = bench.role.get(role)
    if found is None or not found.serial:
        return f"{role} of bench {bench.name}{f', calibrated {found.calibrated}' if found and found.calibrated else ''}"
    return f"{role} {found.serial}{f', calibrated {found.calibrated}' if found.calibrated else ''}"
