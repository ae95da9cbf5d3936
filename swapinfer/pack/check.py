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
    Code,
    Curve,
    Fix,
    Handling,
    Kind,
    Mode,
    Pack,
    Test,
)
from swapinfer.pack.tables import MisfitError, Table
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


def check_names(table: Table, path: tuple[str, ...] = ()) -> None:
    """Refuse keys that no one can type at the shell.

    Parameters
    ----------
    table : dict
        A pack's tables.
    path : tuple of str
        Keys that lead to `table`.

    Raises
    ------
    MisfitError
        At the first of them.
    """
    for key, value in table.items():
        at = (*path, key)
        if not _NAME.fullmatch(key):
            raise MisfitError("is no name: lower-case letters, digits and hyphens", at)
        if isinstance(value, dict) and key not in _SHOWN:
            check_names(value, at)


def check_pack(pack: Pack) -> None:
    """Refuse a pack that contradicts itself.

    Parameters
    ----------
    pack : Pack
        As decoded.

    Raises
    ------
    MisfitError
        At the first contradiction, with the keys that lead to it.
    """
    for layout in pack.layouts.values():
        if not all(layout.banks) or not layout.banks:
            where = ("layout", layout.id, "banks")
            raise MisfitError("must hold at least one cylinder each", where)
        if layout.degrees < 0:
            where = ("layout", layout.id, "degrees")
            raise MisfitError(f"must not be negative, got {layout.degrees}", where)
    _check_cautions(pack)
    _all_known(pack.running.cautions, pack.cautions, "caution", "running", "cautions")
    _check_signs(pack)
    _check_costs(pack)
    for access in pack.access.values():
        _check_access(pack, access)
    for kind in pack.kinds.values():
        _check_kind(pack, kind)
    for test in pack.tests.values():
        _check_test(pack, test)
    for code in pack.codes.values():
        _check_code(pack, code)
    least = [one.least for one in pack.classes.values()]
    if least != sorted(least, reverse=True) or (least and least[-1] != 0):
        raise MisfitError("must fall from class to class, the last is 0", ("class", "least"))
    for number, (what, name) in enumerate(pack.custom.order):
        tables: dict[str, Iterable[str]] = {"swap": pack.kinds, "test": pack.tests}
        _known(what, tables, "sort of step", "custom", "order", str(number))
        _known(name, tables[what], what, "custom", "order", str(number))
    _check_monitor(pack)
    _check_sources(pack)


def _check_signs(pack: Pack) -> None:
    path = ("running", "signs")
    stated = [QUANTITIES[number].name for number in WATCHED]
    _all_known(pack.running.signs, pack.running.conditions, "condition", *path)
    for tag, sign in pack.running.signs.items():
        _all_known(sign.between, stated, "quantity of the bus", *path, tag, "between")
        for name, (low, high) in sign.between.items():
            if low > high:
                where = (*path, tag, "between", name)
                raise MisfitError(f"must rise, got [{low:g}, {high:g}]", where)


def _check_monitor(pack: Pack) -> None:
    speeds = pack.monitor.rpm if pack.monitor else {OTHERWISE: 0.0}
    known = [*pack.running.conditions, OTHERWISE]
    _all_known(speeds, known, "condition", "monitor", "rpm")
    if OTHERWISE not in speeds:
        raise MisfitError(f'needs a speed "{OTHERWISE}"', ("monitor", "rpm"))


def _check_cautions(pack: Pack) -> None:
    for caution in pack.cautions.values():
        if not caution.short:
            raise MisfitError('needs a key "short"', ("caution", caution.id))
        if len(caution.short) > SHORT:
            where = ("caution", caution.id, "short")
            raise MisfitError(f"must be a name of at most {SHORT} letters", where)


def _known(word: str, known: Iterable[str], what: str, *path: str) -> None:
    known = list(known)
    if word not in known:
        raise MisfitError(f'no {what} "{word}"{near_match(word, known)}', path)


def _sum_to_one(chances: Mapping[str, float], what: str, *path: str) -> None:
    total = math.fsum(chances.values())
    if abs(total - 1) > _SUM_TOLERANCE:
        raise MisfitError(f"{what} must add up to 1, got {total:.6g}", path)


def _check_access(pack: Pack, access: Access) -> None:
    path = ("access", access.id)
    _all_known(access.cautions, pack.cautions, "caution", *path, "cautions")
    open_, left = {access.id}, list(access.needs)
    while left:
        need = left.pop()
        _known(need, pack.access, "access", *path, "needs")
        if need == access.id:
            raise MisfitError(f'"{access.id}" needs itself to be off first', (*path, "needs"))
        if need not in open_:
            open_.add(need)
            left.extend(pack.access[need].needs)


def _check_costs(pack: Pack) -> None:
    if not pack.costs.drive_minutes:
        raise MisfitError("must name at least one length", ("costs", "drive_minutes"))
    if not pack.costs.drive_conditions:
        raise MisfitError("must name at least one choice", ("costs", "drive_conditions"))
    if not 0.0 <= pack.costs.foresight <= FORESIGHT:
        raise MisfitError(f"must lie between 0 and {FORESIGHT:g}", ("costs", "foresight"))
    for tags in pack.costs.drive_conditions:
        _all_known(tags, pack.running.conditions, "condition", "costs", "drive_conditions")
    for name in ("condition_price", "condition_minutes"):
        _all_known(getattr(pack.costs, name), pack.running.conditions, "condition", "costs", name)


def _all_known(words: Collection[str], known: Iterable[str], what: str, *path: str) -> None:
    known = list(known)
    for word in words:
        _known(word, known, what, *path)


def _check_kind(pack: Pack, kind: Kind) -> None:
    path = ("element", kind.id)
    if kind.id[-1].isdigit():
        raise MisfitError(
            "a kind's name must not end in a digit: a place's number follows it", path
        )
    _known(kind.pattern, PATTERNS, "way of sharing cylinders", *path, "pattern")
    _check_reach(pack, kind.fitted, kind.access, *path)
    _check_handling(pack, kind.handling, *path, "handling")
    _all_known(kind.cautions, pack.cautions, "caution", *path, "cautions")
    _check_price(kind.fix, *path, "fix", "price")
    if not kind.modes:
        raise MisfitError("needs at least one mode of failing", path)
    if kind.fix.access is not None:
        raise MisfitError("belongs to the element, not to its own fix", (*path, "fix", "access"))
    for mode in kind.modes.values():
        _check_mode(pack, mode, *path, "mode", mode.id)


def _check_mode(pack: Pack, mode: Mode, *path: str) -> None:
    _all_known(mode.severity, pack.severities, "severity", *path, "severity")
    _sum_to_one(mode.severity, "shares of the severities", *path, "severity")
    if mode.fix is not None:
        _check_price(mode.fix, *path, "fix", "price")
    _all_known(mode.when, pack.running.conditions, "condition", *path, "when")
    if mode.fix is not None and mode.fix.access:
        _known(mode.fix.access, pack.access, "access", *path, "fix", "access")


def _check_price(fix: Fix, *path: str) -> None:
    if list(fix.price) != sorted(fix.price):
        got = ", ".join(f"{price:g}" for price in fix.price)
        raise MisfitError(f"must rise from low to typical to high, got [{got}]", path)


def _check_reach(
    pack: Pack, fitted: Mapping[str, tuple[str, ...]], access: str, *path: str
) -> None:
    for axis, values in fitted.items():
        _known(axis, pack.fitments, "fitment", *path, "fitted", axis)
        _all_known(values, pack.fitments[axis], axis, *path, "fitted", axis)
    if access:
        _known(access, pack.access, "access", *path, "access")


def _check_handling(pack: Pack, handlings: tuple[Handling, ...], *path: str) -> None:
    for item in handlings:
        _known(item.kind, pack.kinds, "element", *path, item.kind)
        if item.mode:
            _known(item.mode, pack.kinds[item.kind].modes, "mode", *path, item.kind, item.mode)


def _check_test(pack: Pack, test: Test) -> None:
    path = ("test", test.id)
    _known(test.form, FORMS, "form of test", *path, "form")
    _known(test.target, (*WHOLE_TARGETS, *pack.kinds), "target", *path, "target")
    _check_reach(pack, test.fitted, test.access, *path)
    _check_handling(pack, test.disturbs, *path, "disturbs")
    _all_known(test.cautions, pack.cautions, "caution", *path, "cautions")
    _all_known(test.tools, pack.tools, "tool", *path, "tools")
    _all_known(test.miss, pack.severities, "severity", *path, "miss")
    _all_known(pack.severities, test.miss, "chance of being missed for severity", *path, "miss")
    if not test.fresh:
        where = (*path, "fresh")
        raise MisfitError("must be above 0: a repeated test may show something else", where)
    _known(GOOD, test.profiles, "profile", *path, "profile")
    if test.form == "reading":
        _check_reading(test, *path)
    else:
        _check_inspection(test, *path)
    _check_sees(pack, test, *path, "sees")
    _check_weights(pack, test, *path, "weight")
    if test.remembers:
        _known(test.remembers, pack.kinds, "element", *path, "remembers")
        if test.target != "cylinder":
            raise MisfitError("is for a test made on a cylinder", (*path, "remembers"))


def _check_sees(pack: Pack, test: Test, *path: str) -> None:
    for sight in test.sees:
        _known(sight.kind, pack.kinds, "element", *path, sight.kind)
        if sight.mode != ANY:
            modes = pack.kinds[sight.kind].modes
            _known(sight.mode, modes, "mode", *path, sight.kind, sight.mode)
        _known(sight.profile, test.profiles, "profile", *path, sight.kind, sight.mode)
        if test.target in pack.kinds and sight.kind != test.target:
            raise MisfitError(
                f'is made on "{test.target}" alone, so it cannot see "{sight.kind}"',
                (*path, sight.kind),
            )
    unused = set(test.profiles) - {sight.profile for sight in test.sees} - {GOOD}
    if unused:
        name = min(unused)
        raise MisfitError(f'nothing shows profile "{name}"', (*path[:-1], "profile", name))


def _check_weights(pack: Pack, test: Test, *path: str) -> None:
    seen = {sight.kind for sight in test.sees}
    results = [*test.outcomes, *(band.id for band in test.bands)]
    if test.weights:
        _all_known(results, test.weights, "weight of", *path)
    for result, weight in test.weights.items():
        _known(result, results, "outcome or band", *path)
        _known(weight.grade, pack.classes, "class", *path, result, "class")
        _all_known(weight.of, seen, "element that it sees", *path, result, "of")


def _check_reading(test: Test, *path: str) -> None:
    _known(test.unit, UNITS, "unit", *path, "unit")
    _known(test.scale, SCALES, "scale", *path, "scale")
    for name in test.chances:
        raise MisfitError("a reading's profile needs lobes", (*path, "profile", name))
    low, high = test.range
    if not low < high < math.inf or (test.scale == "log" and low <= 0):
        raise MisfitError(
            "must be a lower and a higher reading (above 0 on a log scale)", (*path, "range")
        )
    _check_limits(test, *path)
    if test.level:
        _known(test.level.formula, FORMULAS, "formula", *path, "level", "formula")
    _all_known(test.slip, (*test.profiles, OVER_LIMIT), "profile", *path, "slip")
    _all_known(test.alike, (OVER_LIMIT,) if test.level else (), "common reading", *path, "alike")
    edges = [band.below for band in test.bands]
    if not edges or edges != sorted(set(edges)) or edges[-1] != math.inf:
        raise MisfitError("must rise, and the last must be inf", (*path, "band"))
    for name, curve in test.curves.items():
        _check_curve(test, curve, *path, "profile", name)
    if test.wanted and test.nominal <= 0:
        raise MisfitError("is for a test whose good readings lie above 0", (*path, "wanted"))


def _check_limits(test: Test, *path: str) -> None:
    for key in ("possible", "reference_range"):
        low, high = getattr(test, key) or (0.0, 1.0)
        if not low < high < math.inf:
            raise MisfitError("must be a lower and a higher reading", (*path, key))
    if test.possible and not test.reference:
        low, high = test.possible
        if low > test.range[0] or high < test.range[1]:
            raise MisfitError("must hold the whole plausible range", (*path, "possible"))


def _check_curve(test: Test, curve: Curve, *path: str) -> None:
    weights = {str(place): lobe[0] for place, lobe in enumerate(curve.lobes)}
    _sum_to_one(weights | {"OL": curve.over_limit}, "weights of lobes and over_limit", *path)
    if min(curve.over_limit, *weights.values(), 0) < 0:
        raise MisfitError("weights must not be negative", (*path, "lobes"))
    for _, centre, sd in curve.lobes:
        if not 0 < sd < math.inf or centre == math.inf or (test.scale == "log" and centre <= 0):
            raise MisfitError(
                "a lobe is [weight, centre, sd] with sd above 0, and centre too on a log scale",
                (*path, "lobes"),
            )


def _check_inspection(test: Test, *path: str) -> None:
    if not test.outcomes:
        raise MisfitError("an inspection needs a table of outcomes", (*path, "outcome"))
    for key, spread in (("slip", test.slip), ("alike", test.alike)):
        _all_known(spread, test.outcomes, "outcome", *path, key)
    for key in ("coincidence", "repeatability", "level"):
        if getattr(test, key):
            raise MisfitError("is for readings", (*path, key))
    for name in test.curves:
        wanted = "an inspection's profile is a table of outcome and chance"
        raise MisfitError(wanted, (*path, "profile", name))
    for name, chances in test.chances.items():
        at = (*path, "profile", name)
        _all_known(chances, test.outcomes, "outcome", *at)
        _sum_to_one(chances, "chances of the outcomes", *at)
        if min(chances.values()) < 0:
            raise MisfitError("chances must not be negative", at)


def _check_code(pack: Pack, code: Code) -> None:
    path = ("code", code.id)
    _known(code.role, ROLES, "role of a code", *path, "role")
    _known(code.pattern, CODE_PATTERNS, "way of numbering codes", *path, "pattern")
    for kind, mode, _ in code.sets:
        _known(kind, pack.kinds, "element", *path, "sets", kind)
        if mode != ANY:
            _known(mode, pack.kinds[kind].modes, "mode", *path, "sets", kind, mode)


def _check_sources(pack: Pack) -> None:
    for source in pack.sources.values():
        _known(source.grade, GRADES, "grade of source", "source", source.id, "grade")
    for place, name in pack.provenance.items():
        keys = place.split(".")
        if not name:
            raise MisfitError('has no source; say from = "..." in its table or above', tuple(keys))
        _known(name, pack.sources, "source", *keys)
