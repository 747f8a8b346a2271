"""The account of who is at work. Expected states follow from the meaning of each call, written beside it."""

from __future__ import annotations

import asyncio

import pytest

from sequencer.at_work import AtWork, State


@pytest.fixture
def account() -> AtWork:
    return AtWork()


def _connected(account: AtWork, port: int) -> None:
    account.connected(port)
    account.begin(port)
    account.end(port)


def test_a_query_works_waits_works_and_closes(account: AtWork) -> None:
    _connected(account, 5)
    account.begin(5, expects_reply=True)
    account.announce(5, 10)
    assert account.state_of(5) is State.WORKING
    account.received(5, 4)
    assert account.state_of(5) is State.WORKING, "six bytes are still on their way"
    account.received(5, 6)
    assert account.state_of(5) is State.WAITING
    account.reply_complete(5)
    assert account.working == (5,)
    account.end(5)
    assert account.state_of(5) is State.CLOSED
    assert account.working == ()


def test_a_bare_write_stays_at_work_until_its_task_ends_it(account: AtWork) -> None:
    _connected(account, 5)
    account.begin(5)
    account.announce(5, 3)
    account.received(5, 3)
    assert account.state_of(5) is State.WORKING


def test_an_unasked_reply_puts_nobody_to_work(account: AtWork) -> None:
    _connected(account, 5)
    account.reply_complete(5)
    assert account.working == ()


async def test_taken_returns_with_the_last_byte(account: AtWork) -> None:
    _connected(account, 5)
    account.begin(5)
    account.announce(5, 3)
    waiting = asyncio.create_task(account.taken(5))
    await asyncio.sleep(0)
    account.received(5, 2)
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert not waiting.done()
    account.received(5, 1)
    await waiting


async def test_taken_waits_for_the_connection_to_be_accepted(account: AtWork) -> None:
    account.begin(5)
    waiting = asyncio.create_task(account.taken(5))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert not waiting.done()
    account.connected(5)
    await waiting


def test_bytes_received_before_they_were_announced_are_set_off(account: AtWork) -> None:
    account.connected(5)
    account.received(5, 7)
    account.begin(5, expects_reply=True)
    assert account.state_of(5) is State.WORKING
    account.announce(5, 7)
    assert account.state_of(5) is State.WAITING


async def test_gone_may_be_asked_after_the_end(account: AtWork) -> None:
    _connected(account, 5)
    account.disconnected(5)
    account.begin(5)
    await account.gone(5)
    account.end(5)


async def test_gone_may_be_asked_after_the_end_and_a_later_exchange(account: AtWork) -> None:
    """The other side ends it, our next exchange closes its own account, and only then we tear down."""
    _connected(account, 5)
    account.begin(5)
    account.disconnected(5)
    account.end(5)
    account.begin(5)
    await account.gone(5)


async def test_a_port_that_comes_again_starts_a_new_life(account: AtWork) -> None:
    _connected(account, 5)
    account.begin(5)
    account.announce(5, 9)  # never taken in: torn down half-way
    account.disconnected(5)
    await account.gone(5)
    account.end(5)
    account.begin(5, expects_reply=True)  # before the other side has accepted it
    account.announce(5, 2)
    account.connected(5)
    account.received(5, 2)
    assert account.state_of(5) is State.WAITING


def test_a_port_left_by_somebody_who_keeps_no_account_starts_a_new_life(account: AtWork) -> None:
    account.connected(5)
    account.received(5, 100)
    account.disconnected(5)
    account.connected(5)
    account.begin(5, expects_reply=True)
    account.announce(5, 2)
    assert account.state_of(5) is State.WORKING, "the hundred bytes of the earlier life do not count"


def test_a_waiting_client_has_work_when_its_connection_ends(account: AtWork) -> None:
    _connected(account, 5)
    account.begin(5, expects_reply=True)
    account.announce(5, 1)
    account.received(5, 1)
    account.disconnected(5)
    assert account.working == (5,)


async def test_answered_waits_for_a_whole_reply_or_the_end(account: AtWork) -> None:
    _connected(account, 5)
    account.begin(5, expects_reply=True)
    account.announce(5, 1)
    await account.answered(5)  # not waiting yet: nothing to hold back
    account.received(5, 1)
    held = asyncio.create_task(account.answered(5))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert not held.done()
    account.reply_complete(5)
    await held


def test_names_of_work_leave_nothing_behind(account: AtWork) -> None:
    for i in range(100):
        account.begin(f"job {i}")
        account.end(f"job {i}")
    assert account._accounts == {}
