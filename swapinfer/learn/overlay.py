"""What was learned, as an overlay that the next job's pack is made with."""

from __future__ import annotations

import json
from dataclasses import dataclass

from swapinfer.learn.counts import RowReport
from swapinfer.learn.fit import Fit, Health
from swapinfer.learn.ratios import LearnedCause, LearnedChance
from swapinfer.pack.model import Pack

SOURCE = "learned"


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where learned numbers come from.

    Attributes
    ----------
    base : str
        Name, version and digest of the pack that was learned on.
    weight : float
        What the pack's precision was multiplied by.
    family : str
        Family that the numbers hold for, empty for the shop's whole mix.
    rows : RowReport
        Rows used and refused, days, digest of the data.
    seed : int
        Of the sampler.
    versions : dict of str to str
        Of the libraries.
    health : dict of str to Health
        Of each model.
    retried : dict of str to str
        Models that needed a second attempt, and why.
    """

    base: str
    weight: float
    family: str
    rows: RowReport
    seed: int
    versions: dict[str, str]
    health: dict[str, Health]
    retried: dict[str, str]

    @property
    def text(self) -> str:
        """All of it in one paragraph."""
        rows = self.rows
        scope = f"family {self.family}" if self.family else "the shop's whole mix of vehicles"
        return (
            f"learned for {scope} from {rows.jobs_used} job rows and {rows.findings_used} finding "
            f"rows, {rows.rows_refused} rows refused, {rows.first_day} to {rows.last_day}, data "
            f"sha256 {rows.digest}; on {self.base} with weight {self.weight:g}; "
            f"{sampler_text(self.seed, self.versions, self.health)}"
        )


def sampler_text(seed: int, versions: dict[str, str], health: dict[str, Health]) -> str:
    """Say what draws came from: seed, versions of libraries, signs of each model's health."""
    libraries = ", ".join(f"{name} {number}" for name, number in versions.items())
    models = "; ".join(f"{name}: {_health_text(one)}" for name, one in health.items())
    return f"seed {seed}; {libraries}; {models}"


def _health_text(health: Health) -> str:
    return (
        f"R-hat {health.r_hat:.4f}, effective sample size bulk {health.ess_bulk:.0f} tail "
        f"{health.ess_tail:.0f}, divergences {health.divergences}, E-BFMI {health.e_bfmi:.2f}"
    )


def base_text(pack: Pack) -> str:
    """Name a pack that was learned on."""
    return f"pack {pack.name} {pack.version} ({pack.digest[:12]})"


def provenance_of(
    pack: Pack, rows: RowReport, fits: dict[str, Fit], *, seed: int, weight: float, family: str
) -> Provenance:
    """Gather the provenance of several fits."""
    from swapinfer.learn.compat import library_versions

    return Provenance(
        base=base_text(pack),
        weight=weight,
        family=family,
        rows=rows,
        seed=seed,
        versions=library_versions(),
        health={name: fitted.health for name, fitted in fits.items()},
        retried={name: fitted.retried for name, fitted in fits.items() if fitted.retried},
    )


def overlay_text(
    causes: tuple[LearnedCause, ...],
    chances: tuple[LearnedChance, ...],
    provenance: Provenance,
) -> str:
    """Write an overlay.

    Parameters
    ----------
    causes : tuple of LearnedCause
        Hazard ratios.
    chances : tuple of LearnedChance
        Outcome chances of inspections.
    provenance : Provenance
        Told as the overlay's source.

    Returns
    -------
    str
        TOML. A learned mode's spread of life is set to 1: what was uncertain about it is in the
        hazard ratio's spread now, and would count twice otherwise.
    """
    name = f"{SOURCE}-{provenance.family}" if provenance.family else SOURCE
    version = f"{provenance.rows.digest[:8]}-{provenance.seed}"
    lines = overlay_head("closed jobs", name, version, SOURCE, provenance.text)
    for one in causes:
        kind, mode = one.cause.split(".")
        lines += [
            "",
            f"[element.{kind}.mode.{mode}]  # {one.cases:.1f} effective cases",
            "life_km = { spread = 1 }",
            f"hazard_ratio = {{ median = {one.median:.4g}, spread = {max(one.spread, 1.0):.4g} }}",
        ]
    for unit in chances:
        pairs = ", ".join(f"{name} = {chance:.5f}" for name, chance in _rounded(unit).items())
        lines += [
            "",
            f"[test.{unit.test}.profile]  # {unit.findings:.1f} effective findings",
            f"{unit.profile} = {{ {pairs} }}",
        ]
    return "\n".join(_merge_headers(lines)) + "\n"


def overlay_head(origin: str, name: str, version: str, source: str, text: str) -> list[str]:
    """First lines of a learned overlay: its name and the one source of all its numbers."""
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


def _merge_headers(lines: list[str]) -> list[str]:
    """Drop a table's header where the table is already open: TOML allows each only once."""
    out: list[str] = []
    current = ""
    for line in lines:
        header = line.split("]")[0] if line.startswith("[") else ""
        if header and header == current:
            if out[-1] == "":
                out.pop()
            continue
        current = header or current
        out.append(line)
    return out
