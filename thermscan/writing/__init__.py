"""Where anything is written: no input, and no file that thermscan did not write, is ever lost."""

from thermscan.writing.files import put_file, put_files
from thermscan.writing.folder import ReservedFolder, reserved_folder
from thermscan.writing.new_folder import new_folder
from thermscan.writing.new_log import new_log
from thermscan.writing.places import check_place, check_places, make_folder, refuse_inputs

__all__ = [
    "ReservedFolder",
    "check_place",
    "check_places",
    "make_folder",
    "new_folder",
    "new_log",
    "put_file",
    "put_files",
    "refuse_inputs",
    "reserved_folder",
]
