#!/usr/bin/env python3
"""Killed (SIGKILL, worker and all) at random instants, the roll is finished each time: nothing captured is captured again, no
partial file stands under a final name. The instants are drawn over a whole undisturbed run."""
import os
import pathlib
import random
import signal
import sys
import threading
import time

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player
from practice import Practice

kills = int(sys.argv[2]) if len(sys.argv) > 2 else 20
ppi = 150
practice = Practice(sys.argv[1])
assert Player(practice.lay).run(practice.station(ppi), practice.env) == 0  # the practice flatbed paints its pictures once
practice = Practice(sys.argv[1])
start = time.monotonic()
assert Player(practice.lay).run(practice.station(ppi), practice.env) == 0
whole = time.monotonic() - start
dice = random.Random(20260517)
for n in range(kills):
    practice = Practice(sys.argv[1])
    player = Player(practice.lay, seed=n)
    at = dice.uniform(0.02, 1.0) * whole

    def kill(process):
        if process.poll() is None:
            os.kill(process.pid, signal.SIGKILL)

    def end(event, process):
        if not hasattr(process, "killer"):
            process.killer = threading.Timer(max(0, at - (time.monotonic() - begun)), kill, [process])
            process.killer.start()
        return False

    begun = time.monotonic()
    code = player.run(practice.station(ppi), practice.env, until=end)
    before = {e["pass"]: e["sha256"] for e in player.of("captured")}
    was_done = bool(player.of("done"))
    second = Player(practice.lay, seed=100 + n)
    if not was_done:
        code = second.run(practice.station(ppi), practice.env)
        assert code == 0, (n, at, code, second.events[-2:])
        assert second.of("done"), (n, at)
        repeated = {e["pass"] for e in second.of("captured")} & set(before)
        assert not repeated, f"kill {n} at {at:.2f} s: passes {repeated} were captured already"
    practice.ledger_holds()
    print(f"kill {n + 1} at {at:.2f} s of {whole:.2f} s: passes {sorted(before)} kept, then {sorted(e['pass'] for e in second.of('captured'))}")
print(f"{kills} kills, nothing lost")
