"""Events as ledgers hold them: the same JSON as ever, and one clear line for what is none."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from swapinfer.errors import LedgerError
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.record import canonical_json

STORED: list[tuple[Event, str]] = [
    (
        ev.Opened("RO-1", "inline-4", {"ignition": "coil-on-plug", "fuel": "port"}),
        ('{"fitment":{"fuel":"port","ignition":"coil-on-plug"},"layout":"inline-4",'
        '"odometer_unit":"km","ro":"RO-1"}'),
    ),
    (
        ev.Opened(
            "RO-1", "v6", {"ignition": "waste-spark", "fuel": "direct"}, "shakes, lamp on",
            148200.0, "mi", 60.0, {"coil3": 0.0}, (1, 6, 5, 4, 3, 2), 10.5, 1200.0,
            "11111111111111111", "fleet", "Ida Invented",
        ),
        ('{"altitude_m":1200.0,"complaint":"shakes, lamp on","compression_ratio":10.5,'
        '"customer":"Ida Invented","driven_km":60.0,"family":"fleet",'
        '"firing_order":[1,6,5,4,3,2],"fitment":{"fuel":"direct","ignition":"waste-spark"},'
        '"layout":"v6","newer":{"coil3":0.0},"odometer_km":148200.0,"odometer_unit":"mi",'
        '"ro":"RO-1","vin":"11111111111111111"}'),
    ),
    (ev.Ran(10.0), '{"minutes":10.0}'),
    (
        ev.Ran(10.0, ("warm", "load"), (), {3: 41, 1: 0}, "rough"),
        ('{"codes":[],"conditions":["warm","load"],"counts":{"1":0,"3":41},"felt":"rough",'
        '"minutes":10.0}'),
    ),
    (
        ev.Ran(2.5, (), ("P0303", "P0300"), suspected=(3,)),
        '{"codes":["P0303","P0300"],"minutes":2.5,"suspected":[3]}',
    ),
    (
        ev.Ran(5.0, codes=(), pending=("P0303",), permanent=()),
        '{"codes":[],"minutes":5.0,"pending":["P0303"],"permanent":[]}',
    ),
    (
        ev.Scanned(("P0302",), ("P0300",), (), ("load",), "cleared"),
        ('{"codes":["P0302"],"frame":["load"],"memory":"cleared","pending":["P0300"],'
        '"permanent":[]}'),
    ),
    (
        ev.Scanned(counts={2: 9}, since_start=12.0),
        '{"counts":{"2":9},"since_start":12.0}',
    ),
    (
        ev.Swapped((("coil3", "coil1"), ("plug3", "plug4"))),
        '{"swaps":[["coil3","coil1"],["plug3","plug4"]]}',
    ),
    (ev.Returned(), "{}"),
    (ev.Reseated("coil-wiring3"), '{"place":"coil-wiring3"}'),
    (ev.Replaced("coil3"), '{"place":"coil3"}'),
    (ev.Replaced("coil1", 84.0), '{"place":"coil1","price":84.0}'),
    (
        ev.Measured("compression", "cylinder3", 171.0, "11.8 bar"),
        '{"target":"cylinder3","test":"compression","typed":"11.8 bar","value":171.0}',
    ),
    (
        ev.Measured("coil-secondary", "coil3", math.inf, "OL", None, 20.5),
        ('{"target":"coil3","temperature_c":20.5,"test":"coil-secondary","typed":"OL",'
        '"value":"OL"}'),
    ),
    (
        ev.Measured("coil-supply", "cylinder3", 12.4, "12.4V", 12.5, None, 12.6),
        ('{"reference":12.5,"target":"cylinder3","test":"coil-supply","typed":"12.4V",'
        '"value":12.4,"wanted":12.6}'),
    ),
    (
        ev.Inspected("plug-look", "cylinder3", "clean"),
        '{"outcome":"clean","target":"cylinder3","test":"plug-look"}',
    ),
    (ev.Noted("washed, é"), '{"text":"washed, é"}'),
    (
        ev.Attached("coil", "ab12", "image/png", "aGk="),
        '{"data":"aGk=","digest":"ab12","media":"image/png","name":"coil"}',
    ),
    (ev.Undone(3), '{"seq":3}'),
    (
        ev.Ran(15.0, codes=("P0303",), heard={"7E8": ("43010303",)}),
        '{"codes":["P0303"],"heard":{"7E8":["43010303"]},"minutes":15.0}',
    ),
    (ev.Stated({"7E8": ("43010303",)}), '{"heard":{"7E8":["43010303"]}}'),
    (ev.Erased(("7E8", "7E9")), '{"units":["7E8","7E9"]}'),
    (ev.Closed(), '{"verified":false}'),
    (
        ev.Closed(("coil3",), ("",), verified=True, confirmed_by="spark-tester", remark="kept"),
        ('{"causes":["coil3"],"confirmed_by":"spark-tester","modes":[""],"remark":"kept",'
        '"verified":true}'),
    ),
    (ev.Reopened(), "{}"),
    (ev.Reopened("again", 148300.0), '{"odometer_km":148300.0,"reason":"again"}'),
    (ev.Reopened(driven_km=480.0, days=12.0), '{"days":12.0,"driven_km":480.0}'),
]  # fmt: skip
"""Events, and the text that stores of the first version hold of them: digests are taken of it."""


def test_every_type_is_among_them() -> None:
    assert {event.type for event, _ in STORED} == set(ev.TYPES)


@pytest.mark.parametrize(("event", "text"), STORED)
def test_an_event_is_stored_as_ever_and_read_back_the_same(event: Event, text: str) -> None:
    assert canonical_json(event.to_json()) == text
    assert ev.read_event(event.type, json.loads(text)) == event


@pytest.mark.parametrize("event", [ev.Noted(""), ev.Swapped(()), ev.Attached("", "", "", "")])
def test_what_an_event_must_have_is_stored_even_if_empty(event: Event) -> None:
    assert ev.read_event(event.type, json.loads(canonical_json(event.to_json()))) == event


@pytest.mark.parametrize(
    ("type_name", "payload", "message"),
    [
        ("replace", {}, 'unknown event "replace"; did you mean "replaced"?'),
        ("ran", {"minute": 5}, 'event "ran" has no field "minute"; did you mean "minutes"?'),
        ("noted", {"type": "ran"}, 'event "noted" has no field "type"; known: text'),
        ("ran", {}, 'event "ran" cannot be read: lacks the field "minutes"'),
        ("ran", {"minutes": "5"}, "minutes must be a number, got a text"),
        ("ran", {"minutes": 5, "codes": ["P0300", 3]}, "codes[1] must be a text, got a whole"),
        ("ran", {"minutes": 5, "counts": {"x": 1}}, "key in counts must be a whole number"),
        ("swapped", {"swaps": [["coil1"]]}, "swaps[0] must be a list of length 2, got 1"),
        ("measured", {"test": "a", "target": "b", "value": "OLL"}, "value must be a number"),
        ("closed", {"verified": "yes"}, "verified must be true or false, got a text"),
        ("replaced", {"place": "coil3", "price": "9"}, "price must be a number or nothing"),
    ],
)
def test_what_is_no_event_is_said_in_one_line(
    type_name: str, payload: dict[str, Any], message: str
) -> None:
    with pytest.raises(LedgerError) as refused:
        ev.read_event(type_name, payload)
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)


def test_whole_numbers_stand_for_any_numbers() -> None:
    """Payloads written by hand, or by another program, need no decimal point."""
    assert ev.read_event("ran", {"minutes": 10, "counts": {"3": 41}}) == ev.Ran(
        10.0, counts={3: 41}
    )
