"""`holeinspect camera`: learn a phone's camera from photos of the mat, show what is known, forget it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holeinspect.errors import SetupError
from holeinspect.units import to_mm

if TYPE_CHECKING:
    from collections.abc import Callable

    from holeinspect.photo import Photo
    from holeinspect.scale.learn import Learned
    from holeinspect.scale.profile import CameraProfile
    from holeinspect.scale.readings import PrintScale

PER_CENT = 100.0

camera_app = typer.Typer(
    no_args_is_help=True,
    help="Learn a phone's camera from several photos of the mat, show what is known, or forget it.",
)

Photos = Annotated[
    list[Path], typer.Argument(metavar="PHOTOS", help="Photos of the whole mat from one phone, each tilted another way.")
]
Along = Annotated[str | None, typer.Option("--along", help="The mat's check bar along the page.", metavar="LENGTH")]
Across = Annotated[str | None, typer.Option("--across", help="The check bar across the page.", metavar="LENGTH")]


@camera_app.command()
def learn(photos: Photos, along: Along = None, across: Across = None) -> None:
    """Learn lens and distortion from photos of one mat, eight or so, and keep them for later inspections of this phone.

    Turn the mat, come nearer and go farther, and tilt the phone by 10 to 20 degrees each way; no part is needed.
    """
    from rich.progress import Progress

    from holeinspect.photo import open_photo
    from holeinspect.report.table import console_for_output
    from holeinspect.scale.learn import learn_camera
    from holeinspect.scale.profile import profiles_file, save_profile

    scales = _print_scales(along, across)
    console = console_for_output()
    with Progress(console=console, transient=True) as progress:
        task = progress.add_task("Learning", total=len(photos))

        def done(_photo: Photo) -> None:
            progress.advance(task)

        learned = learn_camera(map(open_photo, photos), scales, done)
    save_profile(learned.profile)
    for line in learned_lines(learned):
        typer.echo(line)
    typer.echo(f"Kept in {profiles_file()}; later inspections of this camera use it.")


def learned_lines(learned: Learned) -> list[str]:
    """How good the profile is, what was left out, and what is missing."""
    return [*profile_lines(learned.profile), *learned.left_out]


def profile_lines(profile: CameraProfile) -> list[str]:
    """What is known of one camera, in sentences."""
    u_px = profile.lens[0] * profile.focal_u
    refined = f", {profile.refined} of them inspections that refined it" if profile.refined else ""
    k1, k2, p1, p2, k3 = profile.lens[3:8]
    lines = [
        f"{profile.key.called}: from {profile.photos} photos{refined}.",
        f"  Focal length {profile.lens[0]:.1f} ± {2 * u_px:.1f} px (k = 2; u = {PER_CENT * profile.focal_u:.2f} %) "
        f"at {1 / profile.nearness:.0f} mm, the mat's edges fit to {profile.residual_px:.3f} px (RMS).",
        f"  Distortion k1 {k1:.5f}, k2 {k2:.5f}, k3 {k3:.5f}, p1 {p1:.6f}, p2 {p2:.6f}; the principal point moves by "
        f"{profile.spread_px.mean():.1f} px from photo to photo.",
    ]
    return [*lines, *(f"  Missing: {view}." for view in profile.missing)]


def _print_scales(along: str | None, across: str | None) -> Callable[[str], PrintScale]:
    """The print's scale by page: from these readings, the stored ones, or unchecked."""
    from datetime import date

    from holeinspect.scale.readings import UNCHECKED, Readings, load_readings

    if (along is None) != (across is None):
        raise SetupError("Give both check-bar readings, --along and --across, or neither.")

    def scale(page: str) -> PrintScale:
        given = Readings(page, to_mm(along), to_mm(across), date.today()) if along and across else load_readings(page)
        return UNCHECKED if given is None else given.print_scale(date.today())

    return scale


@camera_app.command()
def show() -> None:
    """Show the cameras that are known, how well, and what would make each better."""
    from holeinspect.scale.profile import load_profiles, profiles_file

    profiles = load_profiles()
    if not profiles:
        typer.echo(f"No camera is known yet ({profiles_file()}): holeinspect camera learn PHOTOS")
    for number, profile in enumerate(profiles, 1):
        first, *rest = profile_lines(profile)
        typer.echo(f"{number}  {first}")
        for line in rest:
            typer.echo(f" {line}")


Number = Annotated[int | None, typer.Argument(metavar="NUMBER", help="As `camera show` numbers them.")]
All = Annotated[bool, typer.Option("--all", help="Forget every camera.")]


@camera_app.command()
def forget(number: Number = None, everything: All = False) -> None:
    """Forget a camera: later inspections go by the file's focal length again."""
    from holeinspect.scale.profile import forget_profile, load_profiles

    profiles = load_profiles()
    if (number is None) == (not everything):
        raise SetupError("Name one camera by its number in `holeinspect camera show`, or --all.")
    if number is not None and not 1 <= number <= len(profiles):
        raise SetupError(f"There is no camera {number}: {len(profiles)} are known. See holeinspect camera show.")
    for profile in profiles if number is None else [profiles[number - 1]]:
        forget_profile(profile.key)
        typer.echo(f"Forgotten: {profile.key.called}.")
