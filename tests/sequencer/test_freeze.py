"""The frozen file: nothing is lost on the way, nothing wrong is taken, and its lines are those the drivers send."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from drivers.actor import Actor
from drivers.dialect import Dialect, load_dialect
from drivers.link import LinkModel
from drivers.roles.generator import Generator, GeneratorCeilings
from drivers.roles.supply import Supply, SupplyCeilings
from sequencer.clock import VirtualClock, run_virtual
from sequencer.safety.freeze import Frozen, FrozenProblem, began, from_text, read, to_text, write
from sequencer.safety.frozen_bench import Held, freeze, host_and_port
from sequencer.safety.guardian_acts import Talk, _values, _volts_and_amps, reach
from sequencer.safety.guardian_record import read_record
from simulators.bench import BenchSpec, Instrument, SimulatedBench
from simulators.world.layout import Bay

HELD = Held("r1", "workshop", 4321, 987654, "/var/tmp/record.jsonl", 10.0)
ADDRESSES = {"generator": "TCPIP::127.0.0.1::5025::SOCKET", "supply": "TCPIP0::supply.example::5026::SOCKET"}
SUPPLIES = ("supply-a", "supply-b", "supply-c")


def dialects(supply: str = "supply-a") -> dict[str, Dialect]:
    return {"generator": load_dialect("generator-a", "generator"), "supply": load_dialect(supply, "supply")}


def frozen(supply: str = "supply-a") -> Frozen:
    return freeze(HELD, dialects(supply), ADDRESSES)


def key_paths(data: Any, before: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    inner = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in inner:
        if isinstance(data, dict):
            yield (*before, key)
        yield from key_paths(value, (*before, key))


def changed(path: tuple[Any, ...], value: Any) -> str:
    """The file's text with one key another (or, with ..., gone)."""
    data = json.loads(to_text(frozen()))
    inner = data
    for key in path[:-1]:
        inner = inner[key]
    if value is ...:
        del inner[path[-1]]
    else:
        inner[path[-1]] = value
    return json.dumps(data)


KEYS = list(key_paths(json.loads(to_text(frozen()))))


@pytest.mark.parametrize("supply", SUPPLIES)
def test_what_is_written_is_what_is_read(supply: str, tmp_path: Path) -> None:
    """Identity; and nothing is left beside the file."""
    path = tmp_path / "frozen.json"
    write(path, frozen(supply))
    write(path, frozen(supply))
    assert read(path) == frozen(supply)
    assert os.listdir(tmp_path) == ["frozen.json"]


@pytest.mark.parametrize("path", KEYS, ids=str)
def test_no_key_may_be_missing_or_of_another_kind(path: tuple[Any, ...]) -> None:
    """Each key of the file in turn: gone, null, a list of a number."""
    for value in (..., None, [1]):
        with pytest.raises(FrozenProblem):
            from_text(changed(path, value))


def test_a_key_nobody_knows_is_refused() -> None:
    """A later version's file may mean what this one can't do."""
    for path in (("more",), ("rail", "more"), ("rail", "readings", 0, "more"), ("instruments", 0, "more")):
        with pytest.raises(FrozenProblem):
            from_text(changed(path, "x"))


@pytest.mark.parametrize(
    ("path", "value", "named"),
    [
        (("instruments", 0, "port"), 70000, "port"),
        (("instruments", 0, "port"), "5025", "port"),
        (("instruments", 0, "off"), [], "switches it off"),
        (("instruments", 0, "off"), "OUTP OFF", "off"),
        (("instruments", 1, "role"), "generator", "supply"),
        (("rail", "safe_v"), float("nan"), "safe_v"),
        (("rail", "bleed_s"), float("inf"), "bleed_s"),
        (("silent_after_s",), 0, "silent_after_s"),
        (("pid",), True, "pid"),
        (("rail", "readings", 0, "gives"), ["volts"], "amps"),
        (("format",), 2, "format"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(path: tuple[Any, ...], value: object, named: str) -> None:
    """A string where lines belong would be sent letter by letter; a bound that is no number is never passed."""
    with pytest.raises(FrozenProblem, match=named):
        from_text(changed(path, value))


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    """Absent, torn, no text."""
    path = tmp_path / "frozen.json"
    for content in (None, b"", to_text(frozen())[:-40].encode(), b"\xff\xfe", b"[]"):
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(FrozenProblem, match=r"frozen\.json"):
            read(path)


@pytest.mark.parametrize(
    ("address", "expected"),
    [("TCPIP::10.0.0.4::5025::SOCKET", ("10.0.0.4", 5025)), ("tcpip0::psu::111::socket", ("psu", 111))],
)
def test_host_and_port(address: str, expected: tuple[str, int]) -> None:
    """Resource syntax of VPP-4.3 (from memory): TCPIP[board]::host address::port::SOCKET, in any case of letters."""
    assert host_and_port(address) == expected


@pytest.mark.parametrize(
    "address", ["GPIB0::5::INSTR", "TCPIP::10.0.0.4::INSTR", "TCPIP::a::b::SOCKET", "TCPIP::a::0::SOCKET", ""]
)
def test_what_a_plain_socket_cannot_reach_is_refused(address: str) -> None:
    """GPIB, VXI-11, a port that is none."""
    with pytest.raises(ValueError, match="guardian"):
        host_and_port(address)


@pytest.mark.parametrize("supply", SUPPLIES)
def test_the_lines_are_those_the_drivers_send(supply: str) -> None:
    """What the simulated panels took in from the drivers' own make safe, word for word and in its order."""
    taken: list[tuple[str, str]] = []
    known = dialects(supply)

    async def main(clock: VirtualClock) -> None:
        roles = {"generator": Instrument("generator-a", "1"), "supply": Instrument(supply, "2")}
        spec = BenchSpec(roles, {}, {}, (Bay("1", None),))
        bench = SimulatedBench(spec, clock, 1, log=lambda _ns, front, message, _reply: taken.append((front, message)))
        addresses = await bench.start()
        actors = {
            name: Actor(LinkModel(name, addresses[name]), dialect.greeting(), clock) for name, dialect in known.items()
        }
        generator = Generator(actors["generator"], known["generator"], GeneratorCeilings(1.0, 1.0, (1.0, 1e4)))
        both = (generator, Supply(actors["supply"], known["supply"], SupplyCeilings(31.2, 40.0, 33.0)))
        for actor in actors.values():
            await actor.open()
        taken.clear()
        for one in both:
            await one.make_safe()
        for actor in actors.values():
            await actor.close()
        await bench.stop()

    run_virtual(main)
    instruments = frozen(supply).instruments
    fronts = {"generator": "generator-a", "supply": supply}
    # Page of supply-c: the output spoken to is kept. The drivers name it before the question again.
    lines = [(one.role, line) for one in instruments for line in (*one.off, *known[one.role].select, one.off_ask)]
    assert taken == [(fronts[role], line) for role, line in lines]
    assert len(taken) >= 4, "nothing was sent: nothing was proved"


@pytest.mark.parametrize("supply", SUPPLIES)
def test_meter_replies_are_read_as_their_manual_has_them(supply: str) -> None:
    """Sample replies of the supply's programming page, with their meaning."""
    for part, reading in zip(dialects(supply)["supply"].reading("measured"), frozen(supply).rail.readings, strict=True):
        for sample in part.samples:
            assert _values(reading, sample.reply) == pytest.approx(dict(sample.means))


@pytest.mark.parametrize("reply", ["", "no number", "1.0,2.0,3.0", "nan,nan", "9.9E+37,0"])
def test_a_reply_that_is_no_reading_never_counts_as_down(reply: str) -> None:
    """9.9E+37 is an overload (SCPI 1999 vol. 1, 7.2.1, from memory); nan is above and below nothing."""

    class Says(Talk):
        def __init__(self) -> None: ...

        def ask(self, line: str) -> str:
            return reply

    rail = frozen().rail
    try:
        volts, amps = _volts_and_amps(Says(), rail)
    except ValueError:
        return
    assert not (abs(volts) < rail.safe_v and abs(amps) < rail.safe_a)


@pytest.mark.parametrize("reply", ["0.0100 KV", "0.0100", "0.0100 A", "V", "0.0100 MV"])
def test_a_reading_in_another_unit_is_none(reply: str) -> None:
    """Page of supply-c: `23.9987 V`. Ten volts told as 0.01 kV must not be taken for a rail that is down."""
    volts = frozen("supply-c").rail.readings[0]
    with pytest.raises(ValueError, match=r"not in V|could not convert"):
        _values(volts, reply)


@pytest.mark.parametrize("supply", SUPPLIES)
def test_no_reply_that_means_on_counts_as_off(supply: str) -> None:
    """Sample replies of the programming pages."""
    for one in frozen(supply).instruments:
        for sample in dialects(supply)[one.role].file.setting["output"].samples:
            assert (sample.reply.upper() in one.off_words) is (sample.means is False)


def test_an_output_that_is_muted_by_1_is_not_off_at_0(tmp_path: Path) -> None:
    """A command that mutes: 1 is off, and 0, elsewhere a usual word for off, is on."""
    text = (resources.files("drivers") / "dialects" / "generator-a.toml").read_text(encoding="utf-8")
    muted = text.replace('ask = "OUTP{channel}?"', 'ask = "OUTP{channel}?"\non = "0"\noff = "1"', 1)
    muted = muted.replace(
        '{ reply = "1", means = true }, { reply = "0", means = false }',
        '{ reply = "0", means = true }, { reply = "1", means = false }',
        1,
    )
    (tmp_path / "mine.dialect.toml").write_text(muted, encoding="utf-8")
    mine = load_dialect(tmp_path / "mine.dialect.toml", "generator")
    made = freeze(HELD, {"generator": mine}, {"generator": "TCPIP::127.0.0.1::1::SOCKET"})
    assert made.instruments[0].off_words == ("1", "OFF")


def test_whoever_switches_off_alone_knows_off_in_a_line_of_everything() -> None:
    """The generator of guide/PAGES.md answers all its settings in one line: its level may be any."""
    found = load_dialect(Path(__file__).parents[1] / "drivers" / "guide" / "generator.dialect.toml", "generator")
    made = freeze(HELD, {"generator": found}, {"generator": "TCPIP::127.0.0.1::1::SOCKET"})
    line = "WAVE=SIN,LEVEL=0.0123VPP,OFFS=0.0000V,PHASE=0DEG,FREQ=9.000000KHZ,LOAD=HIZ,BURST=ON,CYC=7,TRIG=SOFT,OUT={}"
    pattern = made.instruments[0].off_pattern
    assert line.format("OFF").upper() not in made.instruments[0].off_words
    assert re.fullmatch(pattern, line.format("OFF"), re.IGNORECASE)
    assert not re.fullmatch(pattern, line.format("ON"), re.IGNORECASE)


def test_the_benchs_own_identity_is_stricter() -> None:
    """The bench's file may name a serial."""
    found = freeze(HELD, dialects(), ADDRESSES, {"supply": "BILGE & KEEL,PS-6080,SN-7"})
    assert [one.identity_begins for one in found.instruments] == [
        "HARBOUR INSTRUMENTS,FG-1,",
        "BILGE & KEEL,PS-6080,SN-7",
    ]


def test_began_is_the_start_in_ticks_since_boot_whatever_the_name(tmp_path: Path) -> None:
    """proc(5): field 22, clock ticks since boot, after a name that may hold blanks and brackets."""
    odd = tmp_path / "x) 1 (y z"
    odd.symlink_to("/bin/sleep")
    ticks = os.sysconf("SC_CLK_TCK")
    before = time.clock_gettime(time.CLOCK_BOOTTIME) * ticks
    process = subprocess.Popen([str(odd), "60"])
    after = time.clock_gettime(time.CLOCK_BOOTTIME) * ticks
    try:
        assert before - 1 <= began(process.pid) <= after + 1
    finally:
        process.kill()
        process.wait()
    assert began(process.pid) == 0


@pytest.mark.parametrize(
    ("text", "confirmed", "words"),
    [
        ('{"run": "r1", "who": "guardian", "what": "all is off", "confirmed": true}\n', True, "all is off"),
        ('{"run": "r1", "who": "guardian", "what": "no", "confirmed": false}\n', False, "no"),
        ('{"run": "r1", "who": "supply", "what": "written: OUTP OFF"}\n', False, "breaks off"),
        ('{"run": "r1", "who": "supply", "what": "written: O', False, "breaks off"),
        (
            '{"run": "r0", "who": "guardian", "what": "x", "confirmed": true}\n{"run": "r1", "who": "su',
            False,
            "breaks off",
        ),
    ],
)
def test_the_record_as_the_next_start_reads_it(tmp_path: Path, text: str, confirmed: bool, words: str) -> None:
    """A record that breaks off is one of an act nobody saw the end of."""
    path = tmp_path / "record.jsonl"
    path.write_text(text)
    found = read_record(path)
    assert found is not None
    assert found.confirmed is confirmed
    assert words in found.sentence


def test_no_record_means_nothing_was_done(tmp_path: Path) -> None:
    """Absent before the first night; empty after one that ended well."""
    path = tmp_path / "record.jsonl"
    assert read_record(path) is None
    path.touch()
    assert read_record(path) is None


def test_lines_come_apart_where_the_instrument_loses_what_comes_sooner() -> None:
    """A gap of 20 ms after each of three lines takes 60 ms at least, and all three arrive; the supply of guide/PAGES.md
    wants 50 ms."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
        one = replace(frozen().instruments[0], host="127.0.0.1", port=port, gap_s=0.02)
        with Talk(reach(one)) as talk:
            begun_s = time.monotonic()
            talk.tell("A", "B", "C")
            took_s = time.monotonic() - begun_s
            peer, _ = listener.accept()
            with peer:
                assert peer.recv(100) == b"A\nB\nC\n"
    assert took_s >= 0.06
    guide = Path(__file__).parents[1] / "drivers" / "guide" / "supply.dialect.toml"
    supply = load_dialect(guide, "supply")
    made = freeze(HELD, {"supply": supply}, {"supply": "TCPIP::127.0.0.1::1::SOCKET"})
    assert made.instruments[0].gap_s == 0.05
    assert made.instruments[0].off == ("SEL 1", "OUT 0")
    assert {"OUT=0", "0"} <= set(made.instruments[0].off_words)
