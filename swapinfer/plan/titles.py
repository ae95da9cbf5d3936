"""Steps and outcomes in words."""

from __future__ import annotations

from collections.abc import Iterable

from swapinfer.layout import Place
from swapinfer.pack.engine import Engine
from swapinfer.plan.actions import Action
from swapinfer.plan.predict import ALL_GOOD, ELSEWHERE, QUIET


def title_action(engine: Engine, action: Action) -> str:
    """Put an action in the imperative.

    Parameters
    ----------
    engine : Engine
        Whose places it names.
    action : Action
        What is done.

    Returns
    -------
    str
        ``"swap ignition coils 3 and 1; drive 20 min (load)"``.
    """
    parts = [_work(engine, action)] if _work(engine, action) else []
    if action.drive_minutes:
        tags = f" ({', '.join(action.conditions)})" if action.conditions else ""
        parts.append(f"drive {action.drive_minutes:g} min{tags}")
    return "; ".join(parts)


def title_outcome(engine: Engine, action: Action, outcome: str) -> str:
    """Put an outcome of an action in words."""
    if outcome == QUIET:
        return "no misfire"
    if outcome == ELSEWHERE:
        return "misfire in several cylinders, or in another"
    if outcome == ALL_GOOD:
        return "nothing unusual"
    if action.drive_minutes:
        return f"misfire in {name_target(engine, outcome)}"
    if outcome in action.targets:
        return f"{name_target(engine, outcome)} stands out"
    return engine.tests[action.test].outcomes.get(outcome, outcome.replace("-", " "))


def name_place(engine: Engine, name: str) -> str:
    """Name a place: "ignition coil 3", "engine earth"."""
    place = engine.places[name]
    return " ".join(filter(None, [engine.kinds[place.kind].title, _where(place)]))


def name_target(engine: Engine, target: str) -> str:
    """Name a target of a test: "cylinder 3", "bank 1", or the place."""
    if target in engine.places:
        return name_place(engine, target)
    word = target.rstrip("0123456789")
    return f"{word} {target[len(word) :]}".strip()


def _where(place: Place) -> str:
    return f"bank {place.bank}" if place.pattern == "bank" else place.where


def _work(engine: Engine, action: Action) -> str:
    match action.kind:
        case "test":
            where = _listed(name_target(engine, target) for target in action.targets)
            return f"{engine.tests[action.test].title}: {where}"
        case "put-back":
            return "put every part back where it belongs"
        case _:
            work = [
                _with("swap", (_pair(engine, a, b) for a, b in action.swaps)),
                _with("unplug and reseat", (name_place(engine, p) for p in action.reseated)),
                _listed(_repair(engine, place) for place in action.replaced),
            ]
            return "; ".join(filter(None, work))


def _with(verb: str, items: Iterable[str]) -> str:
    listed = _listed(items)
    return f"{verb} {listed}" if listed else ""


def _repair(engine: Engine, name: str) -> str:
    where = _where(engine.places[name])
    return " ".join(filter(None, [engine.kind_of(name).fix.title, where and f"({where})"]))


def _pair(engine: Engine, first: str, second: str) -> str:
    title = engine.kind_of(first).title
    return f"{title} {_where(engine.places[first])} with {_where(engine.places[second])}"


def _listed(items: Iterable[str]) -> str:
    listed = list(items)
    if len(listed) < 2:
        return "".join(listed)
    return ", ".join(listed[:-1]) + " and " + listed[-1]
