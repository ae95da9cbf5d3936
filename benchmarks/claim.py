"""Writing a job up: time to each format, and size of each file."""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

from swapinfer.claim.document import to_html, to_markdown, to_pdf
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.write import Claim, to_json, write_up
from swapinfer.ledger import events as ev
from swapinfer.ledger.events import read_events
from swapinfer.ledger.record import GENESIS, Record, seal
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack

FITMENT = {"ignition": "coil-on-plug", "fuel": "port"}

EVENTS = [
    ev.Opened("RO-1", "inline-4", FITMENT, "shakes when warm", 148_200.0, driven_km=60.0),
    ev.Ran(10, ("warm",), ("P0303",)),
    ev.Measured("coil-supply", "cylinder3", 12.2, "12.2 V", 12.4),
    *[ev.Measured("compression", f"cylinder{c}", 170.0 + c, "") for c in (1, 2, 3, 4)],
    ev.Inspected("coil-look", "coil3", "sound"),
    ev.Swapped((("coil3", "coil1"),)),
    ev.Ran(10, ("warm",), ("P0301",)),
    ev.Swapped((("plug3", "plug4"),)),
    ev.Ran(10, ("warm",), ("P0301",)),
    ev.Replaced("coil1", 84.0),
    ev.Returned(),
    *[ev.Noted(f"note {number}") for number in range(4)],
    ev.Ran(30, ("warm", "load"), (), pending=()),
    ev.Closed(("coil3",), ("",), verified=True),
]
"""Twenty events of an invented job."""


def main(*, quick: bool) -> dict[str, float]:
    """Time a job of twenty events from its records to each format."""
    runs = 3 if quick else 15
    pack = load_pack()
    records = _chain(pack)
    job = replay(read_events(records), pack)
    claim = _write(job, records)
    formats: dict[str, Callable[[Claim], bytes]] = {
        "html": lambda claim: to_html(claim.document).encode(),
        "markdown": lambda claim: to_markdown(claim.document).encode(),
        "json": lambda claim: to_json(claim).encode(),
        "pdf": lambda claim: to_pdf(claim.document),
    }
    figures: dict[str, float] = {"events": len(EVENTS)}
    figures["facts_s"] = _median(runs, lambda: _write(job, records))
    for name, make in formats.items():
        figures[f"{name}_s"] = _median(runs, lambda make=make: make(_write(job, records)))
        figures[f"{name}_kib"] = round(len(make(claim)) / 1024, 1)
    print(f"{'format':10}{'seconds':>10}{'KiB':>10}   (median of {runs}, from the replayed job)")
    for name in formats:
        print(f"{name:10}{figures[f'{name}_s']:10.3f}{figures[f'{name}_kib']:10.1f}")
    return figures


def _chain(pack: Pack) -> list[Record]:
    records: list[Record] = []
    for seq, event in enumerate(EVENTS):
        records.append(
            seal(
                "0" * 32,
                seq,
                event.type,
                event.to_json(),
                who="benchmark",
                at=f"2031-05-04T{8 + seq // 4:02d}:{seq % 4 * 15:02d}:00+00:00",
                pack=pack.digest,
                previous=records[-1].digest if records else GENESIS,
            )
        )
    return records


def _write(job: Job, records: list[Record]) -> Claim:
    return write_up(job, records, settings=ClaimSettings(shop="Example Garage"))


def _median(runs: int, work: Callable[[], object]) -> float:
    seconds = []
    for _ in range(runs):
        started = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - started)
    return round(statistics.median(seconds), 4)
