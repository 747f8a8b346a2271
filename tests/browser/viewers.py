"""A page with viewers in a process of their own, while a shot and five readings a second go by, as on a bench."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from sequencer.page.about import About
from sequencer.page.board import Board
from sequencer.page.thread import Kept, Page
from sequencer.page.wish import Opened, opened, wish_of
from tests.browser.page_night import until
from tests.sequencer.page_scenes import first_run, measuring, reading
from tests.sequencer.view_night import a_shot

ROOT = Path(__file__).parents[2]
LOOK = """
import sys, threading
from tests.browser.page_night import watched
stop, seen = threading.Event(), [0]
threading.Thread(target=lambda: (sys.stdin.read(), stop.set()), daemon=True).start()
watched(sys.argv[1], stop, seen, int(sys.argv[2]))
print(seen[0])
"""


@contextmanager
def a_page(folder: Path, where: Opened | None = None) -> Iterator[Page]:
    board = Board()
    board.scene = measuring()
    kept = Kept(About("workshop", simulated=False, has_queue=True), lambda: folder / "ledger.sqlite")
    page = Page(where or opened(wish_of("127.0.0.1:0")), board, kept, lambda line: None)
    page.start()
    try:
        yield page
    finally:
        page.stop()


@dataclass
class Looked:
    """What the page's thread costs while the block runs. seen: states sent to all viewers, once the block is over."""

    page: Page
    seen: int = 0

    def cpu_s(self) -> float:
        """User and system time of the page's thread (proc(5), stat)."""
        thread = self.page._thread.native_id
        fields = Path(f"/proc/self/task/{thread}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@contextmanager
def looked_at(folder: Path, viewers: int = 20) -> Iterator[Looked]:
    """They look while the block runs."""
    over = threading.Event()
    with a_page(folder) as page:
        command = [sys.executable, "-P", "-c", LOOK, page.address, str(viewers)]
        environment = os.environ | {"PYTHONPATH": str(ROOT)}
        looking = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT, env=environment
        )
        bench = threading.Thread(target=_goes_by, args=(page, over))
        found = Looked(page)
        try:
            assert until(lambda: page._gallery.viewers == viewers), "not all of them look"
            bench.start()
            yield found
        finally:
            over.set()
            told, _ = looking.communicate()
        bench.join()
        found.seen = int(told)


def _goes_by(page: Page, over: threading.Event) -> None:
    run, point = first_run()
    shot, number = a_shot(point, 20.0), 0
    while not over.is_set():
        page.board.heard(run, shot.request, replace(shot, number=number, fired_at_ns=(61 + number) * 10**9))
        for fifth in range(5):
            page.board.reading(reading(61.1 + number + fifth / 5.0), driven=True)
            time.sleep(0.2)
        number += 1
