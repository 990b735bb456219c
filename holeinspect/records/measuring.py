"""What a worker process does with one photo. Imported by the workers only: it needs the image libraries."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from holeinspect.errors import PartNotFound
from holeinspect.inspection import Inspection
from holeinspect.measure.inspect import inspect
from holeinspect.measured import Array
from holeinspect.photo import Photo, open_photo
from holeinspect.records.jobs import Ask, Job
from holeinspect.records.labels import WHERE_TO_LAY, check_apart, read_labels, without_labels

VIEW_QUALITY = 85
"""JPEG quality of the picture that the page shows."""


def measure(job: Job, ask: Ask, progress: Callable[[str], None]) -> Inspection:
    """Open the photo, read the labels in it, ask what the inspection is to know, and inspect.

    ask takes the labels' codes and gives the Setup; it raises RecordError where nobody knows which piece the photo shows.
    """
    progress("photo opened")
    photo = open_photo(job.path, name=job.name)
    save_view(photo, job.view)
    labels = read_labels(photo.luma)
    setup = ask(tuple(label.code for label in labels))
    try:
        inspection = inspect(without_labels(photo, labels), setup, progress)
    except PartNotFound as error:
        raise PartNotFound(f"{error} {WHERE_TO_LAY}" if labels else str(error)) from error
    check_apart(labels, inspection)
    return inspection


def save_view(photo: Photo, path: Path) -> None:
    """The photo upright and without any data about it, at half its size: what a page shows at once."""
    write_jpeg(path, cv2.cvtColor(np.asarray(photo.colour_half), cv2.COLOR_RGB2BGR))


def write_jpeg(path: Path, picture: Array) -> None:
    """Write a picture, uint8 (H, W, 3) BGR, that is there whole or not at all."""
    coded, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, VIEW_QUALITY])
    assert coded, "an 8-bit picture can be written as JPEG"
    write_whole(path, data.tobytes())


def write_whole(path: Path, data: bytes) -> None:
    """Write a file that is there whole or not at all."""
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    fresh.write_bytes(data)
    fresh.replace(path)
