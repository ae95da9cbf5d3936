"""From tables to an overlay that a pack takes: what is recovered, refused, repeated."""

from __future__ import annotations

import json
from collections import Counter
from html import escape
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from invented_history import Fleet, draw_history
from msgspec.structs import replace

from swapinfer.commands.comparing import compare_causes, compare_costs
from swapinfer.commands.learning import view_learned
from swapinfer.errors import LearnError
from swapinfer.learn import prepare
from swapinfer.learn.counts import CaseCounts, History, RowReport
from swapinfer.learn.density import contrasts, told_apart
from swapinfer.learn.history import Learned
from swapinfer.learn.learn import LearnResult, learn_overlay
from swapinfer.learn.prepare import (
    OutcomeCounts,
    all_causes,
    merge_alike,
    pattern_log_likelihood,
    prepare_outcomes,
)
from swapinfer.learn.prior import Cell, base_shares, describe_tests, shares_of, vocabulary
from swapinfer.learn.report import history_html
from swapinfer.learn.sampling import Health, Sampling, Target, diagnose, e_bfmi, quiet
from swapinfer.pack.hazard import cause_modes
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack

pytestmark = pytest.mark.usefixtures("libraries")

INLINE = ("inline-4", "coil-on-plug", "port")
CELL = Cell(*INLINE, "alder", "60-120", "")
TRUE = {"coil.breakdown": 4.0, "plug.worn": 0.2}


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


@pytest.fixture(scope="module")
def result(pack: Pack, tmp_path_factory: pytest.TempPathFactory) -> LearnResult[Learned]:
    """Six hundred jobs of a fleet whose coils fail often and whose plugs hardly ever do."""
    folder = tmp_path_factory.mktemp("history")
    words = vocabulary(pack)
    log_ratio = np.log([TRUE.get(cause, 1.0) for cause in words.causes])
    fleet = Fleet({"alder": INLINE, "birch": INLINE}, ("rough",), np.stack([log_ratio] * 2))
    drawn = draw_history(fleet, pack, words, describe_tests(pack), jobs=600, seed=4)
    drawn.jobs.to_csv(folder / "jobs.csv", index=False)
    drawn.findings.to_csv(folder / "findings.csv", index=False)
    return learn_overlay(
        History(folder / "jobs.csv", folder / "findings.csv"),
        pack,
        folder / "out",
        Sampling(seed=1, draws=1200, chains=2),
    )


@pytest.mark.slow
def test_true_shares_lie_in_the_intervals(pack: Pack, result: LearnResult[Learned]) -> None:
    """At least 80 % of the 90 % intervals hold the truth that the history was drawn from."""
    counts = result.learned.counts
    log_ratio = np.log([TRUE.get(cause, 1.0) for cause in counts.words.causes])
    true_gc = base_shares(pack, counts.cells) * np.exp(log_ratio)
    true_gc /= true_gc.sum(axis=1, keepdims=True)
    jobs_g = counts.jobs_by_cell
    true = dict(zip(counts.words.causes, jobs_g / jobs_g.sum() @ true_gc, strict=True))
    learned = {one.cause: one for one in result.learned.causes}
    inside = [one.share_low <= true[cause] <= one.share_high for cause, one in learned.items()]
    assert np.mean(inside) > 0.8
    assert learned["coil.breakdown"].low > 1.0
    assert learned["plug.worn"].high < 1.0


def test_a_cause_without_cases_keeps_to_the_base_pack(result: LearnResult[Learned]) -> None:
    unseen = min(result.learned.causes, key=lambda one: (one.cases, one.base_share))
    assert unseen.cases < 0.1
    assert unseen.informed < 0.5
    assert unseen.low < 1.0 < unseen.high
    (common,) = (one for one in result.learned.causes if one.cause == "coil.breakdown")
    assert common.informed > 0.9


def test_the_report_begins_with_whether_to_switch_it_on(result: LearnResult[Learned]) -> None:
    text = history_html(result.learned)
    assert text.split("<p>")[1].startswith("<strong>Switch it on?")
    for said in result.learned.first_words:
        assert escape(said) in text
    assert f"a ratio of {result.learned.level:.2f} leaves a share as it was" in text


def test_where_nothing_came_back_nothing_is_said_of_right_causes(
    result: LearnResult[Learned],
) -> None:
    assert "<td>a verified cause was the true one" in history_html(result.learned)
    cases = CaseCounts(stayed=result.learned.counts.cases.stayed)
    silent = replace(result.learned, counts=replace(result.learned.counts, cases=cases))
    assert "<td>a verified cause was the true one" not in history_html(silent)
    assert "nothing can be said" in history_html(silent)


def test_mean_rate_of_all_complaints_stays(result: LearnResult[Learned]) -> None:
    """Base shares times mean ratios add up to the pack's mean over its median, exactly."""
    learned = result.learned
    mix_g = learned.counts.jobs_by_cell / learned.counts.jobs_by_cell.sum()
    base_c = mix_g @ learned.data.base_gc
    level = base_c @ np.exp(learned.shop_sd_c**2 / 2)
    ratio_dc = level * learned.shares.mixed_dc / base_c
    assert ratio_dc @ base_c == pytest.approx(level, rel=1e-9)


def test_overlay_is_taken_by_the_pack_reader(pack: Pack, result: LearnResult[Learned]) -> None:
    after = load_pack([result.overlay])
    told = {one.cause: one for one in result.learned.causes}
    modes = cause_modes(after)
    for cause, one in told.items():
        assert modes[cause].hazard_ratio.median == pytest.approx(one.median, rel=1e-3)
        assert modes[cause].life_km.spread == 1.0
        assert modes[cause].life_km.median == cause_modes(pack)[cause].life_km.median
    assert after.sources["learned"].grade == "learned"
    text = after.sources["learned"].text
    for said in (result.learned.counts.rows.digest, "seed 1", "pymc", "R-hat"):
        assert said in text
    changed = {
        (test.id, profile)
        for test in pack.tests.values()
        for profile in test.profiles
        if shares_of(test, profile) != shares_of(after.tests[test.id], profile)
    }
    assert changed <= {(unit.test, unit.profile) for unit in result.learned.chances}


def test_what_is_printed_fits_the_documented_schema(result: LearnResult[Learned]) -> None:
    """JSON Schema 2020-12, by a general validator; a figure of the wrong kind does not fit."""
    facts = json.loads(
        json.dumps(view_learned(result, result.overlay.parent, ("a remark",)).to_json())
    )
    shapes = Path(__file__).parents[2] / "docs" / "reference" / "json-shapes.json"
    schema = json.loads(shapes.read_text(encoding="utf-8"))[facts["shape"]]
    jsonschema.validate(facts, schema, jsonschema.Draft202012Validator)
    assert len(facts["causes"]) == len(result.learned.causes)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({**facts, "rows_used": "many"}, schema)


def test_compare_names_the_largest_change(pack: Pack, result: LearnResult[Learned]) -> None:
    after = load_pack([result.overlay])
    first = compare_causes(pack, after, CELL)[0]
    assert first.cause == "coil.breakdown"
    assert first.share_after > 1.5 * first.share_before


def test_draws_are_readable_by_others(result: LearnResult[Learned]) -> None:
    import xarray as xr

    with quiet():
        tree = xr.open_datatree(result.draws["causes"], engine="zarr")
    assert "shop" in tree["posterior"].data_vars


def test_report_stands_alone(result: LearnResult[Learned]) -> None:
    import html5lib

    text = result.report.read_text(encoding="utf-8")
    page = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    assert page.find(".//script") is None
    assert not [e for e in page.iter() if e.get("src") or (e.get("href") or "#")[0] != "#"]
    assert len(page.findall(".//details")) >= 2
    assert "600" in text or str(result.learned.counts.rows.jobs_used) in text
    assert history_html(result.learned) == text


def test_an_unknown_family_is_refused_before_sampling(
    pack: Pack, result: LearnResult[Learned], tmp_path: Path
) -> None:
    history = History(result.overlay.parent.parent / "jobs.csv")
    with pytest.raises(LearnError, match='no family "aldr" in this history; did you mean "alder"'):
        learn_overlay(history, pack, tmp_path, Sampling(seed=1), family="aldr")
    assert not (tmp_path / "overlay.toml").exists()


HEALTHY = Health(1.001, 900.0, 800.0, 0, 0.9, "")


@pytest.mark.parametrize(
    ("change", "phrase"),
    [
        ({"r_hat": 1.02}, "R-hat 1.020"),
        ({"r_hat": float("nan")}, "R-hat nan"),
        ({"ess_bulk": 399.0}, "bulk effective sample size 399"),
        ({"ess_tail": 399.0}, "tail effective sample size 399"),
        ({"divergences": 1}, "1 divergent"),
        ({"e_bfmi": 0.2}, "energy E-BFMI 0.20"),
    ],
)
def test_each_threshold_is_named(change: dict[str, float], phrase: str) -> None:
    assert HEALTHY.complaints == ()
    (complaint,) = replace(HEALTHY, **change).complaints
    assert complaint.startswith(phrase)


def test_chains_that_disagree_are_unhealthy() -> None:
    """Two chains around different values: R-hat far above 1."""
    import xarray as xr

    rng = np.random.default_rng(0)
    values = rng.standard_normal((2, 500)) + np.array([[0.0], [3.0]])
    stats = {"diverging": np.zeros((2, 500), bool), "energy": rng.standard_normal((2, 500))}
    dims = ("chain", "draw")
    trace = {
        "posterior": xr.Dataset({"x": (dims, values)}),
        "sample_stats": xr.Dataset({name: (dims, v) for name, v in stats.items()}),
    }
    health = diagnose(trace, ["x"])
    assert health.r_hat > 1.5
    assert any(phrase.startswith("R-hat") for phrase in health.complaints)


def test_a_compiled_density_adds_up_in_one_order() -> None:
    """No operation may be reassociated (LLVM language reference, "Fast-Math Flags"): how it then
    is depends on what a cache of compiled functions holds, and so would the draws."""
    import pymc as pm

    with pm.Model() as model:
        pm.Normal("x", 0.0, 1.0, shape=3)
    code = Target.of_model(model).compiled.compiled_logp_func.inspect_llvm()
    assert "fmul double" in code
    assert "reassoc" not in code


def test_energy_that_creeps_is_seen() -> None:
    """Independent energies give about 2; a random walk gives nearly nothing."""
    rng = np.random.default_rng(0)
    steps = rng.standard_normal((1, 4000))
    assert e_bfmi(steps)[0] == pytest.approx(2.0, abs=0.15)
    assert e_bfmi(steps.cumsum(axis=1))[0] < 0.05


def test_pattern_likelihood_is_the_product_over_findings(pack: Pack) -> None:
    tests = describe_tests(pack)
    patterns = [(3,), (), (5, 5, 60)]
    found = np.exp(pattern_log_likelihood(patterns, tests))
    expected = [np.prod(tests.chance_oc[list(pattern)], axis=0) for pattern in patterns]
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_merging_keeps_totals_means_and_labels_apart() -> None:
    """Groups never mix labels; at full resolution every distinct point is its own group."""
    rng = np.random.default_rng(2)
    points, weights = rng.random((300, 5)), rng.integers(1, 5, size=300).astype(float)
    labels = rng.integers(3, size=300)
    few = merge_alike(points, weights, labels, 20)
    assert len(np.unique(few)) == 20
    assert all(len(np.unique(labels[few == group])) == 1 for group in range(20))
    assert len(np.unique(merge_alike(points, weights, labels, 1000))) == 300
    assert len(np.unique(merge_alike(points, weights, labels, 1))) == 3


def test_merged_jobs_keep_the_slope_at_the_base_shares(
    result: LearnResult[Learned], pack: Pack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Central differences of the log-likelihood in each log share, merged and not."""
    counts, data = result.learned.counts, result.learned.data
    kept = np.isin(counts.words.causes, data.causes)
    slopes = []
    for most in (10_000, 8):
        monkeypatch.setattr(prepare, "MAX_OPEN_GROUPS", most)
        cell_k, likelihood_kc, count_k = prepare.open_groups(
            counts, describe_tests(pack), data.base_gc, kept
        )
        base_kc = data.base_gc[cell_k]

        def log_likelihood(step_c: np.ndarray, of: tuple[np.ndarray, ...]) -> float:
            base, likelihood, count = of
            return float(count @ np.log((base * np.exp(step_c) * likelihood).sum(axis=1)))

        given_ = (base_kc, likelihood_kc, count_k)
        steps = 1e-4 * np.eye(len(data.causes))
        slopes.append(
            [(log_likelihood(s, given_) - log_likelihood(-s, given_)) / 2e-4 for s in steps]
        )
        assert count_k.sum() == pytest.approx(sum(counts.patterns.values()))
    np.testing.assert_allclose(slopes[0], slopes[1], rtol=1e-5, atol=1e-6)


def test_directions_of_effects_are_orthonormal_and_silent_ones_left_out() -> None:
    """Shop effects never contain the shift common to all; effects of a grouping add up to 0."""
    sd = np.array([0.5, 1.0, 2.0, 0.7])
    basis = told_apart(sd)
    np.testing.assert_allclose(basis.T @ basis, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(basis.T @ (1 / sd), 0.0, atol=1e-12)
    rows, grouping = contrasts([3, 2])
    np.testing.assert_allclose(rows @ rows.T, np.eye(3), atol=1e-12)
    np.testing.assert_allclose(rows[:, grouping == 0].sum(axis=1), 0.0, atol=1e-12)
    np.testing.assert_allclose(rows[:, grouping == 1].sum(axis=1), 0.0, atol=1e-12)


def test_outcomes_of_every_test_add_up_to_one_under_every_cause(pack: Pack) -> None:
    tests = describe_tests(pack)
    start = 0
    for names in vocabulary(pack).outcomes.values():
        total = tests.chance_oc[start : start + len(names)].sum(axis=0)
        np.testing.assert_allclose(total, 1.0, atol=1e-9)
        start += len(names)


def test_unconfirmed_findings_count_in_proportion(result: LearnResult[Learned], pack: Pack) -> None:
    """Mixture weights of each group add up to 1, and findings of inspections are all there."""
    learned = result.learned
    data: OutcomeCounts = prepare_outcomes(
        learned.counts,
        describe_tests(pack),
        all_causes(learned.shares.mean_gc, learned.data, learned.counts),
    )
    start_k = np.concatenate([[0], data.end_k[:-1]])
    np.testing.assert_allclose(np.add.reduceat(data.weight_i, start_k), 1.0, atol=1e-9)
    shown = [n for names in learned.counts.words.outcomes.values() for n in names]
    of_test = [t for t, names in learned.counts.words.outcomes.items() for _ in names]
    inspection = [pack.tests[test].form == "inspection" for test in of_test]
    assert len(shown) == len(inspection)
    counted = sum(n for (_, o, _), n in learned.counts.sightings.items() if inspection[o])
    counted += sum(
        n * sum(inspection[o] for o in outcomes)
        for (_, outcomes), n in learned.counts.patterns.items()
    )
    assert data.count_k.sum() == counted


def test_costs_of_a_job_worked_twice_are_paired() -> None:
    """Costs 10 and 7 for each job: 3 saved, with no spread, whatever the resample."""
    pairs = [(("a", 10.0 * job), ("b" if job == 2 else "a", 10.0 * job - 3.0)) for job in (1, 2, 3)]
    found = compare_costs(pairs, seed=0, currency="EUR")
    assert (found.cost_before, found.cost_after) == (20.0, 17.0)
    assert found.saved == pytest.approx(3.0)
    assert (found.low, found.high) == (pytest.approx(3.0), pytest.approx(3.0))
    assert found.changed == 1
    with pytest.raises(LearnError, match="no past job"):
        compare_costs([], seed=0, currency="EUR")


def test_row_report_adds_refusals_up() -> None:
    report = RowReport(
        1, 0, Counter({"jobs: a": 2, "jobs: b": 1}), Counter(), "", "", Counter(), ""
    )
    assert report.rows_refused == 3
