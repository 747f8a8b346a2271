"""Rehearsals with a page: the same night to the byte, questions answered there, what its history shows.

Truths: the same night without a page; README's "The live page".
"""

from __future__ import annotations

import asyncio
import threading
from contextlib import ExitStack
from pathlib import Path

import aiohttp
import pytest

from sequencer.compose import DryRun, dry_run
from sequencer.ledger.results import RESULTS_NAME
from sequencer.night.listen import Nobody, Several
from sequencer.page.board import Board
from sequencer.page.history import History
from sequencer.page.showing import of_rehearsal
from sequencer.page.wish import opened, wish_of
from sequencer.report.pages import write_pages
from tests.browser.page_night import until, watched
from tests.processes.asking import ASKS

pytestmark = pytest.mark.process
JSON = {"Accept": "application/json"}


def test_twenty_viewers_change_no_byte_of_a_night(tmp_path: Path) -> None:
    """Results and messages of a rehearsal, stamps included, against the same night without a page."""

    def night(name: str, board: Board | None) -> list[bytes]:
        heard = None if board is None else Several((Nobody(), board))
        speed = None if board is None else 15.0  # so that there is something to look at
        asked = DryRun(
            plan="first", units=("ferry_pa_60",), out=tmp_path / name, listener=heard, onlooker=board, speed=speed
        )
        assert dry_run(asked, say=lambda line: None).exit_code == 0
        return [(tmp_path / name / file).read_bytes() for file in (RESULTS_NAME, "messages.jsonl")]

    alone, said, seen, stop = night("alone", None), list[str](), [0], threading.Event()
    with ExitStack() as stack:
        where = opened(wish_of("127.0.0.1:0"))
        board = stack.enter_context(of_rehearsal(where, "workshop", tmp_path / "watched", said.append))
        assert "token" in said[0]
        viewers = threading.Thread(target=watched, args=(where.address, stop, seen))
        viewers.start()
        try:
            looked_at = night("watched", board)
        finally:
            stop.set()
            viewers.join()
    assert seen[0] > 60, "they did look"
    assert looked_at == alone
    history = History(tmp_path / "watched" / "ledger.sqlite", has_queue=False)
    (run,) = history.look().runs
    assert (run.serial, run.outcome, run.sheet) == ("MV-0117", "finished", "")
    write_pages(tmp_path / "watched")
    (run,) = history.look().runs
    assert run.sheet == "sheet.html"
    assert history.page(run.sheet) == tmp_path / "watched" / "sheet.html"
    assert history.page("ledger.sqlite") is None


@pytest.mark.parametrize(("word", "outcome"), [("done", "measured"), ("no", "not_measured")])
def test_a_rehearsal_that_is_watched_asks_on_the_page(tmp_path: Path, word: str, outcome: str) -> None:
    """Answered over HTTP by somebody with the token; a wrong word changes nothing."""
    (tmp_path / "asks.toml").write_text(ASKS)
    said, told = list[str](), list[tuple[int, str]]()

    def answers(board: Board, address: str) -> None:
        async def answer() -> None:
            token = said[0].rpartition(" ")[2].rstrip(")")
            async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as browser:
                await browser.get(address, params={"token": token})
                assert await asyncio.to_thread(until, lambda: bool(board.scene.questions))
                (name, ask) = board.scene.questions[0]
                assert "bass and treble to the middle" in ask.question
                for one in ("perhaps", word):
                    headers = JSON | {"Origin": address.rstrip("/")}
                    body = {"to": name, "answer": one}
                    async with browser.post(address + "answer", data=body, headers=headers) as answer:
                        told.append((answer.status, (await answer.json())["sentence"]))

        asyncio.run(answer())

    with ExitStack() as stack:
        where = opened(wish_of("127.0.0.1:0"))
        board = stack.enter_context(of_rehearsal(where, "workshop", tmp_path / "night", said.append))
        assert board is not None
        person = threading.Thread(target=answers, args=(board, where.address))
        person.start()
        asked = DryRun(
            plan=str(tmp_path / "asks.toml"),
            units=("ferry_pa_60",),
            out=tmp_path / "night",
            speed=100.0,
            listener=board,
            onlooker=board,
        )
        done = dry_run(asked, say=board.said)
        person.join()
    assert told == [(409, "one of: done, no"), (200, f"answered: {word}")]
    (run,) = done.results["runs"]
    assert [point["outcome"] for point in run["points"]] == [outcome]
