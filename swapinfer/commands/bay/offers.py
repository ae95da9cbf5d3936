"""What can be tapped once a step is done, read off the commands that record it."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from urllib.parse import urlencode

from msgspec import Struct

from swapinfer.commands.handling import swap_pairs
from swapinfer.commands.readings import find_target
from swapinfer.commands.steps import StepFacts
from swapinfer.ledger.replay import Job
from swapinfer.ledger.words import listed, place_label
from swapinfer.pack.model import Test


class Button(Struct, frozen=True):
    """A button that records something: its label, and the fields of its form."""

    label: str
    fields: dict[str, str]


class Offer(Struct, frozen=True):
    """A part of a step that is recorded by itself."""

    title: str = ""
    buttons: tuple[Button, ...] = ()
    link: str = ""
    link_label: str = ""


def offers_of(job: Job, step: StepFacts, at: str) -> list[Offer]:
    """List what can be tapped once a step is done."""
    return [_offer(job, shlex.split(line)[1:], at) for line in step.commands]


def look_buttons(test: Test, target: str, suppose: str = "") -> tuple[Button, ...]:
    """Return a button for each thing that an inspection can show."""
    fields = {"deed": "inspect", "test": test.id, "target": target}
    fields |= {"suppose": suppose} if suppose else {}
    return tuple(
        Button(title, {**fields, "outcome": outcome}) for outcome, title in test.outcomes.items()
    )


def _offer(job: Job, words: list[str], at: str) -> Offer:
    verb, rest = words[0], words[1:]
    if verb == "inspect":
        test = job.engine.tests[rest[0]]
        target = find_target(job, test, rest[1] if len(rest) > 2 else "")
        title = test.title if target == "engine" else place_label(job.engine, target)
        return Offer(title, look_buttons(test, target))
    if verb == "read":
        test = job.engine.tests[rest[0]]
        on = [find_target(job, test, w.partition("=")[0]) for w in rest[1:] if "=" in w]
        link = f"{at}/reading/{test.id}?{urlencode({'on': ','.join(on)})}"
        return Offer(link=link, link_label="Type the reading")
    if verb == "codes":
        return Offer(link=f"{at}/codes", link_label="Read what is stored")
    if verb == "drive":
        when = rest[rest.index("--when") + 1] if "--when" in rest else ""
        query = urlencode({"minutes": rest[0], "when": when})
        return Offer(link=f"{at}/drive?{query}", link_label=f"Drive {rest[0]} min")
    button = _BUTTONS[verb](job, rest)
    return Offer(buttons=(Button(button.label, {"deed": verb, **button.fields}),))


def _swapped(job: Job, rest: list[str]) -> Button:
    pairs = [[job.engine.find_place(name) for name in pair] for pair in swap_pairs(rest)]
    said = [
        f"{job.engine.kinds[a.kind].title} {a.id.removeprefix(a.kind)} "
        f"with {b.id.removeprefix(b.kind)}"
        for a, b in pairs
    ]
    moves = " ".join(place.id for pair in pairs for place in pair)
    return Button(f"Swapped {listed(said)}", {"moves": moves})


def _closed(_job: Job, rest: list[str]) -> Button:
    cause = rest[rest.index("--cause") + 1] if "--cause" in rest else ""
    is_verified = "--verified" in rest
    label = "Close the job" + (" as verified" if is_verified else "")
    return Button(label, {"cause": cause, "verified": "yes" if is_verified else ""})


_BUTTONS: dict[str, Callable[[Job, list[str]], Button]] = {
    "swap": _swapped,
    "back": lambda _job, _rest: Button("All put back", {}),
    "reseat": lambda job, rest: Button(
        f"Reseated {place_label(job.engine, rest[0])}", {"place": rest[0]}
    ),
    "replace": lambda job, rest: Button(
        f"Replaced {place_label(job.engine, rest[0])}", {"place": rest[0]}
    ),
    "close": _closed,
}
