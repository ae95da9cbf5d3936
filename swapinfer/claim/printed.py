"""Whether a printed write-up is the one that a file makes: its text and its pictures."""

from __future__ import annotations

import io
import re
from itertools import zip_longest
from typing import TYPE_CHECKING

from swapinfer.claim.document import Document
from swapinfer.claim.pdf import BREAK, to_pdf
from swapinfer.errors import InputError

if TYPE_CHECKING:
    from pypdf import PdfReader

MARK = b"%PDF-"
"""How such a file begins."""

AROUND = 4
"""Words told before a difference, so that it is found."""

END = "(nothing more)"


def first_printed_difference(raw: bytes, document: Document, *, paper: str) -> str:
    """Name the first place where a PDF is not the one that a document makes.

    Parameters
    ----------
    raw : bytes
        The PDF.
    document : Document
        As computed anew.
    paper : str
        As `to_pdf` takes it.

    Returns
    -------
    str
        Empty if text and pictures are the same. How a page looks is not compared.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    given, made = _read(raw), _read(to_pdf(document, paper=paper))
    stated, computed = _words(given), _words(made)
    for n, (is_, was) in enumerate(zip_longest(stated, computed, fillvalue=END)):
        if is_ != was:
            before = " ".join(computed[max(0, n - AROUND) : n])
            return f"after \u201c{before}\u201d it is printed {is_}, where the file makes {was}"
    if _pictures(given) != _pictures(made):
        return "a picture in it is not the one that the file makes"
    if any(page.get("/Annots") for page in given.pages):
        return "something was laid over a page"
    return ""


def _read(raw: bytes) -> PdfReader:
    from pypdf import PdfReader
    from pypdf.errors import PyPdfError

    try:
        reader = PdfReader(io.BytesIO(raw))
        for page in reader.pages:
            page.extract_text()
    except (PyPdfError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise InputError(f"the PDF is damaged, or locked: {error}") from error
    return reader


def _words(reader: PdfReader) -> list[str]:
    """Words in order; where a line or a long word is broken does not matter."""
    text = "\n".join(page.extract_text() for page in reader.pages)
    return re.sub(f"{BREAK}\\s*", "", text).split()


def _pictures(reader: PdfReader) -> list[tuple[tuple[int, int], bytes]]:
    """Pixels of all pictures, however they are packed."""
    shown = [image.image for page in reader.pages for image in page.images]
    return [(image.size, image.convert("RGB").tobytes()) for image in shown if image]
