"""
Where the board lies in the frame, and how well that is known: the room's front door.

`geometry/` is what all share: homography, pose, parallax, lens. `placing/` finds a layout in one frame, with
`register_board`. `recordings/` follows, averages and merges the frames of one view. `targets/` finds printed cards.
"""

from thermscan.registration.placing.baseline_raster import BaselineRaster
from thermscan.registration.placing.corners import checked_corners
from thermscan.registration.placing.register import register_board
from thermscan.registration.placing.register_views import register_views
from thermscan.registration.recordings.averaging import AlignedViews, align_views, separate_views
from thermscan.registration.recordings.drift import Drift, Tracker
from thermscan.registration.recordings.merging import MergedView, merge_views
from thermscan.registration.recordings.recording_motion import recording_motion
from thermscan.registration.registration import CORNER_NAMES, Registration
from thermscan.registration.targets.targets import find_targets, without_cards

__all__ = [
    "CORNER_NAMES",
    "AlignedViews",
    "BaselineRaster",
    "Drift",
    "MergedView",
    "Registration",
    "Tracker",
    "align_views",
    "checked_corners",
    "find_targets",
    "merge_views",
    "recording_motion",
    "register_board",
    "register_views",
    "separate_views",
    "without_cards",
]
