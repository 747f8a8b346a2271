"""What a bench file says that cannot be meant, seen from that file alone. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from sequencer.errors import Problem
from sequencer.plan.models import BY_HAND, ROLES, Bay, Bench, Input, Load
from sequencer.plan.watching import FED_S
from sequencer.plan.within import twice
from sequencer.plan.within_by_hand import by_hand_problems
from sequencer.plan.wording import key_path, shown

FEEDS, FEED_MARGIN_S = 3, 0.5  # turns of the watch that may be missed, and an instrument's reply (our own judgement)
OHM_BELOW = 0.05  # measured ohms may lie that much below the nominal ones
LOOPBACK = re.compile(r"localhost|127(?:\.[0-9]{1,3}){3}", re.IGNORECASE)
SOCKET = re.compile(r"TCPIP[0-9]?::(?P<host>[A-Za-z0-9._-]+)::(?P<port>[0-9]{1,5})::SOCKET")
OTHER_LINKS = re.compile(r"(TCPIP[0-9]?|GPIB[0-9]?|USB[0-9]?|ASRL[^:]*)(::[^:\s]+)*::INSTR")


def bench_problems(bench: Bench, file: str) -> list[Problem]:
    """Roles, addresses, wiring, loads, bays, leads, digitiser, interlock, cut-off."""
    return [
        *_role_problems(bench, file),
        *_wiring_problems(bench, file),
        *(p for name, load in bench.load.items() for p in _load_problems(name, load, file)),
        *twice([bay.name for bay in bench.bay], "bay[{}].name", file),
        *_contact_problems(bench, file),
        *_unseen_contacts(bench, file),
        *by_hand_problems(bench, file),
        *_digitiser_problems(bench, file),
        *_meter_problems(bench, file),
        *_interlock_problems(bench, file),
        *_cut_off_problems(bench, file),
        *_prove_problems(bench, file),
        *(
            Problem(
                file,
                key_path(("lead", name)),
                "(table)",
                "only lead.supply has a meaning: the unit's supply lead",
            )
            for name in bench.lead
            if name != "supply"
        ),
    ]


def off_loopback(bench: Bench, file: str) -> list[Problem]:
    """Addresses that are not on this machine: refused by whoever would drive them for real. A dry run never uses
    them.
    """
    return [
        Problem(
            file,
            f"role.{name}.address",
            shown(role.address),
            "this version drives instruments on this machine only",
        )
        for name, role in bench.role.items()
        if not ((match := SOCKET.fullmatch(role.address)) and LOOPBACK.fullmatch(match["host"]))
    ]


def _role_problems(bench: Bench, file: str) -> Iterator[Problem]:
    for name in ROLES:
        if name not in bench.role and name not in BY_HAND:
            yield Problem(file, f"role.{name}", "(nothing)", f"this role is needed: add [role.{name}]")
    addresses: dict[str, str] = {}
    for name, role in bench.role.items():
        key = f"role.{name}.address"
        if not _is_address(role.address):
            yield Problem(file, key, shown(role.address), 'a VISA address, as in "TCPIP::127.0.0.1::5025::SOCKET"')
        if role.address in addresses:
            yield Problem(file, key, shown(role.address), f"role.{addresses[role.address]} has the same address")
        addresses.setdefault(role.address, name)
        if role.serial_line is not None and not role.address.upper().startswith("ASRL"):
            remedy = "only a serial address (ASRL/dev/...::INSTR) has one: take the table out"
            yield Problem(file, f"role.{name}.serial_line", "(table)", remedy)


def _is_address(text: str) -> bool:
    socket = SOCKET.fullmatch(text)
    return bool(OTHER_LINKS.fullmatch(text)) or bool(socket and 1 <= int(socket["port"]) <= 65535)


def _wiring_problems(bench: Bench, file: str) -> Iterator[Problem]:
    seen: dict[str, str] = {}
    for name, wire in bench.wiring.items():
        if wire in seen:
            yield Problem(file, f"wiring.{name}", shown(wire), f"{seen[wire]} is wired there already")
        seen.setdefault(wire, name)
    for leg, other in (("leg A plus", "leg A minus"), ("leg A minus", "leg A plus")):
        if bench.input_for(leg) is not None and bench.input_for(other) is None:
            yield Problem(file, "wiring", f'no "{other}"', f'"{leg}" alone shows no output: wire both legs')
    if (legs := bench.legs("A")) is not None:
        plus, minus = (bench.input.get(name, Input()) for name in legs)
        if plus.factor != minus.factor:
            remedy = f"one leg is taken from the other: the same factor as {legs[0]}, {plus.factor:g}"
            yield Problem(file, f"input.{legs[1]}.factor", shown(minus.factor), remedy)
        if "output A" in bench.wiring.values():
            remedy = "both its legs are wired: leave one or the other"
            yield Problem(file, "wiring", shown("output A"), remedy)
    for name in bench.input:
        if name not in bench.wiring:
            yield Problem(
                file,
                f"input.{name}",
                "(table)",
                f"this input is not wired: add {name} to [wiring], or leave it out",
            )
    for number, one in enumerate(bench.range):
        if one.input != "all" and one.input not in bench.wiring:
            yield Problem(file, f"range[{number}].input", shown(one.input), 'not wired: an input of [wiring], or "all"')


def _load_problems(name: str, load: Load, file: str) -> Iterator[Problem]:
    key = key_path(("load", name))
    if not load.ohm:
        yield Problem(file, f"{key}.ohm", "{ }", "measured ohms of at least one channel")
    if load.by_hand and load.contacts():
        remedy = "contacts switch it: leave them out, or by_hand"
        yield Problem(file, f"{key}.by_hand", "true", remedy)
    if not load.contacts() and not load.by_hand:
        remedy = "the contacts that connect it; or by_hand = true, where a person does"
        yield Problem(file, f"{key}.close", "[]", remedy)
    for channel, ohm in load.ohm.items():
        if ohm < (1.0 - OHM_BELOW) * load.nominal_ohm:
            remedy = f"more than 5 % below nominal_ohm = {load.nominal_ohm:g}: measure again, or correct that"
            yield Problem(file, f"{key}.ohm.{channel}", shown(ohm), remedy)
        if isinstance(load.close, dict) and channel not in load.close:
            yield Problem(file, f"{key}.close", shown(load.close), f"no contacts for channel {channel}, which has ohms")


def _contact_problems(bench: Bench, file: str) -> Iterator[Problem]:
    """Two loads may share a contact (4 ohm may be two resistors of 8); a bay shares none with anything."""
    owners: dict[str, str] = {}
    for name, load in bench.load.items():
        owners.update(dict.fromkeys(load.contacts(), f"load {name}"))
    for number, bay in enumerate(bench.bay):
        for key, contact in _bay_contacts(bay):
            if contact in owners:
                remedy = f"{owners[contact]} has this contact already"
                yield Problem(file, f"bay[{number}].{key}", shown(contact), remedy)
            owners.setdefault(contact, f"bay {bay.name}")


def _unseen_contacts(bench: Bench, file: str) -> Iterator[Problem]:
    """Relays that can't be read back: what they do is proved by what is measured behind them."""
    for name, role in bench.role.items():
        if not role.reads_back and name != "load_switch":
            yield Problem(file, f"role.{name}.reads_back", "false", "only a load switch may do without: leave it out")
    if bench.contacts_seen:
        return
    shunt = bench.input_for("shunt in the load return")
    if shunt is None or shunt not in bench.input or bench.input[shunt].ohm is None:
        remedy = (
            'then loads are proved by volts over amps alone: wire an input to a "shunt in the load return", with ohm'
        )
        yield Problem(file, "role.load_switch.reads_back", "false", remedy)


def _bay_contacts(bay: Bay) -> Iterator[tuple[str, str]]:
    single: Mapping[str, str | None] = {
        "supply_contact": bay.supply_contact,
        "input_contact": bay.input_contact,
        "remote_contact": bay.remote_contact,
    }
    yield from ((key, contact) for key, contact in single.items() if contact is not None)
    yield from ((f"input_contacts.{name}", contact) for name, contact in bay.input_contacts.items())
    yield from ((f"output_contacts[{n}]", contact) for n, contact in enumerate(bay.output_contacts))


def _meter_problems(bench: Bench, file: str) -> Iterator[Problem]:
    """It hangs on one output at a time, and each of its contacts does nothing else."""
    meter, has_role = bench.meter, "meter" in bench.role
    if meter is None:
        if has_role:
            remedy = "say what puts it on which output: add [meter] with close, or leave the role out"
            yield Problem(file, "meter", "(nothing)", remedy)
        return
    if not has_role:
        yield Problem(file, "role.meter", "(nothing)", "nobody reads the meter of [meter]: add this role")
    owners = {contact: f"load {name}" for name, load in bench.load.items() for contact in load.contacts()}
    owners |= {contact: f"bay {bay.name}" for bay in bench.bay for _, contact in _bay_contacts(bay)}
    for name, contacts in meter.close.items():
        key = f"meter.close.{name}"
        if bench.input_for(f"output {name}") is None:
            yield Problem(file, key, shown(contacts), f'no digitiser input is wired to "output {name}": leave it out')
        if not contacts and len(meter.close) > 1:
            yield Problem(file, key, "[]", "it would hang on two outputs at once: name the contacts that part them")
        for contact in contacts:
            if contact in owners:
                yield Problem(file, key, shown(contact), f"{owners[contact]} has this contact already")
            owners.setdefault(contact, f"the meter's channel {name}")


def _interlock_problems(bench: Bench, file: str) -> Iterator[Problem]:
    if "interlock" in bench.role and not bench.interlock:
        remedy = "name what it reads: add [[interlock]] with name and contact, or leave the role out"
        yield Problem(file, "interlock", "(nothing)", remedy)
    if bench.interlock and "interlock" not in bench.role:
        yield Problem(file, "role.interlock", "(nothing)", "nobody reads the contacts of [[interlock]]: add this role")
    yield from twice([one.name for one in bench.interlock], "interlock[{}].name", file)
    yield from twice([one.contact for one in bench.interlock], "interlock[{}].contact", file)


def _cut_off_problems(bench: Bench, file: str) -> Iterator[Problem]:
    hold_s, least_s = bench.cut_off.hold_s, FEEDS * FED_S + FEED_MARGIN_S
    if "cut_off" not in bench.role:
        if "cut_off" in bench.model_fields_set:
            yield Problem(file, "role.cut_off", "(nothing)", "nothing is fed by [cut_off]: add this role")
        return
    if hold_s < least_s:
        remedy = f"{FEEDS} x {FED_S:g} s from one look of the watch to the next + {FEED_MARGIN_S:g} s = {least_s:g} s"
        yield Problem(file, "cut_off.hold_s", shown(hold_s), f"it would drop by itself: at least {remedy}")


def _digitiser_problems(bench: Bench, file: str) -> Iterator[Problem]:
    if not bench.digitiser.rates_hz:
        yield Problem(file, "digitiser.rates_hz", "[]", "at least one sample rate")
    yield from twice(bench.digitiser.rates_hz, "digitiser.rates_hz[{}]", file)


def _prove_problems(bench: Bench, file: str) -> Iterator[Problem]:
    loop = bench.prove.loop_input
    if loop is not None and loop not in bench.wiring:
        yield Problem(file, "prove.loop_input", shown(loop), f"an input of [wiring]: {', '.join(bench.wiring)}")
    if bench.prove.dummy_ohm is not None and "supply" in bench.by_hand:
        remedy = "a supply that a person works is not proved: leave it out"
        yield Problem(file, "prove.dummy_ohm", shown(bench.prove.dummy_ohm), remedy)
