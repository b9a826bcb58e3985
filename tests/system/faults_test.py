#!/usr/bin/env python3
"""Every SANE status, hang, death and wrong count at every point of a pass: one sentence with what to do, the right event and code,
earlier passes untouched, and the roll is finished by doing what the sentence says.

faults_test.py BUILD [COUNT]: by default the fewest cases that hold every point and every kind; LAPWRIGHT_TEST_ALL=1 all of them;
COUNT draws that many at random (LAPWRIGHT_TEST_SEED), the worker killed by its id at a random instant in one of four.
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
from player import Player
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
    """Tells the bed its fault when the pass is placed for the first time."""

    def __init__(self, lay, seed, on_pass, tell):
        super().__init__(lay, seed=seed)
        self.on_pass, self.tell = on_pass, tell

    def place(self, event):
        super().place(event)
        if self.tell and event["pass"] == self.on_pass:
            tell, self.tell = self.tell, None
            tell()


def one_sentence(say):
    assert "\n" not in say and 30 < len(say) < 300, say
    assert not re.search(r"[.!?](\s|$)", say) and ";" in say, f"not one sentence with what to do: {say}"


def finished_roll(practice, player, on_pass, times, codes, log):
    faults = player.of("fault")
    allowed = {times} if quiet not in codes else {0, times} if codes - {quiet} else {0}
    assert len(faults) in allowed, (faults, allowed)
    said = log.read_text().splitlines()
    for fault in faults:
        one_sentence(fault["say"])
        assert fault["code"] in codes and not fault["fatal"], fault
        assert said.count(fault["say"]) == sum(f["say"] == fault["say"] for f in faults), said
    assert not player.of("again"), player.of("again")
    captured = [e["pass"] for e in player.of("captured")]
    assert captured == sorted(set(captured)) and len(captured) == 2, captured  # what was captured is not captured again
    placed = [e["pass"] for e in player.of("place")]
    assert placed == sorted([1, 2] + [on_pass] * len(faults)), placed
    assert len(player.of("done")) == 1
    # Whatever was refused on the way, no pass was taken with settings that are not for film.
    seen = [json.loads(line) for line in practice.truth.read_text().splitlines()]
    assert all(t["honest"] for t in seen), seen
    practice.ledger_holds()
    return faults


def run(point, kind, codes, on_pass, times, seed):
    practice = Practice(build)
    faults, log = practice.work / "fault", practice.work / "said"
    (practice.work / "sane" / "dll.conf").write_text("faulty\n")
    practice.env.update(LD_LIBRARY_PATH=str(build / "tests"), FAULTY_BED_FAULT=str(faults),
                        FAULTY_BED_INNER=str(build / "flatbed" / "libsane-practice.so.1"))
    if kind in ("hang", "stuck"):
        practice.env["LAPWRIGHT_BED_PATIENCE"] = "0.03"
    begun = time.monotonic()
    player = FaultyPlayer(practice.lay, seed, on_pass, lambda: faults.write_text(f"{point} {kind} {times}\n"))
    if point == "killed":
        killed = []

        def kill():
            for worker in workers_of(player.process.pid):
                os.kill(worker, signal.SIGKILL)
                killed.append(worker)
        player.tell = lambda: threading.Timer(kind, kill).start()
    with open(log, "w") as errors:
        code = player.run(practice.station(ppi), practice.env, errors=errors)
    try:
        assert code == 0, (code, player.events[-2:])
        if point != "killed":
            told = (practice.work / "fault.told")
            assert told.exists() and len(told.read_text().splitlines()) == times, "the fault was never met"
        told = finished_roll(practice, player, on_pass, times, codes, log)
    except AssertionError:
        print(f"{point} {kind} x{times} on pass {on_pass}, seed {seed}:\n" + log.read_text())
        raise
    print(f"{point} {kind if point != 'killed' else f'after {kind:.2f} s'} x{times} on pass {on_pass}, {time.monotonic() - begun:.1f} s: "
          + (f"{told[0]['code']} {told[0]['say']}" if told else "quiet"), flush=True)
    return len(told)


def refused_start(kind, code):
    """No flatbed at all when the station begins: one line and the exit code."""
    practice = Practice(build)
    fault = practice.work / "fault"
    fault.write_text(f"list {kind} 9\n")
    (practice.work / "sane" / "dll.conf").write_text("faulty\n")
    practice.env.update(LD_LIBRARY_PATH=str(build / "tests"), FAULTY_BED_FAULT=str(fault), LAPWRIGHT_BED_PATIENCE="0.03",
                        FAULTY_BED_INNER=str(build / "flatbed" / "libsane-practice.so.1"))
    done = subprocess.run(practice.station(ppi), env=practice.env, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    lines = done.stderr.splitlines()
    print(f"list {kind}: {done.returncode} {lines}")
    assert done.returncode == code and len(lines) == 1 and not done.stdout, (done.returncode, lines)


dice = random.Random(int(os.environ.get("LAPWRIGHT_TEST_SEED", "7")))
cases = table()
if len(sys.argv) > 2:
    chosen = []
    for n in range(int(sys.argv[2])):
        if dice.random() < 0.25:
            chosen.append(("killed", dice.uniform(0, 1.5), {quiet, 74}, 1))
        else:
            point, kind = dice.choice(sorted(cases, key=str))
            chosen.append((point, kind, cases[point, kind], dice.choice((1, 2))))
else:
    everything = os.environ.get("LAPWRIGHT_TEST_ALL") == "1"
    chosen = [(p, k, cases[p, k], 1) for p, k in (sorted(cases, key=str) if everything else fewest(cases, dice))]
    chosen += [("killed", dice.uniform(0, 1.5), {quiet, 74}, 1) for _ in range(20 if everything else 3)]
    # The list is asked for before the station begins; what dll.conf's backends answer is theirs, a hang is not.
    refused_start("hang", 74)
    refused_start("die", 74)
met = [run(*case[:3], dice.choice((1, 2)), case[3], n) for n, case in enumerate(chosen)]
print(f"{len(met)} faults told, {sum(m > 0 for m in met)} said to the person, {len(met)} rolls finished")
