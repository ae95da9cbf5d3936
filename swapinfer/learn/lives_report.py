"""Lives that a fleet taught, for a foreman to read."""

from __future__ import annotations

from html import escape

import numpy as np

from swapinfer.learn import compat, pictures
from swapinfer.learn.fleet import LivesResult
from swapinfer.learn.report import page, refused_table, table
from swapinfer.pack.model import Pack

Between = tuple[float, float, float]


def lives_html(result: LivesResult, pack: Pack) -> str:
    """Write the report.

    Parameters
    ----------
    result : LivesResult
        What was learned.
    pack : Pack
        For the titles of its modes.

    Returns
    -------
    str
        One HTML page that stands alone; the same input gives the same text.
    """
    exposure = result.exposure
    names = [_title(one.cause, pack) for one in result.lives]
    body = [
        (
            f"<p>{exposure.used:,} rows were used, {exposure.refused.total():,} refused; "
            f"{exposure.lives.failures_mf.sum():,.0f} elements failed while they were watched.</p>"
        ),
        pictures.lives(
            names, [one.base_life for one in result.lives], [one.life for one in result.lives]
        ),
        (
            "<p>Ring: the base pack. Dot: learned. Lines hold 90 %. A life is the distance by "
            "which 63 % have failed in this mode if nothing else ends them; where it lies far "
            "beyond what was driven it is the base pack's as much as the fleet's.</p>"
        ),
        _lives_table(result, names),
        (
            "<p>The overlay states one shape and an uncertain life for each mode, chosen such that "
            "the chance of a failure is right at the ages that the fleet tells most about.</p>"
        ),
        refused_table(exposure.refused),
        _sampler(result),
    ]
    return page("Lives learned from a fleet", body)


def _title(cause: str, pack: Pack) -> str:
    kind, mode = cause.split(".")
    return f"{pack.kinds[kind].title}: {pack.kinds[kind].modes[mode].title}"


def _lives_table(result: LivesResult, names: list[str]) -> str:
    head = (
        "mode",
        "failures",
        "base life, 1000 km",
        "learned",
        "base shape",
        "learned",
        "in the overlay: life, 1000 km",
        "spread",
    )
    rows = [
        (
            f"{name} ({one.cause})",
            str(one.failures),
            _between(one.base_life, 1000),
            _between(one.life, 1000),
            _between(one.base_shape),
            _between(one.shape),
            _digits(one.median / 1000),
            f"{one.spread:.2f}",
        )
        for name, one in zip(names, result.lives, strict=True)
    ]
    return table(head, rows)


def _between(value: Between, unit: float = 1.0) -> str:
    low, middle, high = (_digits(end / unit) for end in value)
    return f"{middle} ({low} to {high})"


def _digits(number: float) -> str:
    """Three digits, never with an exponent."""
    return np.format_float_positional(number, 3, fractional=False, trim="-")


def _sampler(result: LivesResult) -> str:
    """Provenance, and the chains of the mode with the most failures."""
    most = int(np.argmax([one.failures for one in result.lives]))
    arrays = compat.draws(result.fitted.trace)
    step = max(1, result.fitted.sampling.draws // 400)
    shown = {
        f"shape of {result.lives[most].cause}": arrays["shape"][:, ::step, most],
        f"life of {result.lives[most].cause}": arrays["scale"][:, ::step, most].mean(axis=2),
    }
    parts = [f"<h2>Provenance</h2><p>{escape(result.provenance)}</p>"]
    parts.append("<details><summary>Traces and ranks of the sampler</summary>")
    for name, values_cd in shown.items():
        parts += [pictures.traces(name, values_cd), pictures.ranks(name, values_cd)]
    parts.append("</details>")
    return "\n".join(parts)
