#!/usr/bin/env python3
"""Frames at full resolution from sleeves laid anyhow: whose sleeve it is and how it lies is seen, only windows of the frames are
captured, each frame is compared with its proof. Where each frame really lies is the practice flatbed's own truth."""
import json
import pathlib
import random
import re
import sqlite3
import subprocess
import sys

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player, centre, compose, rotated_about
from practice import Practice
import tiff

build = sys.argv[1]
PPI, FULL = 300, 600
practice = Practice(build, rolls=("harbour",))
slides = practice.top / "demo" / "scenes" / "more" / "slides.yaml"
subprocess.run([practice.program, "roll", "add", "slides", "--sleeve", "135-7x5", "--stock", "slide-daylight"], env=practice.env, check=True)
on_slides = dict(practice.env, LAPWRIGHT_PRACTICE_BED=str(slides))


def at(m, x, y):
    return m[0] * x + m[2] * y + m[4], m[1] * x + m[3] * y + m[5]


def inverse(m):
    a, b, c, d, e, f = m
    k = 1 / (a * d - b * c)
    r = [d * k, -b * k, -c * k, a * k]
    return r + [-(r[0] * e + r[2] * f), -(r[1] * e + r[3] * f)]


def truth():
    return [json.loads(line) for line in practice.truth.read_text().splitlines()]


def placed(card, nth=0):
    return [float(v) for v in re.findall(r"sleeve_to_pass: \[([^\]]*)\]", card.read_text())[nth].split(",")]


real = {}  # roll -> the proof's sleeve millimetres to the sleeve's own: the proof lies as pass 1 was planned


def want(roll, frames, ppi=FULL):
    subprocess.run([practice.program, "want", roll, "--frames", frames, "--ppi", str(ppi)], env=practice.env, check=True, stdout=subprocess.DEVNULL)


def known(roll):
    return json.loads(subprocess.run([practice.program, "ledger", roll, "--json"], env=practice.env, check=True, capture_output=True, text=True).stdout)


class Anyhow(Player):
    """Lays the sleeve as it is told to, one lay after another, then as asked for."""

    def __init__(self, lays, **more):
        super().__init__(practice.lay, off_mm=1, off_degrees=0.3, **more)
        self.own = list(lays)

    def place(self, event):
        lay = self.own.pop(0) if self.own else self.hand(event["lay"]["sleeve_to_bed"], event["lay"]["window"])
        self.lays[event["pass"]] = lay
        with open(self.lay_file, "w") as f:
            f.write("sleeve_to_bed: [" + ", ".join(repr(v) for v in lay) + "]\n")


def lay(turn, x, y, over=False, middle=(130, 155)):
    """The page's middle put at x, y of the bed, turned."""
    m = rotated_about([-1 if over else 1, 0, 0, 1, 0, 0], turn, 0, 0)
    px, py = at(m, *middle)
    return m[:4] + [x - px, y - py]


def frames_lie_true(roll, player):
    """Each frame's card says where its pixels lie; the flatbed knows where they do."""
    folder = practice.archive / "rolls" / roll / "full"
    worst = 0
    for e in player.of("joined"):
        said = placed(folder / (pathlib.Path(e["file"]).stem + ".yaml"))
        is_so = [compose(t["sleeve_to_pixels"], real[roll]) for t in truth() if t["ppi"] == FULL]
        frame = next(f for f in json.loads((practice.archive / "rolls" / roll / "proof" / "frames.json").read_text())["frames"] if f["frame"] == e["frame"])
        off = min(max(abs(p - q) for c in frame["corners"] for p, q in zip(at(said, *c), at(m, *c))) for m in is_so)
        worst = max(worst, off / FULL * 25.4)
        picture = tiff.Picture(e["file"])
        assert picture.width > 38 / 25.4 * FULL and picture.height > 26 / 25.4 * FULL, (picture.width, picture.height)
        assert (folder / (pathlib.Path(e["file"]).stem + ".jpg")).exists()
    print(f"{roll}: {len(player.of('joined'))} frames, at most {worst:.2f} mm from where they lie")
    return worst


for env, roll in ((practice.env, "harbour"), (on_slides, "slides")):
    player, before = Player(practice.lay, seed=5), len(truth()) if practice.truth.exists() else 0
    assert player.run(practice.station(PPI), env) == 0, player.events[-2:]
    first, = [t for t in truth()[before:] if t["ppi"] == PPI][:1]
    real[roll] = compose(inverse(first["sleeve_to_pixels"]), placed(practice.archive / "rolls" / roll / "proof" / "sheet.yaml"))
    assert (practice.archive / "rolls" / roll / "proof" / "features.json").exists()
    assert player.of("done")[0]["roll"] == roll

# ---- turned by 97 degrees; frames of three strips, neighbours and far apart
want("harbour", "3,4,22")
player = Anyhow([lay(97, 72, 120)])
assert player.run(practice.station(PPI), practice.env) == 0, player.events[-3:]
look, = player.of("look")
assert look["found"] and look["roll"] == "harbour" and look["lay"]["turn"] == 90 and not look["lay"]["mirrored"] and abs(look["off_degrees"] - 7) < 0.3, look
assert sorted(known("harbour")["at_full"], key=int) == ["3", "4", "22"] and not player.of("again")
passes = player.of("captured")
print("windows:", look["windows"], "seconds of look:", round(look["seconds"], 2))
compared = player.of("compared")
assert len(compared) == 3 and all(c["same"] and c["correlation"] > 0.9 and 0.7 < c["sharpness"] for c in compared), compared
assert all(e["resampled"] for e in player.of("joined")), "7 degrees are put upright"
assert frames_lie_true("harbour", player) < 0.5
practice.ledger_holds()

# ---- wrong side up and shifted, straight enough that no sample is changed; the roll has a trim of its own by now
subprocess.run([practice.program, "roll", "trim", "harbour", "--warmth", "30", "--brightness", "10"], env=practice.env, check=True)
want("harbour", "10,11")
player = Anyhow([lay(180.4, 95, 130, over=True)])
assert player.run(practice.station(PPI), practice.env) == 0, player.events[-3:]
assert player.of("look")[0]["lay"]["mirrored"] and not any(e["resampled"] for e in player.of("joined"))
assert frames_lie_true("harbour", player) < 0.5
full = practice.archive / "rolls" / "harbour" / "full"
told = "positive:  # how the proof was made of it\n  trim: {warmth: %d, tint: 0, brightness: %d, contrast: 0}\n  trim_of: %s\n"
assert (full / "frame-10.yaml").read_text().endswith(told % (30, 10, "roll")) and (full / "frame-03.yaml").read_text().endswith(told % (0, 0, "stock"))
for frame in ("frame-03", "frame-10"):  # the one that was made before follows its roll, too
    made = json.loads(subprocess.run([practice.program, "--json", "convert", full / f"{frame}.tif", "--stock", "c41-daylight-400", "-o", practice.work / "positive.tif"],
                                     env=practice.env, check=True, capture_output=True).stdout)
    assert made["trim"] == {"warmth": 30, "tint": 0, "brightness": 10, "contrast": 0} and made["trim_from"] == "roll", made

# ---- another roll's sleeve lies there than the one asked for first: its frames are made, the others stay due
want("harbour", "30")
want("slides", "2,7")
player = Anyhow([lay(-4, 110, 120, middle=(108, 60))])
assert player.run(practice.station(PPI), on_slides) == 0, player.events[-3:]
assert player.of("place")[0]["roll"] == "harbour" and player.of("look")[0]["roll"] == "slides" and player.of("done")[0]["roll"] == "slides", player.events
assert known("slides")["at_full"] == ["2", "7"] and known("harbour")["due"] == ["30"]

# ---- a sleeve that nothing is wanted of is refused; then the frame lies past the edge, is told how to shift, and is made
player = Anyhow([lay(0, 110, 120, middle=(108, 60))])
stop = lambda event, process: event["event"] == "again" and (process.terminate() or True)
player.run(practice.station(PPI), on_slides, until=stop)
refused = player.of("again")[0]
assert "no sleeve that frames are wanted of" in refused["say"] and not player.of("captured") and not player.of("look")[0]["found"], refused
player = Anyhow([lay(0, 60, 60), lay(0, 60, 100)])  # frame 30 lies low down on the page
assert player.run(practice.station(PPI), practice.env) == 0, player.events[-3:]
assert player.of("look") and not player.of("again"), player.of("again")
want("harbour", "1,36")
player = Anyhow([lay(0, 20, 60), lay(0, 140, 165)])  # the first frame of the page and the last
assert player.run(practice.station(PPI), practice.env) == 0, player.events[-3:]
looks = player.of("look")
assert looks[0]["cut"] == ["1"] and looks[0]["windows"] == 1 and [p["pass"] for p in player.of("place")] == [1, 2], looks
assert re.search(r"Slide the sleeve [\d.]+ mm to the right and [\d.]+ mm towards you, for frame 1", player.of("place")[1]["say"]), player.of("place")[1]["say"]
assert known("harbour")["due"] == [] and {"1", "30", "36"} <= set(known("harbour")["at_full"])
practice.ledger_holds()

# ---- killed between two windows: those captured stay, the sleeve may lie otherwise afterwards
want("harbour", "5,33", 1200)
player = Anyhow([lay(3, 101, 127)])
player.run(practice.station(PPI), practice.env, until=lambda event, process: event["event"] == "captured" and (process.kill() or True))
before = len(player.of("captured"))
player = Anyhow([lay(-2, 100, 120)])
assert player.run(practice.station(PPI), practice.env) == 0, player.events[-3:]
assert {"5", "33"} <= set(known("harbour")["at_full"]) and known("harbour")["due"] == []
assert before == 1 and len(player.of("captured")) == player.of("look")[0]["windows"]
practice.ledger_holds()

# ---- one strip alone, out of its sleeve, askew and the other way round
alone = practice.work / "alone.yaml"
scene = practice.scene.read_text()
assert "  slide_mm:" in scene
alone.write_text(scene.replace("  slide_mm:", "  absent: [1, 2, 4, 5, 6]\n  slide_mm:", 1))
want("harbour", "14,17")
player = Anyhow([lay(174, 110, 130, middle=(130, 120))])
assert player.run(practice.station(PPI), dict(practice.env, LAPWRIGHT_PRACTICE_BED=str(alone))) == 0, player.events[-3:]
look, = player.of("look")
assert look["found"] and look["lay"]["turn"] == 180 and 4 <= look["frames_seen"] <= 6, look
assert {"14", "17"} <= set(known("harbour")["at_full"]) and not player.of("again")
assert frames_lie_true("harbour", player) < 0.5

# ---- the mean of three captures under one lay, registered to each other
want("harbour", "9")
before = len(truth())
player = Anyhow([lay(91, 100, 120)])
assert player.run(practice.station(PPI, "--average", "3"), practice.env) == 0, player.events[-3:]
assert len([t for t in truth()[before:] if t["ppi"] == FULL]) == 3 and len(player.of("captured")) == 1 and "9" in known("harbour")["at_full"]
with sqlite3.connect(f"file:{practice.archive}/ledger.sqlite?mode=ro", uri=True) as ledger:
    body, = [json.loads(b) for (b,) in ledger.execute("select body from event where kind like '%captured%' order by seq desc limit 1")]
print("averaged:", body["capture"]["averaged"], body["capture"]["others"])
assert body["capture"]["averaged"] == 3 and not list((practice.archive / "rolls" / "harbour" / "full").glob("*again*"))
assert player.of("compared")[0]["sharpness"] > 0.8, player.of("compared")
practice.ledger_holds()
print("anyhow: found whatever the turn and side, never of another roll")
