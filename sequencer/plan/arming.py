"""What is shown before real instruments are energised: the most that the plan can do, what guards it. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sequencer.plan.check_table import Checked, promise_lines
from sequencer.plan.models import Bench
from sequencer.plan.unattended import seen

WORD = "energise"
CAUTIONS = (
    "Software is never the only protection: fuses, thermal cut-outs and a hand-operated emergency stop come first.",
    "Loads and heat sinks get hot. Both terminals of a bridged output are live. Capacitors stay charged when off.",
    "A tone at full power harms hearing: no loudspeaker may be connected. Local codes and licensed practice go first.",
)
DECLARED = (
    ("load_thermostat", "thermostat on the loads"),
    ("fuse_per_supply_lead", "a fuse per supply lead"),
    ("fireproof_base", "fire-proof base"),
    ("cut_off", "cut-off relay that drops when not fed"),
)


def arming_lines(every: Sequence[Checked]) -> list[str]:
    """Peak volts, watts, joules and amps per unit at most, the ceilings, the hardware that the bench declares."""
    lines = ["What this night may do to what is connected:"]
    for checked in every:
        lines += _of_unit(checked)
    bench = every[0].bench
    return [*lines, *_of_bench(bench), *promise_lines(bench, every[0].unit), *CAUTIONS]


def standing_lines(bench: Bench, every: Sequence[Checked]) -> list[str]:
    """For a queue that may grow while it is worked through. every: what is in it now, perhaps nothing."""
    lines = ["What may be done to what is connected, night after night, with nobody asked again:"]
    for checked in every:
        lines += _of_unit(checked)
    grows = "  and to any unit that is added to the queue later, as far as `check` and the bench's ceilings let it:"
    return [*lines, grows, *_of_bench(bench), *CAUTIONS]


def _of_unit(checked: Checked) -> Iterator[str]:
    costs, unit = checked.estimates, checked.unit
    crest_v = max((one.clip_v or 0.0 for one in costs), default=0.0)
    watts = max((one.power_w for one in costs), default=0.0)
    burst_j = max((one.burst_j for one in costs), default=0.0)
    amps = max((one.supply_a for one in costs), default=0.0)
    load_j, unit_j = sum(one.energy_load_j for one in costs), sum(one.energy_unit_j + one.idle_j for one in costs)
    loads = ", ".join(sorted({point.load for point in checked.points}))
    yield (
        f"  unit {unit.serial} ({unit.model}) into {loads}: up to {crest_v:.0f} V peak, {watts:.0f} W a channel, "
        f"{burst_j:.3g} J a burst, {amps:.1f} A of supply;"
    )
    yield (
        f"    {load_j:.0f} J into the loads, {unit_j:.0f} J of heat in the unit; "
        f"stop at {unit.heat.stop_c:g}, trip at {unit.heat.trip_c:g} degC"
    )


def _of_bench(bench: Bench) -> Iterator[str]:
    ceiling = bench.ceiling
    output = "" if ceiling.output_w is None else f", {ceiling.output_w:g} W at an output"
    yield (
        f"  bench {bench.name}: never above {ceiling.generator_vrms:g} Vrms of generator, {ceiling.supply_v:g} V and "
        f"{ceiling.supply_a:g} A of supply, {ceiling.burst_s:g} s of tone{output}"
    )
    if "cut_off" in bench.role:
        hold = f"dropped when not fed for {bench.cut_off.hold_s:g} s"
        yield f"  hardware proved each night before anything is powered: cut-off relay, {hold}"
    if "interlock" in bench.role:
        yield f"  hardware read while a unit may be powered: {', '.join(one.name for one in bench.interlock)}"
    yield f"  hardware declared{', not seen' if seen(bench) else ''}: {_declared(bench)}"


def _declared(bench: Bench) -> str:
    """What only the bench's file says."""
    have = seen(bench)
    there = [words for name, words in DECLARED if name not in have and getattr(bench.hardware, name)]
    if there:
        return ", ".join(there)
    return "none" if have else "none: bursts, and soaks up to 1/8 power only"
