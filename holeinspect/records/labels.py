"""Part labels in a photo: the QR code beside the part says which piece it is."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

from holeinspect.measured import Array
from holeinspect.records.label_codes import code_of

SHRUNK = 0.5
"""A 12-megapixel photo is searched at half its size: 0.1 s instead of 0.6 s on 2 cores."""
MARGIN = 0.35
"""Share of a found code's size that is cut out around it, to decode it at full size."""
ENLARGED_TO_PX = 400
"""Side of a code that was cut out for a second look."""


def read_labels(luma: Array) -> tuple[str, ...]:
    """Codes of the labels in a photo, each once. luma: (H, W), code values 0 to 1."""
    grey = np.clip(luma * 255, 0, 255).astype(np.uint8)
    small = cv2.resize(grey, None, fx=SHRUNK, fy=SHRUNK, interpolation=cv2.INTER_AREA)
    found, texts, corners, _ = cv2.QRCodeDetectorAruco().detectAndDecodeMulti(small)
    if not found:
        return ()
    read = [text or _read_closer(grey, corner / SHRUNK) for text, corner in zip(texts, corners, strict=True)]
    return tuple(dict.fromkeys(code for text in read if (code := code_of(text)) is not None))


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
