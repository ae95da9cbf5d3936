"""One gate for all that people typed or attached: nothing invisible, nothing that must stay out."""

from __future__ import annotations

import io
import re
import unicodedata
import warnings
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

from msgspec import Struct
from msgspec.structs import asdict

from swapinfer.errors import InputError

if TYPE_CHECKING:
    from PIL import Image

_Any = TypeVar("_Any")

LEFT_OUT = "[left out]"

_JOINERS = "\u200d\ufe0f"
"""Invisible, but what emoji are made with."""

MAX_BYTES = 20 * 2**20
"""Largest picture file that is read."""

MAX_PIXELS = 60_000_000
"""Most pixels that are unpacked."""

LONGEST_SIDE = 1600
"""Pictures are scaled down to it, in pixels."""

HARMLESS = {
    "jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi", "progression", "progressive",
    "transparency",
}  # fmt: skip
"""What a file says beside its pixels that tells nothing of place, time or owner."""

FORMATS = {"JPEG": "image/jpeg", "PNG": "image/png"}


def clean_text(text: str) -> str:
    r"""Take out what is not seen but changes how a text is read.

    Parameters
    ----------
    text : str
        As typed.

    Returns
    -------
    str
        Without control characters (line ends become ``\n``, at most two
        in a row, tabs a space), marks of direction
        and other format characters, and code points that are no characters.

    Notes
    -----
    General categories of the Unicode Standard: Cc, Cf, Cs, Cn, and the separators Zl and Zp.
    """
    lines = re.sub("\r\n|[\r\x0b\x0c\x85\u2028\u2029]", "\n", text).replace("\t", " ")
    seen = "".join(letter for letter in lines if _is_seen(letter))
    return re.sub("\n{3,}", "\n\n", seen)


def _is_seen(letter: str) -> bool:
    if letter in _JOINERS or letter == "\n":
        return True
    return unicodedata.category(letter) not in {"Cc", "Cf", "Cs", "Cn"}


def leave_out(secrets: Sequence[str]) -> Callable[[str], str]:
    """Return a function that replaces every occurrence of the given texts.

    Parameters
    ----------
    secrets : sequence of str
        Found as whole words, in any case, also with spaces or hyphens in between; empty ones are
        passed over.
    """
    bare = {re.sub(r"[\s-]", "", secret) for secret in secrets} - {""}
    if not bare:
        return lambda text: text
    longest_first = sorted(bare, key=len, reverse=True)
    words = "|".join(r"[\s-]*".join(map(re.escape, secret)) for secret in longest_first)
    pattern = re.compile(rf"(?<!\w)(?:{words})(?!\w)", re.IGNORECASE)
    return lambda text: pattern.sub(LEFT_OUT, text)


def map_texts(value: _Any, change: Callable[[str], str]) -> _Any:
    """Return a copy of a tree of structs and tuples with every text changed."""
    return _map(value, change)  # type: ignore[no-any-return]


def _map(value: Any, change: Callable[[str], str]) -> Any:  # noqa: ANN401  any tree
    if isinstance(value, str):
        return change(value)
    if isinstance(value, tuple):
        return tuple(_map(item, change) for item in value)
    if isinstance(value, Struct):
        fields = {name: _map(item, change) for name, item in asdict(value).items()}
        return type(value)(**fields)
    return value


class Picture(Struct, frozen=True):
    """A picture without metadata.

    Attributes
    ----------
    data : bytes
        The file.
    media : str
        ``"image/jpeg"`` or ``"image/png"``.
    width, height : int
        In pixels.
    """

    data: bytes
    media: str
    width: int
    height: int


def clean_picture(data: bytes) -> Picture:
    """Check a picture, turn it upright, scale it down and strip its metadata.

    Parameters
    ----------
    data : bytes
        A JPEG or PNG file.

    Returns
    -------
    Picture
        Encoded anew from its pixels alone, so that no place, time, owner or thumbnail is left.

    Raises
    ------
    InputError
        If it is too large, damaged, or neither JPEG nor PNG.
    """
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
    """Read an attached picture to be shown.

    Parameters
    ----------
    data : bytes
        As attached; cleaned again if it carries metadata.

    Returns
    -------
    Picture or None
        None if it is no undamaged JPEG or PNG of a size that is accepted.
    """
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
    mode = "RGBA" if kind == "PNG" and see_through else "RGB"
    scaled = image.convert(mode)
    scaled.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    scaled.info.clear()
    out = io.BytesIO()
    options = {} if kind == "PNG" else {"quality": 85}
    scaled.save(out, kind, optimize=True, **options)
    return Picture(out.getvalue(), FORMATS[kind], *scaled.size)
