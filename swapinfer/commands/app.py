"""How a function that returns facts becomes a command, with the options that many share.

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
from swapinfer.commands.contents import CONTENTS, EXAMPLES

if TYPE_CHECKING:
    from swapinfer.commands.shop import Shop


def complete_ro(incomplete: str) -> list[str]:
    """Complete a repair order."""
    return complete(incomplete, lambda shop: [row.ro for row in shop.store.jobs()])


def complete_place(incomplete: str) -> list[str]:
    """Complete the name of a place in the current job's engine."""
    return complete(incomplete, lambda shop: shop.load().job.engine.places)


def complete_test(incomplete: str) -> list[str]:
    """Complete the name of a test that the current job's engine allows."""
    return complete(incomplete, lambda shop: shop.load().job.engine.tests)


def complete_layout(incomplete: str) -> list[str]:
    """Complete the name of a layout."""
    return complete(incomplete, lambda shop: shop.pack.layouts)


def complete(incomplete: str, words: Callable[[Shop], Iterable[str]]) -> list[str]:
    """Complete one of the words that a shop knows; none where it has none yet."""
    from swapinfer.commands.shop import Shop
    from swapinfer.errors import SwapinferError

    try:
        with Shop() as shop:
            return [word for word in words(shop) if word.startswith(incomplete)]
    except SwapinferError:
        return []


Overlays = Annotated[
    list[Path] | None, typer.Option("--priors", help="Overlay on the base priors; may repeat.")
]

LAST_SEED = 2**32 - 1
"""Largest that every random generator in use takes."""

SHARED: Mapping[str, tuple[bool | str, Any]] = {
    "what_if": (
        False,
        typer.Option("--what-if", help="Only suppose it: say what it would mean, record nothing."),
    ),
    "full": (False, typer.Option("--full", help="Outcomes, other steps, forecast.")),
    "ro": (
        "",
        typer.Option(
            "--job", help="Repair order; default the current job.", autocompletion=complete_ro
        ),
    ),
    "as_json": (False, typer.Option("--json", help="Print the same facts as JSON.")),
    "store": (
        "",
        typer.Option("--store", help="Where jobs are kept: a file or a PostgreSQL address."),
    ),
    "who": ("", typer.Option("--who", help="Your name on the record.")),
}
"""Options that many commands share, in this order, with their defaults."""


def shared_option(name: str) -> inspect.Parameter:
    """Return a shared option as a parameter of a command."""
    default, option = SHARED[name]
    return inspect.Parameter(
        name,
        inspect.Parameter.KEYWORD_ONLY,
        default=default,
        annotation=Annotated[type(default), option],
    )


Function = TypeVar("Function", bound=Callable[..., Any])


class _Marked(NamedTuple):
    """A command as it is run, and an example of it."""

    run: Callable[..., None]
    example: str


CONTEXT = inspect.Parameter("context", inspect.Parameter.KEYWORD_ONLY, annotation=typer.Context)
"""Tells a command that is a group as well whether one of its own commands was called."""

_marked: dict[str, _Marked] = {}
"""Commands by name, of the modules that have been imported."""


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
    plain one `ro` the job that ``--job`` names.

    Parameters
    ----------
    name : str
        As in `CONTENTS`.
    example : str
        How it is called.
    has_full : bool, optional
        Whether its facts can be printed in full or at a glance.
    has_store : bool, optional
        Whether it can be told where jobs are kept, and who is at work.
    is_supposable : bool, optional
        Whether what it records may be only supposed.

    Returns
    -------
    callable
        Gives back the function as it is.
    """

    def mark(function: Function) -> Function:
        signature = inspect.signature(function, eval_str=True)
        takes_shop = "shop" in signature.parameters
        shared = {
            "what_if": is_supposable,
            "full": has_full,
            "ro": _is_plain(signature.parameters.get("ro")),
            "as_json": signature.return_annotation is not None,
            "store": takes_shop and has_store,
            "who": takes_shop and has_store,
        }
        own = [
            one
            for one in signature.parameters.values()
            if one.name != "shop" and not shared.get(one.name)
        ]
        added = [shared_option(name) for name, is_wanted in shared.items() if is_wanted]
        added += [CONTEXT] if _under(name) else []
        parameters = [one.replace(kind=inspect.Parameter.KEYWORD_ONLY) for one in (*own, *added)]

        def run(**given: Any) -> None:  # noqa: ANN401  whatever the function takes
            from swapinfer.commands.terminal import tell

            if "context" in given and given.pop("context").invoked_subcommand:
                return
            as_json, is_full = given.pop("as_json", False), given.pop("full", False)
            with _shop(given) if takes_shop else nullcontext() as shop:
                facts = function(shop, **given) if takes_shop else function(**given)
                if facts is not None:
                    tell(facts, as_json=as_json, is_full=is_full)

        run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        run.__annotations__ = {one.name: one.annotation for one in parameters}
        _marked[name] = _Marked(run, example)
        return function

    return mark


def _shop(given: dict[str, Any]) -> Shop:
    """Take out of what was given which shop is meant."""
    from swapinfer.commands.shop import Shop

    place, who = given.pop("store", ""), given.pop("who", "")
    return Shop(place, who, is_supposing=given.pop("what_if", False))


def _is_plain(parameter: inspect.Parameter | None) -> bool:
    """Whether a parameter says nothing of its own about how it is typed."""
    return parameter is not None and parameter.annotation is str


class _Listed(TyperCommand):
    """A command known by name and summary; the rest is loaded when it is called."""

    def __init__(self, words: str) -> None:
        super().__init__(
            words.rpartition(" ")[2], help=CONTENTS[words].summary, rich_markup_mode=None
        )
        self.words = words

    def make_context(
        self,
        info_name: str | None,
        args: list[str],
        parent: Any = None,  # noqa: ANN401  its class differs between versions of typer
        **extra: Any,  # noqa: ANN401
    ) -> Any:  # noqa: ANN401
        return self.loaded().make_context(info_name, args, parent, **extra)

    def loaded(self) -> Any:  # noqa: ANN401
        """Return the command whole, from the module that it lives in."""
        return load(self.words)


def _under(group: str) -> dict[str, Any]:
    """List what stands directly under a group; under none, the verbs."""
    names = [words for words in CONTENTS if words.rpartition(" ")[0] == group]
    return {words.rpartition(" ")[2]: _Listed(words) for words in names}


def load(words: str) -> Any:  # noqa: ANN401  its class differs between versions of typer
    """Import the module that a command lives in.

    Parameters
    ----------
    words : str
        Name of a command or of a group, as in `CONTENTS`.

    Returns
    -------
    click.Command
    """
    home, summary = CONTENTS[words]
    name, below = words.rpartition(" ")[2], _under(words)
    one = typer.Typer(rich_markup_mode=None, pretty_exceptions_enable=False, add_completion=False)
    if not home:
        return _group(words, below)
    import_module(f"swapinfer.commands.{home}")
    run, example = _marked[words]
    look: dict[str, Any] = {"help": summary, "epilog": f"Example: swapinfer {example}"}
    if below:
        one.callback(invoke_without_command=True, **look)(run)
    else:
        one.command(name, **look)(run)
    found: Any = typer.main.get_command(one)
    if below:
        found.name = name
        found.commands.update(below)
    return found


class _Reading:
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
_typer.build_runtime_param = _Reading  # versions of typer that have no such name read by themselves


def _group(words: str, below: dict[str, Any]) -> TyperGroup:
    return TyperGroup(
        name=words,
        commands=below,
        help=CONTENTS[words].summary,
        epilog=f"Example: swapinfer {EXAMPLES[words]}",
        no_args_is_help=True,
        rich_markup_mode=None,
    )


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
    app = typer.Typer(
        name="swapinfer",
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        help="Keeps track of a misfire job: what was moved, what it means, what is cheapest next.",
        epilog="Start with: swapinfer open RO-1 --layout inline-4",
    )
    app.callback()(_root)
    group: Any = typer.main.get_command(app)
    group.commands.update(_under(""))
    return group
