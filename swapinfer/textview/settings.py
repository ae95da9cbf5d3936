"""The shop's settings in two columns."""

from __future__ import annotations

from swapinfer.commands.page import Page, show
from swapinfer.commands.shopkeeping import SettingsView


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
