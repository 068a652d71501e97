"""Makes `hourly.csv` from the size distributions that the PyPI package AeroViz carries. Not run by any test.

    pip download --no-deps AeroViz==0.5.1
    unzip -j AeroViz-*.whl AeroViz/data/DEFAULT_PNSD_DATA.csv
    python make.py DEFAULT_PNSD_DATA.csv > hourly.csv

The source holds dN/dlog10(d) per cm3 in 167 bins evenly spaced in log d from 11.8 to 2,437 nm, hourly. Numbers at or
above a size are sums of dN/dlog10(d) times the part of each bin that lies above it; an hour with any missing bin stays
empty. Three figures are kept.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np

SIZES_NM = (300, 500, 1000, 2000)


def main(path: str) -> None:
    """Print the table."""
    with Path(path).open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file)
    middles = np.log10(np.array(head[1:], dtype=float))
    inner = (middles[1:] + middles[:-1]) / 2
    edges = np.concatenate([[2 * middles[0] - inner[0]], inner, [2 * middles[-1] - inner[-1]]])
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow(["hour", *(f"per_m3_at_{size / 1000:g}_um" for size in SIZES_NM)])
    for hour, *cells in rows:
        values = np.array([float(cell) if cell else np.nan for cell in cells])
        above = (
            1e6 * float(values @ np.clip(edges[1:] - np.maximum(edges[:-1], np.log10(s)), 0, None)) for s in SIZES_NM
        )
        out.writerow([hour[:16], *("" if np.isnan(value) else f"{value:.3g}" for value in above)])


if __name__ == "__main__":
    main(sys.argv[1])
