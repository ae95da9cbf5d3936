"""Whole jobs as plain events: every kind of finding, on every kind of engine."""

from __future__ import annotations

from typing import Any

Event = dict[str, Any]

LOAD = ("warm", "load")
COP = {"ignition": "coil-on-plug", "fuel": "port"}
LEADS = {"ignition": "coil-near-plug", "fuel": "port"}
DIRECT = {"ignition": "coil-on-plug", "fuel": "direct"}
WASTE = {"ignition": "waste-spark", "fuel": "port"}
DISTRIBUTOR = {"ignition": "distributor", "fuel": "single-point"}


def opened(layout: str = "inline-4", fitment: dict[str, str] = COP, **said: object) -> Event:
    return {"type": "opened", "ro": "RO", "layout": layout, "fitment": fitment, **said}


def ran(minutes: float, *codes: str, at: tuple[str, ...] = LOAD) -> Event:
    """Drive, with the codes read after it; none is as good an answer."""
    read = {"codes": list(codes), "pending": list(codes)}
    return {"type": "ran", "minutes": minutes, "conditions": list(at), **read}


def unread(minutes: float, at: tuple[str, ...] = LOAD, **said: object) -> Event:
    """Drive after which nobody read codes."""
    return {"type": "ran", "minutes": minutes, "conditions": list(at), **said}


def swapped(*swaps: tuple[str, str]) -> Event:
    return {"type": "swapped", "swaps": [list(swap) for swap in swaps]}


def reseated(place: str) -> Event:
    return {"type": "reseated", "place": place}


def replaced(place: str) -> Event:
    return {"type": "replaced", "place": place}


def undone(seq: int) -> Event:
    return {"type": "undone", "seq": seq}


def measured(test: str, target: str, value: float | str, **said: object) -> Event:
    return {"type": "measured", "test": test, "target": target, "value": value, **said}


def inspected(test: str, target: str, outcome: str) -> Event:
    return {"type": "inspected", "test": test, "target": target, "outcome": outcome}


CLOCK = {"odometer_km": 148_000.0, "driven_km": 300.0}

JOBS: dict[str, list[Event]] = {
    "nothing but a complaint": [opened()],
    "coil moved, quiet once, replaced": [
        opened(**CLOCK),
        ran(15, "P0303"),
        swapped(("coil3", "coil1"), ("plug3", "plug2")),
        ran(15),
        ran(30, "P0301"),
        replaced("coil1"),
        ran(60),
    ],
    "two faults at once": [
        opened(**CLOCK),
        ran(15, "P0303", "P0302"),
        swapped(("coil3", "coil1")),
        ran(15, "P0301", "P0302"),
    ],
    "two drives alike with a third between: the supposition counts once": [
        opened(),
        ran(15, "P0301", "P0304"),
        ran(20, "P0301", "P0304", at=("cold", "idle")),
        ran(10, "P0302", "P0303", "P0304"),
        ran(15, "P0301", "P0304"),
    ],
    "several cylinders, in another arrangement after a swap": [
        opened(),
        ran(15, "P0301", "P0302"),
        swapped(("coil1", "coil4"), ("plug2", "plug3")),
        ran(15, "P0303", "P0304"),
    ],
    "every cylinder, too many for lots": [
        opened(),
        ran(15, "P0301", "P0302", "P0303", "P0304"),
        ran(15, "P0301", "P0302", "P0303"),
    ],
    "a misfire that is not named": [opened(), ran(15, "P0300")],
    "not named, then named beside it": [
        opened(**CLOCK),
        ran(15, "P0316", at=("cold",)),
        ran(15, "P0300", "P0304"),
    ],
    "counters on one cylinder, codes for the others": [
        opened(),
        ran(12, "P0302", "P0303") | {"counts": {"1": 4, "2": 90}},
        ran(12, "P0300") | {"counts": {"3": 0}},
    ],
    "counters alone, and a supply": [
        opened(newer={"plug2": 4000.0}, odometer_km=148_000.0),
        unread(10, ("cold", "idle"), counts={"1": 0, "3": 90}),
        measured("coil-supply", "cylinder3", 11.0, reference=12.5),
    ],
    "heard, felt, and neither": [
        opened(),
        unread(10, suspected=[3, 1]),
        unread(10, felt="rough"),
        unread(25, felt="no-show", suspected=[2]),
        unread(40),
        unread(10, felt="smooth", counts={"2": 1}),
    ],
    "fault codes beside the misfire": [
        opened(**CLOCK),
        ran(15, "P0303", "P0171", "P0351"),
        ran(10, "P0420", "P0562", at=("hot",)),
    ],
    "fault codes of a V engine, and one without weight": [
        opened("v6", DIRECT),
        ran(15, "P0174", "P0304", "P0605"),
        ran(15, "P0087"),
    ],
    "two coils of one lot": [
        opened(),
        ran(15, "P0301"),
        ran(15, "P0303"),
        measured("coil-primary", "coil1", 0.35),
    ],
    "waste spark": [
        opened("inline-4", WASTE, odometer_km=188_000.0, driven_km=900.0),
        ran(10, "P0301", "P0304"),
        ran(10, "P0304", "P0351", at=("cold", "idle")),
        swapped(("coil-pack1+4", "coil-pack2+3")),
        ran(10, "P0302", "P0303"),
        inspected("coil-pack-look", "coil-pack2+3", "track"),
    ],
    "distributor": [
        opened("v8", DISTRIBUTOR),
        ran(10, "P0302", "P0308", at=("wet",)),
        inspected("cap-look", "cylinder2", "track"),
        measured("lead-resistance", "lead2", "OL"),
        measured("throttle-body-pressure", "engine", 12.0, wanted=14.5),
    ],
    "six cylinders, direct injection": [
        opened("v6", DIRECT, odometer_km=188_000.0, driven_km=900.0),
        ran(10, "P0304"),
        swapped(("coil4", "coil1"), ("injector-direct4", "injector-direct2")),
        ran(10, "P0302"),
        inspected("plug-look", "cylinder4", "oil"),
        measured("compression", "cylinder2", 150.0),
    ],
    "V8, a neighbour in the firing order": [
        opened("v8", COP, firing_order=[1, 5, 4, 2, 6, 3, 7, 8]),
        ran(20, "P0305"),
        reseated("coil5"),
        ran(20, "P0305", "P0301"),
        inspected("spark-tester", "cylinder5", "weak"),
        inspected("cut-out", "cylinder5", "small"),
    ],
    "a contact cured by being touched": [
        opened(odometer_km=90_000.0, driven_km=50.0),
        ran(10, "P0302"),
        reseated("coil-wiring2"),
        ran(60),
    ],
    "handled twice between findings, and by a test": [
        opened(**CLOCK),
        ran(10, "P0302"),
        swapped(("coil2", "coil3")),
        swapped(("coil2", "coil3")),
        inspected("coil-signal", "cylinder2", "weak"),
        inspected("coil-signal", "cylinder2", "none"),
        ran(10, "P0302"),
        inspected("coil-signal", "cylinder2", "none"),
    ],
    "a remembered plug": [
        opened(**CLOCK),
        ran(15, "P0303"),
        swapped(("plug3", "plug1"), ("coil3", "coil4")),
        inspected("plug-look", "cylinder1", "oil"),
        ran(15, "P0303"),
        inspected("plug-look", "cylinder1", "worn"),
        replaced("plug1"),
        inspected("plug-look", "cylinder1", "clean"),
    ],
    "replaced away from home, put back, replaced again": [
        opened(**CLOCK),
        ran(15, "P0303"),
        swapped(("coil3", "coil1"), ("coil1", "coil2")),
        replaced("coil1"),
        {"type": "returned"},
        ran(15, "P0301"),
        replaced("coil1"),
        ran(15, "P0302"),
        inspected("coil-look", "coil1", "track"),
    ],
    "undone, and the undoing undone": [
        opened(),
        ran(15, "P0303"),
        swapped(("coil3", "coil1")),
        ran(15, "P0301"),
        undone(3),
        undone(4),
        inspected("coil-look", "coil3", "track"),
        undone(6),
        {"type": "noted", "text": "nothing"},
        ran(15),
    ],
    "readings repeated, inspections that differ": [
        opened(),
        ran(15, "P0303"),
        *(measured("leak-down", "cylinder3", v) for v in (24.0, 31.0, 27.5)),
        inspected("throttle-look", "engine", "coated"),
        inspected("throttle-look", "engine", "clean"),
        *(inspected("spark-tester", "cylinder3", o) for o in ("none", "weak", "good", "none")),
        reseated("coil3"),
        inspected("spark-tester", "cylinder3", "none"),
    ],
    "over limit once, and mostly": [
        opened(),
        ran(15, "P0303"),
        measured("coil-primary", "coil3", "OL"),
        measured("coil-primary", "coil3", 0.8, temperature_c=60.0),
        measured("injector-resistance", "injector3", "OL"),
        measured("injector-resistance", "injector3", "OL"),
        measured("injector-resistance", "injector3", 12.0),
    ],
    "over limit alone": [opened(), measured("coil-secondary", "coil2", "OL")],
    "pressures, with and without the wanted figure": [
        opened(),
        ran(15, "P0301", "P0302", "P0303", "P0304"),
        measured("fuel-pressure", "engine", 38.0, wanted=55.0),
        inspected("fuel-delivery", "engine", "short"),
    ],
    "several faults that one look may show": [
        opened("v6"),
        ran(15, "P0301", "P0302", "P0303"),
        measured("fuel-trim", "bank1", 14.0),
        measured("fuel-trim-raised", "bank1", 4.0),
        inspected("smoke", "engine", "manifold"),
    ],
    "outcomes that are no steps: the first cause decides": [
        opened(),
        ran(15, "P0303"),
        inspected("freeze-frame", "engine", "warm-pulling"),
    ],
    "neighbours alike": [
        opened(),
        ran(15, "P0303"),
        inspected("cut-out", "cylinder3", "none"),
        inspected("cut-out", "cylinder1", "small"),
        inspected("ignition-waveform", "cylinder3", "high"),
    ],
    "the lamp blinked": [
        opened("inline-3", driven_km=200.0),
        ran(5, "P0302") | {"felt": "blinking"},
        unread(10, ("idle",), felt="blinking"),
        ran(15, "P0300", at=("load",)) | {"felt": "blinking"},
        ran(7) | {"felt": "blinking"},
        ran(15, "P0302") | {"felt": "blinking", "counts": {"2": 90}},
    ],
    "the lamp blinked, a cylinder of eight": [
        opened("v8"),
        ran(20, "P0303", "P0302") | {"felt": "blinking"},
        unread(15, codes=[], felt="blinking"),
    ],
    "only confirmed codes read": [
        opened("v6"),
        ran(20, "P0303"),
        swapped(("coil3", "coil1")),
        unread(15, codes=[]),
        unread(15, codes=[], felt="rough"),
        unread(15, ("idle",), codes=[], pending=["P0301"]),
        unread(15, codes=[]),
        reseated("injector-wiring1"),
        unread(15, codes=[]),
    ],
    "a misfire was stored": [
        opened(),
        {"type": "scanned", "codes": ["P0303"], "pending": ["P0171"], "frame": ["load"]},
        swapped(("coil3", "coil1")),
        ran(15, "P0301"),
    ],
    "two misfires were stored": [
        opened("inline-3"),
        {"type": "scanned", "codes": ["P0303"], "pending": ["P0301"], "memory": "cleared"},
        ran(15, "P0301"),
    ],
    "a misfire was stored that is not named": [
        opened(),
        {"type": "scanned", "codes": ["P0300", "P0202"]},
        ran(15),
    ],
    "counters stood, of nobody knows how long": [
        opened("inline-3"),
        {"type": "scanned", "codes": ["P0303", "P0302"], "counts": {"1": 2, "3": 140}},
        ran(15, "P0301"),
    ],
    "counters stood, since the start": [
        opened(),
        {"type": "scanned", "pending": [], "counts": {"1": 0, "2": 60}, "since_start": 12.0},
        swapped(("coil3", "coil2")),
        ran(15, "P0303"),
    ],
    "nothing was stored but what outlasts erasing": [
        opened(),
        {"type": "scanned", "codes": [], "permanent": ["P0302"]},
        ran(15, "P0302"),
    ],
    "came back, and felt without a code": [
        opened(**CLOCK),
        ran(15, "P0303"),
        replaced("plug3"),
        ran(60),
        {"type": "closed", "causes": ["plug3"], "modes": ["worn"], "verified": True},
        {"type": "reopened", "reason": "rough again", "odometer_km": 148_700.0},
        ran(30, "P0171") | {"felt": "rough"},
        swapped(("coil3", "coil1")),
        ran(30) | {"felt": "no-show"},
    ],
    "came back three times, by days, by distance, and untold": [
        opened(),
        {"type": "closed"},
        {"type": "reopened", "days": 12.0, "odometer_km": 99_000.0},
        replaced("coil2"),
        {"type": "closed"},
        {"type": "reopened", "driven_km": 6000.0, "odometer_km": 99_500.0},
        reseated("injector3"),
        {"type": "closed"},
        {"type": "reopened"},
        measured("coil-primary", "coil2", 0.8),
    ],
    "compression around an unknown level": [
        opened("inline-3", compression_ratio=10.0, altitude_m=900.0, odometer_km=210_000.0),
        ran(10, "P0302", at=("cold", "idle")),
        measured("compression", "cylinder1", 150.0),
        measured("compression", "cylinder2", 70.0),
        measured("compression-wet", "cylinder2", 150.0),
    ],
    "two coils' resistance around what their make has": [
        opened(),
        ran(15, "P0303"),
        measured("coil-primary", "coil3", 0.4),
        measured("coil-primary", "coil1", 0.62),
    ],
}

THREE_KINDS: list[Event] = [
    opened("inline-3"),
    ran(5, "P0301", "P0302"),
    ran(5, "P0301", "P0303"),
    ran(5, "P0302", "P0303"),
]
"""Of which some are more than are supposed, where fewer are."""

TWO_LEVELS: list[Event] = [
    opened(),
    ran(10, "P0302"),
    measured("compression", "cylinder1", 150.0),
    measured("compression", "cylinder2", 95.0),
    measured("coil-primary", "coil2", 0.4),
    measured("coil-primary", "coil1", 0.62),
]
