"""`instruments --prove` in simulated time, with made-up steps in place of the bench's own: exit codes and the record.

Exit codes as README gives them. The steps themselves are proved in tests/wire/test_proving.py.
"""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import main
from sequencer.errors import (
    EXIT_DONE,
    EXIT_FAULT,
    EXIT_NOT_CONFIRMED_SAFE,
    EXIT_REFUSED,
    EXIT_TRIPPED,
    InputRefused,
)
from sequencer.plan.load import load_bench
from sequencer.proving import supervised
from sequencer.proving.keep import ProofAsked, files_now, kept_at, standing
from sequencer.proving.record import ProofStep
from sequencer.roles import load_dialects
from tests.sequencer.proofs import AT, own_bench, step

SAFE, UNSAFE = step("made safe", "bench"), step("made safe", "bench", "failed")
Steps = Callable[..., Awaitable[tuple[ProofStep, ...]]]


def told(*steps: ProofStep, then: Callable[[], Any] = lambda: None) -> Steps:
    async def prove(bench: Any, instruments: Any, *others: Any) -> tuple[ProofStep, ...]:
        for actor in instruments.actors.values():
            await actor.open()
        then()
        return steps

    return prove


@pytest.fixture
def prove(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    path = own_bench(tmp_path)

    def run(steps: Steps, *more: str) -> int:
        monkeypatch.setattr(supervised, "prove", steps)
        return main(["instruments", "--bench", str(path), "--simulated", "--prove", *more])

    return run


@pytest.mark.parametrize(
    ("steps", "code"),
    [
        ((step("level", "generator"), step("warm", "thermometer", "not seen"), SAFE), EXIT_DONE),
        ((step("level", "generator", "failed"), SAFE), EXIT_TRIPPED),
        ((step("level", "generator"), UNSAFE), EXIT_NOT_CONFIRMED_SAFE),
        ((step("level", "generator", "failed"), UNSAFE), EXIT_NOT_CONFIRMED_SAFE),
    ],
)
def test_exit_codes_and_the_record(
    steps: tuple[ProofStep, ...], code: int, prove: Callable[..., int], tmp_path: Path
) -> None:
    assert prove(told(*steps), "--by", "the day shift") == code
    kept = kept_at(tmp_path / "deck.proof.json").proof
    assert kept is not None
    assert (kept.steps, kept.by, kept.simulated, kept.bench) == (steps, "the day shift", True, "workshop")
    assert (kept.held, kept.made_safe) == (code == EXIT_DONE, code != EXIT_NOT_CONFIRMED_SAFE)
    assert set(kept.identities) == {"generator", "digitiser", "supply", "load_switch", "thermometer"}
    bench = load_bench(str(tmp_path / "deck.toml"))
    assert kept.files == files_now(bench, load_dialects(bench))
    assert kept.started < kept.ended, "simulated time went by"


def test_it_counts_for_no_real_start(
    prove: Callable[..., int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert prove(told(step("level", "generator"), SAFE)) == EXIT_DONE
    words = ["run", "first", "--bench", str(tmp_path / "deck.toml"), "--unit", "ferry_pa_60", "--armed-by", "us"]
    assert main(words) == EXIT_REFUSED
    assert "simulated = true: proved by simulation only" in capsys.readouterr().err


def test_what_raises_is_made_safe_and_keeps_nothing(
    prove: Callable[..., int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async def broken(*others: Any) -> tuple[ProofStep, ...]:
        raise ZeroDivisionError("a bug of ours")

    assert prove(broken) == EXIT_FAULT
    said = capsys.readouterr().out
    assert "internal fault: ZeroDivisionError: a bug of ours" in said
    assert "made safe, confirmed" in said
    assert not (tmp_path / "deck.proof.json").exists()


def test_a_file_that_changes_meanwhile_spoils_it(
    prove: Callable[..., int], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dialect = tmp_path / "ours.dialect.toml"
    more = lambda: dialect.write_text(dialect.read_text() + "\n# changed\n")  # noqa: E731
    assert prove(told(step("level", "generator"), SAFE, then=more)) == EXIT_TRIPPED
    assert "changed while it was being proved" in capsys.readouterr().out
    assert not (tmp_path / "deck.proof.json").exists()


def test_a_record_that_can_not_be_written_is_no_proof(
    prove: Callable[..., int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(path: Path, data: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("sequencer.proving.keep.write_whole", full)
    assert prove(told(step("level", "generator"), SAFE)) == EXIT_FAULT
    assert "No space left on device" in capsys.readouterr().out


def test_for_programs_stdout_is_json_alone(prove: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
    assert prove(told(step("level", "generator"), SAFE), "--json") == EXIT_DONE
    said = capsys.readouterr()
    found = json.loads(said.out)
    assert (found["exit_code"], found["proof"]["simulated"], len(found["proof"]["steps"])) == (0, True, 2)
    assert "bench workshop proved" in said.err


def test_a_second_proof_takes_the_place_of_the_first(prove: Callable[..., int], tmp_path: Path) -> None:
    """Also one that did not hold: what is known last counts."""
    assert prove(told(step("level", "generator"), SAFE)) == EXIT_DONE
    assert prove(told(step("level", "generator", "failed"), SAFE)) == EXIT_TRIPPED
    bench = load_bench(str(tmp_path / "deck.toml"))
    with pytest.raises(InputRefused, match="did not hold: level, generator"):
        standing(ProofAsked(), bench, load_dialects(bench), datetime.fromisoformat(AT))


def test_another_instrument_at_an_address_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the bench's file says its identity begins with is not what answers."""
    path = own_bench(tmp_path)
    text = path.read_text()
    at = text.index("[role.supply]") + len("[role.supply]\n")
    role, rest = text[at:].split("[role.", 1)
    role = "".join(line for line in role.splitlines(keepends=True) if not line.startswith("identity"))
    path.write_text(text[:at] + 'identity = "HARBOUR INSTRUMENTS"\n' + role + "[role." + rest)
    assert main(["instruments", "--bench", str(path), "--simulated", "--json"]) == EXIT_NOT_CONFIRMED_SAFE
    found = {one["role"]: one for one in json.loads(capsys.readouterr().out)["instruments"]}
    assert "wanted 'HARBOUR INSTRUMENTS'" in found["supply"]["why"]
    assert found["supply"]["identity"] is None
    assert "correct the bench's file" in found["supply"]["next_action"]
    assert all(one["identity"] for role, one in found.items() if role != "supply")
