"""Open any phone photo safely: upright pixels, what the camera says of itself, and nothing of where it was taken.

    file, bytes or stream -> _read -> bytes -> _open_header (no pixel decoded) -> limits -> pixels -> Photo

The usual 8-bit JPEG is decoded twice at once by OpenCV, as grey (the luma plane, no colour work at all) and at half
size in colour: cheaper than one full colour decode and a reduction. OpenCV fills what is missing with grey and says
nothing, so the file's markers are followed to its end first. Everything else takes the general path. Pillow's plugin
classes are called directly: only the formats listed here are ever tried, and the limits below are the only ones.

Frames: pixel centres are integers, x right, y down, in the upright picture (after the EXIF orientation).
Every refusal is a PhotoError whose one sentence names the file, the trouble and the way out.
"""

import hashlib
import io
import math
import struct
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from threading import RLock
from typing import Any, BinaryIO

import cv2
import numpy as np
import numpy.typing as npt
import pillow_heif
from PIL import (
    AvifImagePlugin,
    BmpImagePlugin,
    GifImagePlugin,
    Image,
    ImageCms,
    ImageFile,
    JpegImagePlugin,
    PngImagePlugin,
    PpmImagePlugin,
    TiffImagePlugin,
    WebPImagePlugin,
)

from holeinspect.errors import PhotoError

Samples = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
Source = str | Path | bytes | BinaryIO

MEGA = 1_000_000
LUMA_WEIGHTS = (0.299, 0.587, 0.114)  # of R', G', B' code values: ITU-R BT.601 2.5.1, as in JFIF (ITU-T T.871, 7)
FULL_FRAME_LONG_MM = 36.0  # long side of the 35 mm film frame
FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)  # 43.267
U_FOCAL_RELATIVE = 0.04  # the least: crops, digital zoom, rounding to whole mm (algorithms notes, section 4)
FOCAL35_RANGE_MM = (4.0, 2000.0)  # outside it the tag is nonsense; 0 means unknown (Exif 2.32, FocalLengthIn35mmFilm)
FOCAL_RANGE_MM = (0.5, 2000.0)  # likewise for the true focal length of a lens
TEXT_LENGTH = 80  # characters kept of a maker's text
SRGB_TONE_TOLERANCE = 2  # code values of 255: rounding of a table and of the conversion; gamma 2.2 misses by 7
TAG_BITS, TAG_ORIENTATION, TAG_DATE, TAG_MAKE, TAG_MODEL = 258, 274, 306, 271, 272  # TIFF 6.0
TAG_REDUCED, TAG_RAW = 254, 50706  # TIFF 6.0 NewSubfileType, of which bit 0 says preview; DNG 1.4 DNGVersion
TAG_EXIF, TAG_TAKEN, TAG_FOCAL, TAG_FOCAL35, TAG_LENS = 0x8769, 0x9003, 0x920A, 0xA405, 0xA434  # Exif 2.32, 4.6
TAG_ZOOM = 0xA404  # Exif 2.32, DigitalZoomRatio; 0 where it was not used
ZOOM_RANGE = (0.1, 200.0)
LARGEST_KEPT_PX = 30 * MEGA
"""Pictures of more pixels are averaged over 2 x 2: phones of 48 megapixels and more hold no detail in single pixels, which
colour filters of 2 x 2 and the lens's blur have spread (seen on enlarged photos: U is sure of edges that are too soft)."""
HDR_TRANSFERS = (16, 18)  # ITU-T H.273 table 3: perceptual quantiser (PQ) and hybrid log-gamma (HLG)
PNG_DEPTH_BYTE = 24  # ISO/IEC 15948, 11.2.2: signature 8, chunk head 8, width 4, height 4
EIGHT_BIT_MODES = ("1", "L", "LA", "La", "P", "PA", "RGB", "RGBA", "RGBa", "RGBX", "CMYK", "YCbCr")
COPY_AGAIN = "copy it from the phone again, or take the photo again"


@dataclass(frozen=True, slots=True)
class Limits:
    """What is refused before any pixel is decoded: file size in bytes, picture size in pixels."""

    bytes: int = 80 * MEGA
    pixels: int = 120 * MEGA


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """An upright photo and what its file says of the camera; never where it was taken.

    luma: float32 (H, W), sRGB code values 0..1 (not linear light), weights 0.299, 0.587, 0.114. A Display P3 picture
    keeps its own code values: the tone curve is sRGB's, and the slightly different weights its primaries would ask for
    do not matter to an edge between two levels. Transparent pixels lie on white, mixed in code values.
    colour_half: uint8 (H // 2, W // 2, 3) RGB; pixel (i, j) covers rows 2i, 2i + 1 and columns 2j, 2j + 1 of luma, so
    x_full = 2 x_half + 0.5 and y_full = 2 y_half + 0.5. JPEG: libjpeg's half-size transform; else the mean of four.
    bits: depth of the code values luma was made from. stored_size: (width, height) as in the file; size: upright.
    focal35_mm: the maker's 35 mm equivalent. captured: the camera's clock, whose zone is unknown.
    notes: plain sentences on what was converted or is missing. turn: the EXIF orientation by which the picture was turned
    upright, by us or by its container. zoom: the digital zoom that the camera states, 1 for none. shrunk: pixels of the file
    along a pixel here; 2 for pictures of more than LARGEST_KEPT_PX.
    """

    name: str
    luma: npt.NDArray[np.float32]
    colour_half: npt.NDArray[np.uint8]
    sha256: str
    format: str
    bits: int
    stored_size: tuple[int, int]
    size: tuple[int, int]
    orientation: int
    make: str | None
    model: str | None
    lens: str | None
    focal_mm: float | None
    focal35_mm: float | None
    captured: datetime | None
    colour_profile: str | None
    notes: tuple[str, ...]
    turn: int = 1
    zoom: float | None = None
    shrunk: int = 1

    @property
    def focal_prior_px(self) -> tuple[float, float] | None:
        """Focal length at infinity in pixels and its relative standard uncertainty; None when the file has none.

        Makers work the 35 mm equivalent out by the diagonal, f = F35 sqrt(W² + H²) / 43.267, or by the long side,
        f = F35 max(W, H) / 36, and do not say which. The prior is the mean of both; u is half their difference, so
        that both lie within one u, and never under 4 % (whole millimetres, crops, digital zoom). 4:3: 2 % apart from
        the mean; 16:9 crop of it: 2.3 %; square crop: 8 %. At close range the lens is further out: the caller
        multiplies by 1 + f/(H - f), f the true focal length and H the camera's height (+2 % for 6.9 mm at 300 mm).
        """
        if self.focal35_mm is None:
            return None
        by_diagonal = self.focal35_mm * math.hypot(*self.size) / FULL_FRAME_DIAGONAL_MM
        by_long_side = self.focal35_mm * max(self.size) / FULL_FRAME_LONG_MM
        focal_px = (by_diagonal + by_long_side) / 2
        return focal_px, max(U_FOCAL_RELATIVE, abs(by_diagonal - by_long_side) / 2 / focal_px)


def open_photo(source: Source, name: str | None = None, limits: Limits = Limits()) -> Photo:
    """Open a photo: a path, the bytes of a file, or a binary stream (read from where it stands).

    name: what to call it in messages; by default the file's name, or "photo". Limits are checked by the header alone.
    Raises PhotoError: no such file, a folder, unreadable, empty, no picture, too large, cut off or damaged.
    """
    data, name = _read(source, name, limits)
    picture = _open_header(data, name, limits)
    stored_size, tiff_orientation = _stored_size(picture), _tiff_orientation(picture)
    profile = _read_profile(picture)
    plain = _is_plain_jpeg(picture, profile)
    if not plain:
        with _damage_told(name), _quiet():
            picture.load()  # before the tags: PNG may carry them after the pixels
    camera = _read_camera(picture)
    with _damage_told(name):
        if plain:
            pixels = _plain_jpeg(data, profile, camera.orientation)
        else:
            pixels = _any_picture(picture, data, name, profile, camera.orientation)
        shrunk = 2 if pixels.luma.size > LARGEST_KEPT_PX else 1
        pixels = _averaged(pixels) if shrunk > 1 else pixels
        notes = pixels.notes + _frame_notes(picture) + camera.notes
    height, width = pixels.luma.shape
    return Photo(
        name=name,
        luma=pixels.luma,
        colour_half=pixels.colour_half,
        sha256=hashlib.sha256(data).hexdigest(),
        format=str(picture.format),
        bits=pixels.bits,
        stored_size=stored_size,
        size=(width, height),
        orientation=tiff_orientation or camera.orientation,
        make=camera.make,
        model=camera.model,
        lens=camera.lens,
        focal_mm=camera.focal_mm,
        focal35_mm=camera.focal35_mm,
        captured=camera.captured,
        colour_profile=profile.name if profile else None,
        notes=notes,
        turn=_orientation(picture.info.get("original_orientation") or tiff_orientation or camera.orientation),
        zoom=camera.zoom,
        shrunk=shrunk,
    )


# --- from the source to bytes ---


def _read(source: Source, name: str | None, limits: Limits) -> tuple[bytes, str]:
    """The file's bytes, never more than the limit, and what to call it."""
    if isinstance(source, bytes):
        data, name = source, name or "photo"
    elif isinstance(source, str | Path):
        data, name = _read_path(Path(source), limits), name or Path(source).name
    else:
        name = name or Path(str(getattr(source, "name", "photo"))).name
        data = source.read(limits.bytes + 1)
    if not data:
        raise PhotoError(f"{name} is empty (0 bytes); {COPY_AGAIN}.")
    if len(data) > limits.bytes:
        raise _too_many_bytes(name, f"at least {len(data) / MEGA:.1f}", limits)
    return data, name


def _read_path(path: Path, limits: Limits) -> bytes:
    """The bytes of a file, or of its beginning when it is longer than the limit."""
    try:
        if path.is_dir():
            raise PhotoError(f"{path} is a folder, not a photo; name one photo inside it.")
        if path.exists() and not path.is_file():
            raise PhotoError(f"{path} is a device, not a photo; name a photo file.")
        with path.open("rb") as file:
            if path.stat().st_size > limits.bytes:
                raise _too_many_bytes(path.name, f"{path.stat().st_size / MEGA:.1f}", limits)
            return file.read(limits.bytes + 1)
    except FileNotFoundError:
        raise PhotoError(f"There is no file {path}; check its spelling and its folder.") from None
    except OSError as trouble:
        reason = trouble.strerror or type(trouble).__name__
        raise PhotoError(f"{path} cannot be read ({reason}); check who may read it, or copy it elsewhere.") from trouble
    except ValueError as trouble:  # a NUL inside the path; PhotoError is a ValueError too
        if isinstance(trouble, PhotoError):
            raise
        raise PhotoError(f"{str(path)!r} is no file name; check its spelling.") from trouble


def _too_many_bytes(name: str, size: str, limits: Limits) -> PhotoError:
    return PhotoError(
        f"{name} has {size} MB, more than the limit of {limits.bytes / MEGA:.1f} MB; "
        "use the phone's own photo, or save it as JPEG."
    )


# --- from bytes to a header: nothing is decoded here ---


def _brands(data: bytes) -> set[bytes]:
    """Brands of an ISO base media file (ISO/IEC 14496-12, 4.3); none for anything else."""
    if data[4:8] != b"ftyp":
        return set()
    end = min(int.from_bytes(data[:4], "big"), 256)
    return {data[8:12], *(data[at : at + 4] for at in range(16, end, 4))}


def _is_avif(data: bytes) -> bool:
    return bool(_brands(data) & {b"avif", b"avis"})


def _is_heif(data: bytes) -> bool:
    return bool(_brands(data) & {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"})


_PLUGINS: tuple[tuple[Callable[[bytes], bool], Callable[[io.BytesIO], ImageFile.ImageFile]], ...] = (
    (lambda data: data.startswith(b"\xff\xd8\xff"), JpegImagePlugin.JpegImageFile),  # of an MPO the first picture
    (lambda data: data.startswith(b"\x89PNG\r\n\x1a\n"), PngImagePlugin.PngImageFile),
    (lambda data: data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"), TiffImagePlugin.TiffImageFile),
    (lambda data: data[:4] == b"RIFF" and data[8:12] == b"WEBP", WebPImagePlugin.WebPImageFile),
    (_is_avif, AvifImagePlugin.AvifImageFile),
    (_is_heif, pillow_heif.HeifImageFile),
    (lambda data: data[:1] == b"P" and data[1:2] in b"123456" and data[2:3].isspace(), PpmImagePlugin.PpmImageFile),
    (lambda data: data.startswith((b"GIF87a", b"GIF89a")), GifImagePlugin.GifImageFile),
    (lambda data: data.startswith(b"BM"), BmpImagePlugin.BmpImageFile),
)


def _open_header(data: bytes, name: str, limits: Limits) -> ImageFile.ImageFile:
    """The picture with its size known and no pixel decoded, within the limits, raw and preview files refused."""
    plugin = next((plugin for accepts, plugin in _PLUGINS if accepts(data)), None)
    if plugin is None:
        raise PhotoError(
            f"{name} is not an image that can be read; use a JPEG, HEIC, PNG, TIFF or WebP as the phone saved it."
        )
    with _damage_told(name, "its header cannot be read"), _quiet():
        if plugin is pillow_heif.HeifImageFile:  # which sets the memory aside already when it opens
            _check_pixels(pillow_heif.open_heif(data).size, name, limits)
        picture = plugin(io.BytesIO(data))
    _check_pixels(picture.size, name, limits)
    _check_all_there(picture, data, name)
    _check_not_raw(picture, name)
    return picture


def _check_pixels(size: tuple[int, int], name: str, limits: Limits) -> None:
    width, height = size
    if width * height > limits.pixels:
        raise PhotoError(
            f"{name} has {width} x {height} = {width * height / MEGA:.1f} megapixels, more than the limit of "
            f"{limits.pixels / MEGA:.1f}; take it at the phone's usual resolution, or save it smaller."
        )


def _check_not_raw(picture: ImageFile.ImageFile, name: str) -> None:
    """Refuse camera raw files: what an image reader finds in them is a preview, not the photo."""
    if not isinstance(picture, TiffImagePlugin.TiffImageFile):
        return
    kind = picture.tag_v2.get(TAG_REDUCED, 0)
    if TAG_RAW in picture.tag_v2 or (isinstance(kind, int) and kind & 1):
        raise PhotoError(f"{name} is a raw file, or starts with a preview; export it as JPEG or HEIC.")


def _check_all_there(picture: ImageFile.ImageFile, data: bytes, name: str) -> None:
    """Find the cuts that decoders pass over: libheif leaves missing tiles out, libjpeg fills up with grey."""
    whole = {
        "JPEG": lambda: _has_jpeg_end(data),
        "PNG": lambda: _has_png_end(data),
        "HEIF": lambda: _container_end(data) <= len(data),
        "AVIF": lambda: _container_end(data) <= len(data),
    }.get(str(picture.format))
    if whole and not whole():
        raise _cut_off(name)


_JPEG_SCAN, _JPEG_END = b"\xda", b"\xff\xd9"  # start of scan, end of image: ITU-T T.81, table B.1


def _has_jpeg_end(data: bytes) -> bool:
    """Is there an end of image after the first scan starts? Coded data cannot look like one (T.81, B.1.1.5).

    What phones append after it (more pictures, a film) has ends of its own, but only after the picture's.
    """
    at = 2
    while (at := data.find(b"\xff", at)) >= 0:
        kind = data[at + 1 : at + 2]
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if kind == _JPEG_SCAN:
            return data.rfind(_JPEG_END, at + 2 + length) >= 0
        at += 1 if kind in (b"\xff", b"\0") else 2 + length
    return False


def _has_png_end(data: bytes) -> bool:
    """Do the chunks lead to the end chunk? OpenCV sets memory aside for whatever length a chunk claims.

    A chunk is length, type, content and check sum (ISO/IEC 15948, 5.3).
    """
    at = 8
    while at + 12 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        at += 12 + length
        if kind == b"IEND":
            return bool(at <= len(data))
    return False


def _boxes(data: bytes, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Boxes between two offsets: type, where the content starts, where it ends (ISO/IEC 14496-12, 4.2)."""
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        head = 16 if size == 1 else 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, at + 8)
        stop = min(at + size, end) if size else end
        yield kind, at + head, stop
        if stop < at + head:
            return
        at = stop


def _container_end(data: bytes) -> int:
    """Where the last byte of the main picture of an HEIF or AVIF file ends; 0 when the file does not say it plainly.

    Further pictures may be cut: the main one, with the tiles it is put together from, is whole without them.
    Source: ISO/IEC 14496-12, 8.11.3 (iloc), 8.11.4 (pitm), 8.11.12 (iref); ISO/IEC 23008-12, 6.6.1 (dimg).
    """
    try:
        meta, end = next((start, end) for kind, start, end in _boxes(data, 0, len(data)) if kind == b"meta")
        inside = {kind: (start, stop) for kind, start, stop in _boxes(data, meta + 4, end)}
        pitm = inside[b"pitm"][0]
        main = struct.unpack_from(">H" if data[pitm] == 0 else ">I", data, pitm + 4)[0]
        needed = {main, *(_tiles(data, main, *inside[b"iref"]) if b"iref" in inside else ())}
        return max(extent_end for item, extent_end in _item_ends(data, inside[b"iloc"][0]) if item in needed)
    except (StopIteration, KeyError, ValueError, struct.error, IndexError):
        return 0


def _tiles(data: bytes, main: int, iref: int, end: int) -> set[int]:
    """Items that a derived picture is put together from."""
    width, letter = (2, "H") if data[iref] == 0 else (4, "I")
    tiles: set[int] = set()
    for kind, at, _ in _boxes(data, iref + 4, end):
        if kind == b"dimg" and struct.unpack_from(f">{letter}", data, at)[0] == main:
            count = struct.unpack_from(">H", data, at + width)[0]
            tiles.update(struct.unpack_from(f">{count}{letter}", data, at + width + 2))
    return tiles


def _item_ends(data: bytes, iloc: int) -> Iterator[tuple[int, int]]:
    """Item number and the file offset after each of its extents; extents elsewhere than in the file are left out."""
    version, sizes = data[iloc], struct.unpack_from(">H", data, iloc + 4)[0]
    offset_size, length_size, base_size, index_size = (sizes >> shift & 15 for shift in (12, 8, 4, 0))
    stream = io.BytesIO(data[iloc + 6 :])

    def number(size: int) -> int:
        return int.from_bytes(stream.read(size), "big")

    id_size = 4 if version == 2 else 2
    for _ in range(number(id_size)):
        item = number(id_size)
        in_file = version == 0 or number(2) & 15 == 0
        number(2)  # data reference: this file
        base = number(base_size)
        for _ in range(number(2)):
            number(index_size if version else 0)
            extent_end = base + number(offset_size) + number(length_size)
            if in_file:
                yield item, extent_end


def _tiff_orientation(picture: ImageFile.ImageFile) -> int | None:
    """Orientation of a TIFF, read before Pillow turns the picture itself and forgets it; None for other formats."""
    if not isinstance(picture, TiffImagePlugin.TiffImageFile):
        return None
    return _orientation(picture.tag_v2.get(TAG_ORIENTATION))


def _stored_size(picture: ImageFile.ImageFile) -> tuple[int, int]:
    """Width and height before turning; HEIF is turned by its container, so there the two are the same."""
    width, height = picture.size
    return (height, width) if (_tiff_orientation(picture) or 1) > 4 else (width, height)


# --- troubles told ---


def _cut_off(name: str) -> PhotoError:
    return PhotoError(f"{name} is cut off: its picture data end too early; {COPY_AGAIN}.")


@contextmanager
def _damage_told(name: str, trouble: str = "its picture data cannot be decoded") -> Iterator[None]:
    """Decoders raise nearly anything at a broken file: turn it into one sentence."""
    try:
        yield
    except (PhotoError, MemoryError):
        raise
    except Exception as error:
        if isinstance(error, EOFError) or "truncated" in str(error) or "end of file" in str(error):
            raise _cut_off(name) from error
        raise PhotoError(f"{name} is damaged: {trouble}; {COPY_AGAIN}.") from error


_warning_filters = RLock()  # they are one per process


@contextmanager
def _quiet() -> Iterator[None]:
    """Pillow warns of odd tags in pictures that open all the same; the notes say what matters."""
    with _warning_filters, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


# --- what the file says of the camera ---


@dataclass(frozen=True, slots=True)
class _Camera:
    """The few tags that are read; location is not among them."""

    orientation: int = 1
    make: str | None = None
    model: str | None = None
    lens: str | None = None
    focal_mm: float | None = None
    focal35_mm: float | None = None
    zoom: float | None = None
    captured: datetime | None = None
    notes: tuple[str, ...] = ("no focal length in the file",)


def _read_camera(picture: ImageFile.ImageFile) -> _Camera:
    """Camera tags; a broken EXIF block never stops a readable picture, it only leaves less to know."""
    with _quiet():
        try:
            tags = picture.getexif()
            return _camera_from(tags, tags.get_ifd(TAG_EXIF))
        except Exception:  # the parser trips over broken blocks in many ways
            return _Camera(notes=(*_Camera().notes, "camera details in the file are damaged and were left out"))


def _camera_from(tags: Image.Exif, detail: dict[int, Any]) -> _Camera:
    """Only the tags wanted are asked for: the parser reads each when it is."""
    focal35_mm = _number(detail.get(TAG_FOCAL35), FOCAL35_RANGE_MM)
    return _Camera(
        orientation=_orientation(tags.get(TAG_ORIENTATION)),
        make=_text(tags.get(TAG_MAKE)),
        model=_text(tags.get(TAG_MODEL)),
        lens=_text(detail.get(TAG_LENS)),
        focal_mm=_number(detail.get(TAG_FOCAL), FOCAL_RANGE_MM),
        focal35_mm=focal35_mm,
        zoom=_number(detail.get(TAG_ZOOM), ZOOM_RANGE),
        captured=_moment(detail.get(TAG_TAKEN)) or _moment(tags.get(TAG_DATE)),
        notes=() if focal35_mm else _Camera().notes,
    )


def _orientation(value: object) -> int:
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _text(value: object) -> str | None:
    text = value.decode("latin-1") if isinstance(value, bytes) else value
    if not isinstance(text, str):
        return None
    return "".join(c for c in text.split("\0")[0] if c.isprintable()).strip()[:TEXT_LENGTH] or None


def _number(value: Any, within: tuple[float, float]) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if within[0] <= number <= within[1] else None


def _moment(value: object) -> datetime | None:
    try:
        return datetime.strptime(_text(value) or "", "%Y:%m:%d %H:%M:%S")  # Exif 2.32, DateTimeOriginal
    except ValueError:
        return None


def _frame_notes(picture: ImageFile.ImageFile) -> tuple[str, ...]:
    """Say when a file holds more than the picture taken (MPO counts by its index, which JPEG readers skip)."""
    several = "mp" in picture.info or getattr(picture, "n_frames", 1) > 1
    return ("more than one picture in the file; the first is used",) if several else ()


# --- colour profiles ---


@dataclass(frozen=True, slots=True)
class _Profile:
    """An embedded ICC profile. name: None when unreadable. convert: code values must be converted to sRGB."""

    icc: bytes
    name: str | None
    convert: bool

    @property
    def is_readable(self) -> bool:
        return self.name is not None


def _read_profile(picture: ImageFile.ImageFile) -> _Profile | None:
    icc = picture.info.get("icc_profile")
    return _judge_profile(icc, _colour_space(picture.mode)) if isinstance(icc, bytes) and icc else None


def _colour_space(mode: str) -> str:
    """The ImageCms mode whose profile belongs to a Pillow mode."""
    if mode == "CMYK":
        return "CMYK"
    return "L" if mode in ("1", "L", "LA", "La") or mode.startswith("I") else "RGB"


@lru_cache(maxsize=16)
def _judge_profile(icc: bytes, space: str) -> _Profile:
    """Send greys and primaries through the profile: are code values sRGB's within rounding, whatever it is called?"""
    try:
        name = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(icc))).strip()
        if space == "CMYK":
            return _Profile(icc, name, convert=True)
        ramp = np.arange(256, dtype=np.uint8)
        greys = np.stack([ramp] * 3, axis=1)
        primaries = np.eye(3, dtype=np.uint8) * 255
        colours = np.concatenate([greys, primaries])[None]
        probe = Image.fromarray(ramp[None] if space == "L" else colours)
        seen = np.asarray(_to_srgb(probe, icc), dtype=np.int16)[0]
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return _Profile(icc, None, convert=False)
    same_tone = bool(np.abs(seen[:256] - greys).max() <= SRGB_TONE_TOLERANCE)
    same_order = np.array_equal(seen[256:].argmax(axis=1), np.arange(len(seen) - 256))
    return _Profile(icc, name or "unnamed", convert=not (same_tone and same_order))


def _to_srgb(picture: Image.Image, icc: bytes) -> Image.Image:
    """Convert a grey, RGB or CMYK picture to 8-bit sRGB. Raises PyCMSError when the profile is for other colours."""
    source = ImageCms.ImageCmsProfile(io.BytesIO(icc))
    converted = ImageCms.profileToProfile(picture, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
    if converted is None:
        raise ImageCms.PyCMSError("nothing was converted")
    return converted


# --- pixels ---


@dataclass(frozen=True, slots=True, eq=False)
class _Pixels:
    """Upright pixels, see Photo."""

    luma: npt.NDArray[np.float32]
    colour_half: npt.NDArray[np.uint8]
    bits: int
    notes: tuple[str, ...] = ()


def _averaged(pixels: _Pixels) -> _Pixels:
    """Every 2 x 2 pixels as one; an odd last row or column is left away."""
    height, width = (side // 2 for side in pixels.luma.shape)
    luma = cv2.resize(pixels.luma[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
    half_size = width // 2, height // 2
    half = cv2.resize(pixels.colour_half[: 2 * half_size[1], : 2 * half_size[0]], half_size, interpolation=cv2.INTER_AREA)
    note = (
        f"The file's {pixels.luma.size / MEGA:.0f} megapixels were averaged over 2 x 2: phones hold no detail in single ones. "
        f"Places in px are those of a picture of {width} x {height}."
    )
    return _Pixels(np.asarray(luma, np.float32), np.asarray(half, np.uint8), pixels.bits, (*pixels.notes, note))


def _is_plain_jpeg(picture: ImageFile.ImageFile, profile: _Profile | None) -> bool:
    """May libjpeg's own grey and half-size decodes be used? Odd sizes do not halve the same way from every corner."""
    even = picture.size[0] % 2 == 0 and picture.size[1] % 2 == 0
    converted = profile is not None and profile.convert
    return picture.format == "JPEG" and picture.mode in ("L", "RGB") and even and not converted


def _plain_jpeg(data: bytes, profile: _Profile | None, orientation: int) -> _Pixels:
    """Luma from a grey decode, colour from a second one at half size that runs beside it."""
    with ThreadPoolExecutor(max_workers=1) as beside:
        half = beside.submit(_decode_jpeg, data, cv2.IMREAD_REDUCED_COLOR_2)
        grey = _upright(_decode_jpeg(data, cv2.IMREAD_GRAYSCALE), orientation)
        luma = np.multiply(grey, np.float32(1 / 255), dtype=np.float32)
        colour_half = _upright(cv2.cvtColor(half.result(), cv2.COLOR_BGR2RGB), orientation)
    return _Pixels(luma, colour_half, bits=8, notes=_profile_notes(profile))


def _decode_jpeg(data: bytes, how: int) -> Any:
    samples = cv2.imdecode(np.frombuffer(data, np.uint8), how | cv2.IMREAD_IGNORE_ORIENTATION)
    if samples is None:
        raise ValueError("OpenCV cannot decode it")
    return samples


def _any_picture(
    picture: ImageFile.ImageFile, data: bytes, name: str, profile: _Profile | None, orientation: int
) -> _Pixels:
    """Pixels of every other loaded picture, at its full depth where the colours need no conversion."""
    bits = _stored_bits(picture, data)
    deep = _deep_samples(picture, data, bits) if bits > 8 and not (profile and profile.convert) else None
    if deep is not None:
        samples, full, notes = *deep, _profile_notes(profile)
    else:
        samples, notes = _eight_bit_samples(picture, name, profile)
        full, kept = 255, f"{bits}-bit samples were read at 8 bits"
        bits, notes = 8, (*notes, kept) if bits > 8 else notes
    samples = _upright(samples, orientation)
    return _Pixels(_luma(samples, full), _half(samples, full), bits, notes + _transfer_notes(picture))


def _profile_notes(profile: _Profile | None) -> tuple[str, ...]:
    if profile is None or profile.is_readable:
        return ()
    return ("the colour profile does not fit the picture and was left out; its colours are taken as sRGB",)


def _transfer_notes(picture: ImageFile.ImageFile) -> tuple[str, ...]:
    transfer = (picture.info.get("nclx_profile") or {}).get("transfer_characteristics")
    return ("high dynamic range tone curve, taken as sRGB: take the photo without HDR",) * (transfer in HDR_TRANSFERS)


def _stored_bits(picture: ImageFile.ImageFile, data: bytes) -> int:
    """Bits a sample in the file, 8 for anything less."""
    if isinstance(picture, TiffImagePlugin.TiffImageFile):
        bits: tuple[int, ...] = picture.tag_v2.get(TAG_BITS, (8,))
        return max(8, *bits)
    if picture.format == "PNG":
        return max(8, data[PNG_DEPTH_BYTE])
    if picture.format == "PPM":
        return 16 if picture.mode.startswith("I") else 8
    return int(picture.info.get("bit_depth", 8))


def _deep_samples(picture: ImageFile.ImageFile, data: bytes, bits: int) -> tuple[Samples, int] | None:
    """Samples of more than 8 bits and the value of white; None for what is stored too oddly to keep."""
    if bits > 16:
        return None
    if picture.format == "HEIF":
        moved_up = np.asarray(pillow_heif.open_heif(data, convert_hdr_to_8bit=False))  # low bits of 16 are zero
        white = (2**bits - 1) << (16 - bits)
        return _on_white(moved_up, white), white
    if picture.mode.startswith("I;16") or (picture.mode == "I" and picture.format == "PPM"):
        white = 2**bits - 1 if picture.format == "TIFF" else 2**16 - 1
        return np.asarray(picture).astype(np.uint16), white
    if picture.mode in ("LA", "RGB", "RGBA") and bits == 16:  # Pillow keeps 8 bits of these
        deep: Any = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
        if deep is not None and deep.dtype == np.uint16 and deep.shape[1::-1] == picture.size:
            return _on_white(_rgb_order(deep), 2**16 - 1), 2**16 - 1
    return None


def _rgb_order(samples: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint16]:
    """RGB or RGBA of OpenCV's BGR or BGRA."""
    return samples if samples.ndim == 2 else samples[..., [2, 1, 0, 3][: samples.shape[2]]]


def _on_white(samples: npt.NDArray[np.uint16], white: int) -> npt.NDArray[np.uint16]:
    """Lay (H, W, 4) samples on white; others stay as they are."""
    if samples.ndim == 2 or samples.shape[2] == 3:
        return samples
    opacity = samples[..., -1:].astype(np.float32) / white
    return np.rint(samples[..., :-1] * opacity + white * (1 - opacity)).astype(np.uint16)


def _eight_bit_samples(
    picture: Image.Image, name: str, profile: _Profile | None
) -> tuple[npt.NDArray[np.uint8], tuple[str, ...]]:
    """(H, W) or (H, W, 3) sRGB code values, converted and laid on white where needed, and notes on that."""
    if picture.mode.startswith("I;16"):
        picture = Image.fromarray((np.asarray(picture).astype(np.uint16) >> 8).astype(np.uint8))
    if picture.mode not in EIGHT_BIT_MODES:
        raise PhotoError(f"{name} stores samples of kind {picture.mode}, which no phone does; save it as JPEG or PNG.")
    base, opacity = _without_opacity(picture)
    flat, notes = _convert(base, profile)
    if opacity is not None and opacity.getextrema() != (255, 255):
        white = Image.new("RGB", flat.size, "white")
        white.paste(flat, mask=opacity)
        flat, notes = white, (*notes, "transparent parts are shown on white")
    return np.asarray(flat), notes


def _without_opacity(picture: Image.Image) -> tuple[Image.Image, Image.Image | None]:
    """The picture in mode L, RGB or CMYK, and its opacity if it has one."""
    if picture.mode in ("LA", "La"):
        both = picture.convert("LA")
        return both.getchannel("L"), both.getchannel("A")
    if picture.has_transparency_data:
        both = picture.convert("RGBA")
        return both.convert("RGB"), both.getchannel("A")
    if picture.mode in ("L", "RGB", "CMYK"):
        return picture, None
    return picture.convert("L" if picture.mode == "1" else "RGB"), None


def _convert(picture: Image.Image, profile: _Profile | None) -> tuple[Image.Image, tuple[str, ...]]:
    """Colours to sRGB: by the embedded profile, or for CMYK without one as plain ink amounts."""
    notes = ("picture converted from CMYK",) if picture.mode == "CMYK" else ()
    if profile is not None and profile.convert:
        try:
            return _to_srgb(picture, profile.icc), (*notes, f"colours converted from {profile.name} to sRGB")
        except ImageCms.PyCMSError:
            profile = _Profile(profile.icc, None, convert=False)
    flat = picture.convert("RGB") if picture.mode == "CMYK" else picture
    return flat, notes + _profile_notes(profile)


def _luma(samples: Samples, white: int) -> npt.NDArray[np.float32]:
    """Weighted sum of code values, 0..1, at the depth of the samples; channel by channel to save memory."""
    if samples.ndim == 2:
        return np.multiply(samples, np.float32(1 / white), dtype=np.float32)
    luma = np.zeros(samples.shape[:2], np.float32)
    for channel, weight in enumerate(LUMA_WEIGHTS):
        luma += np.multiply(samples[..., channel], np.float32(weight / white), dtype=np.float32)
    return luma


def _half(samples: Samples, white: int) -> npt.NDArray[np.uint8]:
    """Mean of each 2 x 2 block as 8-bit RGB; an odd last row or column is left out."""
    rows, columns = samples.shape[0] // 2, samples.shape[1] // 2
    if not rows or not columns:  # a strip one pixel wide has no half
        return np.zeros((rows, columns, 3), np.uint8)
    half: Any = cv2.resize(samples[: 2 * rows, : 2 * columns], (columns, rows), interpolation=cv2.INTER_AREA)
    if white != 255:
        half = np.rint(half * np.float32(255 / white)).astype(np.uint8)
    return half if half.ndim == 3 else np.stack([half] * 3, axis=-1)


def _upright(samples: Any, orientation: int) -> Any:
    """Turn stored samples, (H, W) or (H, W, 3), as EXIF orientation 1..8 asks (Exif 2.32, 4.6.4 A); contiguous."""
    match orientation:
        case 2:
            samples = cv2.flip(samples, 1)
        case 3:
            samples = cv2.rotate(samples, cv2.ROTATE_180)
        case 4:
            samples = cv2.flip(samples, 0)
        case 5:
            samples = cv2.transpose(samples)
        case 6:
            samples = cv2.rotate(samples, cv2.ROTATE_90_CLOCKWISE)
        case 7:
            samples = cv2.rotate(cv2.transpose(samples), cv2.ROTATE_180)
        case 8:
            samples = cv2.rotate(samples, cv2.ROTATE_90_COUNTERCLOCKWISE)
    return np.ascontiguousarray(samples)
