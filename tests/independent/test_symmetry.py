"""What numbering cannot matter to: an engine seen in a mirror, and banks exchanged."""

from __future__ import annotations

import re
from random import Random

import pytest
from independent.beside import by_package
from independent.jobs import Event, inspected, measured, opened, ran, swapped, unread

from swapinfer.evidence.profiles import are_steps
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack

JOBS = 120
MIRROR = {1: 4, 2: 3, 3: 2, 4: 1}
LINE = [1, 3, 4, 2]
MIRRORED_LINE = [4, 2, 1, 3]
"""The firing order as it reads in the mirror."""

TURN = {1: 4, 2: 5, 3: 6, 4: 1, 5: 2, 6: 3}
"""A V6 in rows whose banks change their numbers."""

LOOKS = [
    ("plug-look", "cylinder", ["worn", "oil", "clean", "wet"]),
    ("cut-out", "cylinder", ["drop", "small", "none"]),
    ("spark-tester", "cylinder", ["good", "weak", "none"]),
    ("coil-look", "coil", ["sound", "track"]),
    ("throttle-look", "engine", ["clean", "coated"]),
]
READINGS = [
    ("coil-primary", "coil", [0.4, 0.62, 0.8, "OL"]),
    ("compression", "cylinder", [60.0, 150.0, 172.0]),
    ("leak-down", "cylinder", [5.0, 18.0, 40.0]),
    ("fuel-pressure", "engine", [30.0, 52.0]),
]


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


def drawn(rng: Random, cylinders: int) -> list[Event]:
    """Some steps of a job: drives, swaps, looks, readings, a repair."""
    events: list[Event] = []
    levels = {"coil-primary", "compression"}
    for _ in range(rng.randint(2, 5)):
        c, other = rng.sample(range(1, cylinders + 1), 2)
        step = rng.choice(["run", "run", "hear", "swap", "look", "read", "replace"])
        if step == "run":
            named = rng.sample(range(1, cylinders + 1), rng.choice([0, 1, 1, 2]))
            more = rng.choice([[], [], ["P0300"], [f"P035{c}"], [f"P020{c}"], ["P0087"]])
            codes = [f"P030{one}" for one in sorted(named)] + more
            events.append(
                ran(rng.choice([5, 15, 40]), *codes, at=rng.choice([("load",), ("idle",)]))
            )
            if rng.random() < 0.2:
                events[-1]["counts"] = {str(c): rng.choice([0, 3, 60])}
        elif step == "hear":
            events.append(unread(10, suspected=[c]))
        elif step == "swap":
            kind = rng.choice(["coil", "plug", "injector"])
            events.append(swapped((f"{kind}{c}", f"{kind}{other}")))
        elif step == "replace":
            events.append({"type": "replaced", "place": f"{rng.choice(['coil', 'plug'])}{c}"})
        else:
            name, target, shown = rng.choice(LOOKS if step == "look" else READINGS)
            if name in levels:
                levels = {name}
            elif name in {"coil-primary", "compression"}:
                continue
            place = target if target == "engine" else f"{target}{c}"
            make = inspected if step == "look" else measured
            events.append(make(name, place, rng.choice(shown)))
    return events


def renamed(word: str, to: dict[int, int]) -> str:
    """Rename the cylinders in a code, a place or a target."""
    if re.fullmatch(r"P0(20|30|35)[1-9]", word):
        return word[:-1] + str(to[int(word[-1])])
    found = re.fullmatch(r"([a-z-]+?)(\d(?:-\d)?)(\.new\d*)?", word)
    if not found or found[1].endswith("bank"):
        return word
    numbers = sorted(to[int(number)] for number in found[2].split("-"))
    return found[1] + "-".join(map(str, numbers)) + (found[3] or "")


def relabelled(event: Event, to: dict[int, int]) -> Event:
    changed = dict(event)
    for key in ("place", "target"):
        if key in event:
            changed[key] = renamed(event[key], to)
    for key in ("codes", "pending"):
        if key in event:
            changed[key] = [renamed(code, to) for code in event[key]]
    if "swaps" in event:
        changed["swaps"] = [[renamed(place, to) for place in swap] for swap in event["swaps"]]
    if "suspected" in event:
        changed["suspected"] = [to[c] for c in event["suspected"]]
    if "counts" in event:
        changed["counts"] = {str(to[int(c)]): n for c, n in event["counts"].items()}
    return changed


def same_but_for_names(
    pack: Pack, events: list[Event], others: list[Event], to: dict[int, int]
) -> None:
    log_evidence, found = by_package(pack, events)
    log_other, other = by_package(pack, others)
    assert log_evidence == pytest.approx(log_other, rel=0, abs=1e-9)
    for element, row in found.items():
        twin = renamed(element, to)
        if "bank" in element and to is TURN:
            twin = element.translate(str.maketrans("12", "21"))
        assert row == pytest.approx(other[twin], rel=0, abs=1e-9), (element, events)


@pytest.mark.parametrize("seed", range(JOBS))
def test_an_engine_in_line_seen_in_a_mirror(seed: int, pack: Pack) -> None:
    events = drawn(Random(seed), 4)
    same_but_for_names(
        pack,
        [opened(firing_order=LINE), *events],
        [opened(firing_order=MIRRORED_LINE), *(relabelled(event, MIRROR) for event in events)],
        MIRROR,
    )


@pytest.mark.parametrize("seed", range(20))
def test_banks_exchanged(seed: int, pack: Pack) -> None:
    order = list(pack.layouts["v6-rows"].firing_order)
    events = drawn(Random(1000 + seed), 6)
    same_but_for_names(
        pack,
        [opened("v6-rows", firing_order=order), *events],
        [
            opened("v6-rows", firing_order=[TURN[c] for c in order]),
            *(relabelled(event, TURN) for event in events),
        ],
        TURN,
    )


def test_only_two_questions_mind_the_numbering(pack: Pack) -> None:
    """Where outcomes are no steps away from good, the first cause in order decides."""
    inspections = [test for test in pack.tests.values() if test.outcomes]
    assert {t.id for t in inspections if not are_steps(t)} <= {"freeze-frame", "driver-when"}
