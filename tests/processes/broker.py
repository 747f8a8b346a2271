"""A real Mosquitto on a private port with a private configuration, ended by its own process id."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

HERE = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")  # not on everybody's PATH
UP_S = 10.0
USER, PASSWORD = "harbour", "kelp-and-42-gulls"

# Persistence at each change: a persistent subscriber then outlives the broker's restart.
BASE = """\
listener {port} 127.0.0.1
user {user}
persistence true
persistence_location {folder}/
autosave_on_changes true
autosave_interval 1
max_queued_messages 0
log_dest file {folder}/broker.log
"""


def program(name: str, package: str = "mosquitto") -> str:
    """Where it is. Raises FileNotFoundError naming Debian's package."""
    found = shutil.which(name) or shutil.which(name, path=os.pathsep.join(HERE))
    if found is None:
        raise FileNotFoundError(
            f"{name} is missing: install Debian's package '{package}' (apt-get install {package}), then run again"
        )
    return found


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@dataclass
class RealBroker:
    """Down when made. folder: its own. password: only USER with PASSWORD may come in. tls: (certificate, key). more:
    further lines of its configuration.
    """

    folder: Path
    password: bool = False
    tls: tuple[Path, Path] | None = None
    port: int = field(default_factory=free_port)
    more: str = ""
    _process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"mqtt{'s' if self.tls else ''}://{'localhost' if self.tls else '127.0.0.1'}:{self.port}"

    def up(self) -> RealBroker:
        """Returns when it takes connections."""
        self.folder.mkdir(exist_ok=True)
        (self.folder / "broker.conf").write_text(self._configuration())
        self._process = subprocess.Popen(
            [program("mosquitto"), "-c", str(self.folder / "broker.conf")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        end_s = time.monotonic() + UP_S
        while time.monotonic() < end_s:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1.0):
                return self
            assert self._process.poll() is None, f"mosquitto ended: see {self.folder}/broker.log"
            time.sleep(0.01)
        raise AssertionError(f"mosquitto takes no connections after {UP_S} s")

    def _configuration(self) -> str:
        text = BASE.format(port=self.port, folder=self.folder, user=pwd.getpwuid(os.geteuid()).pw_name) + self.more
        if self.tls:
            text += f"certfile {self.tls[0]}\nkeyfile {self.tls[1]}\n"
        if not self.password:
            return text + "allow_anonymous true\n"
        words = self.folder / "passwords"
        subprocess.run([program("mosquitto_passwd"), "-b", "-c", str(words), USER, PASSWORD], check=True)
        return text + f"allow_anonymous false\npassword_file {words}\n"

    def tell(self, number: signal.Signals) -> None:
        assert self._process is not None
        os.kill(self._process.pid, number)

    def down(self, number: signal.Signals = signal.SIGTERM) -> None:
        """Returns when it is gone; without effect if it is."""
        if self._process is None:
            return
        if self._process.poll() is None:
            self.tell(number)
            self.tell(signal.SIGCONT)  # a frozen one hears SIGTERM only when it thaws
        self._process.wait(UP_S)
        self._process = None


@contextlib.contextmanager
def real_broker(
    folder: Path, *, password: bool = False, tls: tuple[Path, Path] | None = None, more: str = ""
) -> Iterator[RealBroker]:
    broker = RealBroker(folder, password, tls, more=more)
    try:
        yield broker
    finally:
        broker.down()
