"""What can be tapped once a step is done, read off the commands that record it."""

from __future__ import annotations

import shlex
from urllib.parse import urlencode

from msgspec import Struct

from swapinfer.commands.steps import StepFacts
from swapinfer.ledger.replay import Job


class Button(Struct, frozen=True):
    """A button that records something: its label, and the fields of its form."""

    label: str
    fields: dict[str, str]


class Offer(Struct, frozen=True):
    """A part of a step that is recorded by itself.

    Attributes
    ----------
    title : str
        Empty where the buttons say it all.
    buttons : tuple of Button
        To be tapped here.
    link, link_label : str
        Screen on which it is recorded otherwise.
    """

    title: str = ""
    buttons: tuple[Button, ...] = ()
    link: str = ""
    link_label: str = ""


def offers_of(job: Job, step: StepFacts) -> list[Offer]:
    """List what can be tapped once a step is done.

    Parameters
    ----------
    job : Job
        As it stands.
    step : StepFacts
        What is done.
    """
    return [_offer(job, shlex.split(line)[1:]) for line in step.commands]


def _offer(job: Job, words: list[str]) -> Offer:
    verb, rest = words[0], words[1:]
    ro = job.opening.ro
    if verb == "inspect":
        test = job.engine.tests[rest[0]]
        target = rest[1] if len(rest) > 2 else job.engine.target_places(test.target)[0]
        buttons = [
            Button(title, {"deed": "inspect", "test": test.id, "target": target, "outcome": name})
            for name, title in test.outcomes.items()
        ]
        where = target if target != "engine" else ""
        return Offer(f"{test.title} {where}".strip(), tuple(buttons))
    if verb == "read":
        on = ",".join(word.partition("=")[0] for word in rest[1:] if "=" in word)
        link = f"/job/{ro}/reading/{rest[0]}?{urlencode({'on': on})}"
        return Offer(link=link, link_label="Type the reading")
    if verb == "drive":
        when = rest[rest.index("--when") + 1] if "--when" in rest else ""
        query = urlencode({"minutes": rest[0], "when": when})
        return Offer(link=f"/job/{ro}/drive?{query}", link_label=f"Drive {rest[0]} min")
    fields = {"deed": verb}
    if verb == "swap":
        fields["moves"] = " ".join(rest)
    elif verb in ("reseat", "replace"):
        fields["place"] = rest[0]
    elif verb == "close":
        fields["cause"] = rest[rest.index("--cause") + 1] if "--cause" in rest else ""
        fields["verified"] = "yes" if "--verified" in rest else ""
    labels = {
        "swap": f"Done: swapped {' '.join(rest)}", "back": "Done: all put back",
        "reseat": f"Done: reseated {' '.join(rest)}", "replace": f"Done: replaced {' '.join(rest)}",
        "close": "Close the job" + (" as verified" if fields.get("verified") else ""),
    }  # fmt: skip
    return Offer(buttons=(Button(labels[verb], fields),))
