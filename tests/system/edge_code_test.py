#!/usr/bin/env python3
"""Drawn film edge codes, read by an outside library and by the program: edge_code_test.py BUILD

The drawings are the tests' own (tests/support/edge_print.h, from the rule of trade.md 1.4). The library (zxing-wasm 3.1.4, trade.md
9.4) confirms that they are what they should be; it prints the same text for all four ways a code can lie, so how it lies is checked
against the drawing alone."""
import collections
import json
import pathlib
import subprocess
import sys
import tempfile

build = pathlib.Path(sys.argv[1]).resolve()
tests = pathlib.Path(__file__).resolve().parents[1]
outside = build / "outside"
pinned = json.loads((tests / "outside" / "package.json").read_text())["dependencies"]["zxing-wasm"]
installed = outside / "node_modules" / "zxing-wasm" / "package.json"
if not installed.exists() or json.loads(installed.read_text())["version"] != pinned:
    sys.exit(f"{installed}: zxing-wasm {pinned} is not there; `demo/setup tests` installs it")

with tempfile.TemporaryDirectory(prefix="lapwright-edge-") as folder:
    drawn = subprocess.run([build / "tests" / "draw_edge_codes", folder], check=True, capture_output=True, text=True).stdout
    cases = [json.loads(line) for line in drawn.splitlines()]
    said = subprocess.run(["node", tests / "outside" / "read_edge_codes.mjs", outside, *(f"{folder}/{c['file']}" for c in cases)],
                          check=True, capture_output=True, text=True).stdout
texts = [json.loads(line) for line in said.splitlines()]
assert len(texts) == len(cases) >= 260, (len(texts), len(cases))

count = collections.Counter()
for case, text in zip(cases, texts):
    kind, printed, read = case["kind"], case["printed"], case["read"]
    count[kind] += 1
    count[kind, "outside"] += text == [printed]
    count[kind, "own"] += read == printed and read != ""
    if kind == "wrong parity":
        assert text == [] and read == "", (case, text)
        continue
    # The program must read all drawings without a fault, and never another code than the printed one.
    assert read in ("", printed), case
    if read:
        assert (case["turned_read"], case["mirrored_read"]) == (case["turned"], case["mirrored"]), case
    if kind in ("vector", "clean"):
        assert read == printed, case
    if kind == "vector":
        assert text == [printed], (case, text)
    count[kind, "outside wrong"] += text not in ([], [printed])
for kind in ("vector", "wrong parity", "clean", "worn"):
    print(f"{kind}: {count[kind]} drawn, the outside library read {count[kind, 'outside']} (and {count[kind, 'outside wrong']} wrong), the program {count[kind, 'own']}")
assert count["worn", "own"] >= 0.95 * count["worn"], count
assert count["clean", "outside"] >= 0.9 * count["clean"] and count["clean", "outside wrong"] == 0, count
assert count["worn", "outside"] >= 0.5 * count["worn"], count  # else the drawings are not what it knows
