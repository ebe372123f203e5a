"""The four corner targets, to print at true size, with what to do with them."""

from __future__ import annotations

import io
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.patches import Polygon, Rectangle

from thermscan.registration.targets.target_design import CARD_MM, CENTRE_MM, TARGETS, Target
from thermscan.report.canvas import FAINT_INK, INK, Sheet, blank_sheet, report_style
from thermscan.report.lettering import wrapped_text
from thermscan.report.paper import MARGIN_MM, PAPERS_MM, PT_A_MM
from thermscan.writing import put_file

# Length of the bar that is checked with a ruler.
BAR_MM = 100.0
# Room between the cards for scissors, and where the first stands from the top of the page.
GAP_MM, FIRST_MM = 12.0, 92.0
FOIL_GREY = "#C8C8C8"

STEPS = (
    "Print on matt card at 100 %, not fitted to the page. The bar below must be 100 mm long.",
    "Glue kitchen foil, shiny side out and flat, on each grey patch, and trim it to the patch's outline. Foil"
    " conducts: none may reach past the card or touch the board.",
    "Cut the cards out along the thin lines.",
    "Lay each card flat on the component side, its black corner on the board's corner of that name, edges along the"
    " board's edges; a dot of paper glue or thin tape at the edge holds it. Switch off and unplug before you touch the"
    " board. No card may touch a part that gets hot.",
    "Let the board warm up: foil shows only where the card is at least 1 K warmer than the room. On a cold bench it"
    " does not.",
    "Take the frame with all four cards in view, the board as large as fits: the small square must show on 4 x 4"
    " pixels or more. Keep yourself out of the foil's reflection.",
    "Then: thermscan inspect run.toml --targets. Parts under a card are not measured; take the cards off for a soak.",
)


def write_target_sheet(path: Path, *, paper: str = "A4") -> None:
    """
    Write a PDF of one page with the four targets at 1:1.

    Parameters
    ----------
    path : Path
        A sheet that was there is replaced; any other file is kept as a backup.
    paper : str
        ``A4`` or ``letter``.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_target_sheet(Path(folder, "targets.pdf"))
    ...     Path(folder, "targets.pdf").read_bytes()[:5]
    b'%PDF-'
    """
    width_mm, height_mm = PAPERS_MM[paper]
    stream = io.BytesIO()
    with report_style():
        about = {"Title": "Corner targets at 1:1", "Creator": "thermscan", "CreationDate": None}
        with PdfPages(stream, metadata=about) as pdf:
            sheet = blank_sheet(width_mm * PT_A_MM, height_mm * PT_A_MM)
            _instructions(sheet)
            axes = _page_axes(sheet, width_mm, height_mm)
            for target in TARGETS:
                _draw_card(axes, target, _card_corner_mm(target, width_mm))
            _draw_bar(axes, (width_mm - BAR_MM) / 2, height_mm - MARGIN_MM - 12.0)
            pdf.savefig(sheet.figure)
    put_file(path, stream.getvalue(), drawn=True, inputs=())


def _instructions(sheet: Sheet) -> None:
    left, y = 2 * MARGIN_MM * PT_A_MM, sheet.height_pt - 1.8 * MARGIN_MM * PT_A_MM
    sheet.text(left, y, "Corner targets that a thermal camera sees", fontsize=13.0, weight="bold")
    y -= 18.0
    for number, step in enumerate(STEPS, start=1):
        sheet.text(left, y, f"{number}.", fontsize=8.5)
        for line in wrapped_text(step, sheet.width_pt - 2 * left - 14.0, 8.5):
            sheet.text(left + 14.0, y, line, fontsize=8.5)
            y -= 11.5
        y -= 2.5


def _page_axes(sheet: Sheet, width_mm: float, height_mm: float) -> Axes:
    """Millimetres from the page's top left corner, y down."""
    axes = sheet.axes(0.0, 0.0, sheet.width_pt, sheet.height_pt)
    axes.set(xlim=(0.0, width_mm), ylim=(height_mm, 0.0))
    axes.set_axis_off()
    return axes


def _card_corner_mm(target: Target, width_mm: float) -> tuple[float, float]:
    """Where the card's corner that goes on the board's corner lies on the page: four cards as on a board."""
    step = CARD_MM + 2 * GAP_MM + CARD_MM
    left, top = (width_mm - step) / 2, FIRST_MM
    x = left if target.inward[0] > 0 else left + step
    y = top if target.inward[1] > 0 else top + step
    return x, y


def _draw_card(axes: Axes, target: Target, corner_mm: tuple[float, float]) -> None:
    """Outline, foil patch, the mark at the board's corner; its name outside, so that nothing shines on the card."""
    (x, y), (along, down) = corner_mm, target.inward
    axes.add_patch(Rectangle((x, y), CARD_MM * along, CARD_MM * down, facecolor="none", edgecolor=INK, linewidth=0.4))
    width, height = target.patch_mm
    middle = (x + CENTRE_MM * along, y + CENTRE_MM * down)
    axes.add_patch(
        Rectangle(
            (middle[0] - width / 2, middle[1] - height / 2), width, height,
            facecolor=FOIL_GREY, edgecolor=INK, linewidth=0.4, linestyle=(0, (2.0, 1.0)), label=f"{target.name} foil",
        )
    )  # fmt: skip
    axes.add_patch(Polygon([(x, y), (x + 3.0 * along, y), (x, y + 3.0 * down)], facecolor=INK, edgecolor="none"))
    out = 3.0
    axes.text(
        x + CARD_MM / 2 * along, y - out * down, target.name.upper(), fontsize=8.0, weight="bold", ha="center",
        va="center", color=INK,
    )  # fmt: skip
    axes.text(
        x + CARD_MM / 2 * along, y + (CARD_MM + out) * down, f"foil {width:g} x {height:g} mm", fontsize=6.5,
        ha="center", va="center", color=FAINT_INK,
    )  # fmt: skip


def _draw_bar(axes: Axes, left_mm: float, y_mm: float) -> None:
    axes.plot([left_mm, left_mm + BAR_MM], [y_mm, y_mm], color=INK, linewidth=0.8, solid_capstyle="butt")
    for mm in range(0, int(BAR_MM) + 1, 10):
        height = 2.6 if mm % 50 == 0 else 1.6
        axes.plot([left_mm + mm, left_mm + mm], [y_mm, y_mm - height], color=INK, linewidth=0.5)
    rule = "this bar is 100 mm long; if a ruler disagrees, print again at 100 %"
    axes.text(left_mm + BAR_MM / 2, y_mm + 4.0, rule, fontsize=7.0, ha="center", va="center", color=FAINT_INK)
