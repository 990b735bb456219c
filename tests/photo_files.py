"""Picture files of every kind, built in memory for the tests of opening photos."""

import io
import struct
import zlib
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pillow_heif
from PIL import Image

Array = npt.NDArray[Any]

# Exif 2.32, 4.6.4 A, Orientation: the visual side of the stored 0th row, and of the stored 0th column
SIDES = {
    1: ("top", "left"),
    2: ("top", "right"),
    3: ("bottom", "right"),
    4: ("bottom", "left"),
    5: ("left", "top"),
    6: ("right", "top"),
    7: ("right", "bottom"),
    8: ("left", "bottom"),
}


def scene(height: int = 48, width: int = 64) -> npt.NDArray[np.uint8]:
    """(H, W) smooth picture without any symmetry: a wide slope across, a small one down, a bright corner."""
    y, x = np.mgrid[:height, :width]
    corner = np.clip(40 - np.hypot(x - 0.2 * width, y - 0.3 * height) * 4, 0, 40)
    codes: npt.NDArray[np.uint8] = np.rint(30 + 120 * x / width + 50 * y / height + corner).astype(np.uint8)
    return codes


def colour_scene(height: int = 48, width: int = 64) -> npt.NDArray[np.uint8]:
    """(H, W, 3) smooth RGB picture."""
    grey = scene(height, width).astype(np.int16)
    return np.clip(np.stack([grey, grey[::-1] - 20, 250 - grey], axis=-1), 0, 255).astype(np.uint8)


def stored_for(upright: Array, orientation: int) -> Array:
    """Samples as a camera that writes this orientation stores them, from the standard's table of sides."""
    row_side, column_side = SIDES[orientation]
    stored = upright if row_side in ("top", "bottom") else np.swapaxes(upright, 0, 1)
    rows = slice(None, None, -1 if row_side in ("bottom", "right") else 1)
    columns = slice(None, None, -1 if column_side in ("right", "bottom") else 1)
    return np.ascontiguousarray(stored[rows, columns])


def exif(orientation: int = 1, **detail: Any) -> Image.Exif:
    """EXIF with an invented camera; detail: focal, focal35, taken."""
    tags = Image.Exif()
    tags[274], tags[271], tags[272] = orientation, "Invented", "Model 7\0 "
    names = {"focal": 0x920A, "focal35": 0xA405, "taken": 0x9003, "lens": 0xA434}
    tags.get_ifd(0x8769).update({names[key]: value for key, value in detail.items()})
    return tags


def saved(picture: Array | Image.Image, kind: str, **options: Any) -> bytes:
    """A picture written by Pillow."""
    image = picture if isinstance(picture, Image.Image) else Image.fromarray(picture)
    file = io.BytesIO()
    image.save(file, kind, **options)
    return file.getvalue()


def jpeg(picture: Array | Image.Image, **options: Any) -> bytes:
    return saved(picture, "JPEG", **({"quality": 95, "subsampling": 0} | options))


def heic(picture: Array) -> bytes:
    file = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(picture)).save(file, quality=90)
    return file.getvalue()


def ten_bit_heif(samples: npt.NDArray[np.uint16]) -> bytes:
    """(H, W, 3) samples of the full 16-bit range, kept at 10 bits."""
    file = io.BytesIO()
    size = samples.shape[1], samples.shape[0]
    pillow_heif.encode("RGB;16", size, samples.tobytes(), file, quality=-1, chroma="444")
    return file.getvalue()


def deep(samples: npt.NDArray[np.uint16], extension: str) -> bytes:
    """16-bit file by OpenCV; (H, W), (H, W, 3) RGB or (H, W, 4) RGBA."""
    order = {2: samples, 3: samples[..., [2, 1, 0, 3][: samples.shape[-1]]]}[samples.ndim]
    written, data = cv2.imencode(extension, order)
    assert written
    return data.tobytes()


def png_header(width: int, height: int) -> bytes:
    """A PNG that declares its size and has no pixels."""
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
        + chunk(b"IDAT", b"")
    )


def chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def jpeg_declaring(width: int, height: int) -> bytes:
    """A small JPEG whose frame header declares another size (ITU-T T.81, B.2.2)."""
    data = bytearray(jpeg(scene()))
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(data)


def heic_declaring(width: int, height: int) -> bytes:
    """A small HEIC whose size property declares another size (ISO/IEC 23008-12, 6.5.3)."""
    data = bytearray(heic(colour_scene(64, 64)))
    at = data.index(b"ispe") + 8
    data[at : at + 8] = struct.pack(">II", width, height)
    return bytes(data)


SRGB_CURVE = (
    b"para"
    + bytes(4)
    + struct.pack(">HH", 3, 0)
    + struct.pack(">5i", *(round(v * 65536) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)))
)  # IEC 61966-2-1 as ICC.1:2010, 10.16, type 3

# colorants adapted to D50, columns X Y Z of red, green, blue
SRGB_COLORANTS = ((0.4361, 0.2225, 0.0139), (0.3851, 0.7169, 0.0971), (0.1431, 0.0606, 0.7139))  # sRGB, ICC registry
P3_COLORANTS = ((0.5151, 0.2412, -0.0011), (0.2919, 0.6922, 0.0419), (0.1572, 0.0666, 0.7841))  # SMPTE EG 432-1 to D50


def gamma_curve(gamma: float) -> bytes:
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256)) + b"\0\0"


def icc(space: bytes, curve: bytes, colorants: tuple[tuple[float, float, float], ...] = SRGB_COLORANTS) -> bytes:
    """A minimal ICC display profile of space b"RGB " or b"GRAY" (ICC.1:2010, 7 and 8.3)."""
    white = (0.9642, 1.0, 0.8249)
    described = b"desc" + bytes(4) + struct.pack(">I", 9) + b"Invented\0" + bytes(8 + 3 + 67)
    tags = {b"desc": described, b"cprt": b"text" + bytes(4) + b"none\0", b"wtpt": _xyz(white)}
    if space == b"GRAY":
        tags[b"kTRC"] = curve
    else:
        tags |= {b"rTRC": curve, b"gTRC": curve, b"bTRC": curve}
        tags |= {name: _xyz(c) for name, c in zip((b"rXYZ", b"gXYZ", b"bXYZ"), colorants, strict=True)}
    return _profile(space, tags)


def _xyz(values: tuple[float, float, float]) -> bytes:
    return b"XYZ " + bytes(4) + struct.pack(">3i", *(round(v * 65536) for v in values))


def _profile(space: bytes, tags: dict[bytes, bytes]) -> bytes:
    at = 128 + 4 + 12 * len(tags)
    table, content = struct.pack(">I", len(tags)), b""
    for name, value in tags.items():
        padded = value + bytes(-len(value) % 4)
        table += struct.pack(">4sII", name, at + len(content), len(value))
        content += padded
    head = struct.pack(">I4sI4s4s4s", at + len(content), b"none", 0x02400000, b"mntr", space, b"XYZ ")
    head += bytes(12) + b"acsp" + bytes(28) + struct.pack(">3i", 63190, 65536, 54061)
    return head.ljust(128, b"\0") + table + content
