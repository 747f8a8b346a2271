"""What the page keeps of a night: the latest, bounded, and no more claimed than was confirmed. Truths: the invented
night's own numbers, and README's "The live page"."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache

import pytest

from sequencer.measurements.requests import Ask, Shot
from sequencer.page import scene as state
from sequencer.page import words
from sequencer.page.board import SAME_PRESS_S, Board
from sequencer.page.scene import MOST_LEVELS, MOST_RECENT, MOST_SHOTS, Scene
from sequencer.plan.points import Point
from tests.sequencer.page_scenes import START, begun, first_run, measuring, plan, reading, report
from tests.sequencer.view_night import a_shot


def test_what_is_kept_is_bounded_however_long_the_night() -> None:
    run, point = first_run()
    scene = begun()
    for number in range(3 * MOST_RECENT):
        shot = replace(a_shot_of(point), number=number, fired_at_ns=number * 1_000_000_000)
        scene = state.heard(scene, shot.request, shot)
        scene = state.read(scene, reading(number + 0.5), driven=True)
        scene = state.said(scene, "x")
        scene = state.point_kept(scene, run, {"id": "p001", "outcome": "measured"})
    assert len(scene.readings) <= MOST_RECENT
    assert (len(scene.levels), len(scene.shots)) == (MOST_LEVELS, MOST_SHOTS)
    assert len(scene.said) <= state.MOST_SAID
    assert len(scene.spans[0].marks) == state.MOST_MARKS
    assert scene.levels[-1].number == 3 * MOST_RECENT - 1, "the latest stays"


@cache
def a_shot_of(point: Point) -> Shot:
    return a_shot(point, 1.0)


def test_readings_keep_their_order_and_the_latest_of_a_moment() -> None:
    """Of five a second half are drawn; the last one always is."""
    scene = begun()
    for fifth in range(51):
        scene = state.read(scene, reading(fifth / 5.0, volts=20.0 + fifth), driven=True)
    times = [one.at_s for one in scene.readings]
    assert times == sorted(times)
    assert scene.readings[-1].supply_v == pytest.approx(70.0)
    assert len(times) <= 51 // 2 + 1
    late = state.read(scene, reading(1.0, volts=1.0), driven=True)
    assert late.readings == scene.readings, "an old one changes nothing"


def test_a_point_of_the_same_search_keeps_its_ramp_and_another_begins_anew() -> None:
    run, point = first_run()
    scene = measuring()
    together = next(p for p in run.points if p.group == point.group and p.id != point.id)
    assert state.point_begun(scene, run, together).levels == scene.levels
    other = next(p for p in run.points if p.group != point.group)
    assert state.point_begun(scene, run, other).levels == ()


def test_a_second_night_has_a_clock_of_its_own() -> None:
    """Bench time begins anew; what the day has measured stays on the timeline."""
    run, _ = first_run()
    scene = state.run_ended(measuring(), run, "finished", (START + timedelta(hours=1)).isoformat())
    scene = state.night_over(scene, ["made safe, confirmed"])
    assert scene.readings, "still there until the next one"
    later = state.night_begun(scene, plan(), START + timedelta(hours=2))
    assert (later.readings, later.shots, later.now.bench_s) == ((), (), 0.0)
    assert [one.outcome for one in later.spans] == ["finished"]
    later = state.run_begun(later, replace(run, id="r2"), 1, 1, (START + timedelta(hours=2)).isoformat())
    later = state.point_kept(later, replace(run, id="r2"), {"id": "p001", "outcome": "measured"})
    assert later.spans[-1].marks[0].at >= START + timedelta(hours=2)


def test_each_act_of_making_safe_is_said_with_its_moment() -> None:
    """Real seconds since STOP; the first moment it was confirmed stays, though it is told again."""
    scene = state.stop_pressed(measuring(), 100.0)
    scene = state.making_safe(scene, report("signal off"), False, 100.02)
    scene = state.making_safe(scene, report("signal off", "supply off"), False, 100.3)
    assert scene.safe is not None
    assert not scene.safe.over
    assert [(word.act, round(word.after_s or 0.0, 2)) for word in scene.safe.words] == [
        ("signal off", 0.02),
        ("supply off", 0.3),
    ]
    scene = state.making_safe(scene, report("signal off", "supply off", "rail down", "loads open"), True, 102.0)
    assert scene.safe is not None
    assert scene.safe.confirmed
    assert state.safe_sentence(scene.safe) == "made safe, confirmed"


def test_what_is_not_confirmed_is_never_told_as_safe() -> None:
    bad = state.making_safe(measuring(), report("signal off", failed="supply off"), True, 1.0)
    over = state.night_over(bad, ["NOT CONFIRMED SAFE: supply off"])
    assert over.safe is not None
    assert state.safe_sentence(over.safe).startswith("NOT CONFIRMED SAFE: supply off")
    assert "NOT CONFIRMED SAFE" in words.state_line(over)
    unknown = state.night_over(measuring(), [])
    assert "nothing is energised" not in words.state_line(unknown), "nobody said so"
    assert [(one.outcome, one.ended is None) for one in unknown.spans] == [("broken off", False)]
    good = state.night_over(state.making_safe(measuring(), report("signal off"), True, 1.0), [])
    assert "nothing is energised" in words.state_line(good)
    assert words.state_line(Scene()) == "Nothing has begun: nothing is energised."


def test_the_rows_say_how_far_each_limit_is() -> None:
    """Arithmetic on the unit's own file: stop 75, trip 85 degC, range 21.6 to 31.2 V."""
    run, _ = first_run()
    rows = {one.what: one for one in words.bench_rows(run, plan().bench, measuring().readings)}
    assert rows["heat sink A"].how == "44.0 K below the stop limit"
    assert rows["rail, at the supply"].now == "23.96 V", "the shot's own reading"
    assert rows["rail, at the supply"].how == "within"
    hot = state.read(begun(), reading(1.0, volts=20.0, amps=99.0, hot_c=80.0), driven=False)
    rows = {one.what: one for one in words.bench_rows(run, plan().bench, hot.readings)}
    assert rows["heat sink A"].how == "5.0 K above the stop limit, 5.0 K below the trip limit"
    assert rows["heat sink A"].is_beyond
    assert rows["rail, at the supply"].how == "1.60 V below the unit's least"
    assert rows["current"].how.endswith("A above the trip limit")
    tripped = state.read(begun(), reading(1.0, hot_c=86.5), driven=False)
    rows = {one.what: one for one in words.bench_rows(run, plan().bench, tripped.readings)}
    assert rows["heat sink A"].how == "1.5 K above the trip limit"
    unread = {one.what: one for one in words.bench_rows(run, plan().bench, ())}
    assert {one.how for one in unread.values()} == {"not read"}
    assert not any(one.is_beyond for one in unread.values())


def test_a_making_safe_is_not_told_over_the_next_unit() -> None:
    """What was confirmed of the unit before says nothing of the one that is powered now."""
    run, _ = first_run()
    scene = state.making_safe(measuring(), report("signal off"), True, 1.0)
    assert scene.safe is not None
    assert state.run_begun(scene, replace(run, id="r2"), 2, 2, START.isoformat()).safe is None


def test_a_question_is_called_out_and_taken_back() -> None:
    ask = Ask("set bass and treble", ("done", "no"), "no")
    scene = state.asked(begun(), (("q1", ask),))
    assert scene.call == "set bass and treble"
    assert state.asked(scene, ()).call == "no question is open any more"


# --- STOP, by the board


class _Acts:
    def __init__(self, tripped: bool) -> None:
        self.kinds: list[str] = []
        self.tripped = tripped
        self.acts = self

    def is_tripped(self) -> bool:
        return self.tripped

    async def __call__(self, said: object) -> tuple[str, str]:
        self.kinds.append(said.kind)  # type: ignore[attr-defined]
        return "done", "it ends"


@pytest.mark.parametrize(
    ("tripped", "after_s", "kinds"),
    [
        (False, SAME_PRESS_S / 2.0, ["stop"]),
        (False, SAME_PRESS_S * 2.0, ["stop", "make safe"]),
        (True, SAME_PRESS_S * 2.0, ["make safe", "make safe"]),
    ],
)
async def test_stop_again_hurries_two_clicks_of_one_fright_do_not(
    tripped: bool, after_s: float, kinds: list[str]
) -> None:
    """As Ctrl-C once and twice; while a trip is latched only making safe is done, and STOP is never refused."""
    now_s = [50.0]
    board, acts = Board(lambda: now_s[0]), _Acts(tripped)
    board.commands = acts  # type: ignore[assignment]
    assert (await board.stop())[0] == "done"
    assert board.scene.stop_at_s == 50.0
    now_s[0] += after_s
    assert (await board.stop())[0] == "done"
    assert acts.kinds == kinds
    assert board.scene.stop_at_s == 50.0, "told from the first press on"


async def test_before_anything_began_there_is_nothing_to_stop() -> None:
    board = Board(lambda: 0.0)
    assert (await board.stop())[0] == "refused"
    assert (await board.act("go on"))[0] == "refused"


def test_what_the_page_can_not_take_in_ends_no_night() -> None:
    """A listener may not raise: here a point is kept of a night that never told when it began."""
    run, _ = first_run()
    board = Board(lambda: 0.0)
    board.point_kept(run, {"id": "p001", "outcome": "measured"})
    assert "missed something" in board.scene.said[-1]
