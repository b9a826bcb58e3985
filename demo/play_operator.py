#!/usr/bin/env python3
"""Plays the operator of a station at the practice flatbed, or lets a person play.

    play_operator.py --lay LAY.yaml [options] -- lapwright station … --key stdin --events - --once

Runs the station, reads its events, and at each `place` lays the sleeve (writes LAY.yaml) with the errors of a hand, then
presses the key (a line on the station's standard input). Ends with the station's exit code.

Lays are bed millimetres as the plan gives them: x_bed = a x + c y + e, y_bed = b x + d y + f.
"""
import argparse
import json
import math
import os
import random
import subprocess
import sys

MISTAKES = ("wrong-side", "wrong-turn", "not-moved", "too-far:MM", "none")
TOO_OFTEN = 6  # the same pass asked for again


def compose(second, first):
    """second(first(p))"""
    a, b, c, d, e, f = second
    g, h, i, j, k, l = first
    return [a * g + c * h, b * g + d * h, a * i + c * j, b * i + d * j, a * k + c * l + e, b * k + d * l + f]


def about(x, y, a, b, c, d):
    """The linear map [a, b, c, d] with (x, y) staying where it is."""
    return [a, b, c, d, x - a * x - c * y, y - b * x - d * y]


def turned(lay, degrees, x, y):
    t = math.radians(degrees)
    return compose(about(x, y, math.cos(t), math.sin(t), -math.sin(t), math.cos(t)), lay)


def turned_over(lay, x):
    return compose(about(x, 0, -1, 0, 0, 1), lay)


def moved(lay, dx, dy):
    return lay[:4] + [lay[4] + dx, lay[5] + dy]


class Hands:
    """What lies on the glass, and how well it is laid."""

    def __init__(self, path, seed, off_mm, off_degrees):
        self.path, self.off_mm, self.off_degrees = path, off_mm, off_degrees
        self.random = random.Random(seed)
        self.lies = None

    def near(self, lay, x, y):
        off = lambda most: self.random.uniform(-most, most)
        return moved(turned(lay, off(self.off_degrees), x, y), off(self.off_mm), off(self.off_mm))

    def put(self, lay):
        self.lies = lay
        draft = self.path + ".part"
        with open(draft, "w") as f:
            if lay:
                f.write("sleeve_to_bed: [" + ", ".join(f"{v:.6f}" for v in lay) + "]\n")
        os.replace(draft, self.path)


def mistaken(kind, hands, lay, x, y):
    """How the sleeve ends up when the hand errs."""
    if kind == "wrong-side":
        return turned_over(lay, x)
    if kind == "wrong-turn":
        return turned(lay, 180, x, y)
    if kind == "not-moved":
        return hands.lies
    far = float(kind.split(":")[1])
    if not hands.lies:
        return moved(lay, 0, far)
    dx, dy = lay[4] - hands.lies[4], lay[5] - hands.lies[5]
    if max(abs(lay[i] - hands.lies[i]) for i in range(4)) > 0.2:  # it was turned too: too far away from the hinge
        dx, dy = 0, 1
    length = math.hypot(dx, dy) or 1
    return moved(lay, far * dx / length, far * dy / length)


def parse_mistake(text):
    kind, _, at = text.partition("@")
    known = kind in ("wrong-side", "wrong-turn", "not-moved", "none")
    if kind.startswith("too-far:"):
        try:
            known = float(kind[8:]) > 0
        except ValueError:
            known = False
    if not known or (at and not at.isdigit()):
        raise argparse.ArgumentTypeError(f"{text}: a mistake is one of {', '.join(MISTAKES)}, with @PASS behind it (default @2)")
    return kind, int(at or 2)


HAND_HELP = """  Enter             lay it as asked, with a human hand's errors
  turn DEGREES      … and then turn it further, clockwise as you look down on the glass
  over              … and then turn it over, left to right
  move X Y          … and then push it X mm to the right, Y mm towards you
  stay              leave everything as it lies
  away              take the sleeve off the glass
  stop              end the station
  Several can stand on one line: turn 90 move 0 40"""


def ask_person(hands, lay, x, y):
    """Lays the sleeve as a person types it. False: the person wants to stop."""
    while True:
        print("  How do you lay it? (Enter: as asked; ? for the choices) ", end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            return False
        words = line.split()
        if words == ["?"]:
            print(HAND_HELP)
            continue
        result = hands.near(lay, x, y)
        try:
            while words:
                word = words.pop(0)
                if word == "turn":
                    result = turned(result, float(words.pop(0)), x, y)
                elif word == "over":
                    result = turned_over(result, x)
                elif word == "move":
                    result = moved(result, float(words.pop(0)), float(words.pop(0)))
                elif word == "stay":
                    result = hands.lies
                elif word == "away":
                    result = None
                elif word == "stop":
                    return False
                else:
                    raise ValueError
        except (ValueError, IndexError, TypeError):
            print("  That is not one of the choices:")
            print(HAND_HELP)
            continue
        hands.put(result)
        print("  It lies. Close the lid and press the key: Enter ", end="", flush=True)
        return bool(sys.stdin.readline())


class Teller:
    """Says what the station does, one line an event; progress is overwritten on a terminal."""

    def __init__(self):
        self.live, self.open = sys.stdout.isatty(), False

    def say(self, text):
        if self.open:
            print()
            self.open = False
        print(text, flush=True)

    def progress(self, text):
        if self.live:
            print("\r  " + text.ljust(60), end="", flush=True)
            self.open = True

    def event(self, e):
        kind = e["event"]
        if kind == "ready":
            self.say(f"The station is ready at {e.get('device', e.get('bed', 'the bed'))}.")
        elif kind == "place":
            self.say(f"{e['roll']}, {e['job']}, pass {e['pass']} of {e['of']}: {e['say']}")
        elif kind == "look":
            if e.get("found"):
                self.say(f"  quick look: the sleeve lies {e['off_mm']:.1f} mm and {e['off_degrees']:.2f} degrees off")
            else:
                self.say("  quick look: no sleeve found where it should be")
        elif kind == "capture":
            self.progress(f"capturing: line {e['line']} of {e['of']}, about {e['seconds_left']:.0f} s left")
        elif kind == "captured":
            self.say(f"  captured in {e['seconds']:.1f} s: {e['file']}")
        elif kind == "lap":
            a, b = e["between"]
            between = f"the proof sheet and pass {b}" if a == 0 else f"passes {a} and {b}"
            if e["ok"]:
                self.say(f"  lap of {between}: good, {e['overlap_mm']:.0f} mm, residual {e['residual_px']:.2f} px")
            else:
                self.say(f"  lap of {between}: {e['why']}")
        elif kind == "again":
            self.say(f"  AGAIN, pass {e['pass']}: {e['say']}")
        elif kind in ("joined", "converted"):
            self.say(f"  {kind} in {e['seconds']:.1f} s: {e['file']}")
            for caution in e.get("cautions", []):
                self.say(f"  {caution}")
            if "why" in e.get("lettering", {}):
                self.say(f"  {e['lettering']['why']}")
        elif kind == "frames":
            self.say(f"  {e['count']} frames found, {e['sure']} of them sure")
        elif kind == "done":
            self.say(f"  done: {e['roll']}, {e['job']}, {e['seconds']:.1f} s after the last key")
        elif kind == "fault":
            self.say(f"  FAULT {e['code']}: {e['say']}")


def run(options):
    hands = Hands(options.lay, options.seed, options.off_mm, options.off_degrees)
    mistakes = {at: kind for kind, at in options.mistake if kind != "none"}
    hands.put(None)
    teller, again = Teller(), 0
    log = open(options.station_log, "ab") if options.station_log else None
    station = subprocess.Popen(options.command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True)

    def tell(line):
        try:
            station.stdin.write(line + "\n")
            station.stdin.flush()
        except BrokenPipeError:
            pass  # the station ended; its exit code says why

    try:
        for line in station.stdout:
            try:
                event = json.loads(line)
            except json.JSONDecodeError:
                sys.exit(f"operator: the event stream holds a line that is not JSON: {line.rstrip()}")
            teller.event(event)
            if event["event"] == "again":
                again += 1
                if again > TOO_OFTEN:
                    tell("stop")
                    teller.say("operator: the station asks for the same again and again")
                    return 1
            if event["event"] != "place":
                continue
            lay, window = event["lay"]["sleeve_to_bed"], event["lay"]["window"]
            x, y = window["x"] + window["width"] / 2, window["y"] + window["height"] / 2
            if options.by_hand:
                tell("" if ask_person(hands, lay, x, y) else "stop")
                continue
            kind = mistakes.pop(event["pass"], None)
            if kind:
                teller.say(f"  (the operator errs: {kind})")
                hands.put(mistaken(kind, hands, hands.near(lay, x, y), x, y))
            else:
                hands.put(hands.near(lay, x, y))
            tell("")
        return station.wait()
    except KeyboardInterrupt:
        station.wait()
        return 130
    finally:
        if station.poll() is None:
            station.terminate()
            station.wait()


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lay", required=True, metavar="FILE", help="the practice flatbed's lay file")
    parser.add_argument("--seed", type=int, default=1, help="of the hand's errors")
    parser.add_argument("--off-mm", type=float, default=2.0, metavar="MM", help="how far the hand misses at most (default 2)")
    parser.add_argument("--off-degrees", type=float, default=0.5, metavar="DEG", help="how much it turns at most (default 0.5)")
    parser.add_argument("--mistake", type=parse_mistake, action="append", default=[], metavar="KIND@PASS",
                        help=f"a real mistake, made once and put right when the station asks: {', '.join(MISTAKES)}")
    parser.add_argument("--by-hand", action="store_true", help="a person lays the sleeve, by typing")
    parser.add_argument("--station-log", metavar="FILE", help="where the station's own messages go (default: the terminal)")
    parser.add_argument("command", nargs=argparse.REMAINDER, help="the station's command line, behind --")
    options = parser.parse_args()
    if options.command[:1] == ["--"]:
        options.command = options.command[1:]
    if not options.command:
        parser.error("the station's command line must stand behind --")
    sys.exit(run(options))


if __name__ == "__main__":
    main()
