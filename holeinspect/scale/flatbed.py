"""A flatbed scan: no perspective, a stated resolution, checked by an object of known size scanned with the parts.

Mat frame: origin at the scan's middle, x right, y up, the glass z = 0; parts lie on it face down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from holeinspect.errors import ScaleNotFound
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.camera import Camera
from holeinspect.scale.disc import find_disc
from holeinspect.scale.observed import Place, straight_down
from holeinspect.scale.rectangle import find_rectangle
from holeinspect.scale.references import DiscReference, FlatbedReference, RectangleReference
from holeinspect.units import MM_PER_INCH

FAR_MM = 1e5
"""Height from which a pinhole camera sees as a scanner does: 10 mm of height then move a point 100 mm off by 0.01 mm."""
UNCHECKED_U = 0.004
"""Relative standard uncertainty of a scanner's resolution that nothing in the scan checks (ours, no source)."""
LARGEST_MISS = 0.03
"""Beyond this share the stated resolution is another than the scan's."""


@dataclass(frozen=True, slots=True)
class Scan:
    """The camera that sees as the scanner does, and the relative standard uncertainty of its scale.

    outline_px: (K, 2) of the object that checked it, None without. miss: how much larger it read than it is, relative.
    """

    camera: Camera
    scale_u: float
    outline_px: Array | None = None
    miss: float | None = None


def see_scan(photo: Photo, reference: FlatbedReference, place: Place) -> Scan:
    """The scan's scale, corrected by the object that checks it. Raises ScaleNotFound when the two contradict."""
    px_per_mm = reference.dpi / MM_PER_INCH
    if reference.check is None:
        return Scan(_camera(photo, px_per_mm), UNCHECKED_U)
    ratios, u, outline = _checked(photo, reference.check, px_per_mm, place)
    miss = float(np.exp(np.mean(np.log(ratios)))) - 1
    if abs(miss) > LARGEST_MISS:
        raise ScaleNotFound(
            f"At {reference.dpi:g} dpi the {reference.check.name} in {photo.name} would be {1 + miss:.2f} times as large as it "
            f"is: the scan has about {reference.dpi * (1 + miss):.0f} dpi, or it was resized. State the resolution of the file."
        )
    # What differs along and across the scan a single number cannot correct.
    uneven = float(np.ptp(np.log(ratios))) / 2 / np.sqrt(3)
    return Scan(_camera(photo, px_per_mm * (1 + miss)), float(np.hypot(u, uneven)), outline, miss)


def _camera(photo: Photo, px_per_mm: float) -> Camera:
    return straight_down(px_per_mm * FAR_MM, (photo.luma.shape[1], photo.luma.shape[0]), FAR_MM)


def _checked(photo: Photo, check: RectangleReference | DiscReference, px_per_mm: float,
             place: Place) -> tuple[Array, float, Array]:  # fmt: skip
    """Sizes read at the stated resolution over true ones, their relative standard uncertainty, and the outline in px."""
    if isinstance(check, DiscReference):
        disc = find_disc(photo, check, place, px_per_mm)
        wide = 2 * disc.ellipse.axes_px / px_per_mm / check.diameter_mm
        edge_u = EDGE_U_PX / disc.ellipse.radius_px
        outline, _ = disc.ellipse.points(np.linspace(0, 2 * np.pi, 60, endpoint=False))
        return wide, float(np.sqrt((check.u_mm / check.diameter_mm) ** 2 + disc.shadow_u**2 + edge_u**2)), outline
    card = find_rectangle(photo, check, place, px_per_mm)
    sides_px = np.hypot(*(np.roll(card.corners_px, -1, axis=0) - card.corners_px).T)
    read_px = np.array([sides_px[0::2].mean(), sides_px[1::2].mean()])
    nominal = np.array([check.width_mm, check.height_mm])
    u = np.hypot(np.array([check.u_width_mm, check.u_height_mm]) / nominal, 2 * EDGE_U_PX / read_px)
    return read_px / px_per_mm / nominal, float(np.hypot(*u) / 2), card.corners_px


EDGE_U_PX = 0.3
"""Standard uncertainty of an edge's place from the scanner's own sharpening and light (ours)."""
