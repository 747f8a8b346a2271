"""`bench new`: what is answered stands in the file, the tool reads it, nothing wrong is written, nothing else is sent.

The truth of each figure is the answer itself; how `*IDN?` replies are built is IEEE 488.2, 10.14 (from memory).
"""

from __future__ import annotations

import re
import socketserver
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from random import Random

import pytest

from drivers.visa_session import resource_manager
from sequencer.bench_new.answering import at_terminal
from sequencer.bench_new.interview import interview
from sequencer.bench_new.look import IDENTITY, Looker
from sequencer.bench_new.making import New, known_here, make, next_steps
from sequencer.cli import main
from sequencer.errors import InputRefused
from sequencer.plan.load import load_bench
from sequencer.plan.models import Prove

ANSWERS = """name = "deck-bench"
title = 'One bay, "aft" \\ boat shed, 24 V'
channels = "AB"
rail_input = "ch4"
[role.generator]
address = "TCPIP::192.168.7.21::5025::SOCKET"
dialect = "generator-a"
calibrated = 2026-03-01
[role.digitiser]
address = "TCPIP::192.168.7.22::5025::SOCKET"
dialect = "digitiser-a"
[role.supply]
address = "GPIB0::7::INSTR"
dialect = "supply-a"
[role.load_switch]
address = "TCPIP::192.168.7.24::5025::SOCKET"
dialect = "load-switch-a"
[role.thermometer]
address = "TCPIP::192.168.7.25::5025::SOCKET"
dialect = "thermometer-a"
[[load]]
name = "8R.old"
nominal_ohm = 8.0
ohm = [7.98, 8.03]
contacts = ["101", "102"]
continuous_w = 200.0
[[load]]
nominal_ohm = 4.0
ohm = [4.02, 3.99]
contacts = ["103", "104"]
continuous_w = 150.0
burst_j = 120.0
[[bay]]
supply_contact = "201"
output_contacts = ["203", "204"]
thermometer = ["301", "302"]
[ceiling]
supply_v = 31.2
supply_a = 25.0
[lead]
fuse_a = 40.0
[hardware]
fireproof_base = true
"""


def unasked(question: str) -> str:
    raise AssertionError(f"nobody is to be asked: {question}")


def unsaid(line: str) -> None: ...


def made(folder: Path, answers: str = ANSWERS) -> Path:
    (folder / "answers.toml").write_text(answers)
    return make(New(folder / "mine.toml", folder / "answers.toml"), unasked, unsaid)


def test_what_is_answered_stands_in_a_file_that_every_command_reads(tmp_path: Path) -> None:
    bench = load_bench(str(made(tmp_path))).model
    assert bench.title == 'One bay, "aft" \\ boat shed, 24 V'
    assert bench.wiring == {"ch1": "output A", "ch2": "output B", "ch4": "rail"}
    assert bench.role["supply"].address == "GPIB0::7::INSTR"
    assert bench.role["generator"].calibrated == date(2026, 3, 1)
    assert bench.load["8R.old"].ohm == {"A": 7.98, "B": 8.03}
    assert bench.load["4R"].close == {"A": ("103",), "B": ("104",)}
    assert (bench.load["4R"].burst_j, bench.load["4R"].continuous_w) == (120.0, 150.0)
    assert bench.bay[0].thermometer == {"A": "301", "B": "302"}
    assert (bench.ceiling.supply_v, bench.ceiling.supply_a, bench.lead["supply"].fuse_a) == (31.2, 25.0, 40.0)
    assert bench.hardware.fireproof_base
    assert not bench.hardware.cut_off
    assert sorted(one.name for one in tmp_path.iterdir()) == ["answers.toml", "mine.toml"]


def test_a_bench_without_relays_and_with_a_supply_of_knobs(tmp_path: Path) -> None:
    """A person connects loads and sets volts: no contacts are asked, one bay."""
    answers = ANSWERS.replace('address = "GPIB0::7::INSTR"\ndialect = "supply-a"', 'address = "by hand"')
    relays = 'address = "TCPIP::192.168.7.24::5025::SOCKET"\ndialect = "load-switch-a"'
    answers = answers.replace(relays, 'address = "by hand"')
    answers = re.sub(r"(?m)^(contacts|supply_contact|output_contacts) = .*\n", "", answers)
    out = made(tmp_path, answers + '[prove]\nloop_input = "ch1"\n')
    bench = load_bench(str(out)).model
    assert sorted(bench.role) == ["digitiser", "generator", "thermometer"]
    assert bench.prove.loop_input == "ch1"
    assert "dummy" not in out.read_text(), "a supply that a person works is not proved"
    assert all(load.by_hand for load in bench.load.values())
    assert bench.bay[0].thermometer == {"A": "301", "B": "302"}


PROVE = '[prove]\nloop_input = "ch2"\ndummy_ohm = 10.0\ndummy_w = 50.0\n'


def test_what_is_connected_for_its_proof_is_asked(tmp_path: Path) -> None:
    out = made(tmp_path, ANSWERS + PROVE)
    assert load_bench(str(out)).model.prove == Prove(loop_input="ch2", dummy_ohm=10.0, dummy_w=50.0)
    assert any("with ch2's probe on the generator's output and 10 ohm across" in one for one in next_steps(out))
    table = out.read_text().partition("[prove]")[2].partition("\n\n")[0].splitlines()
    assert len(table) == 4
    assert all(" # " in one for one in table), "each key has a word beside it"


def test_where_nothing_is_connected_the_table_is_a_remark_that_may_be_taken_out(tmp_path: Path) -> None:
    """With its marks gone it is a table that every command reads; next it is said what stays unseen."""
    out = made(tmp_path)
    assert load_bench(str(out)).model.prove == Prove()
    assert any("not seen: level, trigger and clock; amps and current limit" in one for one in next_steps(out))
    text = out.read_text()
    for key in ("[prove]", "loop_input", "dummy_ohm", "dummy_w"):
        assert text.count(f"\n# {key}") == 1
        text = text.replace(f"\n# {key}", f"\n{key}")
    out.write_text(text)
    assert load_bench(str(out)).model.prove == Prove(loop_input="ch1", dummy_ohm=10.0)


def test_the_command_says_what_to_prove_next(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "answers.toml").write_text(ANSWERS)
    out = tmp_path / "mine.toml"
    assert main(["bench", "new", "--out", str(out), "--answers", str(tmp_path / "answers.toml")]) == 0
    said = capsys.readouterr().out
    assert f"nightramp dry-run first --bench {out}" in said
    assert "Nothing in it is proved yet" in said
    steps = [
        "nightramp check",
        "nightramp dry-run",
        f"--bench {out}    ",
        f"instruments --bench {out} --prove",
        "terminal_scan",
    ]
    places = [said.index(one) for one in steps]
    assert places == sorted(places), "not in the order in which a bench is proved"
    assert main(["bench", "new", "--out", str(out), "--answers", str(tmp_path / "answers.toml")]) == 2
    assert "nothing is written over it" in capsys.readouterr().err
    assert main(["bench", "new", "--out", str(tmp_path / "b.toml"), "--at", "GPIB0::7::INSTR"]) == 2


WRONG: list[tuple[str, str, str, str]] = [
    ('"TCPIP::192.168.7.22::5025::SOCKET"', '"192.168.7.22"', "role.digitiser.address", "VISA address"),
    ('"TCPIP::192.168.7.24::5025::SOCKET"', '"GPIB0::7::INSTR"', "role.load_switch.address", "role.supply has"),
    ('"supply-a"', '"supply-z"', "role.supply.dialect", "one of supply-a"),
    ('"AB"', '"BA"', "channels", "one of A, AB"),
    ("[7.98, 8.03]", "[7.98]", "load[0].ohm", "2, with commas"),
    ("[4.02, 3.99]", "[40.2, 3.99]", "load[1].ohm", "measure again"),
    ('["103", "104"]', '["103", "101"]', "load[1].contacts", "does something else already"),
    ('["103", "104"]', '["103", "103"]', "load[1].contacts", "each only once"),
    ('"201"', '"102"', "bay[0].supply_contact", "does something else already"),
    ("supply_v = 31.2", "supply_v = -1.0", "ceiling.supply_v", "above 0"),
    ("supply_a = 25.0", "", "ceiling.supply_a", "this answer is needed"),
    ("[hardware]", '[prove]\nloop_input = "ch4"\n[hardware]', "prove.loop_input", "one of ch1, ch2, nothing"),
    ("[hardware]", "[prove]\ndummy_ohm = -10.0\n[hardware]", "prove.dummy_ohm", "above 0"),
    ("[hardware]", "[prove]\ndummy_w = 50.0\n[hardware]", "prove.dummy_w", "makes it needless"),
    ("fireproof_base = true", 'fireproof_base = "perhaps"', "hardware.fireproof_base", "yes or no"),
    ("fireproof_base = true", "fireproof = true", "hardware.fireproof", "no question has this name"),
    ("2026-03-01", '"last spring"', "role.generator.calibrated", "2026-03-01"),
]


@pytest.mark.parametrize(("was", "now", "key", "remedy"), WRONG, ids=[f"{key} {now}" for _, now, key, _ in WRONG])
def test_a_wrong_answer_is_named_with_what_is_allowed(
    tmp_path: Path, was: str, now: str, key: str, remedy: str
) -> None:
    assert was in ANSWERS
    with pytest.raises(InputRefused) as refused:
        made(tmp_path, ANSWERS.replace(was, now, 1))
    (problem,) = [one for one in refused.value.problems if one.key == key]
    assert (problem.file, remedy in problem.remedy) == (str(tmp_path / "answers.toml"), True), problem
    assert not (tmp_path / "mine.toml").exists()


def test_all_wrong_answers_are_told_together(tmp_path: Path) -> None:
    wrong = ANSWERS
    for was, now, *_ in (WRONG[0], WRONG[2], WRONG[9], WRONG[12]):
        wrong = wrong.replace(was, now, 1)
    with pytest.raises(InputRefused) as refused:
        made(tmp_path, wrong)
    assert [one.key for one in refused.value.problems] == [WRONG[n][2] for n in (0, 2, 9, 12)]


def test_a_dialect_file_that_is_not_there_is_refused_and_nothing_is_left(tmp_path: Path) -> None:
    with pytest.raises(InputRefused) as refused:
        made(tmp_path, ANSWERS.replace('"supply-a"', '"mine.dialect.toml"'))
    assert [(one.file, one.key) for one in refused.value.problems] == [
        (str(tmp_path / "mine.toml"), "role.supply.dialect")
    ]
    assert [one.name for one in tmp_path.iterdir()] == ["answers.toml"]


@pytest.mark.parametrize("seed", range(5))
def test_whatever_is_typed_is_taken_or_asked_again(seed: int) -> None:
    """Half of what is typed is rubbish; the example of a question is always allowed, or what a person makes of it."""
    rng, said = Random(seed), list[str]()
    rubbish = ["", "0", "-1", "1e999", "nan", "x" * 90, "A,B", "§", "\x1b[2J", "TCPIP::x", "999999999999999999999"]
    count = iter(range(1000, 9000))

    def ask(question: str) -> str:
        if rng.random() < 0.5:
            return rng.choice(rubbish)
        return _sensible(question, lambda: str(next(count)))

    answers = at_terminal(interview(known_here({})), ask, said.append)
    assert set(answers["channels"]) <= set("AB")
    assert answers["ceiling.supply_v"] > 0.0
    assert any(line.startswith("  ") for line in said), "nothing was ever asked again"


def _sensible(question: str, fresh: Callable[[], str]) -> str:
    """One allowed answer to each question, whatever was said before."""
    if "VISA address" in question:
        return f"TCPIP::192.168.7.7::{fresh()}::SOCKET"
    if "ohms by its name" in question:
        return "8"
    if "What plans call it" in question or ": its name" in question:
        return f"n{fresh()}"
    if "Ohms measured" in question:
        return "8.1, 8.2" if " and B" in question else "8.1"
    if "The contact that puts it on" in question:
        return f"{fresh()}, {fresh()}" if " and B" in question else fresh()
    if "Which dialect" in question:
        return question.partition("Which dialect: ")[2].partition(",")[0]
    return "" if "[" in question else question.rpartition("(as in ")[2].rstrip("): ")


def test_a_terminal_that_ends_writes_nothing(tmp_path: Path) -> None:
    def ended(question: str) -> str:
        raise EOFError

    with pytest.raises(InputRefused):
        make(New(tmp_path / "mine.toml"), ended, unsaid)
    assert list(tmp_path.iterdir()) == []


# --- looking --------------------------------------------------------------------------------------


@dataclass
class Session:
    bus: Bus
    address: str
    timeout: int = 0
    read_termination: str = ""
    write_termination: str = ""

    def query(self, message: str) -> str:
        self.bus.sent.append((self.address, message))
        reply = self.bus.replies[self.address]
        if not reply:
            raise OSError("timeout expired")
        return reply

    def close(self) -> None:
        self.bus.open.remove(self.address)


@dataclass
class Bus:
    """Stands in for a VISA resource manager, and keeps what was done with it."""

    replies: dict[str, str]
    sent: list[tuple[str, str]] = field(default_factory=list)
    open: list[str] = field(default_factory=list)

    def list_resources(self, query: str) -> tuple[str, ...]:
        return (*self.replies, "ASRL/dev/ttyS0::INSTR")

    def open_resource(self, address: str, open_timeout: int) -> Session:
        if address not in self.replies:
            raise OSError("no device at this address")
        self.open.append(address)
        return Session(self, address)


FOUND = {
    "GPIB0::4::INSTR": "BILGE & KEEL,PS-6080,60-1182,2.1",
    "GPIB0::7::INSTR": "HARBOUR INSTRUMENTS,FG-1,FG-3306,1.4\n",
    "USB0::1::2::INSTR": "",
}


def test_looking_asks_for_identity_and_nothing_else() -> None:
    bus = Bus(dict(FOUND))
    seen = Looker(lambda: bus).everywhere(["GPIB0::9::INSTR"])
    assert {message for _, message in bus.sent} == {IDENTITY}
    assert [where for where, _ in bus.sent] == list(FOUND), "a serial line was asked"
    assert bus.open == [], "a session was left open"
    told = {one.address: one.reply for one in seen}
    assert told["GPIB0::7::INSTR"] == "HARBOUR INSTRUMENTS,FG-1,FG-3306,1.4"
    assert (told["USB0::1::2::INSTR"], told["GPIB0::9::INSTR"], told["ASRL/dev/ttyS0::INSTR"]) == (None, None, None)


def test_an_identity_proposes_address_dialect_and_serial(tmp_path: Path) -> None:
    """Only what answered is proposed, and each only for its own role."""
    bus, said, asked = Bus(dict(FOUND)), list[str](), list[str]()
    answers = iter(range(1, 100))

    def ask(question: str) -> str:
        asked.append(question)
        sensible = _sensible(question, lambda: str(1000 + next(answers)))
        return "" if "[" in question else sensible

    bench = load_bench(str(make(New(tmp_path / "b.toml", manager=lambda: bus), ask, said.append))).model
    generator, supply = bench.role["generator"], bench.role["supply"]
    assert (generator.address, generator.dialect, generator.serial) == ("GPIB0::7::INSTR", "generator-a", "FG-3306")
    assert (supply.address, supply.dialect, supply.serial) == ("GPIB0::4::INSTR", "supply-a", "60-1182")
    assert generator.identity == "HARBOUR INSTRUMENTS,FG-1,"
    assert any(IDENTITY in line and "Nothing else is sent" in line for line in said), "what it will do was not said"
    assert {message for _, message in bus.sent} == {IDENTITY}


class _Answering(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        while line := self.rfile.readline():
            assert line == b"*IDN?\n"
            self.wfile.write(b"LIGHTSHIP,TH-8,TH-0551,3.0\n")


@pytest.fixture
def instrument() -> Iterator[str]:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), _Answering) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"TCPIP::127.0.0.1::{server.server_address[1]}::SOCKET"
        server.shutdown()


def test_a_real_socket_is_asked_through_the_real_library(instrument: str) -> None:
    seen = Looker(resource_manager).ask(instrument)
    assert (seen.reply, seen.why) == ("LIGHTSHIP,TH-8,TH-0551,3.0", "")
