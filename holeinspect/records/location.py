"""Take the place where a photo was taken out of its file, without touching the picture.

Bytes are blanked where they lie: nothing moves, nothing is decoded, and focal length, orientation and time stay. Done for
what phones write: the GPS directory of EXIF data in any container (EXIF 2.32, 4.6.3), GPS properties of XMP packets, and
ISO 6709 strings of a film clip behind the picture.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator
from mmap import mmap
from typing import TypeAlias

Bytes: TypeAlias = bytearray | mmap

GPS_TAG = 0x8825
"""EXIF 2.32, 4.6.3: the pointer to the GPS directory."""
ENTRY_BYTES = 12
TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
"""Bytes of a value by its type (TIFF 6.0, section 2)."""
MOST_DIRECTORIES, MOST_ENTRIES = 16, 400
"""More is no camera's directory, but picture data that looks like one. Ours."""

_TIFF_HEADER = re.compile(rb"II\x2a\x00|MM\x00\x2a")
_XMP_GPS = re.compile(
    rb"""exif:GPS[A-Za-z]{1,40}\s*=\s*(?:"[^"]{0,200}"|'[^']{0,200}')"""
    rb"""|<exif:GPS([A-Za-z]{1,40})\b[^<]{0,400}</exif:GPS\1>"""
)
_ISO_6709 = re.compile(rb"[+-]\d{2,6}\.\d{2,8}[+-]\d{3,7}\.\d{2,8}(?:[+-]\d{1,6}(?:\.\d{1,6})?)?(?:CRS[A-Z0-9_]{1,20})?/")
_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_TEXT = (b"eXIf", b"iTXt", b"tEXt")
_PNG_PACKED, _PNG_NOTHING = b"zTXt", b"zzNz"
"""Packed text may hold EXIF data that nobody sees: it is made a private chunk (lower case: readers skip it) of zeros."""


def blank_location(data: Bytes) -> bool:
    """Blank every place in the file's bytes; whether there was one."""
    found = [_blank_gps_directories(data), _blank_matches(data, _XMP_GPS, b" "), _blank_matches(data, _ISO_6709, b"0")]
    if data[: len(_PNG)] == _PNG:
        found.append(_mend_png(data))
    return any(found)


def _blank_matches(data: Bytes, pattern: re.Pattern[bytes], filling: bytes) -> bool:
    spans = [match.span() for match in pattern.finditer(data)]
    for start, end in spans:
        data[start:end] = filling * (end - start)
    return bool(spans)


def _blank_gps_directories(data: Bytes) -> bool:
    starts = [match.start() for match in _TIFF_HEADER.finditer(data)]
    return any([_blank_gps(data, start, "<" if data[start : start + 1] == b"I" else ">") for start in starts])


def _blank_gps(data: Bytes, start: int, order: str) -> bool:
    """Blank the GPS directory of the EXIF data that begins at start, and take its pointer away."""
    for directory, entries in _directories(data, start, order):
        for index in range(entries):
            at = directory + 2 + ENTRY_BYTES * index
            tag, kind, count, value = struct.unpack_from(order + "HHII", data, at)
            if tag == GPS_TAG and kind in (4, 13) and count == 1:
                _blank_directory(data, start, start + value, order)
                _drop_entry(data, directory, entries, index, order)
                return True
    return False


def _directories(data: Bytes, start: int, order: str) -> Iterator[tuple[int, int]]:
    """Place and number of entries of each directory; ends where the bytes are none."""
    place = start + 4
    for _ in range(MOST_DIRECTORIES):
        if place + 4 > len(data):
            return
        (offset,) = struct.unpack_from(order + "I", data, place)
        directory = start + offset
        if offset < 8 or directory + 2 > len(data):
            return
        (entries,) = struct.unpack_from(order + "H", data, directory)
        place = directory + 2 + ENTRY_BYTES * entries
        if not 0 < entries <= MOST_ENTRIES or place + 4 > len(data):
            return
        yield directory, entries


def _blank_directory(data: Bytes, start: int, directory: int, order: str) -> None:
    if directory + 2 > len(data):
        return
    entries = min(struct.unpack_from(order + "H", data, directory)[0], (len(data) - directory - 2) // ENTRY_BYTES)
    if entries > MOST_ENTRIES:
        return
    for index in range(entries):
        _tag, kind, count, value = struct.unpack_from(order + "HHII", data, directory + 2 + ENTRY_BYTES * index)
        size = TYPE_BYTES.get(kind, 1) * count
        if size > 4 and start + value + size <= len(data):
            data[start + value : start + value + size] = bytes(size)
    data[directory : directory + 2 + ENTRY_BYTES * entries] = bytes(2 + ENTRY_BYTES * entries)


def _drop_entry(data: Bytes, directory: int, entries: int, index: int, order: str) -> None:
    """Close the gap inside the directory: the entries behind it and the pointer to the next directory move up."""
    gap = directory + 2 + ENTRY_BYTES * index
    end = directory + 2 + ENTRY_BYTES * entries + 4
    data[gap:end] = bytes(data[gap + ENTRY_BYTES : end]) + bytes(ENTRY_BYTES)
    data[directory : directory + 2] = struct.pack(order + "H", entries - 1)


def _mend_png(data: Bytes) -> bool:
    """Checksums of the chunks that may have changed; chunks whose text is packed are emptied."""
    emptied = False
    at = len(_PNG)
    while at + 12 <= len(data):
        (size,) = struct.unpack_from(">I", data, at)
        end = at + 8 + size
        if end + 4 > len(data):
            break
        kind = bytes(data[at + 4 : at + 8])
        if kind == _PNG_PACKED:
            data[at + 4 : end] = _PNG_NOTHING + bytes(size)
            emptied = True
        if kind in (*_PNG_TEXT, _PNG_PACKED):
            data[end : end + 4] = struct.pack(">I", zlib.crc32(data[at + 4 : end]))
        at = end + 4
    return emptied
