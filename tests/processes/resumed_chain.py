"""A small night against `nightramp simulate`, in real time: killed (-9) at random moments, gone on with each time, and
at last left alone to its end."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sequencer.ledger.store import Ledger
from tests.processes.run_trial import Tail, guardian_ended, is_off
from tests.processes.simulated import LIMIT_S, UNPROVED, Simulated, command, environment, simulated

PLAN = """
format = 1
name = "small"
rest = "quick"

[[stage]]
name = "first power"
measurement = "first_power"

[[stage]]
name = "offset"
measurement = "output_offset"

[[stage]]
name = "idle"
measurement = "idle_current"

[[stage]]
name = "gains"
measurement = "gain"
loads = ["8R"]

[[stage]]
name = "power"
measurement = "output_power"
loads = ["8R"]
drives = ["8 cycles"]
stop_limit = { thd_pct = [1.0, 0.5] }
"""
UNIT = "ferry_pa_60"
# A kill comes at any moment of these seconds, counted from the process's first word to an instrument; one in six within
# the second half of what it takes to come up, counted from its start, before it has said any.
WITHIN_S, COMES_UP_S, EARLY = 25.0, 3.0, 1.0 / 6.0
NIGHT_S = 400.0  # of one process, at most: the machine may be busy
STARVED_AT_MOST = (
    5  # times that a busy machine lets the guardian end a process that nobody killed: a death like any other
)


@dataclass
class Chain:
    """codes: of each process. kept: rows in the ledger after each kill. at: where each kill struck. wrong: what was not
    as it must be, in words. was_on: the last one that was killed had switched the supply on. serves: it is a daemon's
    night, of an entry in its queue; else that of a `run`, gone on with by --resume."""

    out: Path
    serves: bool = False
    codes: list[int] = field(default_factory=list)
    kept: list[int] = field(default_factory=list)
    at: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    text: str = ""
    was_on: bool = False

    @property
    def is_over(self) -> bool:
        """The last process came to its end before its moment."""
        return bool(self.codes) and self.codes[-1] != -signal.SIGKILL

    @property
    def runs(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = json.loads((self.out / "results.json").read_text())["runs"]
        return found


def killed_chain(folder: Path, kills: int, seed: int, serves: bool) -> Chain:
    """On a simulated bench of its own."""
    folder.mkdir(parents=True)
    (folder / "plan.toml").write_text(PLAN)
    chain, drawn = Chain(folder / "night", serves), random.Random(seed)
    with simulated(folder) as bench:
        tail = Tail(bench.log)
        try:
            while len(chain.codes) < kills and not chain.is_over:
                _killed(bench, tail, chain, drawn)
            for _ in range(STARVED_AT_MOST):
                if not chain.is_over:
                    _left_alone(bench, tail, chain)
        finally:
            tail.close()
    return chain


def _killed(bench: Simulated, tail: Tail, chain: Chain, drawn: random.Random) -> None:
    begun_ns = time.monotonic_ns()
    process = _begun(bench, chain)
    is_early = drawn.random() < EARLY
    after_s = drawn.uniform(COMES_UP_S / 2.0, COMES_UP_S) if is_early else drawn.uniform(0.0, WITHIN_S)
    if not is_early:
        _await_a_word(tail, begun_ns, process)
    try:
        process.wait(after_s)
    except subprocess.TimeoutExpired:
        process.kill()
    at_ns = time.monotonic_ns()
    chain.text = process.communicate()[0]
    chain.codes.append(process.returncode)
    if chain.is_over:
        return
    energised = tail.first_ns("supply", "OUTP ON", begun_ns) is not None
    chain.was_on = energised
    spoken = len([one for one in tail.said if one.t_ns >= begun_ns])
    if energised:
        last = guardian_ended(bench, at_ns)
        if not last["confirmed"]:
            chain.wrong.append(f"the guardian did not confirm: {last}")
    if not is_off(bench):
        chain.wrong.append(f"not off after kill {len(chain.codes)}")
    chain.wrong += _order(tail, begun_ns, bool(chain.kept))
    ledger = chain.out / "ledger.sqlite"
    rows = _rows(ledger, chain) if chain.serves or (chain.out / "declared.json").exists() else 0
    chain.kept.append(rows)
    chain.at.append(f"{after_s:.1f} s, {spoken} messages, {'energised' if energised else 'not energised'}, {rows} rows")


def _await_a_word(tail: Tail, since_ns: int, process: subprocess.Popen[str]) -> None:
    until_s = time.monotonic() + LIMIT_S
    while time.monotonic() < until_s and process.poll() is None:
        if any(one.t_ns >= since_ns for one in tail.read()[-100:]):
            return
        time.sleep(0.01)


def _left_alone(bench: Simulated, tail: Tail, chain: Chain) -> None:
    begun_ns = time.monotonic_ns()
    process = _begun(bench, chain)
    try:
        chain.text = process.communicate(timeout=NIGHT_S)[0]
    finally:
        process.kill()
    chain.codes.append(process.returncode)
    chain.wrong += _order(tail, begun_ns, bool(chain.kept))
    if not chain.is_over:
        chain.was_on = True
        chain.at.append(f"ended by its guardian: {guardian_ended(bench, begun_ns)['what']}")
    if not is_off(bench):
        chain.wrong.append(f"not off after process {len(chain.codes)}")


def _begun(bench: Simulated, chain: Chain) -> subprocess.Popen[str]:
    """Begun afresh as long as nothing says what it was told; else gone on with."""
    if chain.serves:
        words = _served(bench, chain)
    elif (chain.out / "declared.json").exists():
        words = ["run", "--resume", str(chain.out)]
    else:
        shutil.rmtree(chain.out, ignore_errors=True)
        plan = str(chain.out.parent / "plan.toml")
        words = ["run", plan, "--bench", str(bench.bench), "--unit", UNIT, "--out", str(chain.out)]
    return subprocess.Popen(
        command(*words, "--armed-by", "the workshop", *UNPROVED),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment(bench.log.parent) | {"OPENBLAS_NUM_THREADS": os.environ.get("OPENBLAS_NUM_THREADS", "1")},
    )


def _served(bench: Simulated, chain: Chain) -> list[str]:
    """A daemon's words; its entry is in the queue before the first."""
    ledger = ["--ledger", str(chain.out)]
    if not chain.codes:
        asked = [str(chain.out.parent / "plan.toml"), "--bench", str(bench.bench), "--unit", UNIT]
        subprocess.run(command("queue", *ledger, "add", *asked), check=True, env=environment(bench.log.parent))
    return ["serve", "--bench", str(bench.bench), *ledger, "--once"]


def _order(tail: Tail, since_ns: int, resumed: bool) -> list[str]:
    """Who goes on tells the supply off before it tells it on."""
    told = [one.message for one in tail.read() if one.t_ns >= since_ns and one.instrument == "supply"]
    switched = [message for message in told if message in ("OUTP ON", "OUTP OFF")]
    return [f"switched on first: {switched[:3]}"] if resumed and switched and switched[0] == "OUTP ON" else []


def _rows(ledger: Path, chain: Chain) -> int:
    """Read as the next process will find it; the ledger is sound, and a row that was kept once stays kept."""
    with Ledger(ledger) as opened:
        chain.wrong += opened.integrity()
        rows = sum(len(run["points"]) for run in opened.results()["runs"])
    if chain.kept and rows < chain.kept[-1]:
        chain.wrong.append(f"{chain.kept[-1]} rows were kept, and now {rows}")
    return rows
