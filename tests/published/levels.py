#!/usr/bin/env python3
"""Where published methods split the draws of one day into idle and busy. Table: levels.tsv, of tests/tests/levels.rs.

    python3 tests/published/levels.py FOLDER [--write]

Of each meter the first day that has a job. "otsu" is skimage.filters.threshold_otsu over the draws in watts;
"mixture" is the least draw that sklearn.mixture.GaussianMixture, with two components over log(1 + watts), gives to the
higher one.
"""
import csv
import gzip

import numpy
from skimage.filters import threshold_otsu
from sklearn.mixture import GaussianMixture

from tables import HERE, recordings, settle, versions


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
    folder = recordings() / "power"
    rows = ["recording\totsu\tmixture", *(row(folder, day) for day in first_days(folder))]
    settle(HERE / "levels.tsv", versions("scikit-image", "scikit-learn"), rows)


main()
