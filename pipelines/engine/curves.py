"""What the pressure of a loop does as it warms, to stand beside what was read at one visit.

The gas balance that judges the visit draws it: the same loop, tank, charge and cold pressure, at other
temperatures. Nothing is decided here.
"""

from dataclasses import dataclass

import numpy as np

from pipelines.engine.arrays import Readings, known
from pipelines.engine.hydronics import loop, tank
from pipelines.engine.policy.rows import RowPolicy
from pipelines.engine.quantities.gas import Balance
from pipelines.engine.quantities.resolver import Recomputed

STEP_F = 2.0
BEYOND_F = 10.0  # drawn above the hottest of what was read and the limit


@dataclass(frozen=True)
class Point:
    """A pressure and temperature as read, and one standard deviation of each; `taken`: none was recorded."""

    temperature_f: float
    pressure_psig: float
    temperature_sigma_f: float
    pressure_sigma_psi: float
    taken: bool = False


@dataclass(frozen=True)
class Curves:
    """Of one visit: gauge pressures by temperature, °F and psi, and the points read.

    `sound` is the tank with all its gas, `half` with half of it; each a sequence of (°F, psig) that ends
    where no cushion is left, empty where the balance cannot be drawn (no gas, or a reading is lacking).
    `charge_taken`: no charge could be trusted, so the one it should have was taken.
    """

    sound: tuple[tuple[float, float], ...]
    half: tuple[tuple[float, float], ...]
    cold: Point | None
    hot: Point | None
    charge_taken: bool


def curves(readings: Readings, policy: RowPolicy, recomputed: dict[str, float | None]) -> Curves:
    """The Curves of a batch of one inspection.

    `recomputed` holds its stored atmosphere_psia, trusted_charge_psig and should_have_psig, None where not
    known: they rest on the place, which a reading does not tell.
    """
    found = Recomputed(readings, policy)
    cold, hot = _points(found, policy)
    charge, taken = _charge_psig(found, recomputed)
    air = recomputed["atmosphere_psia"]
    if cold is None or charge is None or air is None or found["no_gas"][0]:
        return Curves((), (), cold, hot, charge_taken=False)
    top = max(filter(np.isfinite, (found["limit_f"].value[0], hot.temperature_f if hot else np.nan)))
    degrees = np.arange(cold.temperature_f, top + BEYOND_F + STEP_F / 2, STEP_F)
    balance = Balance(
        found["usable_cold_psig"], found["tank_volume_gal"], known(np.array([air])), found["tank_lift_psi"]
    )
    gallons = _expansion_gal(found, cold.temperature_f, degrees)
    sound, half = (_pressures(balance, gallons, degrees, charge + air, share) for share in (1.0, 0.5))
    return Curves(sound, half, cold, hot, charge_taken=taken)


def _points(found: Recomputed, policy: RowPolicy) -> tuple[Point | None, Point | None]:
    gauge = np.where(found["test_gauge"], policy.test_gauge_psi, policy.gauge_noise_psi)
    bias = np.where(found["test_gauge"], 0.0, policy.gauge_bias_psi)
    sigma = float(np.hypot(gauge, bias).item())
    cold_psig, cold_f, hot_psig = found["usable_cold_psig"], found["cold_taken_f"], found["usable_hot_psig"]
    read, hot_f = found["usable_cold_f"].known[0], found["hot_temperature_f"]
    cold = hot = None
    if cold_psig.known[0]:
        own = float(np.broadcast_to(policy.temperature_f if read else policy.cold_missing_error_f, 1)[0])
        cold = Point(float(cold_f.value[0]), float(cold_psig.value[0]), own, sigma, taken=not read)
    if hot_psig.known[0] and hot_f.known[0]:
        own = float(np.broadcast_to(found["hot_error_f"], 1)[0])
        hot = Point(float(hot_f.value[0]), float(hot_psig.value[0]), own, sigma)
    return cold, hot


def _charge_psig(found: Recomputed, recomputed: dict[str, float | None]) -> tuple[float | None, bool]:
    """Charge at the tank's height that the gas balance starts from, and whether it was not read."""
    if found["compression_tank"][0]:
        return 0.0, False
    if recomputed["trusted_charge_psig"] is not None:
        return recomputed["trusted_charge_psig"], False
    if recomputed["should_have_psig"] is None or not found["tank_type"].among("diaphragm")[0]:
        return None, False
    return recomputed["should_have_psig"] - float(found["tank_lift_psi"][0]), True


def _expansion_gal(found: Recomputed, cold_f: float, degrees: np.ndarray) -> np.ndarray:
    water = found["loop_water"]
    share = loop.net_expansion_of(
        water.density_lb_ft3(np.array([cold_f])),
        water.density_lb_ft3(degrees),
        water.alpha_per_f,
        degrees - cold_f,
    )
    return np.maximum(water.volume_gal.value * share, 0.0)


def _pressures(
    balance: Balance, gallons: np.ndarray, degrees: np.ndarray, charge_psia: float, share: float
) -> tuple[tuple[float, float], ...]:
    """(°F, psig) as far as a share of the gas takes the expansion."""
    over = balance.over_gauge_psi
    psig = (
        tank.pressure_after_expansion_psia(
            gallons, balance.tank_gal.value, charge_psia * share, balance.cold_psig.value + over
        )
        - over
    )
    return tuple(
        (float(at), round(float(value), 2))
        for at, value in zip(degrees, psig, strict=True)
        if np.isfinite(value)
    )
