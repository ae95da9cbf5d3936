"""Have control units erase what they have stored: after all of it was recorded, on a typed word."""

from __future__ import annotations

from typing import Annotated

import typer
from msgspec import structs

from swapinfer.bus.adapter import connect
from swapinfer.bus.scan import Reading, erase
from swapinfer.commands.app import command
from swapinfer.commands.record import Recorded, record
from swapinfer.commands.shop import Shop
from swapinfer.commands.terminal import asked, page, say_aside
from swapinfer.commands.vehicle import adapter_named, kept, scan_link
from swapinfer.errors import BusError, UnconfirmedError
from swapinfer.ledger import events as ev

WORD = "forget"
"""What a person types to have everything erased."""

LOST = (
    "This is lost for ever in every control unit: stored and pending codes, the freeze frame, the "
    "misfire counters, the status of all monitors (an inspection may refuse the vehicle until they "
    "have run again), what was counted since codes were erased last, with some makers learned "
    "fuel trims as well. Permanent codes stay. What was read just now is recorded."
)
"""Told before the word is asked for (SAE J1979, service 04)."""


@command("erase", "erase --bus socketcan:can0")
def erase_stored(
    shop: Shop,
    bus: Annotated[
        str, typer.Option(help="Adapter: socketcan:can0; default the shop's setting.")
    ] = "",
    word: Annotated[
        str, typer.Option(help=f'"{WORD}": erase without being asked, after all was recorded.')
    ] = "",
    ro: str = "",
) -> Recorded:
    """Record what control units state, tell what will be lost, and erase it if a person says so."""
    ro = shop.load(ro).ro
    with connect(adapter_named(shop, bus)) as link:
        reading = scan_link(link)
        if any(unit.values.get("engine speed", 0.0) > 0 for unit in reading.units):
            raise BusError("the engine runs: stop it, leave the ignition on; nothing was erased")
        record(shop, lambda job: [kept(job, reading)], ro)
        _tell(reading)
        typed = word or asked(f'Type "{WORD}" to erase all this; anything else leaves it')
        if typed.strip().lower() != WORD:
            raise UnconfirmedError(
                f'nothing was erased; the word is "{WORD}", without a terminal --word {WORD}'
            )
        units, troubles = erase(link, reading.units)
    if not units:
        raise BusError(
            f"no control unit confirms that it erased anything ({'; '.join(troubles)}); "
            "swapinfer scan says what is there now"
        )
    told = record(shop, lambda _: [ev.Erased(units)], ro)
    return structs.replace(told, warnings=(*told.warnings, *troubles))


def _tell(reading: Reading) -> None:
    """Say what there is, and what erasing it means."""
    for text in (*map(str, reading.units), LOST):
        say_aside("\n".join(page().wrap(text)))
