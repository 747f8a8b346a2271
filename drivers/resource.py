"""What a VISA resource string names, and what a machine needs for it. Pure, but for `Looks`, which looks."""

from __future__ import annotations

import importlib
import importlib.util
import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path


class Kind(Enum):
    """Kinds of link, by the words of the VISA specification (VPP-4.3, 4.3.1, resource strings; from memory)."""

    SOCKET = "raw socket"
    VXI11 = "VXI-11"
    HISLIP = "HiSLIP"
    USB = "USBTMC"
    SERIAL = "serial"
    GPIB = "GPIB"


_FORMS = (
    (Kind.SOCKET, re.compile(r"TCPIP[0-9]*::[^:\s]+::[0-9]{1,5}::SOCKET", re.IGNORECASE)),
    (Kind.HISLIP, re.compile(r"TCPIP[0-9]*::[^:\s]+::hislip[0-9]*(,[0-9]+)?(::INSTR)?", re.IGNORECASE)),
    (Kind.VXI11, re.compile(r"TCPIP[0-9]*::[^:\s]+(::[A-Za-z][A-Za-z0-9,]*)?(::INSTR)?", re.IGNORECASE)),
    (Kind.USB, re.compile(r"USB[0-9]*::[^:\s]+::[^:\s]+::[^:\s]+(::[0-9]+)?(::INSTR)?", re.IGNORECASE)),
    (Kind.SERIAL, re.compile(r"ASRL[^:\s]+(::INSTR)?", re.IGNORECASE)),
    (Kind.GPIB, re.compile(r"GPIB[0-9]*::[0-9]{1,2}(::[0-9]{1,2})?(::INSTR)?", re.IGNORECASE)),
)
ALLOWED = (
    "TCPIP::host::port::SOCKET, TCPIP::host::INSTR (VXI-11), TCPIP::host::hislip0::INSTR, "
    "USB::maker::model::serial::INSTR, ASRL/dev/ttyUSB0::INSTR, GPIB0::9::INSTR"
)


def kind_of(address: str) -> Kind | None:
    """None if it is no resource string of a kind that is spoken here."""
    return next((kind for kind, form in _FORMS if form.fullmatch(address)), None)


@dataclass(frozen=True)
class Looks:
    """How a machine is looked at. package: whether it can be imported; path: whether there is such a file; usb: whether
    a USB library of the system is found."""

    package: Callable[[str], bool] = lambda name: importlib.util.find_spec(name) is not None
    path: Callable[[str], bool] = lambda path: Path(path).exists()
    usb: Callable[[], bool] = lambda: _usb_library()


def _usb_library() -> bool:
    names = ("libusb1", "openusb", "libusb0")
    backends = (importlib.import_module(f"usb.backend.{name}") for name in names)
    return any(one.get_backend() is not None for one in backends)


def missing(address: str, library: str, looks: Looks = Looks()) -> str | None:
    """What to do before this address can be opened; None where nothing is missing. Opens nothing."""
    kind = kind_of(address)
    if kind is None:
        return f"no resource string of a kind that is spoken here: {ALLOWED}"
    if kind is Kind.SOCKET or library != "@py":
        return None  # a socket needs nothing; what another library can reach, only that library knows
    if kind is Kind.SERIAL:
        return _serial(address, looks)
    if kind is Kind.USB:
        if not looks.package("usb"):
            return "needs pyusb: pip install 'nightramp[usb]', and libusb-1.0 of the system"
        return None if looks.usb() else "pyusb finds no libusb-1.0: install it (on Debian: apt install libusb-1.0-0)"
    if kind is Kind.GPIB and not (looks.package("gpib") or looks.package("gpib_ctypes")):
        return "needs linux-gpib's Python part, or: pip install 'nightramp[gpib]'; another VISA library serves too"
    return None


def _serial(address: str, looks: Looks) -> str | None:
    if not looks.package("serial"):
        return "needs pyserial: pip install 'nightramp[serial]'"
    device = address[len("ASRL") :].partition("::")[0]
    if device.startswith("/") and not looks.path(device):
        return f"no such device as {device}: is it plugged in, and is it another number now? (ls /dev/serial/by-id)"
    if device.isdecimal():
        return "a number is no serial device here: write its path, as in ASRL/dev/ttyUSB0::INSTR"
    return None


def missing_library(library: str, looks: Looks = Looks()) -> str | None:
    """As `missing`, of the VISA library: `@py`, `@ivi`, a path, or `file@word` as pyvisa takes it."""
    path, at, word = library.rpartition("@")
    if not at:
        return None if looks.path(library) else "no such file: the path of a VISA library, or @py, or @ivi"
    if path and not looks.path(path):
        return f"no such file as {path}"
    if word == "ivi":
        return None if path or _has_ivi() else "no VISA library is installed on this machine: name its path, or use @py"
    return None if looks.package(f"pyvisa_{word}") else f"needs pyvisa-{word}: pip install pyvisa-{word}, or use @py"


def _has_ivi() -> bool:
    from pyvisa.ctwrapper.highlevel import IVIVisaLibrary

    return any(True for _ in IVIVisaLibrary.get_library_paths())
