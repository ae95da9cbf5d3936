"""Ways to make a write-up say more than its job: what catches each, and what nothing can."""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pypdf
import pytest
from msgspec.structs import replace
from PIL import Image

from swapinfer.claim.document import BREAK, to_pdf
from swapinfer.claim.settings import ClaimSettings
from swapinfer.claim.verify import Verified, verify_file
from swapinfer.claim.write import Claim, to_json, write_up
from swapinfer.commands import run
from swapinfer.errors import InputError, OwnPriorsError
from swapinfer.ledger import events as ev
from swapinfer.ledger.event import Event
from swapinfer.ledger.events import read_events
from swapinfer.ledger.exchange import SEAL_FORMAT, document_of, dump_document
from swapinfer.ledger.record import Record
from swapinfer.ledger.replay import replay
from swapinfer.pack.load import load_pack
from swapinfer.pack.model import Pack
from tests.claim.jobs import base_pack, chain, claim_of, coil_events, opening, picture
from tests.claim.test_published import THREE_DRIVES, doctored, short_lives
from tests.claim.test_retractions import ENDED, STAYED, SWAPPED

LATER = datetime(2031, 6, 1, tzinfo=UTC)


class Desk:
    """A reviewer with the files that came in."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, name: str, content: str | bytes) -> Path:
        path = self.folder / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    def take(self, claim: Claim, **options: Any) -> Verified:  # noqa: ANN401
        return verify_file(self.put("claim.json", to_json(claim)), now=LATER, **options)

    def exit_code(self, claim: Claim) -> int:
        return run(["claim", "verify", str(self.put("claim.json", to_json(claim)))])


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def under(pack: Pack, events: list[Event]) -> Claim:
    records = chain(events, pack=pack)
    return write_up(replay(read_events(records), pack), records)


def test_an_honest_job_says_nothing_and_exits_with_nothing(desk: Desk, coil_claim: Claim) -> None:
    found = desk.take(coil_claim)
    assert (found.same, found.priors) == (True, "the published base 1")
    assert not [line for line in found.remarks if "Times" in line or "NOT" in line]
    assert desk.exit_code(coil_claim) == 0


def test_doctored_priors_under_the_old_name(desk: Desk) -> None:
    claim = under(doctored(short_lives), THREE_DRIVES)
    found = desk.take(claim)
    assert found.same
    assert found.priors.startswith("NOT the published base 1: 5 numbers differ")
    assert desk.exit_code(claim) == OwnPriorsError.exit_code == 14


def test_an_overlay_of_one_line(desk: Desk, tmp_path: Path) -> None:
    overlay = tmp_path / "ours.toml"
    overlay.write_text("format = 1\nelement.coil.mode.open.life_km.median = 9000\n", "utf-8")
    claim = under(load_pack([overlay]), THREE_DRIVES)
    found = desk.take(claim)
    assert "1 number" in found.priors
    assert "element.coil.mode.open.life_km.median" in found.changes[0]
    assert desk.exit_code(claim) == 14


def test_an_unfavourable_finding_taken_back(desk: Desk) -> None:
    claim = claim_of([*SWAPPED, STAYED, ev.Undone(3), *ENDED])
    found = desk.take(claim)
    assert dict(found.summary)["retracted"] == "1"
    (remark,) = (line for line in found.remarks if "retracted" in line)
    assert "no reason given" in remark
    assert "with it counted" in remark


def test_a_drive_of_an_hour_within_two_minutes(desk: Desk) -> None:
    records = chain([*SWAPPED, STAYED], minutes=[0, 1, 2, 4])
    odd = [
        *records[:3],
        *chain([*SWAPPED, ev.Ran(60, ("warm",), (), pending=())], minutes=[0, 1, 2, 4])[3:],
    ]
    claim = write_up(replay(read_events(odd), base_pack()), odd)
    assert any(
        "is a drive of 60" in line.replace("\u00a0", " ") for line in desk.take(claim).remarks
    )


def test_a_job_dated_after_it_is_verified(desk: Desk, coil_claim: Claim) -> None:
    found = verify_file(
        desk.put("claim.json", to_json(coil_claim)), now=datetime(2030, 1, 1, tzinfo=UTC)
    )
    assert any("Dated later than this check: 14 events" in line for line in found.remarks)


def swapped_picture() -> list[Event]:
    """Another picture under the digest of the one that was attached."""
    out = io.BytesIO()
    Image.new("RGB", (24, 16), (10, 10, 10)).save(out, "png")
    events = coil_events()
    shown = events[11]
    assert isinstance(shown, ev.Attached)
    events[11] = replace(shown, data=base64.b64encode(out.getvalue()).decode())
    return events


def test_a_picture_exchanged_and_the_chain_sealed_anew(desk: Desk) -> None:
    claim = claim_of(swapped_picture())
    found = desk.take(claim)
    assert found.difference.startswith("picture #11 is not the one that was attached")
    assert [one.seq for one in claim.facts.conflicts if one.kind == "picture"] == [11]


def test_the_digest_of_a_picture_is_that_of_its_file(coil_claim: Claim) -> None:
    """As `sha256sum` prints it for the file itself."""
    import hashlib

    (photo,) = coil_claim.facts.photos
    shown = picture()
    assert photo.digest == hashlib.sha256(base64.b64decode(shown.data)).hexdigest()


def edited(pdf: bytes, change: Callable[[Any], None]) -> bytes:
    writer = pypdf.PdfWriter(clone_from=io.BytesIO(pdf))
    change(writer)
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


@pytest.fixture(scope="module")
def other_pdf() -> bytes:
    """The write-up of the same job, but for another price."""
    events = coil_events()
    events[9] = ev.Replaced("coil1", 840.0)
    return to_pdf(claim_of(events, ClaimSettings(shop="Example Garage")).document)


def test_a_printed_write_up_beside_its_own_file(desk: Desk, coil_claim: Claim) -> None:
    printed = desk.put("claim.pdf", to_pdf(coil_claim.document))
    written = desk.put("claim.json", to_json(coil_claim))
    found = verify_file(printed, written=written)
    assert (found.same, found.difference) == (True, "")
    assert found.compared[-1] == "print"
    packed = desk.put(
        "packed.pdf", edited(printed.read_bytes(), lambda pdf: pdf.compress_identical_objects())
    )
    assert verify_file(packed, written=written).same


def test_a_changed_amount_in_print_is_named(
    desk: Desk, coil_claim: Claim, other_pdf: bytes
) -> None:
    written = desk.put("claim.json", to_json(coil_claim))
    found = verify_file(desk.put("claim.pdf", other_pdf), written=written)
    assert not found.same
    assert "it is printed 840.00" in found.difference
    assert "where the file makes 84.00" in found.difference


@pytest.mark.parametrize("what", ["a page gone", "a page added", "a note laid over", "a picture"])
def test_other_edits_of_the_print(desk: Desk, coil_claim: Claim, what: str) -> None:
    def change(pdf: Any) -> None:  # noqa: ANN401
        if what == "a page gone":
            pdf.remove_page(len(pdf.pages) - 1)
        elif what == "a page added":
            pdf.add_page(pdf.pages[0])
        elif what == "a note laid over":
            from pypdf.annotations import FreeText

            pdf.add_annotation(0, FreeText(text="1.00 USD", rect=(50, 550, 200, 650)))
        else:
            image = next(image for page in pdf.pages for image in page.images)
            image.replace(Image.new("RGB", (24, 16), (10, 10, 10)))

    written = desk.put("claim.json", to_json(coil_claim))
    printed = desk.put("claim.pdf", edited(to_pdf(coil_claim.document), change))
    assert not verify_file(printed, written=written).same


@pytest.mark.parametrize("raw", [b"%PDF-1.7 nothing", b"%PDF-"])
def test_a_damaged_print_is_the_users_mistake(desk: Desk, coil_claim: Claim, raw: bytes) -> None:
    written = desk.put("claim.json", to_json(coil_claim))
    with pytest.raises(InputError, match="PDF is damaged"):
        verify_file(desk.put("claim.pdf", raw), written=written)


def test_a_print_needs_the_write_up_and_an_export_will_not_do(
    desk: Desk, coil_claim: Claim
) -> None:
    printed = desk.put("claim.pdf", to_pdf(coil_claim.document))
    with pytest.raises(InputError, match=r"name that, --job claim\.json"):
        verify_file(printed)
    exported = dump_document(document_of(coil_claim.records, coil_claim.packs))
    with pytest.raises(InputError, match="does not say how it was written up"):
        verify_file(printed, written=desk.put("job.json", exported))
    written = desk.put("claim.json", to_json(coil_claim))
    with pytest.raises(InputError, match="no PDF"):
        verify_file(written, written=written)


def test_a_digest_copied_out_of_the_print_is_taken(desk: Desk, coil_claim: Claim) -> None:
    """With the spaces of no width at which a line may break there, and broken in two."""
    head = coil_claim.facts.ledger.head
    copied = BREAK.join(head[n : n + 16] for n in range(0, 64, 16)).upper()
    copied = f" {copied[:40]}\n{copied[40:]} "
    found = desk.take(coil_claim, expect=copied)
    assert found.same
    assert "digest" in found.compared
    with pytest.raises(InputError, match="64 figures and letters"):
        desk.take(coil_claim, expect=head[:16])


def rewritten() -> Claim:
    """A job that the shop wrote anew from its first record on, as it would have liked it."""
    return claim_of([*SWAPPED, *ENDED])


def test_a_rewritten_job_is_whole_in_itself_and_the_paper_says_so(desk: Desk) -> None:
    found = desk.take(rewritten())
    assert found.same
    text = json.dumps([section.title for section in rewritten().document.sections])
    assert "How to check every number" in text
    said = " ".join(getattr(b, "text", "") for s in rewritten().document.sections for b in s.blocks)
    assert "whoever has the whole ledger can write another that is whole too" in said


def test_a_rewritten_job_is_caught_by_a_digest_that_left_the_shop(desk: Desk) -> None:
    honest: list[Record] = chain([*SWAPPED, STAYED])
    found = desk.take(rewritten(), expect=honest[-1].digest)
    assert found.difference.startswith("another ledger")


def test_a_rewritten_job_is_caught_by_a_seal(desk: Desk) -> None:
    """Made when the misfire had stayed: of what is shown now, the first events alone are in it."""
    honest = chain([*SWAPPED, STAYED])
    sealed = desk.put("seal.txt", f"{SEAL_FORMAT}\n{honest[-1].digest}\n")
    found = desk.take(rewritten(), seal=sealed)
    assert found.sealed.startswith("none of this job's events is in it")


def test_what_one_looks_for_beside_the_paper_is_told(desk: Desk, coil_claim: Claim) -> None:
    told = dict(desk.take(coil_claim).summary)
    assert told["repair order"] == "RO-1042"
    assert "11111111111111111" in told["vehicle"]
    assert told["recorded"] == "2031-05-04 09:30 to 2031-05-04 12:45, 14 events"
    assert told["odometer"].startswith("in 148,200 km")
    cause, _, stated = told["cause"].partition(", with a probability of ")
    (concluded,) = coil_claim.facts.concluded
    assert cause == "Established: ignition coil from cylinder 3"
    assert float(stated.partition(" %")[0]) == pytest.approx(100 * concluded.probability, abs=0.005)
    assert told["correction"] == "replace the coil (ignition coil from cylinder 3)"
    assert told["amount"].endswith("USD by standard times")
    assert (told["retracted"], told["pictures"]) == ("1", "1")


def test_a_job_under_other_circumstances_is_no_attack(desk: Desk) -> None:
    claim = claim_of([opening(vin=""), ev.Ran(20, ("warm",), ("P0303",))])
    told = dict(desk.take(claim).summary)
    assert (told["correction"], told["retracted"], told["pictures"]) == ("none", "nothing", "none")
