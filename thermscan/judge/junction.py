"""From a package's top to its junction, where the layout gives the figure for it."""

from __future__ import annotations

import math

from thermscan.frozen import dataclass

# psi_JT is measured on a standard board in still air; another board's copper and another air change it. JESD51-12
# says so and gives no figure; a third is from memory of data sheets that give it for several boards and airs.
PSI_SHARE = 0.3


@dataclass(frozen=True, slots=True)
class Junction:
    """A junction's estimated temperature and its standard uncertainty."""

    temp_c: float
    u_k: float


def estimate_junction(
    top_c: float,
    power_w: float,
    *,
    psi_jt_k_per_w: float,
    u_top_k: float = 0.0,
    u_w: float = 0.0,
    psi_share: float = PSI_SHARE,
) -> Junction:
    """
    Junction temperature from the top centre's temperature and the whole power.

    Parameters
    ----------
    top_c : float
        Of the package's top.
    power_w : float
        All the heat that the part gives, by whatever way it leaves.
    psi_jt_k_per_w : float
        Junction-to-top characterization parameter; not the resistance theta_JC, which is larger.
    u_top_k, u_w : float
        Standard uncertainties of top and watts.
    psi_share : float
        That of psi_JT on this board, as a share of it.

    Returns
    -------
    Junction

    References
    ----------
    .. [1] JESD51-2A and JESD51-12: T_J = T_T + psi_JT P_H.

    Examples
    --------
    >>> round(estimate_junction(62.0, 0.80, psi_jt_k_per_w=8.0).temp_c, 1)
    68.4
    """
    over_k = psi_jt_k_per_w * power_w
    return Junction(top_c + over_k, math.hypot(u_top_k, psi_jt_k_per_w * u_w, psi_share * over_k))
