"""Learning a camera from several photos of the mat: the bundle, the profile's use and refining, its file and commands."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from holeinspect.cli import app
from holeinspect.errors import SetupError
from holeinspect.judge.camera import KnownCamera, camera_notes, known_camera
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.bundle import Bundle, Expected, MatView, adjust_together
from holeinspect.scale.camera import Camera
from holeinspect.scale.find import Scale, find_scale
from holeinspect.scale.learn import Learned, learn_camera, refine
from holeinspect.scale.mat import layout
from holeinspect.scale.profile import CameraKey, CameraProfile, camera_key, forget_profile, load_profiles, save_profile, turn_of
from holeinspect.scale.readings import DATA_VARIABLE, PrintScale
from holeinspect.scale.solve import Boundaries, FocalPrior, first_camera
from holeinspect.scale.targets import MatReference, find_target
from holeinspect.setup import Setup
from tests.drawn import drawn, printed
from tests.reference_data import MM_PER_INCH, ZHANG_K, ZHANG_VIEWS
from tests.sight import photo_of
from tests.simulator.draw import aimed, ring_corners
from tests.simulator.scene import Mat
from tests.simulator.view import Lens, View

SIZE_PX = (1200, 900)
LENS = Lens(f_px=907.0, size_px=SIZE_PX, principal_px=(604.5, 445.0))
MAT = Mat("a4", "black", (1.0, 1.0))
EXACT = PrintScale(1.0, 1.0, 1e-4, 1e-4, checked=True)
INK = printed(layout("a4").board().generateImage(tuple(80 * n for n in layout("a4").squares)), layout("a4").board_mm)


# The bundle against published figures


def test_bundle_of_zhangs_five_views_agrees_with_his_camera() -> None:
    """Zhang, PAMI 22 (2000) 1330, table: all five views give f 832.5 ± 1.41 (here with square pixels, his aspect is 1.00003),
    u0 304.0 ± 0.71, v0 206.6 ± 0.66, k1 -0.229 ± 0.006, k2 0.190 ± 0.037; his figures are three sigma."""
    size_px = (609, 414)  # cropped so that his principal point is the middle
    views = []
    for view in ZHANG_VIEWS:
        points_mm = MM_PER_INCH * view.points_inch * [1, -1]
        start = first_camera(points_mm, view.points_px, size_px, FocalPrior(850.0, 0.1))
        count = len(points_mm)
        seen = Boundaries(np.repeat(points_mm, 2, axis=0), np.repeat(view.points_px, 2, axis=0),
                          np.tile(np.eye(2), (count, 1)), np.full(2 * count, 0.25), np.zeros(2 * count))  # fmt: skip
        views.append(MatView(start, seen))
    bundle = adjust_together(views, Expected(size_px, 0.0, 0.1, 1e-9))
    u = np.sqrt(np.diag(bundle.covariance))
    assert bundle.lens[0] == pytest.approx(ZHANG_K[0, 0], rel=0, abs=3.0)
    assert bundle.lens[1:3] == pytest.approx(ZHANG_K[:2, 2], rel=0, abs=4.0)
    assert bundle.lens[3] == pytest.approx(-0.229, rel=0, abs=0.02)
    assert abs(bundle.lens[0] - ZHANG_K[0, 0]) < 2 * u[0] * bundle.lens[0]
    assert np.sqrt(2) * bundle.residual_px == pytest.approx(0.335, rel=0, abs=0.02)  # his RMS over both axes


RING_MM = layout("a4").ring_corners_mm()


def synthetic(rng: np.random.Generator, k3: float = 0.0, focus_mm: float = 0.0) -> tuple[Bundle, Array]:
    """A bundle of eight views of ring corners with noise of 0.05 px, and the true lens (f, pp x, pp y, k1, k2, p1, p2, k3)."""
    truth = np.array([2950.0, 2030.0, 1500.0, 0.03, -0.02, 2e-4, -1e-4, k3])
    views = []
    for number in range(8):
        azimuth, tilt = np.pi / 4 * number, np.radians(rng.uniform(10, 22))
        up = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
        distance = rng.uniform(260, 420)
        pose = aimed(up, distance, 90.0 * (number % 2), Lens(2950.0, (4032, 3024)), ring_corners(MAT))
        view = View(pose, Lens(2950.0, (4032, 3024)))
        focal = truth[0] * np.exp(focus_mm * (1 / pose.position_mm[2] - 1 / 330))
        x, y = truth[1:3] + rng.normal(0, 3, 2)
        camera = Camera(np.array([[focal, 0, x], [0, focal, y], [0, 0, 1]]), truth[3:], view.R, view.t)
        px = camera.project(np.column_stack([RING_MM, np.zeros(len(RING_MM))])) + 0.05 * rng.standard_normal(RING_MM.shape)
        seen = Boundaries(np.repeat(RING_MM, 2, axis=0), np.repeat(px, 2, axis=0), np.tile(np.eye(2), (len(px), 1)),
                          np.full(2 * len(px), 0.05), np.zeros(2 * len(px)))  # fmt: skip
        views.append(MatView(first_camera(RING_MM, px, (4032, 3024), FocalPrior(3000.0, 0.1)), seen))
    return adjust_together(views, Expected((4032, 3024), focus_mm, 2.0, 1e-4)), truth


def test_stated_uncertainty_of_a_learnt_lens_is_that_of_repeated_learning() -> None:
    """8 cameras: errors over u have RMS 1 within 3.4 standard deviations of it (25 % each)."""
    errors = []
    for seed in range(8):
        bundle, truth = synthetic(np.random.default_rng(seed))
        u = np.sqrt(np.diag(bundle.covariance))
        focal = np.log(bundle.lens[0] / truth[0])
        errors.append([focal / u[0], *((bundle.lens[1:7] - truth[1:7]) / u[1:7])])
    assert np.sqrt(np.mean(np.square(errors), axis=0)) == pytest.approx(np.ones(7), rel=0, abs=0.85)


def test_k3_is_kept_only_where_the_photos_show_it() -> None:
    without, _ = synthetic(np.random.default_rng(1))
    assert without.lens[7] == pytest.approx(0.0, rel=0, abs=1e-9)
    shown, _ = synthetic(np.random.default_rng(1), k3=0.05)
    assert shown.lens[7] == pytest.approx(0.05, rel=0, abs=4 * np.sqrt(shown.covariance[7, 7]))
    assert shown.covariance[7, 7] > 0


def test_breathing_of_the_focus_is_told_by_views_from_several_heights() -> None:
    bundle, _ = synthetic(np.random.default_rng(2), focus_mm=6.9)
    assert bundle.lens[8] == pytest.approx(6.9, rel=0, abs=4.0)  # of a prior of 2 mm


# Photos


def mat_view(number: int, lens: Lens = LENS) -> View:
    azimuth, tilt = np.pi / 3 * number, np.radians(16)
    up = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
    return View(aimed(up, 290.0 + 22 * (number % 4), 90.0 * (number % 2), lens, ring_corners(MAT)), lens)


@cache
def mat_luma(number: int) -> Array:
    return drawn(mat_view(number), INK)


def taken(number: int, **details: object) -> Photo:
    """Photo of the mat from one invented phone."""
    known = {"make": "Invented", "model": "Seven", "sha256": f"{number:064d}"}
    return replace(photo_of(mat_luma(number), f"view{number}.jpg", 26.0), **(known | details))


@cache
def learned() -> Learned:
    return learn_camera([taken(n) for n in range(6)], lambda page: EXACT)


def scale_of(photo: Photo, profile: CameraProfile | None = None, print_scale: PrintScale = EXACT) -> Scale:
    return find_scale(photo, MatReference(), find_target(photo.luma, MatReference(), photo.name), print_scale, profile)


def test_six_drawn_views_give_the_focal_length_within_a_thousandth() -> None:
    profile = learned().profile
    assert profile.lens[0] == pytest.approx(LENS.f_px, rel=0, abs=1.0)
    assert profile.lens[1:3] == pytest.approx(np.array(LENS.centre_px) - (np.array(SIZE_PX) - 1) / 2, rel=0, abs=3.0)
    assert profile.focal_u < 0.003
    assert profile.residual_px < 0.05
    assert profile.photos == 6


def test_what_is_missing_is_said_in_words() -> None:
    few = learn_camera([taken(n) for n in (0, 2, 0)], lambda page: EXACT).profile
    told = " ".join(few.missing)
    assert "the far side of the mat at the" in told
    assert "quarter turn" in told
    assert "more photos: 3 were used, 8 are good" in told
    assert len(learned().profile.missing) < len(few.missing)


def test_a_profile_narrows_focal_length_and_height_of_the_next_photo() -> None:
    photo = taken(7)
    alone, with_profile = scale_of(photo), scale_of(photo, learned().profile)
    assert with_profile.profile is not None
    assert with_profile.height_u_mm < 0.4 * alone.height_u_mm
    true_height = mat_view(7).pose.position_mm[2]
    assert abs(with_profile.camera.centre[2] - true_height) < 2 * with_profile.height_u_mm


TURNED = {6: cv2.ROTATE_90_CLOCKWISE, 3: cv2.ROTATE_180, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}


@pytest.mark.parametrize(("turn", "code"), TURNED.items())
def test_a_profile_holds_however_the_phone_was_held(turn: int, code: int) -> None:
    """The same picture, turned as the file asks: heights agree to a tenth of a millimetre."""
    plain = taken(7)
    upright = np.ascontiguousarray(cv2.rotate(plain.luma, code))
    size = (upright.shape[1], upright.shape[0])
    turned = replace(plain, luma=upright, size=size, orientation=turn, turn=turn)
    heights = [scale_of(photo, learned().profile).camera.centre[2] for photo in (plain, turned)]
    assert heights[0] == pytest.approx(heights[1], rel=0, abs=0.1)
    assert np.linalg.det(turn_of(turned)) == pytest.approx(1.0, rel=0, abs=1e-12)


def test_a_tall_picture_that_does_not_say_counts_as_a_phone_held_upright() -> None:
    tall = replace(taken(7), size=(900, 1200))
    assert (turn_of(tall) == turn_of(replace(tall, turn=6))).all()


def zoomed(photo: Photo) -> Photo:
    """A digital zoom of 1.25 that the file does not tell: the middle of the picture, enlarged."""
    height, width = photo.luma.shape
    x, y = (np.arange(n, dtype=np.float32) for n in (width, height))
    into = [((grid - n / 2) / 1.25 + n / 2).astype(np.float32) for grid, n in ((x, width), (y, height))]
    return replace(photo, luma=cv2.remap(photo.luma, *np.meshgrid(*into), cv2.INTER_CUBIC))


def test_a_digital_zoom_drops_the_profile_and_says_so(tmp_path: Path) -> None:
    view = View(aimed(np.array([0.35, 0.1, 0.93]), 420.0, 90.0, LENS, ring_corners(MAT)), LENS)
    photo = zoomed(replace(taken(7), luma=drawn(view, INK)))
    profile = learned().profile
    scale = scale_of(photo, profile)
    assert scale.profile is None
    (note,) = camera_notes(photo, scale, KnownCamera(profile), Setup(2.0, camera_folder=tmp_path))
    assert note.level == "doubt"
    assert "profile does not fit what the mat shows" in note.sentence
    assert "zoom 1" in note.advice


@pytest.mark.parametrize("details", [{"lens": "tele"}, {"focal35_mm": 52.0}, {"size": (2400, 1800)}])
def test_another_lens_zoom_or_size_is_another_camera_and_said_so(details: dict[str, object], tmp_path: Path) -> None:
    save_profile(learned().profile, tmp_path)
    known = known_camera(taken(7, **details), Setup(2.0, camera_folder=tmp_path))
    assert known.profile is None
    assert "another lens, picture size or a digital zoom" in known.unlike


def test_another_phone_is_not_mentioned(tmp_path: Path) -> None:
    save_profile(learned().profile, tmp_path)
    assert known_camera(taken(7, model="Eight"), Setup(2.0, camera_folder=tmp_path)) == KnownCamera()


# Refining


def test_a_clear_photo_refines_the_profile_once_and_says_so(tmp_path: Path) -> None:
    profile = replace(learned().profile, sums=())
    save_profile(profile, tmp_path)
    photo, setup = taken(8), Setup(2.0, camera_folder=tmp_path)
    said = []
    for _ in range(2):
        known = known_camera(photo, setup)
        (note,) = camera_notes(photo, scale_of(photo, known.profile), known, setup)
        said.append(note.sentence)
    (kept,) = load_profiles(tmp_path)
    assert "This photo refined it" in said[0]
    assert "refined" not in said[1]  # the same photo tells nothing new
    assert kept.photos == profile.photos + 1
    assert np.diag(kept.covariance)[3] < np.diag(profile.covariance)[3]
    assert kept.lens[0] == pytest.approx(LENS.f_px, rel=0, abs=2.0)


def test_refining_is_the_same_as_knowing_both_photos_lenses() -> None:
    """One parameter by hand: prior 1 ± 0.2 with scatter 0.1, one photo of known data ± 0.3. Normal equations."""
    prior, scatter, data = 0.2**2, 0.1**2, 0.3**2
    whole = prior + scatter
    posterior = 1 / (1 / whole + 1 / data)
    by_hand = 1 / (1 / prior + 1 / (scatter + data))
    gain = prior / whole
    assert prior - gain * (whole - posterior) * gain == pytest.approx(by_hand, rel=0, abs=1e-12)


@pytest.mark.parametrize("why", ["print unchecked", "known photo", "not flat"])
def test_nothing_is_refined_where_it_is_not_safe(why: str) -> None:
    photo = taken(8)
    scale = scale_of(photo, replace(learned().profile, sums=(photo.sha256,) if why == "known photo" else ()))
    if why == "print unchecked":
        scale = replace(scale, print_scale=replace(EXACT, checked=False))
    if why == "not flat":
        scale = replace(scale, residual_px=0.2)
    assert refine(photo, scale) is None


def test_use_and_ignore_leave_the_profile_alone(tmp_path: Path) -> None:
    profile = replace(learned().profile, sums=())
    save_profile(profile, tmp_path)
    photo = taken(8)
    use, ignore = (Setup(2.0, camera_folder=tmp_path, camera_profile=how) for how in ("use", "ignore"))
    assert known_camera(photo, ignore) == KnownCamera()
    camera_notes(photo, scale_of(photo, profile), known_camera(photo, use), use)
    assert load_profiles(tmp_path)[0].photos == profile.photos


# What is refused


def test_photos_of_two_cameras_are_refused() -> None:
    with pytest.raises(SetupError, match=r"come from 2 cameras .*Learn one camera at a time"):
        learn_camera([taken(0), taken(1, lens="tele")])


def test_a_file_that_names_no_camera_is_refused() -> None:
    with pytest.raises(SetupError, match=r"view0\.jpg does not say which camera took it"):
        learn_camera([taken(0, make=None, model=None)])


def test_too_few_photos_are_refused_and_those_left_out_named() -> None:
    blank = taken(1, luma=np.full((900, 1200), 0.5, np.float32), name="blank.jpg")
    with pytest.raises(SetupError, match=r"from 3 photos .* 1 can be used\. Left out: .*blank\.jpg"):
        learn_camera([taken(0), blank])


# The file


def test_a_profile_survives_its_file(tmp_path: Path) -> None:
    profile = learned().profile
    save_profile(profile, tmp_path)
    save_profile(profile, tmp_path)
    (kept,) = load_profiles(tmp_path)
    assert kept.key == profile.key == camera_key(taken(3))
    assert (kept.covariance == profile.covariance).all()
    assert (kept.lens == profile.lens).all()
    assert kept.missing == profile.missing
    assert forget_profile(profile.key, tmp_path)
    assert not forget_profile(profile.key, tmp_path)
    assert load_profiles(tmp_path) == []


@pytest.mark.parametrize("text", ["{}", "not json", '[{"version": 1}]', '[{"version": 1, "camera": {}}]'])
def test_a_spoilt_file_is_told_with_the_way_out(text: str, tmp_path: Path) -> None:
    (tmp_path / "cameras.json").write_text(text, encoding="utf-8")
    with pytest.raises(SetupError, match=r"cameras\.json cannot be read .*Remove the file and learn the cameras again"):
        load_profiles(tmp_path)


def test_a_camera_is_called_by_what_the_file_says() -> None:
    key = CameraKey("Invented", "Invented Seven", "wide", (4032, 3024), 26.0)
    assert key.called == "Invented Seven, wide, 4032 x 3024, 26 mm"


# The commands


def test_commands_show_and_forget_what_was_learnt(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    assert "No camera is known yet" in CliRunner().invoke(app, ["camera", "show"]).stdout
    save_profile(learned().profile)
    shown = CliRunner().invoke(app, ["camera", "show"]).stdout
    assert "1  Invented Seven, 1200 x 900, 26 mm: from 6 photos." in shown
    assert "Focal length 90" in shown
    assert "Missing:" in shown
    assert "Forgotten: Invented Seven" in CliRunner().invoke(app, ["camera", "forget", "1"]).stdout
    assert load_profiles(tmp_path) == []


@pytest.mark.parametrize(("words", "said"), [
    (["forget"], "Name one camera by its number"),
    (["forget", "1", "--all"], "Name one camera by its number"),
    (["forget", "3"], "There is no camera 3: 0 are known"),
    (["learn", "nowhere.jpg"], "There is no file nowhere.jpg"),
    (["learn", "nowhere.jpg", "--along", "240mm"], "Give both check-bar readings"),
])  # fmt: skip
def test_what_a_camera_command_cannot_do_is_told(
    words: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(DATA_VARIABLE, str(tmp_path))
    result = CliRunner().invoke(app, ["camera", *words])
    assert result.exit_code == 2
    assert said in " ".join(result.stderr.split())
