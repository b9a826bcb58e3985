#!/usr/bin/env python3
"""The review page in a real browser, on a roll that the station proofed: review_test.py BUILD

The browser's part is tests/outside/review_page.mjs (playwright-core and axe-core as pinned in tests/outside, Debian's Chromium)."""
import csv
import io
import json
import os
import pathlib
import random
import re
import signal
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player
from practice import Practice, browser_parts

build = pathlib.Path(sys.argv[1]).resolve()
outside = browser_parts(build, "playwright-core", "axe-core", "@iiif/parser")
pictures = os.environ.get("LAPWRIGHT_TEST_PICTURES", "")  # a folder to look at what the browser saw
tests = pathlib.Path(__file__).resolve().parents[1]

roll = "harbour 1"
practice = Practice(build, rolls=(roll,))
assert Player(practice.lay, seed=3).run(practice.station(300), practice.env) == 0


def refused(listen):
    done = subprocess.run([practice.program, "review", "--listen", listen], env=practice.env, capture_output=True, text=True, timeout=20)
    assert done.returncode == 64 and done.stdout == "" and len(done.stderr.splitlines()) == 1, done
    return done.stderr


# The operator's page is on loopback only (ASVS 5.0, 13.1.1); tablets come in by a door of their own (tablets_test.py).
for listen in ("0.0.0.0:0", "192.0.2.7:5279", "[::]:0"):
    assert "tablets are let in by --tablets" in refused(listen), listen
refused("5279")


def get(url, **headers):
    try:
        with urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=10) as r:
            return r.status, r.read()
    except urllib.error.HTTPError as e:
        return e.code, e.read()


server, url = practice.review()
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

# The trim: the roll's card has it, the ledger names the proof made anew and nothing else, and commands take it.
def told(*command, code=0):
    done = subprocess.run([practice.program, *command], env=practice.env, capture_output=True, text=True, timeout=120)
    assert done.returncode == code, (command, done)
    return json.loads(done.stdout) if done.stdout.startswith("{") else done.stderr


proof = practice.archive / "rolls" / roll / "proof"
wished = {"warmth": 35, "tint": 0, "brightness": 30, "contrast": 25}
trim = told("roll", "trim", roll, "--json")
own = practice.work / "config" / "lapwright" / "profiles" / "stocks" / "c41-daylight-400.yaml"
assert trim["trim"] == wished and trim["trim_of"] == "roll" and trim["stock_trim"] == wished, trim
shipped = (practice.top / "profiles" / "stocks" / own.name).read_text()
assert own.read_text() == shipped.replace("trim: {warmth: 0, tint: 0, brightness: 0, contrast: 0}", "trim: {warmth: 35, tint: 0, brightness: 30, contrast: 25}") != shipped
assert told("stock", "show", "c41-daylight-400", "--json")["trim"] == wished
own.unlink()
made = told("--json", "convert", str(proof / "sheet.tif"), "--stock", "c41-daylight-400", "-o", str(practice.work / "again.jpg"))
assert made["trim"] == wished and made["trim_from"] == "roll", made
made = told("--json", "convert", str(proof / "sheet.tif"), "--stock", "c41-daylight-400", "--warmth", "0", "-o", str(practice.work / "cold.jpg"))
assert made["trim"] == {**wished, "warmth": 0} and made["trim_from"] == "option", made
assert "-100" in told("roll", "trim", roll, "--warmth", "101", code=64)

# Killed wherever: one whole proof is there and named, and the next start finishes or forgets what was begun.
started, dice = time.monotonic(), random.Random(5)
told("roll", "trim", roll, "--warmth", "20")
whole = time.monotonic() - started
for n in range(6):
    command = subprocess.Popen([practice.program, "roll", "trim", roll, "--warmth", str(n)], env=practice.env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(dice.uniform(0.3, 1.02) * whole)
    command.kill()
    command.wait()
    assert (proof / "proof.tif").exists() and (proof / "proof.jpg").exists() and (proof / "sheet.yaml").exists()
    assert told("roll", "trim", roll, "--json")["trim"]["warmth"] in (20, *range(n + 1))
trim = told("roll", "trim", roll, "--as-stock", "--json")
assert trim["trim_of"] == "stock" and not (proof / "anew").exists(), trim
print(f"roll trim: {trim['seconds']:.1f} s for {(proof / 'sheet.tif').stat().st_size / 6e6:.0f} megapixels")
practice.ledger_holds()

chosen = [f["frame"] for f in json.loads(subprocess.run([practice.program, "marks", "list", roll, "--json"], env=practice.env, check=True, capture_output=True).stdout)["frames"]
          if f["verdict"] == "select"]
due = json.loads(subprocess.run([practice.program, "ledger", "due", "--json"], env=practice.env, check=True, capture_output=True).stdout)["full"]
# Two were selects when they were asked for; one was judged otherwise afterwards.
assert len(chosen) == 1 and [d["roll"] for d in due] == [roll] and len(due[0]["frames"]) == 2 and set(chosen) < set(due[0]["frames"]), (chosen, due)
server, url = practice.review()  # and is there again
try:
    # The table of what was said, and the marked sheet on paper: poppler reads it.
    status, table = get(url + "api/marks.csv")
    rows = list(csv.DictReader(io.StringIO(table.decode())))
    assert status == 200 and [r["frame"] for r in rows if r["verdict"] == "select"] == chosen and any(r["note"] for r in rows), table
    assert all(r["due"] == "yes" for r in rows if r["verdict"] == "select")
    status, pdf = get(url + "api/rolls/harbour%201/marked.pdf")
    assert status == 200 and pdf.startswith(b"%PDF"), (status, pdf[:20])
    (practice.work / "marked.pdf").write_bytes(pdf)
    assert get(url + "api/rolls/no-such/marked.pdf")[0] == 404
    # Another program reads collection, manifest, pictures and marks: a IIIF parser of the npm registry.
    seen = json.loads(subprocess.run(["node", tests / "outside" / "iiif_client.mjs", outside, url], check=True, capture_output=True, text=True, timeout=120).stdout)
    assert seen["rolls"] == 1 and seen["frames"] == 36 and seen["pictures"] >= 3 and seen["marks"] >= 6, seen
    known = json.loads(get(url + "api/rolls/harbour%201")[1])
    assert len(known["ink"]) == 3 and any(f["note"] for f in known["frames"]) and any(f["crop"] for f in known["frames"])
finally:
    server.send_signal(signal.SIGTERM)
    assert server.wait(20) == 0

# On paper: the sheet as it was and the marks as lines, 1:1 beside proof.pdf, and a page of what was said.
def pages(pdf):
    return int(re.search(r"Pages:\s+(\d+)", subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout).group(1))


def drawn(pdf, name):
    subprocess.run(["pdftoppm", "-r", "100", "-f", "1", "-l", "1", "-singlefile", pdf, practice.work / name], check=True)
    head, size, most, pixels = (practice.work / f"{name}.ppm").read_bytes().split(b"\n", 3)
    return tuple(map(int, size.split())), pixels


# Verdicts and notes stand in an XMP sidecar, too: exiv2 reads them.
sidecar = subprocess.run(["exiv2", "-PXkt", practice.archive / "rolls" / roll / "marks.xmp"], check=True, capture_output=True, text=True).stdout
assert re.search(r"ImageRegion\[\d+\]/dc:subject(\[1\])?\s+select", sidecar) and "dc:description" in sidecar and f"frame-{chosen[0]}" in sidecar, sidecar
subprocess.run([practice.program, "marks", "print", roll, practice.work / "again.pdf"], env=practice.env, check=True)
plain, marked = practice.archive / "rolls" / roll / "proof" / "proof.pdf", practice.work / "marked.pdf"
assert pages(marked) == pages(plain) + 1 == pages(practice.work / "again.pdf")
(size, before), (same_size, after) = drawn(plain, "plain"), drawn(marked, "marked")
assert size == same_size
reds = sum(1 for i in range(0, len(after), 3) if before[i:i + 3] != after[i:i + 3] and after[i] > 140 and after[i] > after[i + 1] + 70 and after[i] > after[i + 2] + 70)
print("marked sheet:", reds, "pixels of red wax at 100 ppi")
assert reds > 600
said = subprocess.run(["pdftotext", "-layout", marked, "-"], check=True, capture_output=True, text=True).stdout
assert all(re.search(rf"^\s*{f}\s+select\b", said, re.M) for f in chosen), said
subprocess.run([practice.program, "marks", "export", practice.work / "marks.json"], env=practice.env, check=True)
assert [f["frame"] for f in json.loads((practice.work / "marks.json").read_text())["frames"] if f["verdict"] == "select"] == chosen
asked = subprocess.run([practice.program, "want", roll, "--frames", "selects", "--json"], env=practice.env, check=True, capture_output=True)
assert json.loads(asked.stdout)["asked"] == chosen
print("the page, its marks and the ledger agree")
