"""Who is at work: the account of bytes per connection that tells virtual time when it may move.

A key (a connection's two ports, since two links may have the same one on our side, or any name for work off the
loop) goes closed → at work (the client has begun) → waiting (the other side has every byte of the query, its
completion is on the heap) → at work (a reply is complete and on its way) → closed (the client task has it). Time
moves only while no key is at work. Bytes are
counted, not lines: a write is over when its bytes are taken in, and a query whose line end was forgotten counts as
waiting, so that it runs into its deadline instead of freezing time.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from enum import Enum


class State(Enum):
    CLOSED = "closed"
    WORKING = "at work"
    WAITING = "waiting"


@dataclass(slots=True)
class Account:
    """One key. `begun`: a client of ours has used it; `mourned`: that client has asked whether it is gone."""

    state: State = State.CLOSED
    expects_reply: bool = False
    announced: int = 0
    taken: int = 0
    accepted: bool = False
    gone: bool = False
    begun: bool = False
    mourned: bool = False
    changed: list[asyncio.Future[None]] = field(default_factory=list)

    @property
    def all_taken(self) -> bool:
        return self.accepted and self.taken >= self.announced


class AtWork:
    """The client's half (begin, announce, taken, answered, end, gone) and the server's half of the account."""

    def __init__(self) -> None:
        self._accounts: dict[Hashable, Account] = {}
        self._working: dict[Hashable, None] = {}

    @property
    def working(self) -> tuple[Hashable, ...]:
        """The keys at work, oldest first."""
        return tuple(self._working)

    def state_of(self, key: Hashable) -> State:
        account = self._accounts.get(key)
        return account.state if account else State.CLOSED

    # The client's half

    def begin(self, key: Hashable, *, expects_reply: bool = False) -> None:
        """`key` is at work from now on."""
        account = self._account(key)
        if account.gone and not account.begun:  # a dead connection had these ports: a new life
            account = self._renew(key)
        account.begun = True
        account.expects_reply = expects_reply
        self._set(key, account, State.WORKING)

    def announce(self, key: Hashable, count: int) -> None:
        """`count` more bytes are about to be sent."""
        account = self._account(key)
        account.announced += count
        self._rest_if_all_in(key, account)

    async def taken(self, key: Hashable) -> None:
        """Returns when the connection has been accepted and every announced byte taken in, or when it has ended."""
        account = self._account(key)
        await _until(account, lambda: account.gone or account.all_taken)

    async def answered(self, key: Hashable) -> None:
        """Returns once `key` is not waiting: a whole reply is on its way to it, or its connection has ended."""
        account = self._account(key)
        await _until(account, lambda: account.state is not State.WAITING)

    def end(self, key: Hashable) -> None:
        """`key` has finished. Called on the loop, in the task that awaited it: earlier, time could slip in
        between."""
        account = self._account(key)
        self._set(key, account, State.CLOSED)
        if (account.gone and account.mourned) or not (account.accepted or account.taken):
            del self._accounts[key]

    async def gone(self, key: Hashable) -> None:
        """Returns when the other side has seen the connection end; it may have ended before."""
        account = self._account(key)
        account.mourned = True
        await _until(account, lambda: account.gone)

    # The server's half

    def connected(self, ports: Hashable) -> None:
        """A connection between these ports has been accepted; they may have been in use before."""
        account = self._account(ports)
        if account.gone and account.state is State.CLOSED:
            account = self._renew(ports)
        account.accepted = True
        _tell(account)

    def received(self, ports: Hashable, count: int) -> None:
        """`count` bytes were taken in."""
        account = self._account(ports)
        account.taken += count
        self._rest_if_all_in(ports, account)
        _tell(account)

    def reply_complete(self, ports: Hashable) -> None:
        """The chunk that completes a reply is about to be sent: the client has work again, if it is waiting for
        one."""
        account = self._account(ports)
        if account.state is State.WAITING:
            self._set(ports, account, State.WORKING)
            _tell(account)

    def disconnected(self, ports: Hashable) -> None:
        """The connection has ended as seen from this side; a waiting client will notice, which is work."""
        account = self._account(ports)
        account.gone = True
        if account.state is State.WAITING:
            self._set(ports, account, State.WORKING)
        _tell(account)

    def _account(self, key: Hashable) -> Account:
        account = self._accounts.get(key)
        return self._renew(key) if account is None else account

    def _renew(self, key: Hashable) -> Account:
        account = self._accounts[key] = Account()
        return account

    def _set(self, key: Hashable, account: Account, state: State) -> None:
        account.state = state
        if state is State.WORKING:
            self._working[key] = None
        else:
            self._working.pop(key, None)

    def _rest_if_all_in(self, key: Hashable, account: Account) -> None:
        # Only who expects a reply may rest: the task of a bare write has not yet heard that its bytes are
        # taken.
        if account.state is State.WORKING and account.expects_reply and account.taken >= account.announced:
            self._set(key, account, State.WAITING)


async def _until(account: Account, condition: Callable[[], bool]) -> None:
    while not condition():
        change: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        account.changed.append(change)
        await change


def _tell(account: Account) -> None:
    changed, account.changed = account.changed, []
    for change in changed:
        if not change.done():
            change.set_result(None)
