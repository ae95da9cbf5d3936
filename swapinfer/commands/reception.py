"""Opening a job by asking."""

from __future__ import annotations

from msgspec import structs

from swapinfer.commands.dialogue import Dialogue
from swapinfer.commands.opening import open_job
from swapinfer.commands.questions import Asking, ask_opening
from swapinfer.commands.record import Recorded
from swapinfer.commands.shop import Shop
from swapinfer.ledger import events as ev


def receive(shop: Shop, ro: str) -> Dialogue[ev.Opened]:
    """Return the questions after which a job is opened.

    Parameters
    ----------
    shop : Shop
        Where.
    ro : str
        Repair order of the new job.
    """

    def start() -> Asking[ev.Opened]:
        pack = shop.pack
        layouts = [(layout.id, f"{layout.id}: {layout.title}") for layout in pack.layouts.values()]
        return ask_opening(ro, layouts, pack.fitments, shop.settings.unit("distance"))

    def finish(opening: ev.Opened) -> Recorded:
        return structs.replace(open_job(shop, opening), next=None)

    return Dialogue(start, finish)
