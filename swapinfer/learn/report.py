"""What was learned, for a foreman to read: HTML with pictures as inline SVG.

It stands alone, needs no script and no font file, and the same input gives the same text.
"""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from swapinfer.evidence.arrays import FloatArray, IntArray
from swapinfer.learn.history import Learned, LearnedChance
from swapinfer.learn.lives import LearnedLives
from swapinfer.learn.prepare import STAYED
from swapinfer.learn.sampling import INTERVAL, Fit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BEFORE, AFTER, QUIET = "#8a8f98", "#0b6e74", "#d9dce1"
SHOWN_CAUSES, RANK_BINS = 20, 20
TIMES = (0.2, 0.3, 0.5, 0.7, 1.0, 1.4, 2.0, 3.0, 5.0)
"""Marks on the axis of ratios."""
STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;max-width:54rem;margin:2rem auto;padding:0 1rem;"
    "color:#1c2024}table{border-collapse:collapse;font-size:.9rem}td,th{padding:.15rem .7rem;"
    "text-align:right;border-bottom:1px solid #d9dce1}td:first-child,th:first-child"
    "{text-align:left}svg{max-width:100%;height:auto}summary{cursor:pointer}"
)

GUARD = """\
<p>Jobs that were worked by advice are chosen data: advice looks first where it expects the fault.
For the <em>causes</em> this does no harm as long as every finding is recorded, also those that
showed nothing: which step came next depended on findings that are in the table, and such a choice
cancels out of the likelihood. It would do harm if only the jobs that ended as expected were
closed, so close all of them, also those without a cause; they count by what their findings say.</p>
<p>For the <em>tests</em> it would do harm: a test must not be proved right by the cause that it
named itself. Findings whose own test confirmed the cause are left out, and findings of jobs that
nobody confirmed are counted in proportion to what the job's other findings say. This holds if
whether a cause gets confirmed depends on recorded findings only.</p>
<p>A cause with few cases keeps close to the base pack: the column <em>informed</em> tells how much
of the base pack's uncertainty your own jobs took away.</p>"""


LABELS = {
    "label_right": "a verified cause was the true one",
    "returns_if_right": "a right repair came back all the same",
    "returns_if_wrong": "a wrong repair came back",
}
"""Variables of the cause model about what is recorded, as a person says them."""


def history_html(learned: Learned) -> str:
    """Write the report of a history."""
    rows, (first, *others) = learned.counts.rows, learned.first_words
    scope = learned.family or "all families together"
    body = [
        f"<p><strong>{escape(first)}</strong></p>"
        + "".join(f"<p>{escape(sentence)}</p>" for sentence in others)
        + f"<p>{rows.jobs_used:,} job rows from {rows.first_day} to {rows.last_day} were used, "
        f"{rows.rows_refused:,} rows were refused. Learned for: {escape(scope)}.</p>",
        "<h2>Causes</h2>",
        _shares(learned),
        "<p>Ring: the base pack. Dot: learned, with the line that holds 90 %.</p>",
        _cause_table(learned),
        _families(learned),
        _comebacks(learned),
        _tests(learned.chances),
        "<h2>Does the model give back the history?</h2>",
        _predictive(learned),
        "<h2>Can advice prove itself right?</h2>",
        GUARD,
        _rows(learned),
        _sampler(learned),
    ]
    return page("Priors learned from closed jobs", body)


def page(title: str, body: Iterable[str]) -> str:
    """Write a page that stands alone, headed by its title."""
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{STYLE}</style></head><body>\n<h1>{title}</h1>\n"
    ) + "\n".join([*body, "</body></html>\n"])


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Write a table; everything is escaped."""
    cells = "".join(f"<th>{escape(name)}</th>" for name in head)
    lines = ["<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows]
    return f"<table><thead><tr>{cells}</tr></thead><tbody>{''.join(lines)}</tbody></table>"


def _shares(learned: Learned) -> str:
    """Draw base share and learned share with its interval, cause by cause."""
    likeliest = sorted(learned.causes, key=lambda one: -max(one.share, one.base_share))
    shown = sorted(likeliest[:SHOWN_CAUSES], key=lambda one: -one.share)
    shares = [(one.share_low, one.share_high, one.base_share, one.share) for one in shown]
    low, high, before, after = 100 * np.transpose(shares)

    def paint(axes: Axes, row: IntArray) -> None:
        axes.hlines(row, low, high, color=AFTER, linewidth=2)
        axes.plot(before, row, "o", mfc="none", color=BEFORE)
        axes.plot(after, row, "o", color=AFTER)
        axes.set_xlim(left=0)

    names = [learned.titles[one.cause] for one in shown]
    return _by_row("Share of each cause before and after", names, "% of complaints", paint)


def _cause_table(learned: Learned) -> str:
    rows = [
        (
            f"{learned.titles[one.cause]} ({one.cause})",
            f"{100 * one.base_share:.2f}",
            f"{100 * one.share:.2f}",
            f"{100 * one.share_low:.2f} to {100 * one.share_high:.2f}",
            f"{one.median:.2f}",
            f"{one.low:.2f} to {one.high:.2f}",
            str(one.confirmed),
            f"{one.cases:.1f}",
            f"{100 * one.informed:.0f} %",
        )
        for one in sorted(learned.causes, key=lambda one: -one.share)
    ]
    head = (
        *("cause", "base %", "learned %", "90 %", "hazard ratio", "90 %"),
        *("confirmed cases", "and others by findings", "informed"),
    )
    why = (
        f"<p>Why a ratio may rise where a share falls: a ratio of {learned.level:.2f} leaves a "
        "share as it was. Jobs tell which cause is how common among misfires, not how often "
        "vehicles misfire, so the ratios are laid out such that all misfires together stay as "
        "frequent as the base pack says on average; and its average is above the median rates "
        "that ratios multiply, since a rate that is uncertain may be high.</p>"
    )
    return f"<details><summary>All causes in figures</summary>{table(head, rows)}{why}</details>"


def _families(learned: Learned) -> str:
    """Draw how far each family lies from the shop's average, for the commonest kinds."""
    groupings = [grouping for grouping in learned.data.groupings if grouping.name == "family"]
    if not groupings:
        return ""
    levels = groupings[0].levels
    effect_dhl = learned.fits["causes"].array("effect")[:, :, : len(levels)]
    share_h = np.bincount(learned.data.kind_c, weights=learned.shares.mixed_dc.mean(axis=0))
    top = np.argsort(-share_h)[:8]
    low_hl, high_hl = np.exp(np.quantile(effect_dhl[:, top], INTERVAL, axis=0))

    def paint(axes: Axes, row: IntArray) -> None:
        axes.axvline(1.0, color=QUIET, linewidth=1)
        for at, level in enumerate(levels):
            low, high, color = low_hl[:, at], high_hl[:, at], f"C{at % 10}"
            shift = row + 0.7 / len(levels) * (at - (len(levels) - 1) / 2)
            axes.hlines(shift, low, high, linewidth=1.5, color=color)
            axes.plot(np.sqrt(low * high), shift, "o", markersize=4, color=color, label=level)
        axes.set_xscale("log")
        inside = [x for x in TIMES if low_hl.min() <= x <= high_hl.max()]
        axes.set_xticks(inside, [f"{x:g}" for x in inside])
        axes.set_xticks([], minor=True)
        axes.legend(bbox_to_anchor=(1.0, 1.0), loc="upper left", frameon=False)

    names = [learned.titles[learned.data.kinds[kind]] for kind in top]
    title, label = "How far vehicle families differ", "times the shop's average hazard"
    picture = _by_row(title, names, label, paint, 0.16 * max(len(levels), 2))
    return (
        "<h2>Families</h2><p>A family with few jobs is drawn towards the shop's average; one with "
        f"many speaks for itself. Dot: middle; line: 90 %.</p>{picture}"
    )


def _comebacks(learned: Learned) -> str:
    fitted, cases = learned.fits["causes"], learned.counts.cases
    if not cases.returned and not cases.chains:
        return (
            "<h2>Comebacks</h2><p>None of a verified repair is on record, so nothing can be said "
            "of how often a verified cause was the true one. A vehicle that comes back tells: "
            "reopen its job, or name it in the column comeback_of.</p>"
        )
    rows = []
    for name, meaning in LABELS.items():
        low, high = np.quantile(fitted.array(name), INTERVAL)
        mean = fitted.array(name).mean()
        rows.append((meaning, f"{100 * mean:.1f} %", f"{100 * low:.1f} to {100 * high:.1f} %"))
    return "<h2>Comebacks</h2>" + table(("how often", "learned", "90 %"), rows)


def _tests(chances: Sequence[LearnedChance]) -> str:
    if not chances:
        return ""
    rows = [
        (
            f"{unit.test}, {unit.profile}: {outcome}",
            f"{100 * base:.1f}",
            f"{100 * mean:.1f}",
            f"{100 * low:.1f} to {100 * high:.1f}",
            f"{unit.findings:.1f}",
        )
        for unit in chances
        for outcome, base, mean, low, high in zip(
            unit.outcomes, unit.base, unit.mean, unit.low, unit.high, strict=True
        )
    ]
    head = ("what a test shows", "base %", "learned %", "90 %", "findings")
    return f"<h2>Tests</h2><details><summary>In figures</summary>{table(head, rows)}</details>"


def _predictive(learned: Learned) -> str:
    """Hold verified cases that did not come back to what the model would give again."""
    data, family = learned.data, learned.family
    is_mine_g = np.array([family in ("", cell.family) for cell in learned.counts.cells])
    count_n = data.count_n * (data.course_n == STAYED) * is_mine_g[data.cell_n]
    observed_c = np.bincount(data.last_n, count_n, len(data.causes))
    share_dc = learned.shares.mixed_dc[::4]
    right, if_right, if_wrong = (learned.fits["causes"].array(name)[::4, None] for name in LABELS)
    wrong = (1 - right) / max(share_dc.shape[1] - 1, 1)
    recorded_dc = share_dc * right * (1 - if_right) + (1 - share_dc) * wrong * (1 - if_wrong)
    recorded_dc = recorded_dc / recorded_dc.sum(axis=1, keepdims=True)
    again_dc = np.random.default_rng(0).multinomial(int(observed_c.sum()), recorded_dc)
    low_c, high_c = np.quantile(again_dc, INTERVAL, axis=0)
    top = np.argsort(-observed_c)[:SHOWN_CAUSES]

    def paint(axes: Axes, row: IntArray) -> None:
        axes.hlines(row, low_c[top], high_c[top], color=QUIET, linewidth=6)
        axes.plot(observed_c[top], row, "|", color=AFTER, markersize=10, markeredgewidth=2)

    title, names = "Does the model give back the history?", learned.titles
    shown = [names[data.causes[cause]] for cause in top]
    picture = _by_row(title, shown, "verified cases", paint)
    inside = (observed_c >= low_c) & (observed_c <= high_c)
    return (
        f"{picture}<p>Mark: the history. Bar: 90 % of what the model would give again. "
        f"{int(inside.sum())} of {len(inside)} causes lie inside the 90 % bar; about "
        "nine in ten or more should.</p>"
    )


def _rows(learned: Learned) -> str:
    rows = learned.counts.rows
    labels = {"yes": "by advice", "no": "without advice", "": "not said"}
    worked = [
        f"{rows.advised[key]:,} {label}" for key, label in labels.items() if rows.advised[key]
    ]
    text = f"<h2>Rows</h2><p>Jobs by how they were worked: {', '.join(worked)}.</p>"
    text += refused_table(rows.refused)
    if notes := [(note, str(count)) for note, count in rows.notes.items() if count]:
        text += "<h3>Odd, but used or left out as said</h3>" + table(("what", "rows"), notes)
    return text


def refused_table(reasons: Counter[str]) -> str:
    """List the commonest reasons for which rows were refused, if any were."""
    rows = [(reason, str(count)) for reason, count in reasons.most_common(20)]
    return "<h3>Refused</h3>" + table(("reason", "rows"), rows) if rows else ""


def _sampler(learned: Learned) -> str:
    """Provenance, and chains of the scalars and of the shop's effect on its commonest cause."""
    parts = [f"<h2>Provenance</h2><p>{escape(learned.provenance)}</p>"]
    shown: dict[str, FloatArray] = {}
    for name, fitted in learned.fits.items():
        if fitted.retried:
            reason = escape(fitted.retried)
            parts.append(f"<p>The model of {name} needed a second attempt: {reason}.</p>")
        arrays = _thinned(fitted)
        shown |= {name: values for name, values in arrays.items() if values.ndim == 2}
        if "shop" in arrays:
            first = int(np.argmax(learned.shares.mixed_dc.mean(axis=0)))
            shown[f"log ratio of {learned.data.causes[first]}"] = arrays["shop"][:, :, first]
    return "\n".join([*parts, *_traces(shown)])


def _thinned(fitted: Fit) -> dict[str, FloatArray]:
    """Draws of every variable, some four hundred of each chain."""
    step = max(1, fitted.sampling.draws // 400)
    return {name: values[:, ::step] for name, values in fitted.arrays.items()}


def lives_html(learned: LearnedLives) -> str:
    """Write the report of lives; as `history_html`."""
    exposure, modes = learned.exposure, learned.modes
    names = [learned.titles[one.cause] for one in modes]
    at, arrays = int(np.argmax([one.failures for one in modes])), _thinned(learned.fitted)
    most = modes[at].cause
    before, after = [one.base_life for one in modes], [one.life for one in modes]

    def paint(axes: Axes, row: IntArray) -> None:
        looks = (before, 0.15, BEFORE, "none"), (after, -0.15, AFTER, AFTER)
        for values, shift, color, fill in looks:
            low, middle, high = np.transpose(values) / 1000
            axes.hlines(row + shift, low, high, color=color, linewidth=1.5)
            axes.plot(middle, row + shift, "o", mfc=fill, color=color)
        axes.set_xscale("log")

    whose = f"of family {escape(learned.family)} " if learned.family else ""
    body = [
        (
            f"<p>{exposure.used:,} rows were used, {exposure.refused.total():,} refused; "
            f"{sum(one.failures for one in modes):,} elements {whose}failed while they were "
            "watched.</p>"
        ),
        _by_row("Life in each mode before and after", names, "life, 1000 km", paint, 0.34),
        (
            "<p>Ring: the base pack. Dot: learned. Lines hold 90 %. A life is the distance by "
            "which 63 % have failed in this mode if nothing else ends them; where it lies far "
            "beyond what was driven it is the base pack's as much as the fleet's.</p>"
        ),
        _lives_table(learned),
        (
            "<p>The overlay states one shape and an uncertain life for each mode, chosen such that "
            "the chance of a failure is right at the ages that the fleet tells most about.</p>"
        ),
        refused_table(exposure.refused),
        f"<h2>Provenance</h2><p>{escape(learned.provenance)}</p>",
        *_traces(
            {
                f"shape of {most}": arrays["shape"][:, :, at],
                f"life of {most}": arrays["scale"][:, :, at].mean(axis=2),
            }
        ),
    ]
    return page("Lives learned from a fleet", body)


def _lives_table(learned: LearnedLives) -> str:
    head = (
        *("mode", "failures", "base life, 1000 km", "learned", "base shape", "learned"),
        *("in the overlay: life, 1000 km", "spread"),
    )
    rows = [
        (
            f"{learned.titles[one.cause]} ({one.cause})",
            str(one.failures),
            _between(one.base_life, 1000),
            _between(one.life, 1000),
            _between(one.base_shape),
            _between(one.shape),
            _digits(one.median / 1000),
            f"{one.spread:.2f}",
        )
        for one in learned.modes
    ]
    return table(head, rows)


def _between(value: tuple[float, float, float], unit: float = 1.0) -> str:
    low, middle, high = (_digits(end / unit) for end in value)
    return f"{middle} ({low} to {high})"


def _digits(number: float) -> str:
    """Three digits, never with an exponent."""
    return np.format_float_positional(number, 3, fractional=False, trim="-")


def _draw(title: str, size: tuple[float, float], paint: Callable[[Axes], None]) -> str:
    """Make one picture of a size in inches; its title is read out to who does not see it."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context({"svg.hashsalt": title, "svg.fonttype": "none", "font.size": 9.0}):
        figure = Figure(figsize=size, layout="constrained")
        axes = figure.add_subplot()
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        paint(axes)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    _, _, svg = buffer.getvalue().partition("<svg ")
    return f'<svg role="img" aria-label="{title}" {svg}'


def _by_row(
    title: str,
    names: Sequence[str],
    x_label: str,
    paint: Callable[[Axes, IntArray], None],
    inches: float = 0.24,
) -> str:
    """Make a picture with a row for each name, the first at the top."""

    def paint_rows(axes: Axes) -> None:
        row = np.arange(len(names))[::-1]
        paint(axes, row)
        axes.set_yticks(row, names)
        axes.set_xlabel(x_label)

    return _draw(title, (7.0, inches * len(names) + 0.9), paint_rows)


def _traces(shown: Mapping[str, FloatArray]) -> Iterable[str]:
    """Draw the chains of some quantities, shape (chain, draw) each, and ranks among all draws.

    Level bars mean that the chains agree.
    """
    yield "<details><summary>Traces and ranks of the sampler</summary>"
    for name, values_cd in shown.items():
        yield _draw(f"Trace of {name}", (7.0, 1.6), partial(_trace, name, values_cd))
        yield _draw(f"Ranks of {name}", (7.0, 1.6), partial(_ranks, name, values_cd))
    yield "</details>"


def _trace(name: str, values_cd: FloatArray, axes: Axes) -> None:
    for chain in values_cd:
        axes.plot(chain, linewidth=0.4)
    axes.set_ylabel(name)
    axes.set_xlabel("draw")


def _ranks(name: str, values_cd: FloatArray, axes: Axes) -> None:
    edges = np.linspace(0, values_cd.size, RANK_BINS + 1)
    for chain in values_cd.ravel().argsort().argsort().reshape(values_cd.shape):
        axes.stairs(np.histogram(chain, edges)[0], edges, linewidth=1)
    axes.axhline(values_cd.shape[1] / RANK_BINS, color=QUIET, linewidth=1)
    axes.set_ylabel("draws")
    axes.set_xlabel(f"rank of {name} among all draws")
