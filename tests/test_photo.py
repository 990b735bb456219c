"""Opening photos: the same pixels whatever the file, and one clear sentence for what is no photo.

Outside references: Pillow's own conversions, ImageCms (Little CMS), the orientation table of Exif 2.32 (4.6.4 A).
"""

import dataclasses
import hashlib
import io
import math
import os
import struct
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, TiffImagePlugin

from holeinspect.errors import PhotoError
from holeinspect.photo import Limits, Photo, open_photo
from tests import photo_files as files
from tests.photo_files import Array, colour_scene, deep, exif, heic, icc, jpeg, saved, scene, stored_for

CODE = 1 / 255  # one code value of 8 bits
FLOAT32_ROUNDING = 2e-7  # three products and two sums of numbers up to 1
REAL = Path(os.environ.get("HOLEINSPECT_PHOTOS", Path(__file__).parents[2] / "shared" / "photos"))


def fields(photo: Photo) -> dict[str, object]:
    """What a photo says, without its pixels."""
    names = [field.name for field in dataclasses.fields(photo) if field.name not in ("luma", "colour_half")]
    return {name: getattr(photo, name) for name in names}


def weighted(samples: Array, white: int) -> Array:
    """Luma after ITU-R BT.601, in double precision."""
    luma: Array = samples[..., :3] @ np.array([0.299, 0.587, 0.114]) / white
    return luma


# --- orientation ---


def in_colour(stored: Array) -> Image.Image:
    return Image.fromarray(stored).convert("RGB")


def oriented_tiff(stored: Array, orientation: int) -> bytes:
    return saved(stored, "TIFF", tiffinfo={274: orientation})


def oriented_deep_tiff(stored: Array, orientation: int) -> bytes:
    """16-bit RGB TIFF: OpenCV writes it, the orientation takes the place of a tag that no reader here asks for."""
    data = deep(stored.astype(np.uint16)[..., None].repeat(3, axis=2) * 257, ".tif")
    planar = struct.pack("<HHIHH", 284, 3, 1, 1, 0)  # TIFF 6.0 PlanarConfiguration = 1, the default
    assert data.count(planar) == 1
    entries = data.replace(planar, struct.pack("<HHIHH", 274, 3, 1, orientation, 0))
    return entries


WRITERS: dict[str, tuple[Callable[[Array, int], bytes], float]] = {  # and the greatest error of a lossy one, in codes
    "JPEG": (lambda stored, turn: jpeg(stored, exif=exif(turn)), 3),
    "PNG": (lambda stored, turn: saved(stored, "PNG", exif=exif(turn)), 0),
    "WebP": (
        lambda stored, turn: saved(in_colour(stored), "WEBP", lossless=True, exif=exif(turn)),
        0,
    ),
    "TIFF": (oriented_tiff, 0),
    "16-bit grey TIFF": (lambda stored, turn: oriented_tiff(stored.astype(np.uint16) * 257, turn), 0),
    "16-bit grey PNG": (lambda stored, turn: saved(stored.astype(np.uint16) * 257, "PNG", exif=exif(turn)), 0),
    "16-bit RGB TIFF": (oriented_deep_tiff, 0),
    "AVIF": (
        lambda stored, turn: saved(in_colour(stored), "AVIF", quality=95, exif=exif(turn)),
        4,
    ),
}


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize("shape", [(48, 64), (47, 63)])
def test_every_orientation_lands_the_scene_the_same_way(kind: str, orientation: int, shape: tuple[int, int]) -> None:
    write, error_codes = WRITERS[kind]
    upright = scene(*shape)
    stored = stored_for(upright, orientation)
    photo = open_photo(write(stored, orientation))
    assert photo.luma.shape == upright.shape
    assert np.abs(photo.luma - upright / 255).max() <= error_codes * CODE + FLOAT32_ROUNDING
    assert (photo.size, photo.orientation) == (shape[::-1], orientation)
    assert photo.stored_size == stored.shape[::-1]
    assert photo.luma.flags.c_contiguous
    assert photo.colour_half.flags.c_contiguous


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("shape", [(48, 64), (47, 63), (48, 63), (1, 5)])
def test_a_half_pixel_covers_its_two_by_two_full_pixels(orientation: int, shape: tuple[int, int]) -> None:
    photo = open_photo(jpeg(stored_for(scene(*shape), orientation), exif=exif(orientation), quality=100))
    rows, columns = shape[0] // 2, shape[1] // 2
    means = photo.luma[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2).mean(axis=(1, 3))
    assert photo.colour_half.shape == (rows, columns, 3)
    # the scene climbs 1.9 codes a pixel across: half a pixel of shift would show; 1 for rounding, 0.5 for the transform
    assert np.abs(photo.colour_half - 255 * means[..., None]).max(initial=0) <= 1.5


def test_heic_is_turned_by_its_container_alone() -> None:
    plain = open_photo(heic(colour_scene()))
    assert (plain.format, plain.size, plain.orientation) == ("HEIF", (64, 48), 1)
    assert np.abs(plain.luma - weighted(colour_scene(), 255)).max() <= 3 * CODE  # lossy, 4:2:0


# --- depth and luma ---


@pytest.mark.parametrize(
    ("write", "shape"),
    [
        (lambda v: saved(v, "PNG"), (16, 256)),
        (lambda v: saved(v, "TIFF"), (16, 256)),
        (lambda v: deep(v, ".pgm"), (16, 256)),
        (lambda v: deep(v, ".png"), (16, 256, 3)),
        (lambda v: deep(v, ".tif"), (16, 256, 3)),
    ],
)
def test_16_bits_are_kept_to_the_last(write: Callable[[Array], bytes], shape: tuple[int, ...]) -> None:
    samples = np.random.default_rng(1).integers(0, 2**16, shape).astype(np.uint16)
    photo = open_photo(write(samples))
    wanted = weighted(samples, 65535) if samples.ndim == 3 else samples / 65535
    assert photo.bits == 16
    assert np.abs(photo.luma - wanted).max() <= FLOAT32_ROUNDING
    in_colour = samples if samples.ndim == 3 else samples[..., None].repeat(3, axis=2)
    means = in_colour.reshape(8, 2, 128, 2, 3).mean(axis=(1, 3))
    assert np.abs(photo.colour_half - means / 257).max() <= 0.51  # rounding, once at 16 and once at 8 bits


def test_10_bit_heif_keeps_its_ten_bits() -> None:
    """Ten bits make at most 1024 levels, eight 256; white is white."""
    ramp = np.linspace(0, 65535, 512).astype(np.uint16)
    samples = np.broadcast_to(ramp[None, :, None], (64, 512, 3)).copy()
    photo = open_photo(files.ten_bit_heif(samples))
    assert photo.bits == 10
    assert photo.luma.max() == pytest.approx(1, rel=0, abs=2 / 1023)
    assert len(np.unique(photo.luma[32].round(5))) > 2 * 256 - 64
    assert np.abs(photo.luma - samples[..., 0] / 65535).max() <= 3 / 1023  # the coder's own YCbCr rounding


def test_opacity_of_16_bits_is_laid_on_white() -> None:
    samples = np.random.default_rng(2).integers(0, 2**16, (8, 8, 4)).astype(np.uint16)
    opacity = samples[..., 3:] / 65535
    wanted = weighted(samples[..., :3] * opacity + 65535 * (1 - opacity), 65535)
    assert np.abs(open_photo(deep(samples, ".png")).luma - wanted).max() <= 1 / 65535


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "BMP", "PPM"])
def test_luma_agrees_with_pillows_grey(kind: str) -> None:
    picture = Image.fromarray(np.random.default_rng(3).integers(0, 256, (31, 40, 3), np.uint8))
    luma = open_photo(saved(picture, kind)).luma
    # Pillow rounds weights to 16 bits and the sum to a whole code
    assert np.abs(luma * 255 - np.asarray(picture.convert("L"), np.float32)).max() <= 0.51


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"subsampling": 2}])
def test_luma_of_a_jpeg_is_its_y_plane(options: dict[str, object]) -> None:
    data = jpeg(np.random.default_rng(4).integers(0, 256, (48, 64, 3), np.uint8), **options)
    reference = Image.open(io.BytesIO(data))
    reference.draft("YCbCr", reference.size)
    planes = np.asarray(reference)
    # both sit on libjpeg; another build may round the transform otherwise by one code (ITU-T T.83 accuracy class)
    assert np.abs(open_photo(data).luma * 255 - planes[..., 0]).max() <= 1.001


def test_luma_of_a_grey_jpeg_is_its_samples() -> None:
    data = jpeg(scene())
    photo = open_photo(data)
    assert np.abs(photo.luma * 255 - np.asarray(Image.open(io.BytesIO(data)))).max() <= 1.001
    assert np.ptp(photo.colour_half, axis=2).max() == 0


# --- colours ---


def test_cmyk_is_converted_as_pillow_does_and_said_so() -> None:
    data = jpeg(Image.fromarray(colour_scene()).convert("CMYK"))
    wanted = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    photo = open_photo(data)
    assert np.abs(photo.luma - weighted(wanted, 255)).max() <= FLOAT32_ROUNDING
    assert "picture converted from CMYK" in photo.notes


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_another_tone_curve_is_converted_as_imagecms_does(kind: str) -> None:
    profile = icc(b"RGB ", files.gamma_curve(1.8))
    data = saved(colour_scene(), kind, icc_profile=profile, **({"lossless": True} if kind == "WEBP" else {}))
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    stored = Image.open(io.BytesIO(data)).convert("RGB")
    wanted = ImageCms.profileToProfile(stored, source, ImageCms.createProfile("sRGB"))
    assert wanted is not None
    photo = open_photo(data)
    assert np.abs(photo.luma - weighted(np.asarray(wanted), 255)).max() <= FLOAT32_ROUNDING
    assert photo.colour_profile == "Invented"
    assert "colours converted from Invented to sRGB" in photo.notes


def test_gamma_of_a_grey_profile_is_turned_into_srgb() -> None:
    """Half a code value at gamma 1.8 is 0.5^1.8 = 0.2872 linear, sRGB 1.055 · 0.2872^(1/2.4) - 0.055 = 0.5722."""
    grey = np.full((4, 4), 128, np.uint8)
    photo = open_photo(saved(grey, "PNG", icc_profile=icc(b"GRAY", files.gamma_curve(1.8))))
    linear = (128 / 255) ** 1.8
    assert photo.luma[1, 1] == pytest.approx(1.055 * linear ** (1 / 2.4) - 0.055, rel=0, abs=CODE)


@pytest.mark.parametrize("colorants", [files.SRGB_COLORANTS, files.P3_COLORANTS])
def test_srgb_and_display_p3_pass_as_they_are(colorants: tuple[tuple[float, float, float], ...]) -> None:
    profile = icc(b"RGB ", files.SRGB_CURVE, colorants)
    photo = open_photo(saved(colour_scene(), "PNG", icc_profile=profile))
    assert np.abs(photo.luma - weighted(colour_scene(), 255)).max() <= FLOAT32_ROUNDING
    assert photo.colour_profile == "Invented"
    assert photo.notes == ("no focal length in the file",)


def test_16_bits_with_another_tone_curve_are_read_at_8_and_said_so() -> None:
    samples = scene().astype(np.uint16) * 257
    photo = open_photo(saved(samples, "PNG", icc_profile=icc(b"GRAY", files.gamma_curve(1.8))))
    eight = open_photo(saved(scene(), "PNG", icc_profile=icc(b"GRAY", files.gamma_curve(1.8))))
    assert photo.bits == 8
    assert "16-bit samples were read at 8 bits" in photo.notes
    assert np.array_equal(photo.luma, eight.luma)


@pytest.mark.parametrize(
    "profile", [b"no profile at all", icc(b"RGB ", files.gamma_curve(1.8))[:200], icc(b"GRAY", files.gamma_curve(1.8))]
)
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_a_profile_that_cannot_be_used_is_left_out_and_said_so(profile: bytes, kind: str) -> None:
    photo = open_photo(saved(colour_scene(), kind, icc_profile=profile))
    plain = open_photo(saved(colour_scene(), kind))
    assert np.array_equal(photo.luma, plain.luma)
    assert photo.notes[0].startswith("the colour profile does not fit the picture and was left out")


def test_transparent_parts_show_white() -> None:
    rgba = np.dstack([colour_scene(), scene()])
    opacity = rgba[..., 3:] / 255
    wanted = weighted(rgba[..., :3] * opacity + 255 * (1 - opacity), 255)
    photo = open_photo(saved(rgba, "PNG"))
    assert np.abs(photo.luma - wanted).max() <= CODE  # each channel is rounded once
    assert "transparent parts are shown on white" in photo.notes
    clear = open_photo(saved(np.zeros((4, 4, 2), np.uint8), "PNG"))
    assert clear.luma.min() == pytest.approx(1, rel=0, abs=FLOAT32_ROUNDING)


@pytest.mark.parametrize("mode", ["P", "1"])
def test_palette_and_bilevel_pictures_open(mode: str) -> None:
    picture = Image.fromarray(colour_scene()).convert(mode)
    photo = open_photo(saved(picture, "PNG"))
    assert np.abs(photo.luma - weighted(np.asarray(picture.convert("RGB")), 255)).max() <= FLOAT32_ROUNDING


# --- one picture of several ---


@pytest.mark.parametrize("kind", ["GIF", "WEBP", "PNG", "TIFF", "MPO", "AVIF"])
def test_the_first_of_several_pictures_is_taken_and_said_so(kind: str) -> None:
    first, second = (Image.new("RGB", (16, 16), colour) for colour in ((40, 40, 40), (200, 200, 200)))
    photo = open_photo(saved(first, kind, save_all=True, append_images=[second]))
    assert np.abs(photo.luma - 40 / 255).max() <= 2 * CODE  # lossy kinds
    assert "more than one picture in the file; the first is used" in photo.notes


def test_what_phones_append_after_the_picture_does_no_harm() -> None:
    plain = open_photo(jpeg(colour_scene()))
    appended = open_photo(jpeg(colour_scene()) + bytes(1000) + b"a short film")
    assert np.array_equal(plain.luma, appended.luma)


# --- EXIF ---


def test_camera_tags_are_read() -> None:
    tags = exif(focal=6.86, focal35=26, taken="2024:03:09 14:05:59", lens="main 6.86 mm")
    photo = open_photo(jpeg(scene(), exif=tags))
    assert (photo.make, photo.model, photo.lens) == ("Invented", "Model 7", "main 6.86 mm")
    assert photo.focal_mm == pytest.approx(6.86, rel=0, abs=1e-9)
    assert photo.focal35_mm == 26
    assert photo.captured == datetime(2024, 3, 9, 14, 5, 59)
    assert photo.notes == ()


@pytest.mark.parametrize("value", [0, 3000, 1])
def test_a_senseless_35_mm_figure_counts_as_none(value: int) -> None:
    photo = open_photo(jpeg(scene(), exif=exif(focal35=value)))
    assert photo.focal35_mm is None
    assert photo.focal_prior_px is None
    assert photo.notes == ("no focal length in the file",)


@pytest.mark.parametrize(
    ("size", "focal35_mm", "focal_px", "u"),
    [  # worked by hand: (F sqrt(W² + H²)/43.2666 + F W/36) / 2
        ((4000, 3000), 26, (3004.63 + 2888.89) / 2, 0.04),  # halves differ by 1.96 %: the floor holds
        ((4000, 2250), 26, (2757.88 + 2888.89) / 2, 0.04),  # 2.3 %
        ((3000, 3000), 24, (2353.41 + 2000.00) / 2, 353.41 / 2 / 2176.70),  # square crop: 8.1 %
        ((3000, 4500), 50, 6250.0, 0.04),  # 2:3 on end: both rules say 50 · 4500/36
    ],
)
def test_focal_prior_agrees_with_hand_figures(
    size: tuple[int, int], focal35_mm: float, focal_px: float, u: float
) -> None:
    photo = dataclasses.replace(open_photo(jpeg(scene())), size=size, focal35_mm=focal35_mm)
    prior = photo.focal_prior_px
    assert prior is not None
    assert prior[0] == pytest.approx(focal_px, rel=0, abs=0.01)  # printed digits
    assert prior[1] == pytest.approx(u, rel=0, abs=5e-6)


@given(st.floats(4, 2000), st.integers(1, 20000), st.integers(1, 20000))
def test_focal_prior_covers_both_makers_rules(focal35_mm: float, width: int, height: int) -> None:
    photo = dataclasses.replace(open_photo(TINY), size=(width, height), focal35_mm=focal35_mm)
    assert photo.focal_prior_px is not None
    focal_px, u = photo.focal_prior_px
    for rule_px in (focal35_mm * math.hypot(width, height) / math.hypot(36, 24), focal35_mm * max(width, height) / 36):
        assert abs(rule_px - focal_px) <= u * focal_px * (1 + 1e-12)
    assert u >= 0.04


TINY = jpeg(scene(2, 2))


def test_the_place_is_never_kept() -> None:
    tags = exif(focal35=26)
    place = {1: "N", 2: (48.0, 51.0, 29.0), 3: "E", 4: (2.0, 17.0, 40.0), 28: b"ASCII\0\0\0secret garden"}
    tags.get_ifd(0x8825).update(place)
    data = jpeg(scene(), exif=tags)
    assert b"secret garden" in data
    told = repr(fields(open_photo(data)))
    assert "26" in told
    for word in ("secret", "garden", "48.0", "51.0", "17.0"):
        assert word not in told


GOOD_EXIF = exif(focal=6.86, focal35=26, taken="2024:03:09 14:05:59").tobytes()


@given(cut=st.integers(0, len(GOOD_EXIF)), at=st.integers(6, len(GOOD_EXIF) - 1), value=st.integers(0, 255))
@settings(max_examples=60, deadline=None)
def test_broken_exif_never_stops_a_readable_picture(cut: int, at: int, value: int) -> None:
    broken = bytearray(GOOD_EXIF)
    broken[at] = value
    photo = open_photo(jpeg(scene(8, 8), exif=bytes(broken[:cut])))
    assert sorted(photo.size) == [8, 8]


@pytest.mark.parametrize("orientation", [0, 9, 70])
def test_an_orientation_outside_the_standard_means_upright(orientation: int) -> None:
    photo = open_photo(jpeg(scene(), exif=exif(orientation)))
    assert (photo.orientation, photo.size) == (1, (64, 48))


# --- cut and damaged files ---

WHOLE: dict[str, bytes] = {
    "JPEG": jpeg(colour_scene()),
    "odd JPEG": jpeg(colour_scene(47, 63)),
    "progressive JPEG": jpeg(colour_scene(), progressive=True),
    "CMYK JPEG": jpeg(Image.fromarray(colour_scene()).convert("CMYK")),
    "PNG": saved(colour_scene(), "PNG"),
    "16-bit PNG": deep(colour_scene().astype(np.uint16) * 257, ".png"),
    "TIFF": saved(colour_scene(), "TIFF"),
    "packed TIFF": saved(colour_scene(), "TIFF", compression="tiff_lzw"),
    "16-bit TIFF": deep(colour_scene().astype(np.uint16) * 257, ".tif"),
    "WebP": saved(colour_scene(), "WEBP"),
    "HEIC": heic(colour_scene(64, 64)),
    "AVIF": saved(colour_scene(), "AVIF"),
    "PPM": saved(colour_scene(), "PPM"),
    "GIF": saved(Image.fromarray(colour_scene()).convert("P"), "GIF"),
    "BMP": saved(colour_scene(), "BMP"),
}


@pytest.mark.parametrize("kind", ["JPEG", "odd JPEG", "progressive JPEG", "CMYK JPEG", "PNG", "16-bit PNG", "HEIC"])
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_a_cut_photo_is_refused_wherever_it_was_cut(kind: str, data: st.DataObject) -> None:
    whole = WHOLE[kind]
    kept = data.draw(st.integers(1, len(whole) - 1))
    with pytest.raises(PhotoError, match=r"^photo is (cut off|damaged|not an image).*; "):
        open_photo(whole[:kept])


@pytest.mark.parametrize("kind", WHOLE)
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_a_cut_file_is_refused_or_misses_nothing_of_the_picture(kind: str, data: st.DataObject) -> None:
    whole = WHOLE[kind]
    kept = data.draw(st.integers(1, len(whole)))
    photo = outcome(whole[:kept])
    if isinstance(photo, Photo):
        assert np.array_equal(photo.luma, open_photo(whole).luma)
    else:
        assert kept < len(whole)


@pytest.mark.parametrize("kind", ["JPEG", "progressive JPEG"])
def test_the_message_of_a_cut_photo_says_what_to_do(kind: str) -> None:
    half = WHOLE[kind][: len(WHOLE[kind]) * 2 // 3]
    with pytest.raises(PhotoError, match=r"^plate\.jpg is cut off: .*copy it from the phone again"):
        open_photo(half, name="plate.jpg")


@pytest.mark.parametrize("kind", WHOLE)
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_a_damaged_file_opens_or_is_refused_in_words(kind: str, data: st.DataObject) -> None:
    broken = bytearray(WHOLE[kind])
    for _ in range(data.draw(st.integers(1, 4))):
        broken[data.draw(st.integers(0, len(broken) - 1))] = data.draw(st.integers(0, 255))
    told = outcome(bytes(broken))
    assert isinstance(told, Photo) or (told.startswith("photo ") and "; " in told)


def outcome(data: bytes) -> Photo | str:
    """The photo, or what is said instead; any other error fails the test that asks."""
    try:
        return open_photo(data, limits=Limits(pixels=10**6))
    except PhotoError as refused:
        return str(refused)


def test_a_png_chunk_that_claims_gigabytes_is_refused() -> None:
    """OpenCV 5 fills 2.9 GB for this one."""
    whole = bytearray(WHOLE["16-bit PNG"])
    whole[33] = 0xB0  # first byte of the length after the 8 of the signature and the 25 of the header chunk
    with pytest.raises(PhotoError, match=r"^photo is cut off: "):
        open_photo(bytes(whole))


def test_a_tiff_that_lost_a_tag_opens_or_is_refused_in_words() -> None:
    """Nine values claimed where one lies: Pillow's tag reader raises KeyError when it lists the tags."""
    whole = saved(scene().astype(np.uint16), "TIFF")
    entry = struct.pack("<HHI", 262, 3, 1)  # TIFF 6.0 PhotometricInterpretation, one SHORT
    assert whole.count(entry) == 1
    told = outcome(whole.replace(entry, struct.pack("<HHI", 262, 3, 9)))
    assert isinstance(told, Photo) or (told.startswith("photo ") and "; " in told)


@given(st.binary(min_size=1, max_size=200))
def test_no_bytes_bring_anything_but_a_photo_error(data: bytes) -> None:
    with pytest.raises(PhotoError, match=r"^photo .*; "):
        open_photo(data)


# --- limits and refusals ---


@pytest.mark.parametrize("declaring", [files.jpeg_declaring, files.png_header, files.heic_declaring])
def test_pixels_are_limited_by_the_header_alone(declaring: Callable[[int, int], bytes]) -> None:
    """None of these files has the pixels it declares: decoding it would end in another refusal."""
    with pytest.raises(PhotoError, match=r"^photo has 30000 x 30000 = 900\.0 megapixels.* limit of 120\.0; "):
        open_photo(declaring(30000, 30000))


def test_the_pixel_limit_itself_is_allowed() -> None:
    assert open_photo(jpeg(scene()), limits=Limits(pixels=64 * 48)).size == (64, 48)
    with pytest.raises(PhotoError, match=r"64 x 48 = 0\.0 megapixels, more than the limit of 0\.0"):
        open_photo(jpeg(scene()), limits=Limits(pixels=64 * 48 - 1))


def test_bytes_are_limited_before_they_are_read(tmp_path: Path) -> None:
    limits = Limits(bytes=1_500_000)
    path = tmp_path / "film.jpg"
    path.write_bytes(bytes(2_600_000))
    with pytest.raises(PhotoError, match=r"^film\.jpg has 2\.6 MB, more than the limit of 1\.5 MB; "):
        open_photo(path, limits=limits)
    stream = io.BytesIO(path.read_bytes())
    with pytest.raises(PhotoError, match=r"^photo has at least 1\.5 MB, more than the limit of 1\.5 MB; "):
        open_photo(stream, limits=limits)
    assert stream.tell() == limits.bytes + 1


def test_bytes_path_text_and_stream_give_the_same_photo(tmp_path: Path) -> None:
    data = jpeg(colour_scene(), exif=exif(6, focal35=26))
    path = tmp_path / "plate.jpg"
    path.write_bytes(data)
    with path.open("rb") as stream:
        photos = [open_photo(s) for s in (path, str(path), stream)]
    photos.append(open_photo(data, name="plate.jpg"))
    for photo in photos:
        assert fields(photo) == fields(photos[0])
        assert np.array_equal(photo.luma, photos[0].luma)
        assert np.array_equal(photo.colour_half, photos[0].colour_half)
    assert photos[0].name == "plate.jpg"
    assert photos[0].sha256 == hashlib.sha256(data).hexdigest()


def float_tiff() -> bytes:
    return saved(Image.fromarray(np.ones((4, 4), np.float32)), "TIFF")


def raw_file() -> bytes:
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags[50706] = b"\x01\x04\0\0"
    return saved(scene(), "TIFF", tiffinfo=tags)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", r"^photo is empty \(0 bytes\); copy it"),
        (b"Hello, bench.", r"^photo is not an image that can be read; use a JPEG"),
        (b"\0\0\0\x14ftypisom\0\0\0\0mp42" + bytes(40), r"^photo is not an image that can be read"),
        (b"%PDF-1.4\n", r"^photo is not an image that can be read"),
        (b"\xff\xd8\xff", r"^photo is (damaged|cut off)"),
        (float_tiff(), r"^photo stores samples of kind F, .*; save it as JPEG"),
        (raw_file(), r"^photo is a raw file, .*; export it as JPEG"),
    ],
)
def test_what_is_no_photo_is_refused(data: bytes, message: str) -> None:
    with pytest.raises(PhotoError, match=message):
        open_photo(data)


def test_paths_that_lead_to_no_file_are_refused(tmp_path: Path) -> None:
    with pytest.raises(PhotoError, match=r"^There is no file .*lost\.jpg; check its spelling"):
        open_photo(tmp_path / "lost.jpg")
    with pytest.raises(PhotoError, match=r"is a folder, not a photo; name one photo inside it"):
        open_photo(tmp_path)
    with pytest.raises(PhotoError, match=r"cannot be read \(File name too long\); check"):
        open_photo(tmp_path / ("x" * 300))
    with pytest.raises(PhotoError, match=r"is no file name; check its spelling"):
        open_photo("plate\0.jpg")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_nobody_may_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "plate.jpg"
    path.write_bytes(jpeg(scene()))
    path.chmod(0)
    with pytest.raises(PhotoError, match=r"cannot be read \(Permission denied\); check who may read it"):
        open_photo(path)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "BMP"])
@pytest.mark.parametrize("shape", [(1, 1), (1, 5), (5, 1), (2, 2)])
def test_tiny_pictures_open(kind: str, shape: tuple[int, int]) -> None:
    photo = open_photo(saved(np.full((*shape, 3), 90, np.uint8), kind))
    assert np.abs(photo.luma - np.full(shape, 90 / 255)).max() <= 4 * CODE  # WebP's limited range
    assert photo.colour_half.shape == (shape[0] // 2, shape[1] // 2, 3)


# --- real files, where they are at hand ---

REFUSED = {
    "heif_corrupted.heic": "damaged",
    "heif_empty.heic": "empty",
    "pil_broken_header.png": "damaged",
    "pil_broken_stream.png": "cut off|damaged",
    "pil_truncated.jpg": "cut off",
}


@pytest.mark.skipif(not (REAL / "robustness").is_dir(), reason="the folder of real photos is not at hand")
def test_real_files_open_or_are_refused_rightly() -> None:
    paths = sorted((REAL / "robustness").iterdir())
    assert len(paths) >= len(REFUSED)
    for path in paths:
        if path.name in REFUSED:
            with pytest.raises(PhotoError, match=rf"^{path.name} is ({REFUSED[path.name]})"):
                open_photo(path)
        else:
            photo = open_photo(path)
            assert photo.luma.size > 0
            assert 0 <= photo.luma.min() <= photo.luma.max() <= 1 + FLOAT32_ROUNDING


def test_pictures_of_very_many_pixels_are_averaged_over_two_by_two(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("holeinspect.photo.LARGEST_KEPT_PX", 1000)
    codes = np.repeat(np.repeat(scene(25, 33), 2, axis=0), 2, axis=1)[:, :65]  # odd: the last column has no neighbour
    photo = open_photo(saved(codes, "PNG"))
    assert photo.shrunk == 2
    assert photo.size == (32, 25)
    assert photo.stored_size == (65, 50)
    assert photo.luma == pytest.approx(scene(25, 33)[:, :32] / 255, rel=0, abs=1e-6)
    assert photo.colour_half.shape == (12, 16, 3)
    assert "averaged over 2 x 2" in photo.notes[0]


def test_pictures_of_usual_size_keep_their_pixels() -> None:
    photo = open_photo(saved(scene(), "PNG"))
    assert photo.shrunk == 1
    assert not any("averaged" in note for note in photo.notes)
