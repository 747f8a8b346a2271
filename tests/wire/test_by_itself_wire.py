"""A capture that no trigger begins, on every front: how outputs are seen once nothing is left that could give one."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

import drivers
from drivers.dialect import dialect_from_text
from drivers.dialect_told import told_lines
from drivers.roles.capture import Capture
from sequencer.cli import main
from tests.wire.contract_bench import CYCLES, FREQUENCY_HZ, LEVEL_VRMS, OFFSET_V, Joint, joint
from tests.wire.test_other_fronts import bench_of

FRONTS = ("digitiser-a", "digitiser-b", "digitiser-c")
LOOK = Capture({1: 20.0}, 1e6, 10_000, 0.0)
SHOT = Capture({1: 40.0}, 1e6, 25_000, 0.001)
AT_REST = {
    "digitiser-a": (":TRIG:SWE?", "NORM"),
    "digitiser-b": ("TRIG:MOD?", "NORM"),
    "digitiser-c": ("MODE?", "STOP"),
}


@pytest.mark.parametrize("front", FRONTS)
def test_it_sees_the_outputs_and_waits_for_a_trigger_afterwards(front: str) -> None:
    """A unit's offset, without a burst; then 0.5 V or so times ten of a burst, which nothing but its trigger begins."""

    async def body(at: Joint) -> None:
        await at.energise()
        fired = len(at.bursts)
        await at.digitiser.take_by_itself(LOOK, 0.5)
        seen = await at.digitiser.fetch(1)
        volts = seen.volts_at_zero + seen.codes * seen.volts_per_code
        assert len(at.bursts) == fired
        assert float(np.mean(volts)) == pytest.approx(OFFSET_V, abs=seen.converter_step_codes * seen.volts_per_code)
        question, reply = AT_REST[front]
        assert at.asks("digitiser", question) == reply
        await at.digitiser.set_capture(SHOT)
        await at.generator.set_burst(LEVEL_VRMS, FREQUENCY_HZ, CYCLES)
        await at.digitiser.arm()
        await at.clock.sleep(0.5)  # it would have captured by itself long ago
        await at.generator.fire()
        await at.digitiser.wait_complete(1.0)
        shot = await at.digitiser.fetch(1)
        after = shot.volts_at_zero + shot.codes * shot.volts_per_code
        assert float(np.max(after)) > OFFSET_V + 5.0 * LEVEL_VRMS
        assert at.errors == []

    joint(body, digitiser=front)


def test_made_safe_on_digitiser_c_the_outputs_are_seen_silent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = str(bench_of("c", tmp_path))
    assert main(["dry-run", "first", "--bench", bench, "--unit", "ferry_pa_60", "--out", str(tmp_path / "night")]) == 0
    said = capsys.readouterr().out
    assert "made safe, confirmed" in said
    assert "not seen" not in said


def test_a_file_with_nothing_for_it_says_what_is_not_seen() -> None:
    text = (Path(drivers.__file__).parent / "dialects" / "digitiser-c.toml").read_text(encoding="utf-8")
    text, count = re.subn(r"\[act\.arm_by_itself\].*\n.*\n", "", text)
    assert count == 1
    said = "outputs are not seen once a bench was made safe"
    assert [said in line for line in told_lines(dialect_from_text(text, "mine.dialect.toml", "digitiser"))].count(
        True
    ) == 1
