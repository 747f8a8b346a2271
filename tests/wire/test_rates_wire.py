"""Sample rates and ranges: what a dialect names is what its front has; a rounded rate is not the one asked."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

import simulators.panels
from drivers.dialect import load_dialect
from drivers.errors import SettingRefused
from drivers.roles.capture import Capture
from sequencer.measurements.requests import Fire
from sequencer.night.hands import Hands
from sequencer.night.shot import Shooter
from sequencer.plan.window import ShotWindow
from tests.wire.contract_bench import Joint, joint

MANUALS = (Path(simulators.panels.__file__).parent / "MANUALS.md").read_text(encoding="utf-8")
FRONTS = ("digitiser-a", "digitiser-b", "digitiser-c")


def rates_on_page(front: str) -> list[float]:
    """The numbers of the page's line that sets the rate, up to what it says of rounding."""
    page = MANUALS.split(f"## {front}:")[1].split("\n## ")[0]
    line = next(one for one in page.splitlines() if re.match(r"\| `(:ACQuire:SRATe|HORizontal:SAMPLERate|RATE)", one))
    notes = line.split("|")[-2].split("rounded")[0]
    return [float(word) for word in re.findall(r"[0-9.]+[eE][0-9]+", notes)]


@pytest.mark.parametrize("front", FRONTS)
def test_a_dialect_names_the_rates_of_its_page_and_the_front_takes_them(front: str) -> None:
    """Two inputs on. Page: each of these is taken as it is."""
    named = load_dialect(front, "digitiser").facts.rates_hz
    assert named is not None
    assert list(named) == rates_on_page(front)

    async def body(at: Joint) -> None:
        await at.digitiser.prepare()
        for rate_hz in named:
            found = await at.digitiser.set_capture(Capture({1: 20.0, 3: 0.4}, rate_hz, 10_000, 0.001))
            assert 1.0 / found.sample_interval_s == pytest.approx(rate_hz)
        assert at.errors == []

    joint(body, digitiser=front)


@pytest.mark.parametrize(("front", "divisions"), [("digitiser-a", 4.0), ("digitiser-b", 5.0), ("digitiser-c", 5.12)])
def test_a_dialect_names_the_ranges_of_its_page_and_the_front_takes_them(front: str, divisions: float) -> None:
    """Pages: 1-2-5 volts a division up to 10 V, so many divisions from the middle; input 3 has no probe."""
    named = load_dialect(front, "digitiser").facts.ranges_v
    assert named is not None
    assert [round(one / divisions, 9) for one in named[-7:]] == [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0]

    async def body(at: Joint) -> None:
        await at.digitiser.prepare()
        for reach_v in named:
            found = await at.digitiser.set_capture(Capture({3: reach_v}, 1e6, 10_000, 0.001))
            assert found.full_scale_v[3] == pytest.approx(reach_v)
        assert at.errors == []

    joint(body, digitiser=front)


@pytest.mark.parametrize(("most_hz", "is_taken"), [(1e6, True), (2e6, False)])
def test_more_inputs_share_the_rate(most_hz: float, is_taken: bool) -> None:
    """Page of digitiser-a: with more than two inputs on at most 1e6, else -221."""
    facts = load_dialect("digitiser-a", "digitiser").facts
    assert facts.shared_rate is not None
    assert (facts.shared_rate.inputs, facts.shared_rate.most_hz) == (2, 1e6)

    async def body(at: Joint) -> None:
        await at.digitiser.prepare()
        three = Capture({1: 20.0, 2: 20.0, 3: 0.4}, most_hz, 10_000, 0.001)
        if is_taken:
            await at.digitiser.set_capture(three)
            return
        with pytest.raises(SettingRefused, match="-221"):
            await at.digitiser.set_capture(three)

    joint(body)


@pytest.mark.parametrize(
    ("front", "asked_hz", "taken"), [("digitiser-a", 7e5, "500000"), ("digitiser-c", 1e5, "125000")]
)
def test_a_rounded_rate_ends_the_shot_before_it_is_fired(front: str, asked_hz: float, taken: str) -> None:
    """A dialect of somebody's own may not name its rates. Page: a rounds down, c up."""

    def capture_of(volts: Mapping[int, float], window: ShotWindow) -> Capture:
        return Capture(volts, window.sample_rate_hz, window.samples, window.before_s)

    async def body(at: Joint) -> None:
        await at.energise()
        hands = SimpleNamespace(
            generator=at.generator, digitiser=at.digitiser, supply=at.supply, meter=None, by_hand=frozenset()
        )
        shooter = Shooter(cast(Hands, cast(Any, hands)), at.clock, 12, capture_of)
        before = len(at.bursts)
        with pytest.raises(SettingRefused, match=rf"{taken} are taken: name in \[digitiser\] rates_hz"):
            await shooter.fire(
                Fire(0.1, 1000.0, 5, {"ch1": 20.0}, "check"), ShotWindow(asked_hz, 10_000, 0.0005, 0.005)
            )
        assert len(at.bursts) == before

    joint(body, digitiser=front)
