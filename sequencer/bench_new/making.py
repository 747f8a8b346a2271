"""Makes a bench file of answers: looks where it was told to, asks, reads its text as any command would, then writes.

Never over a file that is there; what is refused leaves nothing behind.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from drivers.dialect import load_dialect, shipped_dialects
from sequencer.bench_new.answering import Ask, Say, at_terminal, from_file, nobody_looks
from sequencer.bench_new.draft import bench_text
from sequencer.bench_new.interview import Digitiser, Known, interview
from sequencer.bench_new.look import TOLD, Looker, Seen
from sequencer.bench_new.questions import Answers
from sequencer.errors import InputRefused, Problem
from sequencer.plan.load import load_bench, shipped
from sequencer.plan.models import Prove
from sequencer.plan.models_base import ROLES
from sequencer.plan.wording import shown
from sequencer.roles import fitted_dialects

THERE = "a file is there already, and nothing is written over it: take another --out, or move it away"


@dataclass(frozen=True)
class New:
    """What was asked. answers: a file of them; None: a person types. manager: of VISA, where it may look; at:
    addresses to ask beside what that lists."""

    out: Path
    answers: Path | None = None
    manager: Callable[[], Any] | None = None
    at: tuple[str, ...] = ()


def make(new: New, ask: Ask, say: Say) -> Path:
    """The file that was written. Raises InputRefused."""
    _refuse_place(new.out)
    looker = None if new.manager is None else Looker(new.manager)
    seen = _looked(looker, new.at, say)
    known = known_here({one.address: one.reply for one in seen if one.reply is not None})
    replies = dict(known.seen)

    def look(address: str) -> str:
        if looker is not None and address not in replies:
            one = looker.ask(address)
            say(f"  {one.told()}")
            replies[address] = one.reply or ""
        return replies.get(address, "")

    asked = nobody_looks if looker is None else look
    talk = interview(known)
    answers = at_terminal(talk, ask, say, asked) if new.answers is None else from_file(talk, new.answers, asked)
    _write(new.out, bench_text(answers, _identities(answers, known, replies)))
    return new.out


def next_steps(out: Path) -> tuple[str, ...]:
    """What to prove before anything is driven."""
    bench = load_bench(str(out)).model
    return (
        f"written, and read back as any command would: {out}",
        "Nothing in it is proved yet. In this order:",
        f"  nightramp check first --bench {out} --unit UNIT      what a plan would do, on paper",
        f"  nightramp dry-run first --bench {out} --unit UNIT    the same on simulated instruments",
        "On the real instruments, with no unit connected:",
        f"  nightramp instruments --bench {out}                  who answers; nothing is driven",
        f"  nightramp instruments --bench {out} --prove          prove it: `run` and `serve` want its record",
        f"    {_connected(bench.prove, 'supply' in bench.by_hand)}",
        "Then, before the first unit is driven: bench_check, and terminal_scan with a person there",
        "(plan first_wiring).",
        "Probe, range and load figures of 2 % and 0.02 ohm are placeholders: put in what was measured.",
    )


def _connected(prove: Prove, by_hand: bool) -> str:
    """What a person connects for it, and what is not seen without. by_hand: the supply is not proved at all."""
    loop = f"{prove.loop_input}'s probe on the generator's output" if prove.loop_input else ""
    dummy = f"{prove.dummy_ohm:g} ohm across the supply's leads" if prove.dummy_ohm else ""
    lacking = [] if loop else ["level, trigger and clock"]
    lacking += [] if dummy or by_hand else ["amps and current limit into a load"]
    there = f"with {' and '.join(one for one in (loop, dummy) if one)}" if loop or dummy else ""
    left = f"not seen: {'; '.join(lacking)} ([prove] in the file)" if lacking else ""
    return "; ".join(one for one in (there, left) if one)


def known_here(seen: dict[str, str]) -> Known:
    """The shipped dialects by role, and the digitisers of the shipped benches."""
    dialects: dict[str, dict[str, str]] = {role: {} for role in ROLES}
    for name in shipped_dialects():
        role = next((one for one in ROLES if name.startswith(f"{one.replace('_', '-')}-")), None)
        if role is not None:
            identity = load_dialect(name, role).file.identity
            dialects[role][name] = identity.begins if identity else ""
    digitisers: dict[str, Digitiser] = {}
    for name in shipped()["benches"]:
        bench = load_bench(name).model
        if "digitiser" in bench.role:
            ranges = tuple(sorted({one.full_scale_v for one in bench.range}))
            depth = bench.digitiser
            one = Digitiser(ranges, depth.rates_hz, depth.bits, depth.samples_max)
            digitisers.setdefault(bench.role["digitiser"].dialect, one)
    return Known(dialects, seen, digitisers)


def _looked(looker: Looker | None, at: tuple[str, ...], say: Say) -> list[Seen]:
    if looker is None:
        return []
    say(TOLD)
    seen = looker.everywhere(at)
    for one in seen:
        say(f"  {one.told()}")
    if not seen:
        say("  nothing is listed: sockets never are; type their addresses, or give them with --at")
    return seen


def _identities(answers: Answers, known: Known, replies: dict[str, str]) -> dict[str, str]:
    """By the dialect; of a dialect of one's own by the maker and the model that answered."""
    found: dict[str, str] = {}
    for role in ROLES:
        if f"role.{role}.dialect" not in answers:
            continue  # by hand
        begins = known.dialects[role].get(answers[f"role.{role}.dialect"], "")
        said = replies.get(answers[f"role.{role}.address"], "")
        found[role] = begins or (",".join(said.split(",")[:2]) + "," if said.count(",") >= 2 else "")
    return found


def _refuse_place(out: Path) -> None:
    if os.path.lexists(out):
        raise InputRefused([Problem("command line", "--out", shown(str(out)), THERE)])
    if out.suffix != ".toml":
        raise InputRefused([Problem("command line", "--out", shown(str(out)), "a file that ends in .toml")])
    if not out.parent.is_dir():
        raise InputRefused([Problem("command line", "--out", shown(str(out)), f"there is no folder {out.parent}")])


def _write(out: Path, text: str) -> None:
    """Read back from beside its place, then linked there: a link is never made over a file."""
    draft = out.with_name(f".{out.stem}.{os.getpid()}.toml")
    try:
        with draft.open("x", encoding="utf-8") as stream:
            stream.write(text)
        _read_back(draft, out)
        os.link(draft, out)
    except FileExistsError:
        raise InputRefused([Problem("command line", "--out", shown(str(out)), THERE)]) from None
    except OSError as error:
        raise InputRefused([Problem("command line", "--out", shown(str(out)), f"cannot be written: {error}")]) from None
    finally:
        with contextlib.suppress(OSError):
            draft.unlink()


def _read_back(draft: Path, out: Path) -> None:
    """As every command reads it, its dialects included. Raises InputRefused, in the name of the file to come."""
    try:
        fitted_dialects(load_bench(str(draft.absolute())))
    except InputRefused as refused:
        own = str(draft.absolute())
        raise InputRefused([replace(p, file=str(out)) if p.file == own else p for p in refused.problems]) from None
