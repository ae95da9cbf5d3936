"""The shop's settings, shown, changed one by one, or asked for in six questions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, ClassVar

import typer
from msgspec import structs

from swapinfer.commands.app import command
from swapinfer.commands.dialogue import Asking, Dialogue, Question, ask, choose
from swapinfer.commands.facts import Facts
from swapinfer.commands.page import Page, show
from swapinfer.commands.shop import Shop
from swapinfer.commands.shop_settings import (
    USUAL_UNITS,
    Settings,
    settings_path,
    typed_setting,
    write_settings,
)
from swapinfer.commands.terminal import converse
from swapinfer.commands.typed import NOT_TAKEN, parts
from swapinfer.errors import InputError
from swapinfer.pack.model import Pack

UNITS = (("psi", "km"), ("kPa", "km"), ("bar", "km"), ("psi", "mi"))
"""Pairs of pressure and distance that shops use."""


class SettingsView(Facts, frozen=True):
    """The shop's settings.

    Attributes
    ----------
    path : str
        Where they are kept.
    exists : bool
        Whether there is such a file; else these are the defaults.
    values : dict of str to object
        Each setting; None or empty where the usual figure holds.
    pack : dict of str to object
        The pack's figures, and the usual units, that hold then.
    """

    shape: ClassVar[str] = "settings/1"

    path: str
    exists: bool
    values: dict[str, object]
    pack: dict[str, object]


def _complete_setting(incomplete: str) -> list[str]:
    return [f"{name}=" for name in Settings.__struct_fields__ if name.startswith(incomplete)]


@command("settings", "settings --set rate_per_hour=110 --set currency=EUR", has_store=False)
def settings(
    shop: Shop,
    ask: Annotated[bool, typer.Option("--ask", help="Write them by answering six questions.")] = (
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
    """Show the settings, or change them as typed or as answered."""
    if ask:
        converse(ask_settings(shop))
        return None
    return change_settings(shop, list(map(_pair, changes))) if changes else show_settings(shop)


def _pair(text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals:
        raise InputError(f'"{text}" must be name=value, as in rate_per_hour=110')
    return name.strip(), value.strip()


def show_settings(shop: Shop) -> SettingsView:
    """Show the shop's settings."""
    return _view(shop.settings, shop.pack)


def change_settings(shop: Shop, pairs: Sequence[tuple[str, str]]) -> SettingsView:
    """Change settings, all or none.

    Parameters
    ----------
    shop : Shop
        Whose.
    pairs : sequence of (str, str)
        Name and value as typed; an empty value goes back to the default. A price of a part is
        ``part_prices.coil``.

    Raises
    ------
    InputError
        If a setting is unknown or a value is not one.
    """
    settings = shop.settings
    for name, text in pairs:
        settings = typed_setting(settings, name, text)
    return _write(settings, shop.pack)


def ask_settings(shop: Shop) -> Dialogue[Settings]:
    """Return the six questions after which the settings are written."""
    return Dialogue(
        lambda: _questions(shop.settings, shop.pack), lambda asked: _write(asked, shop.pack)
    )


def _write(settings: Settings, pack: Pack) -> SettingsView:
    for tool in settings.missing_tools:
        if tool not in pack.tools:
            known = ", ".join(sorted(pack.tools))
            raise InputError(f'missing_tools: no tool "{tool}"; known: {known}')
    write_settings(settings)
    return _view(settings, pack)


def _view(settings: Settings, pack: Pack) -> SettingsView:
    path = settings_path()
    held = {"currency": pack.costs.currency, "rate_per_hour": pack.costs.rate_per_hour}
    held |= USUAL_UNITS
    return SettingsView(
        path=str(path),
        exists=path.exists(),
        values=structs.asdict(settings),
        pack={**held, "comeback": pack.costs.comeback},
    )


def _questions(now: Settings, pack: Pack) -> Asking[Settings]:
    costs = now.costs(pack)
    shop = yield from ask(Question("Name of the shop?", default=now.shop or NOT_TAKEN), str)
    currency = yield from ask(
        Question("Currency, three letters?", default=costs.currency),
        lambda text: typed_setting(now, "currency", text.upper()).currency,
    )
    rate = yield from _ask_amount(f"Labour rate an hour, in {currency}?", costs.rate_per_hour)
    comeback = yield from _ask_amount(
        f"What does a comeback cost you, in {currency}?", costs.comeback
    )
    options = [(pair, f"{pair[0]}, {pair[1]}") for pair in UNITS]
    pressure, distance = yield from choose("Units?", options, _number_of(now))
    missing = yield from _ask_tools(pack, now.missing_tools)
    return structs.replace(
        now,
        shop="" if shop == NOT_TAKEN else shop,
        currency=currency,
        rate_per_hour=rate,
        comeback=comeback,
        pressure=pressure,
        distance=distance,
        missing_tools=missing,
    )


def _number_of(now: Settings) -> str:
    pair = (now.unit("pressure"), now.unit("distance"))
    return str(UNITS.index(pair) + 1) if pair in UNITS else ""


def _ask_amount(text: str, now: float) -> Asking[float]:
    def read(answer: str) -> float:
        try:
            amount = float(answer.replace(",", "."))
        except ValueError:
            raise InputError(f'"{answer}" is no amount; type a number, as in 120') from None
        if not 0 <= amount < float("inf"):
            raise InputError(f"an amount is not negative, got {answer}")
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
    return "\n".join([*page.wrap(f"settings in {kept}"), *page.table(rows)])


def _value(facts: SettingsView, name: str, value: object) -> str:
    if value in (None, "", (), {}):
        return f"{facts.pack[name]} (by default)" if name in facts.pack else "-"
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    if isinstance(value, dict):
        return ", ".join(f"{kind} {price:g}" for kind, price in value.items())
    return f"{value:g}" if isinstance(value, float) else str(value)
