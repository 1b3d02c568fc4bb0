"""Volts, amperes, charge and energy of the table under construction."""

from __future__ import annotations

import numpy as np

from overlay.mechanics.columns import Columns
from overlay.mechanics.energy import Integral, charge_mAh, energy_Wh, per_kilometre
from overlay.mechanics.slopes import longest_bridge
from overlay.readings import Pack


def add_electric(table: Columns, pack: Pack | None) -> bool:
    """Voltage, current, power, charge and energy used, charge per kilometre; whether the charge is integrated here."""
    for name in ("voltage_V", "current_A", "charge_used_mAh"):
        table.put(name, table.logged(name))
    if table.has("voltage_V") and table.has("current_A"):
        table.put("power_W", table.get("voltage_V") * table.get("current_A"), "volts times amperes")
    integrated = not table.has("charge_used_mAh") and _derive_charge(table, pack)
    _derive_energy(table)
    cost = per_kilometre(table.get("distance_m"), table.get("charge_used_mAh"))
    table.put("charge_per_km_mAh", cost, "charge drawn over the last kilometre flown over the ground")
    return integrated


def _derive_charge(table: Columns, pack: Pack | None) -> bool:
    """Put the charge used; true where it is the integral of the current."""
    times, current = table.track.series("current_A")
    remaining = table.logged("pack_remaining_pct")
    if len(times) > 1:
        charge = charge_mAh(times, current, longest_bridge(times))
        values = charge.at(table.grid)
        values[table.in_hole(times)] = np.nan
        table.put("charge_used_mAh", values, f"current integrated by the trapezoidal rule{_bridges(charge, 'mAh')}")
        return True
    if pack is not None and np.isfinite(remaining).any():
        used = (1.0 - remaining / 100.0) * pack.capacity_mAh
        table.put("charge_used_mAh", used, "pack's remaining percentage times its capacity, in steps of a percent")
    return False


def _derive_energy(table: Columns) -> None:
    times, current = table.track.series("current_A")
    volts, amperes = table.track.series("voltage_V")
    if len(times) < 2 or len(volts) < 2:
        return
    voltage = np.interp(times, volts, amperes)
    energy = energy_Wh(times, voltage * current, longest_bridge(times))
    values = energy.at(table.grid)
    values[table.in_hole(times)] = np.nan
    how = f"volts times amperes integrated by the trapezoidal rule{_bridges(energy, 'Wh')}"
    table.put("energy_used_Wh", values, how)


def _bridges(total: Integral, unit: str) -> str:
    if total.bridged_s == 0.0:
        return " since the log began"
    return (
        f" since the log began; {total.bridged:.3g} {unit} of it guessed over {total.bridged_s:.0f} s without current"
    )
