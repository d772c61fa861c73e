#!/usr/bin/env python3
"""Firings around gaps and overlaps, by our rule and by published tools. Table: daemon/plan/src/schedules/tests/firings.tsv.

    python3 tests/published/schedules.py [--write]

"ours" is worked out here a second time, minute by minute, from zoneinfo alone: a time in a gap counts at the first
instant after it, a repeated time counts the first time, and equal instants count once. "rfc5545" is RFC 5545, section 3.3.5:
a time in a gap is read with the offset before the gap, a repeated time counts the first time (python-dateutil's
resolve_imaginary does the former).
"""
import zoneinfo
from datetime import datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from tables import ROOT, settle, versions

# The time zones of the package tzdata, and not whatever this computer has.
zoneinfo.reset_tzpath([])
UTC = timezone.utc
CASES = [
    ("Europe/Berlin", "30 2 * * *", "2026-03-28T12:00", 2),
    ("Europe/Berlin", "*/20 2 * * *", "2026-03-28T12:00", 2),
    ("Europe/Berlin", "30 2 * * *", "2026-10-24T12:00", 2),
    ("Europe/Berlin", "30 22 * * *", "2026-03-28T12:00", 2),
    ("Australia/Lord_Howe", "15 2 * * *", "2026-10-03T00:00", 2),
    ("Australia/Lord_Howe", "45 1 * * *", "2026-04-04T00:00", 2),
    ("Africa/Cairo", "0 0 * * *", "2026-04-22T12:00", 3),
    ("Africa/Cairo", "30 0 * * *", "2026-04-22T12:00", 3),
    ("Africa/Cairo", "30 23 * * *", "2026-10-28T12:00", 3),
    ("America/Santiago", "0 0 * * *", "2026-09-05T12:00", 2),
    ("America/Santiago", "30 0 * * *", "2026-09-05T12:00", 2),
    ("America/Santiago", "30 23 * * *", "2026-04-04T12:00", 2),
]


def utc(moment):
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def exists(civil, zone):
    there = civil.replace(tzinfo=zone).astimezone(UTC).astimezone(zone)
    return there.replace(tzinfo=None, fold=0) == civil


def matching(expression, start, days):
    minute, hour = expression.split()[:2]

    def fits(field, value):
        return field == "*" or (value % int(field[2:]) == 0 if field.startswith("*/") else value == int(field))

    civil = start - timedelta(days=1)
    while civil < start + timedelta(days=days + 1):
        if fits(minute, civil.minute) and fits(hour, civil.hour):
            yield civil
        civil += timedelta(minutes=1)


def by_rule(expression, zone, begin, end, gap):
    start = begin.astimezone(UTC).replace(tzinfo=None)
    found = set()
    for civil in matching(expression, start, (end - begin).days):
        moment = gap(civil, zone).replace(tzinfo=zone, fold=0).astimezone(UTC)
        if begin < moment <= end:
            found.add(moment)
    return sorted(found)


def after_gap(civil, zone):
    while not exists(civil, zone):
        civil += timedelta(minutes=1)
    return civil


def offset_before(civil, zone):
    import dateutil.tz

    return dateutil.tz.resolve_imaginary(civil.replace(tzinfo=dateutil.tz.gettz(zone.key))).replace(tzinfo=None)


def by_tool(firings, end):
    found = []
    for moment in firings:
        if moment.astimezone(UTC) > end:
            return found
        found.append(moment)


def croniter_firings(expression, begin, zone):
    from croniter import croniter

    cron = croniter(expression, begin.astimezone(zone))
    while True:
        yield cron.get_next(datetime)


def cronsim_firings(expression, begin, zone):
    from cronsim import CronSim

    return CronSim(expression, begin.astimezone(zone))


def table():
    lines = ["# zone\texpression\tfrom\tuntil\trule\tfirings"]
    for name, expression, start, days in CASES:
        zone = ZoneInfo(name)
        begin = datetime.fromisoformat(start).replace(tzinfo=UTC)
        end = begin + timedelta(days=days)
        rows = {
            "ours": by_rule(expression, zone, begin, end, after_gap),
            "rfc5545": by_rule(expression, zone, begin, end, offset_before),
            "cronsim": by_tool(cronsim_firings(expression, begin, zone), end),
            "croniter": by_tool(croniter_firings(expression, begin, zone), end),
        }
        for rule, firings in rows.items():
            lines.append("\t".join([name, expression, utc(begin), utc(end), rule, " ".join(map(utc, firings))]))
    return lines


def main():
    tools = versions("croniter", "cronsim", "python-dateutil", "tzdata")
    settle(ROOT / "daemon/plan/src/schedules/tests/firings.tsv", tools, table())


main()
