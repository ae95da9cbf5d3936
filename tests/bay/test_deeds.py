"""What is sent to the page is recorded once, in the device's name, and as the shell would."""

from __future__ import annotations

import base64
import html
import io
import re
import sys
import threading
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import urlencode

import msgspec
import pytest

from swapinfer.commands.belief import finding_words, show_why
from swapinfer.commands.claim import check_claim, draft_claim
from swapinfer.commands.drive import codes, drive
from swapinfer.commands.next import show_next
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
    "count-3": "40",
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
        ({"deed": "drive", "minutes": "soon", "felt": "rough"}, 400, "soon"),
        ({"deed": "drive", "minutes": "15"}, 400, "Say what was found"),
        (
            {"deed": "drive", "minutes": "15", "codes-none": "on", "codes-P0303": "on"},
            400,
            "Either none",
        ),
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


def test_a_drive_lasts_from_one_tap_to_the_other_on_the_servers_clock(
    served: Served, cookie: str, tmp_path: Path
) -> None:
    begin = {"tap": "begin", "when-warm": "on"}
    for _ in range(2):
        assert served.ask("POST", "/job/RO-1/clock", cookie, begin).to == "/job/RO-1/drive"
    (job,) = msgspec.json.decode(served.clock.path.read_bytes())
    begun = served.clock.of(job)
    assert begun is not None
    assert "Nothing is touched here" in served.ask("GET", "/job/RO-1/drive", cookie).text
    again = Served(tmp_path)
    try:
        assert again.clock.of(job) == begun
        again.clock.end(job, shifted(begun.began_at, minutes=15))
        again.clock.end(job, shifted(begun.began_at, minutes=99))
        shown = again.ask("GET", "/job/RO-1/drive", cookie).text
    finally:
        again.close()
    assert re.search(r'name="minutes"[^>]*value="15.0"', shown)
    assert re.search(r'name="when-warm" checked', shown)
    form = {**DRIVE, "minutes": "15.0", "seen": "1", "key": "a"}
    assert served.ask("POST", "/job/RO-1/do", cookie, form).status == 303
    assert served.clock.of(job) is None


def test_codes_and_counters_are_read_from_the_vehicle_where_an_adapter_is_set(
    served: Served, cookie: str, tmp_path: Path
) -> None:
    asked = "Read codes and counters from the vehicle"
    form = {"deed": "scan", "minutes": "15", "when-warm": "on", "seen": "1", "key": "a"}
    instead = "run <code>swapinfer scan --watch</code> at the computer"
    assert asked not in served.ask("GET", "/job/RO-1/drive?form=yes", cookie).text
    assert instead not in served.ask("GET", "/job/RO-1/drive", cookie).text
    assert served.ask("POST", "/job/RO-1/do", cookie, form).status == 400
    bus = pytest.importorskip("tests.bus.vehicle")
    vehicle = bus.Vehicle(bus.engine_unit())
    try:
        (tmp_path / "settings.toml").write_text(f'adapter = "virtual:{vehicle.channel}"\n')
        assert asked in served.ask("GET", "/job/RO-1/drive?form=yes", cookie).text
        assert instead in served.ask("GET", "/job/RO-1/drive", cookie).text
        assert served.ask("POST", "/job/RO-1/do", cookie, form).status == 303
    finally:
        vehicle.close()
    assert re.match(r"ran 15 min \(warm\), .*3: 28.*, codes P0300 P0303", events(served)[-1])


def test_what_is_stored_on_arrival_is_recorded_apart_by_taps_or_over_the_bus(
    served: Served, cookie: str, tmp_path: Path
) -> None:
    form = {
        "deed": "codes", "codes-P0303": "on", "pending-none": "on", "memory": "cleared",
        "when-warm": "on", "count-3": "140", "since_start": "12", "seen": "1", "key": "a",
    }  # fmt: skip
    assert 'name="count-3"' in served.ask("GET", "/job/RO-1/codes", cookie).text
    assert served.ask("POST", "/job/RO-1/do", cookie, form).status == 303
    with Shop(str(tmp_path / "other.db"), "Robin") as shop:
        open_(shop, "RO-1")
        told = {"frame": "warm", "counts": "3=140", "since_start": "12"}
        typed = codes(shop, ["P0303"], pending="none", cleared=True, **told)
    assert events(served)[1:] == list(typed.said)
    served.ask("POST", "/open", cookie, {**OPENING, "ro": "RO-2", "key": "b"})
    bus = pytest.importorskip("tests.bus.vehicle")
    vehicle = bus.Vehicle(bus.engine_unit())
    try:
        (tmp_path / "settings.toml").write_text(f'adapter = "virtual:{vehicle.channel}"\n')
        arrived = {"deed": "scan", "seen": "1", "key": "c"}
        assert served.ask("POST", "/job/RO-2/do", cookie, arrived).status == 303
    finally:
        vehicle.close()
    with Shop(served.store, "Robin") as shop:
        found = shop.load("RO-2").job.standing[-1][1]
    assert (found.codes, found.pending, found.permanent) == (("P0300", "P0303"), ("P0303",), ())


def shifted(at: str, minutes: int) -> str:
    return (datetime.fromisoformat(at) + timedelta(minutes=minutes)).isoformat()


def test_supposing_says_the_same_and_records_nothing(served: Served, cookie: str) -> None:
    form = {**DRIVE, "seen": "1", "key": "a"}
    supposed = served.ask("POST", "/job/RO-1/do", cookie, {**form, "suppose": "yes"})
    assert supposed.status == 200
    assert len(events(served)) == 1
    fields = dict(re.findall(r'name="([\w-]+)" value="([^"]*)"', supposed.text))
    told = served.ask("POST", "/job/RO-1/do", cookie, fields)
    recorded = served.ask("GET", told.to, cookie).text
    assert len(events(served)) == 2
    said = re.findall("<p>(Cylinder 3 misfired.*)</p>", recorded)
    assert said
    assert re.findall("<p>(Cylinder 3 misfired.*)</p>", supposed.text) == said


@pytest.mark.parametrize("typed", ["12,1", "12.1", "12100 mV"])
def test_a_reading_takes_the_unit_chosen_and_either_decimal_sign(
    served: Served, cookie: str, typed: str
) -> None:
    form = {
        "deed": "read", "test": "coil-supply", "value-coil-wiring3": typed, "against": "12,6",
        "unit": "V", "seen": "1", "key": "a",
    }  # fmt: skip
    told = served.ask("POST", "/job/RO-1/do", cookie, form)
    assert told.status == 303, told.text
    with Shop(served.store, "Robin") as shop:
        measured = shop.load("RO-1").job.standing[-1][1]
    assert measured.value == pytest.approx(12.1)
    assert measured.reference == pytest.approx(12.6)


def test_the_good_range_shows_after_entry_and_not_before(served: Served, cookie: str) -> None:
    before = served.ask("GET", "/job/RO-1/reading/charging-voltage", cookie).text
    form = {"deed": "read", "test": "charging-voltage", "value-engine": "12,9", "unit": "V"}
    form |= {"seen": "1", "key": "a"}
    after = served.ask("GET", served.ask("POST", "/job/RO-1/do", cookie, form).to, cookie).text
    assert "a good one reads" not in before.lower()
    assert "a good one reads" in after.lower()


def test_what_is_taken_back_keeps_its_reason(served: Served, cookie: str) -> None:
    served.ask("POST", "/job/RO-1/do", cookie, {**DRIVE, "seen": "1", "key": "a"})
    form = {"deed": "undo", "seq": "1", "why": "read at the wrong engine", "seen": "2", "key": "b"}
    served.ask("POST", "/job/RO-1/do", cookie, form)
    assert events(served)[-1] == "event 1 undone: read at the wrong engine"


def test_a_picture_is_of_its_finding_attached_once_and_tells_no_place(
    served: Served, cookie: str
) -> None:
    """Tags of the Exchangeable Image File Format (CIPA DC-008): GPS 0x8825, owner 0xA430."""
    image = pytest.importorskip("PIL.Image")
    exif = image.Exif()
    exif[0xA430] = "somebody"
    exif.get_ifd(0x8825)[1] = "N"
    raw = io.BytesIO()
    image.new("RGB", (40, 30), "red").save(raw, "JPEG", exif=exif)
    served.ask("POST", "/job/RO-1/do", cookie, {**DRIVE, "seen": "1", "key": "a"})
    body = b"".join(
        b'--x\r\nContent-Disposition: form-data; name="%s"\r\n\r\n%s\r\n' % field
        for field in [
            (b"key", b"k"),
            (b"of", b"1"),
            (b'picture"; filename="plug.jpg', raw.getvalue()),
        ]
    )
    kind = {"Content-Type": "multipart/form-data; boundary=x"}
    for _ in range(2):
        told = served.ask("POST", "/job/RO-1/photo", cookie, body + b"--x--\r\n", **kind)
        assert told.to == "/job/RO-1/findings"
    assert events(served)[2:] == ["picture attached: plug.jpg, of event 1"]
    with Shop(served.store, "Robin") as shop:
        kept = base64.b64decode(shop.load("RO-1").job.standing[-1][1].data)
    assert b"somebody" not in kept
    assert not image.open(io.BytesIO(kept)).getexif()


def test_what_cannot_be_done_gives_way_to_the_next_best_of_the_same_ranking(
    served: Served, cookie: str
) -> None:
    served.ask("POST", "/job/RO-1/do", cookie, {**DRIVE, "seen": "1", "key": "a"})
    with Shop(served.store, "Robin") as shop:
        first, second, *_ = [s for s in show_next(shop, ro="RO-1").steps if not s.is_barred]
    shown = served.ask("GET", f"/job/RO-1?{urlencode({'skip': first.id})}", cookie).text
    assert f"<h1>{second.title[:1].upper()}{second.title[1:]}</h1>" in html.unescape(shown)
    lacking = served.ask("GET", "/job/RO-1?lacking=compression-gauge", cookie)
    assert lacking.status == 200


def test_why_and_what_if_say_what_the_shell_says(served: Served, cookie: str) -> None:
    served.ask("POST", "/job/RO-1/do", cookie, {**DRIVE, "seen": "1", "key": "a"})
    with Shop(served.store, "Robin") as shop:
        why, step = show_why(shop, ro="RO-1"), show_next(shop, ro="RO-1").steps[0]
    shown = html.unescape(served.ask("GET", "/job/RO-1/why", cookie).text)
    assert all(finding_words(finding) in shown for finding in why.findings)
    assert all(f"{finding.decibans:+.1f}" in shown for finding in why.findings)
    shown = html.unescape(served.ask("GET", "/job/RO-1/what-if", cookie).text)
    assert step.outcomes
    assert all(outcome.then in shown for outcome in step.outcomes)


def test_the_write_up_says_what_is_missing_and_comes_as_pdf(served: Served, cookie: str) -> None:
    pytest.importorskip("typst")
    with Shop(served.store, "Robin") as shop:
        document, lacks = draft_claim(shop, "RO-1").document, check_claim(shop, "RO-1")
    shown = html.unescape(served.ask("GET", "/job/RO-1/write-up", cookie).text)
    assert lacks.draft
    assert lacks.unrecorded
    assert all(line in shown for line in (document.stamp, *lacks.draft, *lacks.unrecorded))
    assert served.ask("GET", "/job/RO-1/write-up.pdf", cookie).text.startswith("%PDF-")
    whole = served.ask("GET", "/job/RO-1/write-up.html", cookie)
    assert "script-src" not in whole.headers["content-security-policy"]
    assert document.stamp in html.unescape(whole.text)


def test_what_an_extra_brings_is_asked_for_where_it_is_missing(
    served: Served, cookie: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "typst", None)
    told = served.ask("GET", "/job/RO-1/write-up.pdf", cookie)
    assert told.status == 400
    assert "swapinfer[claim]" in html.unescape(told.text)


def test_a_repair_order_may_be_made_of_anything(served: Served, cookie: str) -> None:
    for ro in ("A/7 #2?", "ä%2F&x=1"):
        led = served.ask("POST", "/open", cookie, {**OPENING, "ro": ro, "key": ro}).to
        assert served.ask("GET", led, cookie).status == 200
        assert served.ask("GET", f"{led}/findings", cookie).status == 200
        assert f'href="{html.escape(led)}"' in served.ask("GET", "/", cookie).text
        again = served.ask("POST", "/open", cookie, {**OPENING, "ro": ro, "key": ro})
        assert again.to == led, "sent twice, opened once"


def test_what_was_refused_comes_back_to_be_put_right(served: Served, cookie: str) -> None:
    form = {
        "deed": "read", "test": "compression", "value-cylinder3": "1200", "unit": "psi",
        "seen": "1", "key": "a",
    }  # fmt: skip
    refused = served.ask("POST", "/job/RO-1/do", cookie, form).text
    fields = dict(re.findall(r'name="([\w-]+)" value="([^"]*)"', refused))
    assert fields == form
    right = {**fields, "value-cylinder3": "170"}
    assert served.ask("POST", "/job/RO-1/do", cookie, right).status == 303
    assert "170 psi" in events(served)[-1]


def test_a_name_cannot_break_out_of_the_page(served: Served, cookie: str) -> None:
    hostile = '<script>alert(1)</script>"><img src=x>'
    form = {"deed": "note", "text": hostile, "seen": "1", "key": "a"}
    served.ask("POST", "/job/RO-1/do", cookie, form)
    shown = served.ask("GET", "/job/RO-1/findings", cookie).text
    assert hostile not in shown
    assert hostile in html.unescape(shown)
