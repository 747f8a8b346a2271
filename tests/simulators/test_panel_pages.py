"""The fronts whose pages have transcripts, played against them word by word; and that each can be put on a bench."""

from __future__ import annotations

import pytest

from simulators.bench import FRONTS, BenchSpec
from simulators.world.layout import Bay
from simulators.world.world import World
from tests.simulators.pages import MANUALS, replay, said, transcripts
from tests.simulators.panel_talk import Talk
from tests.simulators.world_bench import layout, unit

WITH_TRANSCRIPTS = {
    "generator-b",
    "generator-c",
    "digitiser-c",
    "supply-c",
    "load-switch-b",
    "load-switch-c",
    "thermometer-b",
    "thermometer-c",
    "meter-b",
    "meter-c",
}
SENSORS_C = {"thermometer-b": {"301": 23.45, "302": 24.10}, "thermometer-c": {"301": 23.48, "302": 24.10}}
SPEC = BenchSpec(roles={}, wiring={1: "output A"}, loads={}, bays=(Bay("1", unit()),), meter={"output A": ()})


class Warmth(World):
    """A world whose sensors stand at told temperatures."""

    def __init__(self, sensors_c: dict[str, float]) -> None:
        super().__init__(layout(unit()))
        self._sensors_c = sensors_c

    def temperature_c(self, thermometer_input: str, now_ns: int) -> float | None:
        return self._sensors_c.get(thermometer_input)


def test_every_front_has_a_page() -> None:
    assert all(f"\n## {name}: " in MANUALS for name in FRONTS)


@pytest.mark.parametrize("name", sorted(WITH_TRANSCRIPTS))
def test_a_front_says_what_its_page_says(name: str) -> None:
    """From power-on, as a bench file that names it would get it; and once more after it was switched off and on."""
    panel, talk = FRONTS[name](Warmth(SENSORS_C.get(name, {})), "7", SPEC), Talk()
    assert panel.name == name
    replay(panel, talk, transcripts(name)[0])
    panel.restart(talk.now_ns)
    replay(panel, talk, transcripts(name)[0])


def test_a_capture_of_digitiser_c_goes_on_as_its_page_says() -> None:
    """The second and third transcript follow the first; the trigger comes between them."""
    world = World(layout(unit()))
    panel, talk = FRONTS["digitiser-c"](world, "7", SPEC), Talk()
    first, armed, complete = transcripts("digitiser-c")
    replay(panel, talk, first)
    replay(panel, talk, armed)
    world.fire(talk.now_ns, 0.5, 1000.0, 20)
    talk.now_ns += 60_000_000
    replay(panel, talk, complete)


@pytest.mark.parametrize(
    ("name", "message", "lasts_s"),
    [
        ("generator-b", "OUTP?", 0.004),
        ("generator-c", "A:OUT?", 0.005),
        ("digitiser-c", "INR?", 0.0008),
        ("supply-c", "MEAS:VOLT?", 0.1),
        ("supply-c", "INST:NSEL 1;:MEAS:CURR?", 0.106),
        ("load-switch-b", "ROUT:CLOS?", 0.003),
        ("load-switch-c", "DIG:OUTP?", 0.002),
        ("thermometer-b", "TEMP:TC:TYPE K;:ROUT:SCAN (@301:303);:READ?", 0.302),
        ("thermometer-c", "T301", 0.080),
        ("thermometer-c", "UC", 0.010),
        ("meter-b", "CONF:FUNC ACV;:INIT;:FETC?", 0.522),
        ("meter-c", "VAL?", 0.52),
    ],
)
def test_messages_take_the_time_their_pages_tell(name: str, message: str, lasts_s: float) -> None:
    panel, talk = FRONTS[name](World(layout(unit())), "7", SPEC), Talk(5_000_000_000)
    said(panel, talk, message)
    assert talk.now_ns - 5_000_000_000 == pytest.approx(lasts_s * 1e9, abs=1)
