"""From a table of exposure to an overlay of lives: what is refused, counted, recovered."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import html5lib
import jsonschema
import numpy as np
import pandas as pd
import pytest
from msgspec import structs

from swapinfer.commands import run
from swapinfer.commands.learning import LifeLine, LivesView
from swapinfer.commands.page import Page, show
from swapinfer.errors import LearnError
from swapinfer.learn.lives import (
    Exposure,
    Lives,
    at_one_shape,
    learn_exposure,
    life_priors,
    mixed_log_scale,
    read_exposure,
)
from swapinfer.learn.sampling import Sampling, quiet
from swapinfer.learn.tables import EXPOSURE
from swapinfer.pack.hazard import mode_prior
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Mode, Pack

HEADER = ",".join(EXPOSURE.names)
SCHEMAS = Path(__file__).parents[2] / "docs" / "reference" / "json-shapes.json"


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


def read(folder: Path, pack: Pack, *lines: str) -> Exposure:
    table = folder / "fleet.csv"
    table.write_text("\n".join([HEADER, *lines, ""]), encoding="utf-8")
    return read_exposure(table, pack, refused_to=folder / "refused.csv")


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("rotr,,4,0,90000,", 'kind "rotr" is not known; did you mean "rotor"?'),
        ("rotor,,1,0,90000,burned", 'failed "burned" is no mode of rotor; did you mean "burnt"?'),
        ("rotor,,1,0,90000,worn", 'failed "worn" is no mode of rotor; known: burnt, tracked'),
        ("rotor,Mr Smith,4,0,90000,", 'family "Mr Smith" is not one word of lower-case'),
        ("rotor,,0,0,90000,", 'count "0" is not a whole number from 1'),
        ("rotor,,2.5,0,90000,", 'count "2.5" is not a whole number from 1'),
        ("rotor,,,0,90000,", 'count "" is not a whole number from 1'),
        ("rotor,,3,0,90000,burnt", 'count "3" is not 1, but a failure has a row of its own'),
        ("rotor,,4,,90000,", "from_km is missing"),
        ("rotor,,4,0,,", "to_km is missing"),
        ("rotor,,4,-1,90000,", 'from_km "-1" is not a number from 0 to 3e+06'),
        ("rotor,,4,0,far,", 'to_km "far" is not a number from 0 to 3e+06'),
        ("rotor,,4,nan,90000,", 'from_km "nan" is not a number from 0 to 3e+06'),
        ("rotor,,4,90000,90000,", 'to_km "90000" is not above from_km "90000"'),
        ("rotor,,4,0", "the row has 4 fields, the header does not"),
    ],
)
def test_a_bad_row_is_refused_with_line_and_reason(
    line: str, reason: str, pack: Pack, tmp_path: Path
) -> None:
    exposure = read(tmp_path, pack, "rotor,,4,0,90000,", line)
    assert exposure.used == exposure.refused.total() == 1
    with (tmp_path / "refused.csv").open(encoding="utf-8", newline="") as file:
        (refused,) = csv.DictReader(file)
    assert (refused["table"], refused["line"]) == ("exposure", "3")
    assert refused["reason"].startswith(reason)
    assert refused["row"].startswith(line.split(",", maxsplit=1)[0])


def test_rows_become_counts_failures_and_distinct_stretches(pack: Pack, tmp_path: Path) -> None:
    """Five rows by hand; equal stretches are added up, each kind is exposed to its own modes."""
    exposure = read(
        tmp_path,
        pack,
        "rotor,elm,3,0,100000,",
        "rotor,elm,4,0,100000,",
        "rotor,elm,1,20000,50000,tracked",
        "rotor,ash,1,0,100000,burnt",
        "purge-valve,elm,5,10000,30000,",
    )
    lives = exposure.lives
    assert lives.families == ("ash", "elm")
    assert set(lives.modes) == {"rotor.burnt", "rotor.tracked", "purge-valve.stuck-open"}
    mode = {name: number for number, name in enumerate(lives.modes)}
    assert lives.failures_mf[mode["rotor.tracked"]].tolist() == [0, 1]
    assert lives.failures_mf[mode["rotor.burnt"]].tolist() == [1, 0]
    assert lives.failures_mf.sum() == 2
    assert lives.log_age_mf[mode["rotor.tracked"], 1] == np.log(50000)
    stretches = zip(
        lives.family_r.tolist(),
        lives.enter_r.tolist(),
        lives.leave_r.tolist(),
        *(lives.weight_mr[mode[name]].tolist() for name in ("rotor.burnt", "rotor.tracked")),
        lives.weight_mr[mode["purge-valve.stuck-open"]].tolist(),
        strict=True,
    )
    assert sorted(stretches) == [
        (0, 0, 100000, 1, 1, 0),
        (1, 0, 100000, 7, 7, 0),
        (1, 10000, 30000, 0, 0, 5),
        (1, 20000, 50000, 1, 1, 0),
    ]
    assert exposure.element_km == {"rotor": 830000, "purge-valve": 100000}


def test_parquet_says_the_same(pack: Pack, tmp_path: Path) -> None:
    rows = [("rotor", "", 4, 0.0, 9e4, ""), ("rotor", "", 1, 0.0, 5.0, "burnt")]
    frame = pd.DataFrame(rows, columns=list(EXPOSURE.names))
    frame.to_csv(tmp_path / "fleet.csv", index=False)
    frame.to_parquet(tmp_path / "fleet.parquet", index=False)
    found = [read_exposure(tmp_path / name, pack).lives for name in ("fleet.csv", "fleet.parquet")]
    for one, other in zip(*map(structs.astuple, found), strict=True):
        np.testing.assert_array_equal(one, other)


def test_a_table_that_cannot_be_used_is_an_error(pack: Pack, tmp_path: Path) -> None:
    with pytest.raises(LearnError, match=r'not one row can be used; .*kind "rotr" is not known'):
        read(tmp_path, pack, "rotr,,4,0,90000,")
    (tmp_path / "fleet.csv").write_text("kind,count,from_km,to_km,faild\n", encoding="utf-8")
    with pytest.raises(LearnError, match='no column "failed"; did you mean "faild"'):
        read_exposure(tmp_path / "fleet.csv", pack)


def test_thirteen_families_become_twelve_and_others(pack: Pack, tmp_path: Path) -> None:
    """The family with fewest rows loses its name; its failure and distance are kept."""
    lines = [f"rotor,f{n:02},1,0,90000," for n in range(12) for _ in range(2)]
    lives = read(tmp_path, pack, *lines, "rotor,rare,1,0,70000,burnt").lives
    assert lives.families == (*(f"f{n:02}" for n in range(12)), "other")
    assert lives.failures_mf[:, -1].sum() == 1


def test_a_ratio_in_the_pack_is_taken_into_the_life(tmp_path: Path) -> None:
    """A hazard eight times as high with shape 2.4 is a life of 8 ** (-1 / 2.4)."""
    ours = tmp_path / "ours.toml"
    ours.write_text(
        'format = 1\nname = "ours"\nversion = "1"\n'
        "[element.rotor.mode.burnt]\nhazard_ratio = { median = 8 }\n",
        encoding="utf-8",
    )
    plain, raised = load_pack(), load_pack([ours])
    data = read(tmp_path, plain, "rotor,,1,0,90000,").lives
    before, after = life_priors(plain, data), life_priors(raised, data)
    shape = plain.kinds["rotor"].modes["burnt"].shape
    at = data.modes.index("rotor.burnt")
    assert after.scale_m[at] / before.scale_m[at] == pytest.approx(8 ** (-1 / shape))
    assert after.scale_m[1 - at] == before.scale_m[1 - at]


def test_a_mixed_fleet_fails_as_its_families_together() -> None:
    """Cumulative hazard of the mix against the mean of the families', written out."""
    data = Lives(
        modes=("m",),
        families=("a", "b"),
        failures_mf=np.zeros((1, 2)),
        log_age_mf=np.zeros((1, 2)),
        family_r=np.array([0, 1, 1]),
        enter_r=np.array([0.0, 10.0, 0.0]),
        leave_r=np.array([30.0, 20.0, 10.0]),
        weight_mr=np.array([[2.0, 1.0, 1.0]]),
    )
    life = np.exp(mixed_log_scale(np.array([[[50.0, 80.0]]]), np.array([[2.0]]), data.driven_mf))
    expected = (60 * (40 / 50) ** 2 + 20 * (40 / 80) ** 2) / 80
    assert (40 / life[0, 0]) ** 2 == pytest.approx(expected)
    one = data.driven_mf * np.array([0.0, 1.0])
    life = np.exp(mixed_log_scale(np.array([[[50.0, 80.0]]]), np.array([[2.0]]), one))
    assert life[0, 0] == pytest.approx(80.0)


def test_a_family_that_the_table_does_not_name_is_refused(pack: Pack, tmp_path: Path) -> None:
    exposure = read(tmp_path, pack, "rotor,elm,4,0,90000,", "rotor,ash,4,0,90000,")
    with pytest.raises(LearnError, match='no family "elms" in this table; did you mean "elm"'):
        learn_exposure(exposure, pack, Sampling(seed=1), "elms")


def test_draws_of_independent_life_and_shape_come_back_as_they_are() -> None:
    """To the error of 40,000 draws: three standard errors of a spread's log are 1.1 %."""
    rng = np.random.default_rng(5)
    log_life = np.log(9e5) + np.log(1.5) * rng.standard_normal(40_000)
    shape = 2 * np.exp(np.log(1.1) * rng.standard_normal(40_000))
    median, spread = at_one_shape(log_life, shape)
    assert median == pytest.approx(9e5, rel=0.01)
    assert np.log(spread) == pytest.approx(np.log(1.5), rel=0.03)


TRUE = {"rotor.burnt": (1.05e6, 2.8), "rotor.tracked": (7e5, 1.7)}
"""Life in km and shape; in the base pack 2.2e6 and 2.4, 1.5e6 and 2.0."""


def draw_fleet(elements: int, seed: int) -> Iterator[tuple[str, ...]]:
    """Rotors with the lives of `TRUE`, watched from and to round distances."""
    rng = np.random.default_rng(seed)
    enter = rng.choice([0.0, 60e3, 120e3], size=elements)
    leave = enter + rng.choice([150e3, 300e3], size=elements)
    life_nm = np.stack([scale * rng.weibull(k, elements) for scale, k in TRUE.values()], axis=1)
    for begin, end, lives in zip(enter, leave, life_nm, strict=True):
        died, mode = lives.min(), list(TRUE)[int(lives.argmin())].split(".")[1]
        if died > begin:
            failed = mode if died <= end else ""
            yield "rotor", "", "1", f"{begin:.0f}", f"{min(died, end):.0f}", failed


@dataclass(frozen=True)
class Journey:
    """What the command wrote and printed."""

    folder: Path
    facts: dict[str, Any]

    @property
    def learned(self) -> dict[str, dict[str, Any]]:
        return {one["cause"]: one for one in self.facts["lives"]}

    @property
    def modes(self) -> dict[str, Mode]:
        rotor = load_pack([self.folder / "overlay.toml"]).kinds["rotor"]
        return {f"rotor.{name}": mode for name, mode in rotor.modes.items()}

    def draws(self) -> tuple[np.ndarray, np.ndarray]:
        """Shapes and lives; shape (draw, mode) each, modes in the order of `TRUE`."""
        import xarray as xr

        with quiet():
            tree = xr.open_datatree(self.folder / "draws-lives.zarr", engine="zarr")
            posterior = tree["posterior"].sel(mode=list(TRUE))
            shape, scale = posterior["shape"].to_numpy(), posterior["scale"].to_numpy()[..., 0]
        return shape.reshape(-1, len(TRUE)), scale.reshape(-1, len(TRUE))


@pytest.fixture(scope="module")
def journey(libraries: None, tmp_path_factory: pytest.TempPathFactory) -> Journey:  # noqa: ARG001
    """`priors lives` on a small fleet with one misspelt row, through the real command line."""
    folder = tmp_path_factory.mktemp("fleet")
    rows = [*draw_fleet(1500, seed=11), ("rotr", "", "1", "0", "1", "")]
    table = pd.DataFrame(rows, columns=list(EXPOSURE.names))
    table.to_csv(folder / "fleet.csv", index=False)
    with pytest.MonkeyPatch.context() as patch, contextlib.redirect_stdout(io.StringIO()) as told:
        patch.setenv("SWAPINFER_SETTINGS", str(folder / "settings.toml"))
        code = run(["priors", "lives", f"{folder}/fleet.csv", "--out", f"{folder}/out", "--json"])
    assert code == 0
    return Journey(folder / "out", json.loads(told.getvalue()))


def test_true_lives_and_shapes_are_recovered(journey: Journey, pack: Pack) -> None:
    """The Weibull that the fleet was drawn from lies in the 99 % intervals, which the pack's
    numbers need not; the learned numbers are nearer to it than the pack's."""
    draws = journey.draws()
    for at, (cause, truth) in enumerate(TRUE.items()):
        base = pack.kinds["rotor"].modes[cause.split(".")[1]]
        said = journey.learned[cause]
        told = ((said["life"], base.life_km.median), (said["shape"], base.shape))
        for values_dm, true, (learned, before) in zip(draws[::-1], truth, told, strict=True):
            low, high = np.quantile(values_dm[:, at], (0.005, 0.995))
            assert low < true < high
            assert abs(np.log(learned / true)) < abs(np.log(before / true))


def test_intervals_are_narrower_than_the_prior(journey: Journey, pack: Pack) -> None:
    for cause, one in journey.learned.items():
        base = pack.kinds["rotor"].modes[cause.split(".")[1]]
        prior_width = 2 * 1.645 * np.log(base.life_km.spread)
        assert np.log(one["life_high"] / one["life_low"]) < prior_width
        assert one["life_low"] < one["life"] < one["life_high"]
        assert one["failures"] > 10


def test_overlay_fails_as_often_as_the_draws(journey: Journey, pack: Pack) -> None:
    """Chance of a failure within 300,000 km: the pack's own quadrature over the overlay against
    the mean over all draws, whose shapes differ; 5 %. The base pack is further off."""
    age = 300e3
    shape_dm, scale_dm = journey.draws()
    for at, (cause, mode) in enumerate((name, journey.modes[name]) for name in TRUE):
        expected = -np.expm1(-((age / scale_dm[:, at]) ** shape_dm[:, at])).mean()
        assert mode_prior(mode, age, age) == pytest.approx(expected, rel=0.05)
        base = pack.kinds["rotor"].modes[cause.split(".")[1]]
        assert abs(mode_prior(base, age, age) / expected - 1) > 0.2


def test_overlay_changes_lives_and_shapes_only(journey: Journey, pack: Pack) -> None:
    after = load_pack([journey.folder / "overlay.toml"])
    for name, mode in journey.modes.items():
        base = pack.kinds["rotor"].modes[name.split(".")[1]]
        assert structs.replace(mode, life_km=base.life_km, shape=base.shape) == base
        assert mode.life_km.spread < base.life_km.spread
        assert mode.shape == pytest.approx(journey.learned[name]["shape"], rel=1e-3)
    others = {kind: value for kind, value in after.kinds.items() if kind != "rotor"}
    assert others == {kind: value for kind, value in pack.kinds.items() if kind != "rotor"}


def test_overlay_says_where_it_comes_from(journey: Journey) -> None:
    source = load_pack([journey.folder / "overlay.toml"]).sources["learned-lives"]
    digest = hashlib.sha256((journey.folder.parent / "fleet.csv").read_bytes()).hexdigest()
    assert source.grade == "learned"
    rows = journey.facts["rows_used"]
    for said in (digest, f"{rows} rows", "1 rows refused", "seed 1", "pymc", "R-hat"):
        assert said in source.text


def test_priors_check_takes_the_overlay(
    journey: Journey, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(journey.folder / "settings.toml"))
    overlay = str(journey.folder / "overlay.toml")
    assert run(["priors", "check", overlay]) == 0
    path = "element.rotor.mode.burnt.life_km.median"
    capsys.readouterr()
    assert run(["priors", "show", path, "--priors", overlay, "--json"]) == 0
    (number,) = json.loads(capsys.readouterr().out)["numbers"]
    assert (number["path"], number["grade"]) == (path, "learned")


def test_what_is_printed_fits_the_documented_schema(journey: Journey) -> None:
    """JSON Schema 2020-12, by a general validator."""
    schema = json.loads(SCHEMAS.read_text(encoding="utf-8"))["swapinfer.lives/1"]
    jsonschema.validate(journey.facts, schema, jsonschema.Draft202012Validator)
    assert journey.facts["rows_refused"] == 1
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**journey.facts, "lives": [1]}, schema)


def test_text_names_every_mode_and_fits_the_page(journey: Journey) -> None:
    facts = {key: value for key, value in journey.facts.items() if key != "shape"}
    view = LivesView(**{**facts, "lives": tuple(LifeLine(**one) for one in facts["lives"])})
    lines = show(view, Page(80, has_colour=False)).splitlines()
    assert max(map(len, lines)) <= 80
    for cause, one in journey.learned.items():
        (line,) = (line for line in lines if line.endswith(cause))
        assert f"{one['life'] / 1000:,.0f}" in line.split()
        assert str(one["failures"]) in line.split()


def test_report_stands_alone(journey: Journey) -> None:
    text = (journey.folder / "report.html").read_text(encoding="utf-8")
    page = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    assert page.find(".//script") is None
    assert not [e for e in page.iter() if e.get("src") or (e.get("href") or "#")[0] != "#"]
    cells = ["".join(cell.itertext()) for cell in page.iter("td")]
    for cause, one in journey.learned.items():
        at = next(number for number, cell in enumerate(cells) if f"({cause})" in cell)
        assert cells[at + 1] == str(one["failures"])
    assert 'exposure: kind "rotr" is not known; did you mean "rotor"?' in cells


def test_a_missing_table_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SWAPINFER_SETTINGS", str(tmp_path / "settings.toml"))
    code = run(["priors", "lives", str(tmp_path / "no.csv"), "--out", str(tmp_path / "out")])
    assert code == LearnError.exit_code
    said = capsys.readouterr().err.splitlines()
    assert "no.csv: cannot be read as a table" in said[-1]
    assert not (tmp_path / "out" / "overlay.toml").exists()
