"""Plays the operator of a station: reads its events, lays the sleeve by writing the lay file, presses the key on standard input.

Used by the system tests; hand errors are seeded. A mistake is made once, at the pass named, and put right at `again`.
"""
import json
import math
import random
import re
import subprocess


def compose(second, first):
    a, b, c, d, e, f = second
    g, h, i, j, k, l = first
    return [a * g + c * h, b * g + d * h, a * i + c * j, b * i + d * j, a * k + c * l + e, b * k + d * l + f]


def rotated_about(lay, degrees, x, y):
    t = math.radians(degrees)
    co, si = math.cos(t), math.sin(t)
    return compose([co, si, -si, co, x - co * x + si * y, y - si * x - co * y], lay)


def centre(window):
    return window["x"] + window["width"] / 2, window["y"] + window["height"] / 2


def one_sentence(say):
    """What a fault says to a person: what happened; what to do."""
    assert "\n" not in say and 30 < len(say) < 300, say
    assert not re.search(r"[.!?](\s|$)", say) and ";" in say, f"not one sentence with what to do: {say}"


class Player:
    def __init__(self, lay_file, seed=1, off_mm=2.0, off_degrees=0.5, mistakes=None, words=None, over=None):
        self.lay_file, self.random = lay_file, random.Random(seed)
        self.off_mm, self.off_degrees = off_mm, off_degrees
        self.mistakes = dict(mistakes or {})  # pass -> kind
        self.words = dict(words or {})  # pass -> what is typed once in place of the key
        self.over = over  # how the sleeve lies on itself, for all passes: [-1, 0, 0, 1, x, 0] is turned over
        self.events, self.lays, self.planned = [], {}, {}
        self.before = None

    def hand(self, lay, window):
        x, y = centre(window)
        lay = rotated_about(lay, self.random.uniform(-1, 1) * self.off_degrees, x, y)
        lay[4] += self.random.uniform(-1, 1) * self.off_mm
        lay[5] += self.random.uniform(-1, 1) * self.off_mm
        return lay

    def mistaken(self, kind, lay, window):
        x, y = centre(window)
        if kind == "not-moved" and self.before:
            return list(self.before)
        if kind == "half-turn":
            return rotated_about(lay, 180, x, y)
        if kind == "quarter-turn":
            return rotated_about(lay, 90, x, y)
        if kind == "wrong-side":
            return compose([-1, 0, 0, 1, 2 * x, 0], lay)
        if kind.startswith("aside"):  # off where it should lie, mm to the right and to the front
            right, front = map(float, kind.split(":")[1].split(","))
            return lay[:4] + [lay[4] + right, lay[5] + front]
        if kind.startswith("too-far"):  # on from where the pass before lay
            far = float(kind.split(":")[1])
            step = [lay[4] - self.before[4], lay[5] - self.before[5]]
            length = math.hypot(*step) or 1
            return lay[:4] + [lay[4] + far * step[0] / length, lay[5] + far * step[1] / length]
        raise ValueError(kind)

    def place(self, event):
        planned, window = event["lay"]["sleeve_to_bed"], event["lay"]["window"]
        lay = self.hand(planned, window)
        kind = self.mistakes.pop(event["pass"], None)
        if kind:
            lay = self.mistaken(kind, lay, window)
        if self.over:
            lay = compose(lay, self.over)
        self.lays[event["pass"]], self.planned[event["pass"]] = lay, planned
        self.before = lay
        with open(self.lay_file, "w") as f:
            f.write("sleeve_to_bed: [" + ", ".join(repr(v) for v in lay) + "]\n")

    def run(self, command, env, until=None, timeout=600, errors=None, begun=None):
        """Runs the station to its end, or until `until(event, process)` says so. Returns the exit code."""
        self.process = process = subprocess.Popen(command, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, text=True)
        if begun:
            begun()
        try:
            for line in process.stdout:
                if not line.endswith("\n"):
                    break  # it was killed
                event = json.loads(line)
                self.events.append(event)
                if event["event"] == "place":
                    self.place(event)
                    process.stdin.write(self.words.pop(event["pass"], "") + "\n")
                    process.stdin.flush()
                if until and until(event, process):
                    break
                if len([e for e in self.events if e["event"] == "again"]) > 12:
                    process.terminate()
                    raise SystemExit("the same pass is asked for again and again: " + json.dumps(event))
            return process.wait(timeout)
        except BrokenPipeError:
            return process.wait(timeout)
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()

    def of(self, name):
        return [e for e in self.events if e["event"] == name]
