"""What a bench file says of what a person does there, and cannot mean. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.errors import Problem
from sequencer.plan.ammeter import CLAMP, SHUNT
from sequencer.plan.models import Bench
from sequencer.plan.wording import key_path, shown

NOBODY_SWITCHES = "no [role.load_switch] switches it: leave it out, or add that role"


def by_hand_problems(bench: Bench, file: str) -> list[Problem]:
    """Without a load switch there are no contacts, and one bay; without a supply no relay in its lead, yet volts."""
    found: list[Problem] = []
    if "load_switch" in bench.by_hand:
        found += _no_switch(bench, file)
    if "supply" in bench.by_hand and "cut_off" in bench.role:
        remedy = "with no [role.supply] nothing tells whether the unit is powered: leave it out, or add that role"
        found.append(Problem(file, "role.cut_off", "(table)", remedy))
    found += _ammeters(bench, file)
    return found


def _no_switch(bench: Bench, file: str) -> Iterator[Problem]:
    for name, load in bench.load.items():
        if load.contacts():
            remedy = "no [role.load_switch] closes them: by_hand = true, or add that role"
            yield Problem(file, f"{key_path(('load', name))}.close", shown(load.close), remedy)
    if len(bench.bay) > 1:
        remedy = "without [role.load_switch] nothing parts two bays: leave one, or add that role"
        yield Problem(file, "bay[1].name", shown(bench.bay[1].name), remedy)
    bay = bench.bay[0]
    contacts = {
        "supply_contact": bay.supply_contact,
        "input_contact": bay.input_contact,
        "input_contacts": bay.input_contacts,
        "output_contacts": bay.output_contacts,
        "remote_contact": bay.remote_contact,
    }
    for key, contact in contacts.items():
        if contact:
            yield Problem(file, f"bay[0].{key}", shown(contact), NOBODY_SWITCHES)
    for channel, names in (bench.meter.close if bench.meter else {}).items():
        if names:
            yield Problem(file, f"meter.close.{channel}", shown(names), NOBODY_SWITCHES)


def _ammeters(bench: Bench, file: str) -> Iterator[Problem]:
    for wire, key in ((SHUNT, "ohm"), (CLAMP, "v_per_a")):
        name = bench.input_for(wire)
        if name is None:
            continue
        if name not in bench.input or getattr(bench.input[name], key) is None:
            remedy = f'it is wired to "{wire}": say how many volts an ampere makes there'
            yield Problem(file, f"input.{name}.{key}", "(nothing)", remedy)
    for name, one in bench.input.items():
        if one.v_per_a is not None and bench.wiring.get(name) != CLAMP:
            yield Problem(file, f"input.{name}.v_per_a", shown(one.v_per_a), f'only an input wired to "{CLAMP}" has it')
    if bench.input_for(SHUNT) and bench.input_for(CLAMP):
        yield Problem(file, "wiring", shown(CLAMP), f'"{SHUNT}" sees the same current: wire one of them')
