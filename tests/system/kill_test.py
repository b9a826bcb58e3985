#!/usr/bin/env python3
"""Killed (SIGKILL, one in four: SIGINT) at random instants of a two-pass roll, again when it goes on, until it is finished: what was
captured is not captured again, nothing is lost, no worker outlives its station. LAPWRIGHT_TEST_KILLS says how many kills (20).

Counted apart: a pass whose file was whole under its final name when the kill came, while the ledger did not name it yet.
"""
import json
import os
import pathlib
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player
from practice import Practice

wanted = int(os.environ.get("LAPWRIGHT_TEST_KILLS", "20"))
ppi = 150


def in_ledger(archive):
    """pass -> sha256, as a kill left it. A copy is read: what was half written is the station's to put right."""
    with tempfile.TemporaryDirectory() as copy:
        for part in archive.glob("ledger.sqlite*"):
            shutil.copy(part, copy)
        if not (pathlib.Path(copy) / "ledger.sqlite").exists():
            return {}
        facts = sqlite3.connect(pathlib.Path(copy) / "ledger.sqlite")
        try:
            rows = facts.execute("SELECT body FROM event WHERE kind = 'pass.captured' ORDER BY seq").fetchall()
        finally:
            facts.close()
    return {body["pass"]: body["file"]["sha256"] for body in map(lambda row: json.loads(row[0]), rows)}


def workers_in(folder):
    found = []
    for process in pathlib.Path("/proc").glob("[0-9]*"):
        try:
            if b"bed-worker" in (process / "cmdline").read_bytes() and str(folder).encode() in (process / "environ").read_bytes():
                found.append(process.name)
        except OSError:
            pass
    return found


def none_left(folder):
    until = time.monotonic() + 5
    while workers_in(folder):
        assert time.monotonic() < until, f"workers outlived their station: {workers_in(folder)}"
        time.sleep(0.02)


practice = Practice(sys.argv[1])
assert Player(practice.lay).run(practice.station(ppi), practice.env) == 0  # the practice flatbed paints its pictures once
practice = Practice(sys.argv[1])
start = time.monotonic()
assert Player(practice.lay).run(practice.station(ppi), practice.env) == 0
whole = time.monotonic() - start
dice = random.Random(int(os.environ.get("LAPWRIGHT_TEST_SEED", "20260517")))
kills = rolls = unnamed = made_twice = 0
while kills < wanted:
    practice = Practice(sys.argv[1])
    known, unnamed_before, told, done = {}, set(), [], False
    while not done:
        player = Player(practice.lay, seed=kills)
        at = dice.uniform(0.02, 1.1) * whole if kills < wanted else None
        number = dice.choice((signal.SIGKILL,) * 3 + (signal.SIGINT,))
        killer = threading.Timer(at or 0, lambda: player.process.send_signal(number))
        code = player.run(practice.station(ppi), practice.env, begun=killer.start if at is not None else None)
        killer.cancel()
        none_left(practice.work)
        captured = {e["pass"] for e in player.of("captured")}
        again = captured & set(known)
        assert not again, f"roll {rolls}: passes {again} were in the ledger and are captured again"
        made_twice += len(captured & unnamed_before)
        if code in (-signal.SIGKILL, -signal.SIGINT, 130):
            kills += 1
            now = in_ledger(practice.archive)
            seen = {e["pass"]: e["sha256"] for e in player.of("captured")}
            assert {**known, **seen}.items() <= now.items(), (known, seen, now)
            known = now
            files = {n for n in (1, 2) if (practice.archive / f"rolls/test-1/proof/pass-{n}.tif").exists()}
            assert set(known) <= files, (known, files)  # the ledger names no file that is not there
            unnamed_before = files - set(known)
            unnamed += len(unnamed_before)
            told.append(f"{at:.2f} s {sorted(known)}" + ("" if code == -signal.SIGKILL else " by the person")
                        + (f" and {sorted(unnamed_before)} unnamed" if unnamed_before else ""))
            done = bool(player.of("done"))
        else:
            # After a kill between the last fact and its event there is nothing left to do.
            assert code == 0 and (player.of("done") or not player.of("place")), (code, player.events[-2:])
            assert (practice.archive / "rolls/test-1/proof/proof.jpg").exists()
            done = True
    practice.ledger_holds()
    rolls += 1
    print(f"roll {rolls}: killed at " + ", ".join(told) if told else f"roll {rolls}: not killed", flush=True)
print(f"{kills} kills over {rolls} rolls of {whole:.1f} s each, nothing lost; {unnamed} times a whole pass was not in the ledger yet, "
      f"{made_twice} of them were captured again")

# ---- the same of frames at full resolution: three windows under one lay, one key; after a kill the sleeve lies a little otherwise.
# A window that the ledger has is not captured again, and every frame is made once.
frames = ["2", "15", "32"]
template = Practice(sys.argv[1])
assert Player(template.lay).run(template.station(ppi), template.env) == 0


def captures(archive):
    facts = sqlite3.connect(f"file:{archive}/ledger.sqlite?mode=ro", uri=True)
    try:
        return [json.loads(body) for kind, body in facts.execute("SELECT kind, body FROM event ORDER BY seq") if kind == "pass.captured"]
    finally:
        facts.close()


def frames_job(seed):
    practice = Practice(sys.argv[1], rolls=())
    shutil.copytree(template.archive, practice.archive)
    subprocess.run([practice.program, "want", "test-1", "--frames", ",".join(frames), "--ppi", "1200"], env=practice.env, check=True, stdout=subprocess.DEVNULL)
    return practice


practice = frames_job(0)
proof_passes = len(captures(practice.archive))
start = time.monotonic()
assert Player(practice.lay).run(practice.station(ppi), practice.env) == 0
whole = time.monotonic() - start
windows = len(captures(practice.archive)) - proof_passes
assert windows == 3, windows
killed = jobs = more = 0
while killed < wanted // 2:
    practice = frames_job(jobs)
    done, told = False, []
    while not done:
        player = Player(practice.lay, seed=killed)
        at = dice.uniform(0.02, 1.1) * whole if killed < wanted // 2 else None
        number = dice.choice((signal.SIGKILL,) * 3 + (signal.SIGINT,))
        killer = threading.Timer(at or 0, lambda: player.process.send_signal(number))
        code = player.run(practice.station(ppi), practice.env, begun=killer.start if at is not None else None)
        killer.cancel()
        none_left(practice.work)
        assert not player.of("again"), player.of("again")
        if code in (-signal.SIGKILL, -signal.SIGINT, 130):
            killed += 1
            told.append(f"{at:.2f} s")
            continue
        assert code == 0, (code, player.events[-2:])
        done = True
    known = json.loads(subprocess.run([practice.program, "ledger", "test-1", "--json"], env=practice.env, check=True, capture_output=True).stdout)
    assert known["at_full"] == frames and known["due"] == [], known
    full = practice.archive / "rolls/test-1/full"
    assert sorted(p.name for p in full.iterdir()) == sorted(f"frame-{f.zfill(2)}.{kind}" for f in frames for kind in ("tif", "yaml", "jpg")), list(full.iterdir())
    made = captures(practice.archive)[proof_passes:]
    assert len({(m["pass"], m["file"]["sha256"]) for m in made}) == windows == len(made), [m["pass"] for m in made]
    practice.ledger_holds()
    jobs += 1
print(f"{killed} kills over {jobs} jobs of {windows} windows, {whole:.1f} s each: every window captured once, every frame made once")
