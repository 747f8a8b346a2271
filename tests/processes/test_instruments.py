"""`nightramp instruments` on simulated instruments in another process, in real time: who answers, the bench proved with
its bays empty, and what `run` and `serve` make of the record.

The truth is the simulated instruments' own log, and what they answer on plain sockets afterwards.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.dialect import load_dialect
from sequencer.errors import EXIT_DONE, EXIT_NOT_CONFIRMED_SAFE, EXIT_REFUSED, EXIT_STOPPED, EXIT_TRIPPED
from sequencer.plan.arming import WORD
from sequencer.plan.load import load_bench
from sequencer.proving.keep import files_now, write_proof
from sequencer.proving.record import Proof
from sequencer.roles import load_dialects
from tests.processes.run_trial import Tail, guardian_ended, is_off
from tests.processes.simulated import LIMIT_S, Simulated, command, ended, environment, simulated
from tests.processes.terminal import in_terminal
from tests.processes.test_run import LONG, QUICK
from tests.sequencer.proofs import own_bench, proof

pytestmark = pytest.mark.process

PROVE_S = 240.0  # real time of a proof, on a busy machine
SPOKEN = ("generator", "digitiser", "supply", "load_switch", "thermometer")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("deck")


@pytest.fixture(scope="module")
def bench(folder: Path) -> Iterator[Simulated]:
    """A person's own bench, a dialect file beside it, with no unit in its bays."""
    own_bench(folder)
    with simulated(folder, shipped=folder / "deck.toml", unit=None) as one:
        yield one


def record_of(bench: Simulated) -> Path:
    return bench.bench.with_name("ready.proof.json")


def test_who_answers_and_nothing_else_is_said(bench: Simulated) -> None:
    """Each instrument heard the one question of its dialect, once."""
    before = len(bench.said())
    done = ended(bench, "instruments", "--bench", str(bench.bench), "--json")
    assert done.returncode == EXIT_DONE, done.stderr
    told = json.loads(done.stdout)
    assert [one["role"] for one in told["instruments"]] == list(SPOKEN)
    heard = [(one.instrument, one.message) for one in bench.said()[before:]]
    assert sorted(heard) == sorted((role, "*IDN?") for role in SPOKEN)
    replies = {one.instrument: one.reply for one in bench.said()[before:]}
    assert {one["role"]: one["identity"] for one in told["instruments"]} == replies
    assert told["instruments"][0]["calibrated"] == "2026-03-01"
    assert (told["proof"]["proved"], told["proof"]["sentence"][:12]) == (False, "never proved")


def test_one_that_does_not_answer_is_named(tmp_path: Path) -> None:
    with simulated(tmp_path, '[[fault]]\nrole = "supply"\nkind = "silent"\nat_message = 1\ntimes = 0\n') as one:
        done = ended(one, "instruments", "--bench", str(one.bench))
    assert done.returncode == EXIT_NOT_CONFIRMED_SAFE
    lines = done.stdout.splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith("supply "))
    assert lines[at].endswith("NO")
    assert "no answer" in lines[at + 1]
    assert any(line.strip().startswith("next: It is there but silent") for line in lines[at + 1 : at + 4])
    assert sum(line.endswith(" yes") for line in lines) == len(SPOKEN) - 1


def test_another_word_proves_nothing(bench: Simulated) -> None:
    before, answered = len(bench.said()), []

    def seen(terminal: object) -> None:
        if not answered and "Type " in "".join(terminal.last):  # type: ignore[attr-defined]
            answered.append(True)
            terminal.type(b"yes\n")  # type: ignore[attr-defined]

    runtime = environment(bench.log.parent)["XDG_RUNTIME_DIR"]
    words = ("instruments", "--bench", str(bench.bench), "--prove")
    terminal = in_terminal(*words, columns=100, seen=seen, XDG_RUNTIME_DIR=runtime)
    text = "\n".join(terminal.last)
    assert terminal.exit_code == EXIT_REFUSED
    assert f"Type {WORD}" in text
    assert "NO UNIT MAY BE CONNECTED" in text
    assert len(bench.said()) == before, "an instrument was spoken to"
    assert not record_of(bench).exists()


@pytest.mark.parametrize(("whose", "code"), [("its own", EXIT_STOPPED), ("its guardian's", EXIT_TRIPPED)])
def test_ended_in_the_middle_it_is_made_safe_and_keeps_nothing(bench: Simulated, whose: str, code: int) -> None:
    """Ctrl-C; or its guardian killed, without which nothing is driven."""
    tail, since_ns = Tail(bench.log), time.monotonic_ns()
    process = subprocess.Popen(
        command("instruments", "--bench", str(bench.bench), "--prove", "--by", "the day shift"),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment(bench.log.parent),
    )
    try:
        tail.await_ns("supply", "OUTP ON", since_ns, lambda: process.poll() is None)
        if whose == "its own":
            process.send_signal(signal.SIGINT)
        else:
            assert process.stdout is not None
            armed = next(line for line in process.stdout if "guardian armed" in line)
            os.kill(int(armed.split()[-1]), signal.SIGKILL)
        said, _ = process.communicate(timeout=LIMIT_S)
    finally:
        process.kill()
        process.communicate()
        tail.close()
    assert process.returncode == code, said
    assert "made safe, confirmed" in said
    assert not record_of(bench).exists()
    assert is_off(bench)


def test_proved_driven_and_refused_once_a_file_has_changed(bench: Simulated, folder: Path, tmp_path: Path) -> None:
    """Proved for real, with empty bays. The same bench with a unit in it is then driven with nobody answering for it;
    a dialect or the bench's file altered afterwards is named, and no instrument hears a word."""
    began = ended(
        bench, "instruments", "--bench", str(bench.bench), "--prove", "--by", "the day shift", within_s=PROVE_S
    )
    assert began.returncode == EXIT_DONE, began.stdout + began.stderr
    assert is_off(bench)
    found = Proof.model_validate_json(record_of(bench).read_bytes())
    assert (found.by, found.simulated, found.made_safe, found.held) == ("the day shift", False, True, True)
    assert set(found.identities) == set(SPOKEN)
    held = {(one.name, one.about) for one in found.steps if one.outcome == "held"}
    assert {("level", "digitiser ch1"), ("current limit", "supply")} <= held, "they were seen by their places"
    assert {"ready.toml", "ours.dialect.toml", "supply-a"} <= set(found.files)
    told = json.loads(ended(bench, "instruments", "--bench", str(bench.bench), "--json").stdout)
    assert told["proof"]["proved"] is True
    bench.end(signal.SIGTERM)  # the bays are filled: the same addresses, now with a unit
    with simulated(tmp_path, at=bench.bench) as filled:
        plan = tmp_path / "quick.toml"
        plan.write_text(QUICK)
        run = ["run", str(plan), "--bench", str(bench.bench), "--unit", "ferry_pa_60", "--armed-by", "the workshop"]
        done = ended(filled, *run, "--out", str(tmp_path / "night"))
        assert done.returncode == EXIT_DONE, done.stdout + done.stderr
        assert "bench proved: " in done.stdout
        (kept,) = json.loads((tmp_path / "night" / "results.json").read_text())["runs"]
        assert (kept["proof"]["proved"], kept["proof"]["by"]) == (True, "the day shift")
        page = (tmp_path / "night" / "sheet.html").read_text()
        assert f"by the day shift, {kept['proof']['held']} held" in page
        died = _died(filled, run, tmp_path)
        before = len(filled.said())
        dialect = folder / "ours.dialect.toml"
        sound = dialect.read_text()
        dialect.write_text(sound + "\n# put right by hand\n")
        load_dialect(str(dialect), "generator")  # it is as good as before
        _refused(filled, "ours.dialect.toml", [*run, "--out", str(tmp_path / "again")])
        _refused(filled, "ours.dialect.toml", ["serve", *run[2:4], *run[6:], "--ledger", str(tmp_path / "nights")])
        again = ended(filled, "run", "--resume", str(died), "--armed-by", "us")
        assert again.returncode == EXIT_REFUSED
        assert "files.ours.dialect.toml = altered" in again.stderr
        dialect.write_text(sound)
        text = bench.bench.read_text()
        bench.bench.write_text(text + "\n# put right by hand\n")
        _refused(filled, "ready.toml", [*run, "--out", str(tmp_path / "again")])
        assert not (tmp_path / "again").exists()
        assert not (tmp_path / "nights").exists()
        bench.bench.write_text(text)
        assert len(filled.said()) == before, "an instrument was spoken to"


def test_another_supply_than_the_one_that_was_proved(tmp_path: Path) -> None:
    """One of the same model stood there: seen by its serial before anything is set, and nothing is written."""
    with simulated(tmp_path) as one:
        with one.talk("supply") as supply:
            now = supply.ask("*IDN?")
        was = now.replace(now.split(",")[2], "60-0001")
        bench, at = load_bench(str(one.bench)), datetime.now(UTC).isoformat()
        told = {"files": files_now(bench, load_dialects(bench)), "identities": {"supply": was}}
        write_proof(record_of(one), proof(**told, started=at, ended=at))
        before = len(one.said())
        words = ["--bench", str(one.bench), "--unit", "ferry_pa_60", "--armed-by", "us", "--out", str(tmp_path / "out")]
        done = ended(one, "run", "first", *words)
        assert done.returncode == EXIT_REFUSED, done.stdout
        assert "ready.proof.json: identities.supply = " in done.stderr
        assert f"supply answers with another serial: {now!r} now, {was!r} when it was proved" in done.stderr
        assert "--unproved-by NAME" in done.stderr
        assert sorted((s.instrument, s.message) for s in one.said()[before:]) == sorted((r, "*IDN?") for r in SPOKEN)
        assert not (tmp_path / "out").exists()
        looked = json.loads(ended(one, "instruments", "--bench", str(one.bench), "--json").stdout)
        assert looked["proof"]["proved"] is False
        assert "another serial" in looked["proof"]["sentence"]


def _died(bench: Simulated, run: list[str], folder: Path) -> Path:
    """A night that was killed once it had powered its unit, and was switched off by its guardian."""
    plan = folder / "long.toml"
    plan.write_text(LONG)
    tail, since_ns = Tail(bench.log), time.monotonic_ns()
    words = [run[0], str(plan), *run[2:], "--out", str(folder / "died")]
    process = subprocess.Popen(command(*words), stdout=subprocess.DEVNULL, env=environment(bench.log.parent))
    try:
        tail.await_ns("supply", "OUTP ON", since_ns, lambda: process.poll() is None)
    finally:
        process.kill()
        process.wait()
        tail.close()
    assert guardian_ended(bench, since_ns)["confirmed"]
    assert is_off(bench)
    return folder / "died"


def _refused(bench: Simulated, name: str, words: list[str]) -> None:
    done = ended(bench, *words)
    assert done.returncode == EXIT_REFUSED, done.stdout
    assert f"files.{name} = altered" in done.stderr
    assert f"nightramp instruments --bench {bench.bench} --prove" in done.stderr
