"""The commands there are, how a function that returns facts becomes one, and their shared options.

Listing commands reads the table of contents alone; calling one imports the module it lives in, and
no other.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Mapping
from contextlib import nullcontext
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple, TypeVar

import typer
from typer.core import TyperCommand, TyperGroup

from swapinfer import __version__

if TYPE_CHECKING:
    from swapinfer.commands.shop import Shop


class Entry(NamedTuple):
    """A command in the table: the module of this package that holds it, and what it does."""

    home: str
    summary: str


TABLE = """\
guide | guide | Walk a job step by step, asking for each outcome; a new one is opened by asking.
open | opening | Open a job and make it the current one.
drive | drive | Record a drive, or running at idle, and what was found.
codes | drive | Record codes read without a drive: what the vehicle came in with.
scan | scan | Read codes, freeze frame and misfire counters from the vehicle; nothing is erased.
erase | scan | Read and record everything, then erase codes and counters, if a word is typed.
swap | entries | Record that parts changed places between cylinders.
back | entries | Record that every part was put back where it belongs.
reseat | entries | Record that a connector or joint was unplugged and put together again.
replace | entries | Record that something was replaced, or repaired in place.
read | findings | Record readings of an instrument.
inspect | findings | Record what an inspection showed.
note | entries | Record a note; it carries no weight.
undo | entries | Retract an event; it stays in the ledger, marked as undone.
close | opening | Close a job.
reopen | opening | Reopen a closed job: the vehicle came back with its complaint.
jobs | jobs | List jobs at a glance.
use | show | Make a job the current one.
show | show | Show a whole job.
parts | show | Show where every part is and the moves that put all back.
belief | belief | Show the causes with their probabilities, and combinations of them.
why | belief | Say what every finding weighs for or against a cause.
next | next | Rank what to do next by expected cost to a verified repair.
why-not | next | Say why a step is not the next one, term by term.
clean | next | Say how long a clean drive must be before calling it fixed.
plan | next | Unfold the plan: what to do, and after each outcome what then.
picture | belief | Draw the engine with the suspicion on each cylinder.
history | history | Show how belief moved, event by event.
page | bay | Serve the shop's jobs to paired phones and tablets at the bay.
settings | settings | Show the shop's settings, or change them.
explain | explain | Explain a word, a trouble code, a test, a way of failing, or an exit code.
tests | show | List the tests of this engine, the least work first, or show one in full.
attach | entries | Attach a picture to a job, without its metadata.
export | store | Export a job as one file that anyone can verify.
import | store | Take over an exported job.
claim | claim | Write a job up, or verify a write-up.
claim verify | claim | Check chain and priors of a file and compute every number anew.
store |  | Check, rescue, back up and move what is stored.
store check | store | Verify every chain in the store.
store rescue | store | Save what verifies of a damaged store into this one.
store backup | store | Copy the store while it is in use.
store seal | store | Write down the last digest of every job, to show later what there was.
store restore | store | Bring every job of a backup back, into a store that is empty.
store move | store | Move a job to another store, its chain intact.
store tables | store | Export jobs and findings as CSV, without anything personal; `priors strip` \
takes out more.
priors |  | Show, check, learn and compare priors.
priors show | priors | Show numbers with their provenance.
priors check | priors | Check overlay files: each number before and after.
priors weight | weights | Say which numbers move decisions most; this takes some minutes.
priors learn | learning | Learn an overlay from closed jobs; this takes half a minute.
priors rates | learning | Learn an overlay from failures and the distance driven in all.
priors lives | learning | Learn an overlay of lives from a fleet's exposure; this loads PyMC.
priors compare | comparing | Say what differs, for which open jobs, and what it would have cost on \
past ones.
priors strip | learning | Copy history tables with running numbers for jobs and months for days.
"""
"""Every command, the module that it lives in, and what it does; groups live in none."""

CONTENTS = {
    words: Entry(home, summary)
    for words, home, summary in (line.split(" | ") for line in TABLE.splitlines())
}

EXAMPLES = {"store": "store check", "priors": "priors show element.coil"}
"""Of groups; a command's own example stands at the command."""


def completing(words: Callable[[Shop], Iterable[str]]) -> Callable[[str], list[str]]:
    """Return what completes one of the words that a shop knows; none where it has none yet."""

    def complete(incomplete: str) -> list[str]:
        from swapinfer.commands.shop import Shop
        from swapinfer.errors import SwapinferError

        try:
            with Shop() as shop:
                return [word for word in words(shop) if word.startswith(incomplete)]
        except SwapinferError:
            return []

    return complete


complete_ro = completing(lambda shop: [row.ro for row in shop.store.jobs()])
complete_place = completing(lambda shop: shop.load().job.engine.places)
complete_test = completing(lambda shop: shop.load().job.engine.tests)
complete_layout = completing(lambda shop: shop.pack.layouts)

Overlays = Annotated[
    list[Path] | None, typer.Option("--priors", help="Overlay on the base priors; may repeat.")
]

Ignition = Annotated[str, typer.Option(help="Ignition kind.")]
Fuel = Annotated[str, typer.Option(help="Fuel kind.")]

LAST_SEED = 2**32 - 1
"""Largest that every random generator in use takes."""


def _flag(name: str, words: str) -> tuple[bool, Any]:
    return False, typer.Option(name, help=words)


SHARED: Mapping[str, tuple[bool | str, Any]] = {
    "what_if": _flag("--what-if", "Only suppose it: say what it would mean, record nothing."),
    "full": _flag("--full", "Outcomes, other steps, forecast."),
    "ro": (
        "",
        typer.Option(
            "--job", help="Repair order; default the current job.", autocompletion=complete_ro
        ),
    ),
    "as_json": _flag("--json", "Print the same facts as JSON."),
    "store": (
        "",
        typer.Option("--store", help="Where jobs are kept: a file or a PostgreSQL address."),
    ),
    "who": ("", typer.Option("--who", help="Your name on the record.")),
}
"""Options that many commands share, in this order, with their defaults."""

Function = TypeVar("Function", bound=Callable[..., Any])

OPTION = inspect.Parameter.KEYWORD_ONLY

_marked: dict[str, tuple[Callable[..., None], str]] = {}
"""Commands by name as they are run, each with an example, of the modules that were imported."""


def command(
    name: str,
    example: str,
    *,
    has_full: bool = False,
    has_store: bool = True,
    is_supposable: bool = False,
) -> Callable[[Function], Function]:
    """Make a command of a function that returns facts, which are printed as text or JSON.

    What it takes becomes arguments and options. A parameter `shop` is the shop at work, and a
    plain one `ro` the job that ``--job`` names. Its facts may be printed in full or at a glance
    (`has_full`), it may be told where jobs are kept and who is at work (`has_store`), and what it
    records may be only supposed (`is_supposable`). The name is as in `CONTENTS`; the function
    itself stays as it is.
    """

    def mark(function: Function) -> Function:
        signature = inspect.signature(function, eval_str=True)
        takes = signature.parameters
        takes_shop = "shop" in takes
        shared = {
            "what_if": is_supposable,
            "full": has_full,
            "ro": "ro" in takes and takes["ro"].annotation is str,
            "as_json": signature.return_annotation is not None,
            "store": takes_shop and has_store,
            "who": takes_shop and has_store,
        }
        parameters = [
            one.replace(kind=OPTION)
            for one in takes.values()
            if one.name != "shop" and not shared.get(one.name)
        ]
        for key, (default, option) in SHARED.items():
            if shared[key]:
                shown: Any = Annotated[type(default), option]
                parameters.append(inspect.Parameter(key, OPTION, default=default, annotation=shown))
        if _under(name):  # it is told whether one of its own commands was called
            parameters.append(inspect.Parameter("context", OPTION, annotation=typer.Context))

        def run(**given: Any) -> None:  # noqa: ANN401  whatever the function takes
            from swapinfer.commands.shop import Shop
            from swapinfer.commands.terminal import tell

            if "context" in given and given.pop("context").invoked_subcommand:
                return
            as_json, is_full = given.pop("as_json", False), given.pop("full", False)
            shop: Any = nullcontext()
            if takes_shop:
                supposing = given.pop("what_if", False)
                shop = Shop(given.pop("store", ""), given.pop("who", ""), is_supposing=supposing)
            with shop:
                facts = function(shop, **given) if takes_shop else function(**given)
                if facts is not None:
                    tell(facts, as_json=as_json, is_full=is_full)

        run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        run.__annotations__ = {one.name: one.annotation for one in parameters}
        _marked[name] = run, example
        return function

    return mark


class _Listed(TyperCommand):
    """A command known by name and summary; the rest is loaded when it is called."""

    def __init__(self, words: str) -> None:
        name, summary = words.rpartition(" ")[2], CONTENTS[words].summary
        super().__init__(name, help=summary, rich_markup_mode=None)
        self.words = words

    def make_context(self, *args: Any, **extra: Any) -> Any:  # noqa: ANN401
        return self.loaded().make_context(*args, **extra)

    def loaded(self) -> Any:  # noqa: ANN401
        """Return the command, or group, whole: of the module that it lives in."""
        (home, summary), below = CONTENTS[self.words], _under(self.words)
        if not home:
            return TyperGroup(
                name=self.words,
                commands=below,
                help=summary,
                epilog=f"Example: swapinfer {EXAMPLES[self.words]}",
                no_args_is_help=True,
                rich_markup_mode=None,
            )
        import_module(f"swapinfer.commands.{home}")
        run, example = _marked[self.words]
        look: dict[str, Any] = {"help": summary, "epilog": f"Example: swapinfer {example}"}
        app = _app(add_completion=False)
        if not below:
            app.command(self.name, **look)(run)
            return typer.main.get_command(app)
        app.callback(invoke_without_command=True, **look)(run)
        group: Any = typer.main.get_command(app)
        group.name = self.name
        group.commands.update(below)
        return group


def _under(group: str) -> dict[str, Any]:
    """List what stands directly under a group; under none, the verbs."""
    names = [words for words in CONTENTS if words.rpartition(" ")[0] == group]
    return {words.rpartition(" ")[2]: _Listed(words) for words in names}


class _Typed:
    """How what was typed is read: words as they stand, and what was left out as it is by default.

    Left to itself, typer reads all by a library that takes longer to load than most commands.
    """

    def __init__(self, descriptor: Any) -> None:  # noqa: ANN401
        self.descriptor = descriptor

    def coerce(self, value: Any, param: Any, ctx: Any) -> Any:  # noqa: ANN401
        """Turn what was typed into what is meant."""
        if value is None:
            return () if param.multiple or param.nargs == -1 else None
        if self.descriptor.annotation in (str, list[str]) or value == param.default:
            return value
        return _read_anything(self.descriptor).coerce(value, param, ctx)


_typer: Any = typer.core
_read_anything: Any = getattr(_typer, "build_runtime_param", None)
_typer.build_runtime_param = _Typed  # versions of typer that have no such name read by themselves


def _app(**settings: Any) -> typer.Typer:  # noqa: ANN401  whatever typer takes
    return typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False, **settings)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"swapinfer {__version__}")
        raise typer.Exit


def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def program() -> Any:  # noqa: ANN401  its class differs between versions of typer
    """Return the program as a group of commands, none of them loaded yet."""
    app = _app(
        name="swapinfer",
        callback=_root,
        no_args_is_help=True,
        help="Keeps track of a misfire job: what was moved, what it means, what is cheapest next.",
        epilog="Start with: swapinfer open RO-1 --layout inline-4",
    )
    group: Any = typer.main.get_command(app)
    group.commands.update(_under(""))
    return group
