"""Writes down every byte of the links it makes, both ways, while they work. A thread of its own formats and writes; the
loop only leaves what was said in a list. A recording never costs a night: what can't be written is told at the end.
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import TextIO, TypeAlias

from drivers.link import Link, LinkModel
from drivers.tape import EVENT, FIRST_LINE, NOBODY, SENT, Entry, line_of, masked
from drivers.timing import Clock

WRITTEN_EVERY_S = 0.25  # real seconds: what a killed process loses of its recording
MOST_WAITING_BYTES = 256_000_000
LEFT_FREE_BYTES = 256_000_000  # on its disk: the night's ledger may need it, and a full disk ends a night

Said: TypeAlias = tuple[int, str, str, bytes | Sequence[bytes]]


class Recorder:
    """For `with`. Hand `link` to whoever builds actors. head: what a replay needs to know, written first. problem: why
    the recording ends early, empty if it does not."""

    def __init__(self, path: Path, head: str) -> None:
        """Raises OSError."""
        self.path, self.problem = path, ""
        self._file: TextIO = path.open("w", encoding="ascii")
        self._check = 0
        self._waiting: list[Said] = []
        self._waiting_bytes = 0
        self._full = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="recording", daemon=True)
        self._file.write(FIRST_LINE + "\n")
        self.hear(0, NOBODY, EVENT, head.encode())

    def __enter__(self) -> Recorder:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._over.set()
        self._thread.join()
        try:
            self._file.close()
        except OSError as failed:
            self.problem = self.problem or _why(failed)

    def link(self, model: LinkModel, clock: Clock) -> Link:
        """As `Link`, and written down."""
        return Link(model, clock, self.hear)

    def hear(self, t_ns: int, who: str, sign: str, data: bytes | Sequence[bytes]) -> None:
        """From the loop; data may come in pieces, which must not change any more."""
        if self.problem:
            return
        self._waiting_bytes += len(data) if isinstance(data, bytes) else sum(map(len, data))
        if self._waiting_bytes > MOST_WAITING_BYTES:
            self.problem = f"ends at {t_ns / 1e9:.3f} s: the disk is too slow for it"
            return
        self._waiting.append((t_ns, who, sign, data))

    def _run(self) -> None:
        while not self._over.wait(WRITTEN_EVERY_S):
            self._write()
        self._write()

    def _write(self) -> None:
        said, self._waiting, self._waiting_bytes = self._waiting, [], 0
        if self._full:
            return
        try:
            if said and shutil.disk_usage(self.path.parent).free < LEFT_FREE_BYTES:
                self._full = True
                self.problem = f"ends at {said[0][0] / 1e9:.3f} s: less than 256 MB are free on its disk"
                return
            for one in said:
                self._file.write(self._line(*one))
            self._file.flush()
        except OSError as error:
            self._full = True
            self.problem = self.problem or f"ends early: {_why(error)}"

    def _line(self, t_ns: int, who: str, sign: str, data: bytes | Sequence[bytes]) -> str:
        whole = data if isinstance(data, bytes) else b"".join(data)
        line, self._check = line_of(Entry(t_ns, who, sign, masked(whole) if sign == SENT else whole), self._check)
        return line + "\n"


def _why(error: OSError) -> str:
    return (error.strerror or "no reason given").lower()
