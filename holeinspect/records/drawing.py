"""Draws the pictures of views.py; runs in the drawing process only."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np

from holeinspect.inspection import Inspection
from holeinspect.photo import open_photo
from holeinspect.records.measuring import VIEW_QUALITY, save_view, write_jpeg, write_whole
from holeinspect.report.picture import mark


def half(target: Path, photo: Path) -> None:
    """The photo at half its size."""
    save_view(open_photo(photo), target)


def full(target: Path, photo: Path) -> None:
    """The photo at its full size: its luma, and the colour of the half-size picture, as JPEG keeps colour anyhow."""
    opened = open_photo(photo)
    height, width = opened.luma.shape
    colour = cv2.cvtColor(np.asarray(opened.colour_half), cv2.COLOR_RGB2YCrCb)
    picture = cv2.resize(colour, (width, height), interpolation=cv2.INTER_LINEAR)
    picture[..., 0] = np.clip(opened.luma * 255 + 0.5, 0, 255).astype(np.uint8)
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
    mark(open_photo(photo), Inspection.model_validate_json(inspection)).convert("RGB").save(data, "JPEG", quality=VIEW_QUALITY)
    write_whole(target, data.getvalue())
