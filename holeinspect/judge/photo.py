"""The judge of a whole photo: each check is a figure, the limits it is held against, a sentence and advice.

Limits come from the graded series of benchmarks/judge.py (docs/judge.md): "measure by hand" begins where errors began to come
near U, with room. Where a figure only makes U larger, as resolution does, the doubt says so and U holds it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from holeinspect.inspection import JudgeNote
from holeinspect.judge.sharpness import EdgeSharpness, blur_ellipse, edge_sharpness
from holeinspect.measure.budget import LIGHT_U_PX
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.find import Scale
from holeinspect.setup import Setup
from holeinspect.units import to_mm

LevelWord: TypeAlias = Literal["fine", "doubt", "measure by hand"]
LEVELS: tuple[LevelWord, ...] = ("fine", "doubt", "measure by hand")

REASON_OF: Mapping[str, str] = {
    "sharpness": "soft photo",
    "motion": "soft photo",
    "view": "steep view",
    "resolution": "coarse photo",
    "flatness": "mat not flat",
    "light": "poor light",
    "noise": "poor light",
    "zoom": "coarse photo",
}
"""The reason (rules.REASONS) that a check gives to every hole where its level is "measure by hand"."""

EDGES_PER_U = 4.0
"""Resolution needed for a wished U: 4·u of an edge (px) over U (algorithms: photo gate)."""
LEAST_TILT_DEG, TILT_MATTERS_MM = 3.0, 2.0
"""Under this tilt the height of a part thicker than this rests on the focal length known beforehand."""
CELLS = 4
"""Cells along each side of the mat in which the residuals' means are looked at."""
LEAST_IN_CELL = 6
DIGITAL_ZOOM = 1.05
LEAST_DIRECTION_SHARE = 0.4
"""Share of use between the two directions of the print's edges under which one of them is taken for smeared (ours)."""
FOCAL_CONTRADICTION = 3.0
"""Standard uncertainties between the file's focal length and the one found from which it is told."""
SMEAR_OF_SPREAD = 2.80
"""Length of an even motion over the standard deviation that adaptive moments give it: twice 1.40, the half-width in standard
deviations at which a cut normal distribution has half the variance."""
COMPASS = ("sideways", "from upper left to lower right", "up and down", "from lower left to upper right")
"""A smear's direction in the picture by its angle in eighths of a turn, y down."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Where a figure becomes a doubt and where nothing is trusted any more; falling: small figures are the bad ones."""

    doubt: float
    by_hand: float
    falling: bool = False

    def level(self, figure: float) -> LevelWord:
        """What the figure comes to; one that is no number is never fine."""
        sign = -1.0 if self.falling else 1.0
        if not sign * figure < sign * self.by_hand:
            return "measure by hand"
        return "fine" if sign * figure < sign * self.doubt else "doubt"


BLUR_PX = Limits(1.4, 1.65)
"""Up to 1.3 px no error left U, at 1.75 px one figure in twelve did."""
SMEAR_PX = Limits(2.0, 4.0)
"""At 3 px no error left U; at 5 px nearly all did, the scale itself being drawn along."""
TILT_DEG = Limits(25.0, 38.0)
VIEW_DEG = Limits(35.0, 48.0)
"""Angle between the mat's normal and the farthest ray to the part."""
PX_PER_MM = Limits(8.0, 4.0, falling=True)
BULGE_MM = Limits(0.5, 1.5)
PAPER_LIGHT = Limits(0.15, 0.02, falling=True)
"""Light of the mat's paper over the brightest that the file can hold."""
BLACK_SHARE = Limits(0.30, 0.60)
"""Light of the mat's black over its paper's: haze and reflections wash it out."""
NOISE_SHARE = Limits(0.06, 0.15)
"""Standard deviation of a pixel of plain paper over the contrast of the print."""
PAPER_CLIPPED_CODE = 0.985


@dataclass(frozen=True, slots=True)
class Checked:
    """What the checks look at."""

    photo: Photo
    scale: Scale
    setup: Setup
    parts_px: Sequence[Array]
    """Rough outlines of the parts, (N, 2) px each."""
    edges: tuple[EdgeSharpness, ...]
    ellipse_px2: Array | None


def judge_photo(photo: Photo, scale: Scale, setup: Setup, parts_px: Sequence[Array]) -> tuple[JudgeNote, ...]:
    """All that is to be said of the whole photo. parts_px: rough outlines of the parts, (N, 2) px each."""
    checked = Checked(photo, scale, setup, parts_px, edge_sharpness(photo.luma, scale), blur_ellipse(photo.luma, scale))
    return tuple(note for check in CHECKS for note in check(checked))


def photo_doubts(notes: Sequence[JudgeNote]) -> tuple[str, ...]:
    """Names of the reasons that these notes give to every hole."""
    grave = (REASON_OF.get(note.name) for note in notes if note.level == "measure by hand" and not note.holes)
    return tuple(dict.fromkeys(name for name in grave if name))


def _sharpness(checked: Checked) -> Iterator[JudgeNote]:
    sigmas = [edge.sigma_px for edge in checked.edges] or [checked.scale.tone.sigma_at(np.zeros(2))]
    mtf50 = [edge.mtf50 for edge in checked.edges]
    worst, g = max(sigmas), _px_per_mm(checked)
    told = f"MTF50 {min(mtf50):.2f} to {max(mtf50):.2f} cycles per pixel (ISO 12233); " if mtf50 else ""
    yield JudgeNote(
        name="sharpness", level=BLUR_PX.level(worst), figure=round(worst, 3), unit="px", limit=BLUR_PX.by_hand,
        sentence=f"Edges of the print are {worst:.1f} px soft ({worst / g:.2f} mm; {told}standard deviation of the blur).",
        advice=_unless_fine(BLUR_PX.level(worst), "Wipe the lens, tap on the part to focus, keep 25 cm away and hold still."),
    )  # fmt: skip


def _motion(checked: Checked) -> Iterator[JudgeNote]:
    if checked.scale.target.layout is None:
        return
    share = _lesser_direction(checked.scale)
    if checked.ellipse_px2 is None or share < LEAST_DIRECTION_SHARE:
        yield JudgeNote(
            name="motion", level="measure by hand", figure=round(share, 2), unit="1", limit=LEAST_DIRECTION_SHARE,
            sentence=f"Edges of the print that run one way are seen {share:.0%} as often as those across: smeared, or covered.",
            advice=STEADY,
        )  # fmt: skip
        return
    values, vectors = np.linalg.eigh(checked.ellipse_px2)
    length = SMEAR_OF_SPREAD * float(np.sqrt(max(values[1] - values[0], 0.0)))
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))) % 180
    level = SMEAR_PX.level(length)
    way = COMPASS[round(angle / 45) % 4]
    said = f"The photo is smeared {way} by {length:.1f} px" if level != "fine" else f"No motion to speak of ({length:.1f} px)"
    yield JudgeNote(
        name="motion", level=level, figure=round(length, 2), unit="px", limit=SMEAR_PX.by_hand,
        sentence=f"{said}, as the corners of the print show it.", advice=_unless_fine(level, STEADY),
    )  # fmt: skip


STEADY = "Rest the phone on something, use the timer, or bring more light: the phone moved."


def _lesser_direction(scale: Scale) -> float:
    """How often edges that run one way of the print were used, over those that run the other way: 1 for alike, 0 for none.

    A smear along one direction spoils only the edges across it; the scale would then rest on the others alone.
    """
    if scale.fitted is None:
        return 1.0
    upright = np.abs(scale.target.sides.to_black[:, 0]) > np.abs(scale.target.sides.to_black[:, 1])
    sides, used = scale.fitted.seen.side, np.zeros(len(scale.fitted.seen.side))
    used[scale.fitted.rows] = 1
    shares = [float(used[upright[sides] == way].mean()) for way in (True, False)]
    return min(shares) / max(*shares, 1e-9)


def _tilt(checked: Checked) -> Iterator[JudgeNote]:
    tilt = checked.scale.tilt_deg
    steepest = max([tilt, *(_steepest_deg(checked.scale, outline) for outline in checked.parts_px)])
    level = _graver(TILT_DEG.level(tilt), VIEW_DEG.level(steepest))
    flat = tilt < LEAST_TILT_DEG and checked.setup.thickness_mm >= TILT_MATTERS_MM and checked.scale.profile is None
    advice = "Hold the phone over the middle of the part and no more than 15 degrees off level; step back rather than lean over."
    if level == "fine":
        advice = "Tilt the phone by 5 to 15 degrees: that tells its height from its lens." if flat else ""
    yield JudgeNote(
        name="view", level=level, figure=round(steepest, 1), unit="deg", limit=VIEW_DEG.by_hand,
        sentence=f"The phone was tilted by {tilt:.0f} degrees and sees the part at up to {steepest:.0f} degrees from upright.",
        advice=advice,
    )  # fmt: skip


def _steepest_deg(scale: Scale, outline_px: Array) -> float:
    """Greatest angle between the mat's normal and the rays to an outline."""
    rays = scale.camera.rays(outline_px)
    return float(np.degrees(np.arccos(np.abs(rays[:, 2]) / np.linalg.norm(rays, axis=1))).max())


def _graver(*levels: LevelWord) -> LevelWord:
    return max(levels, key=LEVELS.index)


def _resolution(checked: Checked) -> Iterator[JudgeNote]:
    g, wanted = _px_per_mm(checked), to_mm(checked.setup.wanted_u)
    needed = EDGES_PER_U * LIGHT_U_PX / wanted
    level = _graver(PX_PER_MM.level(g), "doubt" if g < needed else "fine")
    reachable = EDGES_PER_U * LIGHT_U_PX / g
    yield JudgeNote(
        name="resolution", level=level, figure=round(g, 2), unit="px/mm", limit=PX_PER_MM.by_hand,
        sentence=f"{g:.1f} px per mm on the part: the light alone makes U of a diameter {reachable:.2f} mm, and {wanted:.2f} mm "
                 "is wanted.",
        advice=_unless_fine(level, "Come nearer until the mat fills the picture, or use a smaller mat or the full picture size."),
    )  # fmt: skip


def _px_per_mm(checked: Checked) -> float:
    """Least resolution at the middle of the parts; of the mat's middle where there is none."""
    middles = [checked.scale.camera.to_plane(part.mean(axis=0)[None], 0.0)[0] for part in checked.parts_px]
    return min((checked.scale.px_per_mm(middle) for middle in middles), default=checked.scale.px_per_mm(np.zeros(2)))


def _focal_length(checked: Checked) -> Iterator[JudgeNote]:
    scale, prior = checked.scale, checked.photo.focal_prior_px
    share = 100 * float(np.sqrt(scale.covariance[0, 0]))
    height, thickness = float(scale.camera.centre[2]), checked.setup.face_height_mm
    # A length at height t over the mat errs by t/H of the height's relative error.
    per_100 = 100 * thickness / height * scale.height_u_mm / height
    effect = f"100 mm on the part's face are uncertain by {per_100:.3f} mm (u) from that"
    if scale.profile is None and prior is None:
        yield JudgeNote(name="focal length", level="doubt", figure=round(share, 2), unit="%",
                        sentence=f"The file states no focal length; the mat tells it to {share:.1f} % (u): {effect}.",
                        advice="Keep the original file, or tilt the phone by 5 to 15 degrees.")  # fmt: skip
        return
    off = float(np.log(scale.camera.K[0, 0] / prior[0])) if prior else 0.0
    if prior and scale.profile is None and abs(off) > FOCAL_CONTRADICTION * prior[1]:
        yield JudgeNote(name="focal length", level="doubt", figure=round(100 * off, 1), unit="%",
                        sentence=f"The mat shows a lens {abs(100 * off):.0f} % {'longer' if off > 0 else 'shorter'} than stated "
                                 f"in the file: cropped, zoomed or edited; {effect}.",
                        advice="Use the photo as the phone wrote it, at zoom 1.")  # fmt: skip
        return
    yield JudgeNote(name="focal length", level="fine", figure=round(share, 2), unit="%",
                    sentence=f"The focal length is known to {share:.1f} % (u): {effect}.")  # fmt: skip


def _zoom(checked: Checked) -> Iterator[JudgeNote]:
    zoom = checked.photo.zoom or 1.0
    if zoom > DIGITAL_ZOOM:
        yield JudgeNote(name="zoom", level="doubt", figure=round(zoom, 2), unit="1",
                        sentence=f"A digital zoom of {zoom:.1f} enlarged the picture: it holds no more detail for that.",
                        advice="Set the zoom back to 1 and come nearer.")  # fmt: skip


def _flatness(checked: Checked) -> Iterator[JudgeNote]:
    bulge = bulge_mm(checked.scale)
    if bulge is None:
        return
    level = BULGE_MM.level(bulge)
    yield JudgeNote(
        name="flatness", level=level, figure=round(bulge, 3), unit="mm", limit=BULGE_MM.by_hand,
        sentence=f"The ring of the mat departs from a plane by about {bulge:.1f} mm, as its edges show it "
                 f"(they fit to {checked.scale.residual_px:.2f} px).",
        advice=_unless_fine(level, "Tape the mat to a board or a sheet of glass."),
    )  # fmt: skip


def bulge_mm(scale: Scale) -> float | None:
    """Height by which the reference seems to leave its plane, mm: RMS of what neighbouring boundaries have in common.

    A point lifted by h at the distance d from the nadir moves outward by h·d/H. Lens and pose take up a part of it, and
    the window is not seen: this is a lower bound. None where the reference is too small to tell.
    """
    if scale.fitted is None:
        return None
    fitted, centre = scale.fitted, scale.camera.centre
    places, left = fitted.seen.points_mm[fitted.rows], fitted.adjusted.residuals_px
    from_nadir = places - centre[:2]
    distance = np.linalg.norm(from_nadir, axis=1)
    jacobian = scale.camera.px_per_mm(np.column_stack([places, np.zeros(len(places))]))
    outward_px = np.einsum("nij,nj->ni", jacobian, from_nadir / distance[:, None])
    # Residual per mm of height along the observed normal.
    slope = (outward_px * fitted.seen.normals_px[fitted.rows]).sum(axis=1) * distance / centre[2]
    low, high = places.min(axis=0), places.max(axis=0)
    cell = np.clip(((places - low) / np.maximum(high - low, 1e-9) * CELLS).astype(int), 0, CELLS - 1) @ [CELLS, 1]
    heights, variances = [], []
    for number in np.unique(cell):
        inside = cell == number
        weight = float((slope[inside] ** 2).sum())
        if inside.sum() >= LEAST_IN_CELL and weight > 0:
            heights.append(float((slope[inside] * left[inside]).sum() / weight))
            variances.append(float(np.var(left[inside])) / weight)
    if len(heights) < CELLS:
        return None
    return float(np.sqrt(max(float(np.mean(np.square(heights))) - float(np.mean(variances)), 0.0)))


def _light(checked: Checked) -> Iterator[JudgeNote]:
    if checked.scale.fitted is None:
        return
    fitted, tone = checked.scale.fitted, checked.scale.tone
    profiles = fitted.seen.profiles[fitted.rows]
    code, black = float(np.median(profiles[:, :3])), float(np.median(profiles[:, -3:]))
    paper, dark = (float(tone.light(np.array(value))) for value in (code, black))
    share = dark / max(paper, 1e-6)
    level = _graver(PAPER_LIGHT.level(paper), BLACK_SHARE.level(share))
    advice = "Bring more light, even and from the side." if PAPER_LIGHT.level(paper) != "fine" else (
        "Turn the mat or move the lamp: something bright is mirrored in the whole sheet." if level != "fine" else "")  # fmt: skip
    if level == "fine" and code > PAPER_CLIPPED_CODE:
        level, advice = "doubt", "Expose less: tap on the paper before taking the photo."
    yield JudgeNote(
        name="light", level=level, figure=round(paper, 3), unit="1", limit=PAPER_LIGHT.by_hand,
        sentence=f"The mat's paper has {paper:.0%} of the brightest light that the file holds, its black {share:.0%} of that.",
        advice=advice,
    )  # fmt: skip


def _noise(checked: Checked) -> Iterator[JudgeNote]:
    if not checked.edges:
        return
    share = float(np.median([edge.noise for edge in checked.edges]))
    level = NOISE_SHARE.level(share)
    yield JudgeNote(
        name="noise", level=level, figure=round(100 * share, 2), unit="%", limit=100 * NOISE_SHARE.by_hand,
        sentence=f"A pixel of plain paper scatters by {share:.1%} of the print's contrast.",
        advice=_unless_fine(level, "Bring more light, and rest the phone on something: the photo is dark and noisy."),
    )  # fmt: skip


def _unless_fine(level: LevelWord, advice: str) -> str:
    return "" if level == "fine" else advice


CHECKS: tuple[Callable[[Checked], Iterator[JudgeNote]], ...] = (
    _sharpness, _motion, _tilt, _resolution, _focal_length, _zoom, _flatness, _light, _noise,
)  # fmt: skip
