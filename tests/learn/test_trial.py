"""Whether to switch on what was learned, worked by hand and against truncated tables."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from invented_history import Fleet, draw_history
from lab.shops import recorded
from msgspec.structs import replace

from swapinfer.learn.counts import Counts, History, count_history
from swapinfer.learn.prepare import STAYED, CauseCounts, prepare_causes
from swapinfer.learn.prior import base_shares, describe_tests, shop_sd, vocabulary
from swapinfer.learn.trial import Mean, Scopes, Trial, find_changes, hold_to_later
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.plan.costing import PlanSettings

CONTACT = "injector-wiring.corroded"
INLINE = ("inline-4", "coil-on-plug", "port")
CLEAR = {"bits": Mean(0.5, 0.1), "cost": Mean(150.0, 5.0), "saved": Mean(40.0, 5.0)}
ALIKE = {"bits": Mean(0.0, 0.01), "cost": Mean(150.0, 5.0), "saved": Mean(1.0, 1.0)}
UNSURE = {"bits": Mean(0.1, 0.1), "cost": Mean(150.0, 5.0), "saved": Mean(9.0, 9.0)}


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack()


@pytest.fixture(scope="module")
def tables(pack: Pack, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four hundred jobs of two families whose injector contacts fail thirty times as often."""
    folder = tmp_path_factory.mktemp("history")
    words = vocabulary(pack)
    log_ratio = np.log([30.0 if cause == CONTACT else 1.0 for cause in words.causes])
    fleet = Fleet({"alder": INLINE, "birch": INLINE}, ("rough",), np.stack([log_ratio] * 2))
    drawn = draw_history(fleet, pack, words, describe_tests(pack), jobs=400, seed=4)
    drawn.jobs.to_csv(folder / "jobs.csv", index=False)
    drawn.findings.to_csv(folder / "findings.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def counts(pack: Pack, tables: Path) -> Counts:
    return count_history(History(tables / "jobs.csv", tables / "findings.csv"), vocabulary(pack))


@pytest.fixture(scope="module")
def data(pack: Pack, counts: Counts) -> CauseCounts:
    return prepare_causes(counts, pack, describe_tests(pack))


def test_the_earlier_part_is_what_the_table_held_then(
    pack: Pack, tables: Path, counts: Counts, tmp_path: Path
) -> None:
    """Rows of later jobs are taken out by hand; cells are compared by what they are."""
    assert counts.split is not None
    head, *rows = (tables / "jobs.csv").read_text().splitlines()
    early = [row for row in rows if row.split(",")[1] < counts.split.day]
    (tmp_path / "jobs.csv").write_text("\n".join([head, *early]) + "\n")
    then = count_history(History(tmp_path / "jobs.csv"), vocabulary(pack))

    def by_name(of: Counts) -> list[tuple[object, ...]]:
        stayed = of.cases.stayed.items()
        return sorted((of.cells[cell], cause, n) for (cell, cause), n in stayed)

    mine = counts.split.earlier
    assert by_name(mine) == by_name(then)
    verified = counts.cases.stayed.total()
    assert counts.split.later.total() == pytest.approx(verified / 3, rel=0.1)


def test_all_jobs_counted_again_are_the_same(pack: Pack, data: CauseCounts, counts: Counts) -> None:
    tests = describe_tests(pack)
    again = prepare_causes(counts, pack, tests, whole=data)
    for name in ("course_n", "cell_n", "first_n", "last_n", "count_n", "open_count_k"):
        np.testing.assert_array_equal(getattr(again, name), getattr(data, name))
    assert counts.split is not None
    part = prepare_causes(counts.split.earlier, pack, tests, whole=data)
    assert part.causes == data.causes
    assert 0 < part.open_count_k.sum() < data.open_count_k.sum()
    later = counts.split.later.total()
    assert part.count_n[part.course_n == STAYED].sum() + later <= data.count_n.sum()


def test_the_true_rates_save_and_wrong_ones_cost(
    pack: Pack, data: CauseCounts, counts: Counts
) -> None:
    tests, settings = describe_tests(pack), PlanSettings(costs=pack.costs)
    base_c = np.exp(shop_sd(pack, data.causes, 1.0) ** 2 / 2)
    is_it = np.array([cause == CONTACT for cause in data.causes])

    def trial(times: float, family: str = "") -> Trial:
        ratio_c = base_c * np.where(is_it, times, 1.0)
        return hold_to_later(counts, data, ratio_c, base_c, pack, tests, settings, family)

    assert trial(1.0).saved == Mean(0.0, 0.0)
    assert trial(1.0).answer == "no"
    assert trial(30.0).answer == "yes"
    assert trial(30.0).saved.low > 0.0
    assert trial(0.02).answer == "no"
    assert trial(0.02).saved.high < 0.0
    families = [trial(30.0, name) for name in ("alder", "birch")]
    assert sum(one.jobs for one in families) == trial(30.0).jobs
    assert trial(30.0, "cedar").answer == "not yet"


def test_what_is_expected_is_told_in_bits(pack: Pack, data: CauseCounts, counts: Counts) -> None:
    """Mean over the later jobs of log2 of the shares' ratio, cell by cell, worked out here."""
    assert counts.split is not None
    base_c, times_c = np.ones(len(data.causes)), np.ones(len(data.causes))
    times_c[data.causes.index("plug.worn")] = 3.0
    settings = PlanSettings(costs=pack.costs)
    found = hold_to_later(counts, data, times_c, base_c, pack, describe_tests(pack), settings)
    base_gc = base_shares(pack, counts.cells)
    worn = counts.words.causes.index("plug.worn")
    total = 0.0
    for (cell, cause), n in counts.split.later.items():
        raised = 1.0 + 2.0 * base_gc[cell, worn]
        total += n * math.log2((3.0 if cause == worn else 1.0) / raised)
    assert found.bits.value == pytest.approx(total / counts.split.later.total(), rel=1e-6)


@pytest.mark.parametrize(
    ("trial", "answer", "words"),
    [
        (Trial("2031-05-04", 140, 70, **CLEAR), "yes", "saved USD 40 a job"),
        (Trial("2031-05-04", 140, 70, **ALIKE), "no", "the same suspects"),
        (Trial("2031-05-04", 140, 70, **UNSURE), "not yet", "more verified jobs"),
        (Trial("2031-05-04", 9, 5, **CLEAR), "not yet", "Only 5 verified jobs"),
        (Trial(), "not yet", "it takes 10"),
    ],
)
def test_the_first_sentence_answers(trial: Trial, answer: str, words: str) -> None:
    told = list(replace(trial, currency="USD").sentences())
    assert told[0].lower().startswith(f"switch it on? {answer}")
    assert words in " ".join(told)


def test_more_jobs_are_asked_for_where_less_is_sure() -> None:
    """Half the error takes four times the jobs, a third of which are held out."""
    loose = Trial("2031-05-04", 140, 70, **UNSURE)
    assert loose.wanted == pytest.approx(3 * 70 * (1.6449**2 - 1.0), rel=1e-3)
    assert loose.more == 210, "as many again at most"
    assert Trial("2031-05-04", 4, 2, **UNSURE).more == 30


def test_a_family_that_stands_out_is_named() -> None:
    """Shares drawn around base, but for coils of one family at three times it."""
    rng = np.random.default_rng(3)
    causes = ("coil.breakdown", "plug.worn", "boot.torn")
    base_gc = np.array([[0.1, 0.5, 0.4]] * 4)
    confirmed_gc = np.array([[10, 50, 40]] * 3 + [[30, 40, 30]])
    data = CauseCounts(
        causes=causes,
        kinds=("coil", "plug", "boot"),
        kind_c=np.arange(3),
        groupings=(),
        base_gc=base_gc,
        **recorded(confirmed_gc),
        open_cell_k=np.array([], dtype=np.int64),
        open_likelihood_kc=np.zeros((0, 3)),
        open_count_k=np.array([]),
    )
    scopes = Scopes.of(np.full(4, 100.0), ["alder", "birch", "cedar", "heron"])
    share_dgc = np.stack([rng.dirichlet(row, 2000) for row in confirmed_gc + 1.0], axis=1)
    titles = {"coil": "ignition coil", "plug": "spark plug", "boot": "plug boot"}
    kinds_dzh = scopes.mix_zg @ share_dgc
    *_, last = found = find_changes(scopes, kinds_dzh, data, titles)
    assert (last.family, last.kind, last.confirmed) == ("heron", "coil", 30)
    assert last.times == pytest.approx(3.0, rel=0.15)
    assert "In the heron family the ignition coil is at fault" in last.sentence
    assert "30 confirmed cases" in last.sentence
    assert all(not one.family for one in found[:-1])
    alone = Scopes.of(np.array([0.0, 0.0, 0.0, 100.0]), ["alder", "birch", "cedar", "heron"])
    (first, *_) = find_changes(alone, alone.mix_zg @ share_dgc, data, titles)
    assert (first.family, first.kind) == ("", "coil")
