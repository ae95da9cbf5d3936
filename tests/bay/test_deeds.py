"""What is sent to the page is recorded once, in the device's name, and as the shell would."""

from __future__ import annotations

import html
import re
import threading
from pathlib import Path

import pytest

from swapinfer.commands.drive import drive
from swapinfer.commands.opening import open_
from swapinfer.commands.shop import Shop
from swapinfer.commands.show import show_job
from tests.bay.conftest import Served
from tests.bay.test_door import OPENING


@pytest.fixture
def cookie(served: Served) -> str:
    cookie = served.pair()
    served.ask("POST", "/open", cookie, OPENING)
    return cookie


def events(served: Served) -> list[str]:
    with Shop(served.store, "Robin") as shop:
        return [line.said for line in show_job(shop, "RO-1").events]


DRIVE = {
    "deed": "drive", "minutes": "15", "when-warm": "on", "when-load": "on", "codes": "P0303",
    "read": "codes", "count-3": "40",
}  # fmt: skip


def test_a_drive_is_recorded_as_at_the_shell(served: Served, cookie: str, tmp_path: Path) -> None:
    told = served.ask("POST", "/job/RO-1/do", cookie, {**DRIVE, "seen": "1", "key": "a"})
    assert told.status == 303
    with Shop(str(tmp_path / "other.db"), "Robin") as shop:
        open_(shop, "RO-1")
        typed = drive(shop, "15", when="warm,load", codes="P0303", counts="3=40")
    assert events(served)[1:] == list(typed.said)
    shown = html.unescape(served.ask("GET", told.to, cookie).text)
    assert all(sentence[1:] in shown for sentence in typed.meaning)


def test_a_form_sent_twice_records_once(served: Served, cookie: str) -> None:
    form = {**DRIVE, "seen": "1", "key": "a"}
    first, second = (served.ask("POST", "/job/RO-1/do", cookie, form) for _ in range(2))
    assert (first.status, second.to) == (303, first.to)
    assert len(events(served)) == 2


def test_a_form_sent_again_after_a_restart_records_once(
    served: Served, cookie: str, tmp_path: Path
) -> None:
    form = {**DRIVE, "seen": "1", "key": "a"}
    served.ask("POST", "/job/RO-1/do", cookie, form)
    again = Served(tmp_path)
    try:
        told = again.ask("POST", "/job/RO-1/do", cookie, form)
    finally:
        again.close()
    assert told.status == 409
    assert "Recorded since you looked" in told.text
    assert len(events(served)) == 2


def test_what_someone_else_recorded_meanwhile_is_shown_and_nothing_is_lost(
    served: Served, cookie: str
) -> None:
    served.ask("POST", "/job/RO-1/do", cookie, {**DRIVE, "seen": "1", "key": "a"})
    note = {"deed": "note", "text": "from another bay", "seen": "1", "key": "b"}
    told = served.ask("POST", "/job/RO-1/do", served.pair("Kim"), note)
    assert told.status == 409
    assert "ran 15 min" in told.text
    fields = dict(re.findall(r'name="([\w-]+)" value="([^"]*)"', told.text))
    assert served.ask("POST", "/job/RO-1/do", served.pair("Kim"), fields).status == 303
    assert events(served)[-1] == "note: from another bay"


def test_many_at_once_each_record_once(served: Served, cookie: str) -> None:
    def send(number: int) -> None:
        form = {"deed": "note", "text": f"number {number}", "seen": "1", "key": str(number)}
        told = served.ask("POST", "/job/RO-1/do", cookie, form)
        for _ in range(20):
            if told.status != 409:
                break
            fields = dict(re.findall(r'name="([\w-]+)" value="([^"]*)"', told.text))
            told = served.ask("POST", "/job/RO-1/do", cookie, fields)
        assert told.status == 303

    threads = [threading.Thread(target=send, args=(n,)) for n in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(events(served)[1:]) == [f"note: number {n}" for n in range(5)]


@pytest.mark.parametrize(
    ("form", "status", "said"),
    [
        ({"deed": "swap", "moves": "coil9 coil1"}, 400, "coil9"),
        ({"deed": "drive", "minutes": "soon"}, 400, "soon"),
        ({"deed": "dance"}, 400, "none of this page"),
        ({"deed": "inspect", "test": "plug-look"}, 400, "lacks"),
        ({"deed": "read", "test": "compression", "value-3": "1200 psi"}, 400, "1200"),
        ({"deed": "read", "test": "compression", "value-3": "12"}, 409, "Is it meant so?"),
    ],
)
def test_what_cannot_be_is_said_and_not_recorded(
    served: Served, cookie: str, form: dict[str, str], status: int, said: str
) -> None:
    told = served.ask("POST", "/job/RO-1/do", cookie, {**form, "seen": "1", "key": "a"})
    assert told.status == status
    assert said in html.unescape(told.text)
    assert len(events(served)) == 1


def test_a_name_cannot_break_out_of_the_page(served: Served, cookie: str) -> None:
    hostile = '<script>alert(1)</script>"><img src=x>'
    form = {"deed": "note", "text": hostile, "seen": "1", "key": "a"}
    served.ask("POST", "/job/RO-1/do", cookie, form)
    shown = served.ask("GET", "/job/RO-1/findings", cookie).text
    assert hostile not in shown
    assert hostile in html.unescape(shown)
