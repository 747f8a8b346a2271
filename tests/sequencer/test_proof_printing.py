"""What a terminal of 80 columns shows of a bench that is asked or proved: parsed back, and held against the record."""

from __future__ import annotations

from datetime import date

import pytest

from sequencer.plan.load import load_bench, shipped
from sequencer.proving.printing import WIDTH, arming_lines, proof_lines, standing_lines, who_json, who_lines
from sequencer.proving.who import NOT_ASKED, Who
from sequencer.safety.remedies import remedy
from tests.sequencer.proofs import proof, step

LONG = "a limit of 0.5 A was set and read back, and the meter showed 2.1 A through the dummy load of 10.0 ohm " * 3


def joined(lines: list[str]) -> str:
    return " ".join(" ".join(lines).split())


def test_failed_first_then_not_seen_then_held() -> None:
    found = proof(
        step("level", "generator"),
        step("response", "thermometer", "not seen", next_action="Warm the sensor by hand."),
        step("current limit", "supply", "failed", next_action="Look at its sense leads, then set it by hand."),
        step("overload", "digitiser ch1", "failed"),
    )
    lines = proof_lines(found)
    rows = [line.split()[0] for line in lines[1:-1] if line[0] != " "]
    assert rows == ["FAILED", "FAILED", "not", "held"]
    assert lines.index(next(x for x in lines if "current limit" in x)) < lines.index(
        next(x for x in lines if "overload" in x)
    ), "within one outcome the order of proving stays"
    for one in found.steps:
        assert one.sentence in joined(lines)
        assert one.next_action in joined(lines)
    assert lines[-1] == "bench workshop NOT proved: 1 held, 1 not seen, 2 failed"


def test_a_proof_that_holds_and_one_in_simulated_time() -> None:
    assert proof_lines(proof())[-1] == "bench workshop proved: 1 held, 1 not seen, 0 failed"
    last = joined(proof_lines(proof(simulated=True))[-2:])
    assert "which counts for no real start" in last


def test_80_columns_and_no_control_codes() -> None:
    hostile = step("le\x1b[31mvel", "generator" * 9, "failed", next_action="\u202e" + "word " * 60)
    hostile = hostile.model_copy(update={"sentence": LONG + "\x07\r\n\u202e"})
    for line in proof_lines(proof(hostile)):
        assert len(line) <= WIDTH
        assert line.isprintable()


@pytest.mark.parametrize("name", shipped()["benches"])
def test_what_will_be_driven_is_said_of_every_bench(name: str) -> None:
    """The ceilings as the bench's file has them, and that nothing may be connected."""
    bench = load_bench(name).model
    text = joined(arming_lines(bench))
    assert "NO UNIT MAY BE CONNECTED" in text
    assert f"generator up to {bench.ceiling.generator_vrms:g} Vrms" in text
    assert (f"supply up to {bench.ceiling.supply_v:g} V and {bench.ceiling.supply_a:g} A" in text) == (
        "supply" in bench.role
    )
    assert ("each contact of the load switch" in text) == ("load_switch" in bench.role)
    assert "Software is never the only protection" in text


def test_what_to_connect_is_said_as_the_bench_file_has_it() -> None:
    bench = load_bench("workshop").model
    more = {"loop_input": "ch1", "dummy_ohm": 10.0, "dummy_w": 25.0}
    with_both = bench.model_copy(update={"prove": type(bench.prove).model_validate(more)})
    assert "the probe of ch1 to the generator's output" in joined(arming_lines(with_both))
    assert "10 ohm that bear 25 W across the supply's leads" in joined(arming_lines(with_both))
    without = bench.model_copy(update={"prove": type(bench.prove)()})
    text = joined(arming_lines(without))
    assert "not seen, since no input is on the generator" in text
    assert "its current limit is not seen" in text
    assert "connect now" not in text


def everybody(name: str) -> tuple[Who, ...]:
    bench = load_bench(name).model
    return tuple(Who(role, bench.role[role].dialect, "there", date(2026, 3, 1), "M,N,1,2") for role in bench.roles())


@pytest.mark.parametrize("name", shipped()["benches"])
def test_what_is_missing_is_said_with_what_it_costs(name: str) -> None:
    bench = load_bench(name).model
    lines = who_lines(bench, name, everybody(name))
    assert all(len(line) <= WIDTH for line in lines)
    text = joined(lines)
    for role in ("meter", "interlock", "cut_off"):
        assert (f"{role.replace('_', '-')}: not on this bench" in text) == (role not in bench.role)
    for role in ("supply", "load_switch"):
        assert (f"{role.replace('_', ' ')}: not on this bench, a person does its work" in text) == (
            role not in bench.role
        )
    assert ("not promised: power off by software" in text) == ("supply" not in bench.role)
    assert text.count("2026-03-01") == len(bench.roles())


def test_who_does_not_answer_is_named_with_what_to_do() -> None:
    bench = load_bench("workshop").model
    why = "supply: no answer within 2 s: *IDN?"
    found = (
        Who("generator", "generator-a", "there", None, "HARBOUR INSTRUMENTS,FG-1,FG-2214,1.4"),
        Who("supply", "supply-a", "there", date(2026, 2, 12), None, why, remedy("LinkTimeout")),
        Who("thermometer", "ours.dialect.toml", "there", None, "", NOT_ASKED),
    )
    lines = who_lines(bench, "workshop", found)
    words = {line.split()[0]: line.split()[-1] for line in lines[2:] if line[0] != " " and "-a" in line}
    assert words == {"generator": "yes", "supply": "NO"}
    assert "no date" in next(line for line in lines if line.startswith("generator"))
    text = joined(lines)
    assert why in text
    assert remedy("LinkTimeout") in text
    assert "HARBOUR INSTRUMENTS,FG-1,FG-2214,1.4" in text
    assert NOT_ASKED in text
    told = who_json(bench, found, {"proved": False})
    assert [one["identity"] for one in told["instruments"]] == [found[0].identity, None, ""]
    assert told["instruments"][1]["next_action"] == remedy("LinkTimeout")


def test_the_command_that_proves_it_stays_in_one_piece() -> None:
    command = "nightramp instruments --bench " + "folder/" * 12 + "deck.toml --prove"
    lines = standing_lines({"proved": False, "sentence": LONG, "command": command})
    assert lines[-1].strip() == command
    assert all(len(line) <= WIDTH for line in lines[:-1])
    assert standing_lines({"proved": True, "sentence": "x", "command": command}) == ["bench proved: x"]
