"""What a form of the page records: a deed calls the function of the command of its name."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from swapinfer.commands import drive, findings, handling, notes, opening, scan
from swapinfer.commands.findings import OVER_LIMIT
from swapinfer.commands.readings import Beside
from swapinfer.commands.record import Recorded
from swapinfer.commands.shop import Shop
from swapinfer.commands.typed import quantity
from swapinfer.errors import ConflictError, InputError
from swapinfer.ledger.events import Closed, Reopened
from swapinfer.pack.model import CLEARED, UNREADY

NONE = "none"
"""Stands for codes that were looked for and are not there."""

MEMORIES = ("codes", "pending", "permanent")
"""Fields of codes: stored, and the others."""

Form = Mapping[str, str]
Deed = Callable[[Shop, str, Form], Recorded]


def _inspect(shop: Shop, ro: str, form: Form) -> Recorded:
    return findings.inspect(shop, form["test"], [form["target"], form["outcome"]], ro=ro)


def _read(shop: Shop, ro: str, form: Form) -> Recorded:
    unit = form.get("unit", "")
    values = {target: _with_unit(text, unit) for target, text in _under("value-", form).items()}
    values |= dict.fromkeys(_under("over-", form), OVER_LIMIT)
    if not values:
        raise InputError("type at least one value")
    beside = Beside(
        _with_unit(form.get("against", ""), unit),
        _with_unit(form.get("wanted", ""), unit),
        form.get("temperature", ""),
        insists=form.get("insists") == "yes",
    )
    return findings.measure(shop, form["test"], values, beside, ro)


def _with_unit(text: str, unit: str) -> str:
    """Add the unit that was chosen to a number typed without one."""
    return f"{text} {unit}" if text[-1:].isdecimal() else text


def _under(prefix: str, form: Form) -> dict[str, str]:
    """Fields whose names begin alike and that are filled in, by the rest of their names."""
    return {
        name.removeprefix(prefix): value.strip()
        for name, value in form.items()
        if name.startswith(prefix) and value.strip()
    }


def _drive(shop: Shop, ro: str, form: Form) -> Recorded:
    codes, pending, permanent = (_codes_of(memory, form) for memory in MEMORIES)
    heard = ",".join(_under("heard-", form))
    counts = ",".join(f"{cylinder}={count}" for cylinder, count in _under("count-", form).items())
    felt = form.get("felt", "")
    if not (codes or pending or permanent or counts or felt or heard):
        raise InputError("say what was found: codes, that none was set, counters, or how it felt")
    return drive.drive(
        shop,
        form.get("minutes", ""),
        when=conditions(form),
        codes=None if codes == NONE else codes,
        no_codes=codes == NONE,
        pending=pending,
        permanent=permanent,
        counts=counts,
        felt=felt,
        heard=heard,
        ro=ro,
    )


def _codes_of(name: str, form: Form) -> str | None:
    """Codes of a memory that are tapped or typed, or the word none; None if it was not read."""
    tapped, typed = list(_under(f"{name}-", form)), form.get(name, "").strip()
    codes = " ".join([*tapped, typed]).strip()
    if NONE in tapped and codes != NONE:
        raise InputError(f"either none, or the others of {codes}: take one of them back")
    return codes or None


def _codes(shop: Shop, ro: str, form: Form) -> Recorded:
    stored, pending, permanent = (_codes_of(memory, form) for memory in MEMORIES)
    age = form.get("memory", "")
    return drive.codes(
        shop,
        [stored] if stored else None,
        pending=pending,
        permanent=permanent,
        frame=conditions(form),
        cleared=age == CLEARED,
        unready=age == UNREADY,
        ro=ro,
    )


def conditions(form: Form) -> str:
    """Conditions that are ticked, by commas."""
    return ",".join(_under("when-", form))


def _scan(shop: Shop, ro: str, form: Form) -> Recorded:
    told = scan.scan(shop, after=form.get("minutes", ""), when=conditions(form), ro=ro)
    if isinstance(told, scan.ScanView) and told.recorded:
        return told.recorded
    if not isinstance(told, Recorded):
        raise InputError("nothing new is stored; after a drive, say how many minutes it was")
    return told


def _close(shop: Shop, ro: str, form: Form) -> Recorded:
    cause = form.get("cause", "")
    causes = (cause,) if cause else ()
    closed = Closed(
        causes, ("",) * len(causes), form.get("verified") == "yes", "", form.get("remark", "")
    )
    return opening.close_job(shop, closed, ro, is_confirmed=form.get("insists") == "yes")


def _reopen(shop: Shop, ro: str, form: Form) -> Recorded:
    driven_km = quantity(form.get("driven", ""), "km", shop.settings.bare_unit("km"))
    return opening.reopen_job(shop, Reopened(form.get("reason", ""), driven_km=driven_km), ro)


def _swap(shop: Shop, ro: str, form: Form) -> Recorded:
    return handling.swap(shop, form["moves"].split(), ro)


DEEDS: dict[str, Deed] = {
    "inspect": _inspect,
    "read": _read,
    "drive": _drive,
    "scan": _scan,
    "codes": _codes,
    "swap": _swap,
    "back": lambda shop, ro, _form: handling.put_back(shop, ro),
    "reseat": lambda shop, ro, form: handling.reseat(shop, [form["place"]], ro),
    "replace": lambda shop, ro, form: handling.replace(shop, [form["place"]], ro=ro),
    "note": lambda shop, ro, form: notes.note(shop, form.get("text", ""), ro),
    "undo": lambda shop, ro, form: notes.take_back(shop, int(form["seq"]), form.get("why", ""), ro),
    "close": _close,
    "reopen": _reopen,
}
"""Deeds by the name that a form gives."""


class OvertakenError(ConflictError):
    """Someone recorded something since the page was shown."""


def do(shop: Shop, ro: str, form: Form) -> Recorded:
    """Record what a form says."""
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
