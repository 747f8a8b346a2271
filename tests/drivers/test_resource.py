"""Resource strings, and what a machine lacks for them.

The forms are those of VPP-4.3, 4.3.1 (VISA resource strings; from memory); pyvisa's own parser is the witness.
"""

from __future__ import annotations

import pytest
from pyvisa import rname

from drivers.resource import Kind, Looks, kind_of, missing, missing_library

STRINGS = [
    ("TCPIP::192.0.2.1::5025::SOCKET", Kind.SOCKET, "TCPIP", "SOCKET"),
    ("TCPIP0::scope.example::INSTR", Kind.VXI11, "TCPIP", "INSTR"),
    ("TCPIP::192.0.2.1::inst0::INSTR", Kind.VXI11, "TCPIP", "INSTR"),
    ("TCPIP::192.0.2.1::gpib0,5::INSTR", Kind.VXI11, "TCPIP", "INSTR"),
    ("TCPIP0::192.0.2.1::hislip0::INSTR", Kind.HISLIP, "TCPIP", "INSTR"),
    ("TCPIP0::192.0.2.1::hislip0,4880::INSTR", Kind.HISLIP, "TCPIP", "INSTR"),
    ("USB0::0x1ab1::0x0588::FG2870::INSTR", Kind.USB, "USB", "INSTR"),
    ("USB::6833::1416::FG2870::0::INSTR", Kind.USB, "USB", "INSTR"),
    ("GPIB0::9::INSTR", Kind.GPIB, "GPIB", "INSTR"),
    ("GPIB::1::0::INSTR", Kind.GPIB, "GPIB", "INSTR"),
    ("ASRL/dev/ttyUSB0::INSTR", Kind.SERIAL, "ASRL", "INSTR"),
    ("ASRL1::INSTR", Kind.SERIAL, "ASRL", "INSTR"),
]


@pytest.mark.parametrize(("address", "kind", "interface", "resource_class"), STRINGS)
def test_kinds_agree_with_another_parser(address: str, kind: Kind, interface: str, resource_class: str) -> None:
    assert kind_of(address) is kind
    parsed = rname.parse_resource_name(address)
    assert (parsed.interface_type, parsed.resource_class) == (interface, resource_class)


@pytest.mark.parametrize("address", ["", "host:5025", "TCPIP::", "USB::1::INSTR", "GPIB::x::INSTR", "VXI::1::INSTR"])
def test_what_is_none_is_none_and_the_remedy_names_those_there_are(address: str) -> None:
    assert kind_of(address) is None
    assert "ASRL/dev/ttyUSB0::INSTR" in str(missing(address, "@py"))


def test_instr_may_be_left_out() -> None:
    assert kind_of("TCPIP::host") is Kind.VXI11
    assert rname.parse_resource_name("TCPIP::host").resource_class == "INSTR"


def machine(*packages: str, paths: tuple[str, ...] = (), usb: bool = False) -> Looks:
    return Looks(lambda name: name in packages, lambda path: path in paths, lambda: usb)


@pytest.mark.parametrize(
    ("address", "looks", "told"),
    [
        ("TCPIP::h::1::SOCKET", machine(), None),
        ("TCPIP::h::INSTR", machine(), None),
        ("TCPIP::h::hislip0::INSTR", machine(), None),
        ("ASRL/dev/ttyUSB0::INSTR", machine(), "pip install 'nightramp[serial]'"),
        ("ASRL/dev/ttyUSB0::INSTR", machine("serial"), "no such device as /dev/ttyUSB0"),
        ("ASRL/dev/ttyUSB0::INSTR", machine("serial", paths=("/dev/ttyUSB0",)), None),
        ("ASRL3::INSTR", machine("serial"), "write its path"),
        ("USB::1::2::3::INSTR", machine(), "pip install 'nightramp[usb]'"),
        ("USB::1::2::3::INSTR", machine("usb"), "libusb-1.0"),
        ("USB::1::2::3::INSTR", machine("usb", usb=True), None),
        ("GPIB0::9::INSTR", machine(), "linux-gpib"),
        ("GPIB0::9::INSTR", machine("gpib_ctypes"), None),
    ],
)
def test_what_is_missing_is_told_with_its_remedy(address: str, looks: Looks, told: str | None) -> None:
    found = missing(address, "@py", looks)
    assert found is None if told is None else told in str(found)
    assert missing(address, "@ivi", machine()) is None  # that library knows its own needs


@pytest.mark.parametrize(
    ("library", "looks", "told"),
    [
        ("@py", machine("pyvisa_py"), None),
        ("@sim", machine(), "pip install pyvisa-sim"),
        ("bench.yaml@sim", machine("pyvisa_sim"), "no such file as bench.yaml"),
        ("bench.yaml@sim", machine("pyvisa_sim", paths=("bench.yaml",)), None),
        ("/usr/lib/libvisa.so", machine(), "no such file"),
        ("/usr/lib/libvisa.so", machine(paths=("/usr/lib/libvisa.so",)), None),
        ("/usr/lib/libvisa.so@ivi", machine(paths=("/usr/lib/libvisa.so",)), None),
    ],
)
def test_a_missing_library_is_told(library: str, looks: Looks, told: str | None) -> None:
    found = missing_library(library, looks)
    assert found is None if told is None else told in str(found)
