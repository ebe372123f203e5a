"""Parts large enough to have a temperature of their own that give the switched heat themselves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thermscan.dynamics.board_maps import LARGE_BODY_MM2
from thermscan.dynamics.fin_kernel import BODY_J_PER_M3K, LOSS_W_PER_M2K
from thermscan.dynamics.part_pixels import PartPixels
from thermscan.frozen import dataclass
from thermscan.layout.board import Part
from thermscan.registration.geometry.heights import body_height_mm

ComplexArray = NDArray[np.complex128]
FloatArray = NDArray[np.float64]

# As for a place on the board: chance over a hundred parts and fifty recordings, with drift's longer tails.
LEAST_SCORE = 5.0
OVER_BESIDE = 1.3
# What is not known of a body: fill, leads, the heat that leaves through its legs; to which comes its height's spread.
BODY_DOUBT = 0.22
# A body that is warmed by the board about it is no warmer than that.
OVER_RING = 1.2


@dataclass(frozen=True, slots=True, eq=False)
class BodySource:
    """A part that gives heat: complex watts of the fundamental, amplitude at its top, and how sure."""

    part: Part
    heat_w: complex
    u_heat_w: float
    amplitude_k: complex
    score: float
    doubt: float


def find_body_sources(
    pixels: PartPixels, amplitude: ComplexArray, beside: Sequence[ComplexArray], *, omega_per_s: float
) -> tuple[BodySource, ...]:
    """
    Parts whose top follows the drive more than the board about them does.

    Notes
    -----
    Heat is what the body stores, i w C T, and gives to the air, h A T; what leaves through its legs is in the doubt.
    """
    board = pixels.reference.board
    chosen = [
        number for number, index in enumerate(pixels.columns)
        if board.parts[index].length_mm * board.parts[index].width_mm >= LARGE_BODY_MM2
    ]  # fmt: skip
    if not chosen:
        return ()
    own, ring = _means(pixels, amplitude)
    quiet = [_means(pixels, each)[0] for each in beside]
    count = pixels.counts[: len(pixels.columns)]
    # Noise of a part: what all parts show where nothing was done, by the number of their pixels, and its own.
    common = np.sqrt(np.nanmean([np.abs(each[chosen]) ** 2 * count[chosen] for each in quiet]) / count)
    itself = np.sqrt(np.nanmean(np.abs(quiet) ** 2, axis=0))
    u = np.maximum(common, itself) + 1e-9
    threshold = max(LEAST_SCORE, OVER_BESIDE * float(np.nanmax([np.abs(each[chosen]) / u[chosen] for each in quiet])))
    found = []
    for number in chosen:
        score = abs(own[number]) / u[number]
        over = np.isnan(ring[number]) or abs(own[number]) > OVER_RING * abs(ring[number])
        if not np.isfinite(score) or score < threshold or not over:
            continue
        if omega_per_s == 0.0 and own[number].real <= 0:
            continue
        part = board.parts[pixels.columns[number]]
        per_k = heat_per_k(part, omega_per_s)
        rise = own[number] / pixels.emissivity[number]
        doubt = float(np.hypot(BODY_DOUBT, body_height_mm(part)[1]))
        u_w = float(abs(per_k) * u[number])
        found.append(BodySource(part, complex(per_k * rise), u_w, complex(rise), float(score), doubt))
    return tuple(found)


def heat_per_k(part: Part, omega_per_s: float) -> complex:
    """Watts that a body takes and loses for each kelvin of amplitude."""
    height = body_height_mm(part)[0] * 1e-3
    share = np.pi / 4 if part.round_body else 1.0
    top = share * part.length_mm * part.width_mm * 1e-6
    sides = share * 2 * (part.length_mm + part.width_mm) * 1e-3 * height
    # One face of a body loses half of what the two faces of a board do.
    return complex(LOSS_W_PER_M2K / 2 * (top + sides), omega_per_s * BODY_J_PER_M3K * top * height)


def _means(pixels: PartPixels, picture: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Mean over each body's inner pixels and over its ring."""
    parts = len(pixels.columns)
    halves = [
        pixels.read(np.ascontiguousarray(half, dtype=np.float32), None)[0] for half in (picture.real, picture.imag)
    ]
    whole = halves[0] + 1j * halves[1]
    return whole[:parts], whole[parts:]
