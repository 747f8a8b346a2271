"""HiSLIP through pyvisa-py and our link: identity, questions, blocks, silence, a link that dies. The other side is our
own peer (`hislip_peer.py`, IVI-6.1 from memory) before a simulated panel; no real instrument has been seen.
"""

from __future__ import annotations

import contextlib
import gc
import logging
import threading
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from drivers.actor import Actor
from drivers.dialect import load_dialect
from drivers.errors import GarbledReply, LinkClosed, LinkRefused, LinkTimeout, WrongIdentity
from drivers.link import LinkModel
from drivers.resource import Kind, kind_of
from drivers.roles.capture import Capture
from drivers.roles.digitiser import Digitiser, DigitiserSettings
from drivers.speaker import Greeting
from drivers.visa_session import resource_manager
from sequencer.bench_new.look import Looker
from sequencer.clock import run_real
from tests.drivers.hislip_peer import Habits, HislipPeer, of_panel, peer
from tests.simulators.digitiser_bench import a, payload, world_of
from tests.simulators.panel_talk import MS

IDENTITY = "LIGHTSHIP,DS-4A,44,02.11"
HABITS = {
    "in one piece": Habits(),
    "in pieces of 7 bytes": Habits(piece_bytes=7),
    "an empty last piece": Habits(bare_end=True),
    "no line end": Habits(line_end=False),
    "answers of another question first": Habits(stale=b"+9.99\n"),
    "knows no device clear": Habits(clears=False),
}
NO_GREETING = Greeting(identity_ask="", clear="", error_ask="")
DIALECT = load_dialect("digitiser-a", "digitiser")


def digitiser(habits: Habits | None = None) -> contextlib.AbstractContextManager[HislipPeer]:
    return peer(of_panel(*a(world_of())), habits)


def talk(one: HislipPeer, body: Callable[[Actor], Awaitable[None]], greeting: Greeting | None = None) -> None:
    """Also: no thread is left, and the last connection has ended."""

    async def main(clock: Any) -> None:
        model = LinkModel("digitiser", one.address, within_s=3.0)
        actor = Actor(model, greeting or DIALECT.greeting(), clock)
        try:
            await body(actor)
        finally:
            await actor.close()

    run_real(main)
    assert not [thread for thread in threading.enumerate() if thread.name.startswith("link ")]


@pytest.mark.parametrize("habits", HABITS.values(), ids=HABITS)
def test_identity_and_questions_each_with_its_own_answer(habits: Habits) -> None:
    async def body(actor: Actor) -> None:
        await actor.open()
        assert actor.identity == IDENTITY
        for rate in ("1.000000E+06", "5.000000E+05"):
            await actor.tell(f":ACQ:SRAT {rate}")
            assert await actor.ask(":ACQ:SRAT?") == rate
        assert await actor.ask(":ACQ:SRAT?;POIN?") == "5.000000E+05;20000"

    with digitiser(habits) as one:
        assert kind_of(one.address) is Kind.HISLIP
        talk(one, body)
        assert one.opened == ["hislip0"]
        assert one.heard[:3] == ["*IDN?", "*CLS", "SYST:ERR?"]
        assert one.cleared == (1 if habits.clears else 0), "what another has left half said was to be dropped"


@pytest.mark.parametrize("piece_bytes", [1 << 20, 65_536, 1000])
def test_a_record_of_100_000_samples_comes_whole(piece_bytes: int) -> None:
    """As the panel has it: 200,000 bytes, which no single read holds."""
    world = world_of()
    panel, own = a(world)
    with peer(of_panel(panel, own), Habits(piece_bytes=piece_bytes)) as one:

        async def body(actor: Actor) -> None:
            role = Digitiser(actor, DIALECT, DigitiserSettings(12, {1: 10.0}))
            await role.prepare()
            await role.set_capture(Capture({1: 20.0}, 1e6, 100_000, 0.001))
            await role.arm()
            own.now_ns += 10 * MS
            world.fire(own.now_ns, 1.2, 1000.0, 20)
            own.now_ns += 120 * MS
            await role.wait_complete(2.0)
            trace = await role.fetch(1)
            reply = own.ask(panel, ":WAV:DATA?")
            assert isinstance(reply, bytes)
            samples = np.frombuffer(payload(reply), "<u2")
            assert len(samples) == len(trace.codes) == 100_000
            assert np.array_equal(np.asarray(trace.codes), samples)

        talk(one, body)


def test_a_message_longer_than_it_takes_goes_in_pieces() -> None:
    """The least size that can be agreed on is the other side's matter: what it said is kept to, header included."""

    async def body(actor: Actor) -> None:
        await actor.tell(":ACQ:SRAT 1E6;POIN 20000;:TIM:PRET 5E-4;:TRIG:SOUR EXT")
        assert await actor.ask(":TRIG:SOUR?;:ACQ:POIN?;:TIM:PRET?") == "EXT;20000;5.000000E-04"

    with digitiser(Habits(takes_bytes=40)) as one:
        talk(one, body)
        assert max(one.sizes) == 40 - 16
        assert ":ACQ:SRAT 1E6;POIN 20000;:TIM:PRET 5E-4;:TRIG:SOUR EXT" in one.heard


def test_silence_ends_at_its_deadline_and_no_late_answer_is_taken() -> None:
    with digitiser() as one:

        async def body(actor: Actor) -> None:
            await actor.open()
            one.held = True
            before_ns = actor.clock.now_ns()
            with pytest.raises(LinkTimeout):
                await actor.ask(":ACQ:POIN?", within_s=0.3)
            assert actor.clock.now_ns() - before_ns < 1.5e9
            one.held = False
            assert await actor.ask(":ACQ:SRAT?") == "1.000000E+06"
            assert (actor.openings, actor.identity) == (2, IDENTITY)

        talk(one, body)
        assert len(one.opened) == 2


def test_a_link_that_dies_is_told_and_opened_again() -> None:
    with digitiser() as one:

        async def body(actor: Actor) -> None:
            await actor.open()
            one.drop()
            with pytest.raises(LinkClosed, match=r"ended the connection|connection broke"):
                await actor.ask(":ACQ:POIN?")
            assert await actor.ask(":ACQ:POIN?") == "20000"
            assert actor.openings == 2

        talk(one, body)


def test_one_that_dies_within_an_answer() -> None:
    """Half a block, then nothing more."""

    async def body(actor: Actor) -> None:
        with pytest.raises(LinkClosed, match="connection"):
            await actor.ask_block(":WAV:DATA?", most_bytes=10_000)

    with peer(lambda message: b"#45000" + b"x" * 5000 + b"\n", Habits(piece_bytes=1000, pieces=3)) as one:
        talk(one, body, NO_GREETING)


def test_another_instrument() -> None:
    async def stranger(actor: Actor) -> None:
        with pytest.raises(WrongIdentity, match="DS-4A"):
            await actor.open()

    with digitiser() as one:
        talk(one, stranger, replace(DIALECT.greeting(), identity_begins="HARBOUR,"))


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # pyvisa-py leaves its socket open
def test_nobody_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logging.getLogger("pyvisa"), "disabled", True)  # pytest keeps what is logged, and so the socket

    async def nobody(actor: Actor) -> None:
        with pytest.raises(LinkRefused, match="no connection to TCPIP::127"):
            await actor.open()

    with digitiser() as one:
        pass
    talk(one, nobody)
    gc.collect()


def test_more_than_was_asked_for_is_refused() -> None:
    async def body(actor: Actor) -> None:
        with pytest.raises(GarbledReply, match="surplus"):
            await actor.ask("*IDN?")

    with peer(lambda message: b"one\ntwo\n") as one:
        talk(one, body, NO_GREETING)


def test_who_looks_for_instruments_is_answered_too() -> None:
    with digitiser() as one:
        seen = Looker(resource_manager).ask(one.address)
        assert (seen.reply, seen.why) == (IDENTITY, "")
        assert one.heard == ["*IDN?"]
