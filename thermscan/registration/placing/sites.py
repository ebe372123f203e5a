"""Places along the layout's edges, for a search."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermscan.frozen import dataclass
from thermscan.registration.placing.edges import LayoutEdges

FloatArray = NDArray[np.float64]

# A site so often along an edge, as a share of the board's longer side; no more than so many sites in all.
SPACING, MOST_SITES = 1 / 45, 700


@dataclass(frozen=True, slots=True, eq=False)
class Sites:
    """Places along the layout's edges: in millimetres, with the edges' direction there, and their edge."""

    points_mm: FloatArray
    along_mm: FloatArray
    edge: NDArray[np.intp]
    outline: NDArray[np.bool_]

    def thinned(self, every: int) -> Sites:
        """One of so many."""
        return Sites(self.points_mm[::every], self.along_mm[::every], self.edge[::every], self.outline[::every])


def sites_of(edges: LayoutEdges) -> Sites:
    """Sites spread evenly along all edges."""
    way = edges.ends_mm - edges.starts_mm
    length = np.linalg.norm(way, axis=1)
    outline = edges.part < 0
    size = float(np.ptp(edges.starts_mm[outline], axis=0).max())
    counts = np.maximum(np.round(length / (SPACING * size)), 1).astype(int)
    owner = np.repeat(np.arange(len(counts)), counts)
    order = np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = (order + 0.5) / counts[owner]
    sites = Sites(edges.starts_mm[owner] + share[:, None] * way[owner], way[owner], owner, outline[owner])
    inner = np.flatnonzero(~sites.outline)
    if len(inner) <= MOST_SITES:
        return sites
    kept = np.sort(np.concatenate([np.flatnonzero(sites.outline), inner[:: int(np.ceil(len(inner) / MOST_SITES))]]))
    return Sites(sites.points_mm[kept], sites.along_mm[kept], sites.edge[kept], sites.outline[kept])
