"""One channel driven or all: what is said of a row is what was connected, by the load switch's own log."""

from __future__ import annotations

import re
from pathlib import Path

from sequencer.compose import DryRun, Rig, dry_run

PLAN = """
format = 1
name = "each"
rest = "quick"
[[stage]]
name = "each channel, then both"
measurement = "output_power"
loads = ["8R"]
drives = ["8 cycles"]
channels = "each"
[[stage]]
name = "both"
measurement = "output_power"
loads = ["8R"]
drives = ["8 cycles"]
"""


def test_only_the_driven_channels_have_a_load(tmp_path: Path) -> None:
    """The bench's 8R is contact 101 for channel A and 102 for B; one channel alone has more of a shared soft rail."""
    plan = tmp_path / "each.toml"
    plan.write_text(PLAN)
    said: list[str] = []

    def log(now_ns: int, name: str, message: str, reply: bytes | None) -> None:
        if re.match(r"ROUT(e)?:(CLOS|OPEN)[A-Za-z]* \(@", message, re.IGNORECASE):
            said.append(message)

    asked = DryRun(plan=str(plan), units=("ferry_pa_60",), out=tmp_path / "out", rig=Rig(log=log))
    done = dry_run(asked, say=lambda line: None)
    assert done.exit_code == 0
    loads = [m for m in said if "101" in m or "102" in m]
    kinds = [("close" if "CLOS" in m.upper() else "open", *re.findall(r"10[12]", m)) for m in loads]
    assert kinds[:5] == [("close", "101"), ("open", "101"), ("close", "102"), ("open", "102"), ("close", "101", "102")]
    a, b, both = done.results["runs"][0]["points"]
    assert [p["channels_driven"] for p in (a, b, both)] == [["A"], ["B"], ["A", "B"]]
    alone = a["channels"][0]["power_at_limit_w"]
    together = next(c for c in both["channels"] if c["channel"] == "A")["power_w"]
    assert alone > 1.01 * together
