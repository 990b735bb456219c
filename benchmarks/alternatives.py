"""Four things a user could try instead, each given our scale: what they measure is mapped to the part's upper face.

They look at the mat's window only, as a user would crop it; sizes outside SIZES_MM are no holes. Each returns outlines
in picture px, so that all are mapped to millimetres in the same way.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import skimage.measure

from holeinspect.measured import Array
from holeinspect.scale.camera import Camera
from holeinspect.scale.find import Scale

SKIMAGE: Any = skimage.measure
"""Without annotations of its own."""
SIZES_MM = (1.2, 14.0)
"""Diameters that may be holes."""
OUTLINE_POINTS = 64
HOUGH_STEP, HOUGH_CANNY, HOUGH_ROUND = 1.5, 300.0, 0.9
"""dp, param1 and param2 of cv2.HOUGH_GRADIENT_ALT, as OpenCV's manual proposes: the better of the two Hough methods."""
SMOOTHING_PX = 1.5
"""Gaussian blur before HoughCircles, as its manual proposes."""
BORDER_PX = 12
"""Width of the band along the window's border whose median is the backdrop's level."""
RANSAC = {"min_samples": 3, "residual_threshold": 0.7, "max_trials": 60}
FEWEST_POINTS = 12
"""Points of a contour that RANSAC and fitEllipse are asked about."""


@dataclass(frozen=True, slots=True)
class Measurement:
    """Circles found, as outlines (N, 2) px, and the part's edges, (M, 2) px, empty where the method gives none."""

    outlines: tuple[Array, ...]
    edges: Array


@dataclass(frozen=True, slots=True)
class InMm:
    """A circle on the upper face, mm: centre (2,), diameter, distance to the nearest edge (NaN without edges)."""

    centre: Array
    diameter: float
    edge: float


@dataclass(frozen=True, slots=True)
class WindowView:
    """The window of the mat in the photo: 8-bit codes (H, W), its mask, upper left corner in the photo, px per mm."""

    codes: Any
    inside: Any
    corner_px: Array
    px_per_mm: float

    @property
    def sizes_px(self) -> tuple[float, float]:
        """Smallest and largest diameter of a hole."""
        return SIZES_MM[0] * self.px_per_mm, SIZES_MM[1] * self.px_per_mm

    def metal(self) -> tuple[Any, float]:
        """Mask (H, W) 0/1 of what is not backdrop, by Otsu's threshold, and the threshold."""
        level, _ = cv2.threshold(self.codes[self.inside > 0], 0, 255, cv2.THRESH_OTSU)
        rim = self.inside - cv2.erode(self.inside, np.ones((2 * BORDER_PX + 1,) * 2, np.uint8))
        bright_backdrop = np.median(self.codes[rim > 0]) > level
        differs = self.codes <= level if bright_backdrop else self.codes > level
        return (differs & (self.inside > 0)).astype(np.uint8), float(level)


def window_view(luma: Array, scale: Scale) -> WindowView:
    """Cut the mat's window out of a photo's code values (H, W), 0..1."""
    mat = scale.target.layout
    assert mat is not None, "the alternatives are given a photo of the mat"
    half = np.array(mat.window_mm) * [scale.print_scale.kx, scale.print_scale.ky]
    corners = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    px = scale.camera.project(np.column_stack([corners, np.zeros(4)]))
    low = np.maximum(np.floor(px.min(axis=0)), 0).astype(int)
    high = np.minimum(np.ceil(px.max(axis=0)), np.array(luma.shape[::-1]) - 1).astype(int)
    codes = np.clip(luma[low[1] : high[1], low[0] : high[0]] * 255 + 0.5, 0, 255).astype(np.uint8)
    inside = np.zeros(codes.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(px - low).astype(np.int32)], 1)
    return WindowView(codes, inside, low.astype(float), scale.px_per_mm(np.zeros(2)))


def in_mm(found: Measurement, camera: Camera, top_mm: float) -> list[InMm]:
    """Map outlines to the plane of the upper face; the circle through them is that of their mean radius."""
    edges = camera.to_plane(found.edges, top_mm) if len(found.edges) else found.edges
    circles = []
    for outline in found.outlines:
        points = camera.to_plane(outline, top_mm)
        centre = points.mean(axis=0)
        diameter = 2 * float(np.hypot(*(points - centre).T).mean())
        reach = float(np.hypot(*(edges - centre).T).min()) if len(edges) else float("nan")
        circles.append(InMm(centre, diameter, reach))
    return circles


def hough_circles(view: WindowView) -> Measurement:
    """cv2.HoughCircles."""
    smooth = cv2.GaussianBlur(view.codes, (0, 0), SMOOTHING_PX)
    low, high = view.sizes_px
    found = cv2.HoughCircles(smooth, cv2.HOUGH_GRADIENT_ALT, HOUGH_STEP, low, param1=HOUGH_CANNY, param2=HOUGH_ROUND,
                             minRadius=int(low / 2), maxRadius=int(high / 2))  # fmt: skip
    rows = np.empty((0, 3)) if found is None else np.asarray(found, float).reshape(-1, found.shape[-1])[:, :3]
    rows = rows[[bool(view.inside[int(y), int(x)]) for x, y, _ in rows]] if len(rows) else rows
    outlines = tuple(_ellipse((x, y), (2 * r, 2 * r), 0) + view.corner_px for x, y, r in rows)
    return Measurement(outlines, np.empty((0, 2)))


def threshold_ellipse(view: WindowView) -> Measurement:
    """Otsu's threshold, findContours, cv2.fitEllipse."""
    metal, _ = view.metal()
    contours, tree = cv2.findContours(metal, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outlines: list[Array] = []
    edges: list[Array] = [np.empty((0, 2))]
    for contour, (_, _, _, parent) in zip(contours, tree[0], strict=True):
        if parent < 0:
            edges += [_large(contour, view)]
        elif len(contour) >= FEWEST_POINTS:
            centre, axes, turn = cv2.fitEllipse(contour)
            if view.sizes_px[0] <= np.mean(axes) <= view.sizes_px[1]:
                outlines.append(_ellipse(centre, axes, turn) + view.corner_px)
    return Measurement(tuple(outlines), np.vstack(edges))


def _large(contour: Any, view: WindowView) -> Array:
    """An outer contour's points in the photo, none where it is a speck."""
    points = contour.reshape(-1, 2).astype(float) + view.corner_px
    return points if np.ptp(points, axis=0).max() > view.sizes_px[1] else np.empty((0, 2))


def contour_circle(view: WindowView) -> Measurement:
    """scikit-image: find_contours at Otsu's level, CircleModel by RANSAC."""
    _, level = view.metal()
    outlines: list[Array] = []
    edges: list[Array] = [np.empty((0, 2))]
    for contour in SKIMAGE.find_contours(view.codes.astype(float), level, mask=view.inside > 0):
        size = np.ptp(contour, axis=0).max()
        points = contour[:, ::-1]
        if size > 1.5 * view.sizes_px[1]:
            edges.append(points + view.corner_px)
        elif size >= view.sizes_px[0] and len(points) >= FEWEST_POINTS and np.allclose(points[0], points[-1]):
            model, _ = SKIMAGE.ransac(points[:-1], SKIMAGE.CircleModel, rng=0, **RANSAC)
            if model is not None and view.sizes_px[0] <= 2 * model.radius <= view.sizes_px[1]:
                outlines.append(_ellipse(model.center, (2 * model.radius,) * 2, 0) + view.corner_px)
    return Measurement(tuple(outlines), np.vstack(edges))


def labelled_regions(view: WindowView) -> Measurement:
    """scikit-image: labelled regions of backdrop enclosed by metal, their equivalent diameter."""
    metal, _ = view.metal()
    low, high = view.sizes_px
    regions = SKIMAGE.label((metal == 0) & (view.inside > 0), connectivity=1)
    areas = np.bincount(regions.ravel())
    wanted = (areas >= np.pi / 4 * low**2) & (areas <= np.pi / 4 * high**2)
    wanted[0] = False
    kept = np.where(wanted[regions], regions, 0)
    outlines = [_ellipse(region.centroid[::-1], (region.equivalent_diameter_area,) * 2, 0) + view.corner_px
                for region in SKIMAGE.regionprops(kept)]  # fmt: skip
    outer, _ = cv2.findContours(metal, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return Measurement(tuple(outlines), np.vstack([np.empty((0, 2)), *(_large(contour, view) for contour in outer)]))


def _ellipse(centre: Sequence[float], axes: Sequence[float], turn_deg: float) -> Array:
    """Points (OUTLINE_POINTS, 2) of an ellipse of these full axes."""
    angles = np.linspace(0, 2 * np.pi, OUTLINE_POINTS, endpoint=False)
    x, y = axes[0] / 2 * np.cos(angles), axes[1] / 2 * np.sin(angles)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return np.asarray(np.column_stack([centre[0] + c * x - s * y, centre[1] + s * x + c * y]))


ALTERNATIVES: Mapping[str, Callable[[WindowView], Measurement]] = {
    "cv2.HoughCircles": hough_circles,
    "threshold, cv2.fitEllipse": threshold_ellipse,
    "find_contours, CircleModel, RANSAC": contour_circle,
    "labelled regions": labelled_regions,
}
