"""What a pack must be beyond having the right shape: chances add up, names exist."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping

from swapinfer.bus.services import QUANTITIES
from swapinfer.bus.watch import WATCHED
from swapinfer.errors import near_match
from swapinfer.layout import PATTERNS
from swapinfer.pack.model import (
    ANY,
    GOOD,
    OTHERWISE,
    OVER_LIMIT,
    Access,
    Curve,
    Fix,
    Kind,
    Mode,
    Pack,
    Test,
)
from swapinfer.pack.tables import MisfitError, Table, under
from swapinfer.units import UNITS

WHOLE_TARGETS = ("cylinder", "bank", "engine")
FORMS = ("reading", "inspection")
SCALES = ("linear", "log")
FORESIGHT = 3.0
"""Above it plans that cost more would be said to cost less."""

FORMULAS = ("polytropic", "fixed")
ROLES = ("misfire", "random", "fault")
CODE_PATTERNS = ("cylinder", "pair", "bank", "engine")
SHORT = 30
"""Letters of a caution's short name, at most: several must fit on a line."""

GRADES = ("published", "common", "memory", "chosen", "learned")

_NAME = re.compile(r"[a-z0-9_*-]+")
_SHOWN = ("profile", "band")
"""Tables whose keys are what a test shows, called as its author likes."""

_SUM_TOLERANCE = 1e-9


def check_names(table: Table) -> None:
    """Refuse keys that no one can type at the shell."""
    for key, value in table.items():
        with under(key):
            _require(_NAME.fullmatch(key), "is no name: lower-case letters, digits and hyphens")
            if isinstance(value, dict) and key not in _SHOWN:
                check_names(value)


def check_pack(pack: Pack) -> None:
    """Refuse a pack that contradicts itself."""
    for layout in pack.layouts.values():
        with under("layout", layout.id):
            is_whole = layout.banks and all(layout.banks)
            _require(is_whole, "must hold at least one cylinder each", "banks")
            degrees = layout.degrees
            _require(degrees >= 0, f"must not be negative, got {degrees}", "degrees")
    for caution in pack.cautions.values():
        with under("caution", caution.id):
            _require(caution.short, 'needs a key "short"')
            is_short = len(caution.short) <= SHORT
            _require(is_short, f"must be a name of at most {SHORT} letters", "short")
    with under("running"):
        _check_running(pack)
    with under("costs"):
        _check_costs(pack)
    for access in pack.access.values():
        with under("access", access.id):
            _check_access(pack, access)
    for kind in pack.kinds.values():
        with under("element", kind.id):
            _check_kind(pack, kind)
    for test in pack.tests.values():
        with under("test", test.id):
            _check_test(pack, test)
    for code in pack.codes.values():
        with under("code", code.id):
            _known(code.role, ROLES, "role of a code", "role")
            _known(code.pattern, CODE_PATTERNS, "way of numbering codes", "pattern")
            _known_modes(pack, "sets", [(name, mode) for name, mode, _ in code.sets], besides=ANY)
    least = [one.least for one in pack.classes.values()]
    falls = least == sorted(least, reverse=True) and (not least or least[-1] == 0)
    _require(falls, "must fall from class to class, the last is 0", "class", "least")
    for number, (what, name) in enumerate(pack.custom.order):
        tables: dict[str, Iterable[str]] = {"swap": pack.kinds, "test": pack.tests}
        with under("custom", "order", str(number)):
            _known(what, tables, "sort of step")
            _known(name, tables[what], what)
    if pack.monitor:
        with under("monitor", "rpm"):
            _all_known(pack.monitor.rpm, [*pack.running.conditions, OTHERWISE], "condition")
            _require(OTHERWISE in pack.monitor.rpm, f'needs a speed "{OTHERWISE}"')
    _check_sources(pack)


def _require(is_so: object, wanted: str, *path: str) -> None:
    if not is_so:
        raise MisfitError(wanted, path)


def _known(word: str, known: Iterable[str], what: str, *path: str) -> None:
    known = list(known)
    if word not in known:
        raise MisfitError(f'no {what} "{word}"{near_match(word, known)}', path)


def _all_known(words: Collection[str], known: Iterable[str], what: str, *path: str) -> None:
    known = list(known)
    for word in words:
        _known(word, known, what, *path)


def _sum_to_one(chances: Mapping[str, float], what: str, *path: str) -> None:
    total = math.fsum(chances.values())
    is_one = abs(total - 1) <= _SUM_TOLERANCE
    _require(is_one, f"{what} must add up to 1, got {total:.6g}", *path)


def _check_running(pack: Pack) -> None:
    _all_known(pack.running.cautions, pack.cautions, "caution", "cautions")
    stated = [QUANTITIES[number].name for number in WATCHED]
    _all_known(pack.running.signs, pack.running.conditions, "condition", "signs")
    for tag, sign in pack.running.signs.items():
        with under("signs", tag, "between"):
            _all_known(sign.between, stated, "quantity of the bus")
            for name, (low, high) in sign.between.items():
                _require(low <= high, f"must rise, got [{low:g}, {high:g}]", name)
    back = math.fsum(chance for _, chance in pack.running.comes_back)
    _require(back <= 1, f"chances add up to {back:.6g}, more than 1", "comes_back")


def _check_costs(pack: Pack) -> None:
    costs, conditions = pack.costs, pack.running.conditions
    _require(costs.drive_minutes, "must name at least one length", "drive_minutes")
    _require(costs.drive_conditions, "must name at least one choice", "drive_conditions")
    is_sane = 0.0 <= costs.foresight <= FORESIGHT
    _require(is_sane, f"must lie between 0 and {FORESIGHT:g}", "foresight")
    for tags in costs.drive_conditions:
        _all_known(tags, conditions, "condition", "drive_conditions")
    _all_known(costs.condition_price, conditions, "condition", "condition_price")
    _all_known(costs.condition_minutes, conditions, "condition", "condition_minutes")


def _check_access(pack: Pack, access: Access) -> None:
    _all_known(access.cautions, pack.cautions, "caution", "cautions")
    open_, left = {access.id}, list(access.needs)
    while left:
        need = left.pop()
        _known(need, pack.access, "access", "needs")
        _require(need != access.id, f'"{access.id}" needs itself to be off first', "needs")
        if need not in open_:
            open_.add(need)
            left.extend(pack.access[need].needs)


def _check_kind(pack: Pack, kind: Kind) -> None:
    wanted = "a kind's name must not end in a digit: a place's number follows it"
    _require(not kind.id[-1].isdigit(), wanted)
    _known(kind.pattern, PATTERNS, "way of sharing cylinders", "pattern")
    _check_reach(pack, kind)
    _known_modes(pack, "handling", [(one.kind, one.mode) for one in kind.handling], besides="")
    _all_known(kind.cautions, pack.cautions, "caution", "cautions")
    _check_fix(pack, kind.fix)
    _require(kind.modes, "needs at least one mode of failing")
    wanted = "belongs to the element, not to its own fix"
    _require(kind.fix.access is None, wanted, "fix", "access")
    for mode in kind.modes.values():
        with under("mode", mode.id):
            _check_mode(pack, mode)


def _check_mode(pack: Pack, mode: Mode) -> None:
    _all_known(mode.severity, pack.severities, "severity", "severity")
    _sum_to_one(mode.severity, "shares of the severities", "severity")
    if mode.fix is not None:
        _check_fix(pack, mode.fix)
    _all_known(mode.when, pack.running.conditions, "condition", "when")


def _check_fix(pack: Pack, fix: Fix) -> None:
    got = ", ".join(f"{price:g}" for price in fix.price)
    rises = list(fix.price) == sorted(fix.price)
    _require(rises, f"must rise from low to typical to high, got [{got}]", "fix", "price")
    if fix.access:
        _known(fix.access, pack.access, "access", "fix", "access")


def _check_reach(pack: Pack, thing: Kind | Test) -> None:
    for axis, values in thing.fitted.items():
        with under("fitted", axis):
            _known(axis, pack.fitments, "fitment")
            _all_known(values, pack.fitments[axis], axis)
    if thing.access:
        _known(thing.access, pack.access, "access", "access")


def _known_modes(pack: Pack, key: str, pairs: list[tuple[str, str]], *, besides: str) -> None:
    """Refuse kinds, and modes of theirs, that are not there; one word stands for none or any."""
    for kind, mode in pairs:
        with under(key, kind):
            _known(kind, pack.kinds, "element")
            if mode != besides:
                _known(mode, pack.kinds[kind].modes, "mode", mode)


def _check_test(pack: Pack, test: Test) -> None:
    _known(test.form, FORMS, "form of test", "form")
    _known(test.target, (*WHOLE_TARGETS, *pack.kinds), "target", "target")
    _check_reach(pack, test)
    _known_modes(pack, "disturbs", [(one.kind, one.mode) for one in test.disturbs], besides="")
    _all_known(test.cautions, pack.cautions, "caution", "cautions")
    _all_known(test.tools, pack.tools, "tool", "tools")
    _all_known(test.miss, pack.severities, "severity", "miss")
    _all_known(pack.severities, test.miss, "chance of being missed for severity", "miss")
    wanted = "must be above 0: a repeated test may show something else"
    _require(test.fresh > 0, wanted, "fresh")
    _known(GOOD, test.profiles, "profile", "profile")
    if test.form == "reading":
        _check_reading(test)
    else:
        _check_inspection(test)
    _check_sees(pack, test)
    _check_weights(pack, test)
    if test.remembers:
        _known(test.remembers, pack.kinds, "element", "remembers")
        is_fit = test.target == "cylinder"
        _require(is_fit, "is for a test made on a cylinder", "remembers")


def _check_sees(pack: Pack, test: Test) -> None:
    _known_modes(pack, "sees", [(one.kind, one.mode) for one in test.sees], besides=ANY)
    for one in test.sees:
        with under("sees", one.kind):
            _known(one.profile, test.profiles, "profile", one.mode)
            only = f'is made on "{test.target}" alone, so it cannot see "{one.kind}"'
            _require(test.target not in pack.kinds or one.kind == test.target, only)
    for name in sorted(set(test.profiles) - {one.profile for one in test.sees} - {GOOD}):
        raise MisfitError(f'nothing shows profile "{name}"', ("profile", name))


def _check_weights(pack: Pack, test: Test) -> None:
    seen = {one.kind for one in test.sees}
    results = [*test.outcomes, *(band.id for band in test.bands)]
    with under("weight"):
        if test.weights:
            _all_known(results, test.weights, "weight of")
        for result, weight in test.weights.items():
            _known(result, results, "outcome or band")
            _known(weight.grade, pack.classes, "class", result, "class")
            _all_known(weight.of, seen, "element that it sees", result, "of")


def _check_reading(test: Test) -> None:
    _known(test.unit, UNITS, "unit", "unit")
    _known(test.scale, SCALES, "scale", "scale")
    for name in test.chances:
        raise MisfitError("a reading's profile needs lobes", ("profile", name))
    low, high = test.range
    is_range = low < high < math.inf and (test.scale != "log" or low > 0)
    wanted = "must be a lower and a higher reading"
    _require(is_range, f"{wanted} (above 0 on a log scale)", "range")
    for key in ("possible", "reference_range"):
        least, most = getattr(test, key) or (0.0, 1.0)
        _require(least < most < math.inf, wanted, key)
    if test.possible and not test.reference:
        holds_all = test.possible[0] <= low and high <= test.possible[1]
        _require(holds_all, "must hold the whole plausible range", "possible")
    if test.level:
        _known(test.level.formula, FORMULAS, "formula", "level", "formula")
    _all_known(test.slip, (*test.profiles, OVER_LIMIT), "profile", "slip")
    _all_known(test.alike, (OVER_LIMIT,) if test.level else (), "common reading", "alike")
    edges = [band.below for band in test.bands]
    rises = edges == sorted(set(edges)) and edges[-1:] == [math.inf]
    _require(rises, "must rise, and the last must be inf", "band")
    for name, curve in test.curves.items():
        with under("profile", name):
            _check_curve(test, curve)
    is_fit = not test.wanted or test.nominal > 0
    _require(is_fit, "is for a test whose good readings lie above 0", "wanted")


def _check_curve(test: Test, curve: Curve) -> None:
    weights = {str(place): lobe[0] for place, lobe in enumerate(curve.lobes)}
    _sum_to_one(weights | {"OL": curve.over_limit}, "weights of lobes and over_limit")
    is_positive = min(curve.over_limit, *weights.values(), 0) >= 0
    _require(is_positive, "weights must not be negative", "lobes")
    wanted = "a lobe is [weight, centre, sd] with sd above 0, and centre too on a log scale"
    for _, centre, sd in curve.lobes:
        is_lobe = 0 < sd < math.inf and centre < math.inf and (test.scale != "log" or centre > 0)
        _require(is_lobe, wanted, "lobes")


def _check_inspection(test: Test) -> None:
    _require(test.outcomes, "an inspection needs a table of outcomes", "outcome")
    _all_known(test.slip, test.outcomes, "outcome", "slip")
    _all_known(test.alike, test.outcomes, "outcome", "alike")
    for key in ("coincidence", "repeatability", "level"):
        _require(not getattr(test, key), "is for readings", key)
    for name in test.curves:
        wanted = "an inspection's profile is a table of outcome and chance"
        raise MisfitError(wanted, ("profile", name))
    for name, chances in test.chances.items():
        with under("profile", name):
            _all_known(chances, test.outcomes, "outcome")
            _sum_to_one(chances, "chances of the outcomes")
            _require(min(chances.values()) >= 0, "chances must not be negative")


def _check_sources(pack: Pack) -> None:
    for source in pack.sources.values():
        _known(source.grade, GRADES, "grade of source", "source", source.id, "grade")
    for place, name in pack.provenance.items():
        with under(*place.split(".")):
            _require(name, 'has no source; say from = "..." in its table or above')
            _known(name, pack.sources, "source")
