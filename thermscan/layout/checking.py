"""What is wrong or odd about a board as a whole: names twice, bodies over one another, parts off the board."""

from __future__ import annotations

from collections.abc import Sequence

from thermscan.errors import Fault
from thermscan.layout.board import Board
from thermscan.layout.outline import inside_polygon, meets_polygon, outsides_mm, overlaps

# Bodies are nominal and places measured by ruler or photo: neighbours that touch may seem to overlap by this much.
OVERLAP_TOLERANCE_MM = 0.5
# Less than this beyond the edge is within the outline's own accuracy.
EDGE_TOLERANCE_MM = 0.5
# A layout with more overlaps than this has one cause for them; the rest is only counted.
MOST_REMARKS_OF_A_KIND = 20
# So many are looked for: where parts lie in heaps, each with each would take minutes.
MOST_OVERLAPS = 10_000


def parts_off_board(board: Board, places: Sequence[str]) -> list[Fault]:
    """
    A fault for each part no bit of which lies on the board.

    Parameters
    ----------
    board : Board
    places : sequence of str
        Where each part stands in its file, as messages name it.

    Examples
    --------
    >>> from thermscan.layout.board import Part
    >>> from thermscan.layout.surfaces import surface_named
    >>> far = Part("U1", 5.0, 5.0, 90.0, 2.0, 0.0, surface_named("plastic"))
    >>> board = Board("b", None, [[0, 0], [9, 0], [9, 9]], 1.6, surface_named("solder-mask"), (far,))
    >>> print(parts_off_board(board, ["row 2"])[0].what)
    U1 at (90, 2) lies outside the board, which is 9 x 9 mm
    """
    faults = []
    centred = inside_polygon([[part.x_mm, part.y_mm] for part in board.parts], board.outline_mm) if board.parts else ()
    for part, place, on_board in zip(board.parts, places, centred, strict=True):
        if not on_board and not meets_polygon(part, board.outline_mm):
            what = (
                f"{part.ref[:40]} at ({part.x_mm:g}, {part.y_mm:g}) lies outside the board, "
                f"which is {board.width_mm:g} x {board.height_mm:g} mm"
            )
            faults.append(Fault(what, place, "check its place: millimetres from the top left corner, y down"))
    return faults


def board_remarks(board: Board) -> list[str]:
    """
    What is odd but usable.

    Examples
    --------
    >>> from thermscan.layout.surfaces import surface_named
    >>> empty = Board("b", None, [[0, 0], [9, 0], [9, 9]], 1.6, surface_named("solder-mask"), ())
    >>> board_remarks(empty)
    ['the layout has no parts']
    """
    if not board.parts:
        return ["the layout has no parts"]
    pairs = overlaps(board.parts, deeper_than_mm=OVERLAP_TOLERANCE_MM, most=MOST_OVERLAPS)
    refs = [part.ref for part in board.parts]
    remarks = _limited([f"{refs[i]} and {refs[j]} overlap by {depth:.1f} mm" for i, j, depth in pairs], "overlaps")
    out = zip(refs, outsides_mm(board.parts, board.outline_mm), strict=True)
    reaching = [f"{ref} reaches {mm:.1f} mm beyond the board's edge" for ref, mm in out if mm > EDGE_TOLERANCE_MM]
    remarks += _limited(reaching, "parts beyond the edge")
    by_case: dict[str, list[str]] = {}
    for ref in refs:
        by_case.setdefault(ref.casefold(), []).append(ref)
    remarks += [f"{' and '.join(same)} differ only in capitals" for same in by_case.values() if len(same) > 1]
    sizes: dict[str, int] = {}
    for part in board.parts:
        if part.group:
            sizes[part.group] = sizes.get(part.group, 0) + 1
    alone = [group for group, count in sizes.items() if count == 1]
    remarks += _limited([f'group "{group}" has one part, so it has no peers' for group in alone], "groups of one")
    if not sizes and len(board.parts) > 1:
        remarks.append("no part has a group, so parts cannot be compared with peers")
    return remarks


def _limited(remarks: list[str], kind: str) -> list[str]:
    beyond = len(remarks) - MOST_REMARKS_OF_A_KIND
    return remarks if beyond <= 0 else [*remarks[:MOST_REMARKS_OF_A_KIND], f"and {beyond} more {kind}"]
