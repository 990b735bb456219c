"""Learning a camera from several photos of the mat, and refining what is known of it by a later one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from holeinspect.errors import ScaleNotFound, SetupError
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.bundle import K3, Bundle, Expected, MatView, adjust_together
from holeinspect.scale.camera import Camera
from holeinspect.scale.find import BOUNDARY_U_PX, LEAST_BOUNDARIES, Fitted, Scale, as_printed, fit_camera, lens_of
from holeinspect.scale.profile import KNOWN, CameraKey, CameraProfile, camera_key, turn_of
from holeinspect.scale.readings import UNCHECKED, PrintScale
from holeinspect.scale.solve import Boundaries, FocalPrior, first_camera
from holeinspect.scale.targets import MatReference, Target, find_target

LEAST_PHOTOS, ENOUGH_PHOTOS = 3, 8
"""Fewer photos leave lens and poses open; with eight well spread ones the focal length is known to 0.3 %."""
WORST_VIEW_PX = 0.30
"""RMS of a view's boundaries from which the sheet was not flat or the photo not still."""
FOCUS_SHARE_U = 0.5
"""Relative standard uncertainty of the breathing that a lens's true focal length foretells; lenses focus in other ways too."""
FOCUS_UNKNOWN_MM = 5.0
"""Standard uncertainty of the breathing where the file states no true focal length: phones have 4 to 7 mm (from memory)."""
TILTED_DEG = 8.0
"""A view counts as tilted from here."""
HEIGHT_RATIO = 1.2
"""Greatest over least camera height from which focusing is told from the rest."""
TURNED_DEG = 45.0
"""Turn of the mat in the picture from which a second view tells the print's aspect from the lens."""
CORNER_SHARE, CORNER_POINTS = 0.25, 20
"""A corner of the frame is this share of its sides; so many boundaries in it, all views together, show it."""
REFINE_RESIDUAL_PX = 0.15
"""RMS of the boundaries up to which a photo is clear enough to refine a profile (algorithms: photo gate)."""
REFINE_GAIN = 0.01
"""Least share by which a photo must narrow some lens parameter to be worth it."""
SIDES = {(1, 0): "right", (-1, 0): "left", (0, 1): "bottom", (0, -1): "top"}
"""Sides of the picture by direction, x right, y down."""


@dataclass(frozen=True, slots=True)
class Learned:
    """A profile and how it came about. left_out: a sentence for each photo that could not be used."""

    profile: CameraProfile
    bundle: Bundle
    left_out: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Seen:
    """A photo's mat boundaries; photo: without its pixels, of which many photos would fill the memory."""

    photo: Photo
    target: Target
    fitted: Fitted


def learn_camera(photos: Iterable[Photo], print_scales: Callable[[str], PrintScale] = lambda page: UNCHECKED,
                 done: Callable[[Photo], None] = lambda photo: None) -> Learned:  # fmt: skip
    """The profile of the one camera that took these photos of one mat; only one photo is held at a time.

    print_scales: by the page's name. done: called after each photo. Raises SetupError for too few photos that can be used,
    for photos of several cameras or mats, and for files that name no camera.
    """
    keys: dict[CameraKey, str] = {}
    seen, left_out = [], []
    for photo in photos:
        keys.setdefault(_key(photo), photo.name)
        _check_one_camera(keys)
        try:
            seen.append(_seen(photo, print_scales))
        except ScaleNotFound as error:
            left_out.append(str(error))
        done(photo)
    _check_enough(seen, left_out)
    page = _one_page(seen)
    bundle, left_out, seen = _adjusted(seen, left_out, print_scales(page))
    return Learned(_profile(next(iter(keys)), bundle, seen), bundle, tuple(left_out))


def _key(photo: Photo) -> CameraKey:
    key = camera_key(photo)
    if key is None:
        raise SetupError(f"{photo.name} does not say which camera took it. Use the files as the phone wrote them.")
    return key


def _check_one_camera(keys: Mapping[CameraKey, str]) -> None:
    if len(keys) > 1:
        named = "; ".join(f"{name}: {key.called}" for key, name in keys.items())
        raise SetupError(f"The photos come from {len(keys)} cameras ({named}). Learn one camera at a time.")


def _seen(photo: Photo, print_scales: Callable[[str], PrintScale]) -> _Seen:
    target = find_target(photo.luma, MatReference(), photo.name)
    assert target.layout is not None, "a mat has a layout"
    scale = print_scales(target.layout.page)
    true_size = as_printed(target, np.array([scale.kx, scale.ky]))
    prior = FocalPrior(*photo.focal_prior_px) if photo.focal_prior_px else None
    aspect_u = float(np.hypot(scale.u_kx, scale.u_ky))
    fitted = fit_camera(photo, true_size, photo.size, prior, aspect_u, LEAST_BOUNDARIES["mat"])
    residual = float(np.sqrt(np.mean(fitted.adjusted.residuals_px**2)))
    if residual > WORST_VIEW_PX:
        raise ScaleNotFound(f"{photo.name} was left out: the mat's edges fit a flat sheet only to {residual:.2f} px.")
    bare = replace(photo, luma=np.empty((0, 0), np.float32), colour_half=np.empty((0, 0, 3), np.uint8))
    return _Seen(bare, true_size, fitted)


def _check_enough(seen: Sequence[_Seen], left_out: Sequence[str]) -> None:
    if len(seen) < LEAST_PHOTOS:
        why = f" Left out: {' '.join(left_out)}" if left_out else ""
        raise SetupError(
            f"A camera is learnt from {LEAST_PHOTOS} photos of the mat at the least, {ENOUGH_PHOTOS} are good; "
            f"{len(seen)} can be used.{why}"
        )


def _one_page(seen: Sequence[_Seen]) -> str:
    pages = {one.target.layout.page for one in seen if one.target.layout}
    if len(pages) > 1:
        raise SetupError(f"The photos show several mats ({', '.join(sorted(pages))}). Learn from photos of one mat.")
    return pages.pop()


def _adjusted(seen: list[_Seen], left_out: list[str], scale: PrintScale) -> tuple[Bundle, list[str], list[_Seen]]:
    """The bundle; a view that fits it badly is left out, and the rest adjusted again."""
    expected = _expected(seen[0].photo, scale)
    bundle = adjust_together(_views(seen), expected)
    rms = [float(np.sqrt(np.mean(left**2))) for left in bundle.residuals_px]
    good = [one for one, px in zip(seen, rms, strict=True) if px <= WORST_VIEW_PX]
    if len(good) == len(seen):
        return bundle, left_out, seen
    left_out += [f"{one.photo.name} was left out: it fits the other photos only to {px:.2f} px."
                 for one, px in zip(seen, rms, strict=True) if px > WORST_VIEW_PX]  # fmt: skip
    _check_enough(good, left_out)
    return adjust_together(_views(good), expected), left_out, good


def _expected(photo: Photo, scale: PrintScale) -> Expected:
    size_px = (max(photo.size), min(photo.size))
    focus = (photo.focal_mm, FOCUS_SHARE_U * photo.focal_mm) if photo.focal_mm else (0.0, FOCUS_UNKNOWN_MM)
    return Expected(size_px, *focus, float(np.hypot(scale.u_kx, scale.u_ky)))


def _views(seen: Sequence[_Seen]) -> list[MatView]:
    """The views in the lens frame, all with the same first lens."""
    focal = float(np.median([one.fitted.adjusted.camera.K[0, 0] for one in seen]))
    return [_view(one, FocalPrior(focal, 1.0)) for one in seen]


def _view(one: _Seen, prior: FocalPrior) -> MatView:
    turn, size = turn_of(one.photo), np.array(one.photo.size)
    lens_size = (int(size.max()), int(size.min()))
    rows, seen = one.fitted.rows, one.fitted.seen
    seen_px = (seen.edge_px[rows] - (size - 1) / 2) @ turn + (np.array(lens_size) - 1) / 2
    boundaries = Boundaries(seen.points_mm[rows], seen_px, seen.normals_px[rows] @ turn, np.full(len(rows), BOUNDARY_U_PX),
                            np.ones(len(rows)))  # fmt: skip
    return MatView(first_camera(boundaries.mat_mm, seen_px, lens_size, prior), boundaries)


def _profile(key: CameraKey, bundle: Bundle, seen: Sequence[_Seen]) -> CameraProfile:
    """What a profile keeps; k3 is held later on, so the rest is taken as it is when k3 is known."""
    lens = bundle.lens[:KNOWN].copy()
    lens[1:3] -= (np.array(key.size_px) - 1) / 2
    full = bundle.covariance
    given_k3 = full - np.outer(full[:, K3], full[K3]) / full[K3, K3]
    # Held, k3 has no uncertainty of its own; a share of nothing keeps the matrix regular.
    given_k3[K3, K3] = full[K3, K3]
    views = _views(seen)
    missing = tuple(_missing(key.size_px, views, bundle.cameras))
    return CameraProfile(key, lens, given_k3[:KNOWN, :KNOWN], bundle.nearness, bundle.spread_px, len(seen),
                         bundle.residual_px, 0, missing, tuple(one.photo.sha256 for one in seen))  # fmt: skip


# --- what is still missing, in words ---


def _missing(size_px: tuple[int, int], views: Sequence[MatView], cameras: Sequence[Camera]) -> Iterator[str]:
    """The views that would make the profile better; directions are those of the picture with the phone held sideways."""
    tilts = [_tilt(camera) for camera in cameras]
    for (x, y), side in SIDES.items():
        if not any(float(np.dot((x, y), tilt)) > np.sin(np.radians(TILTED_DEG)) for tilt in tilts):
            yield f"a photo tilted by 10 to 20 degrees, the far side of the mat at the {side} of the picture"
    bare = _bare_corners(size_px, [view.seen.seen_px for view in views])
    if bare:
        yield f"the mat reaching into the picture's {' and '.join(bare)} corner{'s' if len(bare) > 1 else ''}"
    heights = [float(camera.centre[2]) for camera in cameras]
    if max(heights) < HEIGHT_RATIO * min(heights):
        yield f"a photo from a fifth nearer or farther (all are from about {np.mean(heights):.0f} mm)"
    rolls = np.sort(np.degrees([np.arctan2(camera.rotation[1, 0], camera.rotation[0, 0]) for camera in cameras]) % 180)
    if 180 - max(b - a for a, b in pairwise([*rolls, rolls[0] + 180])) < TURNED_DEG:
        yield "a photo with the mat turned by a quarter turn in the picture"
    if len(views) < ENOUGH_PHOTOS:
        yield f"more photos: {len(views)} were used, {ENOUGH_PHOTOS} are good"


def _tilt(camera: Camera) -> Array:
    """(2,) direction in the picture in which the mat goes away, its length the sine of the tilt."""
    away = camera.rotation[:2, :2] @ camera.rotation[2, :2]
    sine = float(np.linalg.norm(camera.rotation[2, :2]))
    return np.asarray(away / max(float(np.linalg.norm(away)), 1e-12) * sine)


def _bare_corners(size_px: tuple[int, int], seen_px: Sequence[Array]) -> list[str]:
    share = np.concatenate(seen_px) / np.array(size_px)
    near, far = share < CORNER_SHARE, share > 1 - CORNER_SHARE
    corners = {"upper left": near[:, 0] & near[:, 1], "upper right": far[:, 0] & near[:, 1],
               "lower left": near[:, 0] & far[:, 1], "lower right": far[:, 0] & far[:, 1]}  # fmt: skip
    return [name for name, inside in corners.items() if inside.sum() < CORNER_POINTS]


# --- refining ---


def refine(photo: Photo, scale: Scale) -> CameraProfile | None:
    """The profile that the photo was measured with, made better by it; None where that is not safe or brings nothing.

    Safe: the mat agreed with the profile (else it is not in `scale`), its print was measured, it lies flat and sharp, and the
    photo has not taught this profile before.
    """
    profile, fitted = scale.profile, scale.fitted
    if profile is None or fitted is None or scale.target.layout is None or photo.sha256 in profile.sums:
        return None
    clear = scale.residual_px <= REFINE_RESIDUAL_PX and scale.print_scale.checked and not scale.warnings
    if not clear:
        return None
    better = profile.refined_by(photo, lens_of(fitted.adjusted), float(scale.camera.centre[2]))
    before, after = (np.diag(one.covariance) for one in (profile, better))
    told = after > 0
    if not told.all() or (after[told] > (1 - REFINE_GAIN) ** 2 * before[told]).all():
        return None
    return replace(better, residual_px=float(np.hypot(profile.residual_px * np.sqrt(profile.photos), scale.residual_px)
                                             / np.sqrt(better.photos)))  # fmt: skip
