"""Pictures as they are attached and shown: their pixels, and the digest of their file."""

from __future__ import annotations

import base64
import binascii
import hashlib
import io
import warnings
from typing import TYPE_CHECKING

from msgspec import Struct

from swapinfer.errors import InputError
from swapinfer.ledger.events import Attached
from swapinfer.pack.tables import digest_text

if TYPE_CHECKING:
    from PIL import Image

FORMATS = {"JPEG": "image/jpeg", "PNG": "image/png"}
MAX_BYTES = 20 * 2**20  # largest picture file that is read
MAX_PIXELS = 60_000_000  # most pixels that are unpacked
LONGEST_SIDE = 1600  # pictures are scaled down to it, in pixels

HARMLESS = {
    "jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi", "progression", "progressive",
    "transparency",
}  # fmt: skip
"""What a file says beside its pixels that tells nothing of place, time or owner."""


class Picture(Struct, frozen=True):
    """A picture file without metadata, its media type, and its size in pixels."""

    data: bytes
    media: str
    width: int
    height: int


def clean_picture(data: bytes) -> Picture:
    """Check a picture, turn it upright, scale it down; nothing is left of it but its pixels."""
    from PIL import Image, ImageOps

    if len(data) > MAX_BYTES:
        raise InputError(
            f"the picture has {len(data) / 2**20:.0f} MiB; at most {MAX_BYTES >> 20} are accepted"
        )
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = Image.open(io.BytesIO(data), formats=list(FORMATS))
            _refuse_huge(*image.size)
            upright = ImageOps.exif_transpose(image)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise InputError(
            "the picture cannot be read; accepted: an undamaged JPEG or PNG"
        ) from error
    return _encode(upright, str(image.format))


def read_picture(data: bytes) -> Picture | None:
    """Read an attached picture, cleaned again if need be; None if it is none that is accepted."""
    from PIL import Image

    try:
        with Image.open(io.BytesIO(data), formats=list(FORMATS)) as image:
            _refuse_huge(*image.size)
            image.load()
            if set(image.info) <= HARMLESS:
                return Picture(data, FORMATS[str(image.format)], *image.size)
        return clean_picture(data)
    except (InputError, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None


def _refuse_huge(width: int, height: int) -> None:
    if width * height > MAX_PIXELS:
        raise InputError(
            f"the picture has {width} x {height} pixels; at most "
            f"{MAX_PIXELS // 1_000_000} million are accepted"
        )


def _encode(image: Image.Image, kind: str) -> Picture:
    see_through = image.mode in {"RGBA", "LA", "PA"} or "transparency" in image.info
    scaled = image.convert("RGBA" if kind == "PNG" and see_through else "RGB")
    scaled.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    scaled.info.clear()
    out = io.BytesIO()
    options = {} if kind == "PNG" else {"quality": 85}
    scaled.save(out, kind, optimize=True, **options)
    return Picture(out.getvalue(), FORMATS[kind], *scaled.size)


def picture_bytes(event: Attached) -> bytes:
    """Return the file of an attached picture; empty if it cannot be read."""
    try:
        return base64.b64decode(event.data, validate=True)
    except (binascii.Error, ValueError):
        return b""


def digest_of_file(event: Attached) -> str:
    """SHA-256 of the file of an attached picture, hexadecimal."""
    return hashlib.sha256(picture_bytes(event)).hexdigest()


def is_as_attached(event: Attached) -> bool:
    """Whether its digest is the recorded one, which before captions came was of its base64."""
    return event.digest in (digest_of_file(event), digest_text(event.data))
