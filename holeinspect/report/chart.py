"""The rim chart: deviation of one rim from its fitted circle round the clock, unrolled, as SVG or PNG.

Pure: no file is read or written. matplotlib is imported when the first chart is drawn. The same rim gives the same bytes.
Clock hours: 12 is up in the upright photo, clockwise as seen in it. Deviations are positive into the opening.
"""

from __future__ import annotations

import html
import io
import re
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from holeinspect.inspection import Condition, Finding, Hole, OtherOpening
from holeinspect.measured import Array
from holeinspect.report import words
from holeinspect.units import MM_PER_INCH, LengthUnit, show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Sheet

Rim: TypeAlias = Hole | OtherOpening
Numbered: TypeAlias = tuple[int, Finding]

SIZE_IN = (7.2, 3.0)
"""Width and height of a chart: fills a phone held across, and half a printed page."""
PNG_DPI = 150
HOURS = 12.0
GAP_STEPS = 3.0
"""A stretch between two entries of more than this many usual steps was not seen."""
LEAST_REACH = 1.6
"""The scale of deviations reaches at least this many limits up, so that a clean rim looks as flat as it is."""
LEAST_SPACE = 0.085
"""Between two labels at the right border, over the chart's height."""

# Okabe and Ito, Color Universal Design, 2008: apart in all common kinds of colour blindness; the lines differ in kind too.
BLUE, VERMILION, GREY, INK = "#0072B2", "#D55E00", "#595959", "#101010"
BAND_OPACITY = 0.25

_SETTINGS: Any = {
    "svg.fonttype": "none",  # text stays text: the reader's own fonts, found by search and by screen readers
    "svg.hashsalt": "holeinspect",  # names inside the file, the same each time
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
}
_ONE_AT_A_TIME = threading.Lock()
"""matplotlib's settings belong to the whole process."""


@dataclass(frozen=True, slots=True)
class _Line:
    """A level across the chart: where (chart's unit), how it is drawn, and what stands at its right end."""

    level: float
    text: str
    colour: str
    style: Any


def rim_chart_svg(rim: Rim, units: LengthUnit, findings: Sequence[Finding] = (), part: str | None = None) -> str:
    """The chart as an `<svg>` element that may stand inside a page, with a title and a description for screen readers.

    findings: of the whole inspection; those on this rim of the part are marked with their number in it, from 1. part: its
    name, needed where the inspection has several. A rim that was not examined gives a chart that says so.
    """
    marked = on_rim(rim, findings, part)
    with _drawn(rim, units, marked) as sheet:
        target = io.StringIO()
        sheet.savefig(target, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    own = re.sub(r"[^\w-]", "-", "-".join(filter(None, ("rim", part, rim.name))))
    return _for_a_page(target.getvalue(), own, f"Rim of {rim.name}, unrolled", description(rim, units, marked))


def rim_chart_png(rim: Rim, units: LengthUnit, findings: Sequence[Finding] = (), part: str | None = None) -> bytes:
    """The same chart as the bytes of a PNG."""
    with _drawn(rim, units, on_rim(rim, findings, part)) as sheet:
        target = io.BytesIO()
        sheet.savefig(target, format="png", dpi=PNG_DPI, metadata={"Software": None})
    return target.getvalue()


def description(rim: Rim, units: LengthUnit, findings: Sequence[Numbered] = ()) -> str:
    """What the chart shows, in sentences, for those who cannot see it."""
    condition = rim.condition
    if condition is None:
        return f"The rim of {rim.name} was not examined for burrs."
    at = "" if condition.protrusion_at is None else f" at {words.clock(condition.protrusion_at)}"
    told = [
        f"Deviation of the rim of {rim.name} from its fitted circle, round the clock, 12 up in the photo.",
        f"Greatest protrusion into the opening {words.length(condition.protrusion, units)}{at}; "
        f"limit {show(condition.limit_mm, None, units)}; "
        f"smallest burr that this photo shows here {show(condition.smallest_shown_mm, None, units)}.",
    ]
    if not condition.shown:
        told.append("A burr of the limit would not have shown: the rim is not known to be clean.")
    for number, found in findings:
        told.append(f"{number}: {words.finding_name(found, False)}, {words.finding_size(found, units)}.")
    return " ".join(told)


def on_rim(rim: Rim, findings: Sequence[Finding], part: str | None = None) -> list[Numbered]:
    """The findings on this rim with their number among those given, from 1."""
    return [
        (number, found)
        for number, found in enumerate(findings, 1)
        if found.subject == rim.name and part in (None, found.part)
    ]


@contextmanager
def _drawn(rim: Rim, units: LengthUnit, findings: Sequence[Numbered]) -> Iterator[Sheet]:
    """The finished chart, while matplotlib's settings are ours."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with _ONE_AT_A_TIME, rc_context(_SETTINGS):
        sheet = Figure(figsize=SIZE_IN)
        axes = sheet.add_axes((0.11, 0.16, 0.65, 0.64))
        sheet.text(0.012, 0.92, _heading(rim, units), size=10, weight="bold", color=INK)
        sheet.text(0.012, 0.85, _key(rim), color=INK)
        _clock_axis(axes)
        axes.set_ylabel(f"into the opening, {units}")
        if rim.condition is None:
            axes.text(6, 0, "not examined", ha="center", va="center", color=INK)
            axes.set_yticks([])
        else:
            _draw(axes, rim.condition, units, findings)
        yield sheet


def _heading(rim: Rim, units: LengthUnit) -> str:
    condition = rim.condition
    if condition is None:
        return f"{rim.name}: rim not examined"
    at = "" if condition.protrusion_at is None else f" at {words.clock(condition.protrusion_at)}"
    return f"{rim.name}: greatest protrusion {words.length(condition.protrusion, units)}{at}"


def _key(rim: Rim) -> str:
    if rim.condition is None:
        return ""
    filtered = f"filtered at {rim.condition.cutoff:g} {rim.condition.cutoff_unit}; band: ± U (k = 2)"
    line = "line: deviation from the fitted circle" if rim.condition.shown else "Not shown: a burr of the limit could hide here"
    return f"{line}, {filtered}"


def _clock_axis(axes: Axes) -> None:
    axes.set_xlim(0, HOURS)
    axes.set_xticks(range(13), ["12", *(str(hour) for hour in range(1, 13))])
    axes.set_xlabel("o'clock on the rim, as it lies in the photo")
    axes.spines[["top", "right"]].set_visible(False)
    axes.axhline(0, color=GREY, linewidth=0.6)


def _draw(axes: Axes, condition: Condition, units: LengthUnit, findings: Sequence[Numbered]) -> None:
    per_mm = 1.0 if units == "mm" else 1 / MM_PER_INCH
    lines = list(_levels(condition, units, findings, per_mm))
    if condition.profile:
        hours, deviation, u = _round_the_clock(condition.profile)
        axes.fill_between(
            hours, (deviation - 2 * u) * per_mm, (deviation + 2 * u) * per_mm, color=BLUE, alpha=BAND_OPACITY, linewidth=0
        )  # fmt: skip
        axes.plot(hours, deviation * per_mm, color=BLUE, linewidth=1.4)
        for start, end in _unseen(hours, deviation):
            axes.axvspan(start, end, facecolor="none", edgecolor=GREY, hatch="///", linewidth=0)
        low, high = np.nanmin(deviation - 2 * u) * per_mm, np.nanmax(deviation + 2 * u) * per_mm
    else:
        low, high = 0.0, condition.protrusion.value * per_mm
    reach = LEAST_REACH * condition.limit_mm * per_mm
    axes.set_ylim(min(float(low) * 1.15, -reach), max(float(high) * 1.3, reach, max(line.level for line in lines) * 1.1))
    for line in lines:
        axes.axhline(line.level, color=line.colour, linewidth=1.3, linestyle=line.style)
    _label_levels(axes, lines)
    for number, found in findings:
        _mark(axes, condition, per_mm, number, found)


def _levels(
    condition: Condition, units: LengthUnit, findings: Sequence[Numbered], per_mm: float
) -> Iterator[_Line]:
    size = partial(show, U_mm=None, units=units)
    yield _Line(condition.limit_mm * per_mm, f"limit {size(condition.limit_mm)}", VERMILION, "solid")
    yield _Line(
        condition.smallest_shown_mm * per_mm, f"smallest burr\nshown {size(condition.smallest_shown_mm)}", GREY, (0, (1.5, 2))
    )
    nicks = {found.limit_mm for _, found in findings if found.kind == "nick"}
    for limit_mm in nicks:
        yield _Line(-limit_mm * per_mm, f"nick limit {size(limit_mm)}", VERMILION, (0, (6, 3)))


def _round_the_clock(profile: Sequence[tuple[float, float, float]]) -> tuple[Array, Array, Array]:
    """Hours, deviations and their u, in mm, from 12 to 12; a NaN breaks the line where the rim was not seen."""
    entries = np.array(sorted(profile))
    hours = np.concatenate([[entries[-1, 0] - HOURS], entries[:, 0], [entries[0, 0] + HOURS]])
    deviation, u = (np.concatenate([[column[-1]], column, [column[0]]]) for column in entries[:, 1:].T)
    steps = np.diff(hours)
    breaks = np.flatnonzero(steps > GAP_STEPS * np.median(steps)) + 1
    middles = (hours[breaks - 1] + hours[breaks]) / 2
    return tuple(np.insert(column, breaks, filler) for column, filler in ((hours, middles), (deviation, np.nan), (u, np.nan)))  # type: ignore[return-value]  # three of them


def _unseen(hours: Array, deviation: Array) -> Iterator[tuple[float, float]]:
    for at in np.flatnonzero(np.isnan(deviation)):
        yield float(hours[at - 1]), float(hours[at + 1])


def _label_levels(axes: Axes, lines: Sequence[_Line]) -> None:
    """Each level's text at the right border, moved apart where two would lie over each other."""
    bottom, top = axes.get_ylim()
    space = LEAST_SPACE * (top - bottom)
    free_from = -np.inf
    for line in sorted(lines, key=lambda line: line.level):
        needed = space * (1 + line.text.count("\n"))
        middle = max(line.level, free_from + needed / 2)
        free_from = middle + needed / 2
        axes.annotate(
            line.text, (HOURS, line.level), xytext=(HOURS * 1.035, middle), annotation_clip=False, va="center", color=INK,
            arrowprops={"arrowstyle": "-", "color": line.colour, "shrinkA": 1, "shrinkB": 0, "relpos": (0, 0.5)},
        )  # fmt: skip


def _mark(axes: Axes, condition: Condition, per_mm: float, number: int, found: Finding) -> None:
    """The finding's number in a box over its place, and what it is."""
    if found.at is None:
        return
    hour = found.at % HOURS
    sign = -1.0 if found.kind == "nick" else 1.0
    tip = sign * found.size.value * per_mm
    bottom, top = axes.get_ylim()
    align = "left" if hour < HOURS * 0.7 else "right"
    offset = 0.35 if align == "left" else -0.35
    axes.annotate(
        f"{number} {found.kind}", (hour, tip), xytext=(hour + offset, tip + sign * 0.07 * (top - bottom)), ha=align, va="center",
        weight="bold", color=INK, bbox={"boxstyle": "square,pad=0.25", "facecolor": "white", "edgecolor": INK},
        arrowprops={"arrowstyle": "-", "color": INK, "shrinkA": 0},
    )  # fmt: skip


def _for_a_page(svg: str, own: str, title: str, told: str) -> str:
    """The `<svg>` element alone, as wide as the page lets it be.

    Its ids begin with `own`, and it holds no style rules: neither would stay inside the element, and a page may forbid them.
    """
    element = svg[svg.index("<svg") :]
    element = re.sub(r"\s*<(metadata|style)\b.*?</\1>", "", element, flags=re.DOTALL)
    element = re.sub(r'\bid="([^"]+)"', rf'id="{own}-\1"', element)
    element = re.sub(r'(url\(|href=")#', rf"\1#{own}-", element)
    element = re.sub(r' style="([^"]*)"', lambda found: _attributes(found[1]), element)
    opening = element[: element.index(">")]
    bare = re.sub(r' (width|height)="[^"]*"', "", opening)
    labelled = f'{bare} stroke-linejoin="round" role="img" aria-labelledby="{own}-title {own}-desc">'
    texts = (f'<{tag} id="{own}-{tag}">{html.escape(text)}</{tag}>' for tag, text in (("title", title), ("desc", told)))
    return labelled + "".join(texts) + element[len(opening) + 1 :]


def _attributes(style: str) -> str:
    """`fill: none; stroke: #000` as ` fill="none" stroke="#000"` (presentation attributes, SVG 1.1, 6.2)."""
    pairs = (declaration.partition(":") for declaration in style.split(";") if declaration.strip())
    return "".join(f' {name.strip()}="{value.strip()}"' for name, _, value in pairs)
