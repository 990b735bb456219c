"""The condition of a part's edges: how far each stands off its form, what stands out of it, and the radii of its corners.

Every edge's deviation goes through a Gaussian filter (ISO 16610-21, open profile) of SHORT_CUTOFF_MM, and a robust line
through what is longer than FORM_CUTOFF_MM is taken off, so that a bowed edge is no burr. What then stands out of the edge's
own noise is a place: narrow and flat-topped off the edge, a tab's stub; ragged off it, a burr; into it, a nick; even waves
all along, a coarse edge. Blur rounds off and widens; it makes nothing: a soft photo raises the noise and the smallest burr
shown, not the count of places.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import erf

from holeinspect.edges.along import Along, edges_along
from holeinspect.edges.border import trace_border
from holeinspect.edges.contours import Round, Straight
from holeinspect.edges.gauss import ALPHA, long_wave
from holeinspect.edges.outline import Dressed, Edge
from holeinspect.edges.stretches import View
from holeinspect.edges.walk import RoundedCorner, walk
from holeinspect.measured import Array, Measured

SHORT_CUTOFF_MM = 0.25
"""Cut-off below which a profile is smoothed: one of the standard ones (ISO 21920-3), and about the photo's own blur."""
FORM_CUTOFF_MM = 25.0
"""Cut-off beyond which a wave is form: the bow of a sheared strip, not a burr."""
FORM_ROUNDS = 3
FORM_BINS_MM = 1.0
FLOOR_MM = 0.04
"""Least height of a place, however sharp the photo: chamfers and streaks stand off that much at times."""
SIGNIFICANT = 4.5
"""Standard deviations of the profile's noise that a place must stand out: one false place in some 10 000 edges."""
FOOT = 0.35
"""A place reaches as far as this share of its height."""
ABRUPT, ABRUPT_FREE, ABRUPT_REACH_MM = 0.12, 0.35, 0.4
"""A place rises by this much a millimetre somewhere, over such a reach; what rises less is form, which no smooth curve follows
to the end in a free shape."""
NARROWEST_SIGMAS = 2.0
"""Blur makes every place at least this wide, in blur widths."""
SAME_PLACE_MM = 0.6
"""Places of one side this near to each other are one."""
NARROWEST_STUB_MM, WIDEST_STUB_MM = 0.4, 6.5
"""Width at half height of a tab's stub: 0.5 to 6 mm, with what blur makes of it."""
FLAT_HEIGHT, FLAT_SHARE = 0.75, 0.55
"""A stub stands above this share of its height over this share of its width: its top is flat, a burr's ragged."""
RAGGED_SHARE = 0.2
"""Spread of a flat top over its height, up to which it is flat."""
ALONE_MM = 1.5
"""A stub has no other place off the edge this near."""
WIDEST_NICK_MM = 10.0
"""A wider dip is the edge's form: filed hollow."""
BURR_WIDTH_MM = 0.3
"""Width of the burr whose least visible height is stated: the raggedness of drilled and sawn lips (ours)."""
OWN_U_MM = 0.008
"""Standard uncertainty of a height beyond the profile's noise: light and chamfer, which differ along an edge."""
CORNER_U_MM = 0.025
"""The same on a rounded corner, where light on chamfer and wall turns with it (seen on renders of 3 to 6 mm plate)."""
COARSE_LIMIT_MM = 0.035
"""RMS of an edge's roughness beyond which it is coarse: a filed edge leaves 0.01 to 0.02 (ours, on renders)."""
COARSE_CUTOFF_MM = 2.5
"""Waves up to this length are roughness, longer ones waviness (ISO 21920-3's series)."""
COARSE_LEAST_MM, COARSE_WINDOW_MM, COARSE_SHARE = 8.0, 2.0, 0.75
"""Least length of a coarse edge; windows in which it must be rough; their least share."""
COARSE_WINDOW_RMS = 0.5
WAVE_PEAK = 3.2
"""Height over the RMS up to which a place is part of a coarse edge's roughness."""
COARSE_U_SHARE = 0.15
LEAST_SEEN_SHARE = 0.5
"""Share of an edge that must have been traced for its condition to be known."""

PlaceKind = Literal["burr", "tab stub", "nick", "coarse edge"]


@dataclass(frozen=True, slots=True)
class Place:
    """One place of an edge: from low_mm to high_mm along it, the greatest deviation at at_mm.

    size: height off the edge, depth into it, or RMS of its roughness; mm.
    """

    kind: PlaceKind
    low_mm: float
    high_mm: float
    at_mm: float
    size: Measured


@dataclass(frozen=True, slots=True, eq=False)
class EdgeCondition:
    """Figures of one edge. profile_mm, u_mm: (N,) filtered deviation, positive off the metal, NaN where not seen.

    places: all that stand out, whatever the limits. smallest_shown_mm: height of the smallest burr that would have.
    """

    edge: Along
    profile_mm: Array
    u_mm: Array
    noise_mm: float
    protrusion: Measured
    protrusion_at: float | None
    recess: Measured
    recess_at: float | None
    rms: Measured
    smallest_shown_mm: float
    seen_share: float
    places: tuple[Place, ...]

    def affected_share(self, burr_mm: float, nick_mm: float) -> float:
        """Share of the seen length that stands off the edge by more than one limit or into it by more than the other."""
        seen = np.isfinite(self.profile_mm)
        beyond = (self.profile_mm > burr_mm) | (self.profile_mm < -nick_mm)
        return float(beyond.sum() / max(int(seen.sum()), 1))


def edge_condition(edge: Along) -> EdgeCondition:
    """Figures and places of one edge."""
    filtered = long_wave(edge.off_mm, edge.step_mm, SHORT_CUTOFF_MM, edge.closed)
    profile = _clear_of_gaps(edge, filtered.values - _form(edge, filtered.values))
    noise = _noise(profile)
    u = np.where(np.isfinite(profile), np.hypot(noise, np.where(edge.on_corner, CORNER_U_MM, OWN_U_MM)), np.nan)
    places = tuple(_places(edge, profile, u))
    protrusion, recess = (_greatest(sign * profile, u) for sign in (1, -1))
    at = [None if index is None else float(edge.at_mm[index]) for _, index in (protrusion, recess)]
    rms = float(np.sqrt(np.nanmean(profile**2))) if np.isfinite(profile).any() else 0.0
    shown = max(FLOOR_MM, SIGNIFICANT * noise) / float(erf(BURR_WIDTH_MM / (2 * np.sqrt(2) * edge.blur_mm)))
    return EdgeCondition(edge, profile, u, noise, protrusion[0], at[0], recess[0], at[1],
                         Measured(rms, float(np.hypot(noise, OWN_U_MM) / 2)), shown,
                         float(np.isfinite(profile).mean()), places)  # fmt: skip


def _form(edge: Along, profile: Array) -> Array:
    """What is longer than FORM_CUTOFF_MM in a profile (N,): its bow, and a filter's long waves, stubs and nicks left out.

    Of medians of short pieces, so that what is narrow does not count.
    """
    each = min(max(1, round(FORM_BINS_MM / edge.step_mm)), len(profile))
    count = len(profile) // each
    pieces = profile[: count * each].reshape(count, each)
    middles = edge.at_mm[: count * each].reshape(count, each).mean(axis=1)
    kept = np.isfinite(pieces).any(axis=1)
    levels = np.full(count, np.nan)
    levels[kept] = np.nanmedian(pieces[kept], axis=1)
    if not kept.any():
        return np.zeros_like(profile)
    form = np.full(len(levels), np.median(levels[kept]))
    for _ in range(FORM_ROUNDS):
        off = np.abs(levels - form)
        good = kept & (off < 3 * max(1.4826 * float(np.median(off[kept])), OWN_U_MM))
        bow = _parabola(middles, levels, good)
        left = np.where(good, levels - bow, np.nan)
        waves = long_wave(left, each * edge.step_mm, min(FORM_CUTOFF_MM, edge.length_mm), edge.closed).values
        form = bow + np.nan_to_num(waves)
    return np.asarray(np.interp(edge.at_mm, middles, form))


def _parabola(x: Array, y: Array, good: Array) -> Array:
    """The least-squares parabola through the good ones of points, or their mean where there are few, at all of them."""
    if good.sum() < LEAST_FOR_BOW:
        return np.full(len(x), float(np.mean(y[good])) if good.any() else 0.0)
    scaled = (x - x.mean()) / max(float(np.ptp(x)), 1e-9)
    return np.asarray(np.polyval(np.polyfit(scaled[good], y[good], 2), scaled))


LEAST_FOR_BOW = 8


def _clear_of_gaps(edge: Along, profile: Array) -> Array:
    """The profile without what lies close to a long stretch that was not seen: there the border may have run off the rim."""
    lost = np.isnan(edge.off_mm)
    steps = np.flatnonzero(np.diff(np.concatenate([[False], lost, [False]]).astype(int))).reshape(-1, 2)
    reach = round(GAP_CLEAR_MM / edge.step_mm)
    cleared = profile.copy()
    for low, high in steps:
        if (high - low) * edge.step_mm > LONG_GAP_MM:
            cleared[max(low - reach, 0) : high + reach] = np.nan
    return cleared


LONG_GAP_MM, GAP_CLEAR_MM = 0.5, 0.7


def _noise(profile: Array) -> float:
    """Standard deviation of a profile's clean parts: of half of it, the calmer one."""
    seen = np.abs(profile[np.isfinite(profile)])
    return max(1.4826 * float(np.median(seen)), LEAST_NOISE_MM) if len(seen) else np.inf


LEAST_NOISE_MM = 0.002


def _greatest(heights: Array, u: Array) -> tuple[Measured, int | None]:
    """The greatest of heights (N,), not below 0, and its index."""
    if not np.isfinite(heights).any():
        return Measured(0.0, np.inf), None
    index = int(np.nanargmax(heights))
    return Measured(max(0.0, float(heights[index])), float(u[index])), index


def _places(edge: Along, profile: Array, u: Array) -> Iterator[Place]:
    """What stands out of the profile: a coarse edge first, then all that stands out of its waves."""
    least = np.maximum(FLOOR_MM, SIGNIFICANT * np.where(edge.on_corner, u, np.sqrt(np.maximum(u**2 - OWN_U_MM**2, 0.0))))
    coarse = _coarse(edge, profile)
    if coarse is not None:
        yield coarse
        least = np.maximum(least, WAVE_PEAK * coarse.size.value)
    outward = _stretches(edge, profile, least)
    for i, (low, high) in enumerate(outward):
        others = outward[:i] + outward[i + 1 :]
        alone = all((low - b) * edge.step_mm > ALONE_MM or (a - high) * edge.step_mm > ALONE_MM for a, b in others)
        yield _outward(edge, profile, (low, high), u, alone)
    for low, high in _stretches(edge, -profile, least):
        if (high - low) * edge.step_mm <= WIDEST_NICK_MM:
            yield _nick(edge, -profile, (low, high), u)


def _stretches(edge: Along, heights: Array, least: Array) -> list[tuple[int, int]]:
    """First index and the one past the last of each stretch that rises above `least`, with its feet; near ones are one."""
    filled = np.nan_to_num(heights, nan=0.0)
    found: list[tuple[int, int]] = []
    reach = max(1, round(ABRUPT_REACH_MM / edge.step_mm))
    flags = np.concatenate([[False], filled > np.nan_to_num(least, nan=np.inf), [False]]).astype(int)
    for low, high in np.flatnonzero(np.diff(flags)).reshape(-1, 2):
        foot = FOOT * float(filled[low:high].max())
        while low > 0 and filled[low - 1] > foot:
            low -= 1
        while high < len(filled) and filled[high] > foot:
            high += 1
        around = filled[max(low - reach, 0) : high + reach]
        abrupt = ABRUPT_FREE if edge.kind == "free" else ABRUPT
        if np.abs(around[reach:] - around[:-reach]).max(initial=0.0) < abrupt * reach * edge.step_mm:
            continue
        if (high - low) * edge.step_mm < NARROWEST_SIGMAS * edge.blur_mm:
            continue
        if found and (low - found[-1][1]) * edge.step_mm < SAME_PLACE_MM:
            found[-1] = (found[-1][0], max(int(high), found[-1][1]))
        else:
            found.append((int(low), int(high)))
    return found


def _place(kind: PlaceKind, edge: Along, heights: Array, stretch: tuple[int, int], u: Array) -> Place:
    """A place by its greatest height."""
    low, high = stretch
    peak = low + int(np.nanargmax(np.nan_to_num(heights[low:high], nan=-np.inf)))
    size = Measured(float(heights[peak]), float(u[peak]))
    return Place(kind, low * edge.step_mm, high * edge.step_mm, float(edge.at_mm[peak]), size)


def _nick(edge: Along, depths: Array, stretch: tuple[int, int], u: Array) -> Place:
    """A nick by its depth, with what blur and filter take off the tip of a V of its width and depth put back.

    A V of slope m seen through a Gaussian of sigma s loses m·s·sqrt(2/π) at its tip; half of that is left open.
    """
    nick = _place("nick", edge, depths, stretch, u)
    low, high = stretch
    width = max(1, int((depths[low:high] > nick.size.value / 2).sum())) * edge.step_mm
    sigma = np.hypot(edge.blur_mm, SHORT_CUTOFF_SIGMA * SHORT_CUTOFF_MM)
    lost = min(TIP_SHARE * sigma * nick.size.value / width, nick.size.value)
    size = Measured(nick.size.value + lost, float(np.hypot(nick.size.u, lost / 2)))
    return Place("nick", nick.low_mm, nick.high_mm, nick.at_mm, size)


TIP_SHARE = 0.8
"""sqrt(2/π)."""
SHORT_CUTOFF_SIGMA = ALPHA / np.sqrt(2 * np.pi)
"""Sigma of the Gaussian filter over its cut-off."""


def _outward(edge: Along, profile: Array, stretch: tuple[int, int], u: Array, alone: bool) -> Place:
    """A stub, if it is one place with a flat top of a stub's width; else a burr."""
    low, high = stretch
    heights = profile[low:high]
    burr = _place("burr", edge, profile, stretch, u)
    top = heights[heights > FLAT_HEIGHT * burr.size.value]
    wide = np.flatnonzero(heights > 0.5 * burr.size.value)
    width = (wide[-1] - wide[0] + 1) * edge.step_mm
    flat = len(top) > FLAT_SHARE * (wide[-1] - wide[0] + 1) and float(np.std(top)) < RAGGED_SHARE * burr.size.value
    if not (alone and flat and NARROWEST_STUB_MM < width < WIDEST_STUB_MM):
        return burr
    middle = (burr.low_mm + burr.high_mm) / 2
    return Place("tab stub", burr.low_mm, burr.high_mm, middle, Measured(float(np.median(top)), burr.size.u))


def _coarse(edge: Along, profile: Array) -> Place | None:
    """The edge as a whole, if it is rough all along."""
    if edge.length_mm < COARSE_LEAST_MM:
        return None
    waves = profile - long_wave(profile, edge.step_mm, COARSE_CUTOFF_MM, edge.closed).values
    rms = 1.4826 * float(np.nanmedian(np.abs(waves))) if np.isfinite(waves).any() else 0.0
    count = max(1, int(edge.length_mm / COARSE_WINDOW_MM))
    rough = [_rms(piece) > COARSE_WINDOW_RMS * COARSE_LIMIT_MM for piece in np.array_split(waves, count)]
    if rms < COARSE_LIMIT_MM / 2 or np.mean(rough) < COARSE_SHARE:
        return None
    clean = waves[np.abs(waves) < WAVE_PEAK * rms]
    size = Measured(_rms(clean), float(COARSE_U_SHARE * rms))
    return Place("coarse edge", 0.0, edge.length_mm, edge.length_mm / 2, size) if size.value > COARSE_LIMIT_MM / 2 else None


def _rms(values: Array) -> float:
    seen = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(seen**2))) if len(seen) else 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Survey:
    """All edges and corners of one contour, in walking order; each edge says by number which corners it lies between.

    lost_mm: length of the contour along which no rim was seen.
    """

    corners: tuple[RoundedCorner, ...]
    edges: tuple[EdgeCondition, ...]
    lost_mm: float

    def dressed(self) -> list[Dressed]:
        """The edge where something stands off it or into it: the bottoms of nicks, and the form under what will come off."""
        return [_dressed_place(edge, place) for edge in self.edges for place in edge.places if place.kind != "coarse edge"]


def _dressed_place(condition: EdgeCondition, place: Place) -> Dressed:
    edge = condition.edge
    inside = (edge.at_mm >= place.low_mm) & (edge.at_mm <= place.high_mm)
    depth = np.nan_to_num(np.minimum(condition.profile_mm[inside], 0.0))
    if place.kind == "nick":
        depth = depth * place.size.value / max(float(-depth.min(initial=0.0)), 1e-9)
    return Dressed(edge.form_mm[inside] + depth[:, None] * edge.out[inside], max(place.size.u, FORM_U_MM), place.kind == "nick")


FORM_U_MM = 0.03
"""Standard uncertainty of an edge's form from the border: where the break hides (on renders)."""


def survey(view: View, contour_px: Array, visible: Array, fitted: Sequence[Edge | Round]) -> Survey:
    """Survey a closed rough contour (N, 2) px with its fitted edges; visible (N,) False where it is no edge."""
    straights = [edge for edge in fitted if isinstance(edge, Straight)]
    border = trace_border(view, contour_px, visible, straights)
    pieces = walk(border, straights)
    break_mm = _common_break_mm(straights)
    corners = tuple(_dressed(piece, break_mm) for piece in pieces if isinstance(piece, RoundedCorner))
    edges = tuple(edge_condition(edge) for edge in edges_along(border, pieces))
    return Survey(corners, edges, float((~border.seen).sum()) * border.step_mm)


SURE_SHARE, HIDDEN_SHARE = 0.9, 0.3
BREAK_LEFT, BREAK_U_SHARE, UNKNOWN_BREAK_U_MM = 0.5, 0.35, 0.03
"""Share of an edge's break by which the border lies inside of the edge's limit, its standard uncertainty, and what is
allowed where no edge shows a break for sure (on renders: 0.5 ± 0.3; sharp edges show none)."""


def _common_break_mm(straights: Sequence[Straight]) -> float | None:
    """Median break, by length, of the edges that show one for sure, else of those that may; None where none does."""
    broken = [edge for edge in straights if edge.fitted.broken_share > SURE_SHARE]
    sure = [edge for edge in broken if edge.fitted.hidden_share < HIDDEN_SHARE]
    breaks = sorted((edge.fitted.break_mm, float(np.hypot(*(edge.end - edge.start)))) for edge in sure or broken)
    if not breaks:
        return None
    lengths = np.cumsum([length for _, length in breaks])
    median = breaks[int(np.searchsorted(lengths, lengths[-1] / 2))][0]
    return median if sure else min(median, USUAL_BREAK_MM)


USUAL_BREAK_MM = 0.1
"""Common practice, no source. A larger one moves a corner no more than this: film and paint make breaks that are none."""


def _dressed(corner: RoundedCorner, break_mm: float | None) -> RoundedCorner:
    """A corner of the border, as a corner of the edge's limit: the break lies between the two."""
    moved = BREAK_LEFT * min(break_mm, USUAL_BREAK_MM) if break_mm is not None else 0.0
    u = BREAK_U_SHARE * break_mm if break_mm is not None else UNKNOWN_BREAK_U_MM
    radius = max(0.0, corner.radius + (moved if corner.kind == "outside" else -moved))
    return replace(corner, radius=radius, radius_u=float(np.hypot(corner.radius_u, u)))
