"""`make-safe` on a bench that is really energised, in processes of their own on the real clock.

The truth is what the instruments took (the simulators' own log) and what they answer afterwards to plain sockets.
"""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer import make_safe_now
from sequencer.cli import main
from sequencer.lock import Holder
from sequencer.safety.freeze import began
from tests.processes.simulated import CONTACTS, LIMIT_S, SHIPPED, UNPROVED, Simulated, command, environment, simulated

pytestmark = pytest.mark.process

SINGLE = 'single_connection = ["supply", "generator"]'
LINE = SHIPPED.with_name("line_workshop.toml")
RAIL_DOWN_V = 2.0  # the project's own bound, stated in the rules of safety


def make_safe(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command("make-safe", *words), capture_output=True, text=True, timeout=LIMIT_S, env=environment(folder)
    )


@contextlib.contextmanager
def held(bench: Simulated, folder: Path, how: str = "plain") -> Iterator[subprocess.Popen[str]]:
    words = [sys.executable, "-P", "-m", "tests.processes.bench_holder", str(bench.bench), how]
    root = {"PYTHONPATH": str(Path(__file__).resolve().parents[2])}
    process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment(folder) | root)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
    finally:
        process.kill()
        process.communicate()


def at(bench: Simulated, role: str, message: str, since_ns: int) -> int:
    """When it was first taken, after an instant."""
    return next(one.t_ns for one in bench.said(role, since_ns) if one.message == message)


def is_off(bench: Simulated, *roles: str) -> bool:
    asks = {"supply": "OUTP?", "generator": "OUTP1?"}
    for role in roles or tuple(asks):
        with bench.talk(role) as talk:
            if talk.ask(asks[role]) != "0":
                return False
    return True


def blinded(bench: Simulated) -> None:
    """Asked until the declared fault strikes."""
    with bench.talk("supply") as talk, contextlib.suppress(TimeoutError):
        while True:
            talk.ask("MEAS:ALL?", within_s=0.3)


def open_contacts(bench: Simulated) -> str:
    with bench.talk("load_switch") as switch:
        return switch.ask(f"ROUT:CLOS? {CONTACTS}")


def test_an_energised_bench_is_off_down_and_open_in_this_order(tmp_path: Path) -> None:
    with simulated(tmp_path) as bench:
        since_ns = bench.energise()
        done = make_safe(tmp_path, "--bench", str(bench.bench))
        assert done.returncode == 0, done.stdout + done.stderr
        assert is_off(bench)
        assert abs(bench.volts()) < RAIL_DOWN_V
        assert open_contacts(bench) == "0,0,0,0"
        off_ns = [at(bench, "generator", "OUTP1 OFF", since_ns), at(bench, "supply", "OUTP OFF", since_ns)]
        opened_ns = at(bench, "load_switch", "ROUT:OPEN:ALL", since_ns)
        rail = [one for one in bench.said("supply", since_ns) if one.message == "MEAS:ALL?" and one.t_ns < opened_ns]
    assert max(off_ns) < rail[0].t_ns
    assert abs(float((rail[-1].reply or "").split(",")[0])) < RAIL_DOWN_V, "contacts opened under a rail not seen down"
    assert done.stdout.splitlines()[-1] == "made safe, confirmed"


def test_a_dead_generator_keeps_nobody_from_switching_the_supply_off(tmp_path: Path) -> None:
    dead = '[[fault]]\nrole = "generator"\nkind = "frozen"\nbegins = "OUTP1 OFF"\nat_message = 1\nfor_s = 1e6'
    with simulated(tmp_path, dead) as bench:
        bench.energise()
        done = make_safe(tmp_path, "--bench", str(bench.bench), "--again-for", "1")
        assert done.returncode == 3, done.stdout + done.stderr
        assert is_off(bench, "supply")
        assert abs(bench.volts()) < RAIL_DOWN_V
    assert done.stdout.splitlines()[-1] == "NOT CONFIRMED SAFE: signal off"


@pytest.mark.parametrize("is_dead", [False, True], ids=["answers", "falls silent"])
def test_a_cut_off_is_released_too_and_counts_only_while_the_rail_is_up(is_dead: bool, tmp_path: Path) -> None:
    dead = '[[fault]]\nrole = "cut_off"\nkind = "silent"\nbegins = "REL:STAT?"\nat_message = 2\ntimes = 0'
    with simulated(tmp_path, dead if is_dead else "", shipped=LINE, unit="ferry_pa_line_120") as bench:
        with bench.talk("cut_off") as relay:
            relay.tell("REL:HOLD 30", "REL:STAT ON")
            assert relay.ask("REL:STAT?") == "1"
        since_ns = bench.energise()
        done = make_safe(tmp_path, "--bench", str(bench.bench), "--again-for", "1")
        assert done.returncode == 0, done.stdout + done.stderr
        assert is_off(bench)
        assert abs(bench.volts()) < RAIL_DOWN_V
        assert at(bench, "cut_off", "REL:STAT OFF", since_ns)
    assert ("cut_off: reads back 0" in done.stdout) is not is_dead
    assert ("cut_off: given up" in done.stdout) is is_dead


def test_a_rail_that_cannot_be_seen_leaves_the_contacts_closed(tmp_path: Path) -> None:
    """A contact opened under DC welds (common practice, no source)."""
    blind = '[[fault]]\nrole = "supply"\nkind = "silent"\nbegins = "MEAS"\nat_message = 20\ntimes = 0'
    with simulated(tmp_path, blind) as bench:
        since_ns = bench.energise()
        blinded(bench)
        done = make_safe(tmp_path, "--bench", str(bench.bench), "--again-for", "1")
        assert done.returncode == 3, done.stdout + done.stderr
        assert is_off(bench)
        assert open_contacts(bench) == "1,1,1,1"
        assert not [one for one in bench.said("load_switch", since_ns) if "OPEN" in one.message]
    assert done.stdout.splitlines()[-1] == "NOT CONFIRMED SAFE: rail down, contacts open"


@pytest.mark.parametrize("stopped", [False, True])
def test_whoever_holds_the_only_connection_is_ended_first(stopped: bool, tmp_path: Path) -> None:
    """stopped: by SIGSTOP, so that it can hear no other signal than SIGKILL (signal(7))."""
    with simulated(tmp_path, SINGLE) as bench:
        since_ns = bench.energise()
        with held(bench, tmp_path) as holder:
            with bench.talk("supply") as ignored, pytest.raises(TimeoutError):
                ignored.ask("OUTP?", within_s=0.3)  # the trap is set: nobody else is answered
            if stopped:
                holder.send_signal(signal.SIGSTOP)
            done = make_safe(tmp_path, "--bench", str(bench.bench))
            assert holder.wait(LIMIT_S) == -(signal.SIGKILL if stopped else signal.SIGTERM)
        assert done.returncode == 0, done.stdout + done.stderr
        assert is_off(bench)
        assert abs(bench.volts()) < RAIL_DOWN_V
        assert at(bench, "supply", "OUTP OFF", since_ns)
    assert f"process {holder.pid}" in done.stdout


def test_who_does_not_end_when_asked_is_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(make_safe_now, "OWN_END_WITHIN_S", 0.2)
    deaf = "import signal\nsignal.signal(signal.SIGTERM, signal.SIG_IGN)\nprint(1, flush=True)\nsignal.pause()"
    said: list[str] = []
    with subprocess.Popen([sys.executable, "-c", deaf], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        make_safe_now._end(Holder(process.pid, began(process.pid), 0.0, "b", "", ""), said.append)
        assert process.wait(LIMIT_S) == -signal.SIGKILL
    assert len(said) == 2
    assert said[-1].endswith("does not end: killed")


def test_a_later_process_of_the_same_number_is_left_alone() -> None:
    """pid_began tells them apart (proc(5), field 22 of stat)."""
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as process:
        said: list[str] = []
        make_safe_now._end(Holder(process.pid, began(process.pid) + 1, 0.0, "b", "", ""), said.append)
        time.sleep(0.2)
        assert process.poll() is None
        assert said == []
        process.kill()


def test_with_a_broken_bench_file_what_was_frozen_is_used(tmp_path: Path) -> None:
    """After a kill -9 of the night that froze it."""
    with simulated(tmp_path, SINGLE) as bench:
        bench.energise()
        with held(bench, tmp_path) as holder:
            holder.kill()
            holder.wait(LIMIT_S)
        bench.bench.write_text("format = = 1")
        done = make_safe(tmp_path, "--bench", str(bench.bench))
        assert done.returncode == 0, done.stdout + done.stderr
        assert is_off(bench)
        assert abs(bench.volts()) < RAIL_DOWN_V
    assert ".frozen.json" in done.stdout


def test_with_a_broken_bench_file_its_living_holder_is_ended_too(tmp_path: Path) -> None:
    with simulated(tmp_path, SINGLE) as bench:
        bench.energise()
        with held(bench, tmp_path) as holder:
            bench.bench.write_text("format = = 1")
            done = make_safe(tmp_path, "--bench", str(bench.bench))
            assert holder.wait(LIMIT_S) == -signal.SIGTERM
        assert done.returncode == 0, done.stdout + done.stderr
        assert is_off(bench)


@pytest.mark.parametrize("option", ["--frozen", "--bench"])
def test_what_was_frozen_needs_no_package_but_the_standard_library(option: str, tmp_path: Path) -> None:
    """As after a failed upgrade. --frozen: wherever the file lies; --bench: the one beside the lock is found."""
    broken = tmp_path / "broken"
    broken.mkdir()
    for name in ("numpy", "pydantic", "pyvisa", "pyvisa_py"):
        (broken / f"{name}.py").write_text("raise ImportError('broken for this test')")
    with simulated(tmp_path) as bench:
        bench.energise()
        with held(bench, tmp_path) as holder:
            holder.kill()
            holder.wait(LIMIT_S)
        (frozen,) = (tmp_path / "run" / "nightramp").glob("*.frozen.json")
        words = ["--bench", str(bench.bench)]
        if option == "--frozen":
            words = ["--frozen", str(frozen.rename(tmp_path / "moved.json"))]
        done = subprocess.run(
            command("make-safe", *words), capture_output=True, text=True, timeout=LIMIT_S,
            env=environment(tmp_path) | {"PYTHONPATH": str(broken)},
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        assert is_off(bench)
    assert ("broken for this test" in done.stdout) == (option == "--bench"), "the packages were not broken at all"


def test_of_a_refused_bench_file_two_roles_are_enough(tmp_path: Path) -> None:
    with simulated(tmp_path) as bench:
        bench.energise()
        bench.bench.write_text("surplus = 1\n" + bench.bench.read_text().replace("[ceiling]", "[ceilings]"))
        done = make_safe(tmp_path, "--bench", str(bench.bench))
        assert done.returncode == 0, done.stdout + done.stderr
        assert is_off(bench)
        assert abs(bench.volts()) < RAIL_DOWN_V


def test_nothing_to_go_by_is_refused_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text("format = = 1")
    done = make_safe(tmp_path, "--bench", str(tmp_path / "bench.toml"))
    assert done.returncode == 2
    assert "--frozen" in done.stderr


def test_a_night_that_drives_is_ended_and_keeps_what_it_measured(tmp_path: Path) -> None:
    """Exit code 4: stopped, and made safe by itself; `make-safe` then finds it off and confirms."""
    with simulated(tmp_path, SINGLE) as bench:
        words = ["run", "first", "--bench", str(bench.bench), "--unit", "ferry_pa_60", "--out", str(tmp_path / "out")]
        night = subprocess.Popen(
            command(*words, "--armed-by", "the workshop", *UNPROVED),
            stdout=subprocess.PIPE,
            text=True,
            env=environment(tmp_path),
        )
        try:
            while not [one for one in bench.said("generator") if one.message == "*TRG"]:
                assert night.poll() is None
                time.sleep(0.05)
            done = make_safe(tmp_path, "--bench", str(bench.bench))
            text, _ = night.communicate(timeout=LIMIT_S)
        finally:
            night.kill()
        assert night.returncode == 4, text
        assert "made safe, confirmed" in text
        assert done.returncode == 0, done.stdout + done.stderr
        assert is_off(bench)
        assert abs(bench.volts()) < RAIL_DOWN_V
        assert open_contacts(bench) == "0,0,0,0"
    assert json.loads((tmp_path / "out" / "results.json").read_text())["runs"][0]["outcome"] == "stopped"


@pytest.mark.parametrize(
    ("words", "word"),
    [
        ([], "name the bench"),
        (["--bench", "no_such"], "no shipped bench has this name"),
        (["--frozen", "none.json"], "can't be read"),
        (["--bench", "workshop", "--again-for", "nan"], "above 0"),
    ],
)
def test_what_cannot_be_used_is_refused(words: list[str], word: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["make-safe", *words]) == 2
    assert word in capsys.readouterr().err
