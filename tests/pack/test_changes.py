"""What overlays change: each number, the shares of causes by a formula worked anew, and slips."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from scipy import integrate, stats

from swapinfer.commands.priors import OverlaysView, check_priors
from swapinfer.errors import InputError
from swapinfer.pack.load import base_folder
from swapinfer.pack.provenance import Revision, slip_of
from tests.independent.priors import Table, read_priors

ENGINE = {"ignition": "coil-on-plug", "fuel": "port"}
CYLINDERS = 4

Checked = Callable[..., OverlaysView]


@pytest.fixture
def checked(tmp_path: Path) -> Checked:
    """Check an overlay that holds a text."""

    def check(text: str, **engine: str) -> OverlaysView:
        path = tmp_path / "ours.toml"
        path.write_text(f"format = 1\n{text}\n", encoding="utf-8")
        return check_priors([path], **engine)

    return check


def chance_of(mode: Table, age: float, window: float) -> float:
    """Mean chance that a mode appeared in the window, Weibull, over its log-normal rate."""
    window = min(max(window, mode.get("latent_km", 0.0)), age)
    shape, life = mode["shape"], mode["life_km"]
    ratio = {"median": 1.0, "spread": 1.0, **mode.get("hazard_ratio", {})}
    median = ratio["median"] * ((age / life["median"]) ** shape) * (1 - (1 - window / age) ** shape)
    sd = math.hypot(shape * math.log(life.get("spread", 1.0)), math.log(ratio["spread"]))
    found, _ = integrate.quad(
        lambda z: stats.norm.pdf(z) * -math.expm1(-median * math.exp(sd * z)), -9, 9
    )
    return found


def shares_of(priors: Table) -> dict[str, float]:
    """Share of each kind and mode in the misfires of four in line, one thing a cylinder or one."""
    running = priors["running"]
    chances = {}
    for table in priors["element"].values():
        fitted: Mapping[str, list[str]] = table.get("fitted", {})
        if all(ENGINE[axis] in values for axis, values in fitted.items()):
            count = {"cylinder": CYLINDERS, "adjacent": CYLINDERS - 1}.get(table["pattern"], 1)
            for mode in table["mode"].values():
                if mode.get("misfire", 1.0) > 0:
                    chance = chance_of(mode, running["odometer_km"], running["exposure_km"])
                    chances[f"{table['title']}: {mode['title']}"] = count * chance
    total = sum(chances.values())
    return {cause: chance / total for cause, chance in chances.items()}


def test_each_number_is_shown_with_what_it_alone_does(checked: Checked) -> None:
    text = (
        "[element.coil.mode.breakdown]\nlife_km = { median = 700_000 }\n"
        "[element.plug.mode.worn]\nhazard_ratio = { median = 0.2 }\n[costs]\nrate_per_hour = 99\n"
    )
    view = checked(text)
    shown = {one.path: one for one in view.numbers}
    life = shown["element.coil.mode.breakdown.life_km.median"]
    worn = shown["element.plug.mode.worn.hazard_ratio.median"]
    assert (life.before, life.after, life.where[-2:]) == (1_500_000, 700_000, ":3")
    assert (worn.before, worn.after) == (1.0, 0.2)
    assert (shown["costs.rate_per_hour"].before, shown["costs.rate_per_hour"].share) == (120, None)
    assert len(shown) == 3
    assert not view.warnings

    base = shares_of(read_priors(base_folder()))
    coil = {"element": {"coil": {"mode": {"breakdown": {"life_km": {"median": 700_000}}}}}}
    plug = {"element": {"plug": {"mode": {"worn": {"hazard_ratio": {"median": 0.2}}}}}}
    for one, overlay in ((life, coil), (worn, plug)):
        alone = shares_of(read_priors(base_folder(), overlay))
        assert one.share is not None
        assert one.share.before == pytest.approx(base[one.share.cause], rel=1e-6)
        assert one.share.after == pytest.approx(alone[one.share.cause], rel=1e-6)
    both = shares_of(read_priors(base_folder(), coil, plug))
    assert {one.cause for one in view.causes[:2]} == {life.share.cause, worn.share.cause}
    for one in view.causes:
        assert one.after == pytest.approx(both[one.cause], rel=1e-6)


def test_an_engine_without_the_part_has_no_share_of_it(checked: Checked) -> None:
    text = "[element.coil.mode.breakdown]\nlife_km = { median = 700_000 }"
    assert checked(text, ignition="distributor").numbers[0].share is None
    with pytest.raises(InputError, match="inline4"):
        checked(text, layout="inline4")


SLIPS = [
    ("[element.coil.mode.breakdown]\nlife_km = { median = 335.000 }", ":3", "335,000"),
    ("[element.coil.mode.breakdown]\nlife_km = { median = 12_000 }", ":3", "1,200,000"),
    ("[element.coil.mode.breakdown]\nlife_km.median = 1_500_000_000", ":3", "1,500,000"),
    ("[element.coil.fix]\nprice = [3_000, 6_000, 15_000]", ":3", "30"),
    ("[costs]\ncomeback = 2.5", ":3", "250"),
]


@pytest.mark.parametrize(("text", "where", "meant"), SLIPS)
def test_decimal_slips_are_remarked(checked: Checked, text: str, where: str, meant: str) -> None:
    (warning,) = checked(text).warnings
    assert f"ours.toml{where}: " in warning
    assert f"{meant} meant?" in warning


def test_thousands_with_a_point_are_remarked_where_the_base_has_nothing(checked: Checked) -> None:
    mode = "title = 'x'\nshape = 1\nlatent_km = 0\nseverity = { hard = 1 }"
    text = f"[element.coil.mode.odd]\n{mode}\nlife_km.median = 335.000 # not 1.000\n[source.s]\n"
    view = checked(f'{text}grade = "memory"\ntext = "at 150.000 km"')
    (warning,) = view.warnings
    assert "ours.toml:7: 335.000 is 335." in warning
    assert {one.before for one in view.numbers} == {None}
    assert view.causes[0].cause.endswith(": x")
    assert view.causes[0].before == 0.0


@pytest.mark.parametrize(
    ("before", "after"), [(400_000, 335_000), (100, 20), (250, 180), (0.05, 0.01), (0, 5), (1, 0)]
)
def test_what_shops_change_is_no_slip(before: float, after: float) -> None:
    assert slip_of(Revision("costs.comeback", before, after)) is None


def test_a_currency_changed_alone_is_remarked(checked: Checked) -> None:
    (warning,) = checked('[costs]\ncurrency = "EUR"\nrate_per_hour = 99').warnings
    assert "exchange" in warning
    assert "comeback, diagnosis_cap" in warning
    assert "rate_per_hour," not in warning
