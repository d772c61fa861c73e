#!/usr/bin/env python3
"""Newton's law of cooling in the exercises of OpenStax, Calculus Volume 2 (Strang and Herman, 2016). Table: newton.tsv,
of plugins/temperature-decay/src/newton.rs.

    python3 tests/published/newton.py [--write]

The book gives its answers rounded ("book" below); here the differential equation is integrated by
scipy.integrate.solve_ivp, and the times and rates are found by scipy.optimize.brentq, so that no closed form of ours
is needed. Temperatures are in degrees Fahrenheit. The numbers of the examples, and the book's answers, are from memory.
"""
import sys

from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from tables import HERE, settle, versions

# What it is, room, first temperature, time and temperature of the second look, and what is asked: the time at which it
# has a temperature, or the temperature at a time, and the book's answer with half a unit of its last place.
CASES = [
    ("Example 2.45 coffee first cool enough, min", 70, 200, 2, 180, "time of", 175, 2.5, 0.25),
    ("Example 2.45 coffee too cold, min", 70, 200, 2, 180, "time of", 155, 5.0, 0.25),
    ("Section 2.8 exercises: thawing vegetables, h", 44, 1, 2, 12, "time of", 33, 9 + 13 / 60, 0.5 / 30),
    ("Section 2.8 exercises: turkey", 70, 165, 10, 155, "at", 20, 146, 0.5),
    ("Example 4.13 pizza, min", 75, 350, 5, 340, "time of", 300, 27.1, 0.05),
    ("Checkpoint 4.13 cake within 5 degrees, min", 70, 450, 10, 330, "time of", 75, 114, 0.5),
]


def temperature(time, room, first, rate):
    solved = solve_ivp(lambda _, y: -rate * (y - room), (0, time), [first], method="DOP853", rtol=1e-12, atol=1e-12)
    return solved.y[0, -1]


def asked(room, first, time, second, what, value):
    rate = brentq(lambda rate: temperature(time, room, first, rate) - second, 1e-6, 1)
    if what == "at":
        return temperature(value, room, first, rate)
    return brentq(lambda later: temperature(later, room, first, rate) - value, 1e-3, 1_000)


def main():
    rows = []
    for name, room, first, time, second, what, value, book, within in CASES:
        found = asked(room, first, time, second, what, value)
        if abs(found - book) > within:
            sys.exit(f"newton.py: {name}: {found}, where the book says {book}")
        rows.append(f"{name}\t{room}\t{first}\t{time}\t{second}\t{what}\t{value}\t{found:.7g}")
    header = "where\troom\tfirst\tlater\tsecond\tasked\tof\tanswer"
    settle(HERE / "newton.tsv", versions("scipy"), [header, *rows])


main()
