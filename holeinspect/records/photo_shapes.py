"""A photo's row, its corrections, and what stands of it, as pages and REST show them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from holeinspect.inspection import Hole, Inspection
from holeinspect.records.models import Correction, InspectionRecord, KitPart, Photo
from holeinspect.records.shapes import CorrectionNew, CorrectionShown, PhotoShown, StandingShown
from holeinspect.records.standing import hole_names
from holeinspect.units import show, to_mm

SAME_HOLE_MM = 1.0
"""Between a hole's centres in two runs on one photo, whose mat frame is the same. Ours; rims are several mm apart."""


CATCHES = ("does not catch", "catches")


def photo_shown(photo: Photo, place_in_queue: int | None) -> PhotoShown:
    """The photo as it is now; place_in_queue: 1 is next, None unless it waits."""
    last = photo.inspections[-1] if photo.inspections else None
    piece = photo.piece
    return PhotoShown(
        id=photo.id,
        piece=photo.piece_id,
        number=piece.part.number if piece else None,
        serial=piece.serial if piece else None,
        side=photo.side,
        name=photo.name,
        state=photo.state,
        place_in_queue=place_in_queue,
        attempts=photo.attempts,
        error=photo.error,
        note=photo.note,
        set_aside=photo.set_aside,
        taken_at=photo.taken_at,
        received_at=photo.received_at,
        size_bytes=photo.size_bytes,
        sha256=photo.sha256,
        uploaded_sha256=photo.uploaded_sha256,
        inspections=len(photo.inspections),
        measured_at=last.measured_at if last else None,
        standing=standing_of(photo),
    )


def standing_of(photo: Photo) -> StandingShown | None:
    """What stands of the newest inspection; None where there is none."""
    return StandingShown.model_validate(photo.inspections[-1].standing) if photo.inspections else None


def drawing_note(part: KitPart) -> str:
    """What to check before a photo; empty where no drawing is named."""
    if not part.drawing:
        return ""
    revision = f", revision {part.revision}" if part.revision else ""
    return f"Check that {part.drawing}{revision} is the drawing for your version of the part."


def corrections_shown(photo: Photo) -> list[CorrectionShown]:
    """Every correction of the photo, oldest first, with whether it still holds."""
    withdrawn = withdrawn_ids(photo)
    return [_shown(correction, correction.id in withdrawn, lost) for correction, _, lost in on_newest(photo)]


def withdrawn_ids(photo: Photo) -> set[int]:
    """Corrections that a later one takes back."""
    return {int(said["withdraws"]) for said in (row.said for row in photo.corrections) if said["kind"] == "withdrawal"}


def standing_corrections(photo: Photo) -> list[tuple[CorrectionNew, str]]:
    """The corrections that hold for the newest inspection, with their sentences, oldest first."""
    withdrawn = withdrawn_ids(photo)
    return [
        (said, sentence(said))
        for correction, said, lost in on_newest(photo)
        if not lost and correction.id not in withdrawn and said.kind != "withdrawal"
    ]


def on_newest(photo: Photo) -> Iterator[tuple[Correction, CorrectionNew, bool]]:
    """Each correction as it reads for the newest inspection: names follow the holes' places. True where its hole is lost."""
    if not photo.inspections:
        return
    newest = photo.inspections[-1]
    runs = {run.id: run for run in photo.inspections}
    for correction in photo.corrections:
        said = CorrectionNew.model_validate(correction.said)
        subject = said.subject
        if subject and correction.inspection_id != newest.id:
            subject = _same_hole(runs[correction.inspection_id], newest, subject)
        yield correction, said.model_copy(update={"subject": subject or said.subject}), bool(said.subject) and not subject


def _same_hole(earlier: InspectionRecord, later: InspectionRecord, name: str) -> str:
    """What the hole is called in the later run; empty where it is not there."""
    then, now = (hole_names(Inspection.model_validate_json(run.inspection)) for run in (earlier, later))
    return next((other for other, hole in now.items() if name in then and _is_same(then[name], hole)), "")


def _is_same(hole: Hole, other: Hole) -> bool:
    return math.dist(hole.centre_mm, other.centre_mm) <= SAME_HOLE_MM


def _shown(correction: Correction, withdrawn: bool, lost: bool) -> CorrectionShown:
    said: dict[str, Any] = correction.said
    return CorrectionShown(
        **said,
        id=correction.id,
        photo=correction.photo_id,
        inspection=correction.inspection_id,
        made_at=correction.made_at,
        sentence=sentence(CorrectionNew.model_validate(said)),
        withdrawn=withdrawn,
        lost=lost,
    )


def sentence(said: CorrectionNew) -> str:
    """The correction in words."""
    because = f": {said.reason}" if said.reason else ""
    what = said.subject or "the photo"
    match said.kind:
        case "fastener":
            return f"{said.who}: {what} takes {said.fastener}{because}."
        case "struck":
            return f"{said.who}: {what} is no hole{because}."
        case "reading":
            U_mm = None if said.U is None else to_mm(said.U)
            figure = show(to_mm(said.value or "0"), U_mm, "mm")
            return f"{said.who} read {figure} by hand for the {said.figure} of {what}{because}."
        case "felt":
            across = said.subject or "every rim and edge"
            return f"{said.who}'s fingernail {CATCHES[said.verdict == 'rework']} on {across}{because}."
        case "override":
            return f"{said.who} calls {what} {said.verdict}{because}."
        case _:
            return f"{said.who} withdrew correction {said.withdraws}{because}."
