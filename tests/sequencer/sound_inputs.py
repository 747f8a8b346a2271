"""Three sound files, small enough to be changed line by line, and what loading and checking says of them."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from sequencer.errors import InputRefused, Problem
from sequencer.plan.load import load_inputs
from sequencer.plan.refuse import refusals_of

Kind = Literal["plan", "unit", "bench"]

PLAN = """\
format = 1
name = "evening"
rest = "normal"
[budget]
shots_per_point = 60
[[stage]]
name = "bursts"
measurement = "output_power"
loads = ["8R", "4R"]
frequencies_hz = [1000.0]
drives = ["20 cycles", "1 cycle"]
supply_v = [24.0]
channels = "all"
stop_limit = { thd_pct = 1.0 }
thermal = ["any"]
"""

UNIT = """\
format = 1
serial = "MV-0117"
model = "Skerry 60"
front_end = "converter"
output_class = "AB"
gain_db = 26.0
supply_v = { min = 21.6, nominal = 24.0, max = 31.2 }
minimum_load_ohm = 4.0
lower_loads_ohm_for_bursts = []
bridged = false
coupling_hz = 3.0
passband_hz = [20.0, 20000.0]
input_max_vrms = 4.0
supply_a_max = 30.0
supply_fuse_a = 30.0
output_rail_v = 30.0
[[channel]]
name = "A"
[[channel]]
name = "B"
[idle_current]
window_a = [0.3, 1.2]
[heat]
stop_c = 75.0
trip_c = 85.0
"""

BENCH = """\
format = 1
name = "attic"
[ceiling]
generator_vrms = 4.0
supply_v = 31.2
supply_a = 40.0
burst_s = 2.0
[role.generator]
address = "TCPIP::127.0.0.1::5025::SOCKET"
dialect = "generator-a"
calibrated = 2026-03-01
[role.digitiser]
address = "TCPIP::127.0.0.1::5026::SOCKET"
dialect = "digitiser-a"
[role.supply]
address = "TCPIP::127.0.0.1::5027::SOCKET"
dialect = "supply-a"
[role.load_switch]
address = "TCPIP::127.0.0.1::5028::SOCKET"
dialect = "load-switch-a"
[role.thermometer]
address = "TCPIP::127.0.0.1::5029::SOCKET"
dialect = "thermometer-a"
[wiring]
ch1 = "output A"
ch2 = "output B"
ch3 = "rail"
[input.ch1]
factor = 10.0
[input.ch2]
factor = 10.0
[input.ch3]
factor = 10.0
[[range]]
full_scale_v = 4.0
[digitiser]
samples_max = 100000
rates_hz = [1e5, 1e6]
bits = 12
[load.8R]
close = ["101", "102"]
nominal_ohm = 8.0
ohm = { A = 7.98, B = 8.02 }
continuous_w = 200.0
burst_j = 150.0
[load.4R]
close = { A = ["103"], B = ["104"] }
nominal_ohm = 4.0
ohm = { A = 4.01, B = 3.99 }
continuous_w = 200.0
burst_j = 150.0
[[bay]]
name = "1"
supply_contact = "201"
output_contacts = ["203", "204"]
[[bay]]
name = "2"
supply_contact = "205"
[lead.supply]
ohm = 0.01
fuse_a = 40.0
[hardware]
supply_fuse_a = 40.0
[simulated]
truth = { "MV-0117" = "mv-0117" }
"""

SOUND: dict[Kind, str] = {"plan": PLAN, "unit": UNIT, "bench": BENCH}


def changed(kind: Kind, old: str, new: str) -> str:
    """The sound file with one place changed; the place must be there exactly once."""
    assert SOUND[kind].count(old) == 1, (kind, old)
    return SOUND[kind].replace(old, new)


def write(folder: Path, texts: dict[Kind, str]) -> dict[Kind, str]:
    """plan.toml, unit.toml, bench.toml in `folder`; their paths."""
    for kind, text in texts.items():
        (folder / f"{kind}.toml").write_text(text, encoding="utf-8")
    return {kind: str(folder / f"{kind}.toml") for kind in texts}


def problems(paths: dict[Kind, str], *more_units: str) -> list[Problem]:
    """What loading says, else what the three files say of each other."""
    try:
        return refusals_of(load_inputs(paths["plan"], [paths["unit"], *more_units], paths["bench"]))
    except InputRefused as refused:
        return refused.problems
