"""Where a photo was taken leaves the file; nothing else does."""

from __future__ import annotations

import io

import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image, PngImagePlugin, TiffImagePlugin

from holeinspect.photo import open_photo
from holeinspect.records.location import blank_location

FOCAL_MM, ORIENTATION = 6.9, 6
LATITUDE = (51.0, 28.0, 38.64)
XMP = (
    b"<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'>"
    b"<rdf:Description xmlns:exif='http://ns.adobe.com/exif/1.0/' exif:GPSLatitude=\"51,28.644N\" exif:FNumber='18/10'>"
    b"<exif:GPSLongitude>0,0.0W</exif:GPSLongitude></rdf:Description></rdf:RDF></x:xmpmeta>"
)
FORMATS = ("JPEG", "PNG", "TIFF", "WEBP", "HEIF")


def exif_of_a_phone() -> Image.Exif:
    exif = Image.Exif()
    exif[ExifTags.Base.Make], exif[ExifTags.Base.Orientation] = "Maker", ORIENTATION
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLength] = FOCAL_MM
    gps = exif.get_ifd(ExifTags.IFD.GPSInfo)
    gps[ExifTags.GPS.GPSLatitudeRef], gps[ExifTags.GPS.GPSLatitude] = "N", LATITUDE
    gps[ExifTags.GPS.GPSDateStamp] = "2026:05:04"
    return exif


def directory_of_a_phone() -> TiffImagePlugin.ImageFileDirectory_v2:
    """The same for TIFF, whose directory is the file's own."""
    info = TiffImagePlugin.ImageFileDirectory_v2()
    info[ExifTags.Base.Make], info[ExifTags.Base.Orientation] = "Maker", ORIENTATION
    info[ExifTags.IFD.Exif] = {ExifTags.Base.FocalLength: FOCAL_MM}
    info[ExifTags.IFD.GPSInfo] = {ExifTags.GPS.GPSLatitudeRef: "N", ExifTags.GPS.GPSLatitude: LATITUDE}
    return info


def photo_with_a_place(kind: str) -> bytes:
    pillow_heif.register_heif_opener()
    picture = Image.linear_gradient("L").convert("RGB")
    more: dict[str, object] = {"exif": exif_of_a_phone()}
    if kind == "JPEG":
        more["xmp"] = XMP
    if kind == "PNG":
        text = PngImagePlugin.PngInfo()
        text.add_itxt("XML:com.adobe.xmp", XMP.decode())
        text.add_text("Raw profile type exif", "\nexif\n  4\n51280000", zip=True)
        more["pnginfo"] = text
    if kind == "TIFF":
        more = {"tiffinfo": directory_of_a_phone()}
    data = io.BytesIO()
    picture.save(data, kind, **more)
    return data.getvalue()


def place_in(data: bytes) -> dict[int, object]:
    return dict(Image.open(io.BytesIO(data)).getexif().get_ifd(ExifTags.IFD.GPSInfo))


@pytest.mark.parametrize("kind", FORMATS)
def test_the_place_goes_and_camera_and_picture_stay(kind: str) -> None:
    before = photo_with_a_place(kind)
    assert place_in(before), "the photo has a place to lose"
    data = bytearray(before)
    assert blank_location(data)
    assert place_in(bytes(data)) == {}
    assert len(data) == len(before)
    then, now = open_photo(before), open_photo(bytes(data))
    assert (now.focal_mm, now.make, now.orientation) == (then.focal_mm, then.make, then.orientation)
    assert now.make == "Maker"
    assert (now.luma == then.luma).all()


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_xmp_loses_the_place_and_nothing_else(kind: str) -> None:
    data = bytearray(photo_with_a_place(kind))
    blank_location(data)
    assert b"GPS" not in data
    assert b"51,28.644N" not in data
    assert b"exif:FNumber='18/10'" in data


def test_the_place_of_a_clip_behind_the_picture_goes() -> None:
    data = bytearray(photo_with_a_place("JPEG") + b"\x00\x00\x00\x1e\xa9xyz\x00\x12\x15\xc7+51.4774-000.0014/")
    blank_location(data)
    assert b"51.4774" not in data


def test_a_photo_without_a_place_is_not_touched() -> None:
    data = io.BytesIO()
    Image.linear_gradient("L").save(data, "JPEG")
    kept = bytearray(data.getvalue())
    assert not blank_location(kept)
    assert bytes(kept) == data.getvalue()


def test_it_is_done_once() -> None:
    data = bytearray(photo_with_a_place("JPEG"))
    assert blank_location(data)
    assert not blank_location(data)


@settings(max_examples=50, deadline=None)
@given(st.binary(max_size=400), st.integers(0, 400), st.sampled_from(FORMATS[:4]))
def test_damaged_files_are_no_fault(noise: bytes, at: int, kind: str) -> None:
    data = bytearray(photo_with_a_place(kind))
    data[at : at + len(noise)] = noise
    blank_location(data[: max(1, len(data) - at)])
    blank_location(data)
    blank_location(bytearray(noise))
