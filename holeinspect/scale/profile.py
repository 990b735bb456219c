"""What is known of a phone's camera from earlier photos of the mat: its profile, kept for later inspections.

Lens frame: the picture as the sensor gives it, long side along x, before the EXIF orientation turns it upright. A profile is
kept by what the file says of the camera: maker, model, lens, picture size and 35 mm equivalent. Another lens of the same
phone, a digital zoom or another size of the picture is another camera.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from holeinspect.errors import SetupError
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.bundle import FOCUS, FOCUS_SCATTER, SHARED
from holeinspect.scale.readings import DATA_VARIABLE, data_folder
from holeinspect.scale.solve import LENS, LensPrior

PROFILES_FILE = "cameras.json"
PROFILE_VERSION = 1
FOCAL_LEAST_U = 0.001
"""Least relative standard uncertainty of the focal length, however many photos refined it: errors that all photos of one
print share do not average out; ours."""
KNOWN = FOCUS + 1
"""Lens parameters that a profile keeps, of bundle.SHARED: all but the print's aspect."""
UPRIGHT_PHONE = 6
"""EXIF orientation taken for an upright picture that does not say how it was turned: a phone held upright."""
PHOTOS_REMEMBERED = 200
"""Photos whose sums are kept, so that none refines a profile twice."""

Turn: TypeAlias = Array
"""(2, 2), upright offsets from the picture's middle from those of the lens frame."""

TURNS: Mapping[int, Turn] = {
    1: np.array([[1.0, 0.0], [0.0, 1.0]]),
    3: np.array([[-1.0, 0.0], [0.0, -1.0]]),
    6: np.array([[0.0, -1.0], [1.0, 0.0]]),
    8: np.array([[0.0, 1.0], [-1.0, 0.0]]),
}
"""By EXIF orientation (Exif 2.32, 4.6.4 A): 6 puts the stored left side at the top, 8 at the bottom. Mirrored ones come from
front cameras and editors, and count as not said."""


@dataclass(frozen=True, slots=True)
class CameraKey:
    """What tells one camera from another in the files; size_px is long side, short side."""

    make: str
    model: str
    lens: str
    size_px: tuple[int, int]
    focal35_mm: float | None

    @property
    def called(self) -> str:
        """What messages call it: `Maker Model, wide lens, 4032 x 3024, 26 mm`."""
        maker = "" if self.model.startswith(self.make) else self.make
        width, height = self.size_px
        focal = f"{self.focal35_mm:g} mm" if self.focal35_mm else ""
        names = (f"{maker} {self.model}".strip(), self.lens, f"{width} x {height}", focal)
        return ", ".join(name for name in names if name)

    @property
    def phone(self) -> tuple[str, str]:
        """The phone, whichever of its lenses."""
        return self.make, self.model


def camera_key(photo: Photo) -> CameraKey | None:
    """The camera that a file names; None for one that names none (a screenshot, an edited file)."""
    if not (photo.make or photo.model):
        return None
    long_side, short_side = max(photo.size), min(photo.size)
    return CameraKey(photo.make or "", photo.model or "", photo.lens or "", (long_side, short_side), photo.focal35_mm)


def turn_of(photo: Photo) -> Turn:
    """How the lens frame was turned to the upright picture; a tall one that does not say was held upright."""
    width, height = photo.size
    tall = height > width
    said = photo.turn if photo.turn in TURNS and (photo.turn > 4) == tall else None
    return TURNS[said or (UPRIGHT_PHONE if tall else 1)]


@dataclass(frozen=True, slots=True, eq=False)
class CameraProfile:
    """A camera's lens with its uncertainty, lens frame.

    lens: (9,) focal length (px), principal point from the picture's middle (px), k1, k2, p1, p2, k3, focus (mm: change of
    the focal length's logarithm per 1/mm of nearness). covariance: (9, 9), the focal length as its logarithm.
    nearness: 1/mm where the focal length holds. spread_px: (2,) of the principal point from photo to photo.
    photos: how many it comes from. residual_px: RMS of the boundaries. sums: SHA-256 of the photos that it comes from.
    """

    key: CameraKey
    lens: Array
    covariance: Array
    nearness: float
    spread_px: Array
    photos: int
    residual_px: float
    refined: int = 0
    missing: tuple[str, ...] = ()
    sums: tuple[str, ...] = ()

    @property
    def focal_u(self) -> float:
        """Relative standard uncertainty of the focal length where it was learnt."""
        return float(np.sqrt(self.covariance[0, 0]))

    def at_height(self, height_mm: float) -> Array:
        """(7, 9) map from the profile's parameters to the lens of a photo taken from this height."""
        change = np.zeros((LENS, KNOWN))
        change[:, :LENS] = np.eye(LENS)
        change[0, FOCUS] = 1 / height_mm - self.nearness
        return change

    def scatter(self) -> Array:
        """(7, 7) how a single photo's lens departs from the camera's."""
        return np.diag(np.square([FOCUS_SCATTER, *self.spread_px, 0, 0, 0, 0]))

    def prior(self, photo: Photo, height_mm: float) -> LensPrior:
        """What to expect of a photo taken from this height above the mat."""
        into = self.at_height(height_mm)
        covariance = into @ self.covariance @ into.T + self.scatter()
        focal = float(self.lens[0] * np.exp(into[0, FOCUS] * self.lens[FOCUS]))
        turn = turn_of(photo)
        upright = _turned(turn)
        middle = (np.array(photo.size) - 1) / 2
        p1, p2 = upright[5:7, 5:7] @ self.lens[5:7]
        distortion = np.array([*self.lens[3:5], p1, p2, self.lens[7]])
        return LensPrior(focal, middle + turn @ self.lens[1:3], distortion, upright @ covariance @ upright.T)

    def refined_by(self, photo: Photo, seen: LensPrior, height_mm: float) -> CameraProfile:
        """The profile after one more photo, whose own adjustment with this profile as prior gave the lens `seen`.

        The photo's lens is the camera's plus its scatter; what the photo tells of the first is the smoothing step of a
        Kalman filter (Rauch, Tung, Striebel 1965).
        """
        expected, into = self.prior(photo, height_mm), self.at_height(height_mm)
        to_lens = _turned(turn_of(photo)).T
        prior = into @ self.covariance @ into.T + self.scatter()
        gain = self.covariance @ into.T @ np.linalg.inv(prior)
        moved = np.array([np.log(seen.focal_px / expected.focal_px), *(seen.principal_px - expected.principal_px),
                          *(seen.distortion[:4] - expected.distortion[:4])])  # fmt: skip
        change = gain @ (to_lens @ moved)
        posterior = to_lens @ seen.covariance @ to_lens.T
        covariance = self.covariance - gain @ (prior - posterior) @ gain.T
        lens = self.lens + change
        lens[0] = self.lens[0] * np.exp(change[0])
        return replace(self, lens=lens, covariance=_with_floor(covariance), photos=self.photos + 1,
                       refined=self.refined + 1, sums=(*self.sums, photo.sha256)[-PHOTOS_REMEMBERED:])  # fmt: skip


def _with_floor(covariance: Array) -> Array:
    """At least FOCAL_LEAST_U for the focal length, correlations kept as they are."""
    widen = np.ones(len(covariance))
    widen[0] = max(1.0, FOCAL_LEAST_U / np.sqrt(covariance[0, 0]))
    return np.asarray(covariance * np.outer(widen, widen))


def _turned(turn: Turn) -> Array:
    """(7, 7) lens parameters in the upright frame from those in the lens frame.

    The decentring (p2, p1) is a vector, as the principal point's offset is; p1, p2 stand the other way round.
    """
    into = np.eye(LENS)
    into[1:3, 1:3] = turn
    into[5:7, 5:7] = turn[::-1, ::-1]
    return into


# --- kept in a file ---


def profiles_file(folder: Path | None = None) -> Path:
    """Where profiles are kept: in this folder, or the user's data folder."""
    return (folder or data_folder()) / PROFILES_FILE


def load_profiles(folder: Path | None = None) -> list[CameraProfile]:
    """All profiles kept; none if nothing was ever learnt. Raises SetupError for a file that cannot be read."""
    file = profiles_file(folder)
    try:
        rows = json.loads(file.read_text(encoding="utf-8"))
        if not isinstance(rows, list):
            raise ValueError("not a list of cameras")
        return [_from_json(row) for row in rows if row["version"] == PROFILE_VERSION]
    except (FileNotFoundError, NotADirectoryError):
        return []
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise SetupError(
            f"The camera profiles in {file} cannot be read ({error}). Remove the file and learn the cameras again."
        ) from error


def save_profile(profile: CameraProfile, folder: Path | None = None) -> None:
    """Keep a profile, replacing an earlier one of the same camera."""
    others = [kept for kept in load_profiles(folder) if kept.key != profile.key]
    _write([*others, profile], folder)


def forget_profile(key: CameraKey, folder: Path | None = None) -> bool:
    """Remove a camera's profile; whether there was one."""
    kept = load_profiles(folder)
    others = [profile for profile in kept if profile.key != key]
    if len(others) < len(kept):
        _write(others, folder)
    return len(others) < len(kept)


def _write(profiles: list[CameraProfile], folder: Path | None) -> None:
    file = profiles_file(folder)
    fresh = file.with_suffix(".new")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        fresh.write_text(json.dumps([_as_json(profile) for profile in profiles], indent=2) + "\n", encoding="utf-8")
        # A crash in the middle of writing must not lose the other cameras.
        fresh.replace(file)
    except OSError as error:
        raise SetupError(
            f"The camera profiles cannot be stored in {file}: {error.strerror}. "
            f"Set {DATA_VARIABLE} to a folder that can be written."
        ) from error


def _as_json(profile: CameraProfile) -> dict[str, Any]:
    key = profile.key
    return {
        "version": PROFILE_VERSION,
        "camera": {"make": key.make, "model": key.model, "lens": key.lens, "size_px": list(key.size_px),
                   "focal35_mm": key.focal35_mm},
        "lens": profile.lens.tolist(),
        "covariance": profile.covariance.tolist(),
        "nearness": profile.nearness,
        "spread_px": profile.spread_px.tolist(),
        "photos": profile.photos,
        "refined": profile.refined,
        "residual_px": profile.residual_px,
        "missing": list(profile.missing),
        "sums": list(profile.sums),
    }  # fmt: skip


def _from_json(row: Mapping[str, Any]) -> CameraProfile:
    camera = row["camera"]
    width, height = map(int, camera["size_px"])
    key = CameraKey(camera["make"], camera["model"], camera["lens"], (width, height), camera["focal35_mm"])
    lens, covariance = np.array(row["lens"], float), np.array(row["covariance"], float)
    if lens.shape != (KNOWN,) or covariance.shape != (KNOWN, KNOWN) or not np.isfinite(covariance).all():
        raise ValueError(f"{key.called}: not a lens")
    return CameraProfile(key, lens, covariance, float(row["nearness"]), np.array(row["spread_px"], float),
                         int(row["photos"]), float(row["residual_px"]), int(row["refined"]), tuple(row["missing"]),
                         tuple(row["sums"]))  # fmt: skip


assert KNOWN == SHARED - 1, "a profile keeps all shared parameters but the aspect"
