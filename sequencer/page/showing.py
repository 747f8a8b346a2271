"""A page for the commands that may have one: opened before anything is touched, shown while they work.

What aiohttp, templates and drawings need is loaded only where somebody wants a page.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sequencer.ledger.opening import LEDGER_NAME
from sequencer.page.about import About
from sequencer.page.board import Board
from sequencer.page.wish import Opened, Wish, opened


@contextmanager
def opened_page(wish: Wish | None) -> Iterator[Opened | None]:
    """Listens from here on, answers nobody yet. Raises InputRefused."""
    if wish is None:
        yield None
        return
    made = opened(wish)
    try:
        yield made
    finally:
        made.close()


@contextmanager
def page_on(
    where: Opened | None, about: About, ledger: Callable[[Board], Path | None], say: Callable[[str], None]
) -> Iterator[Board | None]:
    """Shown while the block runs; what the night is to write on, None without a page. ledger: where it is, once that
    is known. say: the terminal's own, since the token goes nowhere else."""
    if where is None:
        yield None
        return
    from sequencer.page.thread import Kept, Page

    board = Board()
    page = Page(where, board, Kept(about, lambda: ledger(board)), say)
    page.start()
    say(f"page: {page.address} (what can energise wants this token: {page.token})")
    try:
        yield board
    finally:
        page.stop()


@contextmanager
def of_rehearsal(
    where: Opened | None, bench: str, out: Path | None, say: Callable[[str], None]
) -> Iterator[Board | None]:
    """bench: its name. out: as given to `dry-run`."""

    def ledger(board: Board) -> Path | None:
        plan = board.scene.plan
        return None if plan is None else (out or Path(f"nightramp-{plan.runs[0].id}")) / LEDGER_NAME

    with page_on(where, About(bench, simulated=True, has_queue=False), ledger, say) as board:
        yield board
