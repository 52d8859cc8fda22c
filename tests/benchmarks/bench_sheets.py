"""How long sheets of long lines take, how large they are, and how much memory it takes.

``python -m tests.benchmarks.bench_sheets [KILOMETRES ...]``. The peer is ReportLab's bare canvas, which letters as many
texts on as many pages and draws nothing else. Times are the processor's, peaks those of the whole process so far.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from reportlab.pdfgen.canvas import Canvas

from geofence.outputs.sheets.document import OUTPUT, SVG_OUTPUT, sheets
from tests.plans import MODULE_M, made_up_plan


def main(*lengths_km: float) -> None:
    for length_km in lengths_km or (1.0, 10.0, 50.0):
        with tempfile.TemporaryDirectory() as folder:
            _measure(length_km, Path(folder) / "sheets")


def _measure(length_km: float, file: Path) -> None:
    plan = made_up_plan(int(length_km * 1000 / MODULE_M) + 1, relief=False)
    pdf_s, pdf_mb = _timed_s(partial(OUTPUT.write, plan, file)), file.stat().st_size / 1e6
    svg_s, svg_mb = _timed_s(partial(SVG_OUTPUT.write, plan, file)), file.stat().st_size / 1e6
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    pages = [[item.drawn for item in page.letterings] for page in sheets(plan)]
    bare_s = _timed_s(partial(_letter_all, pages, file))
    print(f"{length_km:g} km: {len(plan.fence.posts)} posts, {len(pages)} sheets, {sum(map(len, pages))} texts")
    print(f"  pdf {pdf_s:7.2f} s {pdf_mb:7.2f} MB   peer {bare_s:7.2f} s   ratio {pdf_s / bare_s:5.2f}")
    print(f"  svg {svg_s:7.2f} s {svg_mb:7.2f} MB   peak {peak_mb:5.0f} MB", flush=True)


def _timed_s(action: Callable[[], object]) -> float:
    start = time.process_time()
    action()
    return time.process_time() - start


def _letter_all(pages: list[list[str]], file: Path) -> None:
    canvas = Canvas(str(file), invariant=1, pageCompression=1)
    for texts in pages:
        canvas.setFont("Helvetica", 7)
        for row, text in enumerate(texts):
            canvas.drawString(20 + row % 40 * 20, 20 + row // 40 * 8, text)
        canvas.showPage()
    canvas.save()


if __name__ == "__main__":
    main(*map(float, sys.argv[1:]))
