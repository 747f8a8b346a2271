"""Joules that go into unit and loads from the instant a fault strikes until the supply is off, by the world's own
account: `python -m tests.wire.fault_joules` prints the worst of each kind (a few minutes; --kind for some of them).
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from simulators.world.journal import BurstRow
from tests.wire.fault_cases import ACTS, LINK, Case, cases
from tests.wire.fault_matrix import BURST_J, LOAD_J, UNIT_J, Locator, Run, night


@dataclass(frozen=True)
class Joules:
    """Sums of all channels, and the most that one burst, under way or begun since, gave into one load. safe_s: from
    the fault to the supply's being told off; None: it healed, and counts until the night's own end of that point.
    """

    unit_j: float
    load_j: float
    most_burst_j: float
    safe_s: float | None

    @property
    def is_allowed(self) -> bool:
        """By what unit and bench file allow: energy_per_burst_j, and the ceilings of one point."""
        return self.unit_j <= UNIT_J and self.load_j <= LOAD_J and self.most_burst_j <= BURST_J


HEALED_S = 12.0  # a fault that healed: its shot and the rest after it


def joules(run: Run) -> Joules:
    """Without signal the idle watts of a powered unit count too."""
    struck_ns = min(run.ended.struck_ns)
    is_tripped = bool(run.ended.runs[0]["trips"])
    off = run.ended.told_ns("supply", "OUTP OFF", struck_ns)
    safe_ns = off[0] if is_tripped and off else struck_ns + round(HEALED_S * 1e9)
    unit_j = load_j = 0.0
    for segment, from_ns, to_ns in run.ended.bench.world._timeline.pieces(struck_ns, safe_ns):
        begun, ended = (segment.response.work(segment.seconds(at_ns)) for at_ns in (from_ns, to_ns))
        unit_j += sum(ended.heat_j) - sum(begun.heat_j)
        load_j += sum(ended.load_j) - sum(begun.load_j)
    bursts = [row for row in run.ended.bench.world.journal if isinstance(row, BurstRow)]
    most_j = max(
        (max(row.load_j, default=0.0) for row in bursts if row.start_ns < safe_ns and row.end_ns > struck_ns),
        default=0.0,
    )
    return Joules(unit_j, load_j, most_j, (safe_ns - struck_ns) * 1e-9 if is_tripped else None)


def table(found: Sequence[tuple[Case, Joules]]) -> str:
    """The worst of each kind; nights whose fault never struck have no say."""
    lines = [f"{'kind':20}{'unit J':>8}  {'worst':36}{'loads J':>8}  {'worst':36}{'burst J':>8}{'safe s':>8}"]
    for kind in (*LINK, *ACTS):
        own = [(case, one) for case, one in found if case.kind == kind]
        if not own:
            continue
        cells = "".join(_worst(own, key) for key in ("unit_j", "load_j"))
        most_j = max(one.most_burst_j for _, one in own)
        safe_s = max((one.safe_s for _, one in own if one.safe_s is not None), default=0.0)
        lines.append(f"{kind:20}{cells}{most_j:8.1f}{safe_s:8.2f}")
    return "\n".join(lines)


def _worst(own: Sequence[tuple[Case, Joules]], key: str) -> str:
    case, one = max(own, key=lambda pair: getattr(pair[1], key))
    return f"{getattr(one, key):8.1f}  {where(case):36}"


def where(case: Case) -> str:
    return f"{case.role}, {' '.join(part for part in case.slot if part)}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--kind", action="append", choices=[*LINK, *ACTS], help="all, if none is given")
    asked = parser.parse_args()
    found = []
    with tempfile.TemporaryDirectory() as folder:
        moments = Locator(night(Path(folder) / "sound")).moments()
        for number, case in enumerate(cases(moments)):
            if not asked.kind or case.kind in asked.kind:
                run = case.run(Path(folder) / str(number), moments)
                if run.ended.struck_ns:
                    found.append((case, joules(run)))
    print(table(found))
    print(f"allowed: {BURST_J:g} J into a load in one burst; {UNIT_J:g} J of heat, {LOAD_J:g} J into loads in a point")


if __name__ == "__main__":
    main()
