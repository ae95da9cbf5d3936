"""What a form of the page records: a deed calls the function of the command of its name."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

from swapinfer.commands import drive, findings, handling, notes, opening
from swapinfer.commands.readings import Beside
from swapinfer.commands.record import Recorded
from swapinfer.commands.shop import Shop
from swapinfer.errors import ConflictError, InputError
from swapinfer.ledger.events import Closed, Reopened

Form = Mapping[str, str]
Deed = Callable[[Shop, str, Form], Recorded]


def _inspect(shop: Shop, ro: str, form: Form) -> Recorded:
    return findings.inspect(shop, form["test"], [form["target"], form["outcome"]], ro=ro)


def _read(shop: Shop, ro: str, form: Form) -> Recorded:
    values = {
        name.removeprefix("value-"): value
        for name, value in form.items()
        if name.startswith("value-") and value.strip()
    }
    if not values:
        raise InputError("type at least one value")
    beside = Beside(
        form.get("against", ""),
        form.get("wanted", ""),
        form.get("temperature", ""),
        insists=form.get("insists") == "yes",
    )
    return findings.measure(shop, form["test"], values, beside, ro)


def _drive(shop: Shop, ro: str, form: Form) -> Recorded:
    counts = ",".join(
        f"{name.removeprefix('count-')}={value.strip()}"
        for name, value in form.items()
        if name.startswith("count-") and value.strip()
    )
    when = ",".join(name.removeprefix("when-") for name in form if name.startswith("when-"))
    typed = form.get("codes", "").strip()
    none = form.get("read") == "none"
    return drive.drive(
        shop,
        form.get("minutes", ""),
        when=when,
        codes=typed if typed and not none else None,
        no_codes=none,
        counts=counts,
        felt=form.get("felt", ""),
        ro=ro,
    )


def _close(shop: Shop, ro: str, form: Form) -> Recorded:
    cause = form.get("cause", "")
    closed = Closed(
        (cause,) if cause else (), ("",) if cause else (), form.get("verified") == "yes", "", ""
    )
    return opening.close_job(shop, closed, ro, is_confirmed=form.get("insists") == "yes")


def _swap(shop: Shop, ro: str, form: Form) -> Recorded:
    return handling.swap(shop, form["moves"].split(), ro)


DEEDS: dict[str, Deed] = {
    "inspect": _inspect,
    "read": _read,
    "drive": _drive,
    "swap": _swap,
    "back": lambda shop, ro, _form: handling.put_back(shop, ro),
    "reseat": lambda shop, ro, form: handling.reseat(shop, [form["place"]], ro),
    "replace": lambda shop, ro, form: handling.replace(shop, [form["place"]], ro=ro),
    "note": lambda shop, ro, form: notes.note(shop, form.get("text", ""), ro),
    "undo": lambda shop, ro, form: notes.take_back(shop, int(form["seq"]), form.get("why", ""), ro),
    "close": _close,
    "reopen": lambda shop, ro, form: opening.reopen_job(shop, Reopened(form.get("reason", "")), ro),
}
"""Deeds by the name that a form gives."""


class OvertakenError(ConflictError):
    """Someone recorded something since the page was shown."""


def do(shop: Shop, ro: str, form: Form) -> Recorded:
    """Record what a form says.

    Parameters
    ----------
    shop : Shop
        Where, and in whose name.
    ro : str
        Repair order.
    form : mapping of str to str
        With ``deed``, and with ``seen``: how many records the job had when the form was shown.

    Raises
    ------
    OvertakenError
        If something was recorded since: by someone else, or by the same form sent twice.
    SwapinferError
        If it cannot be recorded.
    """
    deed, seen = form.get("deed", ""), form.get("seen", "")
    if deed not in DEEDS or not seen.isdecimal():
        raise InputError("this form is none of this page's")
    more = len(shop.load(ro).records) - int(seen)
    if more:
        raise OvertakenError(f"{more} more recorded since you looked")
    try:
        return DEEDS[deed](shop, ro, form)
    except KeyError as missing:
        raise InputError(f"this form lacks {missing}") from None


def attach(shop: Shop, ro: str, name: str, data: bytes) -> Recorded:
    """Attach a picture that a device sent, without its metadata."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / Path(name or "picture").name
        path.write_bytes(data)
        return notes.attach(shop, path, ro)
