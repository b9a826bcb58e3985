#!/usr/bin/env python3
"""A whole evening in one run of the station: four rolls of three kinds are proofed, chosen from on the page, and the selects made at full resolution
from sleeves that lie anyhow, a stranger's and the same pictures on another film among them. The ledger is asked at each step: evening_test.py BUILD"""
import json
import os
import pathlib
import re
import signal
import subprocess
import sys
import urllib.request

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player, compose, rotated_about
from practice import Practice, browser_parts

build = pathlib.Path(sys.argv[1]).resolve()
outside = browser_parts(build, "playwright-core")
pictures = os.environ.get("LAPWRIGHT_TEST_PICTURES", "")  # a folder to look at what the browser saw
tests = pathlib.Path(__file__).resolve().parents[1]
practice = Practice(build, rolls=())
scenes = practice.top / "demo" / "scenes"
harbour = (scenes / "harbour.yaml").read_text()


def another_day(text, seed, later):
    """The same film and sleeve with other pictures of the same places on it, in another order; other dust, and strips that lie otherwise."""
    head, shots = text.split("pictures:\n")
    lines = [line for line in shots.splitlines() if line.strip()]
    order = sorted(range(len(lines)), key=lambda i: (i * 17 + seed) % len(lines))
    shots = [re.sub(r"take: (\d)", lambda m: f"take: {int(m[1]) + later}", lines[i]) for i in order]
    head, n = re.subn(r"(?m)^seed: \d+", f"seed: {seed}", head)
    assert n == 1, "the scene's seed is written otherwise"
    return head + "pictures:\n" + "\n".join(shots) + "\n"


def on_another_film(text, seed):
    """The very same pictures, frame by frame, on a film of another number."""
    text, n = re.subn(r"dx1: 91\b", "dx1: 57", re.sub(r"(?m)^seed: \d+", f"seed: {seed}", text, count=1))
    assert n == 1, "the scene's film number is written otherwise"
    return text


sleeves = {  # what is in the box; the rolls of the last two were never added
    "harbour": ("135-6x6", "c41-daylight-400", harbour),
    "market": ("135-6x6", "c41-daylight-400", another_day(harbour, 101, 4)),
    "slides": ("135-7x5", "slide-daylight", (scenes / "more" / "slides.yaml").read_text()),
    "island": ("120-3x4", "bw-silver", (scenes / "more" / "island-120.yaml").read_text()),
    "stranger": ("135-6x6", "", another_day(harbour, 205, 8)),
    "twin": ("135-6x6", "", on_another_film(harbour, 307)),
}
unknown = ("stranger", "twin")
rolls = [name for name in sleeves if name not in unknown]
chosen = {  # roll -> frame -> verdict
    "harbour": {"3": "select", "5": "alt", "9": "kill", "27": "select"},
    "market": {"8": "select", "20": "select", "21": "kill"},
    "slides": {"2": "select", "7": "select"},
    "island": {"4": "select", "11": "alt"},
}
selects = {roll: sorted((f for f, v in frames.items() if v == "select"), key=int) for roll, frames in chosen.items()}
glass = practice.work / "glass.yaml"  # whose sleeve lies on it
practice.env["LAPWRIGHT_PRACTICE_BED"] = str(glass)


def run(*command):
    return subprocess.run([practice.program, *command], env=practice.env, check=True, capture_output=True, text=True).stdout


def ledger_says(what, want):
    for roll in rolls:
        state = json.loads(run("ledger", roll, "--json"))
        said = {key: state[key] for key in want(roll)}
        assert said == want(roll), (what, roll, said, want(roll))
    practice.ledger_holds()
    print(f"{what}: the ledger is true", flush=True)


def thrown(turn, x, y, middle, over):
    """The page's middle at x, y of the bed."""
    m = rotated_about([-1 if over else 1, 0, 0, 1, 0, 0], turn, 0, 0)
    px, py = m[0] * middle[0] + m[2] * middle[1], m[1] * middle[0] + m[3] * middle[1]
    return m[:4] + [x - px, y - py]


class Evening(Player):
    def __init__(self):
        super().__init__(practice.lay, seed=11)
        self.stage, self.whose = "proofs", []
        # Not in the order that is asked for, and sleeves first that nothing is wanted of.
        self.pile = ["stranger", "twin", "island", "slides", "market", "harbour"]

    def place(self, event):
        if event["job"] == "proof":
            glass.write_text(sleeves[event["roll"]][2])
            return super().place(event)
        # What is captured may be taken off; a sleeve of a stranger is, once that is said. Then the next one is thrown on the glass.
        handed_over = {e["roll"] for e in self.of("handed_over") if e["job"] == "full"}
        name = self.pile[0]
        if name in handed_over or (name in unknown and self.whose and self.whose[-1] == name):
            self.pile.pop(0)
            name = self.pile[0]
        slide = dict((way, float(mm)) for mm, way in re.findall(r"([\d.]+) mm (to the right|to the left|towards you|towards the hinge)", event["say"]))
        if event["say"].startswith("Slide the sleeve") and slide and self.whose and self.whose[-1] == name:
            lay = list(self.before)
            lay[4] += slide.get("to the right", 0) - slide.get("to the left", 0)
            lay[5] += slide.get("towards you", 0) - slide.get("towards the hinge", 0)
        else:
            page = {"slides": (108, 60), "island": (135, 110)}.get(name, (130, 155))
            turn = self.random.choice((0, 90, 180, 270)) + self.random.uniform(-8, 8)
            lay = thrown(turn, 102 + self.random.uniform(-4, 4), 124 + self.random.uniform(-4, 4), page, over=self.random.random() < 0.4)
        self.whose.append(name)
        glass.write_text(sleeves[name][2])
        self.before = self.lays[event["pass"]] = lay
        self.lay_file.write_text("sleeve_to_bed: [" + ", ".join(repr(v) for v in lay) + "]\n")


def choose_on_the_page():
    server, url = practice.review()
    try:
        with urllib.request.urlopen(url + "api/shelf", timeout=20) as reply:
            addresses = {r["roll"]: r["address"] for r in json.load(reply)["rolls"]}
        choices = practice.work / "choices.json"
        choices.write_text(json.dumps([{"roll": r, "address": addresses[r], "frame": f, "verdict": v} for r, frames in chosen.items() for f, v in frames.items()]))
        subprocess.run(["node", tests / "outside" / "evening_page.mjs", outside, url, choices, *([pictures] if pictures else [])], check=True, timeout=300)
    finally:
        server.send_signal(signal.SIGINT)
        assert server.wait(20) == 130


def idle(event, process):
    """The station has nothing to do any more, not even to join and convert: the person at it has."""
    if event["event"] not in ("waiting", "done"):
        return False
    since = max((i for i, e in enumerate(evening.events) if e["event"] == "place"), default=-1)
    if not any(e["event"] == "waiting" for e in evening.events[since + 1:]) or len(evening.of("done")) < len(rolls) * (1 if evening.stage == "proofs" else 2):
        return False
    if evening.stage == "proofs":
        evening.stage = "full"
        ledger_says("four proofs", lambda roll: {"proofed": True, "at_full": [], "due": []})
        choose_on_the_page()
        ledger_says("chosen", lambda roll: {"selects": selects[roll], "at_full": [], "due": selects[roll]})
        return False
    evening.stage = "over"
    process.send_signal(signal.SIGINT)
    return True


for roll in rolls:
    run("roll", "add", roll, "--sleeve", sleeves[roll][0], "--stock", sleeves[roll][1])
ledger_says("four rolls in the box", lambda roll: {"proofed": False, "at_full": [], "due": []})
evening = Evening()
command = [word for word in practice.station(300) if word != "--once"]
code = evening.run(command, practice.env, until=idle)
assert evening.stage == "over" and code == 130, (evening.stage, code, evening.events[-3:])
done = [(e["job"], e["roll"]) for e in evening.of("done")]
print("done, in this order:", done, "looks at", evening.whose)
assert sorted(done) == sorted([("proof", r) for r in rolls] + [("full", r) for r in rolls]), done
looks = evening.of("look")
full_looks = looks[-len(evening.whose):]
for whose, look in zip(evening.whose, full_looks):
    assert look["found"] == (whose not in unknown) and (not look["found"] or look["roll"] == whose), (whose, look)
refused = evening.of("again")
assert re.search("no sleeve that frames are wanted of|This could be", refused[0]["say"]), refused
assert refused[1]["why"] == "the film's edge says film number 918, that of harbour says 1462", refused  # 16 * 57 + 6 and 16 * 91 + 6: trade.md 1.4
assert all(c["same"] for c in evening.of("compared")), evening.of("compared")
ledger_says("the evening", lambda roll: {"proofed": True, "selects": selects[roll], "at_full": selects[roll], "due": []})
for roll in rolls:
    kept = sorted(p.name for p in (practice.archive / "rolls" / roll / "full").glob("*.tif"))
    assert len(kept) == len(selects[roll]), (roll, kept)
print("an evening of four rolls: proofed, chosen, at full")
