"""What a full shop's store costs over a small one's: open, list, find, read, append, next.

Both stores hold the same ten open jobs; the large one, all the closed jobs of years besides.
"""

from __future__ import annotations

import random
import statistics
import tempfile
import time
import uuid
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from swapinfer.commands.next import show_next
from swapinfer.commands.shop import Shop
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import read_events
from swapinfer.ledger.record import GENESIS, Record, seal
from swapinfer.ledger.replay import replay
from swapinfer.ledger.store import Store
from swapinfer.pack.load import load_pack
from swapinfer.pack.tables import pack_to_json

PACK = load_pack()
WHO = {"who": "T. Echnician", "at": "2031-05-04T09:30:00+02:00", "pack": PACK.digest}
OPENING = ev.Opened("", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"}, "shakes")
STORY = [
    ev.Ran(10, ("hot", "idle"), ("P0303",)),
    ev.Swapped((("coil3", "coil1"),)),
    ev.Ran(10, ("hot", "idle"), ("P0303",)),
    ev.Inspected("plug-look", "cylinder3", "clean"),
]
"""What happens in every job; notes follow."""

NEXT_REPEATS = 11

LONG_JOB = 500
"""Events of the job whose replay is timed."""

OPEN_JOBS = 10
BATCH = 500
"""Jobs a transaction while filling."""


def make_chain(job: str, ro: str, events: int) -> Iterator[Record]:
    """Records of a job, `events` in all, as an ordinary job has them."""
    previous = GENESIS
    for seq in range(events):
        event = make_event(ro, seq)
        record = seal(job, seq, event.type, event.to_json(), previous=previous, **WHO)
        previous = record.digest
        yield record


def make_event(ro: str, seq: int) -> Event:
    """Event at a position: opening, story, then one note after another."""
    if seq == 0:
        return replace(OPENING, ro=ro)
    return STORY[seq - 1] if seq <= len(STORY) else ev.Noted(f"note {seq}")


def replay_ms(events: int) -> float:
    """Milliseconds to replay a job of runs and swaps in turn."""
    job = uuid.UUID(int=1).hex
    previous, chain = GENESIS, []
    for seq in range(events):
        event = make_event("RO-X", 0) if seq == 0 else STORY[(seq - 1) % 3]
        chain.append(seal(job, seq, event.type, event.to_json(), previous=previous, **WHO))
        previous = chain[-1].digest
    return statistics.median(time_ms(lambda: replay(read_events(chain), PACK)) for _ in range(5))


def fill(store: Store, closed: int, events: int) -> None:
    """Add the open jobs and so many closed ones, of `events` records each."""
    store.keep_pack(PACK.digest, pack_to_json(PACK))
    chance = random.Random(1)  # noqa: S311  ids are to be spread, not secret
    for start in range(0, OPEN_JOBS + closed, BATCH):
        with store.writing():
            for number in range(start, min(start + BATCH, OPEN_JOBS + closed)):
                job = uuid.UUID(int=chance.getrandbits(128), version=4).hex
                chain = list(make_chain(job, f"RO-{number}", events))
                status = "open" if number < OPEN_JOBS else "closed"
                store.receive(chain, {"status": status, "vehicle": "a sedan"})


def time_ms(action: Callable[[], object]) -> float:
    """Wall time of one call in milliseconds."""
    start = time.perf_counter()
    action()
    return 1000 * (time.perf_counter() - start)


def actions(store: Store) -> dict[str, Callable[[], object]]:
    """Everything that is measured, by name."""
    job = store.find_job("RO-3").job
    return {
        "open": lambda: Store.open(str(store)).close(),
        "list": lambda: store.jobs("open"),
        "find": lambda: store.find_job("RO-3"),
        "records": lambda: store.records(job),
        "next": lambda: ask_next(str(store)),
        "append": lambda: store.append(job, ("noted", {"text": "x"}), **WHO),
    }


def ask_next(place: str) -> None:
    """Open the store, load a job, rank its next steps."""
    with Shop(place, WHO["who"]) as shop:
        show_next(shop, ro="RO-3")


def measure(small: Path, large: Path, repeats: int) -> dict[tuple[str, str], float]:
    """Median milliseconds by size and action, the two stores in turn."""
    ms: dict[tuple[str, str], list[float]] = defaultdict(list)
    with Store.open(small) as few, Store.open(large) as many:
        both = {"small": actions(few), "large": actions(many)}
        for _ in range(repeats):
            for size, named in both.items():
                for name, action in named.items():
                    if name != "next" or len(ms[size, name]) < NEXT_REPEATS:
                        ms[size, name].append(time_ms(action))
    return {key: statistics.median(times) for key, times in ms.items()}


def main(quick: bool) -> dict[str, float]:
    """Measure, print a table, give the figures."""
    closed, events, repeats = (1_000, 30, 12) if quick else (100_000, 30, 200)
    jobs = closed + OPEN_JOBS
    with tempfile.TemporaryDirectory() as folder:
        small, large = Path(folder) / "small.db", Path(folder) / "large.db"
        start = time.perf_counter()
        for place, more in ((small, 0), (large, closed)):
            with Store.open(place) as store:
                fill(store, more, events)
        print(f"filled in {time.perf_counter() - start:.0f} s, {large.stat().st_size >> 20} MiB")
        ms = measure(small, large, repeats)
    print(f"{jobs} jobs with {jobs * events} records over {OPEN_JOBS} jobs")
    print("            small ms  large ms  ratio")
    figures: dict[str, float] = {"jobs": jobs, "records": jobs * events}
    for name in sorted({name for _, name in ms}):
        few, many = ms["small", name], ms["large", name]
        print(f"{name:10} {few:9.2f} {many:9.2f} {many / few:6.2f}")
        figures |= {f"{name}_ms": many, f"{name}_ratio": many / few}
    figures["replay_500_ms"] = replay_ms(LONG_JOB)
    print(f"replay of {LONG_JOB} events: {figures['replay_500_ms']:.1f} ms")
    return figures
