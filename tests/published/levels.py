#!/usr/bin/env python3
"""Where published methods split the draws of one day into idle and busy; compares with the table the tests use.

    pip install scikit-image scikit-learn
    python3 tests/published/levels.py FOLDER            # of recordings; exit 1 when the table differs
    python3 tests/published/levels.py FOLDER --write

Of each meter the first day that has a job. "otsu" is skimage.filters.threshold_otsu over the draws in watts;
"mixture" is the least draw that sklearn.mixture.GaussianMixture, with two components over log(1 + watts), gives to the
higher one.
"""
import csv
import gzip
import importlib.metadata
import pathlib
import sys

import numpy
from skimage.filters import threshold_otsu
from sklearn.mixture import GaussianMixture

TABLE = pathlib.Path(__file__).with_name("levels.tsv")


def first_days(folder):
    with open(folder / "jobs.csv", newline="") as table:
        days = sorted({row["recording"] for row in csv.DictReader(table)})
    meters = {}
    for day in days:
        meters.setdefault(day.rsplit("-", 3)[0], day)
    return meters.values()


def draws(path):
    with gzip.open(path, "rt") as lines:
        next(lines)
        return numpy.array([float(line.split(",")[1]) for line in lines])


def row(folder, day):
    watts = draws(folder / day)
    logs = numpy.log1p(watts).reshape(-1, 1)
    mixture = GaussianMixture(2, random_state=0, n_init=3).fit(logs)
    higher = mixture.predict(logs) == numpy.argmax(mixture.means_)
    return f"{day}\t{threshold_otsu(watts):.1f}\t{watts[higher].min():.1f}"


def main():
    folder = pathlib.Path(sys.argv[1])
    versions = " ".join(f"{name} {importlib.metadata.version(name)}" for name in ("scikit-image", "scikit-learn"))
    rows = [f"# tests/published/levels.py, {versions}", "recording\totsu\tmixture"]
    rows += [row(folder, day) for day in first_days(folder)]
    text = "\n".join(rows) + "\n"
    if "--write" in sys.argv:
        TABLE.write_text(text)
    elif TABLE.read_text().splitlines()[1:] != text.splitlines()[1:]:
        sys.exit(f"{TABLE} differs from:\n{text}")


main()
