"""The page at the bay: the same jobs on a phone or tablet, served from this computer."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar

import typer
from msgspec import Struct

from swapinfer.commands.app import command
from swapinfer.commands.page import Facts, Page, show
from swapinfer.commands.shop import Shop, user_folder
from swapinfer.commands.terminal import say, say_paragraph
from swapinfer.errors import InputError, LedgerError

if TYPE_CHECKING:
    from swapinfer.commands.bay.door import Devices

PORT = 8642
LOCAL = "127.0.0.1"


class DeviceLine(Struct, frozen=True):
    """A paired device: what revokes it, whose it is, and since when."""

    id: str
    name: str
    paired_at: str


class DeviceList(Facts, frozen=True):
    """Paired devices."""

    shape: ClassVar[str] = "devices/1"

    devices: tuple[DeviceLine, ...]


@command("page", "page --lan 192.0.2.10")
def page(
    shop: Shop,
    lan: Annotated[
        str, typer.Option(help="This computer's address in the shop's network; else only here.")
    ] = "",
    port: Annotated[int, typer.Option(min=1, max=65_535, help="Port.")] = PORT,
    tls: Annotated[
        tuple[Path, Path] | None,
        typer.Option(metavar="<cert> <key>", help="Certificate and key, to encrypt."),
    ] = None,
    devices: Annotated[bool, typer.Option("--devices", help="List the paired devices.")] = False,
    revoke: Annotated[str, typer.Option(help="Unpair a device, by its name in that list.")] = "",
) -> DeviceList | None:
    """Serve the page, or say and change who is paired."""
    from swapinfer.commands.bay.door import Devices

    paired = Devices(user_folder("data") / "devices.json")
    if revoke and not paired.revoke(revoke):
        raise InputError(f'no device "{revoke}"; see: swapinfer page --devices')
    if revoke or devices:
        return DeviceList(tuple(DeviceLine(d.id, d.name, d.paired_at) for d in paired.all()))
    _serve(shop, paired, lan or LOCAL, port, tls)
    return None


def _serve(
    shop: Shop, paired: Devices, address: str, port: int, tls: tuple[Path, Path] | None
) -> None:
    import segno
    import uvicorn

    from swapinfer.commands.bay.door import Door, Pairing
    from swapinfer.commands.bay.screens import screens
    from swapinfer.commands.bay.state import Bay, Clock

    if tls:
        try:
            ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(*tls)
        except (OSError, ssl.SSLError) as error:
            raise InputError(f"{tls[0]} and {tls[1]} are no certificate and its key") from error
    scheme, names = "https" if tls else "http", [address]
    names += ["localhost"] * (address == LOCAL)  # a browser may ask for either
    origins = [f"{scheme}://{name}:{port}" for name in names]
    pairing = Pairing()
    clock = Clock(user_folder("data") / "drives.json")
    bay = Bay(shop.store_place, paired, pairing, clock, is_private=bool(tls))
    link = f"{origins[0]}/pair/{pairing.offer()}"
    say_paragraph(f"{origins[0]} serves the shop's jobs to paired devices; stop it with Ctrl-C.")
    if not tls and address != LOCAL:
        say_paragraph("Without --tls others on this network can read what passes.")
    say_paragraph("To pair one device within ten minutes, scan this, or type the address:")
    segno.make(link, micro=False).terminal(compact=True)
    say(link)
    config = uvicorn.Config(
        Door(screens(bay), paired, origins),
        host=address,
        port=port,
        ssl_certfile=str(tls[0]) if tls else None,
        ssl_keyfile=str(tls[1]) if tls else None,
        log_level="warning",
        server_header=False,
        lifespan="off",
        timeout_graceful_shutdown=5,
    )
    server = uvicorn.Server(config)
    bay.is_over = lambda: server.should_exit
    try:
        server.run()
    except SystemExit:
        raise LedgerError(f"{address}:{port} cannot be served: it is in use, or not ours") from None


@show.register
def _(facts: DeviceList, page: Page) -> str:
    if not facts.devices:
        return "no device is paired; start swapinfer page and scan what it prints"
    return "\n".join(page.table([[d.id, d.paired_at[:10], d.name] for d in facts.devices]))
