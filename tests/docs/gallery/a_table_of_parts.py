"""
A table of parts
================

One row a part, as pandas and polars take it; here without either.
"""

import thermscan
from thermscan.resources import data_path

sample = data_path("samples", "departure_display")
inspection = thermscan.inspect_run(thermscan.read_run(sample / "good-1.toml"))
table = inspection.table()

warmest = sorted(
    (row for row in zip(table["ref"], table["rise_k"], table["u_c"], strict=True) if row[1] is not None),
    key=lambda row: -row[1],
)
for ref, rise_k, u_k in warmest[:5]:
    print(f"{ref:4} {rise_k:5.1f} K above the room, ± {2 * u_k:.1f} K")
