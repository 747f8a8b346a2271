"""A bench file from answers: the text, with a word beside each key that needs one. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.bench_new.interview import HAND, HARDWARE, NOTHING
from sequencer.bench_new.questions import Answers
from sequencer.plan.models_base import ROLES
from sequencer.plan.wording import BARE_KEY

COLUMN = 34  # where remarks begin


def bench_text(answers: Answers, identities: Mapping[str, str]) -> str:
    """TOML. identities: role -> text its identity reply must begin with, where somebody looked or the dialect says."""
    parts = (
        _head(answers), _ceiling(answers), _roles(answers, identities), _wiring(answers), _digitiser(answers),
        _loads(answers), _bays(answers), _prove(answers), _end(answers),
    )  # fmt: skip
    return "\n".join("\n".join(part) for part in parts).rstrip() + "\n"


def _line(key: str, value: Any, remark: str = "", before: int = 0) -> str:
    """before: characters that will stand in front of it."""
    line = f"{key} = {_toml(value)}"
    return f"{line:<{COLUMN - 1 - before}} # {remark}" if remark else line


def _toml(value: Any) -> str:
    """As it stands in a file; dates and numbers bare, text in quotes."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{key} = {_toml(one)}" for key, one in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, Sequence):
        return f"[{', '.join(map(_toml, value))}]"
    return str(value)


def _key(name: str) -> str:
    """A part of a key; TOML wants the others quoted."""
    return name if BARE_KEY.fullmatch(name) else json.dumps(name, ensure_ascii=False)


def _head(a: Answers) -> Iterator[str]:
    yield "# A bench: what stands on it, what is wired to what, and what nothing may exceed. Every further key that a"
    yield "# bench may have is shown in sequences/README.md, section Bench."
    yield from (_line("format", 1), _line("name", a["name"]))
    if a["title"]:
        yield _line("title", a["title"])
    yield _line("supply_kind", a["supply_kind"], "regulated, battery or mains")
    yield ""


def _ceiling(a: Answers) -> Iterator[str]:
    yield f"{'[ceiling]':<{COLUMN - 1}} # nothing may exceed these, whoever asks"
    for key, unit in (("generator_vrms", "Vrms"), ("supply_v", "V"), ("supply_a", "A")):
        yield _line(key, a[f"ceiling.{key}"], unit)
    yield "# output_w = 400.0               # W a channel, where the loads bear less than the units give"
    yield ""


def _roles(a: Answers, identities: Mapping[str, str]) -> Iterator[str]:
    for role in ROLES:
        if a[f"role.{role}.address"] == HAND:
            yield f"# no [role.{role}]: a person is asked instead. What is not promised then, `nightramp check` says"
            yield ""
            continue
        yield f"[role.{role}]"
        yield _line("address", a[f"role.{role}.address"])
        yield _line("dialect", a[f"role.{role}.dialect"])
        if identities.get(role):
            yield _line("identity", identities[role], "what its identity reply must begin with")
        if a[f"role.{role}.serial"]:
            yield _line("serial", a[f"role.{role}.serial"])
        if a[f"role.{role}.calibrated"]:
            yield _line("calibrated", a[f"role.{role}.calibrated"])
        yield ""
    yield "# A true-rms meter, an interlock that is read, a cut-off that is fed: [role.meter] with [meter],"
    yield "# [role.interlock] with [[interlock]], [role.cut_off] with [cut_off]."
    yield ""


def _wiring(a: Answers) -> Iterator[str]:
    factors = {f"ch{n}": a["probe_factor"] for n, _ in enumerate(a["channels"], start=1)}
    yield f"{'[wiring]':<{COLUMN - 1}} # what each digitiser input sees"
    for n, channel in enumerate(a["channels"], start=1):
        yield _line(f"ch{n}", f"output {channel}")
    if a["rail_input"] != NOTHING:
        yield _line(a["rail_input"], "rail", "the supply's volts at the unit's terminals")
        factors[a["rail_input"]] = a["rail_factor"]
    else:
        yield '# ch3 = "rail"                   # without it bursts say "rail not seen"'
    for n, (name, factor) in enumerate(factors.items()):
        yield ""
        yield f"[input.{name}]"
        yield _line("factor", factor, "of its probe")
        yield _line(
            "gain_uncertainty_pct", 2.0, "" if n else "what the probe is good for: see its paper, or compare it"
        )
    yield ""


def _digitiser(a: Answers) -> Iterator[str]:
    for n, volts in enumerate(a["digitiser.ranges_v"]):
        yield "[[range]]"
        yield _line("full_scale_v", volts, "" if n else "largest volts at the input's own terminal")
        yield _line("gain_uncertainty_pct", 2.0, "" if n else "see the digitiser's paper")
        yield ""
    yield "[digitiser]"
    yield _line("samples_max", a["digitiser.samples_max"], "per input")
    yield _line("rates_hz", a["digitiser.rates_hz"], "with the wired inputs on")
    yield _line("bits", a["digitiser.bits"])
    yield ""


def _loads(a: Answers) -> Iterator[str]:
    channels = a["channels"]
    for n in range(a["load"]):
        key = f"load[{n}]"
        yield f"[load.{_key(a[f'{key}.name'])}]"
        if contacts := a.get(f"{key}.contacts"):
            close = {c: (one,) for c, one in zip(channels, contacts, strict=True)}
            yield _line("close", close, "the load switch's contacts")
        else:
            yield _line("by_hand", True, "a person connects it and takes it off")
        yield _line("nominal_ohm", a[f"{key}.nominal_ohm"], "what unit files speak of")
        ohm = dict(zip(channels, a[f"{key}.ohm"], strict=True))
        yield _line("ohm", ohm, "at the unit's terminals")
        yield _line("uncertainty_ohm", 0.02, "of that measurement")
        yield _line("continuous_w", a[f"{key}.continuous_w"], "nameplate, each; half of it is used")
        yield _line("burst_j", a[f"{key}.burst_j"], "each, in one burst")
        yield ""


def _bays(a: Answers) -> Iterator[str]:
    for n in range(a["bay"]):
        key = f"bay[{n}]"
        yield "[[bay]]"
        yield _line("name", a[f"{key}.name"])
        for what in ("supply_contact", "input_contact", "output_contacts", "remote_contact"):
            if a.get(f"{key}.{what}"):
                yield _line(what, a[f"{key}.{what}"])
        if sensors := a[f"{key}.thermometer"]:
            yield _line("thermometer", dict(zip(a["channels"], sensors, strict=True)), "on the heat sinks")
        yield ""


def _prove(a: Answers) -> Iterator[str]:
    """Where nothing of it is answered, the whole table as a remark."""
    loop, ohm, has_supply = a["prove.loop_input"], a.get("prove.dummy_ohm"), a["role.supply.address"] != HAND
    head, remark = "[prove]", "what is connected while the bench is proved, with no unit on it"
    if loop == NOTHING and ohm is None:
        head, remark = "# [prove]", f"{remark}; what is not, is not seen"
    yield f"{head:<{COLUMN - 1}} # {remark}"
    on = "" if loop != NOTHING else "# "
    yield on + _line("loop_input", loop if not on else "ch1", "its probe on the generator's output", len(on))
    if has_supply:
        on = "" if ohm is not None else "# "
        yield on + _line("dummy_ohm", ohm if not on else 10.0, "a resistor across the supply's leads", len(on))
        yield on + _line("dummy_w", a.get("prove.dummy_w", 10.0), "what it bears for ten seconds", len(on))
    yield ""


def _end(a: Answers) -> Iterator[str]:
    if a["lead.fuse_a"]:
        yield "[lead.supply]"
        yield _line("fuse_a", a["lead.fuse_a"], "expected current stays below 75 % of it")
        yield ""
    yield f"{'[hardware]':<{COLUMN - 1}} # declared, never assumed; nothing checks it"
    for key in HARDWARE:
        yield _line(key, a[f"hardware.{key}"])
    if a["lead.fuse_a"]:
        yield _line("supply_fuse_a", a["lead.fuse_a"])
