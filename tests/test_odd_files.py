"""Files as phones really write them, each measured: turned, HEIC, motion pictures, wide gamut, grey, bare of EXIF, small."""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt
import pillow_heif
import pytest
from PIL import Image

from holeinspect.inspection import Inspection
from holeinspect.measure.inspect import inspect
from holeinspect.photo import open_photo
from holeinspect.setup import Setup
from tests.photo_files import P3_COLORANTS, SRGB_CURVE, exif, icc, jpeg, saved, stored_for
from tests.simulator.phone import PHONES
from tests.simulator.scene import Hole, Levels, Mat, Part, Scene
from tests.simulator.shot import Shot, simulate
from tests.simulator.view import Lens, Pose

ROWS = ((-40.0, -25.0, 3.0), (40.0, -25.0, 3.0), (40.0, 25.0, 3.0), (-40.0, 25.0, 3.0))
PLATE = Part(2.0, ROWS, (Hole((-18.0, 0.0), 6.0), Hole((18.0, 4.0), 5.0)), levels=Levels(face=0.45))
LENS = Lens(f_px=1650.0, size_px=(1640, 1230))
"""Two megapixels: the smallest that is asked for, and quick."""
SHOT = Shot(Scene(Mat(), (PLATE,)), Pose((10, -35, 290), (0, 0, 0), 90.0), LENS, PHONES["s20-sharp50"])
FOCAL35 = round(LENS.focal35)
DIAMETERS_MM = (5.0, 6.0)


@cache
def picture() -> npt.NDArray[np.uint8]:
    """(H, W, 3) code values."""
    return simulate(SHOT).rgb


def turned(orientation: int) -> bytes:
    return jpeg(stored_for(picture(), orientation), exif=exif(orientation, focal35=FOCAL35))


def heic_file(with_exif: bool) -> bytes:
    stream = io.BytesIO()
    tags = exif(1, focal35=FOCAL35).tobytes() if with_exif else None
    pillow_heif.from_pillow(Image.fromarray(picture())).save(stream, quality=92, exif=tags)
    return stream.getvalue()


def motion_picture() -> bytes:
    """A JPEG with a film after it, as Motion and Live pictures come from some phones (ISO/IEC 14496-12 box)."""
    film = b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + b"\0\0\x40\0mdat" + bytes(range(256)) * 64
    return turned(1) + film


def multi_picture() -> bytes:
    """An MPO: the photo and a small second picture behind it (CIPA DC-007)."""
    stream = io.BytesIO()
    second = Image.fromarray(picture()[::4, ::4].copy())
    Image.fromarray(picture()).save(stream, "MPO", quality=95, subsampling=0, save_all=True, append_images=[second],
                                    exif=exif(1, focal35=FOCAL35))  # fmt: skip
    return stream.getvalue()


def display_p3() -> bytes:
    """Wide gamut: P3 primaries with sRGB's curve."""
    return jpeg(picture(), icc_profile=icc(b"RGB ", SRGB_CURVE, P3_COLORANTS), exif=exif(1, focal35=FOCAL35))


def monochrome() -> bytes:
    return jpeg(np.rint(picture() @ [0.299, 0.587, 0.114]).astype(np.uint8), exif=exif(1, focal35=FOCAL35))


def screenshot() -> bytes:
    """A PNG with opacity and no EXIF."""
    opaque = np.full((*picture().shape[:2], 1), 255, np.uint8)
    return saved(np.concatenate([picture(), opaque], axis=2), "PNG")


FILES: dict[str, Callable[[], bytes]] = {
    "landscape": lambda: turned(1),
    "upside down": lambda: turned(3),
    "portrait, turned right": lambda: turned(6),
    "portrait, turned left": lambda: turned(8),
    "mirrored": lambda: turned(5),
    "HEIC with metadata": lambda: heic_file(True),
    "HEIC without": lambda: heic_file(False),
    "motion picture": motion_picture,
    "multi-picture": multi_picture,
    "Display P3": display_p3,
    "monochrome": monochrome,
    "screenshot": screenshot,
}


@cache
def measured(kind: str) -> Inspection:
    return inspect(FILES[kind](), Setup(2.0, along=240.0, across=170.0, camera_profile="ignore"))


@pytest.mark.parametrize("kind", FILES)
def test_every_kind_of_file_is_opened_rightly_and_measured(kind: str) -> None:
    """Truth within U; and the same to 0.03 mm as from the plain landscape JPEG (JPEG and HEIC quantise apart)."""
    found = sorted(hole.diameter.value for part in measured(kind).parts for hole in part.holes)
    plain = sorted(hole.diameter.value for part in measured("landscape").parts for hole in part.holes)
    us = [hole.diameter.U for part in measured(kind).parts for hole in part.holes]
    assert len(found) == 2
    assert found == pytest.approx(DIAMETERS_MM, rel=0, abs=max(us))
    assert found == pytest.approx(plain, rel=0, abs=0.03)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_gives_the_same_upright_picture(orientation: int) -> None:
    """JPEG blocks lie otherwise in turned files: a code value or two."""
    grey = cv2.cvtColor(picture(), cv2.COLOR_RGB2GRAY).astype(float) / 255
    opened = open_photo(turned(orientation))
    assert opened.luma.shape == grey.shape
    assert opened.turn == orientation
    assert np.abs(opened.luma - grey).mean() < 0.01


def test_heic_keeps_how_the_phone_was_held() -> None:
    """The container turns the picture; the turn itself is needed to place the lens's centre."""
    stream = io.BytesIO()
    small = Image.fromarray(np.zeros((64, 96, 3), np.uint8))
    pillow_heif.from_pillow(small).save(stream, exif=exif(6, focal35=26).tobytes())
    assert open_photo(stream.getvalue()).turn == 6


def test_the_photo_without_exif_says_that_its_focal_length_is_missing() -> None:
    notes = {note.name: note for note in measured("screenshot").photo.judged}
    assert notes["focal length"].level == "doubt"
    assert "states no focal length" in notes["focal length"].sentence
