"""The camera's profile in an inspection: looked up, used, refined where that is safe, and what is said about it."""

from __future__ import annotations

from dataclasses import dataclass

from holeinspect.errors import SetupError
from holeinspect.inspection import JudgeNote
from holeinspect.photo import Photo
from holeinspect.scale.find import Scale
from holeinspect.scale.learn import refine
from holeinspect.scale.profile import CameraProfile, camera_key, load_profiles, save_profile
from holeinspect.setup import Setup

NAME = "camera profile"
PER_CENT = 100.0


@dataclass(frozen=True, slots=True)
class KnownCamera:
    """The profile of the camera that took a photo, if there is one, and a sentence where another one is at hand."""

    profile: CameraProfile | None = None
    unlike: str = ""


def known_camera(photo: Photo, setup: Setup) -> KnownCamera:
    """Look the photo's camera up among the profiles kept."""
    key = camera_key(photo)
    if setup.camera_profile == "ignore" or key is None:
        return KnownCamera()
    profiles = load_profiles(setup.camera_folder)
    for profile in profiles:
        if profile.key == key:
            return KnownCamera(profile)
    others = [profile.key.called for profile in profiles if profile.key.phone == key.phone]
    if not others:
        return KnownCamera()
    unlike = (
        f"This photo is from {key.called}; what is known of this phone is {'; '.join(others)}: "
        "another lens, picture size or a digital zoom. No profile was used."
    )
    return KnownCamera(None, unlike)


def camera_notes(photo: Photo, scale: Scale, known: KnownCamera, setup: Setup) -> tuple[JudgeNote, ...]:
    """What is said of the profile; refines it on the way where the setup allows that and it is safe."""
    if known.unlike:
        return (_note(known.unlike, "Take the photo with the lens and size that were learnt, or learn this one too."),)
    if scale.profile_dropped:
        return (_note(scale.profile_dropped, "Use the photo as the phone wrote it, at zoom 1, or learn the camera again."),)
    if scale.profile is None:
        return ()
    return (_used(scale.profile, _refined(photo, scale, setup)),)


def _note(sentence: str, advice: str) -> JudgeNote:
    return JudgeNote(name=NAME, level="doubt", sentence=sentence, advice=advice)


def _used(profile: CameraProfile, refined: str) -> JudgeNote:
    share = PER_CENT * profile.focal_u
    sentence = (
        f"The profile of {profile.key.called} from {profile.photos} photos was used: focal length known to {share:.2f} % (u)."
    )
    advice = f"Still missing for a better one: {'; '.join(profile.missing)}." if profile.missing else ""
    return JudgeNote(name=NAME, level="fine", figure=round(share, 4), unit="%", sentence=f"{sentence}{refined}", advice=advice)


def _refined(photo: Photo, scale: Scale, setup: Setup) -> str:
    """Refine and keep the profile; a sentence if that was done, or could not be kept."""
    better = refine(photo, scale) if setup.camera_profile == "refine" else None
    if better is None:
        return ""
    try:
        save_profile(better, setup.camera_folder)
    except SetupError as error:
        return f" It was not refined: {error}"
    return f" This photo refined it, to {PER_CENT * better.focal_u:.2f} %."
