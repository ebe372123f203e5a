"""The live table of a watch: the parts that rise fastest, and what is alarming."""

from __future__ import annotations

from rich.console import Group
from rich.table import Table
from rich.text import Text

from thermscan.dynamics.watching import Look
from thermscan.visible import visible

MOST_ROWS = 14


def watch_table(look: Look, stage: str | None) -> Group:
    """A table of the parts that rise fastest, with alarms below."""
    since = "" if look.since_s is None else f", {look.since_s:.0f} s after power-on"
    placed = "" if look.placed else "; the board is not found yet"
    stage = stage or "not named"
    head = Text(visible(f"{look.frame.path.name}: {look.frame.time_s:.1f} s{since}; stage: {stage}{placed}"))
    table = Table("part", "°C", "rise, K", "K/s", "")
    worst = {alarm.ref: alarm.level for alarm in reversed(look.alarms)}
    rows = sorted(range(len(look.refs)), key=lambda n: (look.refs[n] not in worst, -look.slope_k_per_s[n]))
    for n in rows[:MOST_ROWS]:
        level = worst.get(look.refs[n], "")
        style = {"act": "bold red", "watch": "yellow"}.get(level, "")
        table.add_row(
            Text(visible(look.refs[n])),
            f"{look.temp_c[n]:.1f}", f"{look.rise_k[n]:+.1f}", f"{look.slope_k_per_s[n]:+.3f}", level,
            style=style,
        )  # fmt: skip
    styles = {"act": "bold red", "watch": "yellow"}
    alarms = [Text(visible(f"{alarm.level}: {alarm.text}"), style=styles[alarm.level]) for alarm in look.alarms]
    keys = Text("1 bare board  2 chips fitted  3 under test  4 soak   Ctrl-C ends", style="dim")
    return Group(head, table, *alarms, keys)
