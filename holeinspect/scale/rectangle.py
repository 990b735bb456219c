"""A rectangle of known size, such as a card or a sheet of paper: found by its outline, seen by its four sides.

Mat frame: origin at the rectangle's middle, x along its width, y along its height, z = 0 on the table (on a sheet that the
parts lie on: on the sheet).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import ClassVar

import cv2
import numpy as np

from holeinspect.errors import ScaleNotFound
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.blobs import outlines, touches_border
from holeinspect.scale.camera import Camera
from holeinspect.scale.observed import Place, over, straight_down
from holeinspect.scale.references import RectangleReference
from holeinspect.scale.solve import FOCAL_GUESS, FOCAL_UNKNOWN, Boundaries, FocalPrior, Weak, adjust, first_camera
from holeinspect.scale.steps import STATIONS, edge_places

LEAST_FILL, MOST_FILL = 0.94, 1.06
"""Share of its four-sided hull that a rectangle's outline fills; things that reach over its border take some."""
LEAST_SIDE_PX = 60.0
STRETCHES = 16
"""Places looked at along each side."""
END_SHARE = 0.06
"""Share of a side left out at each end, beyond the corner's own radius: curl, wear, the other side's blur."""
SEARCH_SHARE, SEARCH_LEAST_PX = 0.02, 6.0
LEAST_SEEN = 0.35
"""Least share of a side that has to be seen on one line: curl and shadow take the rest."""
STRAIGHT_SHARE = 0.001
"""Departure from a straight line, over a side's length, that is still the side: sheets curl."""
LEAST_SIDE_U_PX = 0.15
LARGEST_TILT_RAD = np.radians(60)
USUAL_TILT_RAD = np.radians(25)
"""Standard deviation of tilts with which people photograph sheets and cards (ours); it only decides which side is which."""
WORST_RESIDUAL_SHARE = 0.008
"""RMS departure of the sides from a rectangle of these sizes, over the shorter side in the picture."""
SAME_SHARE = 0.08
"""Outlines whose corners lie this near to each other, over the side, are one rectangle."""
ALIKE = 1.5
"""Difference of misfits (squares over their variances) up to which two rectangles may both be the one looked for."""
CANDIDATES = 12
LEAST_OUTLINES = 2
PARALLEL_U = 0.35
"""Opposite sides whose lengths differ by more than this share are no card or sheet seen in a usable way."""


@dataclass(frozen=True, slots=True)
class SeenRectangle:
    """Its sides: points (K, 2) px, unit normals (K, 2) into the darker, the side (K,) 0..3 each is on.

    corners_px: (4, 2), clockwise as displayed from the corner at upper left in the mat frame.
    """

    reference: RectangleReference
    base_mm: float
    corners_px: Array
    edge_px: Array
    to_dark: Array
    side: Array
    u_px: Array
    sigma_px: float

    tells_tilt: ClassVar[bool] = True
    tells_roll: ClassVar[bool] = True

    @property
    def aspect_u(self) -> float:
        """From the tolerances of width and height."""
        reference = self.reference
        return float(np.hypot(reference.u_width_mm / reference.width_mm, reference.u_height_mm / reference.height_mm))

    @property
    def middle_px(self) -> Array:
        """(2,)."""
        return np.asarray(self.corners_px.mean(axis=0))

    def start(self, focal_px: float, size_px: tuple[int, int]) -> Camera:
        """From the four corners."""
        return _first_camera(self, size_px, FocalPrior(focal_px, FOCAL_UNKNOWN))

    def boundaries(self, camera: Camera) -> Boundaries:
        """Each point's foot on its side, at the upper face or, on the near sides, at the lower one."""
        half = np.array([self.reference.width_mm, self.reference.height_mm]) / 2
        out = OUT[self.side]
        reach = np.abs(out @ half)
        facing = reach - np.sum(out * camera.centre[:2], axis=1)
        z_mm = self.base_mm + np.where(facing > 0, self.reference.thickness_mm, 0.0)
        seen = camera.to_plane(self.edge_px, z_mm)
        foot = seen + (reach - np.sum(out * seen, axis=1))[:, None] * out
        return Boundaries(foot, self.edge_px, self.to_dark, self.u_px, np.ones(len(foot)), z_mm)


OUT = np.array([[0.0, 1.0], [1.0, 0.0], [0.0, -1.0], [-1.0, 0.0]])
"""Outward normals of the sides, mat frame, clockwise as displayed from the upper one."""


def corners_mm(reference: RectangleReference) -> Array:
    """Corners (4, 2) from the upper left, clockwise as displayed."""
    return np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]) * [reference.width_mm / 2, reference.height_mm / 2]


def find_rectangle(photo: Photo, reference: RectangleReference, place: Place,
                   px_per_mm: float | None = None) -> SeenRectangle:  # fmt: skip
    """The rectangle in the picture whose shape is that of the reference, or the one at a point (px).

    px_per_mm: where it is known, as in a scan. Raises ScaleNotFound: none, another shape, several alike, cut off by the
    picture, too small.
    """
    size_px = (photo.luma.shape[1], photo.luma.shape[0])
    prior = FocalPrior(*photo.focal_prior_px) if photo.focal_prior_px else None
    at_px = place.at_px
    quads = _meant(quadrangles(photo), reference, place)
    if px_per_mm is not None:
        quads = [q for q in quads if _as_large(q, reference, px_per_mm)] or quads
    if not quads:
        raise ScaleNotFound(
            f"No four-sided object was found {f'at {at_px[0]:.0f},{at_px[1]:.0f} px' if at_px else ''} in {photo.name} for the "
            f"{reference.name}. Lay it flat on a surface of another brightness, all four corners in the picture and uncovered."
        )
    tried = [(judged, seen) for quad in quads[:CANDIDATES] if (seen := see_rectangle(photo, reference, place.base_mm, quad))
             if (judged := _judged(seen, size_px, prior)) is not None]  # fmt: skip
    fitting = sorted((j for j in tried if j[0].residual_share < WORST_RESIDUAL_SHARE), key=lambda j: j[0].misfit)
    if not fitting:
        raise ScaleNotFound(_wrong_kind(reference, quads[0], photo.name))
    best = fitting[0]
    rivals = [j for j in fitting[1:] if j[0].misfit < best[0].misfit + ALIKE and not _one(j[1], best[1])]
    # A sheet under the parts is the largest of those that fit; a part on it is no rival.
    if rivals and not reference.under:
        places = "; ".join(f"{s.middle_px[0]:.0f},{s.middle_px[1]:.0f}" for _, s in [best, *rivals[:4]])
        raise ScaleNotFound(
            f"{photo.name} shows {1 + len(rivals)} rectangles that may be the {reference.name}, at {places} px. "
            "Say which one is the reference (--reference-at x,y, or tap it)."
        )
    if rivals:
        best = max([best, *rivals], key=lambda j: cv2.contourArea(j[1].corners_px.astype(np.float32)))
    return _as_lying(best[1], best[0].turned)


def _meant(quads: list[Array], reference: RectangleReference, place: Place) -> list[Array]:
    """Those at the point given; else those that are not the part."""
    if place.at_px is not None:
        return [quad for quad in quads if _holds(quad, place.at_px)]
    if place.part_px is not None and not reference.under:
        return [quad for quad in quads if not _holds(quad, place.part_px)]
    return quads


def _holds(quad: Array, at_px: tuple[float, float]) -> bool:
    return cv2.pointPolygonTest(quad.astype(np.float32), at_px, False) >= 0


def _as_large(quad: Array, reference: RectangleReference, px_per_mm: float) -> bool:
    sides = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T).reshape(2, 2).mean(axis=0) / px_per_mm
    return bool(np.all(np.abs(np.sort(sides) / np.sort([reference.width_mm, reference.height_mm]) - 1) < ABOUT))


ABOUT = 0.08
"""Relative difference up to which a thing is as large as the one looked for."""


def _one(first: SeenRectangle, second: SeenRectangle) -> bool:
    """Whether two are the same thing, or one within the other and as large."""
    apart = np.hypot(*(first.middle_px - second.middle_px))
    areas = [cv2.contourArea(r.corners_px.astype(np.float32)) for r in (first, second)]
    return bool(apart < SAME_SHARE * np.sqrt(max(areas)) and min(areas) > (1 - 4 * SAME_SHARE) * max(areas))


def _wrong_kind(reference: RectangleReference, quad: Array, name: str) -> str:
    sides = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
    low, high = sorted((float(sides[0::2].mean()), float(sides[1::2].mean())))
    want = sorted((reference.width_mm, reference.height_mm))
    return (
        f"The largest four-sided object in {name} is no {reference.name}: its sides are as 1 to {high / max(low, 1e-9):.2f} in "
        f"the picture, those of the {reference.name} as 1 to {want[1] / want[0]:.2f}. Name what it is, lay the "
        f"{reference.name} flat, or photograph it from straight above."
    )


@dataclass(frozen=True, slots=True)
class _Judged:
    """How well a quadrangle is the rectangle; turned: whether its first side is the height."""

    misfit: float
    residual_share: float
    turned: bool


def _judged(seen: SeenRectangle, size_px: tuple[int, int], prior: FocalPrior | None) -> _Judged | None:
    """The better of both ways to lay it, None if neither is a view of a rectangle of this shape."""
    found = []
    for turned in (False, True):
        laid = _as_lying(seen, turned)
        start = _first_camera(laid, size_px, prior)
        points = laid.boundaries(start)
        # Laid the wrong way round a rectangle may need a view along the table, and its sides then lie beyond the horizon.
        if start.translation[2] <= 0 or not np.isfinite(_seen_px(start, points)).all():
            continue
        adjusted = adjust(start, points, size_px, prior, False, laid.aspect_u, Weak(1e-9))
        tilt = float(np.arccos(np.clip(-adjusted.camera.rotation[2, 2], -1, 1)))
        short_px = float(np.hypot(*(np.roll(laid.corners_px, -1, axis=0) - laid.corners_px).T).min())
        residual = float(np.sqrt(np.mean(adjusted.residuals_px**2)))
        if tilt < LARGEST_TILT_RAD:
            misfit = (residual / short_px / WORST_RESIDUAL_SHARE) ** 2 + (tilt / USUAL_TILT_RAD) ** 2 + (
                adjusted.aspect / max(laid.aspect_u, 1e-6)) ** 2  # fmt: skip
            found.append(_Judged(misfit, residual / short_px, turned))
    return min(found, key=lambda judged: judged.misfit, default=None)


def _first_camera(laid: SeenRectangle, size_px: tuple[int, int], prior: FocalPrior | None) -> Camera:
    """From the four corners; straight down where they leave their pose open, as those of a view exactly from above do."""
    found = first_camera(corners_mm(laid.reference), laid.corners_px, size_px, prior)
    if np.isfinite(found.rotation).all() and np.isfinite(found.translation).all():
        return found
    focal_px = prior.focal_px if prior else FOCAL_GUESS * max(size_px)
    upper = laid.corners_px[1] - laid.corners_px[0]
    depth = focal_px * laid.reference.width_mm / float(np.hypot(*upper))
    return over(straight_down(focal_px, size_px, depth, -float(np.arctan2(upper[1], upper[0]))), laid.middle_px)


def _seen_px(camera: Camera, points: Boundaries) -> Array:
    """Where the points (N, 2) would appear, px."""
    z_mm = np.zeros(len(points.mat_mm)) if points.z_mm is None else points.z_mm
    return camera.project(np.column_stack([points.mat_mm, z_mm]))


def _as_lying(seen: SeenRectangle, turned: bool) -> SeenRectangle:
    """The same with its corners counted from the next one, so that the first side is the other of its two."""
    if not turned:
        return seen
    return SeenRectangle(seen.reference, seen.base_mm, np.roll(seen.corners_px, 1, axis=0), seen.edge_px, seen.to_dark,
                         (seen.side + 1) % 4, seen.u_px, seen.sigma_px)  # fmt: skip


def quadrangles(photo: Photo) -> list[Array]:
    """Four-sided outlines (4, 2) px that lie whole in the picture, largest first, clockwise as displayed."""
    size_px = (photo.luma.shape[1], photo.luma.shape[0])
    groups: list[list[Array]] = []
    for quad in sorted(_quads(photo, size_px), key=lambda q: -cv2.contourArea(q.astype(np.float32))):
        near = SAME_SHARE * float(np.sqrt(cv2.contourArea(quad.astype(np.float32))))
        group = next((g for g in groups if np.hypot(*(g[0] - quad).T).max() < near), None)
        if group is None:
            groups.append([quad])
        else:
            group.append(quad)
    # Where a threshold lets an outline run out along a shadow, one corner is off; hardly ever the same one at most of them.
    return [np.median(group, axis=0) for group in groups if len(group) >= LEAST_OUTLINES]


def _quads(photo: Photo, size_px: tuple[int, int]) -> Iterator[Array]:
    for outline in outlines(photo.colour_half):
        hull = cv2.convexHull(outline.astype(np.float32))
        quad = np.asarray(cv2.approxPolyN(hull, 4, ensure_convex=True), float).reshape(-1, 2)
        if len(quad) != 4:
            continue
        area, whole = cv2.contourArea(outline.astype(np.float32)), cv2.contourArea(quad.astype(np.float32))
        sides = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
        even = np.abs(sides[:2] - sides[2:]) < PARALLEL_U * np.maximum(sides[:2], sides[2:])
        if sides.min() < LEAST_SIDE_PX or not LEAST_FILL * whole < area < MOST_FILL * whole or not even.all():
            continue
        if not touches_border(outline, size_px, SEARCH_LEAST_PX / 2):
            yield _from_upper_left(quad)


def _from_upper_left(quad: Array) -> Array:
    """Corners clockwise as displayed (y down), from the one nearest to the picture's upper left corner."""
    around = quad - quad.mean(axis=0)
    ordered = quad[np.argsort(np.arctan2(around[:, 1], around[:, 0]))]
    return np.roll(ordered, -int(np.argmin(ordered.sum(axis=1))), axis=0)


def see_rectangle(photo: Photo, reference: RectangleReference, base_mm: float, quad: Array) -> SeenRectangle | None:
    """The sides about rough corners, with what each is straight to. None when one of them is not seen."""
    corners = quad
    for _ in range(2):
        sides = [_side(photo.luma, corners, k, reference) for k in range(4)]
        seen = [side for side in sides if side is not None]
        if len(seen) < 4:
            return None
        corners = _crossings([side.line for side in seen])
    return SeenRectangle(
        reference,
        base_mm,
        corners,
        np.vstack([side.points_px for side in seen]),
        np.vstack([side.to_dark for side in seen]),
        np.repeat(np.arange(4), [len(side.points_px) for side in seen]),
        np.concatenate([np.full(len(side.points_px), side.u_px) for side in seen]),
        float(np.median([side.sigma_px for side in seen])),
    )


@dataclass(frozen=True, slots=True)
class _Side:
    """Points (K, 2) on a side, normals into the darker, u_px of each, and its line (a, b, c): a x + b y = c."""

    points_px: Array
    to_dark: Array
    u_px: float
    line: Array
    sigma_px: float


def _side(luma: Array, corners: Array, k: int, reference: RectangleReference) -> _Side | None:
    start, end = corners[k], corners[(k + 1) % 4]
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    out = np.array([along[1], -along[0]])  # clockwise as displayed: outside lies to the left of the way
    long_mm = (reference.width_mm + reference.height_mm) / 2
    trim = min(0.3, END_SHARE + 1.5 * reference.corner_radius_mm / long_mm)
    at = trim + (1 - 2 * trim) * (np.arange(STRETCHES * STATIONS) + 0.5) / (STRETCHES * STATIONS)
    stations = (start + at[:, None] * (end - start)).reshape(STRETCHES, STATIONS, 2)
    reach = max(SEARCH_SHARE * length, SEARCH_LEAST_PX)
    edges = edge_places(luma, stations, np.broadcast_to(out, stations.shape), reach)
    points = stations.mean(axis=1) + edges.place_px[:, None] * out
    along_px = length * at.reshape(STRETCHES, STATIONS).mean(axis=1)
    offset, turn, kept, spread = _line(along_px, edges.place_px, edges.seen, STRAIGHT_SHARE * length)
    if kept.mean() < LEAST_SEEN:
        return None
    first, last = start + offset * out, end + (offset + length * turn) * out
    normal = np.array([last[1] - first[1], first[0] - last[0]]) / np.hypot(*(last - first))
    u_px = max(spread, LEAST_SIDE_U_PX) * np.sqrt(kept.sum() / 2)
    return _Side(points[kept], edges.darker[kept, None] * out, float(u_px), np.array([*normal, normal @ first]),
                 edges.sigma_px)  # fmt: skip


def _line(at: Array, place: Array, seen: Array, straight_px: float) -> tuple[float, float, Array, float]:
    """The line place = offset + turn at through most of the places seen, and those about it; which, and their standard deviation.

    A line through each two of them is tried: shadow beside a side may carry nearly as many places as the side itself.
    """
    rows = np.flatnonzero(seen)
    if len(rows) < LEAST_PLACES:
        return 0.0, 0.0, np.zeros_like(seen), np.inf
    first, second = rows[np.array(list(combinations(range(len(rows)), 2))).T]
    turn = (place[second] - place[first]) / (at[second] - at[first])
    off = np.abs(place[rows] - place[first, None] - turn[:, None] * (at[rows] - at[first, None]))
    near = off < max(straight_px, LEAST_STRAIGHT_PX)
    best = int(np.argmax(near.sum(axis=1) - (off * near).sum(axis=1) / (len(rows) * max(straight_px, LEAST_STRAIGHT_PX))))
    kept = np.zeros_like(seen)
    kept[rows[near[best]]] = True
    solution, spread = np.zeros(2), np.inf
    for _ in range(4):
        basis = np.column_stack([np.ones(int(kept.sum())), at[kept]])
        solution = np.linalg.lstsq(basis, place[kept], rcond=None)[0]
        off = np.abs(place - solution[0] - solution[1] * at)
        spread = max(1.4826 * float(np.median(off[kept])), LEAST_SPREAD_PX)
        kept = seen & (off < 3 * spread)
        if kept.sum() < LEAST_PLACES:
            return 0.0, 0.0, np.zeros_like(seen), np.inf
    return float(solution[0]), float(solution[1]), kept, float(np.sqrt(np.mean(off[kept] ** 2)))


LEAST_PLACES = 4
LEAST_STRAIGHT_PX, LEAST_SPREAD_PX = 0.4, 0.1
"""Departures from a straight line, px, that noise alone makes: at most, and as a rule."""


def _crossings(lines: list[Array]) -> Array:
    """Corners (4, 2) where each line meets the one before it."""
    return np.array([np.linalg.solve([lines[k - 1][:2], lines[k][:2]], [lines[k - 1][2], lines[k][2]]) for k in range(4)])
