#!/usr/bin/env python3
"""Quantiles by numpy's default definition, "linear": number 7 of Hyndman and Fan, Sample Quantiles in Statistical
Packages, The American Statistician 50 (1996). Table: quantiles.tsv, of daemon/recordings/src/calibrate/tests.rs.

    python3 tests/published/quantiles.py [--write]
"""
import numpy

from tables import HERE, settle, versions

SAMPLES = [
    [1, 2, 3, 4, 5, 6, 7, 8, 9, 10],
    [2.0, 2.0, 2.5, 3.0, 118.2],
    [29.6, 30.0, 30.7, 31.1],
    [7.0],
]
PARTS = [0, 0.05, 0.25, 0.5, 0.95, 0.995, 1]


def main():
    rows = [
        f"{' '.join(map(str, sample))}\t{part}\t{float(numpy.quantile(sample, part))!r}"
        for sample in SAMPLES
        for part in PARTS
    ]
    settle(HERE / "quantiles.tsv", versions("numpy"), ["sorted sample\tpart\tquantile", *rows])


main()
