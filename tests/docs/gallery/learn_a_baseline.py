"""
What a good board looks like
============================

Learned from known-good runs, kept in a file, and held against another board.
"""

import tempfile
from pathlib import Path

import thermscan
from thermscan.resources import data_path

sample = data_path("samples", "departure_display")
good = [thermscan.inspect_run(thermscan.read_run(sample / name)) for name in ("good-1.toml", "good-2.toml")]
baseline = thermscan.learn_baseline(good)
print(baseline)

with tempfile.TemporaryDirectory() as folder:
    thermscan.write_baseline(baseline, Path(folder) / "good.json")
    again = thermscan.read_baseline(Path(folder) / "good.json")

inspection = thermscan.inspect_run(thermscan.read_run(sample / "dead-ram.toml"), baseline=again)
for finding in inspection.judgement.findings:
    print(f"{finding.level}: {finding.ref} {finding.direction} by {finding.rule}")
