"""What words mean: the project's own, and those of the pack in force."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from importlib import resources
from typing import Annotated, ClassVar

import typer
from msgspec import Struct

from swapinfer import errors
from swapinfer.commands.app import command, completing
from swapinfer.commands.page import Facts, Page, show
from swapinfer.commands.shop import Shop
from swapinfer.errors import InputError, JobError, near_match, one_word
from swapinfer.ledger.words import expected_range
from swapinfer.pack.engine import parse_code, title_of_code
from swapinfer.pack.model import Feeling, Pack, Test

WEIGHTLESS = "kept on record; it carries no weight in this reasoning"

SEVERITY = "{}: about {:g} episodes a minute"


class Sense(Struct, frozen=True):
    """One sense of a term: what sort of word it is there, and what it means."""

    sort: str
    term: str
    text: str


class ExplainView(Facts, frozen=True):
    """Every sense of a term."""

    shape: ClassVar[str] = "explain/1"

    term: str
    entries: tuple[Sense, ...]


def _terms(shop: Shop) -> list[str]:
    return sorted({one.term for one in all_entries(shop.pack)})


@command("explain", "explain P0303")
def explain(
    shop: Shop,
    term: Annotated[
        str,
        typer.Argument(
            help="A word, code, test, mode or exit code.", autocompletion=completing(_terms)
        ),
    ],
) -> ExplainView:
    """Explain a word, a code, a test, a mode, a condition or an exit code, by the job's pack."""
    try:
        records = shop.store.records(shop.job_id())
        pack = shop.pack_by_digest(records[0].pack)
    except JobError:
        pack = shop.pack
    word = one_word(term)
    every = list(all_entries(pack))
    found = tuple(entry for entry in every if word in (entry.term, entry.term + "s"))
    if not found:
        with suppress(InputError):
            code = parse_code(term)
            found = (Sense("code", code, title_of_code(pack, code) or WEIGHTLESS),)
    if not found:
        known = sorted({entry.term for entry in every})
        raise InputError(f'nothing here is called "{term}"{near_match(word, known)}')
    # What several kinds have in common, such as a way of failing, is told once.
    sorts: dict[tuple[str, str], list[str]] = {}
    for entry in found:
        sorts.setdefault((entry.term, entry.text), []).append(entry.sort)
    senses = (Sense(", ".join(dict.fromkeys(of)), *what) for what, of in sorts.items())
    return ExplainView(term, tuple(senses))


def all_entries(pack: Pack) -> Iterator[Sense]:
    """Yield every word that can be explained."""
    for term, text in read_glossary().items():
        yield Sense("word", term, text)
    for kind in pack.kinds.values():
        ways = ", ".join(mode.title for mode in kind.modes.values())
        sort = "part" if kind.movable else "site"
        yield Sense(
            sort, kind.id, f"{kind.title}; put right by: {kind.fix.title}; fails by: {ways}"
        )
        for mode in kind.modes.values():
            yield Sense(f"mode of the {kind.title}", mode.id, mode.title)
    for test in pack.tests.values():
        yield Sense(test.form, test.id, _test_words(test))
    sorts: list[tuple[str, Mapping[str, str]]] = [
        ("condition", pack.running.conditions),
        ("how a drive felt", {f.id: _feeling_words(f) for f in pack.drive_feelings.values()}),
        (
            "severity",
            {s.id: SEVERITY.format(s.title, s.rate_per_min) for s in pack.severities.values()},
        ),
        ("tool", pack.tools),
        ("caution", {one.id: one.text for one in pack.cautions.values()}),
        ("layout", {one.id: one.title for one in pack.layouts.values()}),
        *((f"{axis} kind", kinds) for axis, kinds in pack.fitments.items()),
    ]
    for sort, texts in sorts:
        yield from (Sense(sort, name, text) for name, text in texts.items())
    for error in _error_classes(errors.SwapinferError):
        text = (error.__doc__ or "").partition("\n")[0]
        yield Sense("exit code", str(error.exit_code), text)
        yield Sense("exit code", f"exit-{error.exit_code}", text)


def read_glossary() -> dict[str, str]:
    """Read the project's own words and what they mean."""
    text = resources.files("swapinfer.commands").joinpath("glossary.toml").read_text("utf-8")
    words: dict[str, str] = tomllib.loads(text)["word"]
    return words


def _error_classes(root: type[errors.SwapinferError]) -> Iterator[type[errors.SwapinferError]]:
    yield root
    for child in root.__subclasses__():
        yield from _error_classes(child)


def _feeling_words(feeling: Feeling) -> str:
    ratio = feeling.with_misfire / feeling.without
    strength = f"{ratio:.3g} times" if ratio >= 1 else f"1/{1 / ratio:.3g}"
    return f"{feeling.title}; {strength} as likely to be said after a misfire as after none"


def _test_words(test: Test) -> str:
    good = "" if test.level else expected_range(test)
    good = f"; a good one reads {good}" if good else ""
    where = "" if test.target == "engine" else f", on each {test.target}"
    return f"{test.title}{where}{good}; more: swapinfer tests {test.id}"


@show.register
def _(facts: ExplainView, page: Page) -> str:
    senses = (f"{page.strong(one.term)} ({one.sort}): {one.text}" for one in facts.entries)
    return "\n".join(page.each(senses, hang=4))
