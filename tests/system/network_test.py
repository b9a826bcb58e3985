#!/usr/bin/env python3
"""The practice flatbed behind saned (SANE's own network), as the station sees it: a roll comes whole, and a saned that is not there,
that dies or that falls silent while a pass comes is one sentence with what to do, after which the roll is finished.

saned listens on the loopback of a network of the test's own; where that is not allowed, on the machine's, if nobody listens there.
"""
import contextlib
import ctypes
import fcntl
import os
import pathlib
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player, one_sentence
from practice import Practice

saned, port, ppi = "/usr/sbin/saned", 6566, 300
new_user, new_network, interface_flags, up = 0x10000000, 0x40000000, 0x8914, 0x1 | 0x40


def own_network():
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(new_network) != 0 and libc.unshare(new_user | new_network) != 0:
        return
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        fcntl.ioctl(s, interface_flags, struct.pack("16sh14x", b"lo", up))


def somebody_listens():
    with socket.socket() as s:
        return s.connect_ex(("127.0.0.1", port)) == 0


class Served:
    """A practice flatbed that only saned can reach, and a station that only knows the network."""

    def __init__(self, build):
        demo = next((pathlib.Path(__file__).resolve().parents[2] / "demo" / "scenes").glob("*.yaml")).read_text()
        with tempfile.NamedTemporaryFile("w", suffix=".yaml", delete=False) as scene:  # passes of some seconds
            scene.write(demo.replace("\nbed:\n", "\nbed:\n  line_seconds: 0.0005\n"))
        self.practice = Practice(build, scene=scene.name)
        self.there = dict(self.practice.env)
        client = self.practice.work / "client"
        client.mkdir()
        (client / "dll.conf").write_text("net\n")
        (client / "net.conf").write_text("connect_timeout = 3\n127.0.0.1\n")
        self.practice.env.update(SANE_CONFIG_DIR=str(client), LAPWRIGHT_BED_PATIENCE="0.1")
        self.process = None

    def begin(self):
        self.process = subprocess.Popen([saned, "-l", "-b", "127.0.0.1", "-e", "-d", "0"], env=self.there, start_new_session=True,
                                        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 10
        while not somebody_listens():
            assert time.monotonic() < until and self.process.poll() is None, "saned does not listen"
            time.sleep(0.02)

    def signal(self, number):
        os.killpg(self.process.pid, number)

    def gone(self):
        self.end()
        os.unlink(self.practice.scene)

    def end(self):
        if self.process:
            with contextlib.suppress(ProcessLookupError):
                self.signal(signal.SIGCONT)
                self.signal(signal.SIGKILL)
            self.process.wait()
            self.process = None

    def command(self):
        return self.practice.station(ppi, "--device", "net:127.0.0.1:practice:bed")


def roll(build, what):
    """One roll; once `what` befalls saned: absent when pass 1 begins, killed or silent in pass 2."""
    served = Served(build)
    if what != "absent":
        served.begin()
    log, befell = served.practice.work / "said", []

    def watch(event, process):
        if what == "absent" and not befell:
            befell.append(event)
        elif what and event["event"] == "capture" and event["pass"] == 2 and event["line"] > 300 and not befell:
            befell.append(event)
            if what == "killed":
                served.end()
            else:
                served.signal(signal.SIGSTOP)
        if befell and event["event"] == "fault" and len(befell) == 1:
            befell.append(event)
            served.end()
            served.begin()

    player = Player(served.practice.lay, seed=4)
    try:
        with open(log, "w") as errors:
            code = player.run(served.command(), served.practice.env, until=watch, errors=errors)
    finally:
        served.gone()
    said = log.read_text()
    assert code == 0, (code, player.events[-2:], said)
    assert [e["pass"] for e in player.of("captured")] == [1, 2], player.of("captured")
    assert not player.of("again") and len(player.of("done")) == 1, player.events
    served.practice.ledger_holds()
    if what:
        assert befell, "pass 2 was over too soon"
    faults = player.of("fault")
    for fault in faults:
        one_sentence(fault["say"])
        assert fault["code"] == (69 if what == "absent" else 74) and not fault["fatal"] and fault["say"] in said, fault
        assert "saned" in fault["say"], fault
        print(f"saned {what}: {fault['say']}")
    assert len(faults) == (1 if what else 0), faults


own_network()
assert os.access(saned, os.X_OK), f"{saned} is not there; `demo/setup tests` installs it (sane-utils)"
if somebody_listens():
    print(f"somebody listens on port {port} already; not run")
    sys.exit(77)
for what in (None, "absent", "killed", "silent"):
    roll(sys.argv[1], what)
print("every failure of the network was told and put right")
