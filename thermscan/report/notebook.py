"""An inspection as a notebook shows it: the annotated board, and what was found in words."""

from __future__ import annotations

from base64 import b64encode
from html import escape

from thermscan.inspection import Inspection
from thermscan.report.plates import plate_figure, plates_of
from thermscan.report.report import png_of
from thermscan.report.summary import summary_lines


def inspection_html(inspection: Inspection) -> str:
    """
    A fragment of HTML, complete in itself.

    Parameters
    ----------
    inspection : Inspection

    Returns
    -------
    str
        A picture of the board from straight above, and the summary.
    """
    plate = next(plate for plate in plates_of(inspection) if plate.name == "rectified-board")
    picture = b64encode(png_of(plate_figure(plate))).decode("ascii")
    said = "".join(f"<li>{escape(line)}</li>" for line in summary_lines(inspection))
    return (
        f'<figure><img src="data:image/png;base64,{picture}" alt="The board {escape(inspection.board.name)} from '
        f'straight above, with its parts" style="max-width: 100%"></figure><ul>{said}</ul>'
    )
