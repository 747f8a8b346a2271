"""Who answers on a bench, and what its proof found, as a terminal of 80 columns shows it. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.plan.arming import CAUTIONS
from sequencer.plan.models import OPTIONAL_ROLES, Bench, RoleName
from sequencer.plan.promises import not_promised
from sequencer.proving.record import Outcome, Proof, ProofStep
from sequencer.proving.who import Who

WIDTH = 80
ORDER: tuple[Outcome, ...] = ("failed", "not seen", "held")
WORD_WIDTH, ABOUT_WIDTH = 10, 17
HEADS = ("role", "dialect", "calibrated", "answers")
WARM_UP = (
    "warm-up: the bench's file has no key for it; leave all on for half an hour before a proof (common practice, no "
    "source)"
)
COSTS: Mapping[RoleName, str] = {
    "meter": "ranges of the digitiser are not compared: powers rest on its own figures, range_transfer is not measured",
    "interlock": "no contact is read before power and signal: cover, stop and thermostat are not seen",
    "cut_off": "nothing in the supply's lead drops by itself: a hung or dead program is the guardian's alone",
}


def arming_lines(bench: Bench) -> list[str]:
    """What is shown before a bench is proved."""
    ceiling = bench.ceiling
    by_hand = " and ".join(sorted(name.replace("_", " ") for name in bench.by_hand))
    driven = [f"generator up to {ceiling.generator_vrms:g} Vrms"]
    if "supply" not in bench.by_hand:
        driven.append(f"supply up to {ceiling.supply_v:g} V and {ceiling.supply_a:g} A")
    if "load_switch" not in bench.by_hand:
        driven.append("each contact of the load switch")
    if "cut_off" in bench.role:
        driven.append("cut-off relay")
    return [
        f"Proving bench {bench.name}. NO UNIT MAY BE CONNECTED: take out every unit, or its leads, in every bay.",
        f"  these outputs will be driven, up to the bench's ceilings: {', '.join(driven)}",
        *_connected(bench),
        *([f"  worked by a person: {by_hand}"] if by_hand else []),
        *CAUTIONS,
    ]


def _connected(bench: Bench) -> Iterator[str]:
    """What stands in the place of a unit, as the bench's file has it; and what is not seen without it."""
    loop, ohm = bench.prove.loop_input or bench.input_for("input"), bench.prove.dummy_ohm
    if loop is None:
        yield "  levels, clock and trigger: not seen, since no input is on the generator ([prove] loop_input)"
    else:
        yield f"  connect now: the probe of {loop} to the generator's output"
    if "supply" in bench.by_hand:
        return
    if ohm is None:
        yield "  leave the supply's leads open; its current limit is not seen ([prove] dummy_ohm)"
    else:
        yield f"  connect now: {ohm:g} ohm that bear {bench.prove.dummy_w:g} W across the supply's leads; they get hot"


def who_lines(bench: Bench, file: str, every: Sequence[Who]) -> list[str]:
    """One line for each role, what it answered under it; then what is missing and what that costs."""
    lines = [f"bench {bench.name} ({file})", _cells(HEADS)]
    for one in every:
        date = one.calibrated.isoformat() if one.calibrated else "no date"
        word = "yes" if one.identity else "NO" if one.identity is None else "not asked"
        lines.append(_cells((one.role.replace("_", " "), one.dialect, date, word)))
        lines += _wrapped(one.identity or one.why, "    ")
        if one.remedy:
            lines += _wrapped(f"next: {one.remedy}", "    ")
    lines += [part for words in _missing(bench) for part in _wrapped(words, "  ", hang="    ")]
    return [*lines, *_wrapped(WARM_UP, "", hang="  ")]


def who_json(bench: Bench, every: Sequence[Who], proof: Mapping[str, Any]) -> dict[str, Any]:
    """The same for programs."""
    return {
        "bench": bench.name,
        "instruments": [
            {
                "role": one.role,
                "dialect": one.dialect,
                "address": one.address,
                "calibrated": one.calibrated.isoformat() if one.calibrated else None,
                "identity": one.identity,
                "why": one.why,
                "next_action": one.remedy,
            }
            for one in every
        ],
        "missing": list(_missing(bench)),
        "proof": dict(proof),
    }


def standing_lines(proof: Mapping[str, Any]) -> list[str]:
    """How the bench's proof stands; the command in one piece, to be copied."""
    if proof["proved"]:
        return _wrapped(f"bench proved: {proof['sentence']}", "", hang="  ")
    words = _wrapped(f"bench NOT proved: {proof['sentence']}", "", hang="  ")
    return [*words, "prove it, with no unit connected:", f"  {_clean(proof['command'])}"]


def _missing(bench: Bench) -> Iterator[str]:
    for name in sorted(bench.by_hand):
        yield f"{name.replace('_', ' ')}: not on this bench, a person does its work"
    for promise in not_promised(bench):
        yield f"not promised: {promise}"
    for role in OPTIONAL_ROLES:
        if role not in bench.role:
            yield f"{role.replace('_', '-')}: not on this bench: {COSTS[role]}"


def proof_lines(proof: Proof) -> list[str]:
    """Failed ones first, then what nothing here can see, then what held; each with its sentence."""
    steps = sorted(proof.steps, key=lambda one: ORDER.index(one.outcome))  # the order of proving within each
    lines = [_row("", "about", "what was proved")]
    for one in steps:
        lines += _step(one)
    counts = {word: sum(one.outcome == word for one in proof.steps) for word in ORDER}
    told = f"{counts['held']} held, {counts['not seen']} not seen, {counts['failed']} failed"
    how = " in simulated time, which counts for no real start" if proof.simulated else ""
    verdict = "proved" if proof.held else "NOT proved"
    return [*lines, *_wrapped(f"bench {proof.bench} {verdict}{how}: {told}", "", hang="  ")]


def _step(one: ProofStep) -> Iterator[str]:
    word = "FAILED" if one.outcome == "failed" else one.outcome
    yield _row(word, one.about, one.name)
    indent = " " * WORD_WIDTH
    yield from _wrapped(one.sentence, indent)
    if one.next_action:
        yield from _wrapped(f"next: {one.next_action}", indent, hang=indent + "  ")


def _row(word: str, about: str, name: str) -> str:
    return _short(f"{word:<{WORD_WIDTH}}{_short(about, ABOUT_WIDTH - 1):<{ABOUT_WIDTH}}{name}", WIDTH).rstrip()


def _cells(cells: Sequence[str]) -> str:
    role, dialect, date, word = cells
    return f"{_short(role, 13):<14}{_short(dialect, 37):<38}{date:<12}{word}".rstrip()


def _short(text: str, at_most: int) -> str:
    shown = _clean(text)
    return shown if len(shown) <= at_most else shown[: at_most - 3] + "..."


def _wrapped(text: str, indent: str, *, hang: str | None = None) -> list[str]:
    hang = indent if hang is None else hang
    return textwrap.wrap(_clean(text), WIDTH, initial_indent=indent, subsequent_indent=hang)


def _clean(text: str) -> str:
    """An instrument's reply may hold anything: no control code reaches the terminal."""
    return "".join(c if c.isprintable() else "?" for c in text)
