"""Attached pictures: only pixels remain."""

from __future__ import annotations

import io

import pytest
from PIL import Image, PngImagePlugin

from swapinfer.claim import pictures
from swapinfer.errors import InputError

ORIENTATION, MAKER, GPS = 0x0112, 0x010F, 0x8825


def jpeg_with_everything(size: tuple[int, int] = (40, 20)) -> bytes:
    image = Image.new("RGB", size, (255, 0, 0))
    image.paste((0, 0, 255), (0, 0, size[0] // 2, size[1]))
    exif = Image.Exif()
    exif[ORIENTATION] = 6
    exif[MAKER] = "SECRET-MAKER"
    exif.get_ifd(GPS)[1] = "N"
    out = io.BytesIO()
    image.save(out, "JPEG", quality=95, exif=exif, comment=b"SECRET-COMMENT", icc_profile=b"SECRET")
    return out.getvalue()


def test_metadata_of_a_jpeg_is_gone_and_the_picture_upright() -> None:
    """Orientation 6 of the Exif standard: the camera was turned; shown a quarter turn clockwise."""
    raw = jpeg_with_everything()
    assert raw.count(b"SECRET") == 3
    picture = pictures.clean_picture(raw)
    assert b"SECRET" not in picture.data
    assert b"Exif" not in picture.data
    image = Image.open(io.BytesIO(picture.data))
    assert (picture.media, image.size) == ("image/jpeg", (20, 40))
    top, bottom = image.getpixel((10, 3)), image.getpixel((10, 36))
    assert isinstance(top, tuple)
    assert isinstance(bottom, tuple)
    assert top[2] > 4 * top[0]
    assert bottom[0] > 4 * bottom[2]


def test_texts_in_a_png_are_gone_and_its_transparency_stays() -> None:
    note = PngImagePlugin.PngInfo()
    note.add_text("Author", "SECRET")
    out = io.BytesIO()
    Image.new("RGBA", (8, 8), (10, 20, 30, 40)).save(out, "PNG", pnginfo=note)
    assert b"SECRET" in out.getvalue()
    picture = pictures.clean_picture(out.getvalue())
    assert b"SECRET" not in picture.data
    assert Image.open(io.BytesIO(picture.data)).getpixel((0, 0)) == (10, 20, 30, 40)
    assert picture.media == "image/png"


def test_large_pictures_are_scaled_down() -> None:
    picture = pictures.clean_picture(jpeg_with_everything((4000, 1000)))
    assert (picture.width, picture.height) == (400, 1600)


@pytest.mark.parametrize(
    "data",
    [b"", b"GIF89a\x01\x00\x01\x00\x00\x00\x00;", b"<svg/>", jpeg_with_everything()[:300]],
)
def test_what_is_no_jpeg_or_png_is_refused(data: bytes) -> None:
    with pytest.raises(InputError, match="accepted: an undamaged JPEG or PNG"):
        pictures.clean_picture(data)


def test_a_file_too_large_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pictures, "MAX_BYTES", 100)
    with pytest.raises(InputError, match="at most"):
        pictures.clean_picture(jpeg_with_everything())


def test_a_picture_that_unpacks_too_large_is_refused() -> None:
    """A few hundred bytes that would become 100 million pixels."""
    out = io.BytesIO()
    Image.new("1", (10_000, 10_000)).save(out, "PNG")
    assert len(out.getvalue()) < 100_000
    with pytest.raises(InputError, match="60 million"):
        pictures.clean_picture(out.getvalue())
