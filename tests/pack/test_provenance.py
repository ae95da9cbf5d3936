"""Every number has a source; what is refused is said why; what there is can be counted."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest

from swapinfer.errors import InputError
from swapinfer.pack.engine import require_offered
from swapinfer.pack.load import base_folder
from swapinfer.pack.model import Pack
from swapinfer.pack.provenance import (
    numbers_by_grade,
    numbers_by_source,
    numbers_under,
    provenance_of,
    take_provenance,
)
from swapinfer.pack.tables import MisfitError


def numbers(table: dict[str, Any], path: tuple[str, ...] = ()) -> Iterator[str]:
    """Dotted path of every number or list with numbers in a file, found independently."""
    for key, value in table.items():
        if isinstance(value, dict):
            yield from numbers(value, (*path, key))
        elif any(char.isdigit() or "inf" in str(value) for char in str(value)) and not isinstance(
            value, str | bool
        ):
            yield ".".join((*path, key))


def test_every_number_in_the_files_has_a_source(pack: Pack) -> None:
    missing = {
        place
        for file in base_folder().rglob("*.toml")
        for place in numbers(tomllib.loads(file.read_text(encoding="utf-8")))
        if place != "format" and pack.provenance.get(place) not in pack.sources
    }
    texts = {place for place in missing if place.endswith((".before", ".steps"))}
    assert missing == texts


def test_sources_say_what_they_are(pack: Pack) -> None:
    for source in pack.sources.values():
        assert len(source.text) > 10
    assert pack.sources["common"].text == "common practice, no source"
    assert "from memory" in pack.sources["memory"].text
    used = set(pack.provenance.values())
    assert used == set(pack.sources)


def test_published_numbers_name_their_publication(pack: Pack) -> None:
    alpha = provenance_of(pack, "test.injector-resistance.copper_alpha")
    assert alpha.grade == "published"
    assert "IEC 60028" in alpha.text
    assert pack.tests["injector-resistance"].copper_alpha == 0.00393
    assert "J2012" in provenance_of(pack, "code.misfire.first").text


def test_what_is_taken_over_keeps_its_source(pack: Pack) -> None:
    for path in ("copper_alpha", "fresh", "range"):
        theirs = provenance_of(pack, f"test.coil-primary.{path}")
        assert provenance_of(pack, f"test.coil-pack-primary.{path}") == theirs


def test_numbers_are_shown_with_value_and_source(pack: Pack) -> None:
    shown = numbers_under(pack, "element.coil.mode.breakdown")
    value, source = shown["element.coil.mode.breakdown.life_km.median"]
    assert value == pack.kinds["coil"].modes["breakdown"].life_km.median
    assert source.grade == "memory"
    everything = numbers_under(pack)
    assert set(everything) == set(pack.provenance)
    assert everything["code.injector-circuit-any.sets.injector-feed"][0] == 0.4
    assert everything["element.coil.fix.price"][0] == list(pack.kinds["coil"].fix.price)
    assert everything["layout.v6.firing_order"][0] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("element.coli", 'no number "element.coli" in the priors; did you mean "coil"?'),
        ("running.leek_per_min", 'did you mean "leak_per_min"?'),
        ("element.coil.title", 'no number "element.coil.title" in the priors'),
        ("element.coil.mode.breakdown.life_km.median.x", "in the priors"),
        ("nothing", "in the priors; known: "),
    ],
)
def test_a_path_without_numbers_is_told_with_a_near_match(pack: Pack, path: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        numbers_under(pack, path)
    assert told in str(caught.value)
    with pytest.raises(InputError):
        provenance_of(pack, path)


def test_sources_are_inherited_until_something_else_is_said() -> None:
    table = {
        "from": "a",
        "one": 1,
        "flag": True,
        "word": "7",
        "inner": {"from": {"otherwise": "b", "special": "c"}, "plain": 2, "special": [3, [4]]},
        "other": {"from": {"deep": "d"}, "deep": {"two": 2}, "three": 3},
    }
    assert take_provenance(table) == {
        "one": "a",
        "inner": {"plain": "b", "special": "c"},
        "other": {"deep": {"two": "d"}, "three": "a"},
    }
    assert "from" not in table["inner"]
    with pytest.raises(MisfitError, match='names "x"'):
        take_provenance({"inner": {"from": {"x": "a"}}})


def test_what_there_is_is_counted_by_source_and_grade(pack: Pack) -> None:
    by_source, by_grade = numbers_by_source(pack), numbers_by_grade(pack)
    assert by_source.total() == sum(by_grade.values()) == len(pack.provenance)
    assert set(by_grade) == {"memory", "common", "published", "chosen"}
    published = [name for name, source in pack.sources.items() if source.grade == "published"]
    assert by_grade["published"] == sum(by_source[name] for name in published)


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("twin-plug", '"twin-plug" cannot be taken: two plugs a cylinder'),
        ("v8-cylinder-deactivation", "cannot be taken: cylinders that are switched off"),
        ("Diesel", "cannot be taken: compression ignition"),
        ("inline4", 'no layout "inline4"; did you mean "inline-4"?'),
    ],
)
def test_engines_beyond_the_pack_are_refused_with_the_reason(
    pack: Pack, word: str, told: str
) -> None:
    with pytest.raises(InputError) as caught:
        require_offered(pack, "layout", word, pack.layouts)
    assert told in str(caught.value)
    assert require_offered(pack, "layout", "v6", pack.layouts) == "v6"
