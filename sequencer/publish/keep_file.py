"""What a consumer keeps: one message a line, so that it goes on where it was ended."""

from __future__ import annotations

import contextlib
import fcntl
import os
import threading
from pathlib import Path

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.plain import row_to_line
from sequencer.publish.gathered import Body
from sequencer.publish.live import as_object


class KeepFile:
    """`kept`: what stood in it. A last line that was cut off in writing is taken out. One process at a time has it."""

    def __init__(self, path: Path) -> None:
        """Raises InputRefused where it can't be written, is another listener's, or holds something else."""
        self.path = path
        self._waiting: list[bytes] = []
        self._writing = threading.Lock()
        try:
            self._file = path.open("a+b", buffering=0)
            _lock(self._file.fileno())
            self._file.seek(0)
            lines = self._file.read().split(b"\n")
        except BlockingIOError:
            self._file.close()
            raise self._refused("another `listen` is writing it: end that one first, or name another file") from None
        except OSError as error:
            raise self._refused((error.strerror or "can't be written").lower()) from None
        torn = lines.pop()
        self._size = sum(len(line) + 1 for line in lines)
        self.kept = [self._checked(number, line) for number, line in enumerate(lines, 1)]
        if torn:
            self._file.truncate(self._size)

    def add(self, body: Body) -> None:
        """One more; on the disk after `sync`."""
        self._waiting.append(row_to_line(body).encode() + b"\n")

    def sync(self) -> None:
        """Returns when all that was added before is on the disk. Raises OSError (a full disk): it then waits for the
        next `sync`, and the file ends with a whole line."""
        with self._writing:
            lines = self._waiting[:]  # more may come meanwhile
            try:
                left = b"".join(lines)
                while left:
                    left = left[os.write(self._file.fileno(), left) :]
                os.fsync(self._file.fileno())
            except OSError:
                with contextlib.suppress(OSError):
                    self._file.truncate(self._size)
                raise
            self._size += sum(map(len, lines))
            del self._waiting[: len(lines)]

    def close(self) -> None:
        try:
            self.sync()
        finally:
            self._file.close()

    def _checked(self, number: int, line: bytes) -> Body:
        body = as_object(line)
        kinds = {"ledger": str, "bench": str, "id": str, "seq": int}
        if body is None or not all(isinstance(body.get(key), kind) for key, kind in kinds.items()):
            self._file.close()
            raise self._refused(f"line {number} is no message: name a new file, or one that `listen` wrote")
        return body

    def _refused(self, remedy: str) -> InputRefused:
        return InputRefused([Problem("command line", "--keep", str(self.path), remedy)])


def _lock(handle: int) -> None:
    """Let go of by the file's end, however that comes. Raises BlockingIOError; a disk that knows no locks has none."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise
    except OSError:
        return
