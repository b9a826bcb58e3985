#!/usr/bin/env python3
"""Every command of the contract but the review page, as a person and a script call it, on the practice flatbed: results and events
against schemas.json, wrong input against its exit code, the commands against the station's own sheet and conversion."""
import csv
import hashlib
import io
import json
import os
import pathlib
import pty
import re
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import xml.etree.ElementTree

import jsonschema

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player
from practice import Practice
from tiff import Picture, mirrored

PPI, STOCK, SLEEVE, BED = 150, "c41-daylight-400", "135-6x6", "practice-8x10"
schemas = json.loads((pathlib.Path(__file__).parent / "schemas.json").read_text())
practice = Practice(sys.argv[1], rolls=())
work, archive = practice.work, practice.archive


def valid(document, name):
    jsonschema.Draft7Validator({"$ref": "#/definitions/" + name, **schemas}).validate(document)
    return document


def bites():
    """The schemas refuse what lacks a member."""
    jsonschema.Draft7Validator.check_schema(schemas)
    for event, lacking in (("key", "at"), ("again", "why"), ("done", "roll"), ("frames", "sure")):
        whole = {"at": "2026-05-02T10:00:00Z", "event": event, "pass": 1, "why": "w", "say": "s", "roll": "r", "job": "full", "seconds": 1, "count": 1, "sure": 1}
        valid(whole, "event")
        try:
            valid({k: v for k, v in whole.items() if k != lacking}, "event")
        except jsonschema.ValidationError:
            continue
        raise AssertionError(f"{event} passes without {lacking}")


def call(*arguments, code=0, env=None):
    done = subprocess.run([practice.program, *map(str, arguments)], env=env or practice.env, capture_output=True, text=True, cwd=work, timeout=120,
                          stdin=subprocess.DEVNULL)
    assert done.returncode == code, (arguments, done.returncode, code, done.stdout, done.stderr)
    return done


def result(name, *arguments, code=0, env=None):
    """One JSON document on standard output and nothing else there, as its schema wants it."""
    return valid(json.loads(call(*arguments, "--json", code=code, env=env).stdout), name)


def held():
    """All that is kept: every file of the archive and of the test's folder, when it was written, and what the ledger says."""
    files = {str(p.relative_to(work)): (p.stat().st_size, p.stat().st_mtime_ns) for p in sorted(work.rglob("*"))
             if p.is_file() and not p.name.startswith("ledger.sqlite") and p.name != "truth.jsonl"}
    rolls = call("ledger", "--json").stdout if (archive / "ledger.sqlite").exists() else None
    return files, rolls


def refused(code, says, *arguments, env=None):
    """Wrong input: one line that says it, the exit code of sysexits.h, nothing printed as a result, nothing changed."""
    before = held()
    done = call(*arguments, code=code, env=env)
    lines = done.stderr.splitlines()
    assert len(lines) == 1 and lines[0].startswith("lapwright: "), (arguments, lines)
    assert re.search(says, lines[0]), (arguments, says, lines[0])
    assert done.stdout == "", (arguments, done.stdout)
    assert held() == before, (arguments, "something was changed")


def play(seed, *more, until=None, ppi=PPI, mistakes=None, words=None, env=None):
    """Runs the station with an operator; every event must be as the contract says."""
    player = Player(practice.lay, seed=seed, mistakes=mistakes, words=words)
    player.code = player.run(practice.station(ppi, *more), env or practice.env, until)
    for event in player.events:
        valid(event, "event")
    for captured in player.of("captured"):
        told = [e for e in player.of("capture") if e["pass"] == captured["pass"]]
        assert len(told) >= int(captured["seconds"]), ("at least one `capture` a second", captured["seconds"], len(told))
    for captured in {e["pass"]: e for e in player.of("captured")}.values():
        if pathlib.Path(captured["file"]).exists():  # those of full passes go when their frames are made
            assert hashlib.sha256(pathlib.Path(captured["file"]).read_bytes()).hexdigest() == captured["sha256"]
    return player


def like_the_proof(whose, folder, picture):
    """Means of 16 x 16 pixels, whose loss in JPEG is small, of a 16-bit picture and of proof.tif as libtiff's own tool reads it."""
    subprocess.run(["tiff2rgba", "-c", "none", str(folder / "proof.tif"), str(work / "rgba.tif")], check=True, stderr=subprocess.DEVNULL)
    shown = Picture(work / "rgba.tif")
    assert (shown.width, shown.height) == (picture.width, picture.height)
    off = []
    for block, y in enumerate(range(0, picture.height - 15, 16)):
        for x in range(block % 3 * 16, picture.width - 15, 48):
            for c in range(3):
                means = [sum(sum(p.samples[(v * p.width + x) * n + c:(v * p.width + x + 16) * n + c:n]) for v in range(y, y + 16)) / 256
                         for p, n in ((shown, 4), (picture, 3))]
                off.append(abs(means[0] - means[1] / 257))
    off.sort()
    print(f"{whose} against proof.tif: half of {len(off)} means within {off[len(off) // 2]:.2f}, 95 % within {off[len(off) * 95 // 100]:.2f} of 255")
    assert off[len(off) // 2] < 0.5 and off[len(off) * 95 // 100] < 2, "the proof is another conversion"


def at_place(number, act):
    """Acts when the sleeve has just been laid for this pass and the key pressed."""
    def until(event, process):
        if event["event"] == "place" and event["pass"] == number:
            act(process)
            return True
        return False
    return until


def at_a_terminal(keys):
    """The station on a terminal of its own, its events in a file; at each `place` the next key is struck. Returns events and exit code."""
    ours, theirs = pty.openpty()
    stream = work / "events.jsonl"
    stream.unlink(missing_ok=True)
    station = subprocess.Popen([practice.program, "station", "--bed", BED, "--ppi", str(PPI), "--events", str(stream), "--once"], env=practice.env,
                               stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True)
    os.close(theirs)
    operator, seen, until = Player(practice.lay, seed=9), 0, time.monotonic() + 60
    while station.poll() is None and time.monotonic() < until:
        if select.select([ours], [], [], 0.05)[0]:
            try:
                os.read(ours, 4096)
            except OSError:  # the station has gone
                break
        events = [json.loads(line) for line in stream.read_text().splitlines()] if stream.exists() else []
        for event in events[seen:]:
            valid(event, "event")
            if event["event"] == "place":
                operator.place(event)
                os.write(ours, keys.pop(0))
        seen = len(events)
    code = station.wait(20)
    os.close(ours)
    return [json.loads(line) for line in stream.read_text().splitlines()], code


def configured(text):
    folder = work / "config-of-its-own" / "lapwright"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "config.yaml").write_text(text)
    return dict(practice.env, XDG_CONFIG_HOME=str(folder.parent))


bites()

# ---- help: every command tells what it does, its options, and every --help ends well
commands = [[], ["beds"], ["plan"], ["roll"], ["roll", "add"], ["roll", "list"], ["roll", "show"], ["roll", "trim"], ["station"], ["want"], ["join"], ["convert"],
            ["frames"], ["stock"], ["stock", "list"], ["stock", "show"], ["stock", "trim"], ["stock", "fit"], ["ledger"], ["ledger", "due"], ["ledger", "audit"], ["ledger", "export"],
            ["review"], ["archive"], ["archive", "copy"], ["archive", "check"]]
for words in commands:
    shown = call(*words, "--help")
    assert len(shown.stdout.split()) > 20 and shown.stderr == "", (words, shown)
assert re.fullmatch(r"lapwright \d+\.\d+\.\d+\n", call("--version").stdout)
refused(64, "review|subcommand|--help", "nonsense")
refused(64, "--help")

# ---- beds
beds = result("beds", "beds")["beds"]
assert [b["device"] for b in beds] == ["practice:bed"] and BED in beds[0]["profiles"], beds
assert abs(beds[0]["window"]["width"] - 203.2) < 0.1 and 16 in beds[0]["depths"], beds
assert "practice:bed" in call("beds").stdout
probed = result("beds", "beds", "--probe", "practice:bed")["beds"][0]
assert {"source", "depth"} <= {s["option"] for s in probed["settings"]} and not probed["lacks"], probed
assert not "settings" in beds[0]
# The practice flatbed with nothing on it: 14 bits in the high end of the box, an open light below the end of the scale.
checked = result("checked", "beds", "--check")["checked"]
assert all(f["good"] for f in checked["findings"]) and not checked["kept"], checked
assert checked["bits"] == [14, 14, 14] and checked["scale"] != "curved" and max(checked["clipped"]) == 0, checked
assert abs(checked["lit"]["width"] - 203.2) < 1 and min(checked["level"]) > 0.5, checked
refused(69, "nowhere:bed", "beds", "--device", "nowhere:bed")
assert "fault" in result("beds", "beds", "--device", "nowhere:bed", code=69)["beds"][0]

# ---- plan
plan = result("plan", "plan", "--sleeve", SLEEVE, "--bed", BED, "--ppi", PPI)
assert plan["totals"]["passes"] == len(plan["passes"]) == 2
call("plan", "--sleeve", SLEEVE, "--bed", BED, "--ppi", PPI, "--drawing", "lays.svg", "--guide", "guide.pdf")
assert xml.etree.ElementTree.parse(work / "lays.svg").getroot().tag.endswith("svg")
assert (work / "guide.pdf").read_bytes().startswith(b"%PDF")
broken = work / "broken.yaml"
broken.write_text("sleeve: broken\nabout: x\npage: {width: 216, heigth: 279}\n")
refused(78, r"broken\.yaml:3: .*heigth", "plan", "--sleeve", broken, "--bed", BED)
refused(66, "no-such-sleeve", "plan", "--sleeve", "no-such-sleeve", "--bed", BED)
refused(64, "--ppi 151.*150, 300", "plan", "--sleeve", SLEEVE, "--bed", BED, "--ppi", 151)
refused(64, "--sleeve", "plan", "--bed", BED)
refused(64, "--bed", "plan", "--sleeve", SLEEVE)
refused(73, "nowhere", "plan", "--sleeve", SLEEVE, "--bed", BED, "--drawing", "/dev/null/nowhere/lays.svg")
far = work / "far.yaml"
far.write_text((practice.top / f"profiles/sleeves/{SLEEVE}.yaml").read_text().replace(f"sleeve: {SLEEVE}", "sleeve: far"))
wide = re.sub(r"page: \{.*\}", "page: {width: 900, height: 900}", far.read_text())
far.write_text(re.sub(r"first: \{.*?\}", "first: {x: 400, y: 400}", wide))
refused(65, "far", "plan", "--sleeve", far, "--bed", BED)

# ---- roll
refused(66, "no ledger there", "roll", "list")
assert not archive.exists(), "asking made an archive"
added = result("roll", "roll", "add", "test-1", "--sleeve", SLEEVE, "--stock", STOCK, "--shot", "2026-05-02", "--note", "ferry, evening")
assert added["roll"] == "test-1" and added["shot"] == "2026-05-02" and not added["proofed"]
call("roll", "add", "test-2", "--sleeve", SLEEVE, "--stock", STOCK)
assert [r["roll"] for r in result("rolls", "roll", "list")["rolls"]] == ["test-1", "test-2"]
assert result("roll", "roll", "show", "test-1")["note"] == "ferry, evening"
assert "ferry, evening" in call("roll", "show", "test-1").stdout
refused(65, "test-1.*another name", "roll", "add", "test-1", "--sleeve", SLEEVE, "--stock", STOCK)
refused(64, r"2026-13", "roll", "add", "test-3", "--sleeve", SLEEVE, "--stock", STOCK, "--shot", "2026-13")
refused(65, r"\.\./up", "roll", "add", "../up", "--sleeve", SLEEVE, "--stock", STOCK)
refused(66, "no-such-stock", "roll", "add", "test-3", "--sleeve", SLEEVE, "--stock", "no-such-stock")
refused(66, "test-9", "roll", "show", "test-9")

# ---- station: wrong input before anything moves
refused(64, "--key.*hammer|hammer", "station", "--bed", BED, "--key", "hammer")
refused(66, "no-such-bed", "station", "--bed", "no-such-bed")
refused(64, "--ppi 151", "station", "--bed", BED, "--ppi", 151, "--key", "stdin")
refused(73, "--events", "station", "--bed", BED, "--ppi", PPI, "--key", "stdin", "--events", "/dev/null/nowhere")
refused(69, "a4-window-8x10|fits", "station", "--bed", "a4-window-35x230", "--key", "stdin")

# ---- station: killed between its passes, stopped by Ctrl-C, then brought to its end
first = play(1, until=at_place(2, lambda p: p.kill()))
assert [e["pass"] for e in first.of("captured")] == [1]
assert first.of("place")[0]["say"].startswith("Lay the sleeve"), first.of("place")[0]
assert not first.of("place")[1]["say"].startswith("Lay the sleeve"), "the sleeve lies as for pass 1: what is said starts from there"
second = play(2, until=at_place(2, lambda p: p.send_signal(signal.SIGINT)))
assert second.code == 130, second.code
third = play(3)
assert third.code == 0 and third.of("done")[0]["roll"] == "test-1", third.events[-2:]
for again in (second, third):
    assert 1 not in [e["pass"] for e in again.of("captured")], "pass 1 was captured already"
    assert again.of("place")[0]["pass"] == 2 and again.of("place")[0]["say"].startswith("Lay the sleeve"), "nothing lies on the bed after a start"
names = [e["event"] for e in third.events]
order = ["ready", "place", "key", "captured", "joined", "converted", "frames", "done"]
assert [names.index(n) for n in order] == sorted(names.index(n) for n in order), names
proof = archive / "rolls/test-1/proof"
assert {p.name for p in proof.iterdir()} == {"pass-1.tif", "pass-2.tif", "plan.json", "sheet.tif", "sheet.yaml", "proof.tif", "proof.jpg", "proof.pdf",
                                             "proof.xmp", "frames.json", "features.json"}
made_by = valid(json.loads((proof / "plan.json").read_text()), "plan")
station_frames = valid(json.loads((proof / "frames.json").read_text()), "frames")
assert len(station_frames["frames"]) == third.of("frames")[0]["count"] == 36
card = (proof / "sheet.yaml").read_text()
sheet_sum = hashlib.sha256((proof / "sheet.tif").read_bytes()).hexdigest()
assert third.of("joined")[0]["sha256"] == sheet_sum
for word in (sheet_sum, "ppi: 150", SLEEVE, STOCK, "practice:bed", "residual_px", "open_light", "base", "started", "Transparency Window"):
    assert word in card, word
practice.ledger_holds()

# ---- join: the station's own sheet once more
passes = [proof / "pass-1.tif", proof / "pass-2.tif"]
joined = result("join", "join", "--plan", proof / "plan.json", "-o", "joined.tif", *passes)
assert all(l["ok"] for l in joined["laps"]) and pathlib.Path(work / joined["card"]).exists()
ours, theirs = Picture(work / "joined.tif"), Picture(proof / "sheet.tif")
assert (ours.width, ours.height) == (theirs.width, theirs.height)
off = [] if ours == theirs else [abs(a - b) for a, b in zip(ours.samples, theirs.samples) if a != b]
print(f"join against the station's sheet: {len(off)} of {len(ours.samples)} samples differ, at most by {max(off, default=0)} counts")
assert not off
refused(66, "gone.tif", "join", "--plan", proof / "plan.json", "-o", "no.tif", passes[0], work / "gone.tif")
refused(65, "1 passes|1 pass ", "join", "--plan", proof / "plan.json", "-o", "no.tif", passes[0])
refused(64, "one of the passes", "join", "--plan", proof / "plan.json", "-o", passes[0], *passes)
refused(65, r"lays\.svg:1", "join", "--plan", work / "lays.svg", "-o", "no.tif", *passes)
refused(65, r"guide\.pdf", "join", "--plan", proof / "plan.json", "-o", "no.tif", passes[0], work / "guide.pdf")
refused(73, "nowhere", "join", "--plan", proof / "plan.json", "-o", "/dev/null/nowhere/no.tif", *passes)
refused(65, "pass 1 is .* pixels; the plan says", "join", "--plan", proof / "plan.json", "-o", "no.tif", passes[1], passes[0])
mirrored(passes[1], work / "mirrored.tif")
before = held()
bad = call("join", "--plan", proof / "plan.json", "-o", "no.tif", passes[0], work / "mirrored.tif", "--json", code=65)
assert not valid(json.loads(bad.stdout), "join_refused")["laps"][0]["ok"] and held() == before
assert len(bad.stderr.splitlines()) == 1 and "mirrored.tif: The sleeve lies wrong side up" in bad.stderr, bad.stderr

# ---- convert: the station's own conversion once more
by_card = result("convert", "convert", proof / "sheet.tif", "--stock", STOCK, "-o", "by-card.tif")
assert by_card["measured_from"] == "card" and by_card["bits"] == 16
anew = result("convert", "convert", proof / "sheet.tif", "--stock", STOCK, "--sleeve", SLEEVE, "-o", "anew.tif")
assert anew["measured_from"] == "sheet" and len(anew["strips"]) > 0
assert Picture(work / "by-card.tif") == Picture(work / "anew.tif"), "the card's readings are not those that the station measured"
of_joined = result("convert", "convert", "joined.tif", "--stock", STOCK, "-o", "of-joined.tif")
assert of_joined["measured_from"] == "sheet" and Picture(work / "of-joined.tif") == Picture(work / "anew.tif")
told = third.of("converted")[0]
assert max(abs(a - b) for a, b in zip(by_card["base"]["density"], told["base"].values())) < 1e-9
# proof.tif is the same conversion behind JPEG's loss, with numbers drawn in the rebate.
like_the_proof("convert", proof, Picture(work / "by-card.tif"))
eight = result("convert", "convert", proof / "sheet.tif", "--stock", STOCK, "-o", "eight.tif", "--bits", 8)
narrow, positive = Picture(work / "eight.tif"), Picture(work / "by-card.tif")
assert eight["bits"] == narrow.bits == 8 and max(abs(a * 257 - b) for a, b in zip(narrow.samples[::5], positive.samples[::5])) <= 257
assert result("convert", "convert", proof / "sheet.tif", "--stock", STOCK, "-o", "eight.jpg")["bits"] == 8
assert (work / "eight.jpg").read_bytes().startswith(b"\xff\xd8\xff")
refused(64, "--stock", "convert", proof / "sheet.tif", "-o", "no.tif")
refused(64, "is the sheet itself", "convert", proof / "sheet.tif", "--stock", STOCK, "-o", proof / "sheet.tif")
refused(64, "no.png", "convert", proof / "sheet.tif", "--stock", STOCK, "-o", "no.png")
refused(66, "gone.tif", "convert", "gone.tif", "--stock", STOCK, "-o", "no.tif")
refused(65, "eight.jpg", "convert", "eight.jpg", "--stock", STOCK, "-o", "no.tif")
refused(66, "no-such-stock", "convert", proof / "sheet.tif", "--stock", "no-such-stock", "-o", "no.tif")
refused(73, "nowhere", "convert", proof / "sheet.tif", "--stock", STOCK, "-o", "/dev/null/nowhere/no.tif")
refused(78, "convert", "convert", proof / "sheet.tif", "-o", "no.tif", "--outside")
shutil.copy(proof / "sheet.tif", work / "wrong.tif")
(work / "wrong.yaml").write_text(card.replace("ppi: 150", "ppi: many", 1))
refused(65, r"wrong\.yaml:\d+: .*ppi", "convert", "wrong.tif", "--stock", STOCK, "-o", "no.tif")

evened = result("convert", "convert", proof / "sheet.tif", "--stock", STOCK, "-o", "evened.tif", "--even")
assert evened["even"] and not by_card["even"] and Picture(work / "evened.tif") != Picture(work / "by-card.tif")
shutil.copy(proof / "sheet.tif", work / "alone.tif")
refused(64, "--sleeve", "convert", "alone.tif", "--stock", STOCK, "-o", "no.tif", "--even")

# ---- stock: what is known of films, and a new one from a sheet
assert STOCK in [s["stock"] for s in result("stocks", "stock", "list")["stocks"]] and STOCK in call("stock", "list").stdout
shown = result("stock", "stock", "show", STOCK, "--svg", "curve.svg")
assert [t["net_density"] for t in shown["tones"]][:2] == [0, 0.1] and xml.etree.ElementTree.parse(work / "curve.svg").getroot().tag.endswith("svg")
assert "gain: {red: 1.174" in call("stock", "show", STOCK).stdout
fitted = result("stock_fit", "stock", "fit", proof / "sheet.tif", "--stock", "own.yaml")
assert fitted["frames"] > 20 and fitted["file"] == "own.yaml" and fitted["stock"] == "own", fitted
print(f"fitted on the practice sheet: sure {fitted['sure']:.2f}, halves differ by {fitted['halves_differ']:.3f} D, gain {fitted['gain']}, offset {fitted['offset']}")
assert result("stock", "stock", "show", "./own.yaml")["curve"] == fitted["curve"]
assert result("convert", "convert", proof / "sheet.tif", "--stock", "own.yaml", "-o", "by-own.tif")["balance"] == "profile"
refused(73, r"own\.yaml: is there already", "stock", "fit", proof / "sheet.tif", "--stock", "own.yaml")
assert result("stock_fit", "stock", "fit", proof / "sheet.tif", "--stock", "own.yaml", "--replace")["curve"] == fitted["curve"]
refused(64, "FRAME:x,y", "stock", "fit", proof / "sheet.tif", "--stock", "new.yaml", "--neutral", "7:12")
refused(65, "no such frame", "stock", "fit", proof / "sheet.tif", "--stock", "new.yaml", "--neutral", "99:12,8")
refused(65, "outside the frame", "stock", "fit", proof / "sheet.tif", "--stock", "new.yaml", "--neutral", "7:12,80")
refused(65, "its own positive", "stock", "fit", proof / "sheet.tif", "--stock", "new.yaml", "--like", "slide-daylight")
refused(64, "--sleeve", "stock", "fit", "alone.tif", "--stock", "new.yaml")
refused(66, "no-such-stock", "stock", "show", "no-such-stock")
assert result("stock", "stock", "trim", "./own.yaml", "--warmth", 4)["trim"] == {"warmth": 4, "tint": 0, "brightness": 0, "contrast": 0}
assert result("stock", "stock", "trim", "./own.yaml")["curve"] == fitted["curve"]
refused(64, "-100", "stock", "trim", "./own.yaml", "--tint", "-101")

# ---- roll trim: what a roll's positive was made with (review_test.py makes one anew)
untrimmed = result("roll_trim", "roll", "trim", proof.parent.name)
assert untrimmed["trim"] == untrimmed["stock_trim"] and untrimmed["trim_of"] == "stock" and "seconds" not in untrimmed, untrimmed
assert "of stock " + STOCK in call("roll", "trim", proof.parent.name).stdout
refused(66, "test-9", "roll", "trim", "test-9", "--warmth", 1)
refused(64, "not both", "roll", "trim", proof.parent.name, "--warmth", 1, "--as-stock")

# ---- frames
assert result("frames", "frames", proof / "sheet.tif", "--sleeve", SLEEVE, "--stock", STOCK) == station_frames
assert len(call("frames", proof / "sheet.tif", "--sleeve", SLEEVE).stdout.splitlines()) == 37
refused(66, "gone.tif", "frames", "gone.tif", "--sleeve", SLEEVE)
refused(66, "no-such-sleeve", "frames", proof / "sheet.tif", "--sleeve", "no-such-sleeve")
refused(65, r"wrong\.yaml", "frames", "wrong.tif", "--sleeve", SLEEVE)

# ---- want, and the station makes them
assert result("want", "want", "test-1", "--frames", "3,27-28", "--ppi", 300)["due"] == ["3", "27", "28"]
refused(66, "test-9", "want", "test-9", "--frames", "1")
refused(64, "9-7", "want", "test-1", "--frames", "9-7")
refused(65, "99", "want", "test-1", "--frames", "99")
refused(64, "--ppi", "want", "test-1", "--frames", "1", "--ppi", "0")
assert result("due", "ledger", "due")["full"][0]["seconds"] is None, "no bed is known"
due = result("due", "ledger", "due", "--bed", "practice-8x10")
# Three frames of 36 x 24 mm with 2 mm around each, six bytes a pixel; the practice bed's seconds.
assert due["full"][0]["bytes"] == 3 * 6 * round(40 / 25.4 * 300) * round(28 / 25.4 * 300) and due["full"][0]["seconds"] >= 3 and due["proofs"][0]["bytes"] > 0, due
assert "GB on the disk" in call("ledger", "due", "--bed", "practice-8x10").stderr
refused(66, "no-such-bed", "ledger", "due", "--bed", "no-such-bed")
assert [d["roll"] for d in due["proofs"]] == ["test-2"] and due["full"][0]["frames"] == ["3", "27", "28"] and due["full"][0]["ppi"] == 300

# ---- a conversion stage of one's own, at the station: its failure is told and nothing captured is lost; then its picture is the proof
tools = work / "tools"
tools.mkdir()
(tools / "bad").write_text("#!/bin/sh\necho no paper left\nexit 9\n")
(tools / "good").write_text('#!/bin/sh\ntest "$#" = 3 && grep -q "$(sha256sum "$1" | cut -c 1-64)" "$2" && cp "$1" "$3" && echo all well\n')
for tool in tools.iterdir():
    tool.chmod(0o755)
bad = configured(f'convert: ["{tools}/bad", "{{sheet}}", "{{card}}", "{{proof}}"]\n')
failed = play(4, mistakes={2: "half-turn"}, env=bad)
turned = failed.of("again")[0]
after = failed.events[failed.events.index(turned) + 1:]
assert turned["pass"] == 2 and [e for e in after if e["event"] == "place"][0]["say"].startswith("Lay the sleeve"), "it does not lie as for pass 1"
fault = failed.of("fault")[-1]
assert fault["code"] == 78 and "test-2" in fault["say"] and "code 9" in fault["say"] and "no paper left" in fault["say"] and not fault["fatal"], fault
assert failed.code == 78 and not failed.of("converted") and not failed.of("done")
other = archive / "rolls/test-2/proof"
assert not (other / "proof.tif").exists() and [d["roll"] for d in result("due", "ledger", "due")["proofs"]] == ["test-2"]
refused(78, "code 9.*no paper left", "convert", proof / "sheet.tif", "-o", "no.tif", "--outside", env=bad)
good = configured(f'convert: ["{tools}/good", "{{sheet}}", "{{card}}", "{{proof}}"]\n')
worked = play(5, env=good)
assert worked.code == 0 and worked.of("done")[0]["roll"] == "test-2" and not worked.of("captured") and not worked.of("place"), worked.events
like_the_proof("the outside stage", other, Picture(other / "sheet.tif"))
assert worked.of("converted")[0]["stage"] == "outside" and third.of("converted")[0]["stage"] == "built-in"
with sqlite3.connect(f"file:{archive}/ledger.sqlite?mode=ro", uri=True) as kept:  # exit code and last lines of both runs are kept
    facts = [" ".join(map(str, row)) for row in kept.execute("select kind, body from event")]
assert any("job.failed" in f and "no paper left" in f for f in facts) and any("converted.outside" in f and "all well" in f for f in facts), facts[-5:]
outside = result("convert", "convert", proof / "sheet.tif", "-o", "outside.tif", "--outside", env=good)
assert outside["stage"] == "outside" and (work / "outside.tif").read_bytes() == (proof / "sheet.tif").read_bytes()
refused(78, r"config\.yaml:1: .*convert", "roll", "list", env=configured("convert: []\n"))

# ---- the asked-for frames, at full resolution
full = play(6, ppi=PPI)
assert full.code == 0 and full.of("done")[0]["job"] == "full" and full.of("place")[0]["job"] == "full", full.events[-2:]
kept = {p.name for p in (archive / "rolls/test-1/full").iterdir()}
assert kept == {f"frame-{n}.{kind}" for n in ("03", "27", "28") for kind in ("tif", "yaml", "jpg")}, kept
assert abs(Picture(archive / "rolls/test-1/full/frame-03.tif").width - 39 / 25.4 * 300) < 12  # a frame of 36 mm and the film around it
assert result("want", "want", "test-1", "--frames", "3")["already_at_full"] == ["3"]

# ---- ledger
known = result("roll", "ledger", "test-1")
assert known["at_full"] == ["3", "27", "28"] and known["frames_found"] == 36 and known["due"] == []
assert [r["roll"] for r in result("rolls", "ledger")["rolls"]] == ["test-1", "test-2"]
assert result("due", "ledger", "due") == {"proofs": [], "full": []}
assert result("export", "ledger", "export", "out.csv")["bytes"] == (work / "out.csv").stat().st_size
rows = list(csv.DictReader(io.StringIO((work / "out.csv").read_text())))
assert len(rows) == 72 and call("ledger", "export", "-").stdout == (work / "out.csv").read_text()
refused(66, "test-9", "ledger", "test-9")

# ---- the space bar, an event file, and what can be typed in place of the key
call("roll", "add", "test-3", "--sleeve", SLEEVE, "--stock", STOCK)
events, code = at_a_terminal([b" ", b"q"])
assert code == 0 and [e["event"] for e in events if e["event"] in ("ready", "place", "key", "captured", "done")] == [
    "ready", "place", "key", "captured", "place"], events
assert events[0]["key"] == "terminal"
once_more = play(10, words={2: "again"})
assert once_more.code == 0 and [(e["event"], e["pass"]) for e in once_more.events if e["event"] in ("place", "captured")] == [
    ("place", 2), ("place", 1), ("captured", 1), ("place", 2), ("captured", 2)], once_more.events
call("roll", "add", "test-4", "--sleeve", SLEEVE, "--stock", STOCK)
for word in ("skip", "stop"):
    left = play(11, words={1: word})
    assert left.code == 0 and not left.of("key") and not left.of("captured"), (word, left.events)
refused(73, "nowhere", "ledger", "export", "/dev/null/nowhere/out.csv")
practice.ledger_holds()
assert result("audit", "ledger", "audit")["ok"]
whole = passes[0].read_bytes()
passes[0].write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))
(proof / "proof.pdf").rename(work / "away.pdf")
troubled = result("audit", "ledger", "audit", code=1)
assert {(t["path"].split("/")[-1]) for t in troubled["troubles"]} >= {"pass-1.tif", "proof.pdf"} and not troubled["ok"], troubled
passes[0].write_bytes(whole)
(work / "away.pdf").rename(proof / "proof.pdf")
practice.ledger_holds()

# A second place: bags that coreutils can check (RFC 8493).
copies = work / "copies"
assert result("roll", "ledger", "test-1")["unsafe"]
copied = result("bags_copied", "archive", "copy", copies)["bags"]
assert {b["roll"] for b in copied} == {"test-1", "test-2", "test-3"} and all(b["whole"] for b in copied), copied
assert [b["copied"] for b in result("bags_copied", "archive", "copy", copies)["bags"]] == [0, 0, 0]
assert not result("roll", "ledger", "test-1")["unsafe"]
for manifest in ("manifest-sha256.txt", "tagmanifest-sha256.txt"):
    subprocess.run(["sha256sum", "--quiet", "--strict", "-c", manifest], cwd=copies / "test-1", check=True)
assert result("bags_checked", "archive", "check", copies) == {"ok": True, "bags": 3, "troubles": []}
(copies / "test-2" / "data" / "proof" / "proof.jpg").write_bytes(b"x")
assert result("bags_checked", "archive", "check", copies, code=1)["troubles"] == [{"path": "test-2/data/proof/proof.jpg", "trouble": "changed"}]
refused(64, "lies in the archive itself", "archive", "copy", archive / "copies")
refused(66, "is no folder", "archive", "check", work / "nowhere")
before = {r["roll"]: r for r in result("rolls", "ledger")["rolls"] if r["proofed"]}
refused(66, "no archive there", "ledger", "rebuild", "--archive", work / "nowhere")
made = result("rebuild", "ledger", "rebuild")  # beside the ledger that is there, which is kept
assert (archive / made["kept_as"]).exists() and made["proofs"] == len(before), made
for gone in archive.glob("ledger.sqlite*"):
    gone.unlink()
told = call("ledger").stderr  # its copy is there
assert "was gone and is restored from its copy" in told and len(told.splitlines()) == 1, told
for gone in archive.glob("ledger*"):
    gone.unlink()
made = result("rebuild", "ledger", "rebuild")
after = {r["roll"]: r for r in result("rolls", "ledger")["rolls"]}
assert made["kept_as"] == "", made
for name, was in before.items():
    assert after[name]["proofed"] and after[name]["at_full"] == was["at_full"], (was, after[name])
assert result("audit", "ledger", "audit")["ok"]
print("every command holds")
