"""The photo judge: sharpness by the slanted edge, smears, light, view, and burnt out metal, each against something known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import erf

from holeinspect.inspection import Inspection, JudgeNote
from holeinspect.judge.photo import (
    BLUR_PX,
    BULGE_MM,
    NOISE_SHARE,
    PX_PER_MM,
    REASON_OF,
    SMEAR_PX,
    TILT_DEG,
    Limits,
    bulge_mm,
    judge_photo,
    photo_doubts,
)
from holeinspect.judge.rims import CLIPPED_CODE
from holeinspect.judge.sharpness import BIN_PX, GAUSS_MTF50, blur_ellipse, edge_sharpness, mtf, mtf50, spread_function
from holeinspect.measure.inspect import inspect
from holeinspect.measured import Array, Measured
from holeinspect.photo import Photo
from holeinspect.report import words
from holeinspect.rules import REASONS, Decision, HoleFigures, judge_hole
from holeinspect.samples import find_samples
from holeinspect.scale.find import Scale, find_scale
from holeinspect.scale.mat import layout
from holeinspect.scale.targets import MatReference, find_target
from holeinspect.scale.tone import PLAIN
from holeinspect.setup import Setup
from tests.drawn import drawn, printed
from tests.example_inspection import example
from tests.sight import photo_of
from tests.simulator.phone import PHONES
from tests.simulator.scene import Cutout, Hole, Levels, Mat, Part, Scene
from tests.simulator.shot import Shot, simulate
from tests.simulator.view import Lens, Pose, View

LENS = Lens(f_px=1650.0, size_px=(1760, 1320))
POSE = Pose((10, -40, 300), (0, 0, 0), 90.0)
INK = printed(layout("a4").board().generateImage(tuple(80 * n for n in layout("a4").squares)), layout("a4").board_mm)


# The slanted edge


def slanted_edge(sigma_px: float, tilt_deg: float = 5.0, noise: float = 0.0) -> tuple[Array, Array]:
    """Distances and light of the pixels round a straight edge: a Gaussian blur, integrated over each pixel's height and width
    in closed form along the normal (the pixel's aperture across a nearly upright edge is a box)."""
    y, x = np.mgrid[-40:41, -20:21].astype(float)
    turn = np.radians(tilt_deg)
    distance = x * np.cos(turn) + y * np.sin(turn)
    fine = (np.arange(9) - 4) / 9
    light = np.mean([0.5 * (1 + erf((distance + f) / (np.sqrt(2) * sigma_px))) for f in fine], axis=0)
    light += noise * np.random.default_rng(1).standard_normal(light.shape)
    return distance.ravel(), light.ravel()


def true_mtf50(sigma_px: float) -> float:
    """Where exp(-2π²s²f²)·sinc(f) is one half: a Gaussian and a pixel's aperture (metrology notes, ISO 12233)."""
    return float(brentq(lambda f: np.exp(-2 * (np.pi * sigma_px * f) ** 2) * np.sinc(f) - 0.5, 1e-3, 1.0))


@pytest.mark.parametrize("sigma_px", [0.5, 0.7, 1.0, 1.5, 2.0, 2.5])
@pytest.mark.parametrize("tilt_deg", [3.0, 5.0, 9.0])
def test_mtf50_of_a_blurred_edge_agrees_with_its_closed_form(sigma_px: float, tilt_deg: float) -> None:
    """Within 2 %: bins of a quarter pixel and the window."""
    spread = spread_function(*slanted_edge(sigma_px, tilt_deg), reach_px=9.0)
    true = true_mtf50(sigma_px)
    assert mtf50(spread) == pytest.approx(true, rel=0, abs=0.02 * true)


def test_the_whole_mtf_agrees_with_its_closed_form() -> None:
    frequency, contrast = mtf(spread_function(*slanted_edge(0.8), reach_px=9.0))
    low = frequency < 0.5
    true = np.exp(-2 * (np.pi * 0.8 * frequency[low]) ** 2) * np.sinc(frequency[low])
    assert contrast[low] == pytest.approx(true, rel=0, abs=0.01)


def test_a_pixel_wide_box_has_its_published_mtf50() -> None:
    """0.603 cycles per pixel (sinc, computed in the metrology notes)."""
    frequency, contrast = mtf(spread_function(*slanted_edge(0.05), reach_px=9.0))
    assert np.interp(-0.5, -contrast[frequency < 0.9], frequency[frequency < 0.9]) == pytest.approx(0.603, rel=0, abs=0.015)


def test_sigma_and_mtf50_of_a_gaussian_are_inverse() -> None:
    assert pytest.approx(0.1874, rel=0, abs=5e-5) == GAUSS_MTF50  # metrology notes, section 11


def test_noise_moves_mtf50_by_little() -> None:
    clean, noisy = (mtf50(spread_function(*slanted_edge(1.0, noise=noise), reach_px=9.0)) for noise in (0.0, 0.03))
    assert noisy == pytest.approx(clean, rel=0, abs=0.06 * clean)


@given(st.floats(0.6, 2.5), st.floats(1.05, 1.5))
@settings(max_examples=20, deadline=None)
def test_more_blur_never_looks_sharper(sigma_px: float, factor: float) -> None:
    sharp, soft = (mtf50(spread_function(*slanted_edge(s), reach_px=9.0)) for s in (sigma_px, sigma_px * factor))
    assert soft < sharp


# The mat's own edges and corners


@cache
def mat_luma(pose: Pose = POSE) -> Array:
    return drawn(View(pose, LENS), INK)


def as_light(luma: Array) -> Array:
    return np.where(luma <= 0.04045, luma / 12.92, ((luma + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1


def as_code(light: Array) -> Array:
    bright = np.maximum(light, 0.0031308)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * bright ** (1 / 2.4) - 0.055).astype(np.float32)


def seen(luma: Array, focal35_mm: float | None = LENS.focal35) -> tuple[Photo, Scale]:
    photo = photo_of(luma, focal35_mm=focal35_mm)
    return photo, find_scale(photo, MatReference(), find_target(luma, MatReference(), photo.name))


def notes_of(luma: Array, **setup: object) -> dict[str, JudgeNote]:
    photo, scale = seen(luma)
    return {note.name: note for note in judge_photo(photo, scale, Setup(2.0, **setup), [])}  # type: ignore[arg-type]


@pytest.mark.parametrize("added_px", [0.0, 0.7, 1.2])
def test_sharpness_of_a_drawn_mat_is_the_blur_it_was_drawn_with(added_px: float) -> None:
    """Drawn with 0.8 px and a pixel's aperture; added in linear light. Within 5 %; the tone is known here, not fitted."""
    light = as_light(mat_luma())
    luma = as_code(cv2.GaussianBlur(light, (0, 0), added_px)) if added_px else mat_luma()
    photo, scale = seen(luma)
    sigma = [edge.sigma_px for edge in edge_sharpness(photo.luma, replace(scale, tone=PLAIN))]
    true = GAUSS_MTF50 / true_mtf50(float(np.hypot(0.8, added_px)))
    assert len(sigma) == 8
    assert np.mean(sigma) == pytest.approx(true, rel=0, abs=0.05 * true)


def smeared(luma: Array, length_px: int, slope: tuple[int, int]) -> Array:
    """Even motion along a direction of the pixel grid: the mean of pictures shifted step by step, in linear light."""
    light = as_light(luma)
    shifts = range(length_px)
    return as_code(np.mean([np.roll(light, (k * slope[1], k * slope[0]), (0, 1)) for k in shifts], axis=0))


@pytest.mark.parametrize(("slope", "way"), [
    ((1, 0), "sideways"), ((0, 1), "up and down"), ((1, 1), "from upper left to lower right"),
    ((1, -1), "from lower left to upper right"),
])  # fmt: skip
def test_a_smear_is_told_with_its_length_and_direction(slope: tuple[int, int], way: str) -> None:
    """Diagonal ones too, which the print's edges, all of two directions, cannot show."""
    steps = 4
    length = steps * float(np.hypot(*slope))
    note = notes_of(smeared(mat_luma(), steps, slope))["motion"]
    assert note.level != "fine"
    assert note.figure == pytest.approx(length, rel=0, abs=0.2 * length)
    assert way in note.sentence
    assert "the phone moved" in note.advice


def test_a_smear_that_spoils_all_edges_of_one_way_is_not_trusted() -> None:
    """The scale would rest on the other edges alone and slide along them."""
    note = notes_of(smeared(mat_luma(), 6, (0, 1)))["motion"]
    assert note.level == "measure by hand"


def test_a_still_photo_shows_no_smear() -> None:
    note = notes_of(mat_luma())["motion"]
    assert note.level == "fine"
    assert note.figure is not None
    assert note.figure < 1.0


def test_defocus_is_no_smear() -> None:
    ellipse = blur_ellipse(*reversed_pair(as_code(cv2.GaussianBlur(as_light(mat_luma()), (0, 0), 2.0))))
    assert ellipse is not None
    small, large = np.linalg.eigvalsh(ellipse)
    assert np.sqrt([small, large]) == pytest.approx([np.hypot(2.0, 0.85)] * 2, rel=0, abs=0.25)


def reversed_pair(luma: Array) -> tuple[Array, Scale]:
    photo, scale = seen(luma)
    return photo.luma, scale


def test_a_good_photo_is_fine_in_all_but_resolution() -> None:
    found = notes_of(mat_luma())
    assert {name for name, note in found.items() if note.level != "fine"} == {"resolution"}  # 5.4 px/mm
    assert found["resolution"].figure == pytest.approx(5.45, rel=0, abs=0.1)
    assert photo_doubts(tuple(found.values())) == ()


def test_resolution_is_held_against_the_wanted_u() -> None:
    """U = 4 u(edge)/g: 0.08 px of light leave 0.059 mm at 5.4 px/mm."""
    note = notes_of(mat_luma(), wanted_u="0.02mm")["resolution"]
    assert "0.06 mm, and 0.02 mm is wanted" in note.sentence


def test_a_dark_photo_is_told() -> None:
    dark = notes_of(as_code(0.05 * as_light(mat_luma())))["light"]
    assert dark.level == "doubt"
    assert "more light" in dark.advice


def test_reflections_over_the_sheet_are_told() -> None:
    washed = notes_of(as_code(0.5 * as_light(mat_luma()) + 0.35))["light"]
    assert washed.level != "fine"
    assert "mirrored" in washed.advice


def test_noise_is_measured_on_the_paper() -> None:
    rng = np.random.default_rng(1)
    noisy = as_code(np.clip(as_light(mat_luma()) + 0.05 * rng.standard_normal(mat_luma().shape), 0, 1))
    note = notes_of(noisy)["noise"]
    assert note.figure == pytest.approx(100 * 0.05 / 0.76, rel=0, abs=2.0)  # per cent of the contrast 0.80 - 0.04


def test_a_missing_focal_length_is_told_with_what_it_costs() -> None:
    photo, scale = seen(mat_luma(), focal35_mm=None)
    (note,) = [n for n in judge_photo(photo, scale, Setup(6.0), []) if n.name == "focal length"]
    assert note.level == "doubt"
    assert "states no focal length" in note.sentence
    assert "100 mm on the part's face are uncertain by" in note.sentence


def test_a_digital_zoom_is_told() -> None:
    photo, scale = seen(mat_luma())
    (note,) = [n for n in judge_photo(replace(photo, zoom=2.0), scale, Setup(2.0), []) if n.name == "zoom"]
    assert "digital zoom of 2.0" in note.sentence


def test_a_steep_view_is_told_and_past_the_limit_not_trusted() -> None:
    steep = Pose((0.0, -250.0, 250.0), (0, 0, 0), 90.0)
    found = notes_of(mat_luma(steep))
    assert found["view"].figure == pytest.approx(45.0, rel=0, abs=2.0)
    assert "steep view" in photo_doubts(tuple(found.values()))


def lifted(height_mm: float) -> Array:
    """The mat bent into a ridge along its length, as the camera sees it: each point moves out from the nadir by h·d/H."""
    view = View(POSE, LENS)
    height, width = LENS.size_px[1], LENS.size_px[0]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    flat = view.to_plane(np.column_stack([x.ravel(), y.ravel()]).astype(float), 0.0)
    raised = height_mm * np.cos(2 * np.pi * flat[:, 0] / 140.0)
    nadir, above = np.array(POSE.position_mm[:2]), POSE.position_mm[2]
    # What is seen at a flat point is the print a little nearer to the nadir.
    source = flat - (flat - nadir) * (raised / above)[:, None]
    px = view.project(np.column_stack([source, np.zeros(len(source))])).reshape(height, width, 2).astype(np.float32)
    return cv2.remap(mat_luma(), px[..., 0], px[..., 1], cv2.INTER_CUBIC)


def test_a_sheet_that_does_not_lie_flat_is_told_by_its_height() -> None:
    """A ridge of 0.6 mm (RMS 0.42 mm); the fit takes up a part of it, so less is told, but not a third."""
    flat, bent = (bulge_mm(seen(luma)[1]) for luma in (mat_luma(), lifted(0.6)))
    assert flat is not None
    assert bent is not None
    assert flat < 0.05
    assert 0.14 < bent < 0.6


@pytest.mark.parametrize("limits", [BLUR_PX, SMEAR_PX, TILT_DEG, PX_PER_MM, BULGE_MM, NOISE_SHARE])
def test_limits_turn_from_fine_to_doubt_to_by_hand(limits: Limits) -> None:
    sign = -1 if limits.falling else 1
    assert limits.level(limits.doubt - sign * 1e-6) == "fine"
    assert limits.level((limits.doubt + limits.by_hand) / 2) == "doubt"
    assert limits.level(limits.by_hand + sign * 1e-6) == "measure by hand"
    assert limits.level(float("nan")) == "measure by hand"


def test_every_grave_check_has_a_reason_that_unsettles() -> None:
    for name in REASON_OF.values():
        assert REASONS[name].unsettling
        assert REASONS[name].blocking


def test_a_photo_not_to_be_trusted_leaves_faults_open_with_their_reading() -> None:
    short = HoleFigures(name="H1", diameter=Measured(3.26, 0.005), edge_distance=Measured(4.0, 0.02))
    assert judge_hole(short).decision is Decision.REWORK
    verdict = judge_hole(replace(short, doubts=("soft photo",)))
    assert verdict.decision is Decision.MEASURE_BY_HAND
    assert any("measure the edge distance of H1 with a calliper" in reading for reading in verdict.readings)


# Burnt out metal


PLATE_ROWS = ((-40.0, -25.0, 3.0), (40.0, -25.0, 3.0), (40.0, 25.0, 3.0), (-40.0, 25.0, 3.0))
PLATE = Part(2.0, PLATE_ROWS, (Hole((-20.0, 0.0), 6.0), Hole((20.0, 0.0), 6.0)), levels=Levels(face=0.45))
PLATE_LENS = Lens(f_px=2000.0, size_px=(2000, 1500))
PLATE_SHOT = Shot(Scene(Mat(), (PLATE,)), Pose((10, -35, 285), (0, 0, 0), 90.0), PLATE_LENS)


@cache
def plate_light() -> Array:
    return simulate(PLATE_SHOT).light


@cache
def inspected(glare_at_mm: tuple[float, float] | None) -> Inspection:
    """The plate, with glare of four times white over 12 mm round a point of its face."""
    light = plate_light()
    if glare_at_mm is not None:
        x, y = PLATE_SHOT.view.project(np.array([[*glare_at_mm, 2.0]]))[0]
        column, row = np.meshgrid(np.arange(light.shape[1]), np.arange(light.shape[0]))
        near = np.hypot(column - x, row - y) < 6.0 * PLATE_SHOT.view.px_per_mm()
        light = np.where(near & (light > 0.3), 4.0, light).astype(np.float32)
    phone = PHONES["plain"]
    rgb = phone.develop(phone.expose(light, np.random.default_rng(1)))
    photo = photo_of(rgb.mean(axis=2) / 255, "plate.png", 26.0)
    photo = replace(photo, colour_half=rgb[::2, ::2].copy())
    return inspect(photo, Setup(2.0, along=240.0, across=170.0, camera_profile="ignore"))


def test_without_glare_nothing_is_burnt_out() -> None:
    assert not [note for note in inspected(None).photo.judged if "burnt" in note.name or note.name == "glare"]


@pytest.mark.parametrize("beside_mm", [(-26.0, 0.0), (-20.0, 5.0)])
def test_glare_on_a_rim_names_the_hole_and_the_way_the_lamp_has_to_go(beside_mm: tuple[float, float]) -> None:
    """The lamp has to go the way from the hole to the glare: its mirror image in a level face goes as it goes."""
    glare_px, hole_px = PLATE_SHOT.view.project(np.array([[*beside_mm, 2.0], [-20.0, 0.0, 2.0]]))
    x, y = glare_px - hole_px
    sideways = "to the right" if x > 0 else "to the left"
    upright = "towards the lower border of the picture" if y > 0 else "towards the upper border of the picture"
    way = sideways if abs(x) > abs(y) else upright
    result = inspected(beside_mm)
    notes = [note for note in result.photo.judged if note.name == "burnt out rim"]
    (hole,) = [hole for hole in result.parts[0].holes if abs(hole.centre_mm[0] + 20) < 1]
    (other,) = [hole for hole in result.parts[0].holes if abs(hole.centre_mm[0] - 20) < 1]
    assert [note.holes for note in notes] == [(hole.name,)]
    assert notes[0].advice == f"Move the lamp {way}: the rim of {hole.name} is burnt out."
    assert hole.verdict == "measure by hand"
    assert "burnt out" in {reason.name for reason in hole.reasons}
    assert "burnt out" not in {reason.name for reason in other.reasons}


def test_glare_between_the_holes_is_told_and_condemns_none() -> None:
    result = inspected((0.0, 0.0))
    assert [note.level for note in result.photo.judged if note.name == "glare"] == ["doubt"]
    assert all("burnt out" not in {reason.name for reason in hole.reasons} for hole in result.parts[0].holes)


def test_an_edge_distance_to_a_small_opening_that_is_no_round_hole_is_left_to_the_hand() -> None:
    square = Cutout(((-9.0, -3.0, 0.0), (-3.0, -3.0, 0.0), (-3.0, 3.0, 0.0), (-9.0, 3.0, 0.0)))
    taken = replace(PLATE_SHOT, scene=Scene(Mat(), (replace(PLATE, cutouts=(square,)),)))
    result = inspect(simulate(taken).jpeg, Setup(2.0, along=240.0, across=170.0, camera_profile="ignore"))
    near, far = sorted(result.parts[0].holes, key=lambda hole: hole.edge_distance.value if hole.edge_distance else 0.0)
    assert near.edge_point is not None
    assert near.edge_point.edge == "cutout"
    assert near.verdict == "measure by hand"
    assert "odd opening" in {note.name for note in near.reasons}
    assert "odd opening" not in {note.name for note in far.reasons}


def test_the_table_tells_doubts_first_and_the_rest_in_one_line() -> None:
    notes = (
        JudgeNote(name="burnt out rim", level="measure by hand", figure=60.0, unit="%", sentence="The rim of H3 is burnt out.",
                  advice="Move the lamp to the left: the rim of H3 is burnt out.", holes=("H3",)),
        JudgeNote(name="sharpness", level="fine", figure=0.934, unit="px", sentence="Edges are 0.9 px soft."),
    )  # fmt: skip
    result = example()
    lines = list(words.judged(result.model_copy(update={"photo": result.photo.model_copy(update={"judged": notes})})))
    assert lines == ["burnt out rim: The rim of H3 is burnt out. Measure by hand what concerns it. "
                     "Move the lamp to the left: the rim of H3 is burnt out.", "fine: sharpness 0.934 px"]  # fmt: skip


def test_clipping_begins_below_white() -> None:
    """JPEG scatters white by a few code values: 250 of 255 still counts as burnt out."""
    assert 249 / 255 < CLIPPED_CODE <= 250 / 255
    assert BIN_PX == 0.25


def test_a_place_in_burnt_out_metal_is_decided_no_more_than_its_hole() -> None:
    """The burrs of the sample's H1 lie in glare; stubs and nicks of its edges, in good light, stay decided."""
    sample = next(sample for sample in find_samples() if sample.name.startswith("hm106"))
    result = inspect(sample.photo, sample.setup)
    burnt_out = {hole.name for hole in result.parts[0].holes for reason in hole.reasons if reason.name == "burnt out"}
    assert burnt_out
    places = [place for place in result.findings if place.subject in burnt_out]
    assert places
    assert not any(place.decided for place in places)
    assert {place.kind for place in result.findings if place.decided} == {"tab stub", "nick"}
