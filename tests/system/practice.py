"""The practice flatbed set up for a test: a folder of its own, a roll added, the environment to run in."""
import json
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile


def browser_parts(build, *names):
    """The folder with the packages of tests/outside as pinned, Chromium being there, too; ends the test with a word when something is missing."""
    outside = pathlib.Path(os.environ.get("LAPWRIGHT_TEST_OUTSIDE", pathlib.Path(build) / "outside"))
    pinned = json.loads((pathlib.Path(__file__).resolve().parents[1] / "outside" / "package.json").read_text())["dependencies"]
    for name in names:
        installed = outside / "node_modules" / name / "package.json"
        if not installed.exists() or json.loads(installed.read_text())["version"] != pinned[name]:
            sys.exit(f"{installed}: {name} {pinned[name]} is not there; `demo/setup tests` installs it")
    if not shutil.which("chromium"):
        sys.exit("chromium is not there; `demo/setup tests` installs it")
    return outside


class Practice:
    def __init__(self, build, scene=None, sleeve="135-6x6", rolls=("test-1",)):
        self.build = pathlib.Path(build)
        self.top = pathlib.Path(__file__).resolve().parents[2]
        self.folder = tempfile.TemporaryDirectory(prefix="lapwright-practice-", ignore_cleanup_errors=True)  # goes with this object
        self.work = pathlib.Path(self.folder.name)
        (self.work / "sane").mkdir()
        (self.work / "sane" / "dll.conf").write_text("practice\n")
        self.lay, self.truth, self.archive = self.work / "lay.yaml", self.work / "truth.jsonl", self.work / "archive"
        self.scene = scene or next((self.top / "demo" / "scenes").glob("*.yaml"))
        self.env = dict(os.environ, SANE_CONFIG_DIR=str(self.work / "sane"), LD_LIBRARY_PATH=str(self.build / "flatbed"),
                        LAPWRIGHT_PRACTICE_BED=str(self.scene), LAPWRIGHT_PRACTICE_LAY=str(self.lay),
                        LAPWRIGHT_PRACTICE_TRUTH=str(self.truth), LAPWRIGHT_ARCHIVE=str(self.archive), HOME=str(self.work),
                        XDG_CONFIG_HOME=str(self.work / "config"), XDG_STATE_HOME=str(self.work / "state"))
        cache = self.build / "flatbed" / "cache"  # the pictures are painted once
        cache.mkdir(parents=True, exist_ok=True)
        self.env.setdefault("LAPWRIGHT_PRACTICE_CACHE", str(cache))
        self.program = str(self.build / "lapwright")
        for roll in rolls:
            subprocess.run([self.program, "roll", "add", roll, "--sleeve", sleeve, "--stock", "c41-daylight-400"], env=self.env, check=True)

    def station(self, ppi, *more):
        return [self.program, "station", "--bed", "practice-8x10", "--ppi", str(ppi), "--key", "stdin", "--events", "-", "--once", *more]

    def review(self, **more):
        """The review page on a port of its own: its process, and its address."""
        server = subprocess.Popen([self.program, "--json", "review", "--listen", "127.0.0.1:0"], env=self.env, stdout=subprocess.PIPE, text=True, **more)
        told = ""
        while not told.rstrip().endswith("}"):
            line = server.stdout.readline()
            assert line, "the page did not start"
            told += line
        return server, json.loads(told)["url"]

    def ledger_holds(self):
        subprocess.run([self.program, "ledger", "audit"], env=self.env, check=True)
        for roll in (self.archive / "rolls").iterdir():
            if (roll / "manifest-sha256.txt").exists():
                subprocess.run(["sha256sum", "--quiet", "-c", "manifest-sha256.txt"], cwd=roll, check=True)
        partial = [p for p in (self.archive / "rolls").rglob("*") if p.name.endswith(".part")]
        assert not partial, partial
