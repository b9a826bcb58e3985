#!/usr/bin/env python3
"""How quick the review page is: page.py BUILD [--ppi N] [--keep FOLDER]

A sheet proofed on the practice flatbed (2400 ppi: some 500 megapixels) is opened in Chromium as the page shows it, and beside it in the same run as a
plain folder of the same tiles that a static server hands out; then twelve readers pan over it while a pass is captured at a carriage's pace. Prints
what it measured; ends non-zero when a figure does not hold."""
import argparse
import json
import os
import pathlib
import re
import signal
import statistics
import subprocess
import sys
import urllib.request

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "system"))
from player import Player
from practice import Practice

ask = argparse.ArgumentParser()
ask.add_argument("build", type=pathlib.Path)
ask.add_argument("--ppi", type=int, default=2400)
ask.add_argument("--rounds", type=int, default=5)
asked = ask.parse_args()
here, build = pathlib.Path(__file__).resolve().parent, asked.build.resolve()
outside = pathlib.Path(os.environ.get("LAPWRIGHT_TEST_OUTSIDE", build / "outside"))
bad = []


def expect(what, measured, most, unit):
    holds = measured <= most
    print(f"  {what:<68} {measured:9.2f} {unit:<3} at most {most:6.2f}  {'holds' if holds else 'DOES NOT HOLD'}", flush=True)
    if not holds:
        bad.append(what)


practice = Practice(build, rolls=("quay",))
if Player(practice.lay, seed=5).run(practice.station(asked.ppi), practice.env, errors=subprocess.DEVNULL) != 0:
    sys.exit("the sheet was not proofed")
server, url = practice.review(stderr=subprocess.DEVNULL)


def get(path):
    with urllib.request.urlopen(url.rstrip("/") + path, timeout=30) as reply:
        return reply.read()


def browser(*words):
    return subprocess.Popen(["node", here / "page.mjs", outside, *map(str, words)], stdout=subprocess.PIPE, text=True)


try:
    image = re.sub(r"^https?://[^/]+", "", json.loads(get("/api/rolls/quay"))["image"])
    info = json.loads(get(f"{image}/info.json"))
    width, height, tile = info["width"], info["height"], info["tiles"][0]["width"]
    still, tiles = practice.work / "still", 0
    (still / "i").mkdir(parents=True)
    (still / "openseadragon.min.js").write_bytes(get("/page/openseadragon.min.js"))
    for factor in info["tiles"][0]["scaleFactors"]:
        step = tile * factor
        for y in range(0, height, step):
            for x in range(0, width, step):
                w, h = min(step, width - x), min(step, height - y)
                region = f"{x},{y},{w},{h}/{-(-w // factor)},{-(-h // factor)}/0"
                (still / "i" / region).mkdir(parents=True)
                (still / "i" / region / "default.jpg").write_bytes(get(f"{image}/{region}/default.jpg"))
                tiles += 1
    (still / "i" / "info.json").write_text(json.dumps(dict(info, id="ORIGIN/i")))
    print(f"A sheet of {width * height / 1e6:.0f} megapixels in {tiles} tiles; the page and a plain folder of the same tiles, {asked.rounds} rounds each in turns", flush=True)
    seen = json.loads(browser("look", url, still, "quay", asked.rounds).communicate(timeout=300)[0])
    for what, name in (("first", "first picture whole"), ("tiles", "all its tiles there"), ("jump", "1:1 jump whole")):
        ours, plain = (statistics.median(seen[who][what]) / 1000 for who in ("page", "folder"))
        print(f"  {name}: page {ours:.3f} s (worst {max(seen['page'][what]) / 1000:.3f}), plain folder {plain:.3f} s (worst {max(seen['folder'][what]) / 1000:.3f})")
        if what == "tiles":
            continue  # the folder's first picture; the page shows its own in one piece before
        expect(f"{name}, the page", ours, 1, "s")
        expect(f"{name}, the page over the plain folder", ours / plain, 1.1, "x")

    # A carriage of its own pace: what is measured is the station, not how fast the practice flatbed draws.
    scene = practice.work / "paced.yaml"
    text = practice.scene.read_text()
    scene.write_text(re.sub(r"(?m)^bed:\n", "bed:\n  line_seconds: 0.006\n", text))
    assert "line_seconds" in scene.read_text(), "the scene's bed is written otherwise"

    def capture(name):
        env = dict(practice.env, LAPWRIGHT_PRACTICE_BED=str(scene), LAPWRIGHT_ARCHIVE=str(practice.work / name))
        subprocess.run([practice.program, "roll", "add", "other", "--sleeve", "135-6x6", "--stock", "c41-daylight-400"], env=env, check=True, capture_output=True)
        player = Player(practice.lay, seed=6)
        player.run(practice.station(600), env, errors=subprocess.DEVNULL, until=lambda e, process: e["event"] == "captured" and (process.kill() or True))
        return player.of("captured")[0]["seconds"]

    quiet, busy, readers = [], [], None
    for turn in range(2):
        quiet.append(capture(f"alone-{turn}"))
        readers = browser("readers", url, image, 12)
        try:
            busy.append(capture(f"read-{turn}"))
        finally:
            readers.send_signal(signal.SIGTERM)
            told = json.loads(readers.communicate(timeout=30)[0])
        print(f"  12 readers panning: {told['tiles']} tiles, {told['wrong']} wrong, half within {told['p50']:.1f} ms, 99 % within {told['p99']:.1f} ms, worst {told['worst']:.1f} ms")
        if told["wrong"] or told["tiles"] < 100:
            bad.append("tiles")
    print(f"  a pass captured alone in {min(quiet):.2f} s, beside twelve readers in {min(busy):.2f} s")
    expect("capture beside twelve readers over capture alone", min(busy) / min(quiet), 1.05, "x")
finally:
    server.send_signal(signal.SIGTERM)
    server.wait(20)
sys.exit(1 if bad else 0)
