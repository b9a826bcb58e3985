#!/usr/bin/env python3
"""A roll is proofed on the practice flatbed from the page alone: operator_test.py BUILD

The browser's part is tests/outside/operator_page.mjs. It presses the page's key; the hands are played here: it asks for them with a line
"hands: WHAT" on its standard output and gets one line of JSON when they are done."""
import json
import os
import pathlib
import signal
import subprocess
import sys
import threading
import time

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player
from practice import Practice, browser_parts

build = pathlib.Path(sys.argv[1]).resolve()
outside = browser_parts(build, "playwright-core", "axe-core")
pictures = os.environ.get("LAPWRIGHT_TEST_PICTURES", "")  # a folder to look at what the browser saw
tests = pathlib.Path(__file__).resolve().parents[1]

# A bed that takes its time, so that there is something to watch; and one whose looks are worth it.
practice = Practice(build, rolls=("harbour 1", "harbour 2"))
scene = practice.work / "slow.yaml"
scene.write_text(practice.scene.read_text().replace("\nbed:\n", "\nbed:\n  line_seconds: 0.0014\n", 1))
practice.env["LAPWRIGHT_PRACTICE_BED"] = str(scene)
practice.env["XDG_RUNTIME_DIR"] = str(practice.work / "run")
(practice.work / "run").mkdir(mode=0o700)
profile = (practice.top / "profiles" / "beds" / "practice-8x10.yaml").read_text()
bed = practice.work / "slow-8x10.yaml"
timing = "timing: {fixed: 0.2, line: {150: 0.0014, 300: 0.004}}"
bed.write_text("\n".join(timing if line.startswith("timing:") else line.replace("practice-8x10", "slow-8x10") for line in profile.splitlines()) + "\n")
command = [practice.program, "station", "--bed", str(bed), "--ppi", "300", "--key", "page", "--events", "-"]


class Station:
    """Its events, as they come, and where the sleeve lies."""

    def __init__(self):
        self.events, self.laid = [], 0
        self.player = Player(practice.lay, seed=4, off_mm=0.8, off_degrees=0.2)
        self.process = None

    def start(self):
        self.process = subprocess.Popen(command, env=practice.env, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True)
        self.reader = threading.Thread(target=self.read, args=(self.process.stdout,))
        self.reader.start()

    def read(self, lines):
        for line in lines:
            if line.endswith("\n"):
                self.events.append(json.loads(line))

    def lay(self, mistake):
        """Lays the sleeve as the newest place says; the place it was laid for."""
        end = time.time() + 60
        while time.time() < end:
            places = [e for e in self.events if e["event"] == "place"]
            if len(places) > self.laid:
                self.laid = len(places)
                if mistake:
                    self.player.mistakes[places[-1]["pass"]] = mistake
                self.player.place(places[-1])
                return places[-1]
            time.sleep(0.02)
        raise SystemExit("the station asked for no sleeve")

    def end(self, number):
        self.process.send_signal(number)
        self.process.wait(30)
        self.reader.join(30)


station = Station()


def hands(what):
    word, _, more = what.partition(" ")
    if word == "lay":
        return station.lay(more)
    if word == "start":
        station.start()
    elif word == "kill":
        station.end(signal.SIGKILL)
    elif word == "events":
        return station.events
    elif word == "second":  # another station on the same archive goes as ever, and does not take the first one's seat
        done = subprocess.run(command, env=practice.env, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
        return {"code": done.returncode}
    else:
        raise SystemExit("no such thing to do: " + what)
    return {}


review, url = practice.review()
browser = None
try:
    plan = json.loads(subprocess.run([practice.program, "--json", "plan", "--sleeve", "135-6x6", "--bed", str(bed), "--ppi", "300"], env=practice.env,
                                     check=True, capture_output=True, text=True).stdout)
    (practice.work / "plan.json").write_text(json.dumps(plan))
    browser = subprocess.Popen(["node", tests / "outside" / "operator_page.mjs", outside, url, practice.work / "plan.json",
                                *([pictures] if pictures else [])], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    for line in browser.stdout:
        if not line.startswith("hands: "):
            print(line, end="", flush=True)
            continue
        browser.stdin.write(json.dumps(hands(line[7:].strip())) + "\n")
        browser.stdin.flush()
    assert browser.wait(30) == 0, "the browser's part failed"
finally:
    if browser and browser.poll() is None:
        browser.kill()
    if station.process and station.process.poll() is None:
        station.end(signal.SIGINT)
    review.send_signal(signal.SIGINT)
    assert review.wait(20) == 130

# Where no folder is this user's alone the page's key cannot be the only one; any other key works as ever.
nowhere = {k: v for k, v in practice.env.items() if k not in ("XDG_RUNTIME_DIR", "XDG_STATE_HOME")} | {"HOME": "nowhere"}
alone = subprocess.run(command, env=nowhere, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
told = [json.loads(line) for line in alone.stdout.splitlines()]
assert alone.returncode == 73 and [e["event"] for e in told] == ["ready", "fault"] and told[1]["fatal"] and "\n" not in told[1]["say"], alone
lines = subprocess.run([*command[:-4], "--key", "stdin"], env=nowhere, input="", capture_output=True, text=True, timeout=60)
assert lines.returncode == 75 and "The page cannot show the bed" in lines.stderr, lines

code = station.process.returncode
assert code == 130, code
kinds = [e["event"] for e in station.events]
assert kinds.count("done") == 1 and kinds.count("handed_over") == 1, kinds
captured = [(e["pass"]) for e in station.events if e["event"] == "captured"]
assert captured == [1, 2], captured
assert not (practice.work / "run" / "lapwright").exists() or not any((practice.work / "run" / "lapwright").iterdir()), "the seat goes with the station"
practice.ledger_holds()
print("a roll was proofed from the page alone")
