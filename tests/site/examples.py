"""
A small valid site in an invented place, as text that tests change before they write it.

One steel beam: foil gauge in a quarter bridge, printed carbon gauge by resistance, tilt sensor.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

Change = tuple[str, str, str]
"""File, text that stands in it, text to put in its place (every time it stands there)."""

SITE = """\
[site]
name = "Alder crossing"
timezone = "Europe/Dublin"

[broker]
host = "127.0.0.1"
port = 1883
prefix = "spanwarden"

[storage]
folder = "data"

[mail]
host = "localhost"
port = 2525
sender = "station@alder.example"
security = "none"

[[structure]]
id = "alder"
name = "Alder footbridge"
material = "structural steel"
expansion_1e6_per_k = 12.0

[[node]]
id = "AL-N1"
structure = "alder"
description = "logger box under the north bearing"

[[person]]
id = "ines"
name = "Ines Okoro"
email = "ines@alder.example"
roles = ["engineer"]
deliveries = ["mail", "log"]

[[person]]
id = "tomas"
name = "Tomas Brandt"
roles = ["operator"]
deliveries = ["log"]
"""

POINTS = """\
# mid-span, quarter-span and north pier of beam B1
id,structure,member,x_m,y_m,z_m,direction,quantity,unit,watched,modulus_gpa,gross_low,gross_high,flat_s,flat_tolerance
B1-mid,alder,B1,6.0,0.0,-0.3,along the beam,strain,µm/m,mechanical,210,-3000,3000,,
B1-quarter,alder,B1,3.0,0.0,-0.3,along the beam,strain,µm/m,mechanical,210,-3000,3000,3600,0.0
P1-tilt,alder,P1,0.0,0.0,2.1,about the y axis,tilt,mm/m,,,-50,50,,
"""

CHANNELS = """\
id,node,kind,unit,interval_s,rail_low,rail_high
foil-1,AL-N1,bridge,/,60,-0.0625,0.0625
carbon-1,AL-N1,resistance,Ohm,60,100,2000000
steel-t,AL-N1,temperature,Cel,60,-40,85
air-t,AL-N1,temperature,Cel,60,-40,85
air-rh,AL-N1,humidity,%RH,60,,
tilt-1,AL-N1,linear,deg,60,-15,15
"""

GAUGES = """\
serial,batch,point,valid_from,valid_to,channel,wiring,unstrained,unstrained_u,\
unstrained_temperature_c,unstrained_humidity_rh,lead_ohm,nominal_ohm,calibration,compensation,\
compensation_reason,temperature_channel,humidity_channel,air_temperature_channel
F-0411,F26-04,B1-mid,2026-03-02T09:30:00Z,,foil-1,quarter_3wire,0.000132,0.0000005,\
18.5,,1.8,350,F26-04,model,,steel-t,,
C-0712,C26-07,B1-quarter,2026-03-02T10:15:00Z,,carbon-1,resistance_4wire,301240,3,\
18.5,55,,,C26-07,model,,steel-t,air-rh,air-t
T-0003,T26-01,P1-tilt,2026-03-02T11:00:00Z,,tilt-1,linear,0.214,0.001,\
,,,,T26-01,none,the sensor compensates itself,,,
"""

FOIL_ROW = (
    "F-0411,F26-04,B1-mid,2026-03-02T09:30:00Z,,foil-1,quarter_3wire,0.000132,0.0000005,"
    "18.5,,1.8,350,F26-04,model,,steel-t,,\n"
)
"""The foil gauge's row of `GAUGES`."""

FOIL = """\
id = "F26-04"
kind = "strain"
batch = "F26-04"
author = "Ines Okoro"
source = "bench/F26-04.csv"
instrument = "bridge meter 2, calibrated 2026-01-12"
recorded = 2026-02-11T15:00:00Z
valid_from = 2026-02-10T00:00:00Z
expires = 2029-02-10T00:00:00Z
reference_temperature_c = 20.0

[curve]
kind = "line"
coefficients = [2.08]
range_um_m = [-2000.0, 2000.0]
covariance = [[1.0e-4]]
degrees_of_freedom = 14.0
between_gauges = 0.004
gauges = 5
reading_u = 2.0e-6

[temperature]
output_um_m = [0.55, -0.021, 1.1e-4]
output_factor = 2.0
output_expansion_1e6_per_k = 12.0
yields = "mechanical"
factor_per_k = 1.0e-4
range_c = [-20.0, 60.0]
output_u = 0.1
"""

CARBON = """\
id = "C26-07"
kind = "strain"
batch = "C26-07"
author = "Ines Okoro"
source = "bench/C26-07.csv"
instrument = "resistance meter 1, calibrated 2026-01-12"
recorded = 2026-02-18T15:00:00Z
valid_from = 2026-02-17T00:00:00Z
expires = 2028-08-17T00:00:00Z
reference_temperature_c = 20.0
reference_humidity_rh = 50.0

[curve]
kind = "cubic"
coefficients = [20.0, -1500.0, -4.0e5]
range_um_m = [-1000.0, 1400.0]
covariance = [[0.04, -6.0, 0.0], [-6.0, 14400.0, 0.0], [0.0, 0.0, 6.4e9]]
degrees_of_freedom = 21.0
between_gauges = 0.03
gauges = 6
reading_u = 2.0e-5

[temperature]
output = [-8.0e-4, 3.0e-6]
output_expansion_1e6_per_k = 12.0
yields = "mechanical"
factor_per_k = -5.0e-4
range_c = [-15.0, 50.0]
output_u = 0.05
factor_per_k_u = 1.0e-4

[moisture]
output = [0.015, 0.004]
time_constant_s = 5400.0
output_u = 0.08

[[creep]]
fraction = 0.02
fraction_u = 0.004
time_constant_s = 900.0

[[creep]]
fraction = 0.015
fraction_u = 0.004
time_constant_s = 43200.0

[ageing]
kind = "linear"
per_year = 2.0e-4
per_year_u = 1.0e-4
"""

TILT = """\
id = "T26-01"
kind = "linear"
batch = "T26-01"
author = "Ines Okoro"
source = "bench/T26-01.csv"
instrument = "sine bar 1, calibrated 2025-11-20"
recorded = 2026-02-20T15:00:00Z
valid_from = 2026-02-20T00:00:00Z
expires = 2028-02-20T00:00:00Z
scale = 17.453
scale_u = 0.02
"""

_RULE_TAIL = """\
respond_within_min = 30.0
tell = ["ines", "tomas"]
"""

RULES = f"""\
[[rule]]
id = "mid-level"
kind = "level"
structure = "alder"
points = ["B1-mid"]
high = 350.0
low = -350.0
unit = "µm/m"
deadband = 20.0
on_delay_s = 120.0
off_delay_s = 300.0
priority = "high"
basis = "calculation AL-12, I. Okoro, 2026-01-20: 350 µm/m is 80 % of the serviceability stress"
cause = "more load on the deck than the crossing is open for"
consequence = "permanent set of beam B1"
response = "close the crossing, walk the deck, call the engineer"
{_RULE_TAIL}
[[rule]]
id = "quarter-level"
kind = "level"
structure = "alder"
points = ["B1-quarter"]
high = 280.0
unit = "µm/m"
priority = "critical"
latching = true
basis = "calculation AL-12, I. Okoro, 2026-01-20"
cause = "load outside mid-span, or settlement of the north pier"
consequence = "permanent set of beam B1"
response = "close the crossing, call the engineer"
{_RULE_TAIL}
[[rule]]
id = "tilt-level"
kind = "level"
structure = "alder"
points = ["*-tilt"]
high = 4.0
low = -4.0
unit = "mm/m"
compare = "plain"
compare_reason = "the sensor's uncertainty is 1 % of the limit; I. Okoro, 2026-02-24"
priority = "medium"
basis = "survey AL-S2, I. Okoro, 2026-02-24"
cause = "scour at the north pier"
consequence = "loss of bearing"
response = "send a diver, call the engineer"
{_RULE_TAIL}
[[rule]]
id = "quiet"
kind = "silent"
structure = "alder"
points = ["*"]
after_s = 600.0
priority = "medium"
basis = "ten missed readings; I. Okoro, 2026-02-24"
cause = "logger without power, broken cable, network away"
consequence = "the point is not watched"
response = "look at the logger, then at the cable"
{_RULE_TAIL}
[[rule]]
id = "gauge-fault"
kind = "gauge_fault"
structure = "alder"
points = ["*"]
on_delay_s = 180.0
priority = "medium"
basis = "three readings in a row; I. Okoro, 2026-02-24"
cause = "gauge loose, wire broken, moisture in the connector"
consequence = "the point is not watched"
response = "take the gauge out of service, repeat the commissioning sheet"
{_RULE_TAIL}
[[rule]]
id = "station-fault"
kind = "station"
structure = "alder"
priority = "high"
basis = "operation plan AL-O1, 2026-02-24"
cause = "disk, clock, broker or backlog of the station"
consequence = "nothing is watched"
response = "run `spanwarden doctor` on the station"
{_RULE_TAIL}"""

WITH_COMPANION: tuple[Change, ...] = (
    (
        "points.csv",
        "P1-tilt,alder",
        "B1-free,alder,B1,,,,beside the beam,strain,µm/m,mechanical,,,,,\nP1-tilt,alder",
    ),
    (
        "channels.csv",
        "tilt-1,AL-N1",
        "free-1,AL-N1,bridge,/,60,-0.0625,0.0625\ntilt-1,AL-N1",
    ),
    ("gauges.csv", "air_temperature_channel\n", "air_temperature_channel,companion,free\n"),
    (
        "gauges.csv",
        "F26-04,model,,steel-t,,\n",
        "F26-04,companion,,steel-t,,,F-0500,\n"
        "F-0500,F26-04,B1-free,2026-03-02T09:00:00Z,,free-1,quarter_3wire,0.000101,0.0000005,"
        "18.5,,1.8,350,F26-04,model,,steel-t,,,,yes\n",
    ),
)
"""The foil gauge compensated by F-0500 of its batch on a free piece instead of by the model."""

FILES: Mapping[str, str] = {
    "site.toml": SITE,
    "points.csv": POINTS,
    "channels.csv": CHANNELS,
    "gauges.csv": GAUGES,
    "rules.toml": RULES,
    "calibrations/foil.toml": FOIL,
    "calibrations/carbon.toml": CARBON,
    "calibrations/tilt.toml": TILT,
}


def write_example_site(
    folder: Path, *changes: Change, extra: Mapping[str, str] | None = None
) -> Path:
    """
    The example site in `folder` (made when missing), after `changes`; returns `folder`.

    Args:
        folder: becomes the folder of site.toml.
        changes: applied in order; each must find its text, so that no test changes nothing.
        extra: whole files to add or replace, by name below `folder`.
    """
    files = dict(FILES)
    files.update(extra or {})
    for name, old, new in changes:
        if old not in files[name]:
            raise AssertionError(f"{name} of the example has no text {old!r} to change")
        files[name] = files[name].replace(old, new)
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode())
    return folder
