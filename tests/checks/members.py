"""
Cantilever, stress, thermal expansion free and restrained, and three-gauge rosettes.

Expansion goes through the whole chain: a gauge, its calibration, its thermal output on a material
of known expansion, and a temperature channel.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.derive.chain import compile_plan, initial_state, run_chain
from pipeline.physics.beam import cantilever_strain
from pipeline.physics.rosette import plane_stress, principal_strain, rosette_matrix
from pipeline.site.models import Temperature
from tests.checks.row import Check, Topic
from tests.derive.derived import FACTOR, gauge, sheet
from tests.derive.examples import structure
from tests.derive.streams import floats, readings
from tests.physics.test_rosette import DELTA, RECTANGULAR

SOURCE, MEMORY = "computed there", "from memory"

# Load [N], its distance from the gauge, width, thickness [m], modulus [Pa].
CANTILEVER = (10.0, 0.25, 0.025, 0.005, 210e9)
CANTILEVER_STRAIN, CANTILEVER_STRESS = "0.0001142857143", "24.0"
# Expansion of the structure [1e-6/K] (EN 1991-1-5, table C.1), ΔT [K], free thermal strain.
EXPANSIONS = (("steel", 12.0, 25.0, "300"), ("concrete", 10.0, -15.0, "-150"))
# Steel, ΔT 30 K: restrained stress of E = 210 GPa (EN 1993-1-1, 3.2.6).
RESTRAINED_K, RESTRAINED_STRAIN, RESTRAINED_STRESS = 30.0, "-360", "-75.6"
POISSON = 0.3
SHEET = 3.0
"""Thermal output of the gauge on steel [µm/m per K]: any, it must not show."""

# Hibbeler, Mechanics of Materials, 60° rosette 60, 135, 264 µm/m; E 200 GPa, ν 0.3.
DELTA_READINGS = (60.0, 135.0, 264.0)
DELTA_PRINTED = {
    "ε_x": ("60", "60.0", "µm/m"),
    "ε_y": ("246", "246.0", "µm/m"),
    "γ_xy": ("-149", "-148.9563695", "µm/m"),
    "ε_1": ("272", "272.1469681", "µm/m"),
    "ε_2": ("33.8", "33.85303193", "µm/m"),
    "angle of ε_2": ("19.3", "19.34458357", "°"),
    "σ_1": ("62.0", "62.04458849", "MPa"),
    "σ_2": ("25.4", "25.38398293", "MPa"),
}
DELTA_SHEAR = "238.2939361"
"""Greatest shear strain in the plane, recomputed."""
# Philpot, Mechanics of Materials: ε_x 770, ε_y -350, γ 1940 µm/m; E 70 GPa, ν 0.33.
TENSOR = (770.0, -350.0, 1940.0)
TENSOR_PRINTED = {
    "ε_1": ("1330.04", "1330.044642", "µm/m"),
    "ε_2": ("-910.04", "-910.044642", "µm/m"),
    "tan 2φ": ("1.732", None, ""),
    "σ_y": ("-7.53", "-7.533385703", "MPa"),
    "τ_xy": ("51.05", "51.05263158", "MPa"),
    "φ": (None, "30.00065923", "°"),
    "σ_1": (None, "80.89001651", "MPa"),
    "σ_2": (None, "-37.00941949", "MPa"),
}


def uniaxial_stress(strain: float, modulus: float) -> float:
    """Stress [MPa] along a strain with nothing across it: the other strain is -ν times it."""
    return float(plane_stress(strain, -POISSON * strain, modulus, POISSON)[0]) * 1e-6


def cantilever() -> list[Check]:
    """10 N at 0.25 m on 25 mm by 5 mm of steel."""
    strain = float(cantilever_strain(*CANTILEVER))
    stress, name = uniaxial_stress(strain, CANTILEVER[-1]), "cantilever, steel"
    return [
        Check(name, "surface strain", SOURCE, CANTILEVER_STRAIN, strain, "m/m"),
        Check(name, "surface stress", SOURCE, CANTILEVER_STRESS, stress, "MPa", 10, 10),
    ]


def chain_strains(expansion: float, change: float, mechanical: float) -> tuple[float, float]:
    """Mechanical and total strain [µm/m] that the chain shows of a gauge on a warmed member."""
    output = Temperature(
        output_um_m=(SHEET,),
        output_factor=FACTOR,
        output_expansion_1e6_per_k=12.0,
        yields="mechanical",
        range_c=(-40.0, 80.0),
    )
    one = gauge("G", unstrained_temperature_c=20.0)
    points = {"P-G": {"expansion_1e6_per_k": expansion}}
    plan = compile_plan(structure((one,), (), (sheet(temperature=output),), points=points))
    apparent = (SHEET + expansion - 12.0) * change
    shown = 10_000.0 * (1.0 + FACTOR * (apparent + mechanical) * 1e-6)
    stream = readings({"ts": ([0.0], [20.0 + change]), "G": ([1.0], [shown])})
    results = run_chain(stream, initial_state(plan), plan)[0]
    return float(floats(results, "mechanical")[0]), float(floats(results, "total")[0])


def expansion() -> list[Check]:
    """Free members show no mechanical strain, restrained ones no total strain."""
    rows = []
    for material, alpha, change, printed in EXPANSIONS:
        mechanical, total = chain_strains(alpha, change, 0.0)
        name = f"{material}, free, {change:+g} K"
        rows += [
            Check(name, "total strain", MEMORY, printed, total, "µm/m", 9, 9),
            Check(name, "mechanical strain", MEMORY, "0", mechanical, "µm/m", within=1e-7),
        ]
    mechanical, total = chain_strains(12.0, RESTRAINED_K, -12.0 * RESTRAINED_K)
    stress = uniaxial_stress(mechanical * 1e-6, 210e9)
    name = f"steel, restrained, {RESTRAINED_K:+g} K"
    return [
        *rows,
        Check(name, "mechanical strain", MEMORY, RESTRAINED_STRAIN, mechanical, "µm/m", 9, 9),
        Check(name, "total strain", MEMORY, "0", total, "µm/m", within=1e-7),
        Check(name, "stress", MEMORY, RESTRAINED_STRESS, stress, "MPa", 9, 9),
    ]


def delta_rosette() -> list[Check]:
    """From three readings to principal stresses."""
    tensor = np.linalg.solve(rosette_matrix(DELTA), np.array(DELTA_READINGS))
    first, second, angle, shear = (float(v) for v in principal_strain(tensor[None])[0])
    stress = plane_stress(first * 1e-6, second * 1e-6, 200e9, 0.3) * 1e-6
    across = float(np.degrees(angle)) + 90.0
    ours = (*(float(v) for v in tensor), first, second, across, *(float(v) for v in stress))
    rows = []
    for (what, (printed, again, unit)), value in zip(DELTA_PRINTED.items(), ours, strict=True):
        digits = 2 if what == "ε_2" else None
        rows.append(Check("60° rosette", what, MEMORY, printed, value, unit, digits))
        rows.append(Check("60° rosette", what, "recomputed", again, value, unit, 10, 10))
    return [
        *rows,
        Check("60° rosette", "γ_max", "recomputed", DELTA_SHEAR, shear, "µm/m"),
    ]


def rectangular_rosette() -> list[Check]:
    """Readings 100, 50, -60 µm/m at 0/45/90: γ = 2·50 - 100 + 60 = 60, the other two as read."""
    found = np.linalg.solve(rosette_matrix(RECTANGULAR), np.array((100.0, 50.0, -60.0)))
    return [
        Check("45° rosette", what, "by hand", printed, float(value), "µm/m", 12, 12)
        for what, printed, value in zip(
            ("ε_x", "ε_y", "γ_xy"), ("100", "-60", "60"), found, strict=True
        )
    ]


def tensor_rosette() -> list[Check]:
    """Principal strains, stresses along the axes and along the principal directions."""
    first, second, angle, _ = (float(v) for v in principal_strain(np.array([TENSOR]))[0])
    principal = plane_stress(first * 1e-6, second * 1e-6, 70e9, 0.33) * 1e-6
    along = plane_stress(TENSOR[0] * 1e-6, TENSOR[1] * 1e-6, 70e9, 0.33) * 1e-6
    shear = float((principal[0] - principal[1]) / 2.0 * np.sin(2.0 * angle))
    ours = {
        "ε_1": first,
        "ε_2": second,
        "tan 2φ": float(np.tan(2.0 * angle)),
        "σ_y": float(along[1]),
        "τ_xy": shear,
        "φ": float(np.degrees(angle)),
        "σ_1": float(principal[0]),
        "σ_2": float(principal[1]),
    }
    rows = []
    for what, (printed, again, unit) in TENSOR_PRINTED.items():
        for source, text, digits in (("printed", printed, None), ("recomputed", again, None)):
            if text is not None:
                rows.append(Check("tensor", what, source, text, ours[what], unit, digits))
    return rows


_ITEMS: dict[str, Callable[[], list[Check]]] = {
    "cantilever": cantilever,
    "expansion": expansion,
    "60° rosette": delta_rosette,
    "45° rosette": rectangular_rosette,
    "tensor": tensor_rosette,
}
MEMBERS = Topic(
    "Members, expansion and rosettes",
    "Beam theory and plane stress of any text on the mechanics of materials. Expansion after EN "
    "1991-1-5 table C.1, modulus after EN 1993-1-1 3.2.6, from memory. Rosette: Hibbeler, "
    "Mechanics of Materials, from memory; tensor: Philpot, Mechanics of Materials, stored pages.",
    _ITEMS,
    (
        "ε_2 of the 60° rosette differs in its third digit because the book goes on with γ "
        "rounded to -149; with γ as it is, ours agrees with all of the recomputation.",
        "Expansion is what the whole chain shows of a gauge whose data sheet was measured on "
        "steel: its own thermal output must not be left in either strain.",
        "The tip's deflection is not a figure of this software.",
    ),
)
