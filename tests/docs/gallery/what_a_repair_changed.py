"""
What a repair changed
=====================

Two looks at one board, before and after: what each part's own heat did.
"""

import thermscan
from thermscan.resources import data_path

sample = data_path("samples", "departure_display")
before = thermscan.inspect_run(thermscan.read_run(sample / "shorted-latch.toml"))
after = thermscan.inspect_run(thermscan.read_run(sample / "good-1.toml"), before=before)

changed = [each for each in after.before.changes if each.outcome not in ("same", "not told")]
for each in changed:
    print(f"{each.ref}: {each.outcome}, {each.change_k:+.1f} K by its own heat")
