"""A round object of known diameter, such as a coin: found by its outline, seen by its rim.

Mat frame: origin at the disc's middle, x right and y up in the picture, z = 0 on the table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import cv2
import numpy as np

from holeinspect.errors import ScaleNotFound
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.blobs import outlines, touches_border
from holeinspect.scale.camera import Camera
from holeinspect.scale.observed import Place, over, straight_down
from holeinspect.scale.references import DiscReference
from holeinspect.scale.solve import Boundaries
from holeinspect.scale.steps import (
    ROUNDED_MEAN,
    ROUNDED_SHARE,
    ROUNDED_U,
    SHADOW_MEAN,
    SHADOW_U,
    STATIONS,
    edge_places,
    shadow_px,
)

LEAST_FILL = 0.93
"""Least share of its convex hull that a disc's outline fills; coins that touch fill less."""
ROUND_SHARE = 0.02
"""Largest RMS departure of an outline from its ellipse, over its radius: a hexagon's is 0.035."""
LEAST_ASPECT = 0.6
"""Least short over long axis: beyond 50 degrees of tilt nothing is measured by a disc."""
SAME_SHARE = 0.5
"""Outlines whose middles lie closer than this share of the larger radius are one thing, or one within the other."""
ALIKE_SHARE = 0.12
"""Outlines of one thing whose radii differ by less are one edge; an inner ring of a coin differs by more."""
LEAST_OUTLINES = 3
"""Thresholds at which a thing has to stand out."""
STRETCHES = 60
SEARCH_SHARE, SEARCH_LEAST_PX = 0.06, 6.0
"""How far about the rough outline the rim is looked for, over its radius, and at least."""
LEAST_RIM_SHARE = 0.6
LEAST_RADIUS_PX = 20.0
TUKEY = 4.685
"""Deviation, in standard deviations, with no weight left (95 % efficiency for normal noise)."""
ROBUST_ROUNDS = 12
LEAST_RIM_U_PX = 0.15
FORM_SHARE = 0.01
"""Standard uncertainty of a rim's form over its radius: wear, milling, its own thickness and faint shadow (ours)."""
BAND_SHARE = 0.16
"""Widest shadow looked for beside a rim, over its radius."""
INDEPENDENT = 8.0
"""Independent pieces that a rim's errors are worth: wear, shadow and light come in long stretches (ours)."""
WORST_RIM_SHARE = 0.03
"""RMS departure of the rim from its ellipse, over its radius, beyond which this is no disc."""


@dataclass(frozen=True, slots=True)
class Ellipse:
    """centre_px (2,), half axes (2,) px, and the angle (rad) of the first axis."""

    centre_px: Array
    axes_px: Array
    angle: float

    @property
    def radius_px(self) -> float:
        """Geometric mean of both half axes."""
        return float(np.sqrt(self.axes_px[0] * self.axes_px[1]))

    def points(self, at: Array) -> tuple[Array, Array]:
        """Points (N, 2) px at parameters `at` (N,) rad, and unit normals outwards."""
        turn = np.array([[np.cos(self.angle), np.sin(self.angle)], [-np.sin(self.angle), np.cos(self.angle)]])
        circle = np.column_stack([np.cos(at), np.sin(at)])
        normals = circle / self.axes_px @ turn
        return self.centre_px + circle * self.axes_px @ turn, normals / np.hypot(*normals.T)[:, None]

    def off(self, points_px: Array) -> Array:
        """Distance (N,) px of points from the ellipse, to first order in it; positive outside."""
        turn = np.array([[np.cos(self.angle), -np.sin(self.angle)], [np.sin(self.angle), np.cos(self.angle)]])
        local = (points_px - self.centre_px) @ turn
        level = np.hypot(*(local / self.axes_px).T)
        slope = np.hypot(*(local / self.axes_px**2).T) / np.maximum(level, 1e-9)
        return np.asarray((level - 1) / np.maximum(slope, 1e-9))


@dataclass(frozen=True, slots=True)
class SeenDisc:
    """The rim of a disc: points (K, 2) px with unit normals (K, 2) into the darker side, weights (K,) and u_px.

    base_mm: height of what it lies on. shadow_u: relative standard uncertainty of its size from a shadow beside it.
    """

    reference: DiscReference
    base_mm: float
    ellipse: Ellipse
    rim_px: Array
    to_dark: Array
    weights: Array
    u_px: float
    shadow_u: float
    sigma_px: float

    tells_tilt: ClassVar[bool] = False
    tells_roll: ClassVar[bool] = False
    aspect_u: ClassVar[float] = 0.0

    @property
    def middle_px(self) -> Array:
        """(2,)."""
        return self.ellipse.centre_px

    @property
    def seen_radius_mm(self) -> float:
        """Of what is seen: its rounded border mirrors what it lies on."""
        return self.reference.diameter_mm / 2 - ROUNDED_MEAN * ROUNDED_SHARE * self.reference.thickness_mm

    @property
    def rounding_u(self) -> float:
        """Relative standard uncertainty of its size from how much of its rounded border is seen."""
        return ROUNDED_U * ROUNDED_SHARE * self.reference.thickness_mm / self.seen_radius_mm

    def start(self, focal_px: float, size_px: tuple[int, int]) -> Camera:
        """Straight above, as high as the rim's size says."""
        depth = focal_px * self.seen_radius_mm / self.ellipse.radius_px
        top_mm = self.base_mm + self.reference.thickness_mm
        return over(straight_down(focal_px, size_px, depth + top_mm), self.ellipse.centre_px)

    def boundaries(self, camera: Camera) -> Boundaries:
        """The circle's points behind those of the rim: on the upper rim, where that is the outermost, else the lower."""
        top_mm = self.base_mm + self.reference.thickness_mm
        at_top = camera.to_plane(self.rim_px, top_mm)
        away = np.sum(at_top * (at_top - camera.centre[:2]), axis=1) > 0
        z_mm = np.where(away, top_mm, self.base_mm)
        seen_mm = camera.to_plane(self.rim_px, z_mm)
        circle = self.seen_radius_mm * seen_mm / np.hypot(*seen_mm.T)[:, None]
        kept = self.weights > 0
        u_px = self.u_px / np.sqrt(self.weights[kept])
        return Boundaries(circle[kept], self.rim_px[kept], self.to_dark[kept], u_px, np.ones(int(kept.sum())), z_mm[kept])


def find_disc(photo: Photo, reference: DiscReference, place: Place, px_per_mm: float | None = None) -> SeenDisc:
    """The one disc in the picture, or the one at a point (px); px_per_mm: where it is known, as in a scan.

    Raises ScaleNotFound: none, several to choose from, too small, cut off by the picture.
    """
    ellipses = discs(photo)
    if px_per_mm is not None:
        sized = [e for e in ellipses if abs(2 * e.radius_px / px_per_mm / reference.diameter_mm - 1) < ABOUT]
        ellipses = sized or ellipses
    at_px, part_px = place.at_px, place.part_px
    if at_px is None and part_px is not None:
        ellipses = [e for e in ellipses if float(e.off(np.array([part_px]))[0]) > 0]
    chosen = _at(ellipses, at_px, reference, photo.name) if at_px else _only(ellipses, reference, photo.name)
    if chosen.radius_px < LEAST_RADIUS_PX:
        raise ScaleNotFound(
            f"The {reference.name} in {photo.name} is only {2 * chosen.radius_px:.0f} px wide; {2 * LEAST_RADIUS_PX:.0f} px are "
            "needed. Go nearer, or use a larger reference."
        )
    return see_disc(photo, reference, place.base_mm, chosen)


def discs(photo: Photo) -> list[Ellipse]:
    """Round things that lie whole in the picture, largest first; what lies within another is left out."""
    size_px = (photo.luma.shape[1], photo.luma.shape[0])
    around = list(outlines(photo.colour_half))
    found = [ellipse for outline in around if (ellipse := _round(outline, size_px))]
    groups: list[list[Ellipse]] = []
    for ellipse in sorted(found, key=lambda e: -e.radius_px):
        group = next((g for g in groups if _same(g[0], ellipse)), None)
        if group is None:
            groups.append([ellipse])
        elif ellipse.radius_px > (1 - ALIKE_SHARE) * group[0].radius_px:
            group.append(ellipse)
    things = [group[len(group) // 2] for group in groups if len(group) >= LEAST_OUTLINES]
    alone = [thing for thing in things if not _is_enclosed(thing, around, size_px)]
    # Holes of a plate are round too; where everything lies within something, that is a sheet and they are what lies on it.
    return alone or things


def _is_enclosed(thing: Ellipse, outlines_px: list[Array], size_px: tuple[int, int]) -> bool:
    """Whether some other thing lies round it: the same outline at several thresholds; what shading draws is never the same."""
    areas = np.sort([cv2.contourArea(o.astype(np.float32)) for o in outlines_px if _within(thing, o, size_px)])
    return any(np.count_nonzero(np.abs(areas / area - 1) < SAME_AREA) >= LEAST_OUTLINES for area in areas)


SAME_AREA = 0.05
"""Relative difference of areas up to which two outlines are of one thing."""


def _within(thing: Ellipse, outline_px: Array, size_px: tuple[int, int]) -> bool:
    """Whether an outline that does not fill the picture goes round a thing."""
    outline = outline_px.astype(np.float32)
    area = cv2.contourArea(outline)
    if not LEAST_AROUND * np.pi * thing.radius_px**2 < area < MOST_AROUND * size_px[0] * size_px[1]:
        return False
    rim, _ = thing.points(np.linspace(0, 2 * np.pi, 12, endpoint=False))
    return all(cv2.pointPolygonTest(outline, (float(x), float(y)), True) > SEARCH_LEAST_PX / 2 for x, y in rim)


LEAST_AROUND, MOST_AROUND = 1.6, 0.5
"""Area of an outline round a thing, over the thing's and over the picture's."""
ABOUT = 0.08
"""Relative difference up to which a thing is as large as the one looked for."""


def _same(larger: Ellipse, other: Ellipse) -> bool:
    return float(np.hypot(*(larger.centre_px - other.centre_px))) < larger.radius_px - SAME_SHARE * other.radius_px


def _round(outline_px: Array, size_px: tuple[int, int]) -> Ellipse | None:
    """The outline as an ellipse, None if it is not round or reaches the picture's border."""
    points = outline_px.astype(np.float32)
    hull = cv2.convexHull(points)
    if cv2.contourArea(points) < LEAST_FILL * cv2.contourArea(hull) or len(points) < STRETCHES // 2:
        return None
    ellipse = _fitted(outline_px)
    off = ellipse.off(outline_px)
    low, high = sorted(ellipse.axes_px)
    if low < LEAST_ASPECT * high or np.sqrt(np.mean(off**2)) > max(ROUND_SHARE * ellipse.radius_px, 1.5):
        return None
    return None if touches_border(outline_px, size_px, SEARCH_LEAST_PX) else ellipse


def _fitted(points_px: Array) -> Ellipse:
    (x, y), (width, height), degrees = cv2.fitEllipseDirect(points_px.astype(np.float32).reshape(-1, 1, 2))
    return Ellipse(np.array([x, y]), np.maximum(np.array([width, height]) / 2, 1e-3), float(np.radians(degrees)))


def _only(ellipses: list[Ellipse], reference: DiscReference, name: str) -> Ellipse:
    if not ellipses:
        raise ScaleNotFound(
            f"No round object was found in {name} for the {reference.name}. Lay it flat on a surface of another brightness, "
            "whole in the picture and touching nothing, or point at it."
        )
    if len(ellipses) > 1:
        places = "; ".join(f"{e.centre_px[0]:.0f},{e.centre_px[1]:.0f}" for e in ellipses[:8])
        raise ScaleNotFound(
            f"{name} shows {len(ellipses)} round objects, and any may be the {reference.name}: at {places} px. "
            "Say which one is the reference (--reference-at x,y, or tap it)."
        )
    return ellipses[0]


def _at(ellipses: list[Ellipse], at_px: tuple[float, float], reference: DiscReference, name: str) -> Ellipse:
    there = [e for e in ellipses if float(e.off(np.array([at_px]))[0]) < 0]
    if not there:
        raise ScaleNotFound(
            f"There is no round object at {at_px[0]:.0f},{at_px[1]:.0f} px of {name} for the {reference.name}: it may be cut off "
            "by the picture, touch something, or hardly differ from what it lies on. Point at its middle, or move it."
        )
    return min(there, key=lambda e: float(np.hypot(*(e.centre_px - at_px))))


def see_disc(photo: Photo, reference: DiscReference, base_mm: float, rough: Ellipse) -> SeenDisc:
    """The rim about a rough ellipse, its outliers without weight. Raises ScaleNotFound when too little of it is seen."""
    at = 2 * np.pi * (np.arange(STRETCHES * STATIONS) + 0.5) / (STRETCHES * STATIONS)
    ellipse, reach = rough, max(SEARCH_SHARE * rough.radius_px, SEARCH_LEAST_PX)
    for _ in range(2):
        stations, normals = (part.reshape(STRETCHES, STATIONS, 2) for part in ellipse.points(at))
        edges = edge_places(photo.luma, stations, normals, reach, BAND_SHARE * rough.radius_px)
        outwards = normals.mean(axis=1) / np.linalg.norm(normals.mean(axis=1), axis=1, keepdims=True)
        shadow = shadow_px(edges.band_px)
        place = edges.place_px - SHADOW_MEAN * shadow
        rim = stations.mean(axis=1) + place[:, None] * outwards
        ellipse, weights, spread = _robust(rim, edges.seen, ellipse)
        reach = max(SEARCH_SHARE * rough.radius_px / 2, SEARCH_LEAST_PX)
    if weights.astype(bool).mean() < LEAST_RIM_SHARE or spread > WORST_RIM_SHARE * ellipse.radius_px:
        raise ScaleNotFound(
            f"The rim of the {reference.name} in {photo.name} is seen on {np.mean(weights > 0):.0%} of its length and departs "
            f"from a circle by {spread:.1f} px. Lay it flat where nothing covers or touches it, out of glare and hard shadow."
        )
    u_px = max(spread, LEAST_RIM_U_PX, FORM_SHARE * ellipse.radius_px) * np.sqrt((weights > 0).sum() / INDEPENDENT)
    shadow_u = SHADOW_U * float(shadow.mean()) / ellipse.radius_px
    return SeenDisc(reference, base_mm, ellipse, rim, edges.darker[:, None] * outwards, weights, float(u_px), shadow_u,
                    edges.sigma_px)  # fmt: skip


def _robust(rim_px: Array, seen: Array, start: Ellipse) -> tuple[Ellipse, Array, float]:
    """Ellipse through most of the rim, Tukey's weights (K,), and the standard deviation of what it keeps, px."""
    ellipse = start
    weights = seen.astype(float)
    spread = np.inf
    for _ in range(ROBUST_ROUNDS):
        kept = weights > 0
        if kept.sum() < STRETCHES // 3:
            break
        ellipse = _fitted(rim_px[kept])
        off = ellipse.off(rim_px)
        spread = max(1.4826 * float(np.median(np.abs(off[seen]))), 0.05)
        weights = np.where(seen, np.maximum(0, 1 - (off / (TUKEY * spread)) ** 2) ** 2, 0.0)
    kept = weights > 0.1
    spread = float(np.sqrt(np.mean(ellipse.off(rim_px)[kept] ** 2))) if kept.any() else np.inf
    return ellipse, np.where(kept, weights, 0.0), spread
