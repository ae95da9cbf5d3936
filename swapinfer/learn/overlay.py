"""What was learned, as an overlay that the next job's pack is made with."""

from __future__ import annotations

import json

from swapinfer.learn.history import Learned, LearnedChance
from swapinfer.learn.lives import LearnedLives
from swapinfer.learn.rates import LearnedRates
from swapinfer.learn.sampling import Fit

SOURCE, LIVES_SOURCE, RATES_SOURCE = "learned", "learned-lives", "learned-rates"
"""Names of an overlay and of the one source of all its numbers."""


def history_overlay(learned: Learned) -> str:
    """Write what a history says as TOML."""
    name = f"{SOURCE}-{learned.family}" if learned.family else SOURCE
    version = _version(learned.counts.rows.digest, learned.fits["causes"])
    lines = _head("closed jobs", name, version, SOURCE, learned.provenance)
    for one in learned.causes:
        lines += _ratio(one.cause, f"{one.confirmed} confirmed cases", one.median, one.spread)
    open_test = ""
    for unit in learned.chances:
        if unit.test != open_test:  # TOML allows a table's header only once
            lines += ["", f"[test.{unit.test}.profile]  # {unit.findings:.1f} effective findings"]
            open_test = unit.test
        pairs = ", ".join(f"{name} = {chance:.5f}" for name, chance in _rounded(unit).items())
        lines.append(f"{unit.profile} = {{ {pairs} }}")
    return "\n".join(lines) + "\n"


def rates_overlay(learned: LearnedRates) -> str:
    """Write hazard ratios, and nothing else, as TOML."""
    name = f"{RATES_SOURCE}-{learned.family}" if learned.family else RATES_SOURCE
    version = learned.rates.digest[:8]
    lines = _head("how often elements failed", name, version, RATES_SOURCE, learned.provenance)
    for one in learned.modes:
        behind = f"{one.events} failures, {one.expected:.3g} expected"
        lines += _ratio(one.cause, behind, one.median, one.spread)
    return "\n".join(lines) + "\n"


def _ratio(cause: str, behind: str, median: float, spread: float) -> list[str]:
    """State a hazard ratio.

    The mode's spread of life is set to 1: what was uncertain about it is in the ratio's spread now,
    and would count twice otherwise.
    """
    kind, mode = cause.split(".")
    return [
        "",
        f"[element.{kind}.mode.{mode}]  # {behind}",
        "life_km = { spread = 1 }",
        f"hazard_ratio = {{ median = {median:.4g}, spread = {max(spread, 1.0):.4g} }}",
    ]


def lives_overlay(learned: LearnedLives) -> str:
    """Write life and shape of each mode, and nothing else, as TOML."""
    version = _version(learned.exposure.digest, learned.fitted)
    name = f"{LIVES_SOURCE}-{learned.family}" if learned.family else LIVES_SOURCE
    lines = _head("a fleet's exposure", name, version, LIVES_SOURCE, learned.provenance)
    for one in learned.modes:
        kind, mode = one.cause.split(".")
        spread = max(one.spread, 1.0)
        lines += [
            "",
            f"[element.{kind}.mode.{mode}]  # {one.failures} failures",
            f"life_km = {{ median = {one.median:.5g}, spread = {spread:.4g} }}",
            f"shape = {one.shape[1]:.4g}",
        ]
    return "\n".join(lines) + "\n"


def _version(digest: str, fitted: Fit) -> str:
    return f"{digest[:8]}-{fitted.sampling.seed}"


def _head(origin: str, name: str, version: str, source: str, text: str) -> list[str]:
    """First lines of an overlay: its name and the one source of all its numbers."""
    return [
        f"# Written from {origin}; an overlay on the base pack.",
        "format = 1",
        f'name = "{name}"',
        f'version = "{version}"',
        f'from = "{source}"',
        "",
        f"[source.{source}]",
        'grade = "learned"',
        f"text = {json.dumps(text)}",
    ]


def _rounded(unit: LearnedChance) -> dict[str, float]:
    """Chances rounded to five digits such that they add up to exactly 1."""
    rounded = [round(mean / sum(unit.mean), 5) for mean in unit.mean]
    most = rounded.index(max(rounded))
    rounded[most] = round(rounded[most] + 1.0 - sum(rounded), 5)
    return dict(zip(unit.outcomes, rounded, strict=True))
