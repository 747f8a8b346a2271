"""Two legs of a bridged output as one: subtraction by hand, and what is captured for it."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from drivers.errors import SettingRefused
from drivers.roles.capture import Capture
from sequencer.errors import InputRefused
from sequencer.night.two_legs import Difference, TwoLegs, difference
from sequencer.plan.load import load_bench
from tests.sequencer.sound_inputs import BENCH


def leg(codes: list[int], per_code_v: float = 0.01, zero_v: float = 0.1, *, over: bool = False) -> Difference:
    return Difference(np.array(codes), per_code_v, zero_v, 1e-5, 0.0, 1, over)


@dataclass
class Scope:
    """Legs at half of 24 V, 2 V between them."""

    asked: list[Any] = field(default_factory=list)

    async def set_capture(self, capture: Any) -> Any:
        self.asked.append(capture)

    async def fetch(self, number: int) -> Difference:
        return {1: leg([1290, 1190]), 2: leg([1090, 1190])}.get(number, leg([7, 7]))


def test_plus_less_minus_by_hand() -> None:
    """(12.90 + 0.1) - (10.90 + 0.1) = 2.00 V; (11.90 + 0.1) - (11.90 + 0.1) = 0."""
    scope = Scope()
    legs = TwoLegs(scope, {1: 2}, 15.6)  # type: ignore[arg-type]
    seen = asyncio.run(legs.fetch(1))
    assert list(seen.volts_at_zero + seen.codes * seen.volts_per_code) == pytest.approx([2.0, 0.0])
    assert list(asyncio.run(legs.fetch(3)).codes) == [7, 7], "all other inputs are handed on"
    asyncio.run(legs.set_capture(Capture({1: 20.0, 3: 33.0}, 1e5, 100, 0.001)))
    assert scope.asked[0].full_scale_v == {1: 25.6, 2: 25.6, 3: 33.0}, "half of it, and the middle they stand at"


def test_legs_that_were_not_read_alike_are_refused_and_an_overload_of_one_is_one() -> None:
    with pytest.raises(SettingRefused):
        difference(leg([1]), leg([1], per_code_v=0.02))
    with pytest.raises(SettingRefused):
        difference(leg([1, 2]), leg([1]))
    assert difference(leg([1]), leg([1], over=True)).overloaded


@pytest.mark.parametrize(
    ("wires", "remedy"),
    [
        (('"leg A plus"', '"output B"'), "wire both legs"),
        (('"leg A plus"', '"leg A minus"'), "the same factor"),
    ],
)
def test_a_leg_alone_and_unlike_probes_are_refused(wires: tuple[str, str], remedy: str, tmp_path: Any) -> None:
    text = BENCH.replace('ch1 = "output A"', f"ch1 = {wires[0]}").replace('ch2 = "output B"', f"ch2 = {wires[1]}")
    head, _, tail = text.partition("[input.ch2]")
    text = f"{head}[input.ch2]{tail.replace('factor = 10.0', 'factor = 100.0', 1)}"
    (tmp_path / "bench.toml").write_text(text)
    with pytest.raises(InputRefused) as refused:
        load_bench(str(tmp_path / "bench.toml"))
    assert any(remedy in problem.remedy for problem in refused.value.problems)
