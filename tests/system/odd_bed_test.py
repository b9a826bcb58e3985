#!/usr/bin/env python3
"""The whole station on a flatbed and a sleeve that the project has never seen: odd option names, a 68.6 x 237 mm film window that
does not start at zero (size: READ, trade.md 0.1), six strips of six. The sheet is compared with the scene's own truth."""
import json
import os
import pathlib
import subprocess
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player

build = pathlib.Path(sys.argv[1])
folder = tempfile.TemporaryDirectory(prefix="lapwright-odd-", ignore_cleanup_errors=True)
work = pathlib.Path(folder.name)
sane, profiles, archive = work / "sane", work / "profiles", work / "archive"
for part in (sane, profiles / "beds", profiles / "sleeves"):
    part.mkdir(parents=True)
(sane / "dll.conf").write_text("oddbed\n")
sleeve = profiles / "sleeves" / "six-by-six.yaml"
sleeve.write_text("""sleeve: six-by-six
about: 35 mm, six strips of six, an invented page
page: {width: 258, height: 262}
film: 135
frame: {width: 36, height: 24, advance: 38}
strips: {count: 6, frames: 6, first: {x: 22, y: 20}, pitch: 38.4, length: 228, run: right}
""")
(profiles / "beds" / "slit.yaml").write_text("""bed: slit
about: an invented bed with a narrow film window
match: {vendor: "Oddwright", model: "Slit.*"}
window: {x: 73.4, y: 30.2, width: 68.6, height: 237}
overhang: {left: 250, right: 250, front: 300, back: 60}
ppi: [150, 300, 600]
""")
lay = work / "lay.yaml"
env = dict(os.environ, SANE_CONFIG_DIR=str(sane), LD_LIBRARY_PATH=str(build / "tests"), ODD_BED_SLEEVE=str(sleeve), ODD_BED_LAY=str(lay),
           LAPWRIGHT_ARCHIVE=str(archive), HOME=str(work))
program = str(build / "lapwright")
common = ["--profiles", str(profiles)]
subprocess.run([program, "roll", "add", "odd-1", "--sleeve", "six-by-six", "--stock", "c41-daylight-400", *common], env=env, check=True)
player = Player(lay, seed=3)
code = player.run([program, "station", "--bed", "slit", "--ppi", "300", "--key", "stdin", "--events", "-", "--once", *common], env)
for event in player.of("lap"):
    print("lap", event["between"], event["ok"], f'{event["residual_px"]:.3f} px,', f'{event["overlap_mm"]:.1f} mm')
assert code == 0, (code, player.events[-3:])
assert len(player.of("captured")) >= 4, "a narrow window needs four passes and more (trade.md 6)"
assert all(e["ok"] for e in player.of("lap")), player.of("lap")
frames = json.loads((archive / "rolls/odd-1/proof/frames.json").read_text())["frames"]
assert len(frames) == 36, len(frames)
as_text = lambda m: ",".join(repr(v) for v in m)
checked = subprocess.run([str(build / "tests" / "check_sheet"), str(archive / "rolls/odd-1/proof/sheet.tif"), str(sleeve),
                          as_text(player.planned[1]), as_text(player.lays[1])], text=True, stdout=subprocess.PIPE)
print(checked.stdout, end="")
assert checked.returncode == 0, "the joined sheet differs from the sleeve"
audit = subprocess.run([program, "ledger", "audit"], env=env)
assert audit.returncode == 0
subprocess.run(["sha256sum", "--quiet", "-c", "manifest-sha256.txt"], cwd=archive / "rolls/odd-1", check=True)
print("the odd bed's sheet is right")
