"""What the ledger keeps when its writers are killed, and when many write at once.

Writers are forked from one process that has everything loaded, so that a thousand of them start
in seconds; they report each acknowledged record on a pipe, which outlives them.
"""

from __future__ import annotations

import itertools
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from swapinfer.errors import SwapinferError
from swapinfer.ledger.store import Store

WHO = {"at": "2031-05-04T09:30:00+02:00", "pack": "0" * 64}
MOST_RECORDS = 8
"""A writer is killed after at most so many acknowledged records, and at least none."""

LONGEST_WAIT_S = 0.02
"""From the acknowledgement awaited to the kill: so that it falls anywhere in a write."""


@dataclass(frozen=True, slots=True)
class Kills:
    """Outcome of killing writers.

    Attributes
    ----------
    kills, before_first, acknowledged : int
        Writers killed; those of them that had not written yet; records acknowledged in all.
    lost : int
        Acknowledged records that are not there, or whose chain does not verify.
    """

    kills: int
    before_first: int
    acknowledged: int
    lost: int


@dataclass(frozen=True, slots=True)
class Crowd:
    """Outcome of many writers at once.

    Attributes
    ----------
    writers, written : int
        Processes, and records they say they wrote.
    lost, doubled, reordered : int
        Of those records: not there; there more than once; before an earlier one of its writer.
    seconds : float
        From the first start to the last end.
    """

    writers: int
    written: int
    lost: int
    doubled: int
    reordered: int
    seconds: float


class Writers:
    """Starts writers in processes of their own and hears what they acknowledge."""

    def __init__(self) -> None:
        self.acknowledged: dict[int, list[tuple[str, int]]] = defaultdict(list)
        self._gone: set[int] = set()

    def __enter__(self) -> Self:
        self._server = subprocess.Popen(
            [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._server.communicate()

    def start(self, place: str, writer: int, events: int, jobs: Sequence[str] = ()) -> int:
        """Start a writer of so many events to some jobs in turn, or to a job of its own."""
        order = {"place": place, "writer": writer, "events": events, "jobs": list(jobs)}
        print(json.dumps(order), file=self._server.stdin, flush=True)
        while True:
            word, pid = self._hear()
            if word == "started":
                return pid

    def await_records(self, pid: int, number: int) -> None:
        """Wait until a writer has acknowledged so many records."""
        while len(self.acknowledged[pid]) < number:
            self._hear()
            if pid in self._gone:
                raise RuntimeError(f"writer {pid} ended by itself")

    def wait(self, pid: int) -> list[tuple[str, int]]:
        """Wait for a writer's end; gives job and position of each record it acknowledged."""
        while pid not in self._gone:
            self._hear()
        return self.acknowledged[pid]

    def _hear(self) -> tuple[str, int]:
        word, pid, *rest = self._server.stdout.readline().split()
        if word == "wrote":
            self.acknowledged[int(pid)].append((rest[0], int(rest[1])))
        if word == "gone":
            self._gone.add(int(pid))
        return word, int(pid)


def kill_writers(place: str, kills: int, seed: int) -> Kills:
    """Kill writers at random moments and look for what they had acknowledged.

    Parameters
    ----------
    place : str
        Of the store, which need not exist.
    kills : int
        How many.
    seed : int
        Of the moments.

    Returns
    -------
    Kills
        Nothing may be lost.
    """
    chance = random.Random(seed)  # noqa: S311  no secret
    before_first = acknowledged = lost = 0
    Store.open(place).close()
    with Writers() as writers:
        for number in range(kills):
            pid = writers.start(place, number, -1)
            writers.await_records(pid, chance.randint(0, MOST_RECORDS))
            time.sleep(chance.uniform(0, LONGEST_WAIT_S))
            os.kill(pid, signal.SIGKILL)
            written = writers.wait(pid)
            before_first += not written
            acknowledged += len(written)
            with Store.open(place) as store:
                lost += _lost(store, written)
    return Kills(kills, before_first, acknowledged, lost)


def _lost(store: Store, written: Sequence[tuple[str, int]]) -> int:
    if not written:
        return 0
    job, last = written[-1]
    try:
        # One more than acknowledged may be there: killed between commit and report.
        whole = last < len(store.records(job)) <= last + 2
    except SwapinferError as error:
        print(error, file=sys.stderr)
        whole = False
    return 0 if whole else len(written)


def write_at_once(place: str, writers: int, events: int, jobs: int) -> Crowd:
    """Let many processes write to the same jobs.

    Parameters
    ----------
    place : str
        Of the store, which need not exist.
    writers, events, jobs : int
        Processes, records of each, and jobs that every process writes to in turn.

    Returns
    -------
    Crowd
        Nothing may be lost, doubled or reordered.
    """
    with Store.open(place) as store:
        names = [store.create_job(f"RO-{n}", {}, who="T", **WHO).job for n in range(jobs)]
    start = time.perf_counter()
    with Writers() as crowd:
        pids = [crowd.start(place, number, events, names) for number in range(writers)]
        written = sum(len(crowd.wait(pid)) for pid in pids)
    seconds = time.perf_counter() - start
    with Store.open(place) as store:
        found = [record for job in names for record in store.records(job)[1:]]
    seen = Counter((record.who, record.payload["n"]) for record in found)
    reordered = sum(
        earlier.payload["n"] >= later.payload["n"]  # type: ignore[operator]  # numbers
        for _, records in itertools.groupby(
            sorted(found, key=lambda record: (record.who, record.job, record.seq)),
            key=lambda record: (record.who, record.job),
        )
        for earlier, later in itertools.pairwise(records)
    )
    doubled = sum(count - 1 for count in seen.values())
    return Crowd(writers, written, writers * events - len(seen), doubled, reordered, seconds)


def main(quick: bool) -> dict[str, float]:
    """Measure, print a table, give the figures."""
    kills = 150 if quick else 1000
    events = 10 if quick else 50
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        killed = kill_writers(str(Path(folder) / "kill.db"), kills, seed=1)
        seconds = time.perf_counter() - start
        one = write_at_once(str(Path(folder) / "one.db"), 16, events, 1)
        many = write_at_once(str(Path(folder) / "many.db"), 16, events, 10)
    print(f"{killed.kills} writers killed in {seconds:.1f} s, {killed.before_first} of them before")
    print(f"their first record; {killed.acknowledged} records acknowledged, {killed.lost} lost")
    print("16 writers     records   lost  doubled  reordered  records/s")
    for name, crowd in (("on one job", one), ("on ten jobs", many)):
        print(
            f"{name:12} {crowd.written:9} {crowd.lost:6} {crowd.doubled:8} {crowd.reordered:10} "
            f"{crowd.written / crowd.seconds:10.0f}"
        )
    return {
        "kills": killed.kills,
        "acknowledged": killed.acknowledged,
        "lost": killed.lost + one.lost + many.lost,
        "writers": one.writers,
        "doubled": one.doubled + many.doubled,
        "reordered": one.reordered + many.reordered,
        "records_per_s": one.written / one.seconds,
    }


def _serve() -> None:
    """Fork a writer for each order that comes in, and tell of its start and end."""
    signal.signal(signal.SIGCHLD, lambda *_: _tell_the_dead())
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            _write_and_end(line)
        _say(f"started {pid}")
    while True:
        try:
            time.sleep(0.01)
            os.waitid(os.P_ALL, 0, os.WEXITED | os.WNOWAIT)
        except ChildProcessError:
            return


def _tell_the_dead() -> None:
    while True:
        try:
            pid, _ = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return
        if not pid:
            return
        _say(f"gone {pid}")


def _say(line: str) -> None:
    os.write(1, f"{line}\n".encode())  # one write below PIPE_BUF: whole or not at all


def _write_and_end(order: str) -> None:
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    try:
        _write(**json.loads(order))
    except BaseException:  # noqa: BLE001  whatever it is, this copy of the server must not go on
        traceback.print_exc()
    os._exit(0)


def _write(place: str, writer: int, events: int, jobs: list[str]) -> None:
    pid, who = os.getpid(), f"writer {writer}"
    chance = random.Random(writer)  # noqa: S311  no secret
    with Store.open(place) as store:
        if not jobs:
            first = store.create_job(f"RO-{writer}", {}, who=who, **WHO)
            jobs = [first.job]
            _say(f"wrote {pid} {first.job} 0")
        for number in _count(events):
            text = "x" * int(10 ** chance.uniform(0, 5))
            (record,) = store.append(
                jobs[number % len(jobs)], ("noted", {"n": number, "text": text}), who=who, **WHO
            )
            _say(f"wrote {pid} {record.job} {record.seq}")


def _count(events: int) -> Iterator[int]:
    return itertools.count() if events < 0 else iter(range(events))


if __name__ == "__main__":
    _serve()
