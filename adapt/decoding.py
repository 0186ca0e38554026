"""Which encoding a text file is in, told from its bytes in one pass that keeps none of them.

What the text means is the business of `tables`.
"""

from __future__ import annotations

import codecs
import io
from typing import BinaryIO

from adapt.problems import BadInput, Problem, shown

__all__ = ["encoding_of"]

_BLOCK = 1 << 20
_MARKS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)
_UNICODE = ("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-32-le", "utf-32-be")
# Python's own names for what is no encoding of a text file.
_NO_TEXT = ("idna", "punycode", "undefined", "unicode-escape", "raw-unicode-escape", "utf-7")
_ARCHIVES = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


def encoding_of(
    handle: BinaryIO, file: str, encoding: str | None = None
) -> tuple[str, list[Problem]]:
    """Return the encoding of a file, and a doubt when it had to be assumed.

    handle: the file, read from its start to its end. file: how messages name it. encoding: what
    somebody said it is; None = UTF-8, UTF-16 or UTF-32 with a byte order mark, or Windows-1252
    (a doubt). Raises BadInput when the whole file cannot be read so, or holds a NUL.
    """
    handle.seek(0)
    start = handle.read(4)
    if start.startswith(_ARCHIVES):
        expected = "CSV text, or a workbook named .xlsx"
        raise _unusable(file, "a spreadsheet or archive", expected)
    marked = next((name for mark, name in _MARKS if start.startswith(mark)), None)
    if encoding is not None:
        name = _said(encoding, marked, file)
        if (row := _undecodable(handle, name, file)) is not None:
            found = f"bytes that are not {name.removesuffix('-sig').upper()}"
            raise _unusable(file, found, "text in the encoding that was said", row)
        return name, []
    name = marked or "utf-8-sig"
    if (row := _undecodable(handle, name, file)) is None:
        return name, []
    if name != "utf-8-sig":
        raise _unusable(file, f"bytes that are not {name.upper()}", "UTF-8 text")
    found = "bytes that are not UTF-8"
    if _undecodable(handle, "cp1252", file) is not None:
        raise _unusable(file, found, "UTF-8 text", row)
    expected = "UTF-8 text; the file was read as Windows-1252"
    return "cp1252", [Problem("doubt", file, row, None, found, expected)]


def _said(encoding: str, marked: str | None, file: str) -> str:
    """Return the name of an encoding that somebody said, with its byte order mark read as one."""
    try:
        io.TextIOWrapper(io.BytesIO(), encoding)  # refuses codecs that are not of text
        name = codecs.lookup(encoding).name.replace("_", "-")
    except (LookupError, ValueError):
        name = _NO_TEXT[0]
    if name in _NO_TEXT:
        expected = 'the encoding of a text file, as in "utf-8", "cp1252" or "iso-8859-1"'
        raise _unusable(file, f"the encoding {shown(encoding)}", expected)
    if name == "utf-8":
        return "utf-8-sig"
    # With a mark the codec that knows of marks reads it; without one it would guess the order.
    return marked if name in _UNICODE and marked and name.startswith(marked) else name


def _undecodable(handle: BinaryIO, encoding: str, file: str) -> int | None:
    """Return the row of the first byte that is not of this encoding, None when all are.

    Raises BadInput for a NUL in a text that is.
    """
    handle.seek(0)
    # The decoder that takes a mark away says nothing of a file that is a part of one.
    decoder = codecs.getincrementaldecoder(encoding.removesuffix("-sig"))()
    rows, nul = 1, None
    rows_of_text = 1
    while True:
        block = handle.read(_BLOCK)
        try:
            text = decoder.decode(block, final=not block)
        except UnicodeDecodeError as error:
            # What was left of the block before is part of one character: no line ends in it.
            return rows + error.object[: error.start].count(b"\n")
        rows += block.count(b"\n")
        if nul is None and "\x00" in text:
            nul = rows_of_text + text[: text.index("\x00")].count("\n")
        rows_of_text += text.count("\n")
        if not block:
            break
    if nul is not None:
        expected = "text (UTF-16 needs a byte order mark)"
        raise _unusable(file, "a NUL character", expected, nul)
    return None


def _unusable(file: str, found: str, expected: str, row: int | None = None) -> BadInput:
    return BadInput([Problem("fault", file, row, None, found, expected)])
