"""
Which part is hot, and why
==========================

One look at a board: every part's temperature, and the one that stands out.
"""

import thermscan
from thermscan.resources import data_path

sample = data_path("samples", "departure_display")
inspection = thermscan.inspect_run(thermscan.read_run(sample / "shorted-latch.toml"))
print(inspection)

for finding in inspection.judgement.findings:
    print(f"{finding.level}: {finding.text}")

latch = inspection["U15"]
print(f"{latch.part.ref} reads {latch.measurement.mean_c:.1f} °C, {latch.verdict.verdict}")
