"""A cooperative's book: each question to 400 fields × 3 seasons × 5 builds, against reading its latest rows plainly.

Run by hand: ``python tests/benchmarks/season_book.py [FIELDS]``. Processor seconds of one process, start included; the
plain peer opens the file, takes the newest build of every field of the season and parses its JSON, and no more.
"""

import resource
import subprocess
import sys
import tempfile
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import shapely

from vrn.many.book import Entry, record_build
from vrn.many.book_events import record_outcome
from vrn.model.season import Outcome

SEASONS, BUILDS, ZONES, CORNERS = (2024, 2025, 2026), 5, 4, 120
QUESTIONS = {
    "what is due": (), **{f"by {by}": ("--by", by) for by in ("day", "product", "grower", "signer", "state")},
    "since": ("--since", "2026-06-12"), "as of a day": ("--on", "2025-06-20"), "JSON": ("--json",),
}  # fmt: skip
PEER = """
import json, sqlite3, sys
book = sqlite3.connect(sys.argv[1])
rows = book.execute("SELECT summary, crop, outlines, signature FROM build WHERE id IN"
                    " (SELECT max(id) FROM build WHERE season = 2026 GROUP BY key)").fetchall()
print(len([[json.loads(cell) for cell in row] for row in rows]))
"""


def entry(number: int, season: int, build: int) -> Entry:
    """One build of an invented field of four zones."""
    west, south = -94.0 + number % 20 * 0.01, 42.0 + number // 20 * 0.01
    turn = np.linspace(0, 2 * np.pi, CORNERS, endpoint=False)
    outlines = []
    for zone in range(ZONES):
        ring = np.column_stack([west + zone * 0.002 + 0.0009 * np.cos(turn), south + 0.004 * np.sin(turn)]).round(7)
        outline = shapely.geometry.mapping(shapely.MultiPolygon([shapely.Polygon(ring)]))
        outlines.append(
            {
                "type": "Feature",
                "geometry": outline,
                "properties": {
                    "zone": zone + 1,
                    "rate_n_lb_ac": 90.0 + zone,
                    "rate_product": 26.0,
                    "rate_unit": "gal/ac",
                    "acres": 40.0,
                },
            }
        )
    ledger = {f"item {k}": -10.0 * k for k in range(12)}
    summary = {
        "id": f"{number}-{season}-{build}", "approved": number % 3 == 0, "acres": 160.0, "total_product": 4160.0,
        "total_n_lb": 14640.0, "mean_rate_n_lb_ac": 91.5, "units": "us", "product": {"name": "UAN 32", "unit": "gal"},
        "zones": [{"zone": k + 1, "acres": 40.0, "ledger": ledger, "nitrate_ppm": 14.2} for k in range(ZONES)],
        "inputs": {f"file{k}.csv": f"{number:064d}" for k in range(8)},
        "work": {"loads": 5, "hours": 2.7, "cost": 7300.0},
        "files": {f"name{k}": f"{number:064d}" for k in range(25)}, "method": {"key": "remaining-need"},
    }  # fmt: skip
    signature = (
        {"name": f"Signer {number % 4}", "date": f"{season}-06-11"} if build == BUILDS - 1 and number % 3 == 0 else {}
    )
    return Entry(
        field_file=f"/v/{season}/{number}/field.toml", folder=f"/rx/{season}/{number}", status="built", season=season,
        field=f"Field {number:03d}", key=f"id-{number}", grower=f"Grower {number % 40}", summary=summary,
        outlines=outlines, signature=signature, summary_sha256=f"{number}-{season}-{build}",
        crop={"growth_stage": "V8", "sampled_on": f"{season}-06-08",
              "application_date": f"{season}-06-{15 + number % 9}"},
        recorded_at=f"{season}-06-{8 + build:02d}T04:00:00+00:00",
    )  # fmt: skip


def cpu(*command: str) -> float:
    """Processor seconds of a process and what it started."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(command, stdout=subprocess.DEVNULL, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1):
        raise SystemExit(done.returncode)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main(count: int) -> None:
    """Write the book, ask, print."""
    with tempfile.TemporaryDirectory() as folder:
        book = Path(folder) / "season.db"
        for season in SEASONS:
            for build in range(BUILDS):
                record_build(book, *(entry(number, season, build) for number in range(count)))
            applied = Outcome(field="", season=season, what="applied_n_lb", value=14000.0)
            record_outcome(book, *(replace(applied, field=f"Field {number:03d}", key=f"id-{number}",
                                           on=date(season, 6, 15 + number % 9))
                                   for number in range(count if season < SEASONS[-1] else count // 3)))  # fmt: skip
        print(f"{count} fields × {len(SEASONS)} seasons × {BUILDS} builds, {book.stat().st_size / 1e6:.0f} MB")
        plain = min(cpu(sys.executable, "-c", PEER, str(book)) for _ in range(3))
        print(f"{'read plainly':<16} {plain:6.2f} s")
        for name, asked in {**QUESTIONS, "page": ("--html", f"{folder}/season.html")}.items():
            asked = asked if "--on" in asked else ("--on", "2026-06-18", *asked)
            taken = min(cpu(sys.executable, "-m", "vrn", "season", str(book), *asked) for _ in range(2))
            print(f"{name:<16} {taken:6.2f} s  {taken / plain:5.1f} × the plain read")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
