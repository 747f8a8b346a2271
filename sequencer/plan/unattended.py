"""What a bench must have before it does with nobody there what a fire could come of. Pure."""

from __future__ import annotations

from sequencer.plan.models import Bench

NEEDED = ("load_thermostat", "fuse_per_supply_lead", "fireproof_base", "cut_off")
THERMOSTAT = "load thermostat"  # the interlock's contact of this name
INSTEAD = {"load_thermostat": f'an [[interlock]] contact named "{THERMOSTAT}"', "cut_off": "a [role.cut_off]"}


def seen(bench: Bench) -> tuple[str, ...]:
    """Those of NEEDED that the night itself reads or proves; the others can only be declared."""
    is_read = "interlock" in bench.role and any(one.name == THERMOSTAT for one in bench.interlock)
    there = {"load_thermostat": is_read, "cut_off": "cut_off" in bench.role}
    return tuple(name for name in NEEDED if there.get(name, False))


def missing(bench: Bench) -> list[str]:
    """Those of NEEDED that are neither seen nor declared under [hardware]. A bench whose supply a person switches is
    never run with nobody there: that person is its cut-off."""
    have = (*seen(bench), *(("cut_off",) if "supply" in bench.by_hand else ()))
    return [name for name in NEEDED if name not in have and not getattr(bench.hardware, name)]
