"""The report's pictures, in their order, each with its name and the height it would like."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from matplotlib.figure import Figure

from thermscan.frozen import dataclass
from thermscan.inspection import Inspection
from thermscan.report.canvas import TITLE_PT, Sheet, blank_sheet
from thermscan.report.pictures import KEY_PT
from thermscan.report.plate_before import before_after_height_pt, draw_before_after, draw_change, looks_of
from thermscan.report.plate_board import board_height_pt, draw_rectified_board
from thermscan.report.plate_budget import budget_height_pt, budget_pages, draw_budget
from thermscan.report.plate_difference import draw_difference
from thermscan.report.plate_frame import annotated_frame_height_pt, draw_annotated_frame
from thermscan.report.plate_photo import draw_photo, photo_of
from thermscan.report.plate_ranked import draw_ranked, ranked_height_pt, ranked_pages
from thermscan.report.plate_registration import draw_registration_check, registration_height_pt
from thermscan.report.plate_views import draw_views, seen_from, views_height_pt
from thermscan.report.shown import Shown

# A4 paper, its margins, and the strips for header and footer, in points.
PAGE_WIDTH_PT, PAGE_HEIGHT_PT = 595.28, 841.89
MARGIN_PT, HEADER_PT, FOOTER_PT = 42.0, 46.0, 22.0
BODY_WIDTH_PT = PAGE_WIDTH_PT - 2 * MARGIN_PT
BODY_HEIGHT_PT = PAGE_HEIGHT_PT - 2 * MARGIN_PT - HEADER_PT - FOOTER_PT

# Between two pictures on a page, and how much smaller the boards' may get to share one.
BETWEEN_PLATES_PT, _SHRINK = 14.0, 1.25

# A picture of the board at this share of its size still shows its parts and their names.
_SHRUNK = 0.7
# With more parts than these their names are read only at full size.
_MANY_PARTS = 150

# What no picture of the board can do with less of: its title, its key, its scales.
_FIXED_PT = TITLE_PT + KEY_PT + 30.0

# White around a picture that stands alone.
_PNG_MARGIN_PT = 12.0


@dataclass(frozen=True, slots=True)
class Plate:
    """
    One picture.

    Attributes
    ----------
    name : str
        Of its PNG file, without the suffix.
    height_pt : float
        At which it fills the width of a page.
    draw : callable
        Takes the sheet to draw on.
    least_share : float
        Down to this share of the picture's height it can still be read; drawn smaller, it may share a page.
    """

    name: str
    height_pt: float
    draw: Callable[[Sheet], None]
    least_share: float = 1.0

    @property
    def least_pt(self) -> float:
        """The smallest height in which it can be read: title, key and scales keep theirs."""
        fixed = min(_FIXED_PT, self.height_pt)
        return fixed + self.least_share * (self.height_pt - fixed)


def plates_of(inspection: Inspection) -> list[Plate]:
    """All pictures that this inspection calls for: the annotated frame first, the registration check last."""
    width, most = BODY_WIDTH_PT, BODY_HEIGHT_PT
    board_height = min(board_height_pt(inspection, width), most)
    # A little smaller is better than half a page left empty.
    half = (most - BETWEEN_PLATES_PT) / 2
    if half < board_height <= _SHRINK * half:
        board_height = half
    frame_height = min(annotated_frame_height_pt(inspection, width), most)
    named = 1.0 if len(inspection.board.parts) > _MANY_PARTS else _SHRUNK
    plates = [
        Plate("annotated-frame", frame_height, partial(draw_annotated_frame, inspection=inspection), _SHRUNK),
        Plate("rectified-board", board_height, partial(draw_rectified_board, inspection=inspection), named),
    ]
    seen = seen_from(inspection)
    if len(seen) > 1:
        height = min(views_height_pt(seen, width), most)
        plates.append(Plate("views", height, partial(draw_views, seen=seen), _SHRUNK))
    looks = looks_of(inspection)
    if looks is not None:
        height = min(before_after_height_pt(inspection, width), most)
        plates += [
            Plate("before-and-after", height, partial(draw_before_after, looks=looks), _SHRUNK),
            Plate("change-since-before", board_height, partial(draw_change, looks=looks), _SHRUNK),
        ]
    photo = photo_of(inspection)
    if photo is not None:
        draw = partial(draw_photo, inspection=inspection, photo=photo)
        plates.append(Plate("photo-overlay", board_height, draw, _SHRUNK))
    if inspection.baseline is not None:
        draw = partial(draw_difference, inspection=inspection, baseline=inspection.baseline)
        plates.append(Plate("difference-from-baseline", board_height, draw, _SHRUNK))
    for number, columns in enumerate(ranked_pages(inspection, most), start=1):
        draw = partial(draw_ranked, inspection=inspection, columns=columns)
        plates.append(Plate(f"ranked-parts-{number}", ranked_height_pt(columns), draw))
    for number, parts in enumerate(budget_pages(inspection, most), start=1):
        height = budget_height_pt(parts)
        plates.append(Plate(f"uncertainty-budget-{number}", height, partial(draw_budget, parts=parts)))
    plates.append(registration_plate(inspection))
    return plates


def registration_plate(inspection: Inspection) -> Plate:
    """The picture that shows whether the layout lies where the board is."""
    height = min(registration_height_pt(inspection, BODY_WIDTH_PT), BODY_HEIGHT_PT)
    draw = partial(draw_registration_check, inspection=inspection)
    return Plate("registration-check", height, draw, _SHRUNK)


def plate_figure(plate: Plate, shown: Shown | None = None) -> Figure:
    """The picture as a figure of its own."""
    margin = _PNG_MARGIN_PT
    whole = blank_sheet(BODY_WIDTH_PT + 2 * margin, plate.height_pt + 2 * margin, shown or Shown())
    plate.draw(whole.part(margin, margin, BODY_WIDTH_PT, plate.height_pt))
    return whole.figure
