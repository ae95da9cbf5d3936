"""Row-by-row checks of the tables that are learned from: what is refused, and why."""

from __future__ import annotations

from collections import Counter
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import numpy as np

from swapinfer.errors import near_match
from swapinfer.evidence.arrays import BoolArray, FloatArray
from swapinfer.learn.tables import EXPOSURE, FINDINGS, JOBS, RATES, Columns
from swapinfer.physics import MOST_KM

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    import pandas as pd
    from numpy.typing import NDArray

    ObjectArray = NDArray[np.object_]

NO_CAUSE = ("", "not-found", "declined")
"""What stands for a cause that nobody established; such jobs count as unconfirmed."""
REPAIR = "repair"
"""In ``confirmed_by``: nothing but the success of the repair established the cause."""
JOB = r".{1,80}"
WORD = r"[a-z0-9][a-z0-9._+-]{0,39}"
"""Families and complaints: a word, so that no free text with names in it gets in."""
DATE = r"\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])"
WHOLE = r"[1-9]\d{0,8}(?:\.0)?"
"""A count; tables made by programs that know only one type of number write it with ``.0``."""


MOST_FLEET_KM = 1e15
"""All that a fleet's elements are driven; our choice, no source."""


class Vocabulary(msgspec.Struct, frozen=True):
    """Words that a history may use.

    Attributes
    ----------
    causes : tuple of str
        ``"kind.mode"`` each, in the order of the models' cause axis.
    outcomes : dict of str to tuple of str
        Test to its outcomes (bands of a reading).
    layouts : tuple of str
        What engines may be like.
    fitments : dict of str to tuple of str
        What ``ignition`` and ``fuel`` may be.
    needs : dict of str to dict of str to tuple of str
        Cause to the fitments with which alone it exists; a cause that is not named always does.
    """

    causes: tuple[str, ...]
    outcomes: dict[str, tuple[str, ...]]
    layouts: tuple[str, ...]
    fitments: dict[str, tuple[str, ...]]
    needs: dict[str, dict[str, tuple[str, ...]]]

    @property
    def shown(self) -> tuple[str, ...]:
        """Every outcome of every test, as ``"test=outcome"``, in the order of outcome numbers."""
        return tuple(f"{test}={name}" for test, names in self.outcomes.items() for name in names)


class Checks:
    """Collects the first reason against each row of a table.

    Parameters
    ----------
    frame : DataFrame
        As `swapinfer.learn.tables.read_table` gives it, derived columns added.
    columns : Columns
        What is shown of a refused row.
    """

    def __init__(self, frame: pd.DataFrame, columns: Columns) -> None:
        self.frame = frame
        self.columns = columns
        self.reason = np.full(len(frame), "", dtype=object)
        width = frame["width"].to_numpy()
        self.refuse(width != 0, lambda row: f"the row has {width[row]} fields, the header does not")

    def refuse(self, bad: BoolArray | pd.Series[bool], say: Callable[[int], str]) -> None:
        """Refuse rows against which nothing has been found yet, for what `say` says of each."""
        for row in np.flatnonzero(np.asarray(bad) & (self.reason == "")):
            self.reason[row] = say(int(row))

    def unlike(self, column: str, pattern: str, wanted: str) -> None:
        """Refuse words that do not look right."""
        words = self.frame[column].cat.categories
        self._refuse_words(
            column,
            ~words.str.fullmatch(pattern).astype(bool),
            lambda word: f'{column} "{word}" is not {wanted}',
        )

    def not_word(self, column: str) -> None:
        """Refuse what is neither empty nor one word."""
        self.unlike(column, f"(?:{WORD})?", "one word of lower-case letters, digits and . _ + -")

    def unknown(self, column: str, known: Iterable[str]) -> None:
        """Refuse words that are not among those known."""
        allowed = tuple(known)
        self._refuse_words(
            column,
            ~self.frame[column].cat.categories.isin(allowed),
            lambda word: f'{column} "{word}" is not known{near_match(word, filter(None, allowed))}',
        )

    def not_number(self, column: str, lowest: float, highest: float) -> None:
        """Refuse what is neither empty nor a number in range."""
        words = self.frame[column].cat.categories
        number = read_numbers(words)
        self._refuse_words(
            column,
            ~((words == "") | ((number >= lowest) & (number <= highest))),
            lambda word: f'{column} "{word}" is not a number from {lowest:g} to {highest:g}',
        )

    def missing(self, column: str) -> None:
        """Refuse rows in which nothing stands."""
        self.refuse(self.frame[column] == "", lambda _: f"{column} is missing")

    def _refuse_words(self, column: str, bad: BoolArray, say: Callable[[str], str]) -> None:
        words, code = self.frame[column].cat.categories, self.frame[column].cat.codes.to_numpy()
        say_once = cache(say)
        self.refuse(np.asarray(bad, dtype=bool)[code], lambda row: say_once(words[code[row]]))

    def split(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Part the rows into good ones and refused: line, reason, row."""
        good = self.reason == ""
        bad = self.frame.loc[~good]
        texts = bad[list(self.columns.names)].astype(str).agg(",".join, axis=1) if len(bad) else ""
        return self.frame.loc[good], refusals(bad, self.reason[~good], texts)


def refusals(
    bad: pd.DataFrame, reason: ObjectArray | str, row: pd.Series[str] | str
) -> pd.DataFrame:
    """Give refused rows as ``refused.csv`` lists them: line, reason, row."""
    return bad[["line"]].assign(reason=reason, row=row)


def write_refused(refused: Mapping[str, pd.DataFrame], path: Path | None) -> Counter[str]:
    """Count refused rows by table and reason and, if a path is given, write them to a CSV file."""
    import pandas as pd

    named = [frame.assign(table=name).sort_values("line") for name, frame in refused.items()]
    every = pd.concat(named, ignore_index=True)[["table", "line", "reason", "row"]]
    if path:
        every.to_csv(path, index=False, lineterminator="\n")
    return Counter((every["table"] + ": " + every["reason"]).tolist())


def commonest_reason(reasons: Counter[str]) -> str:
    """Say why most rows of a table were refused."""
    if not reasons:
        return "the table is empty"
    reason, count = reasons.most_common(1)[0]
    return f"the commonest reason ({count} rows) is: {reason}"


def read_numbers(words: pd.Index[str]) -> FloatArray:
    """Read words as numbers; what is none becomes nan."""
    import pandas as pd

    return np.asarray(pd.to_numeric(words.to_series(), errors="coerce"), dtype=np.float64)


def numbers_of(column: pd.Series[str]) -> FloatArray:
    """Read a column of words as numbers; what is none becomes nan."""
    out: FloatArray = read_numbers(column.cat.categories)[column.cat.codes.to_numpy()]
    return out


def pair_words(left: pd.Series[str], between: str, right: pd.Series[str]) -> pd.Series[str]:
    """Join the words of two columns, making each pair that occurs once."""
    import pandas as pd

    n_right = max(len(right.cat.categories), 1)
    code = left.cat.codes.to_numpy(dtype=np.int64) * n_right + right.cat.codes
    distinct, number = np.unique(code, return_inverse=True)
    words = [
        f"{left.cat.categories[one // n_right]}{between}{right.cat.categories[one % n_right]}"
        for one in distinct
    ]
    return pd.Series(np.array(words, dtype=object)[number], index=left.index, dtype=object)


def check_jobs(frame: pd.DataFrame, words: Vocabulary) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows of a jobs table into good and refused.

    Parameters
    ----------
    frame : DataFrame
        As `swapinfer.learn.tables.read_table` gives it.
    words : Vocabulary
        Words that are accepted.

    Returns
    -------
    good : DataFrame
        With ``cause`` added: ``""`` where nobody established one, or not how it failed.
    refused : DataFrame
        Columns ``line``, ``reason`` (the first that was found) and ``row``.
    """
    unknown = frame["cause_kind"].isin(NO_CAUSE) | (frame["cause_mode"] == "")
    named = pair_words(frame["cause_kind"], ".", frame["cause_mode"]).mask(unknown, "")
    rows = Checks(frame := frame.assign(cause=named.astype("category")), JOBS)
    rows.unlike("job", JOB, "a job's name of 1 to 80 characters")
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
        refuse_misfits(rows, axis, words.needs)
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
    return rows.split()


def refuse_misfits(
    rows: Checks, axis: str, needs: dict[str, dict[str, tuple[str, ...]]], column: str = "cause"
) -> None:
    """Refuse causes that the engine cannot have."""
    cause, fitted = rows.frame[column], rows.frame[axis]
    bad = np.zeros(len(cause), dtype=bool)
    for name, wanted in needs.items():
        if axis in wanted:
            bad |= (cause == name) & ~fitted.isin(wanted[axis])
    rows.refuse(
        bad,
        lambda row: f'cause "{cause.iloc[row]}" does not exist with {axis} "{fitted.iloc[row]}"',
    )


def check_findings(frame: pd.DataFrame, words: Vocabulary) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows of a findings table; as `check_jobs`, ``shown`` added."""
    shown = pair_words(frame["test"], "=", frame["outcome"])
    rows = Checks(frame.assign(shown=shown.astype("category")), FINDINGS)
    rows.unlike("job", JOB, "a job's name of 1 to 80 characters")
    rows.not_number("sequence", 0.0, 1e9)
    rows.missing("sequence")
    rows.unknown("test", words.outcomes)
    rows.unknown("shown", words.shown)
    return rows.split()


def check_rates(
    frame: pd.DataFrame, modes: dict[str, tuple[str, ...]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows of a table of rates; as `check_exposure`."""
    named = pair_words(frame["kind"], ".", frame["mode"])
    rows = Checks(frame := frame.assign(cause=named.astype("category")), RATES)
    rows.unknown("kind", modes)
    rows.unknown("cause", [f"{kind}.{mode}" for kind, own in modes.items() for mode in own])
    rows.not_word("family")
    rows.unlike("events", rf"0|{WHOLE}", "a whole number")
    rows.missing("element_km")
    rows.not_number("element_km", 1.0, MOST_FLEET_KM)
    rows.not_number("odometer_km", 1.0, MOST_KM)
    good, refused = rows.split()
    columns = "events", "element_km", "odometer_km"
    return good.assign(**{name: numbers_of(good[name]) for name in columns}), refused


def check_exposure(
    frame: pd.DataFrame, modes: dict[str, tuple[str, ...]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows of an exposure table; as `check_jobs`, counts and distances as numbers.

    Parameters
    ----------
    frame : DataFrame
        As `swapinfer.learn.tables.read_table` gives it.
    modes : dict of str to tuple of str
        Modes of each kind of element.
    """
    rows = Checks(frame, EXPOSURE)
    rows.unknown("kind", modes)
    rows.not_word("family")
    rows.unlike("count", WHOLE, "a whole number from 1")
    for column in ("from_km", "to_km"):
        rows.missing(column)
        rows.not_number(column, 0.0, MOST_KM)
    numbers = {name: numbers_of(frame[name]) for name in ("count", "from_km", "to_km")}
    kind, count, failed = frame["kind"], frame["count"], frame["failed"]
    begun, ended = frame["from_km"], frame["to_km"]
    rows.refuse(
        ~(numbers["to_km"] > numbers["from_km"]),
        lambda row: f'to_km "{ended.iloc[row]}" is not above from_km "{begun.iloc[row]}"',
    )
    is_own = failed == ""
    for name, own in modes.items():
        is_own |= (kind == name) & failed.isin(own)
    rows.refuse(
        ~is_own,
        lambda row: (
            f'failed "{failed.iloc[row]}" is no mode of {kind.iloc[row]}'
            f"{near_match(failed.iloc[row], modes[kind.iloc[row]])}"
        ),
    )
    rows.refuse(
        (failed != "") & (numbers["count"] != 1),
        lambda row: f'count "{count.iloc[row]}" is not 1, but a failure has a row of its own',
    )
    good, refused = rows.split()
    return good.assign(
        **{name: values[rows.reason == ""] for name, values in numbers.items()}
    ), refused
