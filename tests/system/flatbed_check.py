"""Measures the practice flatbed through the real libsane: python3 flatbed_check.py BUILD SOURCE (only the standard library)."""
import json
import math
import os
import pathlib
import subprocess
import sys
import tempfile
import array

build, source = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
work = pathlib.Path(tempfile.mkdtemp(prefix="lapwright-flatbed-"))
(work / "sane").mkdir()
(work / "sane" / "dll.conf").write_text("practice\n")
lay, truth, faults = work / "lay.yaml", work / "truth.jsonl", work / "faults.yaml"
scene = work / "bed.yaml"
# The demo's own roll with small pictures, so that they are painted in a moment; no warm-up.
text = (source / "demo/scenes/harbour.yaml").read_text()
scene.write_text(text.replace("picture_px: 1280", "picture_px: 160").replace("busy_once: true", "busy_once: false"))
env = dict(os.environ, SANE_CONFIG_DIR=str(work / "sane"), LD_LIBRARY_PATH=str(build / "flatbed"), LAPWRIGHT_PRACTICE_BED=str(scene),
           LAPWRIGHT_PRACTICE_LAY=str(lay), LAPWRIGHT_PRACTICE_TRUTH=str(truth), LAPWRIGHT_PRACTICE_FAULTS=str(faults), HOME=str(work))
honest = ["--source", "Transparency Window", "--film-type", "Positive Film", "--mode", "Color", "--depth", "16",
          "--gamma-correction", "None", "--color-correction", "None"]


def scan(*options, expect=0):
    done = subprocess.run(["timeout", "120", "scanimage", "-d", "practice:bed", "--format=pnm", *options], env=env, capture_output=True)
    assert done.returncode == expect or (expect and done.returncode), (options, done.returncode, done.stderr.decode())
    return done


def picture(data):
    fields, at = [], 0
    while len(fields) < 4:
        end = data.index(b"\n", at)
        line = data[at:end]
        if not line.startswith(b"#"):
            fields += line.split()
        at = end + 1
    samples = array.array("H" if int(fields[3]) > 255 else "B", data[at:])
    if samples.itemsize == 2 and sys.byteorder == "little":
        samples.byteswap()  # PNM holds the high byte first
    return int(fields[1]), int(fields[2]), samples


def last_truth():
    return json.loads(truth.read_text().splitlines()[-1])


def where(t, x, y):
    a, b, c, d, e, f = t["sleeve_to_pixels"]
    px, py = a * x + c * y + e, b * x + d * y + f
    w, mm = t["wobble"], 25.4 / t["ppi"]
    angle = 2 * math.pi * (t["y"] + py * mm) / w["period_mm"] + w["phase"]
    # A row is shown where the carriage was, not where it should have been.
    return px - w["wander_mm"] * math.sin(angle + 1.3) / mm, py - w["amplitude_mm"] * math.sin(angle) / mm


# 1. The real libsane lists it.
listed = subprocess.run(["scanimage", "-L"], env=env, capture_output=True, text=True).stdout
assert "practice:bed" in listed, listed

# 2. Bare glass: open light is linear and even only when asked for; the defaults are curved, corrected, 8 bit, from the lid.
w, h, open_light = picture(scan(*honest, "--resolution", "75").stdout)
assert (w, h) == (600, 750), (w, h)  # CALC trade.md 6: 203.2 x 254 mm at 75 ppi
t = last_truth()
assert t["honest"] and not t["sleeve"]
middle = open_light[3 * (w * (h // 2) + w // 2) + 1]
assert abs(middle / t["light"][1] - 1) < 0.02, (middle, t["light"])
low_bits = 0
for v in open_light[:30000]:
    low_bits |= v & 3
assert low_bits == 0, "14 bits in a 16-bit box"
w8, h8, default = picture(scan("--resolution", "75").stdout)
assert default.itemsize == 1 and w8 % 8 == 0 and w8 > w  # the glass is wider than the film window, width in eights
assert not last_truth()["honest"]

# 3. Every step away from the honest settings gives other data.
lay.write_text("sleeve_to_bed: [1, 0, 0, 1, -6, -20]\n")
area = ["--resolution", "150", "-l", "20", "-t", "20", "-x", "60", "-y", "40"]
_, _, right = picture(scan(*honest, *area).stdout)
for option, value in [("--film-type", "Negative Film"), ("--gamma-correction", "Standard"), ("--color-correction", "Automatic"),
                      ("--source", "Flatbed"), ("--contrast", "20")]:
    changed = list(honest)
    if option in changed:
        changed[changed.index(option) + 1] = value
    else:
        changed += [option, value]
    if value == "Flatbed":
        del changed[changed.index("--film-type"):changed.index("--film-type") + 2]
    _, _, other = picture(scan(*changed, *area).stdout)
    assert not last_truth()["honest"], option
    off = sum(abs(a - b) for a, b in zip(right, other)) / len(right)
    assert off > 1000, (option, off)

# 4. Perforations: where the truth says, and 4.750 mm apart (READ trade.md 1.1), with the sleeve lying four different ways.
ppi, count = 600, 0
mm = 25.4 / ppi
for quarter, mirrored in [(0, False), (1, False), (3, True), (2, True)]:
    angle = math.radians(90 * quarter + 0.4)
    m = [math.cos(angle), math.sin(angle), -math.sin(angle), math.cos(angle)]
    if mirrored:
        m[0], m[1] = -m[0], -m[1]
    # The middle of the block lies in the middle of the window.
    e, f = 101.6 - m[0] * 138 - m[2] * 140, 127 - m[1] * 138 - m[3] * 140
    lay.write_text(f"sleeve_to_bed: {m + [e, f]}\n")
    w, h, samples = picture(scan(*honest, "--resolution", str(ppi)).stdout)
    t = last_truth()
    assert t["mirrored"] == mirrored
    assert (w, h) == (4800, 6000), (w, h)  # CALC trade.md 6
    for strip in t["strips"]:
        x0, y0 = strip["first_perforation"]
        ux, uy = strip["along"]
        found = []
        for k in range(0, 47):
            x, y = x0 + 4.75 * k * ux, y0 + 4.75 * k * uy
            px, py = where(t, x, y)
            r = int(2.0 / mm)
            if not (r < px < w - r and r < py < h - r):
                continue
            # The centre of light of what is brighter than halfway between base and hole, in a box around it.
            sx = sy = s = 0.0
            for yy in range(int(py) - r, int(py) + r):
                base = 3 * (yy * w + int(px) - r) + 2
                for i, v in enumerate(samples[base:base + 6 * r:3]):
                    if v > 32000:
                        sx += int(px) - r + i + 0.5
                        sy += yy + 0.5
                        s += 1
            if not 0.9 < s * mm * mm / 5.31 < 1.12:
                continue  # dust, or the strip's end
            found.append((k, sx / s, sy / s))
            off = math.hypot(sx / s - px, sy / s - py)
            assert off < 0.6, (strip["strip"], k, off)
        if len(found) < 15:
            continue
        count += len(found)
        a, b, c, d, _, _ = t["sleeve_to_pixels"]
        one_mm = math.hypot(a * ux + c * uy, b * ux + d * uy)  # pixels a mm of this strip, the bed's scale error included
        first, last = found[0], found[-1]
        pitch = math.hypot(last[1] - first[1], last[2] - first[2]) / (last[0] - first[0]) / one_mm
        assert abs(pitch - 4.750) < 0.010, (strip["strip"], pitch)
assert count > 300, count

# 5. Faults on demand.
area = ["--resolution", "300", "-x", "100", "-y", "50"]
whole = len(scan(*honest, *area).stdout)
faults.write_text("error_row: 100\n")
assert b"Error during device I/O" in scan(*honest, *area, expect=1).stderr
faults.write_text("cover_open: true\n")
assert b"cover is open" in scan(*honest, *area, expect=1).stderr
faults.write_text("busy: true\n")
assert b"busy" in scan(*honest, *area, expect=1).stderr
faults.write_text("eof_row: 100\n")
short = subprocess.run(["scanimage", "-d", "practice:bed", "--format=pnm", *honest, *area], env=env, capture_output=True)
assert len(short.stdout) < whole, (len(short.stdout), whole)
faults.write_text("stall_row: 50\nstall_seconds: 600\n")
stalled = subprocess.run(["timeout", "-s", "KILL", "3", "scanimage", "-d", "practice:bed", "--format=pnm", *honest, *area], env=env, capture_output=True)
assert stalled.returncode != 0
faults.write_text("presses: 0\n")

# 6. The same seed, the same film: a pass made again shows the same picture but for light and noise.
_, _, one = picture(scan(*honest, *area).stdout)
_, _, two = picture(scan(*honest, *area).stdout)
assert one != two
close = sum(1 for a, b in zip(one, two) if abs(a - b) < 0.02 * a + 200)
assert close > 0.98 * len(one), close / len(one)

# 7. A wrong description or lay is refused with its place.
lay.write_text("sleeve_to_bed: [1, 0, 0]\n")
assert b"lay.yaml:1: sleeve_to_bed" in scan(*honest, *area, expect=1).stderr
scene.write_text(text + "wobbel: 3\n")
assert b"wobbel: is not a key here" in scan(*honest, *area, expect=1).stderr
print(f"the practice flatbed holds: {count} perforations where they should be")
subprocess.run(["rm", "-rf", str(work)], check=True)
