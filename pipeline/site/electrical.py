"""
What is known of the wires and the instrument of a gauge; the electrical columns of gauges.csv.
"""

from __future__ import annotations

from pipeline.site.model import Model


class Electrical(Model):
    """Leads, loading, leakage, shunt and warm-up of one placement; an empty cell is absent."""

    lead_ohm: float = 0.0
    """One lead's resistance."""
    nominal_ohm: float | None = None
    """Resistance of the gauge, of several arms that of each."""
    leakage_ohm: float | None = None
    """Insulation resistance in parallel with the gauge; empty: none."""
    meter_ohm: float | None = None
    """Input resistance of the instrument at its terminals; empty: infinite."""
    reference_ohm: float | None = None
    """Of `divider`: the resistor in series with the gauge, V/V_exc = R/(R + R_ref)."""
    imaginary_channel: str | None = None
    """Of `impedance`: Im(Z) of the same instants; `channel` is Re(Z), `unstrained` is 1/Re(Y)."""
    lead_temperature_channel: str | None = None
    """Of two-wire copper leads; empty: their temperature is in the uncertainty."""
    lead_temperature_c: float | None = None
    """Of the leads when `lead_ohm` and `unstrained` were measured."""
    lead_temperature_u_k: float | None = None
    """Standard uncertainty of the leads' temperature; empty: 20 K, with a channel 2 K."""
    shunt_channel: str | None = None
    """What the instrument shows, in the unit of `channel`, while `shunt_ohm` lies across the arm;
    the distance of its readings is the schedule of the check."""
    shunt_ohm: float | None = None
    shunt_point: str | None = None
    """Point of quantity `shunt`: measured over expected change; its gross range is the
    tolerance."""
    warm_up_s: float = 0.0
    """So long after a gap the excitation still warms the gauge."""
    poisson: float | None = None
