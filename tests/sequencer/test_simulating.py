"""The copy of a bench file that leads to simulated instruments. What TOML makes of it is tomllib's word."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from sequencer.plan.load import load_bench
from sequencer.plan.models import OPTIONAL_ROLES, ROLES
from sequencer.simulating import ports_of, with_addresses

SHIPPED = Path(__file__).resolve().parents[2] / "sequences" / "benches"
NEW = {name: f"TCPIP::127.0.0.1::{6000 + at}::SOCKET" for at, name in enumerate((*ROLES, *OPTIONAL_ROLES))}


@pytest.mark.parametrize("path", sorted(SHIPPED.glob("*.toml")), ids=lambda path: path.stem)
def test_only_addresses_differ(path: Path) -> None:
    text = path.read_text()
    new = {name: NEW[name] for name in load_bench(path.stem).model.roles()}
    done = with_addresses(text, new)
    before, after = tomllib.loads(text), tomllib.loads(done)
    assert {name: role.pop("address") for name, role in after["role"].items()} == new
    for role in before["role"].values():
        role.pop("address")
    assert after == before
    assert [line for line in done.splitlines() if line.startswith("#")] == [
        line for line in text.splitlines() if line.startswith("#")
    ]


def test_swapped_addresses_and_ones_that_begin_alike_are_kept_apart() -> None:
    text = "[role.a]\naddress = \"TCPIP::h::1::SOCKET\"\n[role]\nb = { address='TCPIP::h::11::SOCKET' }\n"
    swapped = {"a": "TCPIP::h::11::SOCKET", "b": "TCPIP::h::1::SOCKET"}
    assert {
        name: one["address"] for name, one in tomllib.loads(with_addresses(text, swapped))["role"].items()
    } == swapped


def test_an_address_in_escapes_is_refused_not_left_behind() -> None:
    with pytest.raises(ValueError, match="plainly"):
        with_addresses('[role.a]\naddress = "\\u0054CPIP::h::1::SOCKET"\n', {"a": "TCPIP::h::2::SOCKET"})


@pytest.mark.parametrize(
    ("address", "port"),
    [
        ("TCPIP::127.0.0.1::7001::SOCKET", 7001),
        ("TCPIP0::localhost::7001::SOCKET", 7001),
        ("TCPIP::192.0.2.7::7001::SOCKET", 0),
        ("TCPIP::scope.example::7001::SOCKET", 0),
        ("USB0::0x1::0x2::S::INSTR", 0),
    ],
)
def test_only_an_address_of_this_machine_gives_its_port(address: str, port: int, tmp_path: Path) -> None:
    text = (SHIPPED / "workshop.toml").read_text()
    path = tmp_path / "bench.toml"
    path.write_text(text.replace("TCPIP::127.0.0.1::5025::SOCKET", address))
    assert ports_of(load_bench(str(path)))["generator"] == port
