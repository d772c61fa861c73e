"""What the program writes, read by other people's checkers. Ends with an error at the first fault.

life PORT PAGE FOLDER   gives a running guard something to do, then reads its page for monitors
week JOURNAL            puts a week of three machines into a journal, in place of what is there
written FOLDER          reads what was written into the folder: events, schemas, the reports
"""

import json
import pathlib
import queue
import sqlite3
import sys
import time
import urllib.error
import urllib.request
import zlib

import html5lib
import jsonschema
import paho.mqtt.client as paho
from cloudevents.core.formats.json import JSONFormat
from prometheus_client.openmetrics.parser import text_string_to_metric_families


def life(port, page, _folder):
    heard = queue.Queue()
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_message = lambda client, userdata, message: heard.put(message)
    client.on_connect = lambda client, *_: client.subscribe("idlegate/#", qos=1)
    client.connect("127.0.0.1", port)
    client.loop_start()

    def wait(topic, is_it, again=lambda: None):
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            again()
            try:
                message = heard.get(timeout=0.2)
            except queue.Empty:
                continue
            if message.topic == topic and is_it(json.loads(message.payload)):
                return
        raise AssertionError(f"not heard on {topic}")

    def draws():
        client.publish("meters/bench-1", json.dumps({"watts": 118.4}))

    wait("idlegate/health", lambda health: health["guard"] == "guarding")
    client.publish("outlets/bench-1/says", "on", qos=1, retain=True)
    wait("idlegate/machine/filament-printer", lambda it: it["state"] == "busy", draws)
    client.publish("buttons/bench-1", "press")
    wait("idlegate/decision", lambda it: it["decision"] == "held")
    # An incident, a request that is refused, and two messages that cannot be read.
    client.publish("outlets/bench-1/says", "off", qos=1, retain=True)
    wait("idlegate/incident", lambda it: it["kind"] == "off-by-another-route")
    client.publish("idlegate/request/console", json.dumps({"machine": "filament-printer", "request": "force-off"}))
    wait("idlegate/decision", lambda it: it["input"] == "console")
    client.publish("buttons/bench-1", '{"nonsense')
    client.publish("meters/bench-1", b"\xff\xfe")
    client.loop_stop()

    with urllib.request.urlopen(f"http://127.0.0.1:{page}/metrics") as answer:
        assert answer.headers["Content-Type"].startswith("application/openmetrics-text"), answer.headers
        families = list(text_string_to_metric_families(answer.read().decode()))
    samples = [sample for family in families for sample in family.samples]
    assert all(family.documentation for family in families), [it.name for it in families if not it.documentation]
    assert any(sample.labels.get("machine") == "filament-printer" for sample in samples), samples
    print(f"validators: OpenMetrics by prometheus_client: {len(families)} families, {len(samples)} samples")
    # 503 until the page has heard that the link is up.
    for _ in range(300):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{page}/health") as answer:
                assert json.load(answer)["guard"] == "guarding"
                return
        except urllib.error.HTTPError as error:
            assert error.code == 503, error
            time.sleep(0.1)
    raise AssertionError("never healthy")


def week(journal):
    """As the journal's own description has it: every row with its sum, in the order in which things happened."""
    day, minute = 86_400_000, 60_000
    begin = int(time.time() * 1000) - 7 * day + 10 * minute
    stamp = lambda wall: time.strftime("%Y-%m-%dT%H:%M:%S.000Z", time.gmtime(wall / 1000))
    rows = [(begin, "start", None, {"rules": "3f"})]
    for number, machine in enumerate(["filament-printer", "kiln", "mill"]):
        add = lambda at, kind, body: rows.append((at, kind, machine, body))
        asked = lambda at, request, decision, reason, **more: add(
            at,
            "decision",
            {"input": "bench-button", "gesture": "press", "request": request, "decision": decision, "reason": reason,
             "sentence": f"Of <{machine}> & \"{decision}\".", "detectors": [], "rules": "3f", "shadow": False, **more},
        )
        add(begin + number, "outlet", {"state": "on"})
        for nth in range(7 * 3):
            # A job of hours, a pause, one that is cut by its outlet's own button, a night switched off by the guard.
            job = begin + nth * day // 3 + 10 * minute
            add(job, "state", {"state": "busy", "reasons": ["455 W, busy above 100 W"]})
            asked(job + 20 * minute, "off", "held", "machine-busy", state="busy", outlet="on")
            end = job + (60 + 30 * number) * minute
            if nth % 5 == 4:
                add(end, "outlet", {"state": "off"})
                add(end + 1, "incident", {"kind": "off-by-another-route", "over": False, "urgent": True,
                                          "sentence": "It was switched off, but not through Idlegate."})
            else:
                add(end, "state", {"state": "idle", "reasons": ["62 W, below 90 W for 3 min"]})
                add(end + 15 * minute, "silence", {"end": "lasted", "dwell_s": 180.0, "pauses": 3, "pause_longest_s": 97.5})
                asked(end + 20 * minute, "off", "acted", "machine-idle", state="idle", outlet="on")
                add(end + 20 * minute, "order", {"switch": "off", "cause": "plain", "resend": 0, "shadow": False})
                add(end + 20 * minute + 1, "outlet", {"state": "off"})
            add(job + day // 3 - 20 * minute, "outlet", {"state": "on"})
            add(job + day // 3 - 20 * minute, "state", {"state": "unknown", "reasons": ["no reading of power yet"]})
            for from_ in range(job, job + day // 3 - 20 * minute, 30 * minute):
                watts = 455.5 if from_ < end else 0.0
                joules = [None if nth == 3 and part < 9 else watts * 60 for part in range(30)]
                add(from_ + 30 * minute, "energy", {"from": stamp(from_), "joules": joules, "watts_max": 3 * watts,
                                                   "silent_s": 540.0 if nth == 3 else 0.0})
    with sqlite3.connect(journal) as file:
        boot, boot_id = file.execute("SELECT id, boot_id FROM boot ORDER BY id DESC").fetchone()
        file.execute("DELETE FROM record")
        for seq, (wall, kind, machine, body) in enumerate(sorted(rows, key=lambda row: row[0]), 1):
            text, mono = json.dumps(body), wall - begin + 1000
            summed = "\n".join(map(str, [seq, boot_id, mono, wall, kind, machine or "", text]))
            file.execute(
                "INSERT INTO record (seq, boot, mono_ms, wall_ms, kind, machine, body, crc) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (seq, boot, mono, wall, kind, machine, text, zlib.crc32(summed.encode())),
            )
    print(f"validators: a week of three machines in {len(rows)} records")


def written(folder):
    folder = pathlib.Path(folder)
    events = [JSONFormat().read(None, line) for line in (folder / "events.jsonl").read_text().splitlines()]
    assert len(events) > 5, events
    ids = {(event.get_source(), event.get_id()) for event in events}
    assert len(ids) == len(events), "source and id together name one event"
    print(f"validators: CloudEvents by cloudevents: {len(events)} events of {len({it.get_type() for it in events})} types")

    schemas = [json.loads(path.read_text()) for path in sorted(folder.glob("*.schema.json"))]
    for path in sorted(folder.glob("*.inspected.json")):
        schemas.append(json.loads(path.read_text())["description"]["settings_schema"])
    assert len(schemas) >= 6, len(schemas)
    for schema in schemas:
        # Without it the checker would take whatever draft it likes.
        assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema", schema["$schema"]
        jsonschema.Draft202012Validator.check_schema(schema)
    print(f"validators: JSON Schema by jsonschema: {len(schemas)} schemas keep to draft 2020-12")

    for name in ["report.html", "week.html"]:
        report = (folder / name).read_bytes()
        document = html5lib.HTMLParser(strict=True).parse(report)
        ids = [element.get("id") for element in document.iter() if element.get("id")]
        assert len(ids) == len(set(ids)), f"an id names one element: {sorted(ids)}"
        text = "".join(document.itertext())
        assert "Printer <" in text, "the machine's title"
        plots = sum(1 for element in document.iter() if str(element.tag).endswith("}svg"))
        if name == "week.html":
            assert plots >= 3 and "kiln" in text and "mill" in text, (plots, text[:500])
        print(f"validators: HTML by html5lib: {name}, {len(report)} bytes with {plots} plots, parses without an error")


if sys.argv[1] == "life":
    life(int(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
elif sys.argv[1] == "week":
    week(sys.argv[2])
else:
    written(sys.argv[2])
