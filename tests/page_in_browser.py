"""The page for people in a real browser: drives Chromium by its remote-debugging protocol against the running demo.

    page_in_browser.py PROGRAM AXE FOLDER

Could go wrong: the browser refuses what its own policy forbids, something is fetched from elsewhere, somebody cannot read it (axe in
light and dark, narrow and wide), it cannot be used by keyboard, or it goes on showing machines after nobody guards them any more.
Leaves screenshots in FOLDER. Ends with an error at the first thing that is not as it should be.
"""

import base64
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from websockets.sync.client import connect

PROGRAM, AXE, FOLDER = sys.argv[1], Path(sys.argv[2]).read_text(), Path(sys.argv[3])
# Generous: a busy computer is not a fault.
PATIENCE = 60
SIZES = {"phone": (360, 780), "wall": (1400, 900)}


class Browser:
    """One tab."""

    def __init__(self, folder):
        self.process = subprocess.Popen(
            ["chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
             "--disable-dev-shm-usage", "--remote-debugging-port=0", f"--user-data-dir={folder}", "about:blank"],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        for line in self.process.stderr:
            if found := re.search(r"ws://[^/]+/devtools/browser/\S+", line):
                break
        self.socket = connect(found[0], max_size=None)
        self.number, self.session, self.events = 0, None, []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network", "Accessibility"):
            self.call(f"{domain}.enable")

    def call(self, method, **params):
        self.number += 1
        message = {"id": self.number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        self.socket.send(json.dumps(message))
        while True:
            answer = json.loads(self.socket.recv(timeout=PATIENCE))
            if answer.get("id") == self.number:
                assert "error" not in answer, (method, answer)
                return answer["result"]
            self.events.append(answer)

    def js(self, expression):
        result = self.call("Runtime.evaluate", expression=expression, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in result, result["exceptionDetails"]
        return result["result"].get("value")

    def until(self, what, expression):
        end = time.monotonic() + PATIENCE
        while not self.js(expression):
            assert time.monotonic() < end, f"waited too long: {what}"
            time.sleep(0.2)

    def dress(self, scheme, width, height):
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 500)
        self.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])

    def shoot(self, name, whole=True):
        shot = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        (FOLDER / f"{name}.png").write_bytes(base64.b64decode(shot["data"]))

    def key(self, key, text=""):
        code = {"Tab": 9, "Enter": 13, " ": 32}[key]
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code,
                      text=text if kind == "keyDown" else "")


LIVE = "document.getElementById('cover')?.hidden && !document.getElementById('page').inert"
COVERED = "document.getElementById('cover')?.hidden === false && document.getElementById('page').inert"


def looks(browser, state):
    """What axe finds, and whether anything sticks out, in every dress."""
    for scheme in ("light", "dark"):
        for size, (width, height) in SIZES.items():
            browser.dress(scheme, width, height)
            browser.js("typeof axe") == "object" or browser.js(f"{AXE};1")
            found = browser.js("axe.run(document).then(({violations, passes}) => ({passes: passes.length, violations: "
                               "violations.map(({id, nodes}) => [id, nodes.slice(0, 3).map((node) => [node.html, node.failureSummary])])}))")
            assert not found["violations"], (state, scheme, size, json.dumps(found["violations"], indent=1))
            assert found["passes"] > 5, found
            wide = browser.js("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            assert wide <= 0, f"{state}, {scheme}, {size}: {wide} px stick out"
            browser.shoot(f"{state}-{scheme}-{size}")
    print(f"{state}: axe has no findings in light and dark, 360 px and 1,400 px")


def walk(browser):
    """By keyboard alone: past the head, through every machine, and what each rests on opens and closes."""
    browser.dress("light", *SIZES["wall"])
    browser.js("document.activeElement.blur()")
    here = ("(() => { const it = document.activeElement; const line = getComputedStyle(it); "
            "return [it.tagName, it.textContent, line.outlineStyle !== 'none' && parseFloat(line.outlineWidth) >= 2]; })()")
    browser.key("Tab")
    assert browser.js(here) == ["A", "To the machines", True], browser.js(here)
    browser.key("Enter", "\r")
    browser.until("the skip link leads to the machines", "document.activeElement.id === 'machines'")
    machines = browser.js("[...document.querySelectorAll('#rows summary')].map((summary) => summary.textContent)")
    assert len(machines) == 5, machines
    for machine in machines:
        browser.key("Tab")
        tag, text, visible = browser.js(here)
        assert (tag, text, visible) == ("SUMMARY", machine, True), (tag, text, visible)
        for opened in ("true", "false"):
            browser.key("Enter", "\r")
            browser.until(f"{machine} opens and closes", f"document.activeElement.parentNode.open === {opened}")
    print(f"keyboard: {len(machines)} machines are reached, opened and closed; the focus can be seen")


def reads(browser):
    """What a screen reader is given."""
    nodes = browser.call("Accessibility.getFullAXTree")["nodes"]
    named = [(node["role"]["value"], node.get("name", {}).get("value", ""), node) for node in nodes if not node.get("ignored")]
    roles = [role for role, _, _ in named]
    for landmark in ("banner", "main", "contentinfo"):
        assert roles.count(landmark) == 1, (landmark, roles.count(landmark))

    def level(node):
        return next(it["value"]["value"] for it in node["properties"] if it["name"] == "level")

    headings = [(level(node), name) for role, name, node in named if role == "heading"]
    assert [name for depth, name in headings if depth == 1] == ["Birch Lane workshop"], headings
    machines = [name for depth, name in headings if depth == 3]
    assert len(machines) == 5 and all(name.endswith(".") for name in machines), headings
    pictures = [name for role, name, _ in named if role in ("image", "img")]
    assert len(pictures) == 5 and all("at most in the last" in name for name in pictures), pictures
    live = [role for role in roles if role in ("status", "log", "alert")]
    assert live == ["status"], live
    print(f"screen reader: {len(headings)} headings, each machine's is its sentence; one live region")


def stops(browser, demo):
    """Nothing is heard any more: the page covers itself, and lives again after."""
    demo.send_signal(signal.SIGSTOP)
    browser.until("covered after the server has stopped", COVERED)
    assert "Not live" in browser.js("document.title")
    text = browser.js("document.getElementById('cover').innerText")
    assert text.startswith("Not live") and "Nothing has been heard" in text, text
    top = "document.elementFromPoint(innerWidth / 2, innerHeight / 2).closest('#cover') !== null"
    assert browser.js(top), "something shows through"
    looks(browser, "not-live")
    demo.send_signal(signal.SIGCONT)
    browser.until("live again", LIVE)
    assert browser.js("document.querySelectorAll('#rows > li').length") == 5
    print("stopped: covered, and live again when it went on")


def harmless(browser, origin):
    """The browser had nothing to refuse, and fetched nothing from elsewhere."""
    for event in browser.events:
        entry = event.get("params", {})
        if event.get("method") == "Log.entryAdded":
            # A stream that is cut while the server stands still is no mistake of the page.
            assert entry["entry"]["source"] == "network", entry
        assert event.get("method") != "Runtime.exceptionThrown", entry
        if event.get("method") == "Network.requestWillBeSent":
            url, method = entry["request"]["url"], entry["request"]["method"]
            assert url.startswith((origin, "data:", "about:")) and method == "GET", (method, url)
    print("policy: nothing was refused, nothing was fetched from elsewhere, everything by GET")


def main():
    FOLDER.mkdir(parents=True, exist_ok=True)
    demo = subprocess.Popen([PROGRAM, "demo", "--keep"], stdout=subprocess.PIPE, text=True)
    try:
        origin = next(found[0] for line in demo.stdout if (found := re.search(r"http://[0-9.:]+/", line)))
        with tempfile.TemporaryDirectory() as folder:
            browser = Browser(folder)
            try:
                browser.call("Page.navigate", url=origin)
                browser.until("live", f"{LIVE} && document.querySelectorAll('#rows > li').length === 5")
                browser.until("a window is open", "document.querySelector('.window:not([hidden])') !== null")
                browser.dress("light", *SIZES["wall"])
                browser.shoot("held-light-wall")
                browser.dress("dark", *SIZES["phone"])
                browser.shoot("held-dark-phone")
                browser.until("somebody was told", "document.getElementById('said').textContent !== ''")
                looks(browser, "live")
                reads(browser)
                walk(browser)
                browser.until("a machine is locked", "document.getElementById('rows').innerText.includes('Locked by')")
                looks(browser, "locked")
                stops(browser, demo)
                harmless(browser, origin)
            finally:
                browser.process.kill()
                browser.process.wait()
    finally:
        demo.send_signal(signal.SIGCONT)
        demo.kill()
        demo.wait()
    print(f"page: ok; look at the screenshots in {FOLDER}")


main()
