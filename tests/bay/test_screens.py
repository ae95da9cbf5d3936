"""Whole jobs by taps alone, in a real browser at the width of a phone."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from swapinfer.commands import run
from swapinfer.commands.shop import Shop
from swapinfer.commands.show import show_job
from tests.bay.conftest import Served
from tests.bay.phone import Phone
from tests.claim.browser import find_browser
from tests.claim.test_browser import accessibility_engine

pytestmark = pytest.mark.skipif(find_browser() is None, reason="no Chromium is installed")


@pytest.fixture
def phone(served: Served) -> Iterator[Phone]:
    with Phone() as phone:
        phone.go(f"{served.origin}/pair/{served.pairing.offer()}")
        problems: list[str] = []
        look_at(phone, "pair", problems, has_rules=True)
        assert problems == []
        phone.type("name", "Robin")
        phone.tap("Pair")
        yield phone
        assert [line for line in phone.problems if "status of 4" not in line] == []


def begin(phone: Phone) -> None:
    phone.tap("Open a job")
    phone.type("ro", "RO-1")
    phone.tap("Open")


def drive(phone: Phone, *found: str) -> None:
    """Drive by two taps, and tap what was found."""
    phone.tap("Drive")
    phone.tap("warm")
    phone.tap("load")
    phone.tap("Begin the drive")
    phone.tap("The vehicle stands")
    phone.run("document.querySelector('#minutes').value = ''")
    phone.type("minutes", "45")
    for one in found:
        phone.tap(one)
    phone.tap("Record the drive")


def said(served: Served) -> list[str]:
    with Shop(served.store, "Robin") as shop:
        return [line.said for line in show_job(shop, "RO-1").events]


def status(served: Served) -> str:
    with Shop(served.store, "Robin") as shop:
        return show_job(shop, "RO-1").status


def test_a_coil_is_found_by_moving_it_and_proven_by_taps(served: Served, phone: Phone) -> None:
    begin(phone)
    drive(phone, "P0303")
    assert "Cylinder 3 misfired" in phone.text
    phone.tap("Engine")
    phone.tap("cylinder 3")
    phone.tap("Ignition coil, cylinder 3")
    phone.tap("Swapped with ignition coil, cylinder 1")
    drive(phone, "P0301")
    assert "followed" in phone.text
    phone.tap("Next")
    phone.tap("Replaced ignition coil, cylinder 1")
    drive(phone, "none was set")
    phone.tap("Close the job as verified")
    assert "RO-1 is verified" in phone.text
    assert len(said(served)) == 7


def test_a_leaking_valve_is_measured_and_its_reading_doubted_by_taps(
    served: Served, phone: Phone
) -> None:
    problems: list[str] = []
    begin(phone)
    drive(phone, "P0302")
    phone.tap("Engine")
    phone.tap("cylinder 2")
    phone.tap("Tests of cylinder 2")
    phone.tap("Compression, dry")
    phone.tap("bar")
    phone.type("value-cylinder2", "36")
    phone.tap("Record")
    assert "Is it meant so?" in phone.text
    assert phone.run("document.querySelector('[name=value-cylinder2]').value") == "36"
    look_at(phone, "doubt", problems, has_rules=True)
    phone.tap("Back to what is next")
    phone.go(f"{served.origin}/job/RO-1/reading/compression")
    phone.tap("bar")
    for cylinder, value in zip(range(1, 5), ("12,1", "6,2", "11,9", "12,3"), strict=True):
        phone.type(f"value-cylinder{cylinder}", value)
    phone.tap("Only suppose it")
    assert len(said(served)) == 2
    look_at(phone, "supposed", problems, has_rules=True)
    phone.tap("It is so: record it")
    assert "sealing" in phone.text
    assert "6,2 bar" in said(served)[3]
    phone.tap("Engine")
    phone.tap("cylinder 2")
    phone.tap("Cylinder sealing, cylinder 2")
    phone.tap("Replaced, or put right in place")
    drive(phone, "none was set")
    phone.tap("More")
    phone.tap("Close the job")
    phone.tap("cylinder sealing, cylinder 2")
    phone.tap("Close the job")
    assert status(served) == "closed"
    look_at(phone, "closed", problems, has_rules=True)
    assert problems == []


def test_without_codes_a_look_is_taken_back_and_the_job_ends_open_by_taps(
    served: Served, phone: Phone
) -> None:
    begin(phone)
    drive(phone, "Felt or heard", "ran rough", "4")
    phone.tap("Engine")
    phone.tap("cylinder 4")
    phone.tap("Spark plug, cylinder 4")
    phone.tap("Look at the plug")
    phone.tap("dry black soot")
    phone.tap("Take back, or add a picture")
    phone.type("why", "it was plug 3")
    phone.tap("Take it back")
    assert said(served)[-1] == "event 2 undone: it was plug 3"
    phone.tap("More")
    phone.tap("Close the job")
    phone.tap("Close the job")
    assert "RO-1 is closed" in phone.text
    phone.type("reason", "it came back")
    phone.type("driven", "300 km")
    phone.tap("Reopen the job")
    assert status(served) == "open"
    assert said(served)[-1] == "reopened after 300 km: it came back"


def test_everything_works_without_script(served: Served, phone: Phone) -> None:
    phone.go(served.origin + "/open", has_script=False)
    phone.type("ro", "RO-1")
    phone.tap("Open")
    drive(phone, "P0303")
    assert "Cylinder 3 misfired" in phone.text
    phone.tap("Can't do this")
    phone.tap("Then ")
    assert "1 left out" in phone.text
    phone.tap("What if?")
    assert "What if:" in phone.text


SCREENS = (
    "/", "/open", "/job/RO-1", "/job/RO-1/what-if", "/job/RO-1/more", "/job/RO-1/engine",
    "/job/RO-1/at/3", "/job/RO-1/part/coil3", "/job/RO-1/look/plug-look?on=plug3",
    "/job/RO-1/reading/coil-primary", "/job/RO-1/drive", "/job/RO-1/drive?form=yes",
    "/job/RO-1/codes", "/job/RO-1/findings", "/job/RO-1/finding/1", "/job/RO-1/belief",
    "/job/RO-1/why", "/job/RO-1/close", "/job/RO-1/write-up", "/job/RO-1/look/none", "/pair/none",
)  # fmt: skip

RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag2aaa", "wcag21aa", "wcag22aa", "best-practice"],
    "rules": {"color-contrast-enhanced": {"enabled": True}},
}
"""Of axe-core; the last is the contrast of 7:1 (WCAG 2.2, 1.4.6)."""

TARGETS = """(least => {
  const boxes = [...document.querySelectorAll("a, button, summary, input, label:not([for])")]
    .filter(e => e.checkVisibility() && e.type !== "hidden" && !e.closest("p, nav")
      && !(e.matches("input") && e.closest("label")))
    .map(e => [e.innerText || e.name, e.getBoundingClientRect()]);
  const bad = boxes.filter(([, b]) => b.height < least || b.width < least).map(([n]) => n);
  boxes.forEach(([n, a], i) => boxes.slice(i + 1).forEach(([m, b]) => {
    const across = Math.max(a.left, b.left) - Math.min(a.right, b.right);
    const down = Math.max(a.top, b.top) - Math.min(a.bottom, b.bottom);
    if (Math.max(across, down) < 15.5) bad.push(`${n} | ${m}`);
  }));
  return bad;
})(64)"""
"""What is too small to be pressed beside an engine, or too near to something else."""


def look_at(phone: Phone, path: str, problems: list[str], *, has_rules: bool) -> None:
    """Note where a screen is wider than the display, or breaks a rule."""
    if phone.run("document.documentElement.scrollWidth > window.innerWidth"):
        problems.append(f"{path}: wider than the display")
    if has_rules:
        phone.run(accessibility_engine() + "; 1")
        named = "r.violations.map(v => `${v.id} ${v.nodes.map(n => n.target)}`)"
        found = phone.run(f"axe.run({json.dumps(RULES)}).then(r => {named})")
        problems += [f"{path}: {broken}" for broken in found]


def test_screens_can_be_read_and_touched_by_everyone(served: Served, phone: Phone) -> None:
    """Rules of axe-core; targets of 64 CSS pixels, 16 apart, are ours, above WCAG 2.2, 2.5.5."""
    begin(phone)
    drive(phone, "P0303")
    problems: list[str] = []
    for path in SCREENS:
        for width in (320, 390, 820, 1600):
            phone.go(served.origin + path, width=width)
            look_at(phone, f"{path} at {width}", problems, has_rules=width == 390)
            if width == 390:
                phone.run("document.querySelector('footer').style.position = 'static'")
                problems += [f"{path}: {found}" for found in phone.run(TARGETS)]
    phone.go(f"{served.origin}/job/RO-1/drive")
    phone.run("document.querySelector('.caution').style.color = '#777'")  # 4.5:1 on white
    found: list[str] = []
    look_at(phone, "h1", found, has_rules=True)
    assert found, "what breaks a rule is seen to break it"
    assert problems == []


@pytest.mark.parametrize("how", ["dark", "forced", "large"])
def test_screens_bear_what_a_device_asks_of_them(served: Served, phone: Phone, how: str) -> None:
    """Dark, forced colours, and text at 200 % (WCAG 2.2, 1.4.4)."""
    begin(phone)
    drive(phone, "P0303")
    problems: list[str] = []
    for path in SCREENS:
        phone.go(served.origin + path, how=how)
        look_at(phone, path, problems, has_rules=True)
    assert problems == []


def test_two_phones_and_the_shell_work_on_one_job(served: Served, phone: Phone) -> None:
    begin(phone)
    with Phone() as other:
        other.go(f"{served.origin}/pair/{served.pairing.offer()}")
        other.type("name", "Kim")
        other.tap("Pair")
        other.go(f"{served.origin}/job/RO-1/findings")
        drive(phone, "P0303")
        other.wait_for("codes P0303")
        phone.tap("More")
        phone.tap("Findings")
        typed = ["inspect", "plug-look", "3", "oil", "--store", served.store, "--job", "RO-1"]
        assert run([*typed, "--who", "Lee"]) == 0
        for one in (phone, other):
            one.wait_for("look at the plug, cylinder 3: oily black")
        phone.type("text", "half typed")
        assert run(["note", "from the desk", "--store", served.store, "--job", "RO-1"]) == 0
        phone.wait_for("Someone recorded something")
        assert phone.run("document.querySelector('#text').value") == "half typed"
        phone.tap("Keep the note")
        assert "from the desk" in phone.text
        problems: list[str] = []
        look_at(phone, "overtaken", problems, has_rules=True)
        assert problems == []
        phone.tap("Record mine as well")
    assert said(served)[-2:] == ["note: from the desk", "note: half typed"]
    with Shop(served.store, "Lee") as shop:
        assert [e.who for e in show_job(shop, "RO-1").events[1:3]] == ["Robin", "Lee"]


def test_the_keyboard_reaches_all_that_can_be_pressed(served: Served, phone: Phone) -> None:
    begin(phone)
    drive(phone, "P0303")
    for path in ("/job/RO-1", "/job/RO-1/engine", "/job/RO-1/drive?form=yes"):
        phone.go(served.origin + path)
        phone.run("document.body.tabIndex = -1; document.body.focus()")
        for _ in range(80):
            phone.press("Tab")
            phone.run("document.activeElement.dataset.reached = 'yes'")
        left = phone.run(UNREACHED)
        assert left == [], path


UNREACHED = """[...document.querySelectorAll("a, button, summary, input:not([type=hidden])")]
  .filter(e => e.checkVisibility() && !e.dataset.reached && !(e.type === "radio" && !e.checked))
  .map(e => e.outerHTML)"""
"""What no press of the tabulator led to; of choices that exclude each other one is enough."""
