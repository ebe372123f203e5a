"""
A board, its heat and a camera, so that the truth behind a frame is known.

Independent of the analysis: it shares the layout's dataclasses with it, and nothing else.
"""

from samples.simulator.boards import Fault, inject_fault, sample_board, sample_powers
from samples.simulator.camera import Rendered, render_frame
from samples.simulator.pose import Pose, place_camera, sample_pose
from samples.simulator.scene import Background, WarmThing
from samples.simulator.sensor import IDEAL, Sensor, sample_sensor
from samples.simulator.solver import BoardField, HeatDisc, PartTruth, solve_board, warm_up
from samples.simulator.writing import write_csv, write_layout, write_tiff

__all__ = [
    "IDEAL",
    "Background",
    "BoardField",
    "Fault",
    "HeatDisc",
    "PartTruth",
    "Pose",
    "Rendered",
    "Sensor",
    "WarmThing",
    "inject_fault",
    "place_camera",
    "render_frame",
    "sample_board",
    "sample_pose",
    "sample_powers",
    "sample_sensor",
    "solve_board",
    "warm_up",
    "write_csv",
    "write_layout",
    "write_tiff",
]
