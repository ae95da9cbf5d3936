"""Numbering of trouble codes, and what they are to an engine."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapinfer.errors import InputError, PlaceError
from swapinfer.pack.engine import Engine, format_code, parse_code, read_codes
from swapinfer.pack.model import Pack


def engine(pack: Pack, layout: str, ignition: str = "coil-on-plug", fuel: str = "port") -> Engine:
    return Engine.build(pack, pack.layouts[layout], {"ignition": ignition, "fuel": fuel})


CYLINDERS = range(1, 13)

GENERIC = {
    "P0300": ("random-misfire", 0),
    **{f"P03{k:02d}": ("misfire", k) for k in CYLINDERS},
    **{f"P02{k:02d}": ("injector-circuit", k) for k in CYLINDERS},
    "P0200": ("injector-circuit-any", 0),
    **{f"P03{50 + k}": ("coil-circuit", k) for k in CYLINDERS},
    "P0087": ("rail-pressure-low", 0),
    "P0335": ("crank-sensor", 0),
    "P0340": ("cam-sensor", 0),
    "P0016": ("cam-correlation", 0),
}
"""SAE J2012 / ISO 15031-6: P0300 + k cylinder k, P0200 + k injector k, P0350 + k coil letter k."""


@pytest.mark.parametrize(("text", "meant"), GENERIC.items())
def test_numbering_up_to_twelve_cylinders(pack: Pack, text: str, meant: tuple[str, int]) -> None:
    family, cylinder = meant
    (read,) = read_codes(engine(pack, "v12"), [text])
    assert (read.code.id, read.cylinder) == (family, cylinder)
    assert len(read.cylinders) == (1 if cylinder else 12)


@pytest.mark.parametrize(
    ("text", "family", "bank"),
    [("P0171", "lean", 1), ("P0174", "lean", 2), ("P0172", "rich", 1), ("P0175", "rich", 2)],
)
def test_trim_codes_name_banks(pack: Pack, text: str, family: str, bank: int) -> None:
    """SAE J2012 / ISO 15031-6: lean 0171 and 0174, rich 0172 and 0175."""
    six = engine(pack, "v6")
    (read,) = read_codes(six, [text])
    assert read.code.id == family
    assert read.cylinders == tuple(sorted(six.layout.banks[bank - 1]))


def test_coil_letters_name_pairs_where_coils_are_shared(pack: Pack) -> None:
    """Letter A for the pair of cylinder 1: from memory, usual and not guaranteed."""
    waste = engine(pack, "inline-4", "waste-spark")
    first, second = read_codes(waste, ["P0351", "P0352"])
    assert (first.code.id, first.cylinders, first.cylinder) == ("paired-coil-circuit", (1, 4), 0)
    assert second.cylinders == (2, 3)
    with pytest.raises(
        PlaceError, match=r"P0353 is ignition coil circuit of pair 3, but .* has 2$"
    ):
        read_codes(waste, ["P0353"])


def test_codes_as_typed_and_without_repetition(pack: Pack) -> None:
    reads = read_codes(engine(pack, "inline-4"), [" p0303", "P 0303", "p0301-00", "P0300"])
    assert [read.text for read in reads] == ["P0303", "P0301", "P0300"]
    assert [read.role for read in reads] == ["misfire", "misfire", "random"]


@pytest.mark.parametrize("text", ["P0128", "P1345", "P3401", "P0313", "P219A"])
def test_what_the_pack_does_not_speak_of_carries_no_weight(pack: Pack, text: str) -> None:
    (read,) = read_codes(engine(pack, "inline-4"), [text])
    assert (read.text, read.role, read.code.title) == (text, "", "carries no weight")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("C0035", '"C0035" is a code of the chassis, not of the powertrain'),
        ("b1234", '"b1234" is a code of the body, not of the powertrain'),
        ("U0100", '"U0100" is a code of the network, not of the powertrain'),
        ("P03", '"P03" is no trouble code'),
        ("0303", '"0303" is no trouble code'),
        ("P9303", '"P9303" is no trouble code'),
        ("misfire", '"misfire" is no trouble code'),
        ("", '"" is no trouble code'),
    ],
)
def test_other_systems_and_scrawl_are_refused(pack: Pack, text: str, told: str) -> None:
    with pytest.raises(InputError) as caught:
        read_codes(engine(pack, "inline-4"), [text])
    assert str(caught.value).startswith(told)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("P0305", "P0305 is misfire of cylinder 5, but this four in line has 4"),
        ("P0205", "P0205 is injector circuit of cylinder 5, but this four in line has 4"),
        ("P0174", "P0174 is mixture too lean, bank 2, but this four in line has 1"),
    ],
)
def test_cylinders_and_banks_that_the_engine_lacks(pack: Pack, text: str, told: str) -> None:
    with pytest.raises(PlaceError) as caught:
        read_codes(engine(pack, "inline-4"), [text])
    assert str(caught.value) == told


def test_codes_without_any_cause_in_the_engine_are_left_out(pack: Pack) -> None:
    distributor = engine(pack, "inline-4", "distributor", "single-point")
    families = {read.code.id for read in distributor.codes.values()}
    assert not families & {"coil-circuit", "paired-coil-circuit", "injector-circuit"}
    assert {"coil-circuit-any", "injector-circuit-any", "misfire", "random-misfire"} <= families
    (read,) = read_codes(distributor, ["P0351"])
    assert read.role == ""


def test_no_two_codes_of_one_engine_share_a_number(pack: Pack, engines: list[Engine]) -> None:
    for one in engines:
        set_here = [
            code
            for code in pack.codes.values()
            if not code.sets or {kind for kind, _, _ in code.sets} & set(one.kinds)
        ]
        assert len(one.codes) == sum(len(one.layout.groups(code.pattern)) for code in set_here)


def test_every_code_speaks_of_a_cause_in_each_place_that_it_names(engines: list[Engine]) -> None:
    for one in engines:
        for read in one.codes.values():
            causes = {kind for kind, _, _ in read.code.sets}
            reached = {
                cylinder
                for place in one.places.values()
                if place.kind in causes
                for cylinder in place.cylinders
            }
            assert read.role != "fault" or set(read.cylinders) <= reached


@given(st.integers(0, 3999))
def test_numbers_and_codes_are_the_same_thing(number: int) -> None:
    assert parse_code(format_code(number).lower()) == f"P{number:04d}"
