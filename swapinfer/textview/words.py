"""Words explained, and tests listed or shown in full."""

from __future__ import annotations

from swapinfer.commands.glossary import ExplainView
from swapinfer.commands.page import Page, percent, show
from swapinfer.commands.testlist import TestLine, TestList, TestView
from swapinfer.commands.weights import WeightLine, WeightsView


@show.register
def _(facts: ExplainView, page: Page) -> str:
    lines = []
    for entry in facts.entries:
        head = page.strong(entry.term)
        lines += page.wrap(f"{head} ({entry.sort}): {entry.text}", hang=4)
    return "\n".join(lines)


@show.register
def _(facts: TestList, page: Page) -> str:
    rows = [[f"{test.minutes:.0f} min", test.id, _line(test)] for test in facts.tests]
    lines = page.wrap(f"{facts.ro}: tests of this engine, the least work first")
    lines += page.table(rows, right=[0])
    return "\n".join([*lines, *page.wrap("one in full: swapinfer tests TEST")])


@show.register
def _(facts: WeightsView, page: Page) -> str:
    lines = page.wrap(f"what findings are worth, in the base case {facts.case}")
    lines += page.wrap(
        "Bayes factor of what each speaks of: the odds that it is at fault, after to before; "
        + ", ".join(f"{name} from {least:g}" for name, least in facts.classes.items())
    )
    rows = [
        [odds_words(line.factor), line.stated, line.test, line.result, _weight_words(line)]
        for line in facts.lines
    ]
    return "\n".join(lines + page.table(rows, right=[0]))


def _weight_words(line: WeightLine) -> str:
    change = f"{percent(line.before)} -> {percent(line.after)}"
    return f"{line.meaning}: {', '.join(line.of)} {change}; {line.why}"


def odds_words(factor: float) -> str:
    """Write a Bayes factor: how many times the odds become, or a part of them."""
    return f"x {factor:,.0f}" if factor >= 9.5 else f"x {factor:.2g}"


def _line(test: TestLine) -> str:
    lacking = f" (not here: {', '.join(test.lacking)})" if test.lacking else ""
    return test.title + _each(test.target) + lacking


def _each(target: str) -> str:
    return "" if target == "engine" else f", each {target}"


@show.register
def _(facts: TestView, page: Page) -> str:
    lines = page.wrap(f"{page.strong(facts.id)}: {facts.title}{_each(facts.target)}")
    more = f", {facts.minutes_each:.0f} for each further {facts.target}"
    lines += page.wrap(f"{facts.minutes:.0f} min" + more * (len(facts.targets) > 1), indent=2)
    if facts.tools:
        lines += page.wrap(f"tools: {', '.join(facts.tools)}", indent=2)
    if facts.opens:
        lines += page.wrap(f"first: {', '.join(facts.opens)}", indent=2)
    for caution in facts.cautions:
        lines += page.wrap(f"CAUTION: {caution}", indent=2)
    steps = [*(f"first: {item}" for item in facts.before), *facts.steps]
    for number, step in enumerate(steps, start=1):
        lines += page.wrap(f"{number}. {step}", indent=2, hang=3)
    if facts.expected:
        lines += page.wrap(f"a good one reads {facts.expected}", indent=2)
    lines += page.table([[word, text] for word, text in facts.outcomes.items()])
    return "\n".join([*lines, *page.wrap(f"record it: {facts.example}", indent=2, hang=11)])
