"""Canonical JSON, digests and chains, against published values and independent recomputation."""

from __future__ import annotations

import hashlib
import json
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from swapinfer.errors import InputError, LedgerError
from swapinfer.ledger.record import (
    GENESIS,
    Record,
    as_utc,
    canonical_json,
    clock_steps,
    record_from_json,
    seal,
    verify_chain,
)
from swapinfer.pack.tables import digest_text

json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="utf-8")),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(st.characters(codec="utf-8")), inner, max_size=4)
    ),
    max_leaves=12,
)
payloads = st.dictionaries(
    st.text(st.characters(codec="utf-8"), max_size=5), json_values, max_size=4
)


def make_chain(payloads: list[dict[str, Any]], job: str = "j") -> list[Record]:
    chain: list[Record] = []
    previous = GENESIS
    for seq, payload in enumerate(payloads):
        record = seal(
            job, seq, "noted", payload,
            who="T", at="2031-05-04T09:30:00+02:00", pack="p", previous=previous,
        )  # fmt: skip
        previous = record.digest
        chain.append(record)
    return chain


def same(one: object, other: object) -> bool:
    """Equal, and of the same types: 1, 1.0 and True are three values, 0.0 and -0.0 two."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    return type(one) is type(other) and repr(one) == repr(other)


@pytest.mark.parametrize(
    ("text", "digest"),
    [
        # FIPS 180-4 examples (NIST, "SHA256" example values): one block and two blocks.
        ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
    ],
)
def test_digest_is_sha_256_of_fips_180_4(text: str, digest: str) -> None:
    assert digest_text(text) == digest


def test_canonical_form_of_rfc_8785() -> None:
    """Input of section 3.2.2, output of section 3.2.3."""
    source = (
        r'{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],'
        r'"string": "\u20ac$\u000F\u000aA' + r"'" + r'\u0042\u0022\u005c\\\"\/",'
        r'"literals": [null, true, false]}'
    )
    assert canonical_json(json.loads(source)) == (
        r'{"literals":[null,true,false],'
        r'"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],'
        r'"string":"€$\u000f\nA' + r"'" + r'B\"\\\\\"/"}'
    )


@settings(deadline=None)
@given(json_values)
def test_canonical_json_reads_back_the_same_and_is_a_fixed_point(value: object) -> None:
    text = canonical_json(value)
    back = json.loads(text)
    assert same(back, value)
    assert canonical_json(back) == text


@settings(deadline=None)
@given(st.dictionaries(st.text(st.characters(codec="utf-8")), st.integers()))
def test_order_of_keys_does_not_matter(value: dict[str, int]) -> None:
    assert canonical_json(dict(reversed(value.items()))) == canonical_json(value)
    keys = list(json.loads(canonical_json(value)))
    assert keys == sorted(value, key=lambda key: [ord(letter) for letter in key])


@pytest.mark.parametrize(
    "value",
    [
        float("nan"), float("inf"), {"a": [-float("inf")]}, "\ud800", {"\udfff": 1}, {1: 2},
        {1, 2}, b"x", 1j, pytest.param(10**5000, id="5001 digits"),
    ],
)  # fmt: skip
def test_what_json_cannot_hold_is_refused(value: object) -> None:
    with pytest.raises(LedgerError):
        canonical_json(value)


def test_bottomless_nesting_is_refused() -> None:
    deep: list[Any] = []
    for _ in range(100_000):
        deep = [deep]
    with pytest.raises(LedgerError, match="nested too deeply"):
        canonical_json(deep)
    with pytest.raises(LedgerError, match="nested too deeply"):
        make_chain([{"deep": deep}])


def test_digest_covers_every_other_field_in_canonical_form() -> None:
    """Recomputed with nothing but the standard library."""
    (record,) = make_chain([{"b": 1.0, "a": "é"}])
    assert (
        record.digest
        == hashlib.sha256(
            (
                '{"at":"2031-05-04T09:30:00+02:00","job":"j","pack":"p",'
                '"payload":{"a":"é","b":1.0},"previous":"' + "0" * 64 + '",'
                f'"program":"{record.program}","seq":0,"type":"noted","who":"T"}}'
            ).encode()
        ).hexdigest()
    )


@settings(deadline=None)
@given(st.lists(payloads, max_size=5))
def test_chains_verify_also_after_a_round_trip(contents: list[dict[str, Any]]) -> None:
    chain = make_chain(contents)
    verify_chain(chain)
    again = [record_from_json(json.loads(canonical_json(r.to_json()))) for r in chain]
    assert again == chain
    verify_chain(again)


CHANGES: dict[str, Any] = {
    "job": "k", "type": "ran", "payload": {"n": 99}, "who": "U", "pack": "q", "program": "9",
    "at": "2031-05-04T09:30:01+02:00", "previous": "f" * 64, "digest": "f" * 64,
}  # fmt: skip


@settings(deadline=None)
@given(st.integers(0, 4), st.sampled_from(sorted(CHANGES)))
def test_any_changed_field_is_found_and_placed(place: int, name: str) -> None:
    chain = make_chain([{"n": number} for number in range(5)])
    chain[place] = replace(chain[place], **{name: CHANGES[name]})
    with pytest.raises(LedgerError, match=rf"record {place} was altered"):
        verify_chain(chain)


@settings(deadline=None)
@given(st.integers(0, 4))
def test_a_change_sealed_anew_breaks_the_next_link(place: int) -> None:
    chain = make_chain([{"n": number} for number in range(6)])
    old = chain[place]
    chain[place] = seal(
        "j", place, "noted", {"n": "forged"},
        who="T", at=old.at, pack="p", previous=old.previous,
    )  # fmt: skip
    with pytest.raises(LedgerError, match=rf"record {place + 1} does not follow its predecessor"):
        verify_chain(chain)


@settings(deadline=None)
@given(st.integers(0, 3))
def test_a_removed_or_doubled_or_exchanged_record_is_placed(place: int) -> None:
    chain = make_chain([{"n": number} for number in range(5)])
    with pytest.raises(LedgerError, match=rf"record {place} is missing: record {place + 1} stands"):
        verify_chain([*chain[:place], *chain[place + 1 :]])
    with pytest.raises(LedgerError, match=rf"record {place + 1} is missing"):
        verify_chain([*chain[: place + 1], *chain[place:]])
    exchanged = [*chain[:place], chain[place + 1], chain[place], *chain[place + 2 :]]
    with pytest.raises(LedgerError, match=rf"record {place} is missing"):
        verify_chain(exchanged)


def test_a_record_of_another_job_is_refused() -> None:
    ours, theirs = make_chain([{}, {}]), make_chain([{}, {}], job="k")
    with pytest.raises(LedgerError, match="record 1 belongs to another job"):
        verify_chain([ours[0], theirs[1]])


def test_payload_is_a_copy() -> None:
    payload: dict[str, Any] = {"list": [1], "pair": (1, 2)}
    (record,) = make_chain([payload])
    payload["list"].append(2)
    assert record.payload == {"list": [1], "pair": [1, 2]}


@pytest.mark.parametrize("change", [{"seq": "0"}, {"seq": True}, {"payload": []}, {"who": None}])
def test_fields_of_the_wrong_type_are_refused(change: dict[str, Any]) -> None:
    fields = make_chain([{}])[0].to_json()
    with pytest.raises(LedgerError, match=f"a record cannot be read: {next(iter(change))} must be"):
        record_from_json({**fields, **change})


def test_missing_and_unknown_fields_are_named() -> None:
    fields = make_chain([{}])[0].to_json()
    with pytest.raises(LedgerError, match='a record cannot be read: has no field "extra"'):
        record_from_json({**fields, "extra": 1})
    del fields["who"]
    with pytest.raises(LedgerError, match='lacks the field "who"'):
        record_from_json(fields)


def test_clock_steps_compare_instants_not_texts() -> None:
    times = [
        "2031-05-04T09:30:00+02:00", "2031-05-04T08:00:00Z",
        "2031-05-04T09:59:59+02:00", "2031-05-04T10:00:00+02:00",
    ]  # fmt: skip
    chain = [
        seal("j", seq, "noted", {}, who="T", at=at, pack="p", previous=GENESIS)
        for seq, at in enumerate(times)
    ]
    assert clock_steps(chain) == [2]


@settings(deadline=None)
@given(st.text())
def test_no_text_for_a_time_makes_an_unhandled_error(text: str) -> None:
    try:
        time = as_utc(text)
    except InputError:
        return
    assert time.utcoffset() == timedelta(0)
