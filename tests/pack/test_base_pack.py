"""What must hold for the base pack on every layout and fitment that it speaks for."""

from __future__ import annotations

import itertools
import math
import re

import pytest
from scipy import stats

from swapinfer.layout import PATTERNS
from swapinfer.pack.engine import Engine
from swapinfer.pack.hazard import mode_prior
from swapinfer.pack.model import ANY, GOOD, Pack
from swapinfer.pack.model import Test as PackTest
from swapinfer.pack.provenance import provenance_of

LAYOUTS = {"inline-3", "inline-4", "inline-5", "inline-6", "v6", "v8", "v10", "flat-4", "flat-6"}

IGNITION = {"coil", "coil-pack", "distributor-coil"}
INJECTION = {"injector", "injector-direct", "throttle-injector"}


def test_the_layouts_and_fitments_that_were_promised_are_there(pack: Pack) -> None:
    assert set(pack.layouts) >= LAYOUTS
    assert set(pack.fitments["ignition"]) == {
        "coil-on-plug",
        "coil-near-plug",
        "waste-spark",
        "distributor",
    }
    assert set(pack.fitments["fuel"]) == {"port", "direct", "single-point"}


def test_every_cylinder_has_spark_fuel_and_sealing(engines: list[Engine]) -> None:
    for engine in engines:
        for kinds in (IGNITION, INJECTION, {"plug"}, {"sealing"}, {"lead", "boot"}):
            served = [
                cylinder
                for place in engine.places.values()
                if place.kind in kinds
                for cylinder in place.cylinders
            ]
            assert sorted(served) == list(engine.layout.cylinders), (engine.layout.id, kinds)


def test_every_kind_belongs_to_some_engine(pack: Pack, engines: list[Engine]) -> None:
    assert {kind for engine in engines for kind in engine.kinds} == set(pack.kinds)
    assert {test for engine in engines for test in engine.tests} == set(pack.tests)


UNLISTED = ("unlisted", "unlisted-shared")
"""What stands for all that no other element does."""


def test_every_mode_can_be_seen_by_a_test_on_every_engine(engines: list[Engine]) -> None:
    for engine in engines:
        seen = {
            (sight.kind, sight.mode)
            for test in engine.tests.values()
            for sight in test.sees
            if sight.profile != GOOD
        }
        for kind in engine.kinds.values():
            for mode in kind.modes:
                is_seen = bool({(kind.id, mode), (kind.id, ANY)} & seen)
                assert is_seen == (kind.id not in UNLISTED), (engine.fitment, kind.id, mode)


def test_every_mode_can_be_put_right(pack: Pack) -> None:
    for kind in pack.kinds.values():
        for mode in kind.modes.values():
            fix = mode.fix or kind.fix
            low, typical, high = fix.price
            assert fix.title
            assert fix.minutes > 0
            assert 0 <= low <= typical <= high


def test_kinds_are_asked_for_from_the_whole_engine_to_the_cylinder(pack: Pack) -> None:
    rank = {"engine": 0, "bank": 1, "adjacent": 2, "pair": 3, "cylinder": 3}
    assert set(rank) == set(PATTERNS)
    common = [k for k in pack.kinds.values() if k.id not in ("cap-terminal", *UNLISTED)]
    ranks = [rank[kind.pattern] for kind in common]
    assert ranks == sorted(ranks)


def test_parts_that_travel_can_be_swapped_and_bought(pack: Pack) -> None:
    for kind in pack.kinds.values():
        assert (kind.swap_minutes > 0) == kind.movable
        if kind.movable:
            assert kind.new_fault > 0
            assert kind.handling
            assert kind.pattern in ("cylinder", "pair")


def test_contact_faults_come_in_both_kinds(pack: Pack) -> None:
    for kind in ("coil-wiring", "injector-wiring", "coil-pack-wiring"):
        cured = {mode.cured_by_disturbance for mode in pack.kinds[kind].modes.values()}
        assert cured == {True, False}


def test_symptoms_that_the_trade_knows_are_there(pack: Pack) -> None:
    tags = {
        tag
        for kind in pack.kinds.values()
        for mode in kind.modes.values()
        for tag, factor in mode.when.items()
        if factor > 1
    }
    assert tags == set(pack.running.conditions) - {"warm"}


def test_chances_of_inspections_add_up_and_profiles_differ_from_good(pack: Pack) -> None:
    for test in pack.tests.values():
        assert bool(test.curves) == (test.form == "reading") == (not test.chances)
        for name, curve in test.curves.items():
            assert math.isclose(sum(w for w, _, _ in curve.lobes) + curve.over_limit, 1)
            assert name == GOOD or curve != test.curves[GOOD]
        for name, chances in test.chances.items():
            assert math.isclose(sum(chances.values()), 1)
            assert name == GOOD or chances != test.chances[GOOD]


def test_steps_are_three_to_eight_and_something_is_recorded(pack: Pack) -> None:
    for test in pack.tests.values():
        assert 3 <= len(test.steps) <= 8, test.id
        assert test.record
        assert test.minutes > 0
        assert set(test.miss) == set(pack.severities)
        assert test.coincidence < 0.02
        assert all(chance <= 0.005 for chance in test.slip.values())
        access = pack.access.get(test.access)
        first = test.minutes + (access.open_minutes + access.close_minutes if access else 0.0)
        assert test.minutes_each < first, "a further target takes less than the first"


def below(test: PackTest, profile: str, value: float) -> float:
    """Chance of a reading below a value, by SciPy's normal distribution."""
    curve = test.curves[profile]
    at, centre = (math.log, math.log) if test.scale == "log" else (float, float)
    return sum(w * stats.norm.cdf(at(value), centre(c), sd) for w, c, sd in curve.lobes)


RISING = {
    "compression": ["holed", "valve", "leaking-valve", "good"],
    "compression-wet": ["holed", "valve", "leaking-valve", "good"],
    "relative-compression": ["very-low", "low", "good"],
    "leak-down": ["good", "rings", "broken-ring", "holed"],
    "fuel-pressure": ["low", "starved", "good", "high"],
    "low-side-pressure": ["low", "starved", "good", "high"],
    "throttle-body-pressure": ["low", "starved", "good", "high"],
    "rail-pressure": ["low", "good"],
    "fuel-trim": ["rich", "rich-a-little", "good", "lean-a-little", "lean"],
    "fuel-trim-raised": [
        "rich", "rich-a-little", "rich-fades", "good", "lean-fades", "lean-a-little", "lean",
        "lean-grows",
    ],
    "coil-supply": ["dead", "low", "good"],
    "injector-supply": ["dead", "low", "good"],
    "injector-resistance": ["good", "open"],
    "direct-injector-resistance": ["shorted", "good", "open"],
    "coil-primary": ["shorted", "good"],
    "coil-secondary": ["shorted", "good", "open"],
    "lead-resistance": ["good", "burnt"],
    "back-pressure": ["good", "blocked"],
    "charging-voltage": ["low", "good"],
    "charging-ripple": ["good", "ripple"],
    "ground-drop": ["good", "poor"],
    "plug-gap": ["closed", "good", "worn"],
}  # fmt: skip
"""Profiles of each reading from low to high readings."""


def test_every_reading_is_in_the_table_of_monotone_curves(pack: Pack) -> None:
    readings = {test.id for test in pack.tests.values() if test.form == "reading"}
    alike = {f"{coil}-{winding}" for coil in ("coil-pack", "distributor-coil")
             for winding in ("primary", "secondary")}  # fmt: skip
    assert readings - alike - {"throttle-injector-resistance"} == set(RISING)


@pytest.mark.parametrize("name", RISING)
def test_worse_profiles_read_further_out_at_every_band(pack: Pack, name: str) -> None:
    test = pack.tests[name]
    for band in test.bands[:-1]:
        shares = [below(test, profile, band.below) for profile in RISING[name]]
        for higher, lower in itertools.pairwise(shares):
            assert higher >= lower - 0.03, (name, band.id, shares)


def test_every_reading_says_what_cannot_be(pack: Pack) -> None:
    for test in pack.tests.values():
        if test.form == "reading":
            assert test.possible is not None, test.id
            assert provenance_of(pack, f"test.{test.id}.possible").grade == "common"
            assert (test.reference_range is None) == (not test.reference)


def test_trim_of_a_leak_falls_with_speed_and_that_of_a_weak_pump_grows(pack: Pack) -> None:
    """Common practice, no source."""
    idle, raised = pack.tests["fuel-trim"], pack.tests["fuel-trim-raised"]

    def trim(test: PackTest, kind: str, mode: str) -> float:
        shown = {(s.kind, s.mode): s.profile for s in test.sees}
        curve = test.curves[shown.get((kind, mode)) or shown[kind, ANY]]
        return sum(weight * centre for weight, centre, _ in curve.lobes)

    for kind, mode, grows in (
        ("intake-leak", "hose", False), ("intake-gasket", "leaks", False), ("pcv", "torn", False),
        ("fuel-pressure", "pump-weak", True), ("fuel-pressure", "filter", True),
    ):  # fmt: skip
        assert (trim(raised, kind, mode) > trim(idle, kind, mode)) == grows, (kind, mode)
    assert trim(raised, "air-flow", "reads-low") == trim(idle, "air-flow", "reads-low")


def test_oil_lifts_rings_but_not_valves(pack: Pack) -> None:
    """Common practice, no source: wet compression rises with worn rings, not with valves."""
    dry, wet = pack.tests["compression"], pack.tests["compression-wet"]

    def median(test: PackTest, profile: str) -> float:
        grid = [0.01 * step for step in range(1, 150)]
        return next(ratio for ratio in grid if below(test, profile, ratio) >= 0.5)

    for profile, least, most in (
        ("rings", 1.3, 1.6),
        ("broken-ring", 1.3, 1.8),
        ("valve", 1.0, 1.15),
        ("leaking-valve", 1.0, 1.15),
        ("good", 1.0, 1.15),
    ):
        assert least < median(wet, profile) / median(dry, profile) < most


COMMON_PRACTICE = [
    ("injector-resistance", 0.95, True),
    ("injector-resistance", 1.0, True),
    ("injector-resistance", 1.08, True),
    ("injector-resistance", 0.6, False),
    ("injector-resistance", 25.0, False),
    ("direct-injector-resistance", 1.15, True),
    ("direct-injector-resistance", 0.3, False),
    ("coil-primary", 1.15, True),
    ("coil-primary", 0.4, False),
    ("coil-secondary", 1.15, True),
    ("coil-supply", 0.0, True),
    ("coil-supply", -0.25, True),
    ("coil-supply", -2.0, False),
    ("coil-supply", -12.0, False),
    ("leak-down", 10.0, True),
    ("leak-down", 30.0, False),
    ("fuel-pressure", 50.0, True),
    ("fuel-pressure", 25.0, False),
    ("compression", 1.0, True),
    ("compression", 0.5, False),
]
"""Common practice, no source: within a tenth of the neighbours' ohms, within half a volt of the
neighbours' supply, about 50 psi, a tenth of the air lost, agreement."""


@pytest.mark.parametrize(("name", "value", "is_good"), COMMON_PRACTICE)
def test_values_are_judged_as_the_trade_judges_them(
    pack: Pack, name: str, value: float, is_good: bool
) -> None:
    test = pack.tests[name]
    densities = {}
    for profile, curve in test.curves.items():
        at, centre = (math.log, math.log) if test.scale == "log" else (float, float)
        densities[profile] = sum(
            w * stats.norm.pdf(at(value), centre(c), sd) for w, c, sd in curve.lobes
        )
    best = max(densities, key=densities.__getitem__)
    assert (best == GOOD) == is_good, densities


def test_shares_of_causes_are_those_that_the_source_of_the_lives_speaks_of(
    engines: list[Engine],
) -> None:
    """Common practice, no source; the lives' source says that these shares were aimed at."""
    engine = next(
        e
        for e in engines
        if e.layout.id == "inline-4" and e.fitment == {"ignition": "coil-on-plug", "fuel": "port"}
    )
    chance: dict[str, float] = {}
    for place in engine.places.values():
        for mode in engine.kinds[place.kind].modes.values():
            chance[place.kind] = chance.get(place.kind, 0) + mode_prior(mode, 150_000, 500)
    unlisted = sum(chance.pop(kind) for kind in UNLISTED)
    total = sum(chance.values())
    assert 0.03 <= unlisted / (total + unlisted) <= 0.06
    aims = {
        ("coil",): (0.20, 0.30),
        ("plug",): (0.20, 0.25),
        ("injector",): (0.08, 0.12),
        ("coil-wiring", "injector-wiring"): (0.09, 0.15),
        ("boot",): (0.05, 0.08),
        ("sealing",): (0.06, 0.08),
        ("intake-leak", "intake-gasket"): (0.03, 0.07),
        ("fuel-pressure", "fuel-quality"): (0.03, 0.06),
        ("coil-driver", "injector-driver"): (0.005, 0.02),
    }
    for kinds, (least, most) in aims.items():
        assert least <= sum(chance[kind] for kind in kinds) / total <= most, kinds


# Cautions -----------------------------------------------------------------------------------------

RISKS = [
    (r"cranked\b|\bcranking\b|\bcrank (as|with|the)", {"cranking"}),
    (r"(?<!diff)\bidl(e|ing)\b|while running|start the engine|warm the engine|fast idle",
     {"rotating", "ventilation"}),
    (r"\bcompressed air\b|with the air on", {"compressed-air"}),
    (r"\bcoolant\b|cooling system", {"coolant"}),
    (r"\bbattery\b", {"battery"}),
    (r"\bcan\b(?= before|,|\.)|fuel sample|glass of fuel", {"fuel-disposal", "ventilation"}),
    (r"\bfuel (line|rail|pressure)\b|low-pressure (side|line)|the gauge at the rail",
     {"fuel-pressure"}),
    (r"\bspark (tester|for)|lift it straight out|the (coil|boot|lead) off|firing voltage",
     {"ignition-voltage"}),
    (r"feed smoke", {"smoke"}),
    (r"implanted", {"ignition-voltage"}),
]  # fmt: skip
"""Words of a step or precondition, and the cautions that must then stand before it."""

BY_TOOL = {
    "fuel-gauge": {"fuel-pressure", "ventilation", "fuel-disposal"},
    "measuring-can": {"fuel-pressure", "ventilation", "fuel-disposal"},
    "injector-bench": {"fuel-pressure", "ventilation", "fuel-disposal"},
    "spark-tester": {"ignition-voltage", "cranking", "disable-fuel"},
    "leak-down-tester": {"compressed-air", "disable-fuel", "disable-ignition"},
    "compression-gauge": {"cranking", "disable-fuel", "disable-ignition"},
    "back-pressure-gauge": {"hot", "lifting"},
    "smoke-machine": {"smoke"},
    "cooling-tester": {"coolant"},
    "block-tester": {"coolant"},
}

BY_ACCESS = {
    "underneath": {"lifting"},
    "wheel": {"lifting"},
    "fuel-rail": {"fuel-pressure", "ventilation", "fuel-disposal"},
    "direct-rail": {"direct-fuel", "fuel-pressure", "ventilation"},
    "fuel-tank": {"fuel-pressure", "ventilation", "fuel-disposal"},
    "plug-out": {"hot"},
    "plugs-out": {"hot"},
    "head-off": {"lifting"},
}

OF_KIND = {
    "coil": {"ignition-voltage"},
    "coil-pack": {"ignition-voltage"},
    "distributor-coil": {"ignition-voltage"},
    "boot": {"ignition-voltage"},
    "lead": {"ignition-voltage"},
    "plug": {"ignition-voltage", "hot"},
    "injector": {"fuel-pressure", "ventilation", "fuel-disposal"},
    "injector-direct": {"direct-fuel", "fuel-pressure", "ventilation", "fuel-disposal"},
    "throttle-injector": {"fuel-pressure", "ventilation", "fuel-disposal"},
    "fuel-pressure": {"fuel-pressure", "ventilation", "fuel-disposal"},
    "rail-pressure": {"direct-fuel"},
    "fuel-quality": {"fuel-pressure", "fuel-disposal", "ventilation"},
    "exhaust": {"hot", "lifting"},
    "sealing": {"coolant", "lifting"},
    "head-gasket": {"coolant", "lifting"},
    "cam-timing": {"lifting"},
}


@pytest.mark.parametrize(("words", "needed"), RISKS)
def test_no_step_lacks_the_cautions_that_its_words_call_for(
    pack: Pack, words: str, needed: set[str]
) -> None:
    found = 0
    for test in pack.tests.values():
        text = " ".join((*test.steps, *test.before)).lower()
        if re.search(words, text):
            found += 1
            assert needed <= set(test.cautions), (test.id, re.search(words, text))
    assert found, f"nothing says {words}"


def test_tools_access_and_kinds_bring_their_cautions(pack: Pack) -> None:
    for test in pack.tests.values():
        for tool in test.tools:
            assert BY_TOOL.get(tool, set()) <= set(test.cautions), (test.id, tool)
        needed = OF_KIND.get(test.target, set())
        needed &= {"direct-fuel", "ignition-voltage", "fuel-pressure"}
        assert needed <= set(test.cautions), test.id
    for name, needed in BY_ACCESS.items():
        assert needed <= set(pack.access[name].cautions), name
    for name, needed in OF_KIND.items():
        assert needed <= set(pack.kinds[name].cautions), name


def test_cranking_is_never_asked_for_with_fuel_and_spark_both_live(pack: Pack) -> None:
    for test in pack.tests.values():
        if "cranking" in test.cautions:
            off = {"disable-fuel", "disable-ignition"} & set(test.cautions)
            assert off
            if test.access == "plugs-out":
                assert len(off) == 2, test.id


def test_direct_injection_never_goes_without_its_own_caution(pack: Pack) -> None:
    """Tests made only where injection is direct, at the injectors, their rail or the pump."""
    for test in pack.tests.values():
        if test.fitted.get("fuel") == ("direct",):
            assert "direct-fuel" in test.cautions, test.id


def test_the_makers_procedure_comes_first_everywhere(pack: Pack) -> None:
    for thing in (*pack.tests.values(), *pack.kinds.values()):
        assert thing.cautions[0] == "maker-first", thing.id
    assert pack.running.cautions[0] == "maker-first"
    assert {"catalyst", "driving"} <= set(pack.running.cautions)
    assert "local codes" in pack.cautions["maker-first"].text


def test_every_caution_and_tool_is_used(pack: Pack) -> None:
    users = (*pack.tests.values(), *pack.kinds.values(), *pack.access.values(), pack.running)
    assert {name for user in users for name in user.cautions} == set(pack.cautions)
    used = {tool for test in pack.tests.values() for tool in test.tools}
    assert used == set(pack.tools)


AT_INTAKE = {
    "freeze-frame": {
        "load": {"cold-pulling", "warm-pulling"},
        "cold": {"cold-light", "cold-pulling"},
        "hot": {"warm-light", "warm-pulling"},
        "idle": {"cold-light", "warm-light"},
    },
    "driver-when": {
        "load": {"load"}, "cold": {"cold"}, "hot": {"hot"}, "idle": {"idle"}, "wet": {"wet"},
    },
}  # fmt: skip
"""Answers that a condition makes likelier."""


@pytest.mark.parametrize("name", AT_INTAKE)
def test_answers_about_conditions_follow_the_rates_of_the_modes(pack: Pack, name: str) -> None:
    """The one condition that raises a mode's rate most makes the answers that name it likelier."""
    test = pack.tests[name]

    def share(profile: str, tag: str) -> float:
        answers = test.chances[profile]
        return sum(answers.get(answer, 0) for answer in AT_INTAKE[name][tag])

    shown = {(sight.kind, sight.mode): sight.profile for sight in test.sees}
    checked = 0
    for kind in pack.kinds.values():
        for mode, known in kind.modes.items():
            most = max(known.when.values(), default=1)
            tags = [tag for tag, factor in known.when.items() if factor == most >= 2]
            if len(tags) == 1 and tags[0] in AT_INTAKE[name]:
                profile = shown.get((kind.id, mode)) or shown[kind.id, ANY]
                assert share(profile, tags[0]) > 1.1 * share(GOOD, tags[0]), (kind.id, mode)
                checked += 1
    assert checked > 40


def texts(test: PackTest) -> str:
    return " ".join([test.title, *test.before, *test.steps, test.record])


def test_no_gauge_is_led_to_the_high_pressure_side(engines: list[Engine]) -> None:
    """Hundreds of bar stand at the rail of a direct injection (the caution `direct-fuel`)."""
    opened = 0
    for engine in engines:
        if engine.fitment["fuel"] != "direct":
            continue
        for test in engine.tests.values():
            if not {"fuel-gauge", "measuring-can"} & set(test.tools):
                continue
            opened += 1
            assert "ahead of the high-pressure pump" in texts(test), test.id
            assert "gauge at the rail" not in texts(test), test.id
            assert "direct-fuel" in test.cautions, test.id
    assert opened


def test_work_on_injectors_that_a_direct_engine_shares_warns_of_its_pressure(
    engines: list[Engine],
) -> None:
    for engine in engines:
        if engine.fitment["fuel"] == "direct":
            for test in engine.tests.values():
                if test.id.startswith("injector-"):
                    assert "direct-fuel" in test.cautions, test.id


def test_no_step_compares_with_a_neighbour_that_is_not_there(engines: list[Engine]) -> None:
    for engine in engines:
        for test in engine.tests.values():
            if len(engine.target_places(test.target)) == 1:
                assert "with a neighbour" not in texts(test), test.id
                assert "with its neighbours" not in texts(test), test.id
