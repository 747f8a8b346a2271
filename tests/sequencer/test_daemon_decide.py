"""What the daemon does next, decided on paper. The expectations are hand arithmetic of hours and estimates, and the
rules as README's "Unattended" tells them; no other source."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from datetime import datetime

import pytest

from sequencer.daemon.decide import (
    After,
    Close,
    Left,
    PutOnHold,
    Refer,
    Rest,
    Span,
    Take,
    Waiting,
    after,
    next_act,
    worst,
)
from sequencer.daemon.hours import hours_of
from sequencer.errors import InputRefused

HOUR_S = 3600.0
ALWAYS = Left(float("inf"), float("inf"))
SHUT = Left(None, 9 * HOUR_S, "22:00", "")


def left(hours: float) -> Left:
    return Left(hours * HOUR_S, 9 * HOUR_S, "tomorrow 22:00", "07:00")


def queue(*hours: float) -> list[Waiting]:
    return [Waiting(number, h * HOUR_S) for number, h in enumerate(hours, start=1)]


def test_in_order_where_there_is_time() -> None:
    assert next_act(queue(3, 1), ALWAYS, None, Span()) == Take(1)
    assert next_act(queue(3, 1), left(3), None, Span()) == Take(1)


def test_nothing_begins_that_cannot_end_in_time() -> None:
    """2.9 h are left: the entry of 3 h waits, the next one, of 1 h, does not have to."""
    assert next_act(queue(3, 1), left(2.9), None, Span()) == Take(2)
    rest = next_act(queue(3, 1), left(0.5), None, Span())
    assert isinstance(rest, Rest)
    assert [number for number, _ in rest.whys] == [1, 2]
    assert all("07:00" in why and "tomorrow 22:00" in why for _, why in rest.whys)


def test_outside_the_hours_nothing_begins() -> None:
    rest = next_act(queue(1), SHUT, None, Span())
    assert isinstance(rest, Rest)
    assert rest.why == "1 entry waits for 22:00"
    assert next_act([], SHUT, None, Span()) == Rest("the queue is empty")


def test_what_outlasts_the_hours_themselves_is_held_with_the_reason() -> None:
    """9 h of window: 10 h never fit, nor 8 h with the reference unit's 0.75 h before and after; 7.5 h do."""
    for hours, reference_s in ((10, None), (8, 0.75 * HOUR_S)):
        held = next_act(queue(hours), left(9), reference_s, Span())
        assert isinstance(held, PutOnHold)
        assert "9 h 00 min" in held.why
    assert next_act(queue(7.5), left(9), 0.75 * HOUR_S, Span()) == Refer("first")


def test_the_reference_unit_comes_first_and_last_with_room_kept_for_it() -> None:
    """An hour each: 3 h are needed to begin one entry of an hour, 2 h for the next one, then 1 h for the last run."""
    one_s = HOUR_S
    assert isinstance(next_act(queue(1), left(2.9), one_s, Span()), Rest)
    assert next_act(queue(1), left(3), one_s, Span()) == Refer("first")
    begun = Span(is_open=True)
    assert next_act(queue(1), left(2), one_s, begun) == Take(1)
    assert next_act(queue(1), left(1.9), one_s, Span(True, 1)) == Refer("last")
    assert next_act([], left(1), one_s, Span(True, 2)) == Refer("last")
    late = next_act([], left(0.9), one_s, Span(True, 2))
    assert isinstance(late, Close)
    assert "no time" in late.why
    assert next_act([], left(5), one_s, begun) == Close(""), "nothing was measured between the two"


@pytest.mark.parametrize(
    ("code", "causes", "wished", "expected"),
    [
        (0, (), "stop", After("done", None)),
        (1, ("unit",), "go on", After("done", "tripped")),
        (1, ("unit",), "stop", After("done", "tripped", over=True)),
        (1, ("unit",), "hold the rest", After("done", "tripped", "hold")),
        (1, ("unit", "bench"), "go on", After("done", "tripped, and the bench is in doubt", "hold")),
        (1, ("link",), "go on", After("done", "tripped, and the bench is in doubt", "hold")),
        (4, (), "go on", After("held", "stopped by a person during it", over=True)),
        (3, ("unit",), "go on", After("held", "the bench could not be confirmed safe after it", "hold", over=True)),
        (5, (), "go on", After("held", "an internal fault ended it", "hold", over=True)),
    ],
)
def test_what_follows_a_night(code: int, causes: tuple[str, ...], wished: str, expected: After) -> None:
    assert after(code, causes, wished) == expected  # type: ignore[arg-type]


def test_the_exit_code_of_many_nights_is_the_worst() -> None:
    """README: 3 beats all; then the fault, the stop, the trip."""
    assert [worst(c) for c in ([], [0, 0], [1, 0], [1, 4], [4, 5, 1], [0, 3, 5])] == [0, 0, 1, 4, 5, 3]


# --- hours on the wall


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def test_hours_over_midnight() -> None:
    hours = hours_of("22:00-07:00")
    assert hours.closes(at("2026-03-10 21:59:59")) is None
    assert hours.closes(at("2026-03-10 22:00:00")) == at("2026-03-11 07:00")
    assert hours.closes(at("2026-03-11 06:59:59")) == at("2026-03-11 07:00")
    assert hours.closes(at("2026-03-11 07:00:00")) is None
    assert hours.opens(at("2026-03-11 07:00:00")) == at("2026-03-11 22:00")
    assert hours.opens(at("2026-03-11 22:00:00")) == at("2026-03-12 22:00")
    assert (hours.left_s(at("2026-03-11 05:30")), hours.left_s(at("2026-03-11 12:00"))) == (1.5 * HOUR_S, None)


def test_hours_within_a_day() -> None:
    hours = hours_of("09:30-17:00")
    assert hours.closes(at("2026-03-10 09:29")) is None
    assert hours.closes(at("2026-03-10 16:59")) == at("2026-03-10 17:00")
    assert hours.closes(at("2026-03-10 23:00")) is None
    assert hours.opens(at("2026-03-10 09:00")) == at("2026-03-10 09:30")
    assert hours.whole_s(at("2026-03-10 12:00")) == hours.whole_s(at("2026-03-10 20:00")) == 7.5 * HOUR_S


@pytest.fixture
def in_berlin() -> Iterator[None]:
    before = os.environ.get("TZ")
    os.environ["TZ"] = "Europe/Berlin"
    time.tzset()
    yield
    if before is None:
        del os.environ["TZ"]
    else:
        os.environ["TZ"] = before
    time.tzset()


@pytest.mark.usefixtures("in_berlin")
def test_nights_on_which_clocks_change() -> None:
    """Summer time in the EU ends on the last Sunday of October and begins on the last one of March, at 01:00 UTC
    (directive 2000/84/EC): the nights to 25 October and 29 March 2026 last an hour more, and one less."""
    hours = hours_of("22:00-07:00")
    for evening, whole in (("2026-10-24", 10), ("2026-03-28", 8), ("2026-03-27", 9)):
        assert hours.whole_s(at(f"{evening} 22:00")) == whole * HOUR_S
        assert hours.left_s(at(f"{evening} 23:00")) == (whole - 1) * HOUR_S
        assert hours.whole_s(at(f"{evening} 12:00")) == whole * HOUR_S


@pytest.mark.parametrize(
    "text", ["", "22-7", "22:00-24:00", "7:00-22:00", "22:00-22:00", "22:00 - 07:00", "25:00-07:00"]
)
def test_other_words_for_hours_are_refused_with_a_remedy(text: str) -> None:
    with pytest.raises(InputRefused, match="--window"):
        hours_of(text)
