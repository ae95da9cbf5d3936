"""A shop's whole history as counts: what the models need, and nothing that grows with its rows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec
import numpy as np
from msgspec.structs import replace

from swapinfer.evidence.arrays import BoolArray, FloatArray, IntArray
from swapinfer.learn import tables
from swapinfer.learn.prior import AGE_BANDS, AGE_BANDS_KM, MAX_FAMILIES, Cell, Vocabulary
from swapinfer.physics import MOST_KM

if TYPE_CHECKING:
    import pandas as pd

LATER = 1 / 3
"""Part of the verified jobs that what was learned from the others is held to."""
OPEN, SET_ASIDE, WEIGHED = -1, -2, -3
"""In place of a job's cause: none was established; several were, or the job belongs to a comeback;
none was, and an exact engine has weighed the findings."""
NO_CAUSE = ("", "not-found", "declined")
"""What stands for a cause that nobody established; such jobs count as unconfirmed."""
REPAIR = "repair"
"""In ``confirmed_by``: nothing but the success of the repair established the cause."""
DATE = r"\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])"
STRAY = "comebacks whose first visit the table does not hold"
SELF_CONFIRMED = "findings whose own test confirmed the cause"


class History(msgspec.Struct, frozen=True, eq=False):
    """A shop's history: tables of jobs and of findings, and of other shops' cases.

    `exact` gives the log-likelihood under each cause of jobs whose findings an exact engine has
    weighed; for other jobs the product over their findings is taken.
    """

    jobs: tables.Source
    findings: tables.Source | None = None
    exact: Mapping[str, FloatArray] = msgspec.field(default_factory=dict)
    others: tuple[Path, ...] = ()


class RowReport(msgspec.Struct, frozen=True):
    """What happened to the rows of a history; refused ones and oddities by what was said of them.

    `advised` counts jobs by whether their steps were chosen by advice, `theirs` other shops' cases.
    """

    jobs_used: int
    findings_used: int
    refused: Counter[str]
    notes: Counter[str]
    first_day: str
    last_day: str
    advised: Counter[str]
    digest: str
    theirs: int = 0

    @property
    def rows_refused(self) -> int:
        """Of both tables."""
        return self.refused.total()


class CaseCounts(msgspec.Struct, frozen=True):
    """Verified causes by cell. A job and those that its complaint returned in are one case.

    It stayed, by (cell, cause); returned without another verified cause; returned with one, by
    (cell, first, last); or returned and has none at all.
    """

    stayed: Counter[tuple[int, int]] = msgspec.field(default_factory=Counter)
    returned: Counter[tuple[int, int]] = msgspec.field(default_factory=Counter)
    chains: Counter[tuple[int, int, int]] = msgspec.field(default_factory=Counter)
    open_by_cell: Counter[int] = msgspec.field(default_factory=Counter)

    def by_cell(self, n_cells: int) -> FloatArray:
        """Cases with a verified cause in each cell; shape (cell,)."""
        return self._total(0, n_cells)

    def by_cause(self, n_causes: int) -> FloatArray:
        """Cases by their last verified cause; shape (cause,)."""
        return self._total(-1, n_causes)

    def _total(self, part: int, size: int) -> FloatArray:
        total = np.zeros(size)
        for counter in (self.stayed, self.returned, self.chains):
            for key, count in counter.items():
                total[key[part]] += count
        return total


class Split(msgspec.Struct, frozen=True):
    """A history parted at a day, so that what its first part says can be held to the second.

    `later` counts verified jobs with one cause and without a comeback by (cell, cause).
    """

    day: str
    earlier: Counts
    later: Counter[tuple[int, int]]


class Counts(msgspec.Struct, frozen=True):
    """Sufficient statistics of a history.

    `patterns` counts unconfirmed jobs by (cell, outcomes), `weighed_patterns` those in `exact`,
    where they tell about tests only, and `exact` by (cell, log-likelihoods); `sightings` are
    findings of confirmed jobs by (cause, outcome, whether at the place complained of).
    """

    words: Vocabulary
    cells: tuple[Cell, ...]
    rows: RowReport
    cases: CaseCounts = CaseCounts()
    patterns: Counter[tuple[int, tuple[int, ...]]] = Counter()
    weighed_patterns: Counter[tuple[int, tuple[int, ...]]] = Counter()
    exact: Counter[tuple[int, tuple[float, ...]]] = Counter()
    sightings: Counter[tuple[int, int, bool]] = Counter()
    unconfirmed: Counter[int] = Counter()
    split: Split | None = None

    @property
    def jobs_by_cell(self) -> FloatArray:
        """Jobs of each cell, confirmed or not; shape (cell,)."""
        total = self.cases.by_cell(len(self.cells))
        for cell, count in self.unconfirmed.items():
            total[cell] += count
        return total


def count_history(
    history: History,
    words: Vocabulary,
    *,
    refused_to: Path | None = None,
    refused_before: Mapping[str, pd.DataFrame] | None = None,
    max_families: int = MAX_FAMILIES,
) -> Counts:
    """Check and count a history, and list refused rows with those refused before as a CSV file."""
    jobs, cells, refused_jobs = _read_jobs(history.jobs, words, max_families)
    if jobs.empty:
        reasons = tables.write_refused({"jobs": refused_jobs}, refused_to)
        raise tables.none_left(history.jobs, reasons)
    by_job = _one_row_a_job(jobs, history.exact)
    findings, refused_findings = _read_findings(history.findings or (), words, by_job)
    refused = {"jobs": refused_jobs, "findings": refused_findings, **(refused_before or {})}
    rows = RowReport(
        jobs_used=len(jobs),
        findings_used=len(findings),
        refused=tables.write_refused(refused, refused_to),
        notes=Counter({SELF_CONFIRMED: int((findings["is_own"] & (findings["cause"] >= 0)).sum())}),
        first_day=min(jobs["opened"].unique()),
        last_day=max(jobs["opened"].unique()),
        advised=Counter(jobs["advised"]),
        digest=tables.digest_of(
            one for one in (history.jobs, history.findings, *history.others) if one is not None
        ),
    )
    bare = Counts(words, cells, rows=rows)
    counts = _count(jobs, by_job, findings, history.exact, bare)
    verified = np.sort(by_job.loc[by_job["cause"] >= 0, "opened"].astype(object).to_numpy())
    day = str(verified[int((1.0 - LATER) * len(verified))]) if len(verified) else ""
    if not day or day == verified[0]:
        return counts
    is_early, early_jobs = (_is_before(one["opened"], day) for one in (by_job, jobs))
    later = by_job.loc[~is_early & (by_job["cause"] >= 0)]
    good = jobs[early_jobs], by_job[is_early], findings[is_early[findings["at"]]]
    earlier = _count(*good, history.exact, bare)
    split = Split(day, earlier, _tally(later[["cell", "cause"]]))
    return replace(counts, split=split)


def _count(
    jobs: pd.DataFrame,
    by_job: pd.DataFrame,
    findings: pd.DataFrame,
    exact: Mapping[str, FloatArray],
    bare: Counts,
) -> Counts:
    """Count good rows that go together; what is odd about them is added to the notes."""
    plain = jobs.loc[~jobs["is_linked"], ["cell", "cause"]]
    confirmed = _tally(plain[plain["cause"] != OPEN])
    cases, odd = follow_chains(confirmed, jobs[jobs["is_linked"]])
    told = findings[(findings["cause"] >= 0) & ~findings["is_own"]]
    telling = findings[findings["cause"].isin((OPEN, WEIGHED)) & findings["is_here"]]
    columns = ["at", "cause", "cell", "shown"]
    patterns = patterns_of(telling[columns].to_numpy(dtype=np.int64))
    weighed = by_job.loc[by_job["cause"] == WEIGHED, "cell"].items()
    return replace(
        bare,
        cases=cases,
        patterns=patterns[OPEN],
        weighed_patterns=patterns[WEIGHED],
        exact=Counter((int(cell), tuple(map(float, exact[str(name)]))) for name, cell in weighed),
        sightings=_tally(told[["cause", "shown", "is_here"]]),
        unconfirmed=Counter(plain.loc[plain["cause"] == OPEN, "cell"]) + cases.open_by_cell,
        rows=replace(bare.rows, notes=bare.rows.notes + odd),
    )


def _is_before(opened: pd.Series[str], day: str) -> BoolArray:
    names = opened.cat.categories
    out: BoolArray = np.array([name < day for name in names], dtype=np.bool_)[opened.cat.codes]
    return out


def number_cells(jobs: pd.DataFrame, max_families: int) -> tuple[IntArray, tuple[Cell, ...]]:
    """Give each cell a number, in alphabetical order; the jobs' numbers, and the cells."""
    odometer = tables.numbers_of(jobs["odometer_km"])
    band = np.searchsorted(AGE_BANDS_KM, odometer, side="right")
    band[np.isnan(odometer)] = len(AGE_BANDS) - 1
    told = jobs[["layout", "ignition", "fuel", "complaint"]].assign(
        age=np.array(AGE_BANDS, dtype=object)[band],
        family=tables.pool_rare(jobs["family"], max_families),
    )
    groups = told.groupby(list(Cell._fields), observed=True, sort=False)
    cells = [Cell(*key) for key in groups.size().index]
    order = sorted(range(len(cells)), key=cells.__getitem__)
    number: IntArray = np.argsort(order)[groups.ngroup()]
    return number, tuple(cells[at] for at in order)


def _read_jobs(
    source: tables.Source, words: Vocabulary, max_families: int
) -> tuple[pd.DataFrame, tuple[Cell, ...], pd.DataFrame]:
    """Good rows with the numbers of their cell and cause, the cells, and refused rows."""
    import pandas as pd

    frame = tables.read_table(source, tables.JOBS)
    unknown = frame["cause_kind"].isin(NO_CAUSE) | (frame["cause_mode"] == "")
    named = tables.pair_words(frame["cause_kind"], ".", frame["cause_mode"]).mask(unknown, "")
    rows = tables.Checks(frame := frame.assign(cause=named.astype("category")), tables.JOBS)
    rows.unlike("job", r".{1,80}", "a job's name of 1 to 80 characters")
    rows.unlike("opened", DATE, "a date like 2026-03-31")
    rows.not_word("family")
    rows.not_word("complaint")
    rows.not_number("odometer_km", 0.0, MOST_KM)
    rows.not_number("exposure_km", 0.0, MOST_KM)
    rows.unknown("layout", words.layouts)
    for axis, values in words.fitments.items():
        rows.unknown(axis, values)
    rows.unknown("confirmed_by", ("", REPAIR, *words.outcomes))
    rows.unknown("cause", ("", *words.causes))
    for axis in words.fitments:
        rows.misfits(axis, words.needs)
    rows.unknown("verified", ("yes", "no"))
    rows.unknown("advised", ("", "yes", "no"))
    rows.refuse(
        (frame["verified"] == "yes") & (frame["cause"] == ""),
        lambda _: "verified is yes, but no cause is given with its mode",
    )
    rows.refuse(
        frame["comeback_of"].astype(object) == frame["job"].astype(object),
        lambda _: "comeback_of names the job itself",
    )
    good, refused = rows.split()
    good, again = _part(
        good,
        good.duplicated(["job", "cause"]),
        "the same job with the same cause stands in an earlier row",
    )
    cell, cells = number_cells(good, max_families)
    cause = _places(good["cause"], words.causes)
    is_comeback = good["comeback_of"] != ""
    jobs = good[["job", "opened", "place", "comeback_of", "advised"]].assign(
        cell=cell,
        cause=np.where(good["verified"] == "yes", cause, OPEN),
        confirmed_by=_places(good["confirmed_by"], tuple(words.outcomes)),
        is_linked=is_comeback | good["job"].isin(good.loc[is_comeback, "comeback_of"]),
    )
    return jobs, cells, pd.concat([refused, again], ignore_index=True)


def _read_findings(
    source: tables.Source, words: Vocabulary, by_job: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Good rows with numbers, and what their job's row says; and refused rows."""
    import pandas as pd

    frame = tables.read_table(source, tables.FINDINGS)
    shown = tables.pair_words(frame["test"], "=", frame["outcome"])
    rows = tables.Checks(frame.assign(shown=shown.astype("category")), tables.FINDINGS)
    rows.unlike("job", r".{1,80}", "a job's name of 1 to 80 characters")
    rows.not_number("sequence", 0.0, 1e9)
    rows.missing("sequence")
    rows.unknown("test", words.outcomes)
    rows.unknown("shown", words.shown)
    good, refused = rows.split()
    good, again = _part(
        good,
        good.duplicated(["job", "sequence"]),
        "the same sequence number stands in an earlier row of the job",
    )
    at = by_job.index.get_indexer(good["job"].cat.categories)[good["job"].cat.codes]
    good, orphans = _part(good.assign(at=at), at < 0, "no such job in the jobs table")
    job, target = by_job.iloc[good["at"]], good["target"].to_numpy(dtype=object)
    test = _places(good["test"], tuple(words.outcomes))
    findings = good[["at"]].assign(
        cell=job["cell"].to_numpy(),
        cause=job["cause"].to_numpy(),
        shown=_places(good["shown"], words.shown),
        is_own=job["confirmed_by"].to_numpy() == test,
        is_here=(target == "") | (target == job["place"].to_numpy(dtype=object)),
    )
    return findings, pd.concat([refused, again, orphans], ignore_index=True)


def _part(
    frame: pd.DataFrame, bad: BoolArray | pd.Series[bool], say: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part rows from those that only the whole table shows to be bad."""
    worse = frame[bad]
    return frame[~bad], tables.refusals(worse, say, worse["job"].astype(object))


def _places(column: pd.Series[str], known: tuple[str, ...]) -> IntArray:
    """Place of each word among those known, -1 where it is none of them."""
    import pandas as pd

    out: IntArray = pd.Index(known).get_indexer(column.cat.categories)[column.cat.codes]
    return out


def follow_chains(
    confirmed: Counter[tuple[int, int]], linked: pd.DataFrame
) -> tuple[CaseCounts, Counter[str]]:
    """Link comebacks to their first visit, whose cell counts; and note what was odd.

    `confirmed` are jobs without any; `linked` came back or are comebacks: job, cell, cause,
    comeback_of.
    """
    cases = CaseCounts(stayed=confirmed)
    columns = linked.sort_values("cause", kind="stable")[["job", "cell", "cause", "comeback_of"]]
    visits = {job: visit for job, *visit in columns.itertuples(index=False, name=None)}
    next_visit = {parent: job for job, (_, _, parent) in visits.items() if parent}
    strays = [job for job, (_, _, parent) in visits.items() if parent and parent not in visits]
    firsts = strays + [job for job, (_, _, parent) in visits.items() if not parent]
    for first in sorted(firsts):
        case, job = [first], first
        while (job := next_visit.get(job, "")) in visits and job not in case:
            case.append(job)
        cell, causes = visits[first][0], [visits[job][1] for job in case]
        known = [cause for cause in causes if cause != OPEN]
        if not known:
            cases.open_by_cell[cell] += 1
        elif len(known) > 1:
            cases.chains[cell, known[0], known[-1]] += 1
        elif causes[-1] == OPEN:
            cases.returned[cell, known[0]] += 1
        else:
            cases.stayed[cell, known[0]] += 1
    return cases, Counter({STRAY: len(strays)})


def _one_row_a_job(jobs: pd.DataFrame, exact: Mapping[str, FloatArray]) -> pd.DataFrame:
    """Cell, cause, place and confirming test of each job, by its name, for its findings."""
    is_aside = jobs["is_linked"] | jobs["job"].duplicated(keep=False)
    first = jobs.assign(cause=jobs["cause"].mask(is_aside, SET_ASIDE)).drop_duplicates("job")
    is_weighed = first["job"].isin(list(exact)) & (first["cause"] == OPEN)
    first["cause"] = first["cause"].mask(is_weighed, WEIGHED)
    names = first["job"].astype(object)
    return first.set_index(names)[["cell", "cause", "place", "confirmed_by", "opened"]]


def _tally(rows: pd.DataFrame) -> Counter[Any]:
    """Count rows that are alike, each as a tuple."""
    return Counter(rows.itertuples(index=False, name=None))


def patterns_of(rows: IntArray) -> dict[int, Counter[tuple[int, tuple[int, ...]]]]:
    """Collect the outcomes of each job, and count jobs alike, by how their cause is known.

    Of findings (job, how its cause is known, cell, outcome), by (cell, ascending outcomes).
    """
    found: dict[int, Counter[tuple[int, tuple[int, ...]]]] = {OPEN: Counter(), WEIGHED: Counter()}
    if not len(rows):
        return found
    rows = rows[np.lexsort((rows[:, 3], rows[:, 0]))]
    starts = np.flatnonzero(np.diff(rows[:, 0], prepend=-1))
    position = np.arange(len(rows)) - np.repeat(starts, np.diff([*starts, len(rows)]))
    table = np.full((len(starts), 3 + int(position.max())), -1, dtype=np.int64)
    table[:, :2] = rows[starts, 1:3]
    table[np.cumsum(position == 0) - 1, 2 + position] = rows[:, 3]
    distinct, count = np.unique(table, axis=0, return_counts=True)
    for (cause, cell, *outcomes), n in zip(distinct.tolist(), count.tolist(), strict=True):
        found[cause][cell, tuple(one for one in outcomes if one >= 0)] = n
    return found
