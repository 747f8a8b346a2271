"""Simulated instruments for other processes: their addresses, their log, their faults, their end.

Replies are asked for over plain sockets, by IEEE 488.2 and the programming pages, with no driver of ours between.
"""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest

from sequencer.clock import RealClock, run_real
from sequencer.plan.load import load_bench
from sequencer.plan.models import ROLES
from sequencer.roles import build, load_dialects
from tests.processes.simulated import LIMIT_S, SHIPPED, bench_file, command, environment, simulated

pytestmark = pytest.mark.process


def free_ports(count: int) -> list[int]:
    taken = [socket.create_server(("127.0.0.1", 0)) for _ in range(count)]
    numbers = [one.getsockname()[1] for one in taken]
    for one in taken:
        one.close()
    return numbers


def test_each_answers_as_the_bench_file_says_where_the_written_bench_leads(tmp_path: Path) -> None:
    """*IDN? is IEEE 488.2, 10.14; what it must begin with is the bench file's own `identity`."""
    with simulated(tmp_path) as bench:
        written = load_bench(str(bench.bench)).model
        for name, role in written.role.items():
            assert role.address == f"TCPIP::127.0.0.1::{bench.ports[name]}::SOCKET"
            with bench.talk(name) as talk:
                assert talk.ask("*IDN?").startswith(role.identity)
    given = load_bench(str(tmp_path / "bench.toml")).model
    same = {name: role.model_copy(update={"address": given.role[name].address}) for name, role in written.role.items()}
    assert written.model_copy(update={"role": same}) == given, "nothing but addresses may differ"


def test_the_real_drivers_power_the_unit_in_real_time(tmp_path: Path) -> None:
    """24 V are set: the supply's meter shows them within its own 0.1 % (its programming page) and 0.1 V."""
    with simulated(tmp_path) as bench:
        loaded = load_bench(str(bench.bench))
        addresses = {name: loaded.model.role[name].address for name in ROLES}

        async def main(clock: RealClock) -> float:
            instruments = build(loaded.model, load_dialects(loaded), addresses, clock)
            hands = instruments.hands
            try:
                for one in (hands.generator, hands.digitiser, hands.supply, hands.load_switch, hands.thermometer):
                    await one.prepare()
                await hands.load_switch.close(["201", "202", "203"])
                await hands.supply.set(24.0, 5.0)
                await hands.supply.output(True)
                await clock.sleep(0.3)
                return (await hands.supply.read()).volts
            finally:
                await hands.supply.make_safe()
                await instruments.close()

        assert run_real(main) == pytest.approx(24.0, abs=0.15)


def test_the_log_holds_every_message_after_a_kill(tmp_path: Path) -> None:
    """Instants are CLOCK_MONOTONIC, which every process of a machine shares (clock_gettime(2))."""
    with simulated(tmp_path) as bench, bench.talk("supply") as talk:
        before_ns = time.monotonic_ns()
        replies = [talk.ask(question) for question in ("*IDN?", "OUTP?", "VOLT?")]
        after_ns = time.monotonic_ns()
        bench.process.kill()
        bench.process.wait(LIMIT_S)
        said = bench.said("supply")
    assert [one.message for one in said] == ["*IDN?", "OUTP?", "VOLT?"]
    assert [one.reply for one in said] == replies
    assert all(before_ns < one.t_ns < after_ns for one in said)
    assert sorted(one.t_ns for one in said) == [one.t_ns for one in said]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_quietly(number: signal.Signals, tmp_path: Path) -> None:
    with simulated(tmp_path) as bench, bench.talk("generator") as talk:
        talk.ask("*IDN?")
        assert bench.end(number) == 0
        text = bench.process.stdout.read() if bench.process.stdout else ""
    assert "Traceback" not in text
    assert [line.split()[0] for line in text.splitlines() if "::SOCKET" in line] == list(ROLES)
    assert "bay 1: MV-0117" in text
    assert "bay 2: empty" in text


def test_loopback_ports_of_the_bench_file_are_its_own_and_a_taken_one_is_refused(tmp_path: Path) -> None:
    numbers = dict(zip(ROLES, free_ports(len(ROLES)), strict=True))
    text = SHIPPED.read_text()
    for old, new in zip((5025, 5026, 5027, 5028, 5029), numbers.values(), strict=True):
        text = text.replace(f"::{old}::", f"::{new}::")
    path, ports = tmp_path / "own.toml", tmp_path / "ports.json"
    path.write_text(text)
    words = command("simulate", "--bench", str(path), "--ports-file", str(ports))
    with socket.create_server(("127.0.0.1", numbers["thermometer"])):
        refused = subprocess.run(words, capture_output=True, text=True, timeout=LIMIT_S, env=environment(tmp_path))
    assert refused.returncode == 2
    assert "role.*.address" in refused.stderr
    assert not ports.exists()
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment(tmp_path)) as process:
        try:
            assert process.stdout is not None
            while "listen" not in process.stdout.readline():
                assert process.poll() is None
            assert json.loads(ports.read_text()) == numbers
        finally:
            process.terminate()


def test_declared_faults_strike(tmp_path: Path) -> None:
    """Silent: no reply to the second question only. Late: no sooner than declared. One connection: a second client is
    accepted, not answered, and served once the first has gone."""
    faults = """
    single_connection = ["thermometer"]
    [[fault]]
    role = "supply"
    kind = "silent"
    begins = "OUTP?"
    at_message = 2
    [[fault]]
    role = "generator"
    kind = "late"
    begins = "*IDN?"
    at_message = 1
    for_s = 0.4
    """
    with simulated(tmp_path, faults) as bench:
        with bench.talk("supply") as talk:
            assert talk.ask("OUTP?") == "0"
            with pytest.raises(TimeoutError):
                talk.ask("OUTP?", within_s=0.3)
        with bench.talk("supply") as talk:
            assert talk.ask("OUTP?") == "0"
        with bench.talk("generator") as talk:
            begun_s = time.monotonic()
            talk.ask("*IDN?")
            assert time.monotonic() - begun_s >= 0.4
        with bench.talk("thermometer") as first:
            first.ask("*IDN?")
            with bench.talk("thermometer") as second, pytest.raises(TimeoutError):
                second.ask("*IDN?", within_s=0.3)
        with bench.talk("thermometer") as third:
            assert third.ask("*IDN?")
        struck = [one for one in bench.said() if one.message.startswith("(")]
    assert sorted((one.instrument, one.message) for one in struck) == [("generator", "(late)"), ("supply", "(silent)")]


@pytest.mark.parametrize(
    ("option", "value", "word"),
    [
        ("--faults", "none.toml", "no such file"),
        ("--bench-out", "bench.toml", "name another"),
        ("--bench-out", "none/ready.toml", "no such folder"),
        ("--log", "none/log.jsonl", "can't be written"),
        ("--unit", "ferry_pa_60@9", "no such bay"),
    ],
)
def test_what_cannot_be_used_is_refused_before_anything_listens(
    option: str, value: str, word: str, tmp_path: Path
) -> None:
    bench_file(tmp_path)
    words = command("simulate", "--bench", "./bench.toml", "--ports-file", "ports.json", option, value)
    root = str(Path(__file__).resolve().parents[2])
    done = subprocess.run(
        words, capture_output=True, text=True, timeout=LIMIT_S, cwd=tmp_path,
        env=environment(tmp_path) | {"PYTHONPATH": root},
    )  # fmt: skip
    assert done.returncode == 2, done.stdout + done.stderr
    assert word in done.stderr
    assert not (tmp_path / "ports.json").exists()


def test_a_log_that_cannot_be_written_on_ends_it(tmp_path: Path) -> None:
    """Writing to /dev/full fails with ENOSPC (full(4)); a log with holes would be believed."""
    words = command("simulate", "--bench", str(bench_file(tmp_path)), "--log", "/dev/full", "--ports-file")
    with subprocess.Popen(
        [*words, str(tmp_path / "ports.json")], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env=environment(tmp_path),
    ) as process:  # fmt: skip
        assert process.stdout is not None
        while "Ctrl-C" not in process.stdout.readline():
            assert process.poll() is None
        with socket.create_connection(
            ("127.0.0.1", json.loads((tmp_path / "ports.json").read_text())["supply"])
        ) as one:
            one.sendall(b"*IDN?\n")
            assert process.wait(LIMIT_S) == 5
        assert "No space left" in process.stdout.read()
