"""A busy detector in Python: an air compressor is busy while its pressure rises or it has just run.

It is built against the same contract as any other (sdk/wit/v1/detector.wit); build.sh builds it. Settings come as JSON, and
there is no clock, no file and no network, only readings and the time that the host passes in.
"""

import json

import wit_world
from componentize_py_types import Err
from wit_world.exports.busy_detector import (
    Assessment,
    Description,
    Reading,
    Signal,
    Value_Number,
    ValueKind,
    Verdict,
)

SCHEMA = {
    "type": "object",
    "additionalProperties": False,
    "required": ["rise_kpa"],
    "properties": {
        "rise_kpa": {
            "type": "number",
            "exclusiveMinimum": 0,
            "description": "Busy when the pressure has risen by more than this within half a minute, in kilopascal.",
        },
        "dwell_s": {
            "type": "number",
            "minimum": 1,
            "maximum": 86400,
            "default": 300,
            "description": "Idle only after this many seconds without a rise.",
        },
    },
}
LOOK_BACK_MS = 30_000


class Memory:
    """What is remembered from call to call: a new object of the class below is made for each."""

    def __init__(self, rise_pa: float, dwell_ms: int):
        self.rise_pa = rise_pa
        self.dwell_ms = dwell_ms
        self.recent: list[Reading] = []
        self.first_ms: int | None = None
        self.rose_ms: int | None = None


memory = Memory(0, 0)


class BusyDetector(wit_world.exports.BusyDetector):
    def describe(self) -> Description:
        pressure = Signal("pressure", ValueKind.NUMBER, "Pa", True, "the pressure in the tank")
        return Description(
            "compressor",
            "1.0.0",
            "busy while the pressure rises, and for a while after",
            [pressure],
            json.dumps(SCHEMA),
        )

    def configure(self, settings: str) -> None:
        global memory
        try:
            given = json.loads(settings)
            rise_pa = float(given["rise_kpa"]) * 1000
            dwell_ms = int(float(given.get("dwell_s", 300)) * 1000)
        except (ValueError, KeyError, TypeError) as fault:
            raise Err(f"{fault}: give rise_kpa, such as 5")
        if rise_pa <= 0:
            raise Err("rise_kpa is not above zero: give kilopascals, such as 5")
        memory = Memory(rise_pa, dwell_ms)

    def observe(self, readings: list[Reading]) -> None:
        for reading in readings:
            if not isinstance(reading.value, Value_Number):
                continue
            if memory.first_ms is None:
                memory.first_ms = reading.at
            memory.recent = [r for r in memory.recent if reading.at - r.at <= LOOK_BACK_MS]
            memory.recent.append(reading)
            lowest = min(r.value.value for r in memory.recent)
            if reading.value.value - lowest > memory.rise_pa:
                memory.rose_ms = reading.at

    def assess(self, now: int) -> Assessment:
        if not memory.recent:
            return Assessment(Verdict.UNKNOWN, "no pressure yet", [], None)
        latest = memory.recent[-1]
        kpa = f"{latest.value.value / 1000:.0f} kPa"
        # Nobody knows what came before the first reading, so that is waited out as well.
        since = memory.rose_ms if memory.rose_ms is not None else memory.first_ms
        quiet_ms = now - since
        if quiet_ms >= memory.dwell_ms:
            return Assessment(Verdict.IDLE, f"{kpa}, no rise for {quiet_ms // 1000} s", [latest], None)
        left = memory.dwell_ms - quiet_ms
        if memory.rose_ms is None:
            return Assessment(Verdict.UNKNOWN, f"{kpa}, watched for {quiet_ms // 1000} s", [latest], left)
        return Assessment(Verdict.BUSY, f"{kpa}, rose {quiet_ms // 1000} s ago", [latest], left)
