#!/usr/bin/env python3
"""Infrared at the practice flatbed: beside every pass, registered to it, cut with the frames, on the cards; never of silver film.

That dyes let infrared through and silver does not is common practice, no source.
"""
import pathlib
import subprocess
import re
import sys
import json

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player, compose
from practice import Practice
import tiff


def inverse(m):
    a, b, c, d, e, f = m
    k = 1 / (a * d - b * c)
    r = [d * k, -b * k, -c * k, a * k]
    return r + [-(r[0] * e + r[2] * f), -(r[1] * e + r[3] * f)]


def at(m, x, y):
    return m[0] * x + m[2] * y + m[4], m[1] * x + m[3] * y + m[5]


def infrared_of(card):
    """What a card tells of infrared pictures, in its order: file, map (None where it is not told), residual."""
    out = []
    for block in re.findall(r"infrared:.*\n((?: +\w+: .*\n)+)", card.read_text()):
        known = dict(re.findall(r" (\w+): ([^#\n]*)", block))
        lies = known.get("to_infrared")
        out.append((known["file"].strip(), lies and json.loads(lies), float(known.get("residual_px", 0))))
    return out


practice = Practice(sys.argv[1], rolls=("colour",))
player = Player(practice.lay, seed=3)
assert player.run(practice.station(300, "--infrared", "all"), practice.env) == 0, player.events[-2:]
proof = practice.archive / "rolls" / "colour" / "proof"
told = infrared_of(proof / "sheet.yaml")
truth = [json.loads(line) for line in practice.truth.read_text().splitlines()]
assert told and len(truth) == 2 * len(told), (len(truth), told)
for n, (name, lies, residual) in enumerate(told):
    visible, infrared = truth[2 * n], truth[2 * n + 1]
    assert "Infrared" in infrared["source"] and "Infrared" not in visible["source"]
    assert name == f"pass-{n + 1}-infrared.tif" and (proof / name).exists()
    is_so = compose(infrared["sleeve_to_pixels"], inverse(visible["sleeve_to_pixels"]))
    off = max(abs(p - q) for x in (0, visible["width"]) for y in (0, visible["height"])
              for p, q in zip(at(lies, x, y), at(is_so, x, y)))
    moved = max(abs(v) for v in (is_so[4], is_so[5]))
    print(f"pass {n + 1}: infrared lies {moved:.2f} px off, found to {off:.2f} px, residual {residual:.3f} px")
    # The truth leaves out the carriage's wobble, other in each pass.
    assert off < 1.0 and moved > 0.5, (off, moved)
practice.ledger_holds()

subprocess.run([practice.program, "want", "colour", "--frames", "2,5", "--ppi", "600"], env=practice.env, check=True)
player = Player(practice.lay, seed=4)
assert player.run(practice.station(300, "--infrared", "full"), practice.env) == 0, player.events[-2:]
full = practice.archive / "rolls" / "colour" / "full"
for frame in ("02", "05"):
    (name, lies, _), = infrared_of(full / f"frame-{frame}.yaml")  # of the frame; its passes are gone
    assert name == f"frame-{frame}-infrared.tif" and lies is None
    seen, infrared = (tiff.Picture(full / name) for name in (f"frame-{frame}.tif", name))
    assert (seen.width, seen.height) == (infrared.width, infrared.height)
    # The picture is hardly there, the frame's own film is.
    rows = [p.samples[3 * p.width * (p.height // 2):][120:3 * p.width - 120][1::3] for p in (seen, infrared)]
    spread = [max(row) - min(row) for row in rows]
    print(f"frame {frame}: across it {spread[0]} counts by visible light, {spread[1]} by infrared")
    assert spread[1] < spread[0]
assert not list(full.glob("pass-*")), list(full.iterdir())
practice.ledger_holds()

subprocess.run([practice.program, "roll", "add", "silver", "--sleeve", "135-6x6", "--stock", "bw-silver"], env=practice.env, check=True)
before = len(practice.truth.read_text().splitlines())
with open(practice.work / "said", "w") as said:
    player = Player(practice.lay, seed=5)
    assert player.run(practice.station(150, "--infrared", "all"), practice.env, errors=said) == 0, player.events[-2:]
passes = len(player.of("captured"))
assert len(practice.truth.read_text().splitlines()) - before == passes
assert not list((practice.archive / "rolls" / "silver").rglob("*infrared*"))
assert "silver holds it back" in (practice.work / "said").read_text()
practice.ledger_holds()
print("infrared: beside every pass of dye film, never of silver")
