"""Tables that are learned from: their columns, reading one whole, and checking it row by row.

`docs/learning.md` says what stands in each column. A table is a CSV file (comma, UTF-8, a header),
a Parquet file or a folder of such, or rows in memory. Columns that are not documented are ignored
when reading and never written. Every word is kept once, with a number in its place in the rows.
"""

from __future__ import annotations

import csv
import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

import msgspec
import numpy as np

from swapinfer.errors import LearnError, near_match
from swapinfer.evidence.arrays import BoolArray, FloatArray
from swapinfer.learn.prior import MAX_FAMILIES, OTHER

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa
    from numpy.typing import NDArray

    ObjectArray = NDArray[np.object_]

BATCH_ROWS = 50_000
"""Rows held as text at once; from then on a word is text once and a number in each row."""

Source: TypeAlias = Path | Sequence[Mapping[str, object]]
"""A file, a folder of Parquet files, or rows."""


class Columns(msgspec.Struct, frozen=True):
    """Every column of a table, in order, and those that it cannot do without."""

    names: tuple[str, ...]
    needed: tuple[str, ...]

    @classmethod
    def of(cls, text: str) -> Columns:
        """List columns; a star marks one that is needed."""
        words = text.split()
        needed = (word[:-1] for word in words if word.endswith("*"))
        return cls(tuple(word.removesuffix("*") for word in words), tuple(needed))


JOBS = Columns.of(
    "job* opened* family odometer_km complaint layout* ignition* fuel* place cause_kind* "
    "cause_mode* verified* confirmed_by comeback_of exposure_km advised"
)
"""A row for each cause of a closed job."""
FINDINGS = Columns.of("job* sequence* test* target outcome*")
"""A row for each reading or inspection."""
EXPOSURE = Columns.of("kind* family count* from_km* to_km* failed*")
"""A row for each stretch over which elements that are alike were watched."""
RATES = Columns.of("kind* mode* family events* element_km* odometer_km")
"""A row for how often elements that are alike failed in a mode, and how far they were driven."""
CASES = Columns.of("layout* ignition* fuel* family age* complaint cause* then came_back* cases*")
"""A row for verified cases that are alike: what shops give each other."""


def read_table(source: Source, columns: Columns) -> pd.DataFrame:
    """Read a table.

    The documented columns come as categoricals of words without blanks around them (missing values
    and missing columns are ``""``), with ``line`` (line in the file, the header being 1) and
    ``width`` (0, or the number of fields when it is not the header's).
    """
    import pyarrow as pa

    try:
        batches = [_words({}, columns, (), ()), *_batches(source, columns)]
    except (OSError, UnicodeDecodeError, csv.Error, pa.ArrowException) as error:
        raise LearnError(f"{name_of(source)}: cannot be read as a table: {error}") from error
    frame: pd.DataFrame = pa.concat_tables(batches).unify_dictionaries().to_pandas()
    return frame


def name_of(source: Source) -> str:
    """Name a table in a message."""
    return str(source) if isinstance(source, Path) else "the rows given"


def _batches(source: Source, columns: Columns) -> Iterator[pa.Table]:
    if not isinstance(source, Path):
        cells = {name: [str(row.get(name, "")) for row in source] for name in columns.names}
        yield _words(cells, columns, range(2, len(source) + 2), [0] * len(source))
    elif source.suffix == ".parquet" or source.is_dir():
        yield from _parquet_batches(source, columns)
    else:
        yield from _csv_batches(source, columns)


def _csv_batches(path: Path, columns: Columns) -> Iterator[pa.Table]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        reader = csv.reader(file)
        header = [name.strip() for name in next(reader, [])]
        if not header:
            return  # an export of nothing has no header either
        _check_header(path, header, columns)
        at = {name: header.index(name) for name in columns.names if name in header}
        filled, width = filter(None, reader), len(header)
        while rows := [(reader.line_num, row) for row in islice(filled, BATCH_ROWS)]:
            lines, records = zip(*rows, strict=True)
            padded = (row[:width] + [""] * (width - len(row)) for row in records)
            cells = list(zip(*padded, strict=True))
            widths = [0 if len(row) == width else len(row) for row in records]
            yield _words({name: cells[at[name]] for name in at}, columns, lines, widths)


def _parquet_batches(path: Path, columns: Columns) -> Iterator[pa.Table]:
    import pyarrow.parquet as pq

    line = 2
    for part in _files(path):
        with pq.ParquetFile(part, pre_buffer=False) as file:
            header = file.schema_arrow.names
            _check_header(part, header, columns)
            wanted = [name for name in columns.names if name in header]
            batches = file.iter_batches(BATCH_ROWS, columns=wanted, use_threads=False)
            for batch in batches:
                cells = dict(zip(batch.schema.names, batch.columns, strict=True))
                yield _words(cells, columns, range(line, line + len(batch)), [0] * len(batch))
                line += len(batch)


def _check_header(path: Path, header: list[str], columns: Columns) -> None:
    for name in columns.needed:
        if name not in header:
            raise LearnError(
                f'{path}: no column "{name}"{near_match(name, header)}; '
                f"the columns are {', '.join(columns.names)}"
            )


def _words(
    cells: Mapping[str, Iterable[object]],
    columns: Columns,
    lines: Sequence[int],
    widths: Sequence[int],
) -> pa.Table:
    """Give each word of each column a number."""
    import pyarrow as pa
    import pyarrow.compute as pc

    def number(name: str) -> pa.DictionaryArray:
        values = cells.get(name, [""] * len(lines))
        array = values if isinstance(values, pa.Array) else pa.array(values, pa.string())
        if pa.types.is_floating(array.type):
            array = pc.if_else(pc.is_nan(array), None, array)
        text = pc.fill_null(array.cast(pa.string()), "")
        return pc.utf8_trim_whitespace(text).dictionary_encode()

    numbered = {name: number(name) for name in columns.names}
    return pa.table(
        {**numbered, "line": pa.array(lines, pa.int64()), "width": pa.array(widths, pa.int64())}
    )


def digest_of(sources: Iterable[Source]) -> str:
    """SHA-256 of tables, hexadecimal: of the bytes of files, of rows as JSON."""
    digest = hashlib.sha256()
    for source in sources:
        if not isinstance(source, Path):
            digest.update(msgspec.json.encode(source))
            continue
        for path in _files(source):
            with path.open("rb") as file:
                while block := file.read(1 << 20):
                    digest.update(block)
    return digest.hexdigest()


def _files(path: Path) -> list[Path]:
    return sorted(path.rglob("*.parquet")) if path.is_dir() else [path]


WORD = r"[a-z0-9][a-z0-9._+-]{0,39}"
"""Families and complaints: a word, so that no free text with names in it gets in."""
WHOLE = r"[1-9]\d{0,8}(?:\.0)?"
"""A count; tables made by programs that know only one type of number write it with ``.0``."""


class Checks:
    """The first reason against each row of a table, read and with derived columns added."""

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

    def misfits(
        self, axis: str, needs: Mapping[str, Mapping[str, tuple[str, ...]]], column: str = "cause"
    ) -> None:
        """Refuse causes that the engine cannot have."""
        cause, fitted = self.frame[column], self.frame[axis]
        bad = np.zeros(len(cause), dtype=bool)
        for name, wanted in needs.items():
            if axis in wanted:
                bad |= (cause == name) & ~fitted.isin(wanted[axis])
        self.refuse(
            bad,
            lambda row: (
                f'cause "{cause.iloc[row]}" does not exist with {axis} "{fitted.iloc[row]}"'
            ),
        )

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


def none_left(source: Source, reasons: Counter[str]) -> LearnError:
    """Say that no row of a table can be used, and why most were refused."""
    why = "the table is empty"
    if reasons:
        reason, count = reasons.most_common(1)[0]
        why = f"the commonest reason ({count} rows) is: {reason}"
    return LearnError(f"{name_of(source)}: not one row can be used; {why}")


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


def check_family(family: str, families: Iterable[str], where: str = "table") -> None:
    """Refuse a family that was asked for and is not there."""
    if family and family not in families:
        raise LearnError(f'no family "{family}" in this {where}{near_match(family, families)}')


def pool_rare(family: pd.Series[str], most: int = MAX_FAMILIES) -> pd.Series[str]:
    """Keep the names of the families with the most rows; all others become `OTHER`."""
    rows = Counter(family)
    kept = sorted(rows, key=lambda name: (-rows[name], name))[:most]
    return family.astype(object).where(family.isin(kept), OTHER)


def strip_history(
    jobs: Path, findings: Path | None, *, jobs_to: Path, findings_to: Path | None = None
) -> int:
    """Copy a history without anything personal, to CSV files; how many jobs were renamed.

    Only documented columns are kept: words of the pack, numbers, and the shop's own words for
    families and complaints. Jobs get running numbers, and days become the first of their month.
    """
    import pandas as pd

    def whole_rows(path: Path, columns: Columns) -> pd.DataFrame:
        frame = read_table(path, columns)
        return frame.loc[frame["width"] == 0, list(columns.names)].copy()

    job_rows = whole_rows(jobs, JOBS)
    finding_rows = whole_rows(findings, FINDINGS) if findings and findings_to else None
    named = [job_rows["job"], job_rows["comeback_of"]]
    if finding_rows is not None:
        named.append(finding_rows["job"])
    names = pd.unique(pd.concat([column.astype(object) for column in named]))
    number = {"": ""} | {name: str(at) for at, name in enumerate(filter(None, names), start=1)}
    for column in ("job", "comeback_of"):
        job_rows[column] = job_rows[column].map(number)
    job_rows["opened"] = job_rows["opened"].str.replace(r"-\d\d$", "-01", regex=True)
    job_rows.to_csv(jobs_to, index=False, lineterminator="\n")
    if finding_rows is not None:
        finding_rows["job"] = finding_rows["job"].map(number)
        finding_rows.to_csv(findings_to, index=False, lineterminator="\n")
    return len(number) - 1
