#!/usr/bin/env python3
"""Mistakes by hand at the practice flatbed: each gets a true verdict and advice, only that pass is made again, the roll is finished."""
import json
import pathlib
import sys

sys.path.insert(0, str(pathlib.Path(__file__).parent))
from player import Player
from practice import Practice

expected = {  # what the verdict must speak of
    "wrong-side": ("mirror", "side"),
    "half-turn": ("turn",),
    "quarter-turn": ("turn",),
    "not-moved": ("still lies as for pass 1",),
    "too-far:40": ("mm",),
}
# With a bed that takes its time, and without the quick look, the lap itself must tell, while the pass is captured.
while_captured = ("half-turn", "not-moved", "too-far:40")
for mistake, words in expected.items():
    practice = Practice(sys.argv[1])
    more = []
    if mistake in while_captured:
        slow = practice.work / "slow.yaml"
        slow.write_text(practice.scene.read_text().replace("\nbed:\n", "\nbed:\n  line_seconds: 0.0015\n", 1))
        assert "line_seconds" in slow.read_text(), "the scene's bed is written otherwise"
        practice.env["LAPWRIGHT_PRACTICE_BED"] = str(slow)
        more = ["--no-look"]
    player = Player(practice.lay, seed=5, mistakes={2: mistake})
    code = player.run(practice.station(300, *more), practice.env)
    again = player.of("again")
    print(f"{mistake}: {again[0]['say'] if again else 'no verdict'}")
    assert code == 0, (mistake, code, player.events[-2:])
    assert len(again) == 1 and again[0]["pass"] == 2, (mistake, again)
    text = (again[0]["why"] + " " + again[0]["say"]).lower()
    assert any(w in text for w in words), (mistake, text)
    captured = [e["pass"] for e in player.of("captured")]
    assert captured.count(1) == 1, (mistake, captured)
    early = [e for e in player.of("lap") if not e["ok"]]
    print(f"  told {'while captured' if captured.count(2) == 1 else 'after the capture'}, {len(early)} bad lap")
    if mistake in while_captured:
        assert captured.count(2) == 1 and len(early) == 1, (mistake, captured, early)
    assert len(player.of("done")) == 1
    practice.ledger_holds()

# Pass 1 the wrong way round and pass 2 as drawn: the second time, pass 1 is asked for.
practice = Practice(sys.argv[1])
player = Player(practice.lay, seed=6, mistakes={1: "half-turn"})
code = player.run(practice.station(300), practice.env)
again = [e["pass"] for e in player.of("again")]
print("pass 1 turned half way round: asked again for passes", again)
assert code == 0 and again == [2, 1], (code, player.of("again"))
practice.ledger_holds()
# Wrong side up from the first pass on: no lap can tell, the code on the film's edge does, and the sheet is put right. The sleeve
# is turned over about the middle of its strips (the demo's, mm), along them or across.
practice = Practice(sys.argv[1], rolls=("test-1", "test-2"))
for roll, over, reversed_are in (("test-1", [-1, 0, 0, 1, 276, 0], "columns"), ("test-2", [1, 0, 0, -1, 0, 276], "rows")):
    player = Player(practice.lay, seed=7, over=over)
    code = player.run(practice.station(600), practice.env)
    assert code == 0, player.events[-2:]
    cautions = player.of("converted")[0]["cautions"]
    print("wrong side up:", cautions)
    assert any(f"reversing its {reversed_are}" in c for c in cautions), cautions
    assert any("in no stock profile" in c for c in cautions) == (roll == "test-1"), cautions  # asked once, then remembered
    proof = practice.archive / "rolls" / roll / "proof"
    edge = json.loads((proof / "frames.json").read_text())
    frames = edge["frames"]
    assert [f["frame"] for f in frames] == sorted((f["frame"] for f in frames), key=lambda n: (int(n.rstrip("A")), n)), frames
    assert len(frames) == 36 and sum(f["numbered_by"] == "code" for f in frames) == 36, frames
    assert "mirrored: true" in (proof / "sheet.yaml").read_text()
    practice.ledger_holds()
print("every mistake was told and put right")
