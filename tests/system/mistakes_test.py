#!/usr/bin/env python3
"""Mistakes by hand at the practice flatbed: each gets a true verdict and advice, only that pass is made again, the roll is finished."""
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
for mistake, words in expected.items():
    practice = Practice(sys.argv[1])
    player = Player(practice.lay, seed=5, mistakes={2: mistake})
    code = player.run(practice.station(300), practice.env)
    again = player.of("again")
    print(f"{mistake}: {again[0]['say'] if again else 'no verdict'}")
    assert code == 0, (mistake, code, player.events[-2:])
    assert len(again) == 1 and again[0]["pass"] == 2, (mistake, again)
    text = (again[0]["why"] + " " + again[0]["say"]).lower()
    assert any(w in text for w in words), (mistake, text)
    captured = [e["pass"] for e in player.of("captured")]
    assert captured.count(1) == 1, (mistake, captured)
    assert len(player.of("done")) == 1
    practice.ledger_holds()
print("every mistake was told and put right")
