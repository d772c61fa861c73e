#!/usr/bin/env python3
"""The energy of whole days, summed by numpy.trapezoid. Table: energy.tsv, of daemon/engine/src/energy/tests.rs.

    python3 tests/published/energy.py FOLDER [--write]

Silences of more than a minute are not bridged, and a reading that is older than the one before it is left out.
"""
import gzip
from datetime import datetime

import numpy

from tables import HERE, recordings, settle, versions

DAYS = [
    "cookingstove-D33097-2011-12-17.csv.gz",
    "dishwasher-B81D04-2012-05-15.csv.gz",
    "printer-D3230E-2011-11-21.csv.gz",
    "washingmachine-D338C9-2012-05-16.csv.gz",
    "iron-D337C2-2011-12-24.csv.gz",
    "projector-D3165A-2011-12-28.csv.gz",
]
SILENCE_MAX_SECONDS = 60


def joules(path):
    with gzip.open(path, "rt") as lines:
        next(lines)
        readings = [line.strip().split(",") for line in lines]
    at = numpy.array([datetime.fromisoformat(time).timestamp() for time, _ in readings])
    watts = numpy.array([float(value) for _, value in readings])
    in_order = at >= numpy.maximum.accumulate(at)
    at, watts = at[in_order], watts[in_order]
    silences = numpy.flatnonzero(numpy.diff(at) > SILENCE_MAX_SECONDS) + 1
    return sum(numpy.trapezoid(w, t) for t, w in zip(numpy.split(at, silences), numpy.split(watts, silences)))


def main():
    folder = recordings() / "power"
    rows = [f"{day}\t{joules(folder / day):.1f}" for day in DAYS]
    settle(HERE / "energy.tsv", versions("numpy"), ["recording\tjoules", *rows])


main()
