"""Draws the pictures of views.py; runs in the drawing process only."""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from holeinspect.errors import NoSuchRecord
from holeinspect.inspection import Hole, Inspection
from holeinspect.photo import Photo, open_photo
from holeinspect.records.measuring import VIEW_QUALITY, save_view, write_jpeg, write_whole
from holeinspect.report.chart import rim_chart_svg
from holeinspect.report.picture import mark
from holeinspect.report.rims import rim_image


@lru_cache(maxsize=1)
def opened(photo: Path) -> Photo:
    """The kept photo; the last one stays open, as a person looks at one rim after the other."""
    return open_photo(photo)


def half(target: Path, photo: Path) -> None:
    """The photo at half its size."""
    save_view(opened(photo), target)


def full(target: Path, photo: Path) -> None:
    """The photo at its full size: its luma, and the colour of the half-size picture, as JPEG keeps colour anyhow."""
    whole = opened(photo)
    height, width = whole.luma.shape
    colour = cv2.cvtColor(np.asarray(whole.colour_half), cv2.COLOR_RGB2YCrCb)
    picture = cv2.resize(colour, (width, height), interpolation=cv2.INTER_LINEAR)
    picture[..., 0] = np.clip(whole.luma * 255 + 0.5, 0, 255).astype(np.uint8)
    write_jpeg(target, cv2.cvtColor(picture, cv2.COLOR_YCrCb2BGR))


def narrowed(target: Path, view: Path, width_px: int) -> None:
    """A view made narrower; one that is narrow already stays as it is."""
    picture = cv2.imread(str(view), cv2.IMREAD_COLOR)
    assert picture is not None, "a view that we wrote can be read"
    scale = min(1.0, width_px / picture.shape[1])
    smaller = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    write_jpeg(target, smaller)


def marked(target: Path, photo: Path, inspection: str) -> None:
    """The marked picture."""
    data = io.BytesIO()
    mark(opened(photo), Inspection.model_validate_json(inspection)).convert("RGB").save(data, "JPEG", quality=VIEW_QUALITY)
    write_whole(target, data.getvalue())


def rim(target: Path, photo: Path, inspection: str, part: str, hole: str) -> None:
    """One hole's rim enlarged."""
    told = Inspection.model_validate_json(inspection)
    data = io.BytesIO()
    rim_image(opened(photo), _hole(told, part, hole), told.units).save(data, "PNG")
    write_whole(target, data.getvalue())


def chart(target: Path, _photo: Path, inspection: str, part: str, hole: str) -> None:
    """The deviation of one hole's rim round the clock."""
    told = Inspection.model_validate_json(inspection)
    svg = rim_chart_svg(_hole(told, part, hole), told.units, told.findings, part)
    write_whole(target, svg.encode())


def _hole(inspection: Inspection, part: str, hole: str) -> Hole:
    found = (one for each in inspection.parts if each.name == part for one in each.holes if one.name == hole)
    if (first := next(found, None)) is None:
        raise NoSuchRecord(f"The photo shows no hole {hole} of a part {part}. It may have been measured again: load it anew.")
    return first
