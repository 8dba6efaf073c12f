"""Bytes to text, or a clear word on what they are instead."""

from __future__ import annotations

import codecs

from app.core.optics.unreadable import ScanUnreadable

_MAGIC: tuple[tuple[bytes, str, str], ...] = (
    (b"\x89PNG\r\n\x1a\n", "picture", "a PNG picture"),
    (b"\xff\xd8\xff", "picture", "a JPEG picture"),
    (b"GIF8", "picture", "a GIF picture"),
    (b"BM", "picture", "a BMP picture"),
    (b"II*\x00", "picture", "a TIFF picture"),
    (b"MM\x00*", "picture", "a TIFF picture"),
    (b"%PDF-", "document", "a PDF document"),
    (b"\x1f\x8b", "archive", "a gzip archive"),
)
_CONTROL = bytes(set(range(32)) - {9, 10, 11, 12, 13, 26}) + b"\x7f"


def decode(data: bytes) -> tuple[str, str]:
    """Text of `data` with lines ended by a line feed, and the name of its encoding.

    Byte order marks are honoured, UTF-16 is also found without one, and what is not UTF-8 is read as
    Windows-1252 (degree and micro signs of older instruments). Raises ScanUnreadable for anything binary.
    """
    if not data.strip(b"\x00 \t\r\n\x1a\xef\xbb\xbf\xff\xfe"):
        raise ScanUnreadable("empty", "the file is empty")
    _refuse_known_formats(data)
    text, encoding = _decoded(data)
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text, encoding


def _refuse_known_formats(data: bytes) -> None:
    for magic, code, name in _MAGIC:
        # Two letters are too little to call a text a picture.
        if data.startswith(magic) and (magic != b"BM" or b"\x00" in data[:64]):
            raise ScanUnreadable(code, f"this is {name}, whatever its name says; delimited text is read here")


def _decoded(data: bytes) -> tuple[str, str]:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _strict(data, "utf-16")
    if data.startswith(codecs.BOM_UTF8):
        return _strict(data, "utf-8-sig")
    head = data[:4000]
    if b"\x00" in head:
        odd, even = head[1::2].count(0), head[0::2].count(0)
        half = len(head) // 2
        if odd > 0.8 * half and even < 0.1 * half:
            return _strict(data, "utf-16-le")
        if even > 0.8 * half and odd < 0.1 * half:
            return _strict(data, "utf-16-be")
    if data.translate(None, _CONTROL) != data:
        at = next(i for i, byte in enumerate(data) if byte in _CONTROL)
        raise ScanUnreadable("binary", f"this is not text: byte {at + 1} of the file is a control character")
    try:
        return data.decode("utf-8"), "utf-8"
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), "windows-1252"


def _strict(data: bytes, encoding: str) -> tuple[str, str]:
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        raise ScanUnreadable("binary", f"this is not text: byte {error.start + 1} is no {encoding}") from None
    if any(ch in text for ch in "\x00\x01\x02\x03\x04\x05\x06\x07\x08"):
        raise ScanUnreadable("binary", "this is not text: it holds control characters")
    return text, encoding
