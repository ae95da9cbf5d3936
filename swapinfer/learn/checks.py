"""Row-by-row checks of a history: what is refused, and why."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from swapinfer.errors import near_match
from swapinfer.physics import MOST_KM

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    import pandas as pd

NO_CAUSE = ("", "not-found", "declined")
"""What stands for a cause that nobody established; such jobs count as unconfirmed."""
REPAIR = "repair"
"""In ``confirmed_by``: nothing but the success of the repair established the cause."""
WORD = r"[a-z0-9][a-z0-9._+-]{0,39}"
"""Families and complaints: a word, so that no free text with names in it gets in."""
DATE = r"\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])"


@dataclass(frozen=True, slots=True)
class Vocabulary:
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


class Refusals:
    """Collects the first reason against each row of a frame."""

    def __init__(self, frame: pd.DataFrame) -> None:
        self.frame = frame
        self.reason = np.full(len(frame), "", dtype=object)

    def refuse(self, bad: np.ndarray, say: Callable[[int], str]) -> None:
        """Refuse rows against which nothing has been found yet, for what `say` says of each."""
        for row in np.flatnonzero(np.asarray(bad) & (self.reason == "")):
            self.reason[row] = say(int(row))

    def unlike(self, column: str, pattern: str, wanted: str) -> None:
        """Refuse values that do not look right."""
        self._refuse_words(
            column,
            lambda words: ~words.str.fullmatch(pattern).to_numpy(),
            lambda word: f'{column} "{word}" is not {wanted}',
        )

    def not_word(self, column: str) -> None:
        """Refuse values that are neither empty nor one word."""
        self.unlike(column, f"(?:{WORD})?", "one word of lower-case letters, digits and . _ + -")

    def unknown(self, column: str, known: Iterable[str]) -> None:
        """Refuse values that are not among those known."""
        allowed = tuple(known)
        self._refuse_words(
            column,
            lambda words: ~words.isin(allowed).to_numpy(),
            lambda word: f'{column} "{word}" is not known{near_match(word, filter(None, allowed))}',
        )

    def not_number(self, column: str, lowest: float, highest: float) -> None:
        """Refuse values that are neither empty nor a number in range."""

        def outside(words: pd.Series) -> np.ndarray:
            number = to_number(words)
            return ~((words == "").to_numpy() | ((number >= lowest) & (number <= highest)))

        self._refuse_words(
            column,
            outside,
            lambda word: f'{column} "{word}" is not a number from {lowest:g} to {highest:g}',
        )

    def _refuse_words(
        self,
        column: str,
        is_bad: Callable[[pd.Series], np.ndarray],
        say: Callable[[str], str],
    ) -> None:
        import pandas as pd

        codes, words = factorize(self.frame[column])
        bad = is_bad(pd.Series(words, dtype=object))
        if bad.any():
            self.refuse(bad[codes], lambda row: say(words[codes[row]]))

    def split(self, raw: pd.DataFrame) -> tuple[np.ndarray, pd.DataFrame]:
        """Return which rows are good, and the others with their reasons."""
        import pandas as pd

        bad = self.reason != ""
        texts = raw.loc[bad].drop(columns=["line", "width"]).agg(",".join, axis=1)
        refused = pd.DataFrame(
            {
                "line": raw.loc[bad, "line"].to_numpy(),
                "reason": self.reason[bad].astype(str),
                "row": texts.to_numpy() if bad.any() else np.array([], dtype=object),
            }
        )
        return ~bad, refused


def to_number(words: pd.Series) -> np.ndarray:
    """Read numbers; what is none becomes nan."""
    import pandas as pd

    return pd.to_numeric(words, errors="coerce").to_numpy(dtype=np.float64)


def cause_names(frame: pd.DataFrame) -> pd.Series:
    """Name of each row's cause, ``""`` where nobody established one, or not how it failed."""
    named = frame["cause_kind"] + "." + frame["cause_mode"]
    return named.where(~frame["cause_kind"].isin(NO_CAUSE) & (frame["cause_mode"] != ""), "")


def check_jobs(frame: pd.DataFrame, words: Vocabulary) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows of a jobs table into good and refused.

    Parameters
    ----------
    frame : DataFrame
        A piece as `swapinfer.learn.tables.read_chunks` gives it.
    words : Vocabulary
        Words that are accepted.

    Returns
    -------
    good : DataFrame
        With ``cause`` added.
    refused : DataFrame
        Columns ``line``, ``reason`` (the first that was found) and ``row``.
    """
    tidy = trimmed(frame)
    tidy["cause"] = cause_names(tidy)
    found = Refusals(tidy)
    check_width(found)
    found.unlike("job", r".{1,80}", "a job's name of 1 to 80 characters")
    found.unlike("opened", DATE, "a date like 2026-03-31")
    for column in ("family", "complaint"):
        found.not_word(column)
    found.not_number("odometer_km", 0.0, MOST_KM)
    found.not_number("exposure_km", 0.0, MOST_KM)
    for column, known in (
        ("layout", words.layouts),
        *words.fitments.items(),
        ("confirmed_by", ("", REPAIR, *words.outcomes)),
        ("cause", ("", *words.causes)),
    ):
        found.unknown(column, known)
    _check_fitment(found, words)
    found.unknown("verified", ("yes", "no"))
    found.unknown("advised", ("", "yes", "no"))
    nothing = (tidy["verified"] == "yes") & (tidy["cause"] == "")
    found.refuse(
        nothing.to_numpy(), lambda _: "verified is yes, but no cause is given with its mode"
    )
    own = (tidy["comeback_of"] == tidy["job"]).to_numpy()
    found.refuse(own, lambda _: "comeback_of names the job itself")
    good, refused = found.split(frame)
    return tidy.loc[good], refused


def _check_fitment(found: Refusals, words: Vocabulary) -> None:
    """Refuse causes that the engine cannot have."""
    for axis in words.fitments:
        pairs = found.frame["cause"] + "\n" + found.frame[axis]
        codes, distinct = factorize(pairs)
        bad = np.array([_misfits(pair, axis, words) for pair in distinct], dtype=bool)
        if bad.any():
            found.refuse(bad[codes], partial(_say_misfit, found.frame, axis))


def _misfits(pair: str, axis: str, words: Vocabulary) -> bool:
    cause, value = pair.split("\n")
    wanted = words.needs.get(cause, {}).get(axis, ())
    return bool(wanted) and value not in wanted


def _say_misfit(frame: pd.DataFrame, axis: str, row: int) -> str:
    cause, value = frame["cause"].iloc[row], frame[axis].iloc[row]
    return f'cause "{cause}" does not exist with {axis} "{value}"'


def factorize(words: pd.Series) -> tuple[np.ndarray, list[str]]:
    """Give each distinct word of a column a number."""
    import pandas as pd

    codes, distinct = pd.factorize(words)
    return codes, [str(word) for word in distinct]


def check_findings(frame: pd.DataFrame, words: Vocabulary) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Part the rows of a findings table into good and refused; as `check_jobs`."""
    tidy = trimmed(frame)
    tidy["shown"] = tidy["test"] + "=" + tidy["outcome"]
    found = Refusals(tidy)
    check_width(found)
    found.unlike("job", r".{1,80}", "a job's name of 1 to 80 characters")
    found.not_number("sequence", 0.0, 1e9)
    found.refuse((tidy["sequence"] == "").to_numpy(), lambda _: "sequence is missing")
    found.unknown("test", words.outcomes)
    found.unknown("shown", shown_names(words))
    good, refused = found.split(frame)
    return tidy.loc[good], refused


def shown_names(words: Vocabulary) -> tuple[str, ...]:
    """Every outcome of every test, as ``"test=outcome"``."""
    return tuple(f"{test}={outcome}" for test, names in words.outcomes.items() for outcome in names)


def trimmed(frame: pd.DataFrame) -> pd.DataFrame:
    """Take blanks off the ends of all values."""
    import pandas as pd

    text = [name for name in frame.columns if name not in ("line", "width")]
    columns = {}
    for name in text:
        codes, words = factorize(frame[name])
        stripped = np.array([word.strip() for word in words], dtype=object)
        columns[name] = pd.Series(stripped[codes], index=frame.index, dtype=object)
    return frame.assign(**columns)


def check_width(found: Refusals) -> None:
    """Refuse rows that do not have the header's number of fields."""
    width = found.frame["width"].to_numpy()
    found.refuse(width != 0, lambda row: f"the row has {width[row]} fields, the header does not")
