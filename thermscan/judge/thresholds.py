"""
Every threshold of the judge in one place, each with its reason.

An ``act`` asks two things: that a fault is likely, all evidence together, and that it is large enough to matter.
Physical facts about boards are here as well.
"""

from __future__ import annotations

# --- how often a good board may be accused -------------------------------------------------------------
# What to act on and what to watch follows from each part's probability of being at fault and from what mistakes cost:
# judge/deciding.py.
# No model of boards and cameras has been tried on more than thousands of cases: a chance far below is not earned.
LEAST_CHANCE = 1e-6
# A part that is only warm (its own heat does not stand out) is mentioned where chance makes one good board in ten or
# so show one, of fifty parts compared.
WARMED_CHANCE = 0.002
# One-sided 95 % for a limit: a surface reads above its limit by more than this many standard uncertainties.
LIMIT_COVERAGE = 1.645

# --- how large a difference must be to matter ----------------------------------------------------------
# Below 2 K a difference is neither a fault's sign nor worth a new chip; electrical plant practice starts
# to look at 1 to 3 K between like parts (a table in NETA's maintenance testing specification, second-hand: read on two
# web pages that print it, not in the specification).
ACT_LEAST_K = 2.0
# Of what the peers give themselves: a little more than their usual spread. Whether it stands out of the spread of
# these very peers is the rate's business; this only keeps a few per cent of a hot part from being a fault.
ACT_LEAST_SHARE = 0.10
# A part that gives hardly any of the heat its like give is dead, however little heat that is: at most this
# share is left, and at least this many kelvin are missing.
DEAD_SHARE_LEFT = 0.35
DEAD_LEAST_K = 0.7
# A capacitor's ripple warms it by a few kelvin (makers of electrolytic ones allow 3 to 10 K of their own heat: common
# practice, from memory); a
# shorted or reversed one gives more. From here on a part that should give no heat needs no declared peers.
NO_HEAT_ACT_K = 8.0
WATCH_LEAST_K = 1.5
WATCH_LEAST_SHARE = 0.08
# A good part warmed by a neighbour is mentioned from here on: a person sees this in the picture and asks.
WARMED_LEAST_K = 3.0
# Every board has warm corners: the more, the warmer it is. Of what its peers rise over the coolest part.
WARMED_LEAST_SHARE = 0.25
# Against known-good runs of the same part there are no warm corners: sooner.
WARMED_LEAST_NEW_K = 2.0
# Beyond this the ambient or the camera is off, not the board: camera 2 K and thermometer 0.5 K, at 2 sigma.
AMBIENT_DOUBT_K = 2.1

# --- how much good parts differ ------------------------------------------------------------------------
# What like chips of one type draw at one duty: 5 to 12 % apart (one standard deviation) between specimens and 2 to 4 %
# between looks at one, so 5.4 to 12.6 %, whose root mean square this is (common practice; data sheets give typical
# against maximum a factor of 1.5). The data of the board itself move this between the two bounds.
PEER_SHARE = 0.093
PEER_SHARE_BOUNDS = (0.054, 0.25)
# Mounting, sockets, marking ink and draughts: alike parts at no load differ by this.
PEER_FLOOR_K = 0.25
# Parts that nobody declared to be peers, only alike by kind and package, may have quite another duty.
PROPOSED_SHARE = 0.25
# The same board looked at again: draught, supply and the part's own duty.
REPEAT_SHARE = 0.04
REPEAT_SHARE_BOUNDS = (0.02, 0.2)
REPEAT_FLOOR_K = 0.25
# Heat received from many neighbours varies less than own heat: their differences average out.
RECEIVED_VARIES = 0.35
# Strength of these expectations, in observations' worth; a board's own data overrule them beyond that.
EXPECTATION_DEGREES = 8.0

# --- board-wide -----------------------------------------------------------------------------------------
# Load, supply and airflow of good looks at one bench usually agree within this share (one standard deviation; common
# practice of bench supplies and one program): worth so many runs, and the runs at hand overrule it.
SCALE_USUAL_SD = 0.05
SCALE_DEGREES = 4.0
# All rises together differ by more than good looks do from so many standard deviations on (one good look in forty).
BOARD_SCALE_DEVIATIONS = 2.24
# Shift beyond what ambient thermometer (1 K) and camera offset (2 K) explain together at 2 sigma.
BOARD_SHIFT_LEAST_K = 4.5
# A board warms up with a time constant of three to ten minutes (1.6 mm board in still air about 3, reckoned from
# its heat capacity and a loss of 20 W/(m2 K); with heavy parts longer, from memory); 6 is in the
# middle. Shares of the final rise that differ by more than this are not
# compared as equals.
WARM_UP_MINUTES = 6.0
WARM_UP_LEAST_SHARE = 0.05

# --- heat where no part is ------------------------------------------------------------------------------
# A trace at its design current may rise by some kelvin (charts of copper against current start from 10 K: from memory),
# and an unlisted part as well: that much more is acted on.
UNMAPPED_ACT_K = 5.0
# What is new since the known-good runs is neither. On good and faulty looks at 16 boards the greatest new spot without
# a doubt that was not the fault's gave 2.0 K: half as much again.
UNMAPPED_NEW_ACT_K = 3.0
UNMAPPED_WATCH_K = 2.5
# An excess must stand out of the residuals of the bare board by this many robust deviations.
UNMAPPED_DEVIATIONS = 6.0
# and be this share of what the parts' heat makes there: the fin model is not exact near hot parts.
UNMAPPED_SHARE = 0.2
UNMAPPED_LEAST_AREA_MM2 = 4.0
# A source stands above the board on opposite sides of it by this share of what a small source would; the
# shoulder of a hot part by less than nothing. Between the two it is watched.
UNMAPPED_STANDS_SHARE = 0.5
UNMAPPED_SHOULDER_SHARE = 0.2
# Heat spreads about a source: this share of its height lies outside the spot. A glint ends with its edge. The
# second figure is for spots that are not seen from opposite sides, where a slope adds to it.
UNMAPPED_LEAST_SKIRT = (0.08, 0.2)
# What mirrors the person at the bench reads no warmer than a person, and a little more once the reading has been
# corrected for the emissivity of solder mask, which bare metal has not.
PERSON_C = 40.0

# --- what cannot be placed, and groups as a whole ----------------------------------------------------------
# A reading at a wrong place is a blend of a part and the board about it, which differ by a few kelvin, or by a third of
# the part's rise: what is named must be more than either.
UNPLACED_LEAST_K = 8.0
UNPLACED_LEAST_SHARE = 0.33
# A group is silent where all of it gives less than this share of what the board's parts usually give, on a board whose
# parts give at least so much: below that, all are nearly silent.
SILENT_SHARE = 0.1
AT_WORK_K = 4.0
