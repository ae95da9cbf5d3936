"""The shop's settings, shown, changed one by one, or asked for in a few questions."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Annotated, ClassVar

import typer
from msgspec import structs

from swapinfer.commands.app import command
from swapinfer.commands.page import Facts, Page, show
from swapinfer.commands.shop import (
    USUAL_UNITS,
    Settings,
    SettingsFile,
    read_settings,
    settings_path,
    typed_setting,
    write_settings,
)
from swapinfer.commands.terminal import converse
from swapinfer.commands.typed import (
    NOT_TAKEN,
    Asking,
    Dialogue,
    Question,
    ask,
    ask_choice,
    decimal,
    parts,
)
from swapinfer.errors import InputError, PackError, near_match
from swapinfer.ledger.connection import locate
from swapinfer.ledger.record import check_text
from swapinfer.ledger.store import Store
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from swapinfer.pack.money import OwnMoney, check_amount

UNITS = (("psi", "km"), ("kPa", "km"), ("bar", "km"), ("psi", "mi"))
"""Pairs of pressure and distance that shops use."""

OF_PACK = ("currency", "rate_per_hour", "comeback", "diagnosis_cap")
"""Figures of the pack that hold where the shop has none of its own."""

EXCHANGE = (
    "How many {} is one {} worth? The figures of the priors are counted at that; 1 if they hold as "
    "they stand."
)

ASKED = frozenset({"shop", "currency", "exchange", "rate_per_hour", "comeback", "missing_tools"})


class SettingsView(Facts, frozen=True):
    """The shop's settings, where they are kept, and the figures that hold where there is none.

    Without such a file these are the defaults; problems are what other commands would refuse.
    """

    shape: ClassVar[str] = "settings/1"

    path: str
    exists: bool
    values: dict[str, object]
    pack: dict[str, object]
    problems: tuple[str, ...] = ()


def _read() -> tuple[SettingsFile, Pack]:
    """Read what the settings file says, and the priors that it leads to, as far as that can be."""
    file = read_settings()
    problems = list(file.problems)
    try:
        pack = load_pack(list(map(Path, file.settings.overlays)))
    except PackError as error:
        pack = load_pack()
        problems.append(f"setting overlays: {error}")
    try:
        file.settings.costs(pack)
    except InputError as error:
        problems.append(str(error))
    return structs.replace(file, problems=tuple(problems)), pack


def _complete_setting(incomplete: str) -> list[str]:
    return [f"{name}=" for name in Settings.__struct_fields__ if name.startswith(incomplete)]


@command("settings", "settings --set rate_per_hour=110 --set technician=robin")
def settings(
    ask: Annotated[bool, typer.Option("--ask", help="Write them by answering a few questions.")] = (
        False
    ),
    changes: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            help="name=value, empty for the default; may repeat.",
            autocompletion=_complete_setting,
        ),
    ] = None,
) -> SettingsView | None:
    """Show the settings, whatever else is wrong, or change them as typed or as answered."""
    if ask:
        converse(
            Dialogue(lambda: _questions(*_read()), lambda asked: _write(*_read(), asked, ASKED))
        )
        return None
    return _change(changes) if changes else _view(*_read())


def _change(changes: Sequence[str]) -> SettingsView:
    """Change settings, all or none."""
    file, pack = _read()
    settings, changed = file.settings, set[str]()
    for change in changes:
        name, equals, value = map(str.strip, change.partition("="))
        if not equals:
            raise InputError(f'"{change}" must be name=value, as in rate_per_hour=110')
        if value or name not in file.unread or name in Settings.__struct_fields__:
            settings = typed_setting(settings, name, value)
        changed.add(name.partition(".")[0].replace("-", "_"))
    return _write(file, pack, settings, frozenset(changed))


def _write(
    file: SettingsFile, pack: Pack, settings: Settings, changed: frozenset[str]
) -> SettingsView:
    if not file.is_toml:
        raise InputError(f"{file.problems[0]}; correct the file or remove it")
    if "overlays" in changed:
        pack = load_pack(list(map(Path, settings.overlays)))
    _check(settings, pack, changed)
    write_settings(settings, {name: it for name, it in file.unread.items() if name not in changed})
    return _view(*_read())


def _check(settings: Settings, pack: Pack, changed: frozenset[str]) -> None:
    """Refuse what has been changed to something that cannot work."""
    if changed & {"missing_tools", "overlays"}:
        _all_known("missing_tools", settings.missing_tools, "tool", pack.tools)
    if changed & {"overlays", *OwnMoney.__struct_fields__}:
        _all_known("part_prices", settings.part_prices, "element", pack.kinds)
        settings.money.check(pack)
    if "established" in changed and settings.established is not None:
        from swapinfer.claim.settings import ClaimSettings

        ClaimSettings(established=settings.established)
    if "template" in changed and settings.template:
        from swapinfer.claim.settings import read_template

        read_template(Path(settings.template))
    for name in changed & {"shop", "technician"}:
        if text := getattr(settings, name):
            check_text(name, text)
    if "store" in changed and settings.store:
        _check_store(settings.store)
    if "adapter" in changed and settings.adapter and not all(settings.adapter.partition(":")):
        raise InputError(f'adapter must be as in socketcan:can0, got "{settings.adapter}"')


def _check_store(place: str) -> None:
    """Refuse a place where no store is or can be; a server may be out of reach just now."""
    where = locate(place)
    if isinstance(where, Path) and where.exists():
        Store.open(where, create=False).close()
    elif isinstance(where, Path):
        there = next(folder for folder in where.parents if folder.exists())
        if not there.is_dir():
            raise InputError(f"store: {there} is no folder, so nothing can be kept in it")


def _all_known(name: str, words: Collection[str], what: str, known: Collection[str]) -> None:
    for word in words:
        if word not in known:
            near = near_match(word, sorted(known))
            raise InputError(f'{name}: no {what} "{word}"{near}')


def _view(file: SettingsFile, pack: Pack) -> SettingsView:
    path, settings = settings_path(), file.settings
    costs = OwnMoney(currency=settings.currency, exchange=settings.exchange or 1.0).costs(pack)
    return SettingsView(
        path=str(path),
        exists=path.exists(),
        values=structs.asdict(settings),
        pack={name: getattr(costs, name) for name in OF_PACK} | USUAL_UNITS,
        problems=file.problems,
    )


def _questions(file: SettingsFile, pack: Pack) -> Asking[Settings]:
    now = file.settings
    shop = yield from ask(Question("Name of the shop?", default=now.shop or NOT_TAKEN), str)
    currency = yield from ask(
        Question("Currency, three letters?", default=now.currency or pack.costs.currency),
        lambda text: typed_setting(now, "currency", text).currency,
    )
    exchange = now.exchange
    if currency != pack.costs.currency:
        known = f"{exchange:g}" if now.currency == currency and exchange else ""
        exchange = yield from ask(
            Question(EXCHANGE.format(currency, pack.costs.currency), default=known),
            lambda text: typed_setting(now, "exchange", text).exchange,
        )
    costs = structs.replace(now, currency=currency, exchange=exchange).costs(pack)
    rate = yield from _ask_amount(f"Labour rate an hour, in {currency}?", costs.rate_per_hour)
    comeback = yield from _ask_amount(
        f"What does a comeback cost you, in {currency}?", costs.comeback
    )
    options = [(pair, f"{pair[0]}, {pair[1]}") for pair in UNITS]
    pair = (now.unit("pressure"), now.unit("distance"))
    usual = str(UNITS.index(pair) + 1) if pair in UNITS else ""
    pressure, distance = yield from ask_choice("Units?", options, usual)
    missing = yield from _ask_tools(pack, now.missing_tools)
    return structs.replace(
        now,
        shop="" if shop == NOT_TAKEN else shop,
        currency=currency,
        exchange=exchange,
        rate_per_hour=rate,
        comeback=comeback,
        pressure=pressure,
        distance=distance,
        missing_tools=missing,
    )


def _ask_amount(text: str, now: float) -> Asking[float]:
    def read(answer: str) -> float:
        amount = decimal(answer)
        check_amount("an amount", amount)
        return amount

    return (yield from ask(Question(text, default=f"{now:g}"), read))


def _ask_tools(pack: Pack, now: Sequence[str]) -> Asking[tuple[str, ...]]:
    tools = list(pack.tools)
    choices = (("0", "all are here"), *((str(n), pack.tools[t]) for n, t in enumerate(tools, 1)))
    numbers = [str(tools.index(tool) + 1) for tool in now if tool in tools]

    def read(answer: str) -> tuple[str, ...]:
        words = parts(answer)
        if words == ["0"]:
            return ()
        if not all(word.isdecimal() and 1 <= int(word) <= len(tools) for word in words):
            raise InputError(f"type numbers from 1 to {len(tools)}, or 0")
        return tuple(tools[int(word) - 1] for word in dict.fromkeys(words))

    question = Question("Which tools are missing? As in 3 7", choices, " ".join(numbers) or "0")
    return (yield from ask(question, read))


@show.register
def _(facts: SettingsView, page: Page) -> str:
    kept = facts.path if facts.exists else f"{facts.path} (not written yet; these are defaults)"
    rows = [[name, _value(facts, name, value)] for name, value in facts.values.items()]
    lines = [*page.wrap(f"settings in {kept}"), *page.table(rows)]
    return "\n".join([*lines, *page.each(facts.problems, "note: ", hang=6)])


def _value(facts: SettingsView, name: str, value: object) -> str:
    if value in (None, "", (), {}):
        return f"{_plain(facts.pack[name])} (by default)" if name in facts.pack else "-"
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    if isinstance(value, dict):
        return ", ".join(f"{kind} {_plain(price)}" for kind, price in value.items())
    return _plain(value)


def _plain(value: object) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)
