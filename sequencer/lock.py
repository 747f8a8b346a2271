"""One process at a time on one bench: a lock that its end releases by itself, however it ends.

The file says who holds it and where the frozen file is, so that `make-safe` finds both without a readable bench file.
A lock that nobody holds is no obstacle, whatever its file says: the kernel gives flock(2) back with the process.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import json
import os
import stat
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TypeVar

from sequencer.safety.freeze import began

T = TypeVar("T")

ENERGISING = ("generator", "supply")  # two bench files that share these are one bench, whatever else differs
TRIES, TRY_AGAIN_S = 20, 0.02  # who only asks holds a lock for a moment


class BenchHeld(Exception):
    """Another process has it: `holder`, or None where it has not said yet who it is."""

    def __init__(self, holder: Holder | None) -> None:
        super().__init__(f"the bench is held by {holder or 'another process'}")
        self.holder = holder


@dataclass(frozen=True)
class Holder:
    """pid_began: start in clock ticks (proc(5)), so that a later process of the same number is left alone. since_s:
    Unix time. bench_file, frozen: absolute paths."""

    pid: int
    pid_began: int
    since_s: float
    bench: str
    bench_file: str
    frozen: str

    @property
    def lives(self) -> bool:
        return self.pid > 0 and self.pid_began > 0 and began(self.pid) == self.pid_began

    def __str__(self) -> str:
        return f"process {self.pid} (bench {self.bench!r})"


def folders() -> tuple[Path, ...]:
    """Where locks may lie, the first being where new ones go: who was started without a login (cron) has no
    XDG_RUNTIME_DIR, and must be found all the same."""
    uid, named = os.getuid(), os.environ.get("XDG_RUNTIME_DIR", "")
    usual = [Path(f"/run/user/{uid}")] if Path(f"/run/user/{uid}").is_dir() else []
    runtime = [Path(named)] if named.startswith("/") and Path(named).is_dir() else usual
    return *dict.fromkeys(one / "nightramp" for one in (*runtime, *usual)), Path(f"/tmp/nightramp-{uid}")


def key_of(addresses: Mapping[str, str]) -> str:
    """addresses: VISA resource per role. A supply that a person works has none."""
    text = "|".join(addresses[role].strip().lower() for role in ENERGISING if role in addresses)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


class BenchLock:
    """Taken before any link is opened, kept until the last one is closed.

    frozen_path: where the frozen file of this bench belongs; it stays there after the process.
    """

    def __init__(self, addresses: Mapping[str, str]) -> None:
        self._key = key_of(addresses)
        self._fd: int | None = None

    @property
    def path(self) -> Path:
        return folders()[0] / f"{self._key}.lock"

    @property
    def frozen_path(self) -> Path:
        return frozen_beside(self.path)

    def held_by(self) -> Holder | None:
        """Who holds it now. Raises BenchHeld where somebody does and does not say who."""
        for folder in filter(_is_ours, folders()):
            path = folder / f"{self._key}.lock"
            if path.exists() and _is_held(path):
                return _named(path)
        return None

    def take(self, bench: str, bench_file: Path) -> None:
        """Raises BenchHeld; OSError where the folder can't be used."""
        _make_folder(self.path.parent)
        if (holder := self.held_by()) is not None:
            raise BenchHeld(holder)
        fd = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
        if not _locked(fd):
            os.close(fd)
            raise BenchHeld(read(self.path))
        own = Holder(
            os.getpid(), began(os.getpid()), _wall_s(), bench, str(bench_file.resolve()), str(self.frozen_path)
        )
        os.ftruncate(fd, 0)
        os.pwrite(fd, json.dumps(asdict(own), sort_keys=True).encode() + b"\n", 0)
        self._fd = fd

    def release(self) -> None:
        """The file stays: what it says of the frozen file may still be needed."""
        if self._fd is not None:
            os.close(self._fd)
            self._fd = None

    @contextlib.contextmanager
    def taken(self, bench: str, bench_file: Path) -> Iterator[BenchLock]:
        """As `take`, for `with`."""
        self.take(bench, bench_file)
        try:
            yield self
        finally:
            self.release()


def frozen_beside(lock: Path) -> Path:
    return lock.with_suffix(".frozen.json")


@dataclass(frozen=True)
class Known:
    """A lock file with what it says; is_held: by a process, now."""

    path: Path
    holder: Holder
    is_held: bool


def known() -> list[Known]:
    """Every lock file that can be read, held or not, the latest first: all there is where a bench file is broken."""
    found = [(path, read(path)) for folder in filter(_is_ours, folders()) for path in folder.glob("*.lock")]
    readable = [Known(path, holder, _is_held(path)) for path, holder in found if holder is not None]
    return sorted(readable, key=lambda one: one.holder.since_s, reverse=True)


def read(path: Path) -> Holder | None:
    """What a lock file says, None where it says nothing of use."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        kinds = {"pid": int, "pid_began": int, "since_s": float, "bench": str, "bench_file": str, "frozen": str}
        if all(type(data[one.name]) is kinds[one.name] for one in fields(Holder)):
            return Holder(**{one.name: data[one.name] for one in fields(Holder)})
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return None


def _named(path: Path) -> Holder:
    holder = _until(lambda: read(path))  # it may have taken the lock this instant
    if holder is None:
        raise BenchHeld(None)
    return holder


def _is_held(path: Path) -> bool:
    try:
        fd = os.open(path, os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
        return False
    except OSError:
        return True
    finally:
        os.close(fd)


def _locked(fd: int) -> bool:
    def attempt() -> bool | None:
        with contextlib.suppress(OSError):
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        return None

    return bool(_until(attempt))


def _until(attempt: Callable[[], T | None]) -> T | None:
    for _ in range(TRIES):
        if (found := attempt()) is not None:
            return found
        time.sleep(TRY_AGAIN_S)  # noqa: TID251 (other processes live on the real clock)
    return None


def _make_folder(folder: Path) -> None:
    """Raises OSError."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if not _is_ours(folder):
        raise PermissionError(f"{folder} belongs to somebody else")


def _is_ours(folder: Path) -> bool:
    """In a folder that others may write to, anybody could hold our locks, or name a process of ours to be ended."""
    try:
        found = folder.lstat()
    except OSError:
        return False
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and not found.st_mode & stat.S_IWOTH


def _wall_s() -> float:
    return time.time()  # noqa: TID251 (told to a person; nothing depends on it)
