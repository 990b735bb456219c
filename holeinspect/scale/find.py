"""From one photo to its Scale: find the target, fit lens and pose to its boundaries, learn the phone's tone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.special import chdtri

from holeinspect.errors import ScaleNotFound
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.camera import Camera
from holeinspect.scale.flatbed import Scan
from holeinspect.scale.objects import find_object
from holeinspect.scale.observed import PHONE_K1_U, Place, Possible, adjust_to
from holeinspect.scale.profile import CameraProfile
from holeinspect.scale.readings import PrintScale
from holeinspect.scale.references import STATED_SIZE_U_MM
from holeinspect.scale.sides import SeenSides, look_at_sides
from holeinspect.scale.solve import (
    CAMERA,
    FOCAL_GUESS,
    FOCAL_UNKNOWN,
    LENS,
    PARAMETERS,
    Adjusted,
    Boundaries,
    FocalPrior,
    LensPrior,
    Prior,
    Weak,
    adjust,
    first_camera,
    picture_moves,
)
from holeinspect.scale.targets import (
    CharucoReference,
    ChessboardReference,
    MarkerReference,
    MatReference,
    PlainTarget,
    Reference,
    Target,
    find_target,
)
from holeinspect.scale.tone import UNKNOWN_MISFIT, Tone, fit_tone, unknown_tone

ROUGH_POINT_U_PX = 0.8
"""Standard uncertainty of a marker corner from its contour."""
BOUNDARY_U_PX = 0.03
"""Standard uncertainty of one block of a boundary beyond its noise: print and paper (0.01 to 0.05 on renders)."""
BENT_TOGETHER = 9.0
"""Boundaries whose errors are one where a board is bent: three by three, about two squares each way (ours; on photographs of
hand-held boards focal lengths were off by 1 to 11 of the uncertainties that take them as independent)."""
PASSES = 2
OUTLIER_PX = 0.6
"""A boundary this far from where all others want it is covered, smudged or torn."""
LEAST_BOUNDARIES = {"mat": 40, "chessboard": 24, "charuco": 24, "marker": 6}
"""Blocks of boundaries needed, of 2 a side: fewer leave lens and pose open."""
LEAST_QUADRANTS = 3
"""Quarters of the mat's ring that must show some of it."""
WORST_RESIDUAL_PX = 0.6
"""RMS of the boundaries beyond which the sheet is bent or the photo was edited (algorithms: photo gate)."""
DOUBTFUL_RESIDUAL_PX = 0.25
LARGEST_OUTLIER_SHARE = 0.10
"""Share of clean boundaries off by more than OUTLIER_PX from which the sheet is bent: fingers and parts spoil a few only
(2 % with half the ring covered, 4 to 30 % on sheets bent by 1 to 4 px)."""
CONTRADICTION = 3.0
"""Standard deviations between the file's focal length and the mat's from which the file is not believed."""
PROFILE_CHANCE = 0.001
"""Of a good profile to fail the chi-square test against the reference."""
PLAUSIBLE_FOCAL = (0.3, 12.0)
"""Focal lengths of phones over the long side of the picture, widest lens to digital zoom; a bent sheet feigns others."""
CROPPED_SHARE = 0.15
"""Prior of the principal point about the middle of a picture that was cropped, over its long side (ours, no source)."""

K1 = PARAMETERS.index("k1")
USUAL_BLUR_PX = 1.0
"""Blur of edges in a picture that shows none of known form."""


@dataclass(frozen=True)
class Scale:
    """The way from pixels to millimetres for one photo.

    camera: mat frame in true millimetres. covariance: (15, 15), order `solve.PARAMETERS`. print_scale: as applied.
    target: what was found. tone: the phone's. residual_px: RMS of the boundaries. used, seen: blocks of boundaries.
    warnings: sentences on what is doubtful. fitted: the boundaries behind it. profile: of the camera, where it was used as the
    prior; profile_dropped: a sentence on why one was not; possible:
    cameras that the reference leaves open, none where it tells the tilt.
    """

    camera: Camera
    covariance: Array
    print_scale: PrintScale
    target: Target
    tone: Tone
    residual_px: float
    used: int
    seen: int
    warnings: tuple[str, ...] = ()
    fitted: Fitted | None = None
    profile: CameraProfile | None = None
    profile_dropped: str = ""
    possible: tuple[Possible, ...] = ()

    @cached_property
    def root(self) -> Array:
        """(13, 13) factor of the camera's covariance: one independent error a column, in units of the parameters."""
        return _root(self.covariance[:CAMERA, :CAMERA])

    @cached_property
    def roots(self) -> tuple[Array, Array]:
        """`root` in two: (13, 1) what the distortion k1 moves, with all that follows it, and (13, 13) the rest."""
        covariance = self.covariance[:CAMERA, :CAMERA]
        lens = covariance[:, [K1]] / np.sqrt(max(covariance[K1, K1], np.finfo(float).tiny))
        return lens, _root(covariance - lens @ lens.T)

    @property
    def plain(self) -> PlainTarget | None:
        """What a reference that is no printed target leaves open; None for printed ones."""
        return self.target.plain

    @property
    def tone_seen(self) -> bool:
        """Whether the phone's tone curve and sharpening were seen on the reference."""
        return self.tone.misfit < UNKNOWN_MISFIT

    def tilts(self, points_mm: Array, z_mm: Array) -> Array:
        """How far measured points (N, 2) at heights z_mm (N,) move for each camera left open, weighed: (E, N, 2) mm."""
        at = self.camera.project(np.column_stack([points_mm, z_mm]))
        moves = [np.sqrt(p.weight) * (p.camera.to_plane(at, z_mm) - points_mm) for p in self.possible]
        return np.stack(moves) if moves else np.zeros((1, *points_mm.shape))

    def shifts(self, points_mm: Array, z_mm: Array, root: Array | None = None) -> Array:
        """How far measured points (N, 2) at heights z_mm (N,) move per independent camera error: (13, N, 2) mm.

        root: (13, E) errors to go by instead of all, then (E, N, 2).
        """
        at = np.column_stack([points_mm, z_mm])
        # The picture stays; the mat point under a pixel moves against the way its projection moves.
        moves = -np.linalg.inv(self.camera.px_per_mm(at)) @ picture_moves(self.camera, np.zeros(CAMERA), at)
        return np.asarray(np.moveaxis(moves @ (self.root if root is None else root), 2, 0))

    @property
    def tilt_deg(self) -> float:
        """Angle between the viewing axis and the mat's normal."""
        return float(np.degrees(np.arccos(np.clip(abs(self.camera.rotation[2, 2]), 0, 1))))

    @property
    def height_u_mm(self) -> float:
        """Standard uncertainty of the camera's height above the mat."""
        # Turning the camera leaves it where it is; focal length moves it along its axis (`solve.moved`).
        up, change = self.camera.rotation[:, 2], np.zeros(CAMERA)
        change[0], change[10:] = -up[2] * self.camera.translation[2], -up
        return float(np.linalg.norm(change @ self.root))

    def px_per_mm(self, point_mm: Array) -> float:
        """Resolution at a point of the mat (geometric mean of both directions)."""
        jacobian = self.camera.px_per_mm(np.array([[*point_mm, 0.0]]))[0]
        return float(np.sqrt(abs(np.linalg.det(jacobian))))


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0)))


ON_TABLE = Place()


def locate(photo: Photo, reference: Reference, place: Place = ON_TABLE) -> Target:
    """Look for any reference in a photo. Raises ScaleNotFound with what was seen and what to do."""
    if isinstance(reference, MatReference | ChessboardReference | CharucoReference | MarkerReference):
        return find_target(photo.luma, reference, photo.name)
    return find_object(photo, reference, place)


def _by_object(photo: Photo, target: Target, plain: PlainTarget) -> Scale:
    """The scale by a reference that is no printed target."""
    size_px = (photo.luma.shape[1], photo.luma.shape[0])
    scale = PrintScale(1.0, 1.0, *plain.relative_u, checked=True, linked=plain.linked)
    if isinstance(plain.seen, Scan):
        # A scanner has neither pose nor lens that could be off.
        nothing = np.zeros((len(PARAMETERS), len(PARAMETERS)))
        return Scale(plain.seen.camera, nothing, scale, target, unknown_tone(USUAL_BLUR_PX), 0.0, 0, 0, _left_open(plain))
    prior = FocalPrior(*photo.focal_prior_px) if photo.focal_prior_px else None
    to = adjust_to(plain.seen, size_px, prior)
    residual = float(np.sqrt(np.mean(to.adjusted.residuals_px**2)))
    count = len(to.adjusted.residuals_px)
    return Scale(to.adjusted.camera, to.adjusted.covariance, scale, target, unknown_tone(plain.seen.sigma_px), residual, count,
                 count, _left_open(plain) + (() if prior else (NO_FOCAL_LENGTH,)),
                 possible=to.possible)  # fmt: skip


def _left_open(plain: PlainTarget) -> tuple[str, ...]:
    advice = "" if plain.seen_tilt else " Hold the phone level, straight above it."
    return (f"The reference tells {_list(plain.tells)}. It leaves open {_list(plain.leaves)}; U includes that.{advice}",)


def _list(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


NO_FOCAL_LENGTH = (
    "The file states no focal length: the camera's height is uncertain, and so is all that lies above the reference. "
    "Keep the original file."
)


def on_height(scale: Scale, base_mm: float) -> Scale:
    """The scale of a printed reference that lies base_mm above the table, with the table as z = 0."""
    if not base_mm:
        return scale
    camera = scale.camera
    lowered = camera.translation - camera.rotation @ np.array([0.0, 0.0, base_mm])
    return replace(scale, camera=replace(camera, translation=lowered))


def find_scale(photo: Photo, reference: Reference, target: Target, print_scale: PrintScale | None = None,
               profile: CameraProfile | None = None) -> Scale:  # fmt: skip
    """Adjust the camera to a reference found in the photo.

    print_scale: of the mat's sheet; None: nominal, with the uncertainty of the size that the user states. profile: of the camera
    that took the photo; it is left out where the reference contradicts it.
    Raises ScaleNotFound, saying what was seen and what to do.
    """
    if target.plain is not None:
        return _by_object(photo, target, target.plain)
    scale = print_scale or _as_stated(reference)
    printed = as_printed(target, np.array([scale.kx, scale.ky]))
    size_px = (photo.luma.shape[1], photo.luma.shape[0])
    aspect_u = 0.0 if scale.linked else float(np.sqrt(scale.u_kx**2 + scale.u_ky**2))
    prior = FocalPrior(*photo.focal_prior_px) if photo.focal_prior_px else None
    least = LEAST_BOUNDARIES[reference.kind]
    fitted = _with_profile(photo, printed, profile, aspect_u, least) if profile else None
    dropped: tuple[str, ...] = ()
    if fitted is None:
        fitted = fit_camera(photo, printed, size_px, prior, aspect_u, least)
        if prior and _contradicts(fitted.adjusted, prior):
            cropped = FocalPrior(FOCAL_GUESS * max(size_px), FOCAL_UNKNOWN, CROPPED_SHARE)
            fitted = fit_camera(photo, printed, size_px, cropped, aspect_u, least)
            dropped = ("The focal length in the file does not fit what the reference shows (a crop, digital zoom or a bent "
                       "sheet?); it was left out.",)  # fmt: skip
        used, left_out = None, PROFILE_CONTRADICTED if profile else ""
    else:
        used, left_out = profile, ""
    _check(fitted, printed, photo.name, size_px)
    expected = fitted.seen.steps.place_px.copy()
    expected[fitted.rows] -= fitted.adjusted.residuals_px
    usable = np.zeros(len(expected), bool)
    usable[fitted.rows] = True
    tone = fit_tone(replace(fitted.seen, usable=usable), expected)
    residual = float(np.sqrt(np.mean(fitted.adjusted.residuals_px**2)))
    return Scale(fitted.adjusted.camera, fitted.adjusted.covariance, scale, printed, tone, residual, len(fitted.rows),
                 len(fitted.seen.side), (*dropped, *_doubts(residual, fitted, bool(used or prior))), fitted, used,
                 left_out)  # fmt: skip


def _as_stated(reference: Reference) -> PrintScale:
    """The scale of a printed reference whose size the user measured once, across all of it; the mat's page is as designed."""
    match reference:
        case MarkerReference():
            across_mm = reference.size_mm
        case ChessboardReference():
            across_mm = reference.square_mm * max(reference.corners)
        case CharucoReference():
            across_mm = reference.square_mm * max(reference.squares)
        case _:
            return PrintScale(1.0, 1.0, 0.0, 0.0, True)
    u = STATED_SIZE_U_MM / across_mm
    return PrintScale(1.0, 1.0, u, u, checked=True, linked=True)


PROFILE_CONTRADICTED = (
    "The camera's profile does not fit what the mat shows (another lens, a digital zoom, a crop or a bent sheet?): "
    "it was left out."
)


def _with_profile(photo: Photo, target: Target, profile: CameraProfile, aspect_u: float, least: int) -> Fitted | None:
    """The fit with the camera's profile as prior; None where the reference contradicts it."""
    size_px = (photo.luma.shape[1], photo.luma.shape[0])
    start = FocalPrior(float(profile.lens[0]), profile.focal_u)
    height_mm = float(first_camera(target.points_mm, target.points_px, size_px, start).centre[2])
    known = profile.prior(photo, height_mm)
    fitted = fit_camera(photo, target, size_px, known, aspect_u, least)
    return None if _disagrees(fitted.adjusted, known) else fitted


def lens_of(adjusted: Adjusted) -> LensPrior:
    """The lens that one photo's adjustment gave, upright frame."""
    camera = adjusted.camera
    return LensPrior(float(camera.K[0, 0]), camera.K[:2, 2], camera.distortion, adjusted.covariance[:LENS, :LENS])


def _disagrees(adjusted: Adjusted, known: LensPrior) -> bool:
    """Whether the reference alone tells another lens than the profile: chi-square test of the innovation.

    From its prior the adjusted lens may differ by the covariance prior - adjusted, in the directions that the reference
    told anything about.
    """
    seen = lens_of(adjusted)
    moved_by = np.array([np.log(seen.focal_px / known.focal_px), *(seen.principal_px - known.principal_px),
                         *(seen.distortion[:4] - known.distortion[:4])])  # fmt: skip
    whiten = np.linalg.inv(np.linalg.cholesky(known.covariance))
    news, directions = np.linalg.eigh(np.eye(LENS) - whiten @ seen.covariance @ whiten.T)
    told = news > LEAST_NEWS
    along = directions.T @ whiten @ moved_by
    return bool((along[told] ** 2 / news[told]).sum() > chdtri(max(int(told.sum()), 1), PROFILE_CHANCE))


def as_printed(target: Target, k: Array) -> Target:
    """The target as it was really printed."""
    sides = replace(target.sides, start_mm=target.sides.start_mm * k, end_mm=target.sides.end_mm * k)
    return replace(target, points_mm=target.points_mm * k, sides=sides, outline_mm=target.outline_mm * k)


def _contradicts(adjusted: Adjusted, prior: FocalPrior) -> bool:
    """Whether the mat alone tells another focal length than the prior.

    The adjusted value lies between both; from the prior it may differ by sqrt(u² prior - u² adjusted), its own
    share of the news (innovation test of a Kalman filter, in the state).
    """
    moved_by = np.log(adjusted.camera.K[0, 0] / prior.focal_px)
    allowed = np.sqrt(max(prior.relative_u**2 - adjusted.covariance[0, 0], (LEAST_NEWS * prior.relative_u) ** 2))
    return bool(abs(moved_by) > CONTRADICTION * allowed)


LEAST_NEWS = 0.05
"""Least share of the prior's uncertainty by which the mat is taken to move the focal length: below is rounding."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """The adjusted camera and the boundaries (rows of `seen`) that carry it; share of clean ones that did not fit."""

    adjusted: Adjusted
    seen: SeenSides
    rows: Array
    outlier_share: float


def rough_adjustment(target: Target, size_px: tuple[int, int], prior: Prior | None) -> Adjusted:
    """Camera from the target's rough points, good to about a pixel."""
    start = first_camera(target.points_mm, target.points_px, size_px, prior)
    count = len(target.points_mm)
    points = Boundaries(np.repeat(target.points_mm, 2, axis=0), np.repeat(target.points_px, 2, axis=0),
                        np.tile(np.eye(2), (count, 1)), np.full(2 * count, ROUGH_POINT_U_PX),
                        np.zeros(2 * count))  # fmt: skip
    return adjust(start, points, size_px, prior, target.distortion)


def fit_camera(photo: Photo, target: Target, size_px: tuple[int, int], prior: Prior | None,
               aspect_u: float, least: int) -> Fitted:  # fmt: skip
    """Adjust the camera to all boundaries of the target, looking again from where each pass has brought it."""
    camera = rough_adjustment(target, size_px, prior).camera
    for _ in range(PASSES):
        seen = look_at_sides(photo.luma, camera, target.sides)
        rows = np.flatnonzero(seen.usable)
        if len(rows) < least:
            raise ScaleNotFound(
                f"Only {len(rows)} of the {least} stretches of the reference's edges that are needed can be seen in "
                f"{photo.name}. Uncover more of it, keep fingers and glare off it, and take it whole and in focus."
            )
        adjusted = _adjust(camera, seen, rows, size_px, prior, target, aspect_u)
        kept = rows[np.abs(adjusted.residuals_px) < OUTLIER_PX]
        outlier_share = 1 - len(kept) / len(rows)
        if least <= len(kept) < len(rows):
            rows = kept
            adjusted = _adjust(camera, seen, rows, size_px, prior, target, aspect_u)
        camera = adjusted.camera
    adjusted = adjusted if target.layout else _as_if_bent(adjusted)
    return Fitted(adjusted, seen, rows, outlier_share)


def _as_if_bent(adjusted: Adjusted) -> Adjusted:
    """The adjustment of a loose board, less sure by what its boundaries leave over: a bent board's errors go together."""
    excess = max(float(np.mean(adjusted.residuals_px**2)) / BOUNDARY_U_PX**2, 1.0)
    return replace(adjusted, covariance=adjusted.covariance * (1 + BENT_TOGETHER * (excess - 1)) / excess)


def _adjust(camera: Camera, seen: SeenSides, rows: Array, size_px: tuple[int, int], prior: Prior | None,
            target: Target, aspect_u: float) -> Adjusted:  # fmt: skip
    boundaries = Boundaries(seen.points_mm[rows], seen.edge_px[rows], seen.normals_px[rows],
                            np.full(len(rows), BOUNDARY_U_PX), np.ones(len(rows)))  # fmt: skip
    weak = None if target.distortion else Weak(PHONE_K1_U)
    return adjust(camera, boundaries, size_px, prior, target.distortion, aspect_u, weak)


def _check(fitted: Fitted, target: Target, name: str, size_px: tuple[int, int]) -> None:
    """Refuse a fit that cannot be trusted, in words."""
    residual = float(np.sqrt(np.mean(fitted.adjusted.residuals_px**2)))
    if residual > WORST_RESIDUAL_PX:
        raise ScaleNotFound(
            f"The {target.called} in {name} does not lie flat, or the photo was edited: its edges are off by {residual:.2f} px "
            f"(RMS), {WORST_RESIDUAL_PX} at most. Tape the sheet to a board or glass and use the unedited photo."
        )
    if fitted.outlier_share > LARGEST_OUTLIER_SHARE:
        raise ScaleNotFound(
            f"The {target.called} in {name} does not lie flat, or the photo was edited: {fitted.outlier_share:.0%} of its edges "
            f"are off by more than {OUTLIER_PX} px. Tape the sheet to a board or glass and use the unedited photo."
        )
    focal_share = float(fitted.adjusted.camera.K[0, 0]) / max(size_px)
    if not PLAUSIBLE_FOCAL[0] < focal_share < PLAUSIBLE_FOCAL[1]:
        raise ScaleNotFound(
            f"The {target.called} in {name} does not lie flat, or the photo was edited: its perspective would take a lens of "
            f"{focal_share:.2f} picture widths. Tape the sheet to a board or glass and use the unedited photo."
        )
    if target.layout is not None:
        places = fitted.seen.points_mm[fitted.rows]
        quadrants = {(x > 0, y > 0) for x, y in places}
        if len(quadrants) < LEAST_QUADRANTS:
            raise ScaleNotFound(
                f"Only one side of the mat can be seen in {name}. Take the photo with the whole mat in the picture; "
                "a part may cover a third of its ring, not half."
            )


def _doubts(residual: float, fitted: Fitted, focal_known: bool) -> tuple[str, ...]:
    doubts = []
    if residual > DOUBTFUL_RESIDUAL_PX:
        doubts.append(
            f"The mat's edges fit a flat sheet only to {residual:.2f} px (RMS): it may be bent. "
            "Tape it down for better figures."
        )
    if not focal_known:
        doubts.append(
            "The file states no focal length; the camera's height is known from the mat's perspective alone. "
            "Tilt the phone by 5 to 15 degrees, or keep the original file."
        )
    return tuple(doubts)
