"""One photo and what the builder says about it become an Inspection."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import BinaryIO

import numpy as np

from holeinspect.edges.adjustment import BLUR_EXPECTED
from holeinspect.edges.blur import blur_px
from holeinspect.edges.rims import Plate
from holeinspect.errors import SetupError
from holeinspect.find import FoundPart, Region, find_parts
from holeinspect.inspection import Finding as Place
from holeinspect.inspection import Inspection, Part
from holeinspect.judge.camera import camera_notes, known_camera
from holeinspect.judge.ground import Laid, judge_ground
from holeinspect.judge.photo import judge_photo, photo_doubts
from holeinspect.judge.rims import judge_rims
from holeinspect.measure.part import measure_part
from holeinspect.measure.verdicts import part_result, photo_note, scale_note
from holeinspect.measured import Array
from holeinspect.photo import Photo, open_photo
from holeinspect.scale.find import Scale, find_scale, locate, on_height
from holeinspect.scale.markers import SeenMarkers
from holeinspect.scale.readings import UNCHECKED, PrintScale, Readings, load_readings
from holeinspect.scale.targets import Target
from holeinspect.setup import Setup, thickness_u
from holeinspect.units import to_mm

ROI_MARGIN_PX = 40
"""Light round a part that is restored with it."""


def inspect(
    photo: str | Path | bytes | BinaryIO | Photo, setup: Setup, progress: Callable[[str], None] = lambda step: None
) -> Inspection:
    """Measure and judge all parts on one photo; progress is told each step as it begins.

    Raises PhotoError, ScaleNotFound, PartNotFound, SetupError, TradeError or LengthError, each with what to do.
    """
    began = time.perf_counter()
    opened = photo if isinstance(photo, Photo) else open_photo(photo)
    setup = setup.shrunk(opened.shrunk) if opened.shrunk > 1 else setup
    progress("scale")
    target = locate(opened, setup.reference, setup.place)
    print_scale, notes = _print_scale(target, setup)
    known = known_camera(opened, setup)
    scale = find_scale(opened, setup.reference, target, print_scale, known.profile)
    scale = scale if scale.plain else on_height(scale, setup.place.base_mm)
    progress("finding")
    region = _region(scale, setup)
    found = find_parts(opened.luma, opened.colour_half, scale.camera, region, setup.thickness_mm)
    judged = [*camera_notes(opened, scale, known, setup),
              *judge_photo(opened, scale, setup, [part.outer.points_px for part in found])]  # fmt: skip
    doubts = photo_doubts(judged)
    light = _restored(opened, scale, found)
    scale = _with_seen_blur(scale, light, found)
    parts: list[Part] = []
    places: list[Place] = []
    progress("measuring")
    for number, part in enumerate(found, 1):
        name = f"P{number}"
        plate = Plate(*setup.plate_mm(name))
        measured = measure_part(light, scale, part, plate, thickness_u(plate.thickness_mm), setup.countersink_angle_deg)
        laid = Laid(part, name, f"{name}." if len(found) > 1 else "", setup.part_at is not None)
        looked_at = judge_ground(judge_rims(opened, scale, measured, laid.prefix, doubts), laid, scale)
        judged += looked_at.notes
        record, of_part = part_result(name, looked_at.part, part, scale, setup, len(found))
        parts.append(record)
        places += of_part
    _check_names(setup, parts)
    return Inspection(
        units=setup.units,
        side=setup.side,
        parts=tuple(parts),
        findings=tuple(sorted(places, key=_worst_first)),
        scale=scale_note(scale),
        photo=photo_note(opened, judged),
        warnings=(*notes, *scale.warnings, *opened.notes, *(reason for part in found for reason in part.reasons)),
        seconds=round(time.perf_counter() - began, 3),
    )


LEAST_RADIUS_MM = 0.01
"""Sharper corners than this are all alike."""


def _worst_first(place: Place) -> tuple[bool, float]:
    """Decided places first, then by how many times its limit each is."""
    size_mm = max(place.size.value, LEAST_RADIUS_MM)
    over = place.limit_mm / size_mm if place.kind == "sharp corner" else size_mm / place.limit_mm
    return not place.decided, -over


def _region(scale: Scale, setup: Setup) -> Region:
    """Where parts may lie. A reference beside the part is no part itself; one on the part's face is."""
    target = scale.target
    beside = target.layout is None and scale.plain is not None and not scale.plain.under and setup.place.base_mm == 0
    under = scale.plain is not None and scale.plain.under
    return Region(target.outline_mm, target.layout, under, beside, setup.part_at, _loose_mm(scale, setup) if beside else ())


def _loose_mm(scale: Scale, setup: Setup) -> tuple[Array, ...]:
    """Borders (4, 2) of the loose markers but the first."""
    seen = scale.plain.seen if scale.plain else None
    further = seen.corners_px[1:] if isinstance(seen, SeenMarkers) else ()
    return tuple(scale.camera.to_plane(corners, setup.place.base_mm) for corners in further)


def _check_names(setup: Setup, parts: list[Part]) -> None:
    """Refuse settings for parts and holes that the photo does not show: they would be passed over in silence."""
    part_names = [part.name for part in parts]
    holes = [(part.name, hole.name) for part in parts for hole in part.holes]
    known = {f"{part}.{hole}" for part, hole in holes} | {hole for _, hole in holes}
    for name in (*setup.hole_fasteners, *setup.hole_rules):
        if name not in known:
            raise SetupError(f"There is no hole {name} in this photo. Its holes are {', '.join(sorted(known))}.")
    for name in (*setup.part_thickness, *setup.part_burr_limit):
        if name not in part_names:
            raise SetupError(f"There is no part {name} in this photo. Its parts are {', '.join(part_names)}.")


def _print_scale(target: Target, setup: Setup) -> tuple[PrintScale | None, tuple[str, ...]]:
    """The print's scale from the readings given or stored, and what is to be said about it."""
    if target.layout is None:
        return None, ()
    page = target.layout.page
    if setup.along is not None and setup.across is not None:
        readings = Readings(page, to_mm(setup.along), to_mm(setup.across), date.today(), to_mm(setup.bar_reading_u))
        return readings.print_scale(date.today()), ()
    stored = load_readings(page)
    if stored is not None:
        return stored.print_scale(date.today()), ()
    return UNCHECKED, (
        "The mat's check bars were not measured: every length carries an allowance of 0.29 % (u) for the printer. "
        "Measure both bars and give --along and --across.",
    )


def _with_seen_blur(scale: Scale, light: Array, found: list[FoundPart]) -> Scale:
    """The scale with the blur of the parts' own edges, where the reference has no printed ones that tell it."""
    if scale.tone_seen:
        return scale
    seen_px = blur_px(light, [contour for part in found for contour in (part.outer, *part.openings)])
    if seen_px is None:
        return scale
    as_printed_px = seen_px / np.exp(BLUR_EXPECTED)
    return replace(scale, tone=replace(scale.tone, sigma2_px2=np.array([as_printed_px**2, 0.0, 0.0])))


def _restored(photo: Photo, scale: Scale, found: list[FoundPart]) -> Array:
    """Linear light where the parts are; zero elsewhere."""
    light = np.zeros_like(photo.luma)
    height, width = photo.luma.shape
    for part in found:
        low = np.maximum(np.floor(part.outer.points_px.min(axis=0)).astype(int) - ROI_MARGIN_PX, 0)
        high = np.minimum(np.ceil(part.outer.points_px.max(axis=0)).astype(int) + ROI_MARGIN_PX, (width, height))
        window = np.s_[low[1] : high[1], low[0] : high[0]]
        light[window] = scale.tone.restore(photo.luma[window])
    return light
