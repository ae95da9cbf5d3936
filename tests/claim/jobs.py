"""Jobs to write up: an invented vehicle, and what a hostile typist might make of it."""

from __future__ import annotations

import base64
import hashlib
import io
from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from functools import cache

from PIL import Image

from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.write import Claim, write_up
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import read_events
from swapinfer.ledger.record import GENESIS, Record, seal
from swapinfer.ledger.replay import replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack

JOB_ID = "00000000000000000000000000000001"
START = datetime(2031, 5, 4, 9, 30, tzinfo=timezone(timedelta(hours=2)))
WHOS = ("T. Echnician", "A. Nother")


@cache
def base_pack() -> Pack:
    return load_pack()


def chain(
    events: Sequence[Event],
    whos: Sequence[str] = WHOS,
    pack: Pack | None = None,
    minutes: Sequence[float] = (),
) -> list[Record]:
    """Seal events into records, under the base pack or another.

    They are a quarter of an hour apart, or so many minutes after the start.
    """
    records: list[Record] = []
    for seq, event in enumerate(events):
        records.append(
            seal(
                JOB_ID,
                seq,
                event.type,
                event.to_json(),
                who=whos[seq % len(whos)],
                at=(START + timedelta(minutes=minutes[seq] if minutes else 15 * seq)).isoformat(),
                pack=(pack or base_pack()).digest,
                previous=records[-1].digest if records else GENESIS,
            )
        )
    return records


def claim_of(events: Sequence[Event], settings: ClaimSettings | None = None) -> Claim:
    """Write up a job of these events, once."""
    settings = settings or ClaimSettings()
    key = repr((events, settings))
    if key not in _WRITTEN:
        records = chain(events)
        _WRITTEN[key] = write_up(
            replay(read_events(records), base_pack()), records, settings=settings
        )
    return _WRITTEN[key]


_WRITTEN: dict[str, Claim] = {}


def opening(**other: object) -> ev.Opened:
    fields = {
        "ro": "RO-1042",
        "layout": "inline-4",
        "fitment": {"ignition": "coil-on-plug", "fuel": "port"},
        "complaint": "shakes at traffic lights, lamp on",
        "odometer_km": 148_200.0,
        "driven_km": 60.0,
        "vin": "11111111111111111",
        "customer": "Ida Invented",
    }
    return ev.Opened(**{**fields, **other})  # type: ignore[arg-type]


def coil_events() -> list[Event]:
    """The coil from cylinder 3 takes its misfire to cylinder 1, and is replaced."""
    return [
        opening(),
        ev.Ran(10, ("warm",), ("P0303",)),
        ev.Noted("connector of coil 3 looks clean"),
        ev.Measured("compression", "cylinder3", 171.0, "11.8 bar"),
        ev.Measured("compression", "cylinder2", 174.0, "12 bar"),
        ev.Undone(4),
        ev.Measured("compression", "cylinder1", 173.0, "11.9 bar"),
        ev.Swapped((("coil3", "coil1"), ("plug3", "plug4"))),
        ev.Ran(10, ("warm",), ("P0301",)),
        ev.Replaced("coil1", 84.0),
        ev.Returned(),
        picture(),
        ev.Ran(30, ("warm", "load"), (), pending=()),
        ev.Closed(("coil3",), ("",), verified=True, remark="old coil kept for return"),
    ]


def picture(name: str = "coil with a crack", media: str = "image/png") -> ev.Attached:
    """A small picture, attached."""
    out = io.BytesIO()
    Image.new("RGB", (24, 16), (200, 120, 40)).save(out, media.rpartition("/")[2])
    data = out.getvalue()
    digest = hashlib.sha256(data).hexdigest()
    return ev.Attached(name, digest, media, base64.b64encode(data).decode())
