#!/usr/bin/env python3
"""Is asyncapi-3.0.0.json the schema that the AsyncAPI Initiative publishes?

    python3 tests/published/asyncapi.py SCHEMA [--write]        # SCHEMA: schemas/3.0.0-without-$id.json of @asyncapi/specs

The published file is kept here without its white space; nothing else is changed.
"""
import json
import pathlib
import sys

from tables import HERE

KEPT = HERE / "asyncapi-3.0.0.json"


def main():
    published = json.loads(pathlib.Path(sys.argv[1]).read_text())
    text = json.dumps(published, separators=(",", ":"), ensure_ascii=False) + "\n"
    if "--write" in sys.argv:
        KEPT.write_text(text)
    elif KEPT.read_text() != text:
        sys.exit(f"asyncapi.py: {KEPT.name} is not what was published")
    print(f"asyncapi.py: {KEPT.name} is the published one")


main()
