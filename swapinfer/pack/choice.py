"""Words for engines that a person may choose among, and those that the pack must refuse."""

from __future__ import annotations

from collections.abc import Iterable

from swapinfer.errors import InputError, near_match
from swapinfer.pack.model import Pack


def choose(pack: Pack, what: str, word: str, known: Iterable[str]) -> str:
    """Return the word if it is known, and say why not otherwise.

    Parameters
    ----------
    pack : Pack
        Knows the engines that it cannot speak for.
    what : str
        What is chosen: ``"layout"``, ``"ignition kind"``.
    word : str
        As typed.
    known : iterable of str
        What may be chosen.

    Returns
    -------
    str
        `word`.

    Raises
    ------
    InputError
        With the pack's reason if the word names an engine that it refuses, else with a near match.
    """
    options = list(known)
    if word in options:
        return word
    for name, reason in pack.refusals.items():
        if name in word.lower():
            raise InputError(f'"{word}" cannot be taken: {reason}')
    raise InputError(f'no {what} "{word}"{near_match(word, options)}')
