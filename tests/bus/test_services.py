"""Bytes of the standard services against worked examples and a second implementation.

Scapy's automotive layers were written by others from the same standard; they stand beside every
scaling, list of codes and monitor result here.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from swapinfer.bus import services as sv
from swapinfer.errors import BusError

obd = pytest.importorskip("scapy.contrib.automotive.obd.obd")

SIZES = {size: st.binary(min_size=size, max_size=size) for size in (1, 2, 4)}


def theirs(message: bytes) -> object:
    """First record of an answer as the second implementation reads it."""
    return obd.OBD(message).data_records[0].lastlayer()


def test_code_of_the_standards_figure() -> None:
    """ISO 15031-6: two bytes 01 43 are P0143; the letters are P, C, B and U in this order."""
    assert sv.code_text(0x01, 0x43) == "P0143"
    assert sv.code_text(0x20, 0x3F) == "P203F"
    assert [sv.code_text(top << 6, 0)[0] for top in range(4)] == list("PCBU")


def code_bytes(text: str) -> tuple[int, int]:
    """The two bytes of a code, from its text: the other way round, written for this test."""
    number = "PCBU".index(text[0]) << 14 | int(text[1]) << 12 | int(text[-3:], base=16)
    return number >> 8, number & 0xFF


def test_every_code_is_written_and_read_back() -> None:
    pairs = [(high, low) for high in range(256) for low in range(256)]
    assert all(code_bytes(sv.code_text(*pair)) == pair for pair in pairs)


@given(st.binary(min_size=2, max_size=2))
def test_codes_are_those_of_the_second_implementation(pair: bytes) -> None:
    """Its fields: where the code is from, and four figures."""
    code = obd.OBD(b"\x43\x01" + pair).dtcs[0]
    letter = {"Powertrain": "P", "Chassis": "C", "Body": "B", "Network": "U"}
    place = code.get_field("location").i2repr(code, code.location)
    text = f"{letter[place]}{code.code1}{code.code2:X}{code.code3:X}{code.code4:X}"
    wanted = (text,) if any(pair) else ()
    assert sv.read_answer(b"\x43\x01" + pair) == [sv.Codes(sv.STORED, wanted)]


@pytest.mark.parametrize("identifier", sorted(sv.QUANTITIES))
@given(data=st.data())
def test_scalings_are_those_of_the_second_implementation(
    identifier: int, data: st.DataObject
) -> None:
    raw = data.draw(SIZES[sv.QUANTITIES[identifier].size])
    (now,) = sv.read_answer(bytes([0x41, identifier]) + raw)
    assert isinstance(now, sv.Value)
    their = theirs(bytes([0x41, identifier]) + raw)
    assert now.value == pytest.approx(float(their.data), abs=1e-3)
    assert sv.read_answer(bytes([0x42, identifier, 0]) + raw) == [
        sv.Value(sv.FRAME, identifier, now.value)
    ]


@given(SIZES[4])
def test_lamp_and_monitors_are_those_of_the_second_implementation(raw: bytes) -> None:
    (status,) = sv.read_answer(b"\x41\x01" + raw)
    their = theirs(b"\x41\x01" + raw)
    assert isinstance(status, sv.Status)
    assert (status.lamp, status.count) == (bool(their.mil), their.dtc_count)
    assert status.has_misfire_monitor == bool(raw[1] & 1)
    assert status.has_run == (not raw[1] & 0x10)


@given(st.integers(1, 12), st.integers(0, 65_535), st.integers(0, 65_535))
def test_monitor_results_are_those_of_the_second_implementation(
    cylinder: int, average: int, count: int
) -> None:
    monitor = 0xA1 + cylinder
    message = b"\x46" + b"".join(
        bytes([monitor, test, 0x24]) + value.to_bytes(2) + b"\0\0\xff\xff"
        for test, value in ((0x0B, average), (0x0C, count))
    )
    assert sv.read_answer(message) == [sv.Misfires(cylinder, count, average)]
    records = [record.lastlayer() for record in obd.OBD(message).data_records]
    assert [record.standardized_test_id for record in records] == [11, 12]
    assert [int(float(record.test_value)) for record in records] == [average, count]


@given(st.sampled_from(range(0, 0x100, 0x20)), SIZES[4])
def test_what_there_is_reads_as_bits_from_the_first(base: int, raw: bytes) -> None:
    """Re-computed from the bits as text: the first bit stands for the first identifier."""
    bits = f"{int.from_bytes(raw):032b}"
    wanted = frozenset(base + n for n, bit in enumerate(bits, 1) if bit == "1")
    assert sv.read_answer(bytes([0x41, base]) + raw) == [sv.Supported(1, base, wanted)]


EXAMPLES = {
    "41 0C 1AF8": [sv.Value(sv.NOW, 0x0C, 1726.0)],
    "41 05 7B": [sv.Value(sv.NOW, 0x05, 83.0)],
    "41 04 CC": [sv.Value(sv.NOW, 0x04, 80.0)],
    "41 0D FF": [sv.Value(sv.NOW, 0x0D, 255.0)],
    "41 01 82 07 E5 00": [sv.Status(lamp=True, count=2, has_misfire_monitor=True, has_run=True)],
    "42 02 00 0303": [sv.FrameCode("P0303")],
    "42 02 00 0000": [sv.FrameCode("")],
    "43 02 0300 0303": [sv.Codes(sv.STORED, ("P0300", "P0303"))],
    "43 04 0420 3F04 2600 0000": [sv.Codes(sv.STORED, ("P0420", "P3F04", "P2600"))],
    "47 01 0303": [sv.Codes(sv.PENDING, ("P0303",))],
    "4A 00": [sv.Codes(sv.PERMANENT, ())],
    "46 A0 78000000": [sv.Supported(sv.MONITORS, 0xA0, frozenset({0xA2, 0xA3, 0xA4, 0xA5}))],
    "46 A4 0B 24 0005 0000 FFFF A4 0C 24 001C 0000 FFFF": [sv.Misfires(3, 28, 5)],
    "46 A4 80 9D 0005 0000 FFFF": [],
    "44": [sv.Emptied()],
    "7F 07 22": [sv.Refusal(sv.PENDING, 0x22)],
}
"""Worked by hand as docs/reference/bus.md tells: scalings and limits as public tables of SAE J1979
have them (0 to 16,383.75 rpm by a quarter, -40 to 215 degC, per cent of 255, 0 to 255 km/h), tests
0B and 0C with unit 24 as a maker's service text describes them."""


@pytest.mark.parametrize("answer", EXAMPLES)
def test_worked_examples(answer: str) -> None:
    assert sv.read_answer(bytes.fromhex(answer)) == EXAMPLES[answer]


WHOLE = {
    "codes": "43 03 0300 0303 0351", "pending": "47 01 0303", "value": "41 0C 1AF8",
    "frame": "42 0C 00 1AF8", "frame code": "42 02 00 0303", "status": "41 01 82 07 E5 00",
    "monitor": "46 A2 0B 24 0005 0000 FFFF A2 0C 24 001C 0000 FFFF", "refusal": "7F 03 11",
    "number": "49 02 01" + "30" * 17, "supported": "46 A0 78000000",
}  # fmt: skip


def read_or_refuse(message: bytes) -> tuple[list[sv.Stated], str]:
    """What a message states, or the line that says why it states nothing."""
    try:
        return sv.read_answer(message), ""
    except BusError as error:
        return [], str(error)


@pytest.mark.parametrize("name", WHOLE)
def test_an_answer_cut_at_any_byte_states_nothing_false(name: str) -> None:
    whole = bytes.fromhex(WHOLE[name])
    full = sv.read_answer(whole)
    assert full
    for end in range(len(whole)):
        part, refusal = read_or_refuse(whole[:end])
        assert part != full
        assert all(one in full or isinstance(one, sv.Misfires) for one in part), part
        assert not refusal or "cut off" in refusal or "empty" in refusal


@given(st.binary(max_size=40))
def test_noise_is_read_or_refused_in_one_line(noise: bytes) -> None:
    assert "\n" not in read_or_refuse(noise)[1]
