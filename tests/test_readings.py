"""Every instrument reading of the pack, in every unit that it takes, and what is said of it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import pint
import pytest
from scipy import stats

from swapinfer.commands.causes import Belief, believe
from swapinfer.commands.findings import Beside, find_target, make_readings
from swapinfer.commands.questions import ask_test
from swapinfer.commands.record import NOTICEABLE, explain_events
from swapinfer.commands.shop import Settings
from swapinfer.errors import DoubtError, InputError
from swapinfer.evidence.levels import tells_little
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.replay import Job, replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import GOOD
from swapinfer.pack.model import Test as PackTest
from swapinfer.units import UNITS

PACK = load_pack()
REGISTRY = pint.UnitRegistry()
LIBRARY = {"kohm": "kiloohm", "Mohm": "megaohm", "%": "percent"}
LOAD = ("warm", "load")


def job_of(*events: Event, ignition: str = "coil-on-plug", fuel: str = "port") -> Job:
    opening = ev.Opened("RO-1", "inline-4", {"ignition": ignition, "fuel": fuel})
    return replay(enumerate([opening, *events]), PACK)


def read(
    job: Job, test: str, values: dict[str, str], beside: Beside | None = None, **units: str
) -> tuple[Belief, Belief, list[str]]:
    """Belief before and after readings, and what is said."""
    made = make_readings(job, test, values, beside or Beside(), Settings(**units))
    events = [event for _, event in job.standing[1:]]
    before = believe(job)
    after = believe(job_of(*events, *made, **job.engine.fitment))
    return before, after, explain_events(before, after, made)


def fault(belief: Belief, kind: str) -> float:
    """Expected number of faulty things of a kind."""
    elements = belief.evidence.space.elements
    pairs = zip(elements, belief.posterior.fault_e, strict=True)
    return float(sum(p for element, p in pairs if element.home.kind == kind))


def in_unit(value: float, unit: str, other: str) -> float:
    """By pint."""
    quantity = REGISTRY.Quantity(value, LIBRARY.get(unit, unit))
    return float(quantity.to(LIBRARY.get(other, other)).magnitude)


@dataclass(frozen=True)
class Row:
    """A good and a bad reading, and the kind that the bad one speaks for."""

    target: str
    good: float
    bad: float
    kind: str
    ignition: str = "coil-on-plug"
    fuel: str = "port"


ROWS = {
    "back-pressure": Row("1", 0.5, 5, "exhaust"),
    "coil-supply": Row("3", 12.4, 0.05, "coil-wiring"),
    "injector-supply": Row("3", 12.4, 0.05, "injector-wiring"),
    "charging-voltage": Row("", 14.1, 12.2, "charging"),
    "charging-ripple": Row("", 0.04, 0.7, "charging"),
    "ground-drop": Row("", 0.08, 0.9, "engine-ground"),
    "compression": Row("3", 175, 80, "sealing"),
    "compression-wet": Row("3", 185, 80, "sealing"),
    "relative-compression": Row("3", 97, 45, "sealing"),
    "leak-down": Row("3", 6, 60, "sealing"),
    "plug-gap": Row("plug3", 1.0, 1.7, "plug"),
    "coil-primary": Row("coil3", 0.75, 300, "coil"),
    "coil-secondary": Row("3", 9_000, 300_000, "coil"),
    "coil-pack-primary": Row("coil-pack1+4", 0.75, 300, "coil-pack", "waste-spark"),
    "coil-pack-secondary": Row("coil-pack1+4", 9_000, 300_000, "coil-pack", "waste-spark"),
    "distributor-coil-primary": Row("", 0.75, 300, "distributor-coil", "distributor"),
    "distributor-coil-secondary": Row("", 9_000, 300_000, "distributor-coil", "distributor"),
    "lead-resistance": Row("lead3", 6_000, 100_000, "lead", "coil-near-plug"),
    "injector-resistance": Row("injector3", 11.5, 500, "injector"),
    "direct-injector-resistance": Row("3", 1.6, 300, "injector-direct", fuel="direct"),
    "throttle-injector-resistance": Row("", 1.8, 500, "throttle-injector", fuel="single-point"),
    "fuel-pressure": Row("", 50, 25, "fuel-pressure"),
    "low-side-pressure": Row("", 65, 33, "fuel-pressure", fuel="direct"),
    "throttle-body-pressure": Row("", 14, 6, "fuel-pressure", fuel="single-point"),
    "rail-pressure": Row("", 5_000, 1_200, "rail-pressure", fuel="direct"),
    "fuel-trim": Row("1", 1, 20, "intake-leak"),
    "fuel-trim-raised": Row("1", 1, 24, "fuel-pressure"),
}
"""Common practice, no source: what a meter shows on a sound thing and on a faulty one."""

ONLY_TOO_HIGH = {
    "back-pressure",
    "charging-ripple",
    "ground-drop",
    "leak-down",
    "lead-resistance",
}
"""Common practice, no source: no drop, ripple, loss, back pressure or lead is too low."""

CASES = [
    (name, unit)
    for name in ROWS
    for unit in UNITS[PACK.tests[name].unit].split(", ")
    if unit not in ("OL", "kV")
]


def nine_in_ten(test: PackTest) -> tuple[float, float]:
    """Central nine tenths of the heaviest lobe of good readings, by SciPy's distributions."""
    _, centre, sd = max(test.curves[GOOD].lobes)
    law = stats.lognorm(sd, scale=centre) if test.scale == "log" else stats.norm(centre, sd)
    low, high = law.ppf([0.05, 0.95])
    return float(low), float(high)


def said_range(said: list[str]) -> tuple[list[float], str]:
    """Numbers of the range that a good one reads, and their unit."""
    found = re.match(r"a good one reads (?:up to )?([-\d.,]+)(?: to ([-\d.,]+))? (\S+)", said[0])
    assert found, said
    numbers = [float(number.replace(",", "")) for number in found.groups()[:2] if number]
    return numbers, found.group(3)


def check_words_follow_figures(before: Belief, after: Belief, words: str) -> None:
    """What is named rose, or fell, to what is said, and nothing moved further that way."""
    names = after.evidence.arrays.elements
    old = dict(zip(before.evidence.arrays.elements, before.posterior.fault_e, strict=True))
    change = [p - old[name] for name, p in zip(names, after.posterior.fault_e, strict=True)]
    moves = re.findall(r"(for|against) the .*? \((?:under |over )?([\d.]+) %", words)
    assert ("for" in dict(moves)) >= (max(change) > 2 * NOTICEABLE), words
    assert ("against" in dict(moves)) >= (min(change) < -2 * NOTICEABLE), words
    for way, percent in moves:
        pick = max if way == "for" else min
        moved = pick(range(len(names)), key=lambda e: change[e])
        assert change[moved] >= NOTICEABLE if way == "for" else change[moved] <= -NOTICEABLE
        assert float(percent) == pytest.approx(100 * old[names[moved]], abs=0.51)


def test_every_instrument_is_read_here() -> None:
    assert set(ROWS) == {test.id for test in PACK.tests.values() if test.form == "reading"}


@pytest.mark.parametrize(("name", "unit"), CASES)
def test_a_good_and_a_bad_reading_in_every_unit(name: str, unit: str) -> None:
    row, test = ROWS[name], PACK.tests[name]
    job = job_of(ignition=row.ignition, fuel=row.fuel)
    beside = Beside(against="12.5V") if test.reference else Beside()
    shown = {
        verdict: f"{in_unit(value, test.unit, unit):.6g}{unit}"
        for verdict, value in (("good", row.good), ("bad", row.bad))
    }
    for verdict, text in shown.items():
        before, after, said = read(job, name, {row.target: text}, beside)
        rises = fault(after, row.kind) > fault(before, row.kind)
        assert rises == (verdict == "bad"), (text, said)
        check_words_follow_figures(before, after, said[-1])
        if tells_little(test, job.opening):
            has_others = len(job.engine.target_places(test.target)) > 1
            measure = "others of its kind" if has_others else "the maker's figure"
            assert (measure in said[0]) == (verdict == "good"), said
            if not has_others:
                continue
            places = job.engine.target_places(test.target)
            *_, said = read(job, name, dict.fromkeys(places, text), beside)
        numbers, told_unit = said_range(said)
        assert told_unit == unit
        low, high = nine_in_ten(test)
        if test.level and test.scale == "linear":
            apart = in_unit(high, test.unit, unit) - in_unit(low, test.unit, unit)
            assert numbers[1] - numbers[0] == pytest.approx(apart, rel=0.25)
            continue
        if test.level:
            assert numbers[1] / numbers[0] == pytest.approx(high / low, rel=0.02)
            continue
        if test.reference:
            low, high = low + 12.5, high + 12.5
            assert "at 12.5 V" in said[0]
        if name in ONLY_TOO_HIGH:
            assert "up to" in said[0]
            low = high
        expected = [in_unit(value, test.unit, unit) for value in dict.fromkeys((low, high))]
        assert numbers == pytest.approx(expected, rel=0.006)


@pytest.mark.parametrize("name", ROWS)
def test_over_limit_is_for_ohms(name: str) -> None:
    row, test = ROWS[name], PACK.tests[name]
    job = job_of(ignition=row.ignition, fuel=row.fuel)
    beside = Beside(against="12.5V") if test.reference else Beside()
    if test.unit == "ohm":
        (event,) = make_readings(job, name, {row.target: "OL"}, beside, Settings())
        assert math.isinf(event.value)
    else:
        with pytest.raises(InputError, match="of ohms; accepted: a number in"):
            make_readings(job, name, {row.target: "OL"}, beside, Settings())


@pytest.mark.parametrize("name", ROWS)
def test_what_cannot_be_is_refused_and_what_hardly_can_is_doubted(name: str) -> None:
    row, test = ROWS[name], PACK.tests[name]
    job = job_of(ignition=row.ignition, fuel=row.fuel)
    beside = Beside(against="12.5V") if test.reference else Beside()
    assert test.possible
    low, high = test.possible
    for value in (low - 1, high + 1, 1e3 * high):
        for insists in (False, True):
            given = Beside(beside.against, insists=insists)
            text = f"{value:.10g}{test.unit}"
            with pytest.raises(InputError, match="cannot be") as caught:
                make_readings(job, name, {row.target: text}, given, Settings())
            assert not isinstance(caught.value, DoubtError)
    top = test.range[1] + (12.5 if test.reference else 0.0)
    if top < high:
        text = f"{top + 0.01 * (high - top):.10g}{test.unit}"
        with pytest.raises(DoubtError):
            make_readings(job, name, {row.target: text}, beside, Settings())
        sure = Beside(beside.against, insists=True)
        assert make_readings(job, name, {row.target: text}, sure, Settings())


BARE = [
    ("compression", "12", {}, "12bar"),
    ("compression", "8", {}, "8bar"),
    ("compression", "1200", {}, "1200kPa"),
    ("compression", "175", {}, ""),
    ("compression", "80", {}, ""),
    ("compression", "0", {}, ""),
    ("compression", "12", {"pressure": "bar"}, ""),
    ("compression", "12", {"pressure": "psi"}, ""),
    ("compression", "175", {"pressure": "bar"}, "175psi"),
    ("compression", "12psi", {}, ""),
    ("fuel-pressure", "3.5", {}, "3.5bar"),
    ("fuel-pressure", "350", {}, "350kPa"),
    ("fuel-pressure", "28", {}, ""),
    ("plug-gap", "0.044", {}, "0.044inch"),
    ("plug-gap", "44", {}, ""),
    ("coil-secondary", "9.2", {}, "9.2kohm"),
    ("coil-primary", "0.8", {}, ""),
    ("lead-resistance", "6", {}, "6kohm"),
    ("ground-drop", "90", {}, "90mV"),
    ("coil-supply", "12.4", {}, ""),
    ("coil-supply", "5.5", {}, ""),
]
"""Test, number as typed, the shop's units, and the form that is asked for, if any."""


@pytest.mark.parametrize(("name", "text", "units", "form"), BARE)
def test_a_bare_number_that_fits_another_unit_is_asked_about(
    name: str, text: str, units: dict[str, str], form: str
) -> None:
    row = ROWS[name]
    job = job_of(ignition=row.ignition, fuel=row.fuel)
    beside = Beside(against="12.5V") if PACK.tests[name].reference else Beside()
    told = ""
    try:
        make_readings(job, name, {row.target: text}, beside, Settings(**units))
    except InputError as error:
        told = str(error)
    assert "\n" not in told
    assert (f"write {form}" in told) if form else ("write" not in told)


def test_a_bare_number_is_in_the_shops_unit() -> None:
    job = job_of(fuel="direct")
    (event,) = make_readings(job, "rail-pressure", {"": "50"}, Beside(), Settings(pressure="bar"))
    assert event.value == pytest.approx(5000)
    assert event.typed == "50 bar"
    warm = Beside(temperature="176")
    (event,) = make_readings(
        job_of(), "coil-primary", {"3": "0.9"}, warm, Settings(temperature="degF")
    )
    assert event.temperature_c == pytest.approx(80)


def test_a_supply_is_not_read_without_the_battery_nor_against_a_dead_one() -> None:
    job = job_of()
    with pytest.raises(InputError, match=r"judged against the battery's.*--against 12V"):
        make_readings(job, "coil-supply", {"3": "12.4"}, Beside(), Settings())
    with pytest.raises(DoubtError, match="the battery at 5 V is hardly meant"):
        make_readings(job, "coil-supply", {"3": "5"}, Beside("5"), Settings())
    with pytest.raises(InputError, match="cannot be"):
        make_readings(job, "coil-supply", {"3": "12.4"}, Beside("1200"), Settings())
    with pytest.raises(InputError, match="not judged against another reading"):
        make_readings(job, "ground-drop", {"": "0.1"}, Beside("12.5V"), Settings())


def test_an_old_reading_without_its_battery_still_replays() -> None:
    old = ev.Measured("coil-supply", "cylinder3", 12.4)
    before, after = believe(job_of()), believe(job_of(old))
    assert not any("reads" in line for line in explain_events(before, after, [old]))


def test_a_pressure_is_judged_by_the_figure_wanted() -> None:
    """Fifty pounds are right where fifty are wanted, and a third short where 75 are."""
    job = job_of()
    _, usual, said = read(job, "fuel-pressure", {"": "50psi"})
    assert "the pack's usual 50 psi (one injector a cylinder in the intake port)" in said[1]
    assert "give --wanted for the maker's figure" in said[1]
    _, met, _ = read(job, "fuel-pressure", {"": "50psi"}, Beside(wanted="50psi"))
    assert fault(met, "fuel-pressure") == pytest.approx(fault(usual, "fuel-pressure"), rel=1e-9)
    before, short, said = read(job, "fuel-pressure", {"": "50psi"}, Beside(wanted="75psi"))
    assert fault(short, "fuel-pressure") > 2 * fault(before, "fuel-pressure")
    assert said[0].endswith("psi where 75 psi is wanted")
    assert not any("usual" in line for line in said)
    _, third, _ = read(job, "fuel-pressure", {"": f"{50 * 50 / 75:.10f}psi"})
    assert fault(third, "fuel-pressure") == pytest.approx(fault(short, "fuel-pressure"), rel=1e-6)
    for wrong in ("0", "-5psi", "OL"):
        with pytest.raises(InputError):
            make_readings(job, "fuel-pressure", {"": "50psi"}, Beside(wanted=wrong), Settings())
    with pytest.raises(InputError, match="no wanted figure"):
        make_readings(job, "leak-down", {"3": "5"}, Beside(wanted="4"), Settings())


def test_wanted_survives_the_ledger() -> None:
    event = ev.Measured("fuel-pressure", "engine", 50.0, wanted=58.0)
    assert ev.read_event("measured", event.to_json()) == event
    assert "wanted" not in ev.Measured("fuel-pressure", "engine", 50.0).to_json()


def test_wet_compression_that_recovers_speaks_for_the_rings_of_that_cylinder() -> None:
    misfire = ev.Ran(15, LOAD, ("P0303",))
    dry = [
        ev.Measured("compression", f"cylinder{c}", psi)
        for c, psi in ((1, 178.0), (2, 181.0), (3, 95.0), (4, 180.0))
    ]
    before, after, said = read(job_of(misfire), "compression", {"1": "178psi", "3": "95psi"})
    assert "for the cylinder sealing, cylinder 3 (" in said[-1]
    assert re.search(r"against the (spark plug|ignition coil) from cylinder 3 \(", said[-1])
    check_words_follow_figures(before, after, said[-1])
    before, after, said = read(job_of(misfire, *dry), "compression-wet", {"3": "150psi"})
    assert "against the cylinder sealing" not in said[-1]
    check_words_follow_figures(before, after, said[-1])


def test_lean_trims_do_not_speak_against_low_fuel_pressure() -> None:
    low = ev.Measured("fuel-pressure", "engine", 27.0)
    before, after, said = read(job_of(low), "fuel-trim", {"1": "19%"})
    assert fault(after, "fuel-pressure") > fault(before, "fuel-pressure") - NOTICEABLE
    assert "against the fuel supply pressure" not in said[-1]
    check_words_follow_figures(before, after, said[-1])


def test_a_dead_supply_at_one_coil_speaks_for_its_branch() -> None:
    misfire = ev.Ran(15, LOAD, ("P0303",))
    before, after, said = read(job_of(misfire), "coil-supply", {"3": "0.05V"}, Beside("12.5V"))
    assert "for the coil branch wiring, cylinder 3 (" in said[-1]
    check_words_follow_figures(before, after, said[-1])


def test_nothing_moved_changes_little() -> None:
    job = job_of(ev.Ran(15, LOAD, ("P0303",)))
    _, _, said = read(job, "charging-ripple", {"": "0.04V"})
    assert said[-1] == "this changes little"


@pytest.mark.parametrize(
    ("test", "typed", "target"),
    [
        ("plug-look", "plug3", "cylinder3"),
        ("plug-look", "Plug 3", "cylinder3"),
        ("plug-look", "3", "cylinder3"),
        ("coil-supply", "coil2", "cylinder2"),
        ("fuel-trim", "exhaustbank1", "bank1"),
        ("fuel-pressure", "fuel-pressure", "engine"),
    ],
)
def test_a_target_may_be_named_by_the_part_there(test: str, typed: str, target: str) -> None:
    job = job_of()
    assert find_target(job, job.engine.tests[test], typed) == target


def test_a_part_that_serves_several_cylinders_names_none_of_them() -> None:
    job = job_of()
    with pytest.raises(InputError, match="cannot be made"):
        find_target(job, job.engine.tests["plug-look"], "head-gasket2-3")


def test_where_a_plug_last_ran_is_said() -> None:
    job = job_of(ev.Ran(15, LOAD, ("P0303",)), ev.Swapped((("plug3", "plug1"),)))
    look = ev.Inspected("plug-look", "cylinder1", "oil")
    events = [event for _, event in job.standing[1:]]
    before, after = believe(job), believe(job_of(*events, look))
    said = explain_events(before, after, [look])
    assert said[0] == "this spark plug last ran in cylinder 3, so this tells of that one"
    assert "for the cylinder sealing, cylinder 3 (" in said[1]


def test_asked_at_the_bay_what_is_doubted_is_taken_the_second_time() -> None:
    job = job_of()
    asking = ask_test(job, job.engine.tests["coil-supply"], ["cylinder3"], Settings())
    assert "The battery's reading at the same time?" in next(asking).text
    assert "type an answer" in asking.send("").problem, "it cannot be left out"
    assert "cannot be" in asking.send("1200").problem
    assert "type the same again" in asking.send("7").problem
    assert "in V?" in asking.send("7").text
    assert "hardly meant" in asking.send("12.4").problem
    with pytest.raises(StopIteration) as told:
        asking.send("6.9")
    (event,) = told.value.value
    assert (event.value, event.reference) == (6.9, 7.0)


def test_asked_at_the_bay_in_the_shops_unit() -> None:
    job = job_of()
    shop = Settings(pressure="bar")
    asking = ask_test(job, job.engine.tests["fuel-pressure"], ["engine"], shop)
    assert "The maker's figure? In bar; Enter if not known." in next(asking).text
    assert "in bar?" in asking.send("4").text
    with pytest.raises(StopIteration) as told:
        asking.send("3.9")
    (event,) = told.value.value
    assert event.wanted == pytest.approx(58.015, abs=0.01)
    assert event.typed == "3.9 bar"
