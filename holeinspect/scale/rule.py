"""A steel rule: its ticks found, their pitch recognised by which of them are longer. Numbers are not read.

Mat frame: origin at the middle tick, x along the rule, y across it, z = 0 on the table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import ClassVar

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.signal import find_peaks

from holeinspect.edges.profiles import sample
from holeinspect.errors import ScaleNotFound
from holeinspect.measured import Array
from holeinspect.photo import Photo
from holeinspect.scale.camera import Camera
from holeinspect.scale.observed import over, straight_down
from holeinspect.scale.references import RuleReference
from holeinspect.scale.solve import Boundaries
from holeinspect.units import MM_PER_INCH

LONG_SIDE_PX = 2200
"""Long side of the picture in which strokes are looked for."""
SHORTEST_PX, LONGEST_SHARE = 7.0, 0.12
"""Strokes looked at, px and over the long side."""
DIRECTIONS = 6
"""Directions of many parallel strokes that are tried."""
SAME_DIRECTION_RAD = np.radians(4)
BIN_RAD = np.radians(2)
ROW_PX = 3.0
"""Strokes whose ends lie this near to one line begin at one border of the rule."""
LEAST_TICKS = 12
ROW_TRIES = 300
DEPTHS = np.linspace(0.25, 0.7, 7)
"""Where ticks are crossed, as shares of the shortest ones' length from the rule's border."""
STEP_PX = 0.25
LEAST_PITCH_PX = 3.0
EVEN_SHARE = 0.3
"""Largest departure of a spacing from its neighbours', over them, within one run of ticks."""
LEAST_PROMINENCE = 0.3
"""Least height of a tick in the profile, over that of the clear ones."""
WORST_RMS_SHARE = 0.06
"""RMS departure of ticks from an even row in perspective, over their spacing."""
LENGTH_SAMPLES = 60
LONGEST_TICK = 5.0
"""Longest ticks over the shortest."""
DRIFT_PIECES = 4
LEAST_EXPLAINED = 0.93
"""Least share of the spread of tick lengths that a pattern has to explain: wrong ones reach 0.9 (simulated rules)."""
AS_GOOD = 0.04
"""Patterns that explain as much as the best, less this, are as good as it."""
LEAST_PERIODS = 1.3
"""Rows shorter than this many periods of a pattern do not show it."""
RULE_U = 0.0006
"""Relative standard uncertainty of a rule's graduation: 0.1 mm in a decimetre, rectangular (steel rules, from memory)."""
TICK_LEAST_U_PX = 0.1
INDEPENDENT = 10.0
"""Independent pieces that the errors of a row of ticks are worth: the lens bends long stretches alike."""
ROW_U_PX = 1.0


@dataclass(frozen=True, slots=True)
class Pattern:
    """A way in which rules mark their ticks. periods: of ever longer ticks, in ticks."""

    name: str
    pitch_mm: float
    periods: tuple[int, ...]

    def as_long(self, short: float) -> bool:
        """Whether its shortest ticks may be this many pitches long."""
        return SHORT_TICK_MM[0] <= short * self.pitch_mm <= SHORT_TICK_MM[1]

    def ranks(self, numbers: Array) -> Array:
        """How long the ticks of these numbers are to be: 0 for the shortest."""
        return np.asarray(sum((numbers % period == 0).astype(int) for period in self.periods))


SHORT_TICK_MM = (1.5, 5.0)
"""Lengths of a rule's shortest ticks (common practice, no source): what tells apart graduations that are marked alike, such as
1 mm and 0.1 in. Between two, the user is asked."""
PATTERNS = (
    Pattern("1 mm", 1.0, (5, 10)),
    Pattern("0.5 mm", 0.5, (2, 10, 20)),
    Pattern("0.1 in", MM_PER_INCH / 10, (5, 10)),
    Pattern("1/20 in", MM_PER_INCH / 20, (2, 10, 20)),
    Pattern("1/50 in", MM_PER_INCH / 50, (5, 25, 50)),
    Pattern("1/100 in", MM_PER_INCH / 100, (5, 10, 50, 100)),
    Pattern("1/16 in", MM_PER_INCH / 16, (2, 4, 8, 16)),
    Pattern("1/32 in", MM_PER_INCH / 32, (2, 4, 8, 16, 32)),
    Pattern("1/64 in", MM_PER_INCH / 64, (2, 4, 8, 16, 32, 64)),
)
"""Usual graduations of steel rules (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class SeenRule:
    """Ticks (N, 2) px with their numbers (N,) from the middle one, the way along (2,) px, and the pitch in mm."""

    reference: RuleReference
    base_mm: float
    ticks_px: Array
    numbers: Array
    along: Array
    pitch_mm: float
    pattern: str
    u_px: float
    sigma_px: float

    tells_tilt: ClassVar[bool] = False
    tells_roll: ClassVar[bool] = True
    aspect_u: ClassVar[float] = 0.0
    scale_u: ClassVar[float] = RULE_U

    @property
    def name(self) -> str:
        """What messages call it."""
        return f"rule, ticks {self.pattern} apart"

    @property
    def middle_px(self) -> Array:
        """(2,)."""
        return np.asarray(self.ticks_px[np.argmin(np.abs(self.numbers))])

    @property
    def outline_mm(self) -> Array:
        """Border of the row of ticks: (4, 2)."""
        half = self.pitch_mm * float(np.abs(self.numbers).max())
        return np.array([[-half, -ROW_MM], [half, -ROW_MM], [half, ROW_MM], [-half, ROW_MM]])

    def start(self, focal_px: float, size_px: tuple[int, int]) -> Camera:
        """Straight above, as high as the spacing says."""
        spacing_px = float(np.hypot(*(self.ticks_px[-1] - self.ticks_px[0])) / np.ptp(self.numbers))
        depth = focal_px * self.pitch_mm / spacing_px
        roll = -float(np.arctan2(self.along[1], self.along[0]))
        top_mm = self.base_mm + self.reference.thickness_mm
        return over(straight_down(focal_px, size_px, depth + top_mm, roll), self.middle_px)

    def boundaries(self, camera: Camera) -> Boundaries:
        """Each tick along the rule and, weakly, across it."""
        count = len(self.ticks_px)
        mat = np.column_stack([self.pitch_mm * self.numbers, np.zeros(count)])
        across = np.array([-self.along[1], self.along[0]])
        top_mm = np.full(2 * count, self.base_mm + self.reference.thickness_mm)
        u_px = np.repeat([self.u_px, ROW_U_PX * np.sqrt(count / 2)], count)
        return Boundaries(np.tile(mat, (2, 1)), np.tile(self.ticks_px, (2, 1)), np.repeat([self.along, across], count, axis=0),
                          u_px, np.zeros(2 * count), top_mm)  # fmt: skip


ROW_MM = 2.0
"""Half the width of the strip that a row of ticks takes."""


@dataclass(frozen=True, slots=True)
class _Row:
    """Strokes of one direction that begin at one line, full px: a point on it, the ways along it and down the ticks (unit),
    how far it reaches to either side, and the length of its shortest ticks."""

    point_px: Array
    along: Array
    down: Array
    reach: tuple[float, float]
    short_px: float
    count: int


def find_rule(photo: Photo, reference: RuleReference, base_mm: float, at_px: tuple[float, float] | None) -> SeenRule:
    """The longest even row of ticks in the picture.

    Raises ScaleNotFound: none, too fine for the picture, or of a pitch that its ticks do not tell.
    """
    found = [(row, *ticks) for row in _rows(photo.luma, at_px) for ticks in _ticks(photo.luma, row)]
    if not found:
        raise ScaleNotFound(
            f"No row of at least {LEAST_TICKS} even ticks was found in {photo.name}. Lay the rule flat beside the part, in "
            f"focus and out of glare, near enough that its ticks are {LEAST_PITCH_PX:.0f} px or more apart."
        )
    row, at, numbers = _clearest(photo.luma, found)
    points = row.point_px + at[:, None] * row.along + DEPTHS.mean() * row.short_px * row.down
    pattern = _pattern(photo, row, at, numbers, reference)
    middle = int(numbers[len(numbers) // 2])
    spread = _misfit(numbers, at)
    u_px = max(spread, TICK_LEAST_U_PX) * np.sqrt(len(at) / INDEPENDENT)
    return SeenRule(reference, base_mm, points, numbers - middle, row.along, pattern.pitch_mm, pattern.name, float(u_px), 1.0)


def _clearest(luma: Array, found: list[tuple[_Row, Array, Array]]) -> tuple[_Row, Array, Array]:
    """Of the longest rows the one whose ticks are longer and shorter in the way of a rule; dark ticks if nothing tells.

    Looked at from the short ticks' inner ends, a row is as even as from its border, and all its ticks seem alike.
    """
    most = max(len(at) for _, at, _ in found)
    long = [one for one in found if len(one[1]) > NEARLY_AS_LONG * most]
    lengths = [_lengths(luma, row, at) for row, at, _ in long]
    clear = [(max(_explained(pattern, one[2], its) for pattern in PATTERNS), float(np.std(its)))
             for one, its in zip(long, lengths, strict=True)]  # fmt: skip
    return long[max(range(len(long)), key=lambda k: clear[k])]


NEARLY_AS_LONG = 0.75
"""Rows with more than this share of the longest one's ticks are compared."""


def _rows(luma: Array, at_px: tuple[float, float] | None) -> Iterator[_Row]:
    """Rows of parallel strokes, those with most strokes first in each direction."""
    shrink = max(1.0, max(luma.shape) / LONG_SIDE_PX)
    size = round(luma.shape[1] / shrink), round(luma.shape[0] / shrink)
    grey = cv2.convertScaleAbs(cv2.resize(luma, size, interpolation=cv2.INTER_AREA), alpha=255)
    found = cv2.createLineSegmentDetector().detect(grey)[0]
    if found is None:
        return
    strokes = (np.asarray(found, float).reshape(-1, 2, 2) + 0.5) * shrink - 0.5
    length = np.hypot(*(strokes[:, 1] - strokes[:, 0]).T)
    strokes = strokes[(length > SHORTEST_PX * shrink) & (length < LONGEST_SHARE * max(luma.shape))]
    way = strokes[:, 1] - strokes[:, 0]
    angle = np.arctan2(way[:, 1], way[:, 0]) % np.pi
    count, _ = np.histogram(angle, bins=round(np.pi / BIN_RAD), range=(0, np.pi))
    smooth = count + np.roll(count, 1) + np.roll(count, -1)
    for bin_number in np.argsort(-smooth)[:DIRECTIONS]:
        middle = (bin_number + 0.5) * BIN_RAD
        near = np.abs((angle - middle + np.pi / 2) % np.pi - np.pi / 2) < SAME_DIRECTION_RAD
        if near.sum() >= LEAST_TICKS:
            yield from _rows_along(strokes[near], float(middle), ROW_PX * shrink, at_px)


def _rows_along(strokes: Array, angle: float, near_px: float, at_px: tuple[float, float] | None) -> Iterator[_Row]:
    """The largest row among strokes of one direction, with its ticks going down from it, and with them going up."""
    down = np.array([np.cos(angle), np.sin(angle)])
    along = np.array([down[1], -down[0]])
    rng = np.random.default_rng(len(strokes))
    ends = np.sort(strokes @ down, axis=1)
    at = (strokes @ along).mean(axis=1)
    for sign, border in ((1.0, ends[:, 0]), (-1.0, ends[:, 1])):
        best = np.zeros(len(at), bool)
        for _ in range(ROW_TRIES):
            i, j = rng.integers(len(at), size=2)
            if abs(at[i] - at[j]) < 20 * near_px / ROW_PX:
                continue
            slope = (border[j] - border[i]) / (at[j] - at[i])
            if abs(slope) < np.tan(SAME_DIRECTION_RAD):
                inside = np.abs(border - border[i] - slope * (at - at[i])) < near_px
                best = inside if inside.sum() > best.sum() else best
        if best.sum() < LEAST_TICKS:
            continue
        slope, offset = np.polyfit(at[best], border[best], 1)
        turned = along + slope * down
        turned /= np.hypot(*turned)
        point = offset * down  # where at = 0
        length = (ends[:, 1] - ends[:, 0])[best]
        reach = (at[best] - 0.0) * np.hypot(1, slope)
        row = _Row(point, turned, sign * down, (float(reach.min()), float(reach.max())), float(np.quantile(length, 0.25)),
                   int(best.sum()))  # fmt: skip
        if at_px is None or _beside(row, at_px):
            yield row


def _beside(row: _Row, at_px: tuple[float, float]) -> bool:
    """Whether a point lies within the row's length and some tick lengths of it."""
    local = np.array(at_px) - row.point_px
    across = abs(local @ np.array([-row.along[1], row.along[0]]))
    return bool(row.reach[0] < local @ row.along < row.reach[1] and across < NEAR_TICKS * row.short_px)


NEAR_TICKS = 12.0
"""A tap beside a row is meant for it within this many lengths of its short ticks: a rule is as wide."""


def _ticks(luma: Array, row: _Row) -> Iterator[tuple[Array, Array]]:
    """Places along the row (N,) px and numbers (N,) of the longest even run of dark strokes, and of bright ones: which of
    them are ticks and which the spaces between shows in their lengths. Nothing for less than LEAST_TICKS."""
    at = np.arange(row.reach[0] - 2 * row.short_px, row.reach[1] + 2 * row.short_px, STEP_PX)
    points = row.point_px + at[:, None, None] * row.along + (DEPTHS[:, None] * row.short_px) * row.down
    profile = np.nanmean(np.where(np.isfinite(v := sample(luma, points)), v, np.nan), axis=1) if len(at) else np.zeros(0)
    profile = np.nan_to_num(profile, nan=float(np.nanmedian(profile)) if np.isfinite(profile).any() else 0.0)
    if len(profile) < 8 * LEAST_TICKS:
        return
    width = int(LEAST_PITCH_PX * 8 / STEP_PX)
    level = cv2.blur(profile.reshape(1, -1), (2 * width + 1, 1), borderType=cv2.BORDER_REPLICATE).ravel()
    for sign in (-1.0, 1.0):
        run = _even_run(sign * (profile - level), at)
        if run is not None:
            yield run


def _even_run(signal: Array, at: Array) -> tuple[Array, Array] | None:
    """Peaks of the signal that follow each other evenly, with their numbers."""
    clear = float(np.quantile(signal, 0.97))
    peaks, _ = find_peaks(signal, prominence=max(LEAST_PROMINENCE * clear, 0.01), distance=LEAST_PITCH_PX / STEP_PX)
    peaks = peaks[(peaks > 0) & (peaks < len(signal) - 1)]
    if len(peaks) < LEAST_TICKS:
        return None
    place = np.array([_top(signal, peak, at) for peak in peaks])
    spacing = np.diff(place)
    typical = float(np.median(spacing))
    numbers, start, runs = [0], 0, []
    for k, gap in enumerate(spacing):
        local = float(np.median(spacing[max(0, k - 5) : k + 6]))
        local = local if abs(local / typical - 1) < 2 * EVEN_SHARE else typical
        steps = round(gap / local)
        even = 1 <= steps <= 2 and abs(gap / local - steps) < EVEN_SHARE
        if not even:
            runs.append((start, k + 1))
            start = k + 1
        numbers.append(numbers[-1] + max(steps, 1))
    runs.append((start, len(place)))
    first, last = max(runs, key=lambda run: run[1] - run[0])
    if last - first < LEAST_TICKS:
        return None
    chosen, count = place[first:last], np.array(numbers[first:last])
    return _agreeing(chosen, count - count[0])


def _top(signal: Array, peak: int, at: Array) -> float:
    """Middle of a peak above half its height, px."""
    floor = float(min(signal[max(0, peak - 40) : peak + 41].min(), 0.0))
    half = (signal[peak] + floor) / 2
    low = high = peak
    while low > 0 and signal[low - 1] > half:
        low -= 1
    while high < len(signal) - 1 and signal[high + 1] > half:
        high += 1
    weight = signal[low : high + 1] - half
    return float((weight @ at[low : high + 1]) / weight.sum()) if weight.sum() > 0 else float(at[peak])


def _agreeing(place: Array, numbers: Array) -> tuple[Array, Array] | None:
    """The ticks that lie evenly in perspective."""
    kept = np.ones(len(place), bool)
    spacing = float(np.median(np.diff(place)))
    for _ in range(4):
        off = place - _perspective(numbers[kept], place[kept])(numbers)
        limit = max(3 * 1.4826 * float(np.median(np.abs(off[kept]))), 0.15)
        kept = np.abs(off) < limit
        if kept.sum() < LEAST_TICKS:
            return None
    even = float(np.sqrt(np.mean(off[kept] ** 2))) < WORST_RMS_SHARE * spacing
    return (place[kept], numbers[kept]) if even else None


def _perspective(numbers: Array, place: Array) -> Callable[[Array], Array]:
    """The best row of even ticks in perspective, as a function from numbers (N,) to px (N,)."""
    scale = max(1.0, float(np.ptp(numbers)) / 2)
    middle = float(numbers.mean())
    k = (numbers - middle) / scale
    slope, offset = np.polyfit(k, place, 1)
    fit = least_squares(lambda x: (x[0] + x[1] * k) / (1 + x[2] * k) - place, [offset, slope, 0.0], loss="soft_l1", f_scale=0.3)
    a, b, c = fit.x
    return lambda n: np.asarray((a + b * (n - middle) / scale) / (1 + c * (n - middle) / scale))


def _misfit(numbers: Array, place: Array) -> float:
    return float(np.sqrt(np.mean((place - _perspective(numbers, place)(numbers)) ** 2)))


def _pattern(photo: Photo, row: _Row, at: Array, numbers: Array, reference: RuleReference) -> Pattern:
    """The graduation: as stated, or by the lengths of the ticks."""
    if reference.pitch_mm is not None:
        return Pattern(f"{reference.pitch_mm:g} mm", reference.pitch_mm, ())
    lengths = _lengths(photo.luma, row, at)
    explained = {pattern: _explained(pattern, numbers, lengths) for pattern in PATTERNS}
    most = max(explained.values())
    short = float(np.quantile(lengths, 0.25)) * row.short_px / float(np.median(np.diff(at)))
    good = [pattern for pattern, share in explained.items()
            if share > most - AS_GOOD and share > LEAST_EXPLAINED and pattern.as_long(short)]  # fmt: skip
    if not good:
        raise ScaleNotFound(
            f"A rule with {len(at)} ticks was found in {photo.name}, but which of them are longer does not tell their pitch. "
            "Say it (--pitch 1mm, 0.1in, 1/32in), or photograph a longer stretch of the rule."
        )
    if len(good) > 1:
        raise ScaleNotFound(
            f"The rule's ticks in {photo.name} may be {' or '.join(pattern.name for pattern in good)} apart. "
            "Say which (--pitch 1mm)."
        )
    return good[0]


def _lengths(luma: Array, row: _Row, at: Array) -> Array:
    """How far each tick (N,) goes, over the shortest ones' length."""
    deep = np.linspace(0.1, LONGEST_TICK, LENGTH_SAMPLES)
    half_px = np.gradient(at) / 2
    way = row.down + _lean(luma, row, at)[:, None] * row.along

    def down(off_px: Array) -> Array:
        points = row.point_px + (at + off_px)[:, None, None] * row.along + (deep[:, None] * row.short_px) * way[:, None]
        return np.nan_to_num(sample(luma, points))

    step = down(0 * half_px) - (down(-half_px) + down(half_px)) / 2
    sign = np.sign(np.median(step[:, deep < DEPTHS.max()]))
    clear = np.median(sign * step[:, deep < DEPTHS.max()])
    drawn = sign * step > 0.4 * clear
    drawn[:, deep < DEPTHS.max()] = True
    ends = np.argmin(np.column_stack([drawn, np.zeros(len(at), bool)]), axis=1).clip(0, len(deep) - 1)
    return _without_drift(deep[ends])


def _lean(luma: Array, row: _Row, at: Array) -> Array:
    """How far each tick (N,) leans along the row on its way down, px a px: in perspective ticks spread like a fan, and the
    row's own direction is rough."""
    off_px = np.gradient(at)[:, None] * np.linspace(-0.45, 0.45, LEAN_SAMPLES)

    def middle_px(depth: float) -> Array:
        points = row.point_px + (at[:, None] + off_px)[..., None] * row.along + depth * row.short_px * row.down
        values = np.nan_to_num(sample(luma, points))
        paper = (values[:, 0] + values[:, -1]) / 2
        ink = np.abs(values - paper[:, None])
        return np.asarray((ink**2 * off_px).sum(axis=1) / np.maximum((ink**2).sum(axis=1), np.finfo(float).tiny))

    lean = (middle_px(LEAN_DEPTHS[1]) - middle_px(LEAN_DEPTHS[0])) / ((LEAN_DEPTHS[1] - LEAN_DEPTHS[0]) * row.short_px)
    kept = np.ones(len(at), bool)
    for _ in range(3):
        line = np.polyfit(at[kept], lean[kept], 1)
        off = np.abs(lean - np.polyval(line, at))
        kept = off <= 3 * 1.4826 * np.median(off[kept])
    return np.asarray(np.polyval(line, at))


LEAN_DEPTHS = (0.25, 0.85)
"""Where on the shortest ticks their middles are compared."""
LEAN_SAMPLES = 19


def _without_drift(lengths: Array) -> Array:
    """Lengths (N,) as from the ticks' true border: a row laid a little askew makes them grow along it.

    In every graduation half the ticks or more are the shortest, so the lower quarter of a stretch is about as long anywhere.
    """
    pieces = np.array_split(np.arange(len(lengths)), DRIFT_PIECES)
    middle, short = np.array([(piece.mean(), np.quantile(lengths[piece], 0.25)) for piece in pieces]).T
    slope = np.polyfit(middle, short, 1)[0]
    return np.asarray(lengths - slope * (np.arange(len(lengths)) - (len(lengths) - 1) / 2))


def _explained(pattern: Pattern, numbers: Array, lengths: Array) -> float:
    """Share of the spread of the lengths that the pattern explains at its best phase; 0 where it cannot be this pattern.

    Ticks of a higher rank have to be clearly longer, and the longest all alike: were every other of them longer still, the
    pattern would be one of a longer period and the pitch half as much.
    """
    period = pattern.periods[-1]
    numbers, lengths = numbers[1:-1], lengths[1:-1]  # at a rule's ends ticks are cut short, and so is what was seen of them
    if np.ptp(numbers) < LEAST_PERIODS * period or np.ptp(lengths) < 0.2:
        return 0.0
    whole = float(((lengths - lengths.mean()) ** 2).sum())
    best = 0.0
    for phase in range(period):
        ranks = pattern.ranks(numbers + phase)
        present = np.unique(ranks)
        means = np.array([np.median(lengths[ranks == rank]) for rank in present])
        if len(present) <= len(pattern.periods) or np.any(np.diff(means) < LONGER * means[:-1]):
            continue
        top, next_to = lengths[ranks == present[-1]], lengths[ranks == present[-2]]
        if np.median(top) < (1 + LONGER) * next_to.max() or top.min() < np.median(next_to):
            continue
        left = float(((lengths - means[ranks]) ** 2).sum())
        if not _goes_on(numbers + phase, lengths, period):
            best = max(best, 1 - left / whole)
    return best


LONGER = 0.07
"""Least relative difference of two lengths that are meant to differ."""


def _goes_on(numbers: Array, lengths: Array, period: int) -> bool:
    """Whether every other of the longest ticks, at `numbers` that the period divides, is longer still."""
    longest = numbers % period == 0
    groups = [lengths[longest & (numbers // period % 2 == odd)] for odd in (0, 1)]
    if any(len(group) == 0 for group in groups):
        return False
    short, long = sorted(groups, key=lambda group: float(np.median(group)))
    return bool(np.median(long) > (1 + LONGER) * np.median(short))
