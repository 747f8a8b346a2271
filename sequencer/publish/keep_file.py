"""What a consumer keeps: one message a line, so that it goes on where it was ended."""

from __future__ import annotations

import os
from pathlib import Path

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.plain import row_to_line
from sequencer.publish.gathered import Body
from sequencer.publish.live import as_object


class KeepFile:
    """`kept`: what stood in it. A last line that was cut off in writing is taken out."""

    def __init__(self, path: Path) -> None:
        """Raises InputRefused where it can't be written, or holds something else."""
        self.path = path
        try:
            self._file = path.open("a+b")
            self._file.seek(0)
            lines = self._file.read().split(b"\n")
        except OSError as error:
            raise self._refused((error.strerror or "can't be written").lower()) from None
        torn = lines.pop()
        if torn:
            self._file.truncate(sum(len(line) + 1 for line in lines))
        self.kept = [self._checked(number, line) for number, line in enumerate(lines, 1)]

    def add(self, body: Body) -> None:
        """One more; on the disk after `sync`."""
        self._file.write(row_to_line(body).encode() + b"\n")

    def sync(self) -> None:
        """Returns when all that was added is on the disk."""
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        self.sync()
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
