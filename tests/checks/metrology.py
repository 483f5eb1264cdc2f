"""
Precision after ASTM E691, the thermometer of the GUM, coverage factors, and effective freedom.
"""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from pipeline.physics.anova import mandel, precision, standard_deviation
from pipeline.physics.regression import LinearFit, linear_fit
from pipeline.physics.uncertainty import combined, coverage_factor
from tests.checks.row import Check, Topic

# ASTM E691, glucose in serum, mg/dL: eight laboratories, three results each.
GLUCOSE = {
    "A": (
        (41.03, 41.45, 41.37),
        (41.17, 42.0, 41.15),
        (41.01, 40.68, 42.66),
        (39.37, 42.37, 42.63),
        (41.88, 41.19, 41.32),
        (43.28, 40.5, 42.28),
        (41.08, 41.27, 39.02),
        (43.36, 42.65, 41.72),
    ),
    "D": (
        (193.71, 193.59, 193.65),
        (190.88, 200.14, 194.3),
        (192.71, 193.28, 190.28),
        (195.85, 196.36, 199.43),
        (192.59, 191.44, 195.12),
        (195.34, 198.26, 198.13),
        (194.66, 191.99, 187.13),
        (197.56, 195.99, 200.82),
    ),
    "E": (
        (292.78, 294.09, 292.89),
        (292.27, 309.4, 295.08),
        (295.53, 290.14, 292.34),
        (295.19, 295.44, 296.83),
        (293.93, 292.48, 294.28),
        (297.74, 296.8, 290.33),
        (287.29, 293.76, 289.36),
        (298.46, 295.28, 296.12),
    ),
}
# Mean, s of laboratory means, s_r, s_R.
PRINTED = {
    "A": ("41.5183", "0.6061", "1.0632", "1.0632"),
    "D": ("194.717", "2.595", "2.6251", "3.3657"),
    "E": ("294.492", "2.6931", "3.935", "4.1923"),
}
# Mandel's h and k of each laboratory.
RECOMPUTED_H_K = {
    "A": (
        "-0.3877 -0.1292 -0.1127 -0.1017 -0.0907 0.8277 -1.7516 1.7461",
        "0.2097 0.4562 0.9977 1.704 0.3448 1.3244 1.1736 0.7735",
    ),
    "D": (
        "-0.4112 0.1501 -1.0124 0.9619 -0.6424 0.9735 -1.3322 1.3126",
        "0.0229 1.7837 0.6069 0.7377 0.7172 0.6284 1.4543 0.9386",
    ),
    "E": (
        "-0.46 1.6429 -0.6766 0.4931 -0.3449 0.1725 -1.6172 0.7901",
        "0.1847 2.3347 0.6887 0.2245 0.2425 1.0252 0.8397 0.4188",
    ),
}

# JCGM 100:2008, table H.6: readings t_k and corrections b_k, °C; t_0 = 20.
READING = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
CORRECTION = (
    *(-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160),
)
# Figure: printed in H.3.3 and H.3.4, and the same worked out again to 12 digits.
THERMOMETER = {
    "y1": ("-0.1712", "-0.171203790131", "°C"),
    "u(y1)": ("0.0029", "0.00287759783516", "°C"),
    "y2": ("0.00218", "0.00218269773989", ""),
    "u(y2)": ("0.00067", "0.000667938773228", ""),
    "r(y1, y2)": ("-0.930", "-0.930429603093", ""),
    "s": ("0.0035", "0.00349756396351", "°C"),
    "b(30)": ("-0.1494", "-0.149376812732", "°C"),
    "u(b(30))": ("0.0041", "0.00413859575285", "°C"),
}
WITH_COMMON = "0.00576893138292676"
"""u(y1) with 0.005 °C of the standard, which all readings have in common (H.3.6)."""

# JCGM 100:2008, table G.2, t_95(ν).
T_95 = {
    1: "12.71",
    2: "4.30",
    3: "3.18",
    4: "2.78",
    9: "2.26",
    16: "2.12",
    50: "2.01",
    math.inf: "1.960",
}


def glucose(material: str) -> list[Check]:
    """Mean, standard deviations and Mandel's statistics of one material."""
    groups = GLUCOSE[material]
    found, name = precision(groups), f"glucose {material}"
    of_means = standard_deviation([math.fsum(group) / len(group) for group in groups])
    ours = (found.mean, of_means, found.s_r, found.s_R)
    what = ("mean", "SD of means", "s_r", "s_R")
    rows = [
        Check(name, *row, "mg/dL")
        for row in zip(what, ["from memory"] * 4, PRINTED[material], ours, strict=True)
    ]
    for letter, printed, values in zip("hk", RECOMPUTED_H_K[material], mandel(groups), strict=True):
        rows += [
            # Four decimals: as many digits as that leaves.
            Check(name, f"{letter} of laboratory {i}", "recomputed", text, float(value))
            for i, (text, value) in enumerate(zip(printed.split(), values, strict=True), 1)
        ]
    return rows


def thermometer_fit() -> LinearFit:
    """b = y1 + y2·(t - 20), unweighted."""
    away = np.array(READING) - 20.0
    return linear_fit(np.column_stack((np.ones(len(away)), away)), CORRECTION)


def thermometer() -> list[Check]:
    """The fit, its uncertainties and correlation, and a prediction that needs both."""
    fit = thermometer_fit()
    u1, u2 = (float(u) for u in fit.coefficient_sd)
    at = np.array([1.0, 10.0])
    ours = (
        float(fit.coefficients[0]),
        u1,
        float(fit.coefficients[1]),
        u2,
        float(fit.covariance[0, 1]) / (u1 * u2),
        fit.residual_sd,
        float(at @ fit.coefficients),
        math.sqrt(float(at @ fit.covariance @ at)),
    )
    rows = []
    for (what, (printed, again, unit)), value in zip(THERMOMETER.items(), ours, strict=True):
        source = "from memory" if what in ("r(y1, y2)", "s") else "printed"
        rows.append(Check("GUM H.3", what, source, printed, value, unit))
        rows.append(Check("GUM H.3", what, "recomputed", again, value, unit))
    common = float(combined([(u1**2, 9.0), (0.005**2, math.inf)], 1)[0][0])
    rows.append(Check("GUM H.3", "degrees of freedom", "printed", "9", fit.freedom))
    what = "u(y1), standard's 0.005 °C in common"
    return [*rows, Check("GUM H.3.6", what, "recomputed", WITH_COMMON, common, "°C")]


def coverage() -> list[Check]:
    """Student's factors, and the components of the end gauge of H.1."""
    rows = [
        Check("GUM table G.2", f"t_95({freedom:g})", "from memory", text, factor)
        for (freedom, text), factor in (
            ((freedom, text), float(coverage_factor(freedom))) for freedom, text in T_95.items()
        )
    ]
    parts = [(25.0**2, 18.0), (9.7**2, 25.6), (2.9**2, 50.0), (16.6**2, 2.0)]
    u, freedom = combined(parts, 1)
    return [
        *rows,
        Check("GUM H.1", "u_c", "from memory", "32", float(u[0]), "nm"),
        # The GUM takes the whole number below.
        Check("GUM H.1", "ν_eff, cut off", "from memory", "16", math.floor(freedom[0])),
    ]


METROLOGY = Topic(
    "Precision and uncertainty (ASTM E691, JCGM 100)",
    "ASTM E691, glucose in serum: observations from a stored copy, summary from memory and "
    "reproduced; h and k to four decimals are recomputed, not printed there. JCGM 100:2008 (GUM), "
    "H.3 thermometer from a stored copy, H.1 end gauge and table G.2 from memory.",
    {
        **{f"glucose {material}": partial(glucose, material) for material in GLUCOSE},
        "thermometer": thermometer,
        "coverage": coverage,
    },
    (
        "Material A shows the clamp: means scatter less than repeatability explains, so that s_R "
        "is s_r. Materials B and C are not used: the stored observations do not give the "
        "published summary.",
        "Limits r and R of ASTM E691 (2.8 times s_r and s_R) are not figures of this software.",
    ),
)
