#!/usr/bin/env python3
"""The review page in a real browser, on a roll that the station proofed: review_test.py BUILD

The browser's part is tests/outside/review_page.mjs (playwright-core and axe-core as pinned in tests/outside, Debian's Chromium)."""
import json
import os
import pathlib
import shutil
import signal
import sqlite3
import subprocess
import sys
import urllib.error
import urllib.request

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player
from practice import Practice

build = pathlib.Path(sys.argv[1]).resolve()
outside = pathlib.Path(os.environ.get("LAPWRIGHT_TEST_OUTSIDE", build / "outside"))
pictures = os.environ.get("LAPWRIGHT_TEST_PICTURES", "")  # a folder to look at what the browser saw
tests = pathlib.Path(__file__).resolve().parents[1]
pinned = json.loads((tests / "outside" / "package.json").read_text())["dependencies"]
for name in ("playwright-core", "axe-core"):
    installed = outside / "node_modules" / name / "package.json"
    if not installed.exists() or json.loads(installed.read_text())["version"] != pinned[name]:
        sys.exit(f"{installed}: {name} {pinned[name]} is not there; `demo/setup tests` installs it")
if not shutil.which("chromium"):
    sys.exit("chromium is not there; `demo/setup tests` installs it")

roll = "harbour 1"
practice = Practice(build, rolls=(roll,))
assert Player(practice.lay, seed=3).run(practice.station(300), practice.env) == 0


def refused(listen):
    done = subprocess.run([practice.program, "review", "--listen", listen], env=practice.env, capture_output=True, text=True, timeout=20)
    assert done.returncode == 64 and done.stdout == "" and len(done.stderr.splitlines()) == 1, done
    return done.stderr


# Loopback only, as yet (ASVS 5.0, 13.1.1).
for listen in ("0.0.0.0:0", "192.0.2.7:5279", "[::]:0"):
    assert "letting tablets in is not there yet" in refused(listen), listen
refused("5279")


def start():
    server = subprocess.Popen([practice.program, "--json", "review", "--listen", "127.0.0.1:0"], env=practice.env, stdout=subprocess.PIPE, text=True)
    told = ""
    while not told.rstrip().endswith("}"):
        line = server.stdout.readline()
        assert line, "the page did not start"
        told += line
    return server, json.loads(told)["url"]


def get(url, **headers):
    try:
        with urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=10) as r:
            return r.status, r.read()
    except urllib.error.HTTPError as e:
        return e.code, e.read()


server, url = start()
try:
    assert get(url)[0] == 200
    assert get(url, Host="example.org")[0] == 421
    assert get(url + "../ledger.sqlite")[0] == 404
    told = get(url + "iiif/collection.json")
    manifest = json.loads(get(json.loads(told[1])["items"][0]["id"])[1])
    assert sum(len(r["items"]) for r in manifest["structures"]) == 36
    subprocess.run(["node", tests / "outside" / "review_page.mjs", outside, url, roll, *([pictures] if pictures else [])], check=True, timeout=400)
finally:
    server.send_signal(signal.SIGINT)
    assert server.wait(20) == 130

# What was marked outlives the program: the file is JSON of its own, the ledger knows the verdicts, the audit and the manifest hold.
page = json.loads((practice.archive / "rolls" / roll / "marks.json").read_text())
assert page["type"] == "AnnotationPage" and {i["kind"] for i in page["items"]} == {"ink", "verdict", "note", "crop"}, page["type"]
with sqlite3.connect(f"file:{practice.archive}/ledger.sqlite?mode=ro", uri=True) as ledger:
    kinds = [k for (k,) in ledger.execute("SELECT kind FROM event WHERE roll = ? AND kind LIKE 'verdict.%'", (roll,))]
assert "verdict.set" in kinds and "verdict.cleared" in kinds, kinds
practice.ledger_holds()

server, url = start()  # and is there again
try:
    known = json.loads(get(url + "api/rolls/harbour%201")[1])
    assert len(known["ink"]) == 3 and any(f["note"] for f in known["frames"]) and any(f["crop"] for f in known["frames"])
finally:
    server.send_signal(signal.SIGTERM)
    assert server.wait(20) == 0
print("the page, its marks and the ledger agree")
