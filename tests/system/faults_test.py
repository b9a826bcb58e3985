#!/usr/bin/env python3
"""Every SANE status, hang, death and wrong count at every point of a pass: one sentence with what to do, the right event and code,
earlier passes untouched, and the roll is finished by doing what the sentence says.

faults_test.py BUILD [COUNT]: by default the fewest cases that hold every point and every kind; LAPWRIGHT_TEST_ALL=1 all of them;
COUNT draws that many at random (LAPWRIGHT_TEST_SEED), one a pass, the worker killed by its id at a random instant in one of four.
"""
import json
import os
import pathlib
import random
import re
import signal
import subprocess
import sys
import threading
import time

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player, one_sentence
from practice import Practice

build = pathlib.Path(sys.argv[1])
ppi = 150
# The standard's statuses (SANE Standard 1.0x, "Status type") and contract.md's exit code for what each means at the bed.
unsupported, cancelled, busy, inval, eof, jammed, no_docs, cover, io, no_mem, denied, unknown = *range(1, 12), 1213486160
code_of = {unsupported: 69, cancelled: 130, busy: 75, inval: 69, eof: 74, jammed: 69, no_docs: 69, cover: 75, io: 74, no_mem: 69,
           denied: 69, unknown: 74}
quiet = 0  # no fault: it is tried again, or it takes nothing away
before, reading = ("open", "set", "get", "parameters", "start"), ("first", "middle", "last", "end")


def table():
    """(point, kind) -> the codes that its fault may have."""
    cases = {}
    for point in before + reading:
        for status, code in code_of.items():
            cases[point, status] = {code}
        cases[point, "hang"] = cases[point, "die"] = {74}
    for point in ("open", "start"):
        cases[point, busy] = {quiet}  # a lamp that warms up
    for status in code_of:
        cases["get", status] = {quiet}  # the value is set all the same
        # A refusal is tried once more when the other options stand; anything else is no refusal.
        cases["set", status] = {quiet, code_of[status]}
    cases["end", eof] = {quiet}  # as it must be
    cases["options", inval] = {69}
    for kind in ("hang", "die"):
        cases["options", kind] = {74}
        cases["cancel", kind] = cases["close", kind] = {quiet}  # the picture is whole
    for point in ("first", "middle", "last"):
        for kind in ("over", "negative", "stuck", "lost"):
            cases[point, kind] = {74}
    cases["end", "extra"] = {74}
    for kind in ("gray", "eight", "nonsense"):
        cases["parameters", kind] = {65}
    return cases


def fewest(cases, dice):
    order, points, kinds, chosen = sorted(cases, key=str), set(), set(), []
    dice.shuffle(order)
    for point, kind in order:
        if point not in points or kind not in kinds:
            chosen.append((point, kind))
            points.add(point), kinds.add(kind)
    return chosen


def workers_of(pid):
    found = []
    for task in pathlib.Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            found += [int(child) for child in task.read_text().split()]
        except OSError:
            pass
    return found


class FaultyPlayer(Player):
    """Every time that a pass is placed, the bed is told the next of that pass's faults; with none left the pass is captured."""

    def __init__(self, lay, seed, faults, tell):
        super().__init__(lay, seed=seed)
        self.faults, self.tell, self.told = {n: list(f) for n, f in faults.items()}, tell, []

    def place(self, event):
        super().place(event)
        coming = self.faults.get(event["pass"])
        if coming:
            self.told.append((event["pass"], coming.pop(0), len(self.events)))
            self.tell(*self.told[-1][1][:2])


def finished_roll(practice, player, faults, said):
    """What every fault came to: [(case, fault event or None)]."""
    came = []
    for n, (number, case, since) in enumerate(player.told):
        until = player.told[n + 1][2] if n + 1 < len(player.told) else len(player.events)
        found = [e for e in player.events[since:until] if e["event"] == "fault"]
        assert len(found) <= 1, (case, found)
        assert (found[0]["code"] if found else quiet) in case[2], (case, found)
        if found:
            one_sentence(found[0]["say"])
            assert not found[0]["fatal"], found
            assert said.count(found[0]["say"]) == len([f for f in player.of("fault") if f["say"] == found[0]["say"]]), said
        if case[0] in ("open", "start") and case[1] == busy:
            assert any("still warming up" in line for line in said), said
        came.append((case, found[0] if found else None))
    assert len(came) == sum(len(f) for f in faults.values()), (faults, came)
    assert len(player.of("fault")) == sum(f is not None for _, f in came), player.of("fault")
    assert not player.of("again"), player.of("again")
    captured = [e["pass"] for e in player.of("captured")]
    assert captured == [1, 2], captured  # what was captured is not captured again
    placed = [e["pass"] for e in player.of("place")]
    assert placed == sorted(placed), placed
    assert len(player.of("done")) == 1
    # Whatever was refused on the way, no pass was taken with settings that are not for film.
    seen = [json.loads(line) for line in practice.truth.read_text().splitlines()]
    assert all(t["honest"] for t in seen), seen
    practice.ledger_holds()
    return came


def on_a_faulty_bed():
    practice = Practice(build)
    fault = practice.work / "fault"
    (practice.work / "sane" / "dll.conf").write_text("faulty\n")
    practice.env.update(LD_LIBRARY_PATH=str(build / "tests"), FAULTY_BED_FAULT=str(fault),
                        FAULTY_BED_INNER=str(build / "flatbed" / "libsane-practice.so.1"))
    return practice, fault


def slow_bed(practice):
    """A bed whose passes take so long that a quick look is taken first. Returns the station's command."""
    beds = practice.work / "profiles" / "beds"
    beds.mkdir(parents=True)
    text = (practice.top / "profiles/beds/practice-8x10.yaml").read_text()
    (beds / "practice-8x10.yaml").write_text(re.sub("timing:.*", "timing: {fixed: 1, line: {150: 0.0001, 300: 0.02}}", text))
    return practice.station(300, "--profiles", str(practice.work / "profiles"))


def run(faults, seed, looking=False):
    """One roll; `faults`: pass -> its cases (point, kind, codes), those that may be quiet last. Returns how many were said."""
    practice, file = on_a_faulty_bed()
    command = slow_bed(practice) if looking else practice.station(ppi)
    told, log = practice.work / "fault.told", practice.work / "said"
    if any(kind in ("hang", "stuck") for cases in faults.values() for _, kind, _ in cases):
        practice.env["LAPWRIGHT_BED_PATIENCE"] = "0.03"
    expected = []

    def kill(placed):
        if len(player.of("place")) == placed:  # still the pass that it was meant for
            for worker in workers_of(player.process.pid):
                os.kill(worker, signal.SIGKILL)

    def tell(point, kind):
        assert len(expected) == (len(told.read_text().splitlines()) if told.exists() else 0), f"never met: {expected}"
        if point == "killed":
            return threading.Timer(kind, kill, [len(player.of("place"))]).start()
        expected.append((point, kind))
        file.write_text(f"{point} {kind} {len(expected)}\n")

    begun = time.monotonic()
    player = FaultyPlayer(practice.lay, seed, faults, tell)
    try:
        with open(log, "w") as errors:
            code = player.run(command, practice.env, errors=errors)
        assert code == 0, (code, player.events[-2:])
        assert len(expected) == (len(told.read_text().splitlines()) if told.exists() else 0), f"never met: {expected}"
        came = finished_roll(practice, player, faults, log.read_text().splitlines())
        if looking:  # what was told went wrong there, before anything was seen
            kinds = [e["event"] for e in player.events if e["event"] in ("fault", "look", "captured")]
            assert kinds[0] == "fault" and kinds.count("look") == 2, kinds
    except AssertionError:
        print(f"{faults}, seed {seed}:\n" + log.read_text())
        raise
    for (point, kind, _), fault in came:
        print(f"{point} {kind if point != 'killed' else f'after {kind:.2f} s'}: " + (f"{fault['code']} {fault['say']}" if fault else "quiet"))
    print(f"-- a roll with {len(came)} in {time.monotonic() - begun:.1f} s", flush=True)
    return sum(fault is not None for _, fault in came)


def refused_start(kind, code):
    """No flatbed at all when the station begins: one line and the exit code."""
    practice, fault = on_a_faulty_bed()
    practice.env["LAPWRIGHT_BED_PATIENCE"] = "0.03"
    fault.write_text(f"list {kind} 9\n")
    done = subprocess.run(practice.station(ppi), env=practice.env, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    lines = done.stderr.splitlines()
    print(f"list {kind}: {done.returncode} {lines}")
    assert done.returncode == code and len(lines) == 1 and not done.stdout, (done.returncode, lines)


def nobody_left():
    """A fault when no key can come any more: it is told, and the station ends with "try again"."""
    practice, fault = on_a_faulty_bed()
    fault.write_text(f"start {io} 9\n")
    player = Player(practice.lay)
    # The key is pressed once; after it the input ends.
    code = player.run(practice.station(ppi), practice.env, until=lambda event, process: event["event"] == "place" and process.stdin.close())
    faults = player.of("fault")
    assert [(e["code"], e["fatal"]) for e in faults] == [(74, False), (75, True)], player.events
    assert "the key's input has ended" in faults[1]["say"], faults
    assert code == 75 and len(player.of("place")) == 1, (code, player.events)


def undisturbed():
    """Nothing goes wrong but a word that nobody understands; the practice flatbed paints its pictures once."""
    practice, _ = on_a_faulty_bed()
    player, log = Player(practice.lay, words={1: "\x1b[2Jagian\n"}), practice.work / "said"
    with open(log, "w") as errors:
        code = player.run(practice.station(ppi), practice.env, errors=errors)
    assert code == 0 and not player.of("fault"), player.events[-2:]
    assert '"?[2Jagian" is not understood' in log.read_text() and "\x1b" not in log.read_text(), log.read_text()


def by_the_beds_own_button():
    """--key scanner: a flatbed that cannot be asked for its button is told once, and asked until it is back."""
    practice, file = on_a_faulty_bed()
    presses = practice.work / "presses.yaml"
    practice.env["LAPWRIGHT_PRACTICE_FAULTS"] = str(presses)
    file.write_text("open 9 4\n")
    player, over = Player(practice.lay), threading.Event()

    def finger():
        pressed = 0
        while not over.wait(1.5):
            if len(player.of("place")) > len(player.of("key")):
                pressed += 1
                presses.write_text(f"presses: {pressed}\n")
    threading.Thread(target=finger).start()
    command = practice.station(ppi)
    command[command.index("--key") + 1] = "scanner"
    try:
        code = player.run(command, practice.env)
    finally:
        over.set()
    assert code == 0 and [e["pass"] for e in player.of("captured")] == [1, 2], player.events[-2:]
    assert [e["code"] for e in player.of("fault")] == [74], player.of("fault")
    one_sentence(player.of("fault")[0]["say"])
    print(f"by the bed's own button: {player.of('fault')[0]['say']}")


def rolls_of(cases, each):
    """The cases shared out: up to `each` on a pass, the last of which alone may be quiet; those that hang keep together."""
    slow = lambda case: case[1] in ("hang", "stuck")
    loud = sorted((c for c in cases if quiet not in c[2]), key=slow)
    soft = sorted((c for c in cases if quiet in c[2]), key=slow)
    rolls = []
    while loud or soft:
        roll = {}
        for number in (1, 2):
            roll[number] = [loud.pop() for _ in range(min(each - 1, len(loud)))] + [soft.pop() for _ in range(min(1, len(soft)))]
        rolls.append(roll)
    return rolls


dice = random.Random(int(os.environ.get("LAPWRIGHT_TEST_SEED", "7")))
cases = table()


def killed():
    return "killed", dice.uniform(0, 1.5), {quiet, 74}


if len(sys.argv) > 2:
    drawn = []
    for _ in range(int(sys.argv[2])):
        point, kind = dice.choice(sorted(cases, key=str))
        drawn.append(killed() if dice.random() < 0.25 else (point, kind, cases[point, kind]))
    rolls = [{1: drawn[n:n + 1], 2: drawn[n + 1:n + 2]} for n in range(0, len(drawn), 2)]
else:
    everything = os.environ.get("LAPWRIGHT_TEST_ALL") == "1"
    chosen = sorted(cases, key=str) if everything else fewest(cases, dice)
    chosen = sorted({*chosen, ("start", busy)}, key=str)
    rolls = rolls_of([(*c, cases[c]) for c in chosen] + [killed() for _ in range(20 if everything else 3)], 6)
    # The list is asked for before the station begins.
    refused_start("hang", 74)
    refused_start("die", 74)
undisturbed()
by_the_beds_own_button()
nobody_left()
run({1: [(point, io, {74}) for point in ("open", "middle", "last")], 2: [("middle", "die", {74})]}, 0, looking=True)
said = [run(roll, n) for n, roll in enumerate(rolls)]
print(f"{sum(len(f) for r in rolls for f in r.values())} faults told, {sum(said)} said to the person, {len(rolls)} rolls finished")
