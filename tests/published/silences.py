#!/usr/bin/env python3
"""What calibration expects of silences that have not been seen yet, by SciPy's distributions. Table: silences.tsv, of
daemon/recordings/src/calibrate/tests.rs.

    python3 tests/published/silences.py [--write]

still unseen: seconds, and the part of a log-uniform distribution from 1 s to 3,600 s between them and 900 s
    (scipy.stats.loguniform).
beyond: spread, by, count, and the chance that one more value of a uniform distribution of unknown ends, which exceeds them
    all, does so by more than that: the predictive density is integrated numerically over both ends (scipy.integrate).
rate: pauses and jobs, and the mean of the rate of pauses under Jeffreys' prior of a Poisson rate (scipy.stats.gamma).
"""
import numpy
from scipy import integrate, stats

from tables import HERE, settle, versions


def beyond(spread, by, count):
    """Values from 0 to `spread`. A uniform law from -low to spread + high has the density (spread + low + high) ** -count;
    the prior is one by its width. The next value lies in (spread, spread + high)."""

    def next_above(least):
        def inner(high):
            # Over low, from 0 to infinity, of (spread + low + high) ** -(count + 2) times the room above.
            inside, _ = integrate.quad(lambda low: (spread + low + high) ** -(count + 2), 0, numpy.inf)
            return (high - least) * inside

        area, _ = integrate.quad(inner, least, numpy.inf)
        return area

    return next_above(by) / next_above(0)


def main():
    lengths = stats.loguniform(1, 3600)
    rows = [f"still unseen\t{at}\t{lengths.sf(at) - lengths.sf(900)!r}" for at in (1, 60, 120, 300, 600, 899)]
    rows += [
        f"beyond\t{spread}\t{by}\t{count}\t{beyond(spread, by, count)!r}"
        for spread, by, count in [(1, 0.1, 2), (1, 1, 2), (1, 0.1, 5), (5, 1, 6), (2, 3, 10)]
    ]
    # The density of a rate under Jeffreys' prior is that of the likelihood times rate ** -0.5.
    rates = [(0, 1), (0, 2), (0, 31), (5, 30)]
    rows += [f"rate\t{seen}\t{jobs}\t{stats.gamma(seen + 0.5, scale=1 / jobs).mean()!r}" for seen, jobs in rates]
    rows = [row.replace("np.float64(", "").replace(")", "") for row in rows]
    settle(HERE / "silences.tsv", versions("numpy", "scipy"), ["what\tof\tresult", *rows])


main()
