"""What persons say about an inspection: only ever added, and judged with what the photo showed."""

from __future__ import annotations

from datetime import UTC, datetime

from holeinspect.errors import NoSuchRecord, RecordConflict, SetupError
from holeinspect.inspection import Inspection, VerdictWord
from holeinspect.records import photo_shapes
from holeinspect.records.database import Database
from holeinspect.records.models import Correction, InspectionRecord, Photo
from holeinspect.records.photos import find_photo
from holeinspect.records.setups import setup_from_json
from holeinspect.records.shapes import CorrectionNew, CorrectionShown
from holeinspect.records.standing import edge_names, hole_names, standing

NEEDS: dict[str, tuple[str, ...]] = {
    "fastener": ("subject", "fastener"),
    "struck": ("subject", "reason"),
    "reading": ("subject", "figure", "value"),
    "felt": ("verdict",),
    "override": ("verdict", "reason"),
    "withdrawal": ("withdraws",),
}
"""What each kind of correction must say."""
ALLOWED: dict[str, tuple[str, ...]] = {
    "fastener": ("reason",),
    "struck": (),
    "reading": ("U", "reason"),
    "felt": ("subject", "reason"),
    "override": ("subject",),
    "withdrawal": ("reason",),
}
"""What it may say besides."""


class Corrections:
    """The corrections of all photos."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def of(self, photo_id: int) -> list[CorrectionShown]:
        """A photo's corrections, oldest first. Raises NoSuchRecord."""
        with self._database.read() as session:
            return photo_shapes.corrections_shown(find_photo(session, photo_id))

    def add(self, photo_id: int, new: CorrectionNew) -> CorrectionShown:
        """Keep a correction and judge anew.

        Raises NoSuchRecord, SetupError for what does not fit its kind or names no hole of the photo, and RecordConflict where
        the photo has not been measured.
        """
        _check_fields(new)
        with self._database.write() as session:
            photo = find_photo(session, photo_id)
            if not photo.inspections:
                raise RecordConflict(f"Photo {photo_id} has no result to correct yet. Wait until it is measured.")
            newest = photo.inspections[-1]
            _check_subject(new, photo, newest)
            correction = Correction(
                photo_id=photo.id,
                inspection_id=newest.id,
                said=new.model_dump(mode="json"),
                who=new.who,
                made_at=datetime.now(UTC),
            )
            photo.corrections.append(correction)
            session.flush()
            judge_anew(photo)
            return photo_shapes.corrections_shown(photo)[-1]


def judge_anew(photo: Photo) -> VerdictWord:
    """Work out what stands of the photo's newest inspection, and keep it beside it; the verdict."""
    newest = photo.inspections[-1]
    inspection = Inspection.model_validate_json(newest.inspection)
    stands = standing(inspection, setup_from_json(newest.setup), photo_shapes.standing_corrections(photo))
    newest.standing = stands.model_dump(mode="json")
    return stands.verdict


def _check_fields(new: CorrectionNew) -> None:
    given = {name for name in new.model_fields_set if getattr(new, name) not in (None, "")} - {"kind", "who"}
    missing = [name for name in NEEDS[new.kind] if name not in given]
    if missing:
        raise SetupError(f"A correction of kind {new.kind} needs {' and '.join(missing)}.")
    strange = sorted(given - {*NEEDS[new.kind], *ALLOWED[new.kind]})
    if strange:
        raise SetupError(f"A correction of kind {new.kind} takes no {' or '.join(strange)}. Leave it out.")
    if new.kind == "felt" and new.verdict == "measure by hand":
        raise SetupError("A fingernail catches (rework) or does not (good). Leave the correction out where it is not clear.")


def _check_subject(new: CorrectionNew, photo: Photo, newest: InspectionRecord) -> None:
    if new.kind == "withdrawal":
        known = {row.id: row.said["kind"] for row in photo.corrections}
        if new.withdraws not in known or known[new.withdraws] == "withdrawal":
            raise NoSuchRecord(f"Photo {photo.id} has no correction {new.withdraws} that could be withdrawn.")
        if new.withdraws in photo_shapes.withdrawn_ids(photo):
            raise RecordConflict(f"Correction {new.withdraws} was withdrawn already.")
        return
    inspection = Inspection.model_validate_json(newest.inspection)
    known_names = [*hole_names(inspection), *(edge_names(inspection) if new.kind == "felt" else [])]
    if new.subject and new.subject not in known_names:
        what = "hole or edge" if new.kind == "felt" else "hole"
        raise SetupError(f"There is no {what} {new.subject} in photo {photo.id}. It shows {', '.join(known_names) or 'none'}.")
