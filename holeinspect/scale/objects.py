"""References that are no printed target, found in the photo and made a Target."""

from __future__ import annotations

import numpy as np

from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.disc import SeenDisc, find_disc
from holeinspect.scale.flatbed import Scan, see_scan
from holeinspect.scale.markers import SeenMarkers, see_markers
from holeinspect.scale.observed import Place
from holeinspect.scale.points import see_points
from holeinspect.scale.rectangle import SeenRectangle, corners_mm, find_rectangle
from holeinspect.scale.references import (
    DiscReference,
    FlatbedReference,
    MarkersReference,
    PlainReference,
    PointsReference,
    RectangleReference,
    RuleReference,
)
from holeinspect.scale.rule import SeenRule, find_rule
from holeinspect.scale.sides import Sides
from holeinspect.scale.solve import FOCAL_GUESS
from holeinspect.scale.targets import PlainTarget, Target, detect_markers, dictionary_of

CIRCLE_SIDES = 48
LEANS = "how the phone leaned"
LENS = "the lens's distortion beyond what phones usually leave"
LIGHT = "the phone's tone curve and sharpening"
THICKNESS_U_SHARE = 0.25
"""Standard uncertainty of the height at which an object's outline is seen, over its thickness: rounded and worn borders."""
RULE_THICKNESS_U_MM = 0.3
"""Standard uncertainty of the height of a rule's ticks (rules are 0.5 to 1.2 mm thick)."""


def find_object(photo: Photo, reference: PlainReference, place: Place) -> Target:
    """Look for the reference. Raises ScaleNotFound with what was seen and what to do."""
    match reference:
        case RectangleReference():
            return _rectangle(find_rectangle(photo, reference, place))
        case DiscReference():
            return _disc(find_disc(photo, reference, place), photo)
        case RuleReference():
            return _rule(find_rule(photo, reference, place.base_mm, place.at_px))
        case PointsReference():
            seen = see_points(photo, reference, place.base_mm)
            relative = reference.u_mm / reference.distance_mm
            plain = PlainTarget(seen, (relative, relative), True, 0.0, ("its length",), (LEANS, LENS, LIGHT))
            return _target("two points", plain, np.zeros((0, 2)))
        case MarkersReference():
            found = detect_markers(photo.luma, dictionary_of(reference.dictionary))
            return _markers(see_markers(photo, reference, place.base_mm, found))
        case FlatbedReference():
            return _scan(see_scan(photo, reference, place), reference)


def _target(name: str, plain: PlainTarget, outline_mm: Array) -> Target:
    nothing = np.zeros((0, 2))
    return Target(name, nothing, nothing, Sides(nothing, nothing, nothing, np.zeros(0)), outline_mm, False, None, plain)


def _rectangle(seen: SeenRectangle) -> Target:
    reference = seen.reference
    plain = PlainTarget(
        seen,
        (reference.u_width_mm / reference.width_mm, reference.u_height_mm / reference.height_mm),
        False,
        THICKNESS_U_SHARE * reference.thickness_mm,
        ("its two sides", "the tilt", "the camera's height"),
        (LENS, LIGHT),
        reference.under,
    )
    return _target(reference.name, plain, corners_mm(reference))


def _wall_u(photo: Photo, seen: SeenDisc) -> float:
    """Relative standard uncertainty of a disc's size from its wall, which may or may not stand out from what it lies on.

    A wall as wide as w in the picture adds w/π to the mean radius if it is seen and nothing if it is not.
    """
    middle = (np.array([photo.luma.shape[1], photo.luma.shape[0]]) - 1) / 2
    focal_px = photo.focal_prior_px[0] if photo.focal_prior_px else FOCAL_GUESS * max(photo.luma.shape)
    slope = float(np.hypot(*(seen.middle_px - middle))) / focal_px
    wall_mm = seen.reference.thickness_mm * slope
    return float(wall_mm / np.pi / np.sqrt(12) / (seen.reference.diameter_mm / 2))


def _disc(seen: SeenDisc, photo: Photo) -> Target:
    reference = seen.reference
    stated_u = reference.u_mm / reference.diameter_mm
    relative = float(np.linalg.norm([stated_u, seen.shadow_u, seen.rounding_u, _wall_u(photo, seen)]))
    height_u = THICKNESS_U_SHARE * reference.thickness_mm
    plain = PlainTarget(seen, (relative, relative), True, height_u, ("its diameter",), (LEANS, LENS, LIGHT))
    angle = np.linspace(0, 2 * np.pi, CIRCLE_SIDES, endpoint=False)
    outline = reference.diameter_mm / 2 * np.column_stack([np.cos(angle), np.sin(angle)])
    return _target(reference.name, plain, outline)


def _rule(seen: SeenRule) -> Target:
    plain = PlainTarget(seen, (seen.scale_u, seen.scale_u), True, RULE_THICKNESS_U_MM,
                        ("its length", "leaning along it"), (LEANS, LENS, LIGHT))  # fmt: skip
    return _target(seen.name, plain, seen.outline_mm)


def _markers(seen: SeenMarkers) -> Target:
    u = MARKER_SIZE_U_MM / seen.reference.size_mm
    plain = PlainTarget(seen, (u, u), True, 0.0, ("their size", "the tilt", "the camera's height"), (LENS, LIGHT))
    half = seen.reference.size_mm / 2
    square = half * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    return _target(f"{len(seen.corners_px)} markers", plain, square)


MARKER_SIZE_U_MM = 0.05
"""Standard uncertainty of a marker's size as stated: a calliper on print."""


def _scan(scan: Scan, reference: FlatbedReference) -> Target:
    known = ("its resolution",) if scan.miss is None else ("its resolution", f"its true scale, by the {reference.check_name}")
    left = ("the scanner's stated resolution, which nothing in the scan checks",) if scan.miss is None else ()
    plain = PlainTarget(scan, (scan.scale_u, scan.scale_u), True, 0.0, known, (*left, LIGHT))
    outline = np.zeros((0, 2)) if scan.outline_px is None else scan.camera.to_plane(scan.outline_px, 0.0)
    return _target(f"scan of {reference.dpi:g} dpi", plain, outline)
