"""Every number of a row came over the wire: somebody in the middle who changes one instrument's replies changes the row
by exactly that, or is found out.

Expected by arithmetic: watts go with the square of the volts, so 1.01 gives 1.01^2 = 1.0201.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.errors import EXIT_DONE, EXIT_TRIPPED
from simulators.faults import LinkFaults
from tests.wire.joined import Joined, night

MORE = 1.01
BENCH = {"a": "workshop", "b": "second_workshop"}
Rewrite = Callable[[str, bytes], bytes]


def in_the_middle(out: Path, role: str, rewrite: Rewrite, bench: str = "a") -> Joined:
    return night(out, {role: LinkFaults(rewrite=rewrite)}, bench=BENCH[bench])


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Joined]:
    folder = tmp_path_factory.mktemp("undisturbed")
    return {letter: night(folder / letter, bench=bench) for letter, bench in BENCH.items()}


def row(joined: Joined) -> dict[str, Any]:
    assert joined.exit_code == EXIT_DONE
    (one,) = joined.run["points"]
    found: dict[str, Any] = one
    assert found["outcome"] == "measured"
    return found


def assert_refused(joined: Joined, role: str) -> None:
    """Ended by name, and made safe by the simulators' own state."""
    assert joined.exit_code == EXIT_TRIPPED
    assert joined.run["points"] == []
    (sentence,) = joined.sentences
    assert sentence.startswith(f"{role}: ")
    assert "made safe, confirmed" in joined.told_at_the_end
    assert (joined.asks("generator", "OUTP1?"), joined.asks("supply", "OUTP?")) == ("0", "0")
    assert abs(joined.bench.world.supply_means(joined.end_ns - 1_000_000, joined.end_ns).volts) < 2.0


def more_codes(question: str, kind: str, zero: int, step: int) -> Rewrite:
    """Samples of a block about the code of nought, kept on the converter's steps and within its ends."""

    def rewrite(message: str, reply: bytes) -> bytes:
        if message != question:
            return reply
        start = 2 + int(reply[1:2])
        codes = np.frombuffer(reply[start:-1], dtype=kind).astype(np.float64) - zero
        more = np.rint(codes * MORE / step) * step + zero
        ends = np.iinfo(np.dtype(kind))
        kept = np.clip(more, ends.min + step, ends.max + 1 - 2 * step)
        return reply[:start] + kept.astype(kind).tobytes() + reply[-1:]

    return rewrite


def more_field(question: str, separator: str, field: int) -> Rewrite:
    """One number of a reply of several."""

    def rewrite(message: str, reply: bytes) -> bytes:
        if message != question:
            return reply
        fields = reply.decode().strip().split(separator)
        fields[field] = f"{float(fields[field]) * MORE:.9E}"
        return (separator.join(fields) + "\n").encode()

    return rewrite


# Twelve bits in words of sixteen: codes go by 16. Page of a: unsigned, low byte first, its reference code 32768; of b:
# signed, high byte first. The eighth field of a's preamble is the increment, the seventh of b's.
DIGITISERS = {
    "samples of a": ("a", more_codes(":WAV:DATA?", "<u2", 32768, 16)),
    "increment of a": ("a", more_field(":WAV:PRE?", ",", 7)),
    "samples of b": ("b", more_codes("CURV?", ">i2", 0, 16)),
    "multiplier of b": ("b", more_field("WFMO?", ";", 6)),
}


def first_at_the_accepted_level(joined: Joined) -> int:
    """Number of that shot, from 0, by the world's own list of bursts."""
    levels = [burst.emf_vrms for burst in joined.bursts]
    return levels.index(levels[row(joined)["shot_number"] - 1])


@pytest.mark.parametrize("what", DIGITISERS)
def test_one_percent_in_the_samples_is_two_in_the_watts(
    what: str, tmp_path: Path, undisturbed: dict[str, Joined]
) -> None:
    """From the first shot at the accepted level on: so that level is the same, and the clip in the wave too."""
    letter, more = DIGITISERS[what]
    plain = row(undisturbed[letter])
    untouched = 3 * first_at_the_accepted_level(undisturbed[letter])  # three inputs a shot
    asked = 0

    def rewrite(message: str, reply: bytes) -> bytes:
        nonlocal asked
        changed = more(message, reply)
        asked += changed != reply
        return changed if asked > untouched else reply

    changed = row(in_the_middle(tmp_path / "night", "digitiser", rewrite, letter))
    assert changed["level_vrms"] == plain["level_vrms"]
    for ours, theirs in zip(plain["channels"], changed["channels"], strict=True):
        assert theirs["power_w"] / ours["power_w"] == pytest.approx(MORE**2, abs=1e-3)
    ours, theirs = plain["rails"][0]["at_unit_v"], changed["rails"][0]["at_unit_v"]
    assert theirs / ours == pytest.approx(MORE, abs=1e-3)


@pytest.mark.parametrize("what", DIGITISERS)
def test_one_percent_all_night_is_two_in_the_watts_of_what_does_not_clip(
    what: str, tmp_path: Path, undisturbed: dict[str, Joined]
) -> None:
    """The search may settle some millivolts off; where the wave is clean, watts go with the square of the level too."""
    letter, more = DIGITISERS[what]
    plain, changed = row(undisturbed[letter]), row(in_the_middle(tmp_path / "night", "digitiser", more, letter))
    ours, theirs = plain["channels"][1], changed["channels"][1]
    assert max(ours["thd_pct"], theirs["thd_pct"]) < 0.2
    level_ratio = changed["level_vrms"] / plain["level_vrms"]
    assert theirs["power_w"] / ours["power_w"] / level_ratio**2 == pytest.approx(MORE**2, abs=1e-3)


def test_a_level_that_reads_back_otherwise_is_refused(tmp_path: Path) -> None:
    rewrite = more_field("SOUR1:VOLT?", ",", 0)
    joined = in_the_middle(tmp_path / "night", "generator", rewrite)
    assert "level reads back" in joined.told_at_the_end
    assert joined.exit_code == EXIT_TRIPPED
    assert joined.bursts == []


def test_a_level_that_reads_back_otherwise_in_the_midst_is_refused(tmp_path: Path) -> None:
    """From the fourth shot on: the shot is not fired."""
    asked = 0
    more = more_field("SOUR1:VOLT?", ",", 0)

    def rewrite(message: str, reply: bytes) -> bytes:
        nonlocal asked
        asked += message == "SOUR1:VOLT?"
        return more(message, reply) if asked >= 5 else reply  # once in preparing, then once a shot

    joined = in_the_middle(tmp_path / "night", "generator", rewrite)
    assert_refused(joined, "generator")
    assert "level reads back" in joined.sentences[0]
    assert len(joined.bursts) == 3


def test_the_supplys_volts_are_those_it_said(tmp_path: Path, undisturbed: dict[str, Joined]) -> None:
    plain = row(undisturbed["a"])
    changed = row(in_the_middle(tmp_path / "night", "supply", more_field("MEAS:ALL?", ",", 0)))
    (ours,), (theirs,) = plain["rails"], changed["rails"]
    assert theirs["at_supply_v"] == pytest.approx(ours["at_supply_v"] * MORE, rel=1e-6)
    assert theirs["at_unit_v"] == ours["at_unit_v"]  # by the digitiser
    assert changed["channels"] == plain["channels"]


def test_a_load_switch_that_closed_another_contact_is_refused(tmp_path: Path) -> None:
    """Its second load's coil reads on, the first one's off."""

    def rewrite(message: str, reply: bytes) -> bytes:
        return b"0,1\n" if message == "ROUT:CLOS? (@101,102)" else reply

    joined = in_the_middle(tmp_path / "night", "load_switch", rewrite)
    assert_refused(joined, "load_switch")
    assert "coil of 101 reads off" in joined.sentences[0]
    assert joined.bursts == []


def test_degrees_are_those_the_thermometer_said(tmp_path: Path, undisturbed: dict[str, Joined]) -> None:
    def rewrite(message: str, reply: bytes) -> bytes:
        if not message.startswith("READ?"):
            return reply
        return (",".join(f"{float(x) * MORE:+.8E}" for x in reply.decode().split(",")) + "\n").encode()

    plain, changed = row(undisturbed["a"]), row(in_the_middle(tmp_path / "night", "thermometer", rewrite))
    for name in ("start_heatsink_c", "heatsink_c"):
        assert changed[name] == pytest.approx({k: v * MORE for k, v in plain[name].items()}, rel=1e-6)
    assert changed["channels"] == plain["channels"]
