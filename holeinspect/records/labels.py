"""Part labels in a photo: the QR code beside the part says which piece it is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from shapely import Polygon

from holeinspect.errors import PartNotFound
from holeinspect.inspection import Inspection
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.records.label_codes import code_of
from holeinspect.report.part_labels import CODE_BOX_MM, LABEL_MM

WHERE_TO_LAY = "Lay labels in the window, clear of the part and of the squares, or beside the sheet, and take the photo again."
GROUND_MM = (2.0, 5.0)
"""The label is painted to the first, for one that is cut wide, with what lies between the two round it."""
EVEN = 0.12
"""Greatest range of code values, 5 to 95 %, of even ground: the window's print under uneven light. Ours."""
SHRUNK = 0.5
"""A 12-megapixel photo is searched at half its size: 0.1 s instead of 0.6 s on 2 cores."""
MARGIN = 0.35
"""Share of a found code's size that is cut out around it, to decode it at full size."""
ENLARGED_TO_PX = 400
"""Side of a code that was cut out for a second look."""


@dataclass(frozen=True, slots=True)
class SeenLabel:
    """A label in a photo: its piece's code, and the corners of its QR code, (4, 2) px, from its upper left clockwise."""

    code: str
    corners_px: Array

    def outline_px(self, beyond_mm: float) -> Array:
        """Corners of the label itself, or of a frame so far beyond it, (4, 2) px."""
        left, bottom, right, top = CODE_BOX_MM
        code_mm = np.array([[left, top], [right, top], [right, bottom], [left, bottom]], dtype=np.float32)
        px_from_mm = cv2.getPerspectiveTransform(code_mm, self.corners_px.astype(np.float32))
        low, (width, height) = -beyond_mm, LABEL_MM
        frame_mm = np.array([[low, low], [width - low, low], [width - low, height - low], [low, height - low]], dtype=np.float32)
        return np.asarray(cv2.perspectiveTransform(frame_mm[None], px_from_mm)[0])


def read_labels(luma: Array) -> tuple[SeenLabel, ...]:
    """The labels in a photo, each code once. luma: (H, W), code values 0 to 1."""
    grey = np.clip(luma * 255, 0, 255).astype(np.uint8)
    small = cv2.resize(grey, None, fx=SHRUNK, fy=SHRUNK, interpolation=cv2.INTER_AREA)
    found, texts, corners, _ = cv2.QRCodeDetectorAruco().detectAndDecodeMulti(small)
    if not found:
        return ()
    seen: dict[str, SeenLabel] = {}
    for text, corner in zip(texts, corners / SHRUNK, strict=True):
        code = code_of(text or _read_closer(grey, corner))
        if code is not None:
            seen.setdefault(code, SeenLabel(code, corner))
    return tuple(seen.values())


def without_labels(photo: Photo, labels: Sequence[SeenLabel]) -> Photo:
    """The photo with those labels painted over that lie on even ground, so that they are no parts to the finder.

    Nothing is painted where the ground round the label is uneven: it may lie on the part, or on the mat's squares.
    """
    if not labels:
        return photo
    luma, half = photo.luma.copy(), photo.colour_half.copy()
    for label in labels:
        inner, outer = (_filled(label.outline_px(beyond_mm), luma.shape) for beyond_mm in GROUND_MM)
        ground = luma[outer & ~inner]
        if ground.size and np.subtract(*np.percentile(ground, (95, 5))) <= EVEN:
            luma[inner] = np.median(ground)
            small_inner, small_outer = (each[::2, ::2][: half.shape[0], : half.shape[1]] for each in (inner, outer))
            half[small_inner] = np.median(half[small_outer & ~small_inner], axis=0)
    return replace(photo, luma=luma, colour_half=half)


def check_apart(labels: Sequence[SeenLabel], inspection: Inspection) -> None:
    """Raises PartNotFound where a label lies on a part, or was taken for one: nobody knows what is under it."""
    for label in labels:
        outline = Polygon(label.outline_px(0.0)).convex_hull
        for part in inspection.parts:
            if Polygon(part.outline_px).buffer(0).intersects(outline):
                raise PartNotFound(f"The label of {label.code} touches {part.name} in {inspection.photo.name}. {WHERE_TO_LAY}")


def _filled(outline_px: Array, shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    mask = np.zeros(shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.rint(outline_px).astype(np.int32), 1)
    return mask.astype(bool)


def _read_closer(grey: npt.NDArray[np.uint8], corners_px: Array) -> str:
    """A code that was found but not read, at full size; empty where it still cannot be read. corners_px: (4, 2)."""
    low, high = corners_px.min(axis=0), corners_px.max(axis=0)
    margin = MARGIN * float((high - low).max())
    (x0, y0), (x1, y1) = np.maximum(low - margin, 0).astype(int), (high + margin).astype(int)
    cut = grey[y0:y1, x0:x1]
    if cut.size == 0:
        return ""
    scale = max(1.0, ENLARGED_TO_PX / max(cut.shape))
    larger = cv2.resize(cut, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    return str(cv2.QRCodeDetectorAruco().detectAndDecode(larger)[0] or cv2.QRCodeDetector().detectAndDecode(larger)[0])
