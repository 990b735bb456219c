"""One photo as files of every size and kind that phones write, each through the whole path: figures, time and memory.

    python benchmarks/files.py [--sample hm101_gusset_a4_black] [--write docs/accuracy.md]

Files of more megapixels than the sample are enlarged from it, as a phone's own 48-megapixel pictures are in part: they show
that size is handled, not that it brings detail.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # run as a script, it needs the tables beside it

import cv2
import numpy as np
import numpy.typing as npt
import typer
from PIL import Image

ROOT = Path(__file__).resolve().parent.parent
CHILD = "--measure-once"
KIB_PER_MB = 1000 * 1000 / 1024
STATUS = Path("/proc/self/status")
"""Linux states the greatest resident size here in KiB, of this program alone: what getrusage says is inherited."""
NEAR_MM = 1.0
"""A hole found within this of another one is the same."""
QUALITY = 92

Pixels = npt.NDArray[np.uint8]


def _encoded(picture: Pixels, exif: Image.Exif | None, kind: str) -> bytes:
    """An RGB or grey picture as a file."""
    stream = io.BytesIO()
    image = Image.fromarray(picture)
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.from_pillow(image).save(stream, quality=QUALITY, exif=exif.tobytes() if exif else None)
    elif kind == "PNG":
        image.save(stream, "PNG", compress_level=1)
    else:
        image.save(stream, "JPEG", quality=QUALITY, **({"exif": exif} if exif else {}))
    return stream.getvalue()


def _sized(picture: Pixels, width: int, height: int) -> Pixels:
    larger = width > picture.shape[1]
    return np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_CUBIC if larger else cv2.INTER_AREA), np.uint8)


def _grey(picture: Pixels) -> Pixels:
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), np.uint8)


Maker = Callable[[Pixels, Image.Exif], bytes]
FILES: Mapping[str, Maker] = {
    "12 MP JPEG, 4032 x 3024": lambda p, e: _encoded(p, e, "JPEG"),
    "48 MP JPEG, 8064 x 6048": lambda p, e: _encoded(_sized(p, 8064, 6048), e, "JPEG"),
    "50 MP JPEG, 8160 x 6144": lambda p, e: _encoded(_sized(p, 8160, 6144), e, "JPEG"),
    "48 MP HEIC": lambda p, e: _encoded(_sized(p, 8064, 6048), e, "HEIF"),
    "2 MP JPEG, 1632 x 1224": lambda p, e: _encoded(_sized(p, 1632, 1224), e, "JPEG"),
    "12 MP HEIC without metadata": lambda p, _: _encoded(p, None, "HEIF"),
    "12 MP monochrome JPEG": lambda p, e: _encoded(_grey(p), e, "JPEG"),
    "screenshot, 2532 x 1899 PNG": lambda p, _: _encoded(_sized(p, 2532, 1899), None, "PNG"),
}


def measure_once(file: Path, settings: Path) -> dict[str, object]:
    """The holes' centres, diameters and U of both, seconds of wall and processor, and peak memory in this process."""
    import holeinspect
    from holeinspect.samples import find_samples

    (setup,) = (sample.setup for sample in find_samples(settings.parent) if settings.name.startswith(sample.name))
    began, busy = time.perf_counter(), time.process_time()
    result = holeinspect.inspect(file, setup)
    seconds = time.perf_counter() - began, time.process_time() - busy
    holes = [(*hole.centre_mm, hole.diameter.value, hole.diameter.U, hole.edge_distance.value if hole.edge_distance else None,
              hole.edge_distance.U if hole.edge_distance else None) for part in result.parts for hole in part.holes]  # fmt: skip
    peak_kib = next(line.split()[1] for line in STATUS.read_text().splitlines() if line.startswith("VmHWM"))
    return {"holes": holes, "seconds": seconds, "peak_mb": int(peak_kib) / KIB_PER_MB}


def compared(told: dict[str, object], truth: list[dict[str, float]]) -> tuple[str, ...]:
    """Cells: holes found, worst error of a diameter and of an edge distance and over U, seconds, memory."""
    holes: list[tuple[float, ...]] = told["holes"]  # type: ignore[assignment]
    errors: dict[str, list[tuple[float, float]]] = {"diameter": [], "edge_distance": []}
    found = 0
    for true in truth:
        near = min(holes, key=lambda hole: float(np.hypot(hole[0] - true["mat_x"], hole[1] - true["mat_y"])), default=None)
        if near is None or np.hypot(near[0] - true["mat_x"], near[1] - true["mat_y"]) > NEAR_MM:
            continue
        found += 1
        for name, value, U in (("diameter", near[2], near[3]), ("edge_distance", near[4], near[5])):
            if value is not None:
                errors[name].append((abs(value - true[name]), U))
    worst = [f"{max(e for e, _ in of):.3f} ({max(e / U for e, U in of):.2f} U)" if of else "-" for of in errors.values()]
    wall, busy = told["seconds"]  # type: ignore[misc]
    return f"{found} of {len(truth)}", *worst, f"{wall:.1f}", f"{busy:.1f}", f"{told['peak_mb']:.0f}"


def main(
    sample: Annotated[str, typer.Option(help="Name of a bundled sample photo.")] = "hm101_gusset_a4_black",
    write_to: Annotated[Path | None, typer.Option("--write", help="Write the table into this page.")] = None,
) -> None:
    """Print figures, time and memory of each kind of file."""
    from benchmarks.tables import Table, show, write

    source = ROOT / "sample_images" / f"{sample}.jpg"
    picture, exif = np.asarray(cv2.cvtColor(cv2.imread(str(source)), cv2.COLOR_BGR2RGB), np.uint8), Image.open(source).getexif()
    exif[0x0112] = 1
    truth = [hole for part in json.loads(source.with_suffix(".truth.json").read_text())["parts"] for hole in part["holes"]]
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for kind, make in FILES.items():
            file = Path(folder) / "photo"
            file.write_bytes(make(picture, exif))
            words = [sys.executable, __file__, CHILD, str(file), str(source.with_suffix(""))]
            done = subprocess.run(words, capture_output=True, text=True, check=False)
            cells = compared(json.loads(done.stdout), truth) if not done.returncode else ("refused", *[""] * 5)
            rows.append((kind, f"{file.stat().st_size / 1e6:.1f}", *cells))
            show([Table(kind, ("",) * len(rows[-1]), rows[-1:])])
    columns = ("file", "MB", "holes", "worst diameter, mm", "worst edge distance, mm", "s", "s of processor", "peak memory, MB")
    made = [Table(f"{sample} as other files", columns, rows)]
    show(made)
    if write_to is not None:
        write(write_to, "files", f"python benchmarks/files.py --sample {sample}", made)


if __name__ == "__main__":
    if CHILD in sys.argv:
        print(json.dumps(measure_once(Path(sys.argv[2]), Path(sys.argv[3]))))
    else:
        typer.run(main)
