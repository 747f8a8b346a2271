"""Which links a bench may have, and what is said of those it may not, before anything is opened."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from drivers.dialect import load_dialect
from sequencer.errors import InputRefused, Problem
from sequencer.plan.load import load_bench
from sequencer.plan.within_bench import bench_problems
from sequencer.real_run import addresses_of, links_missing
from sequencer.roles import line_of
from sequencer.simulating import with_addresses

SHIPPED = Path(__file__).parents[2] / "sequences" / "benches" / "meter_workshop.toml"


def bench_file(tmp_path: Path, more: str = "", **addresses: str) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(with_addresses(SHIPPED.read_text(encoding="utf-8"), addresses) + more)
    return path


def missing(path: Path) -> list[Problem]:
    bench = load_bench(str(path))
    return links_missing(bench, addresses_of(bench))


def test_any_kind_of_link_may_listen(tmp_path: Path) -> None:
    path = bench_file(tmp_path, meter="TCPIP::192.0.2.7::INSTR", thermometer="TCPIP::192.0.2.8::hislip0::INSTR")
    assert bench_problems(load_bench(str(path)).model, "mine.toml") == []
    assert missing(path) == []


@pytest.mark.parametrize("role", ["generator", "supply"])
def test_what_can_energise_must_be_within_the_guardian_s_reach(tmp_path: Path, role: str) -> None:
    path = bench_file(tmp_path, **{role: "GPIB0::9::INSTR"})
    with pytest.raises(InputRefused) as refused:
        addresses_of(load_bench(str(path)))
    (problem,) = refused.value.problems
    assert (problem.file, problem.key, problem.value) == (str(path), f"role.{role}.address", "'GPIB0::9::INSTR'")
    assert "LAN port, or a terminal server" in problem.remedy


def test_all_that_is_missing_is_said_together(tmp_path: Path) -> None:
    path = bench_file(tmp_path, meter="ASRL/dev/no-such-line::INSTR", thermometer="ASRL7::INSTR")
    found = {problem.key: problem for problem in missing(path)}
    assert set(found) == {"role.meter.address", "role.thermometer.address"}
    assert found["role.meter.address"].value == "'ASRL/dev/no-such-line::INSTR'"
    assert "/dev/no-such-line" in found["role.meter.address"].remedy
    assert "write its path" in found["role.thermometer.address"].remedy


def test_a_visa_library_that_is_not_there_is_said(tmp_path: Path) -> None:
    (problem,) = missing(bench_file(tmp_path, '\n[visa]\nlibrary = "/no/such/libvisa.so"\n'))
    assert (problem.key, problem.value) == ("visa.library", "'/no/such/libvisa.so'")
    assert "no such file" in problem.remedy


def test_the_bench_s_serial_settings_take_the_place_of_the_dialect_s(tmp_path: Path) -> None:
    table = '\n[role.meter.serial_line]\nbaud = 115200\nparity = "even"\nbits = 7\n'
    path = bench_file(tmp_path, table, meter="ASRL/dev/ttyS0::INSTR")
    role = load_bench(str(path)).model.role["meter"]
    dialect = load_dialect("meter-a", "meter")
    link = dialect.link.model_copy(
        update={"serial_line": dialect.link.serial_line.model_copy(update={"stop_bits": 2.0})}
    )
    said = line_of(role, replace(dialect, file=dialect.file.model_copy(update={"link": link})))
    assert (said.baud, said.parity, said.bits, said.stop_bits, said.flow) == (115200, "even", 7, 2.0, "none")


def test_serial_settings_of_a_socket_are_refused(tmp_path: Path) -> None:
    path = bench_file(tmp_path, "\n[role.meter.serial_line]\nbaud = 9600\n")
    with pytest.raises(InputRefused) as refused:
        load_bench(str(path))
    (problem,) = refused.value.problems
    assert problem.key == "role.meter.serial_line"
    assert "take the table out" in problem.remedy
