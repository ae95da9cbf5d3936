"""Forms: what can be tapped or typed once a step is done, and what a form records."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping
from urllib.parse import urlencode

from msgspec import Struct

from swapinfer.commands import drive, entries, findings, opening, scan
from swapinfer.commands.findings import Beside, find_target
from swapinfer.commands.record import Recorded
from swapinfer.commands.shop import Shop
from swapinfer.commands.steps import StepFacts
from swapinfer.commands.typed import quantity
from swapinfer.errors import ConflictError, InputError
from swapinfer.ledger.events import Closed, Reopened
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import listed, place_label, target_label
from swapinfer.pack.model import CLEARED, UNREADY, Test
from swapinfer.units import OVER_LIMIT

NONE = "none"
"""Stands for codes that were looked for and are not there."""

MEMORIES = ("codes", "pending", "permanent")
"""Fields of codes: stored, and the others."""

TYPED = {
    "ro": "Repair order", "complaint": "What the customer says", "odometer": "Odometer",
    "minutes": "Minutes", "codes": "Codes", "pending": "Pending codes",
    "permanent": "Permanent codes", "against": "At the same time", "wanted": "Wanted",
    "text": "Note", "remark": "Remark", "reason": "Why", "why": "Why",
}  # fmt: skip
"""Fields that are typed, with their labels where a form comes back to be put right."""

Form = Mapping[str, str]


class Button(Struct, frozen=True):
    """A button that records something: its label, and the fields of its form."""

    label: str
    fields: dict[str, str]


class Offer(Struct, frozen=True):
    """A part of a step that is recorded by itself: by buttons, or on another screen."""

    title: str = ""
    buttons: tuple[Button, ...] = ()
    link: str = ""
    link_label: str = ""


def offers_of(job: Job, step: StepFacts, at: str) -> list[Offer]:
    """Read off the commands that record a step what can be tapped once it is done."""
    return [_offer(job, shlex.split(line)[1:], at) for line in step.commands]


def look_buttons(test: Test, target: str, suppose: str = "") -> tuple[Button, ...]:
    """Return a button for each thing that an inspection can show."""
    fields = {"deed": "inspect", "test": test.id, "target": target}
    fields |= {"suppose": suppose} if suppose else {}
    return tuple(
        Button(title, {**fields, "outcome": outcome}) for outcome, title in test.outcomes.items()
    )


def _offer(job: Job, words: list[str], at: str) -> Offer:
    match words:
        case ["inspect", name, *rest]:
            test = job.engine.tests[name]
            target = find_target(job, test, rest[0] if len(rest) > 1 else "")
            title = test.title if target == "engine" else place_label(job.engine, target)
            return Offer(title, look_buttons(test, target))
        case ["read", name, *rest]:
            test = job.engine.tests[name]
            on = [find_target(job, test, word.partition("=")[0]) for word in rest if "=" in word]
            link = f"{at}/reading/{name}?{urlencode({'on': ','.join(on)})}"
            return Offer(link=link, link_label="Type the reading")
        case ["codes", *_]:
            return Offer(link=f"{at}/codes", link_label="Read what is stored")
        case ["drive", minutes, *rest]:
            query = urlencode({"minutes": minutes, "when": _after("--when", rest)})
            return Offer(link=f"{at}/drive?{query}", link_label=f"Drive {minutes} min")
    return Offer(buttons=(_button(job, words[0], words[1:]),))


def _button(job: Job, verb: str, rest: list[str]) -> Button:
    if verb == "swap":
        find = job.engine.find_place
        pairs = [(find(a), find(b)) for a, b in entries.swap_pairs(rest)]
        said = [
            f"{job.engine.kinds[a.kind].title} {a.id.removeprefix(a.kind)} "
            f"with {b.id.removeprefix(b.kind)}"
            for a, b in pairs
        ]
        moves = " ".join(place.id for pair in pairs for place in pair)
        return Button(f"Swapped {listed(said)}", {"deed": verb, "moves": moves})
    if verb == "back":
        return Button("All put back", {"deed": verb})
    if verb == "close":
        fields = {"cause": _after("--cause", rest), "verified": "yes" * ("--verified" in rest)}
        label = "Close the job" + " as verified" * ("--verified" in rest)
        return Button(label, {"deed": verb, **fields})
    done = {"reseat": "Reseated", "replace": "Replaced"}[verb]
    label = f"{done} {place_label(job.engine, rest[0])}"
    return Button(label, {"deed": verb, "place": rest[0]})


def _after(option: str, words: list[str]) -> str:
    """Return what follows an option; empty without it."""
    return words[words.index(option) + 1] if option in words else ""


def typed_in(form: Form) -> dict[str, str]:
    """Label what somebody typed into a form, by the names of its fields."""
    labels = {name: TYPED.get(name, "") for name in form}
    for name in form:
        kind, _, target = name.partition("-")
        if kind in ("value", "count"):
            labels[name] = target_label(target) if kind == "value" else f"Cylinder {target}"
    return {name: label for name, label in labels.items() if label and form[name].strip()}


def conditions(form: Form) -> str:
    """Conditions that are ticked, by commas."""
    return ",".join(_under("when-", form))


def _under(prefix: str, form: Form) -> dict[str, str]:
    """Fields whose names begin alike and that are filled in, by the rest of their names."""
    return {
        name.removeprefix(prefix): value.strip()
        for name, value in form.items()
        if name.startswith(prefix) and value.strip()
    }


def _counts(form: Form) -> str:
    return ",".join(f"{cylinder}={count}" for cylinder, count in _under("count-", form).items())


def _codes_of(name: str, form: Form) -> str | None:
    """Codes of a memory that are tapped or typed, or the word none; None if it was not read."""
    tapped, typed = list(_under(f"{name}-", form)), form.get(name, "").strip()
    codes = " ".join([*tapped, typed]).strip()
    if NONE in tapped and codes != NONE:
        raise InputError(f"either none, or the others of {codes}: take one of them back")
    return codes or None


def _read(shop: Shop, ro: str, form: Form) -> Recorded:
    unit = form.get("unit", "")

    def full(text: str) -> str:
        """Add the unit that was chosen to a number typed without one."""
        return f"{text} {unit}" if text[-1:].isdecimal() else text

    values = {target: full(text) for target, text in _under("value-", form).items()}
    values |= dict.fromkeys(_under("over-", form), OVER_LIMIT)
    if not values:
        raise InputError("type at least one value")
    beside = Beside(
        full(form.get("against", "")),
        full(form.get("wanted", "")),
        form.get("temperature", ""),
        insists=form.get("insists") == "yes",
    )
    return findings.measure(shop, form["test"], values, beside, ro)


def _drive(shop: Shop, ro: str, form: Form) -> Recorded:
    codes, pending, permanent = (_codes_of(memory, form) for memory in MEMORIES)
    heard = ",".join(_under("heard-", form))
    counts = _counts(form)
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


def _codes(shop: Shop, ro: str, form: Form) -> Recorded:
    stored, pending, permanent = (_codes_of(memory, form) for memory in MEMORIES)
    age = form.get("memory", "")
    return drive.codes(
        shop,
        [stored] if stored else None,
        pending=pending,
        permanent=permanent,
        frame=conditions(form),
        counts=_counts(form),
        since_start=form.get("since_start", ""),
        cleared=age == CLEARED,
        unready=age == UNREADY,
        ro=ro,
    )


def _scan(shop: Shop, ro: str, form: Form) -> Recorded:
    told = scan.scan(shop, after=form.get("minutes", ""), when=conditions(form), ro=ro)
    if isinstance(told, scan.ScanView) and told.recorded:
        return told.recorded
    if not isinstance(told, Recorded):
        raise InputError("nothing new is stored; after a drive, say how many minutes it was")
    return told


def _close(shop: Shop, ro: str, form: Form) -> Recorded:
    causes = tuple(filter(None, [form.get("cause", "")]))
    closed = Closed(
        causes, ("",) * len(causes), form.get("verified") == "yes", "", form.get("remark", "")
    )
    return opening.close_job(shop, closed, ro, is_confirmed=form.get("insists") == "yes")


def _reopen(shop: Shop, ro: str, form: Form) -> Recorded:
    driven_km = quantity(form.get("driven", ""), "km", shop.settings.bare_unit("km"))
    return opening.reopen_job(shop, Reopened(form.get("reason", ""), driven_km=driven_km), ro)


DEEDS: dict[str, Callable[[Shop, str, Form], Recorded]] = {
    "inspect": lambda shop, ro, form: findings.inspect(
        shop, form["test"], [form["target"], form["outcome"]], ro=ro
    ),
    "read": _read,
    "drive": _drive,
    "scan": _scan,
    "codes": _codes,
    "swap": lambda shop, ro, form: entries.swap(shop, form["moves"].split(), ro),
    "back": lambda shop, ro, _form: entries.put_back(shop, ro),
    "reseat": lambda shop, ro, form: entries.reseat(shop, [form["place"]], ro),
    "replace": lambda shop, ro, form: entries.replace(shop, [form["place"]], ro=ro),
    "note": lambda shop, ro, form: entries.note(shop, form.get("text", ""), ro),
    "undo": lambda shop, ro, form: entries.take_back(
        shop, int(form["seq"]), form.get("why", ""), ro
    ),
    "close": _close,
    "reopen": _reopen,
}
"""What a form's ``deed`` names: each calls the function of the command of its name."""


class OvertakenError(ConflictError):
    """Someone recorded something since the page was shown."""


def do(shop: Shop, ro: str, form: Form) -> Recorded:
    """Record what a form says.

    It has ``deed``, and ``seen``: how many records the job had when it was shown. More of them now
    are of someone else, or of the same form sent twice.
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
