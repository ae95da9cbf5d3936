"""Who comes in: each attack on a page served on one's own computer, tried over a real connection.

The list is that of the Open Worldwide Application Security Project's cheat sheets on cross-site
request forgery and of the fetch-metadata headers of the W3C; rebound names after RFC 9110, 7.2.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from starlette.routing import Route

from swapinfer.commands.bay.door import (
    MOST_BYTES,
    MOST_FORMS,
    MOST_WRONG,
    PAIRING_MINUTES,
    Pairing,
)
from tests.bay.conftest import Served

PATHS = (
    "/", "/open", "/job/RO-1", "/job/RO-1/what-if", "/job/RO-1/more", "/job/RO-1/engine",
    "/job/RO-1/at/3", "/job/RO-1/at/shared", "/job/RO-1/part/coil3", "/job/RO-1/look/plug-look",
    "/job/RO-1/reading/compression", "/job/RO-1/codes", "/job/RO-1/drive",
    "/job/RO-1/drive?form=yes", "/job/RO-1/findings", "/job/RO-1/finding/0",
    "/job/RO-1/belief", "/job/RO-1/why", "/job/RO-1/why/coil3", "/job/RO-1/close",
    "/job/RO-1/write-up", "/job/RO-1/write-up.html", "/job/RO-1/write-up.pdf", "/job/RO-1/changes",
)  # fmt: skip
"""Every screen and file."""

FORMS = ("/open", "/job/RO-1/do", "/job/RO-1/clock", "/job/RO-1/photo")
"""Every address that something is sent to."""

OPENING = {"ro": "RO-1", "layout": "inline-4", "ignition": "coil-on-plug", "fuel": "port"}


@pytest.fixture
def cookie(served: Served) -> str:
    cookie = served.pair()
    assert served.ask("POST", "/open", cookie, OPENING).to == "/job/RO-1"
    return cookie


def test_these_are_all_the_addresses_there_are(served: Served) -> None:
    served_at = {route.path_regex for route in served.routes if isinstance(route, Route)}
    tried = {*PATHS, *FORMS, "/pair/token"}
    assert all(any(at.match(path.partition("?")[0]) for path in tried) for at in served_at)


def test_nothing_is_shown_without_a_paired_device(served: Served, cookie: str) -> None:
    for method, path in [*(("GET", path) for path in PATHS), *(("POST", path) for path in FORMS)]:
        told = served.ask(method, path)
        assert told.status == 401, path
        assert "RO-1" not in told.text, path
        assert served.ask(method, path, cookie[:-1] + "x").status == 401, path


def test_a_rebound_name_is_refused(served: Served, cookie: str) -> None:
    for method, path in [*(("GET", path) for path in PATHS), *(("POST", path) for path in FORMS)]:
        told = served.ask(method, path, cookie, Host=f"shop.example:{served.port}")
        assert told.status == 400, path
        assert "RO-1" not in told.text, path


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://other.example", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://127.0.0.1:1", "Sec-Fetch-Site": "same-site"},
        {"Origin": "null", "Sec-Fetch-Site": "same-origin"},
        {"Origin": "", "Sec-Fetch-Site": ""},
        {"Origin": "", "Sec-Fetch-Site": "none"},
    ],
)
def test_a_form_on_another_page_records_nothing(
    served: Served, cookie: str, headers: dict[str, str]
) -> None:
    form = {"deed": "note", "text": "forged", "seen": "1", "key": "k", "tap": "begin"}
    for path in FORMS:
        assert served.ask("POST", path, cookie, form, **headers).status == 403, path
    assert served.clock.path.exists() is False
    assert "forged" not in served.ask("GET", "/job/RO-1/findings", cookie).text


def test_nothing_changes_by_asking_for_it(served: Served, cookie: str) -> None:
    told = served.ask("GET", "/job/RO-1/do?deed=note&text=forged&seen=1&key=k", cookie)
    assert told.status == 405
    for method in ("PUT", "DELETE", "OPTIONS", "TRACE"):
        assert served.ask(method, "/job/RO-1", cookie).status == 405


def test_every_answer_forbids_what_pages_elsewhere_could_do(served: Served, cookie: str) -> None:
    for path in (*PATHS[:-1], "/static/style.css", "/nowhere"):
        told = served.ask("GET", path, cookie)
        headers = told.headers
        assert told.status == (404 if path == "/nowhere" else 200), path
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cache-control"] == "no-store"
        assert headers["access-control-allow-origin"] is None


def test_a_pairing_address_serves_once(served: Served) -> None:
    token = served.pairing.offer()
    assert served.ask("GET", f"/pair/{token}").status == 200
    assert served.ask("GET", f"/pair/{token}").status == 200, "looking at it does not use it up"
    paired = served.ask("POST", f"/pair/{token}", form={"name": "Kim"})
    set_cookie = paired.headers["set-cookie"]
    assert re.search("HttpOnly", set_cookie)
    assert re.search("SameSite=strict", set_cookie, re.IGNORECASE)
    assert served.ask("GET", "/", set_cookie.partition(";")[0]).status == 200
    assert served.ask("POST", f"/pair/{token}", form={"name": "Eve"}).status == 403


def test_guessing_closes_the_door_for_a_while_and_addresses_grow_old() -> None:
    now = 0.0
    pairing = Pairing(lambda: now)
    token = pairing.offer()
    for _ in range(MOST_WRONG):
        assert not pairing.is_good("guess")
    assert not pairing.is_good(token)
    now = 61.0
    assert pairing.is_good(token)
    now = 60.0 * PAIRING_MINUTES + 1.0
    assert not pairing.use(token)


def test_a_revoked_device_stays_out_and_its_secret_is_kept_nowhere(
    served: Served, cookie: str, tmp_path: Path
) -> None:
    secret = cookie.partition("=")[2]
    assert all(secret not in path.read_text(errors="replace") for path in tmp_path.glob("*.json"))
    assert served.devices.path.stat().st_mode & 0o077 == 0
    (device,) = served.devices.all()
    assert served.devices.revoke(device.id)
    assert served.ask("GET", "/", cookie).status == 401
    assert not served.devices.revoke(device.id)


def test_a_body_is_no_longer_than_a_photograph(served: Served, cookie: str) -> None:
    told = served.ask(
        "POST", "/job/RO-1/photo", cookie, {}, **{"Content-Length": str(MOST_BYTES + 1)}
    )
    assert told.status == 413


def test_a_device_sends_no_more_forms_than_a_hand_can(served: Served, cookie: str) -> None:
    form = {"tap": "forget"}
    told = {served.ask("POST", "/job/RO-1/clock", cookie, form).status for _ in range(MOST_FORMS)}
    assert told == {303, 429}
    assert served.ask("GET", "/job/RO-1/more", cookie).status == 200
    assert served.ask("POST", "/job/RO-1/clock", served.pair("Kim"), form).status == 303
