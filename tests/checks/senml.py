"""
SenML: the worked examples of RFC 8428 through the decoder, and the units of RFC 8798.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from pipeline.errors import PayloadError
from pipeline.ingest.codecs import decode
from pipeline.ingest.columns import Decoded
from pipeline.ingest.units import SECONDARY, conversion, convert
from tests.checks.row import Check, Topic
from tests.ingest.encoders import Pack, cbor_pack, json_pack
from tests.ingest.test_codecs_senml import MULTI_PAST, MULTI_PAST_CBOR

SOURCE = "RFC 8428"
MICROSECOND = 1_000_000

# RFC 8428, 5.1.2, second example, resolved: unit, time, value.
CURRENTS = (
    "V 1276020076.001000 120.1",
    *(f"A {1276020071 + i}.001000 {1.2 + i / 10:.1f}" for i in range(6)),
)
# RFC 8428, 5.1.3, and its resolved records in 5.1.4: unit, seconds after the base time, value.
BASE = 1320067464
MEASURED = (
    *(("%RH", 0, 20.0), ("lon", 0, 24.30621), ("lat", 0, 60.07965)),
    *(("%RH", 60, 20.3), ("lon", 60, 24.30622), ("lat", 60, 60.07965)),
    *(("%RH", 120, 20.7), ("lon", 120, 24.30623), ("lat", 120, 60.07966)),
    ("%EL", 150, 98.0),
    *(("%RH", 180, 21.2), ("lon", 180, 24.30628), ("lat", 180, 60.07967)),
)
DEVICE = "urn:dev:ow:10e2073a01080063"

# RFC 8428, 5.1.1, 5.1.2 (first) and 5.1.5: packs without a time.
REFUSED: dict[str, Pack] = {
    "5.1.1 single": [{"n": DEVICE, "u": "Cel", "v": 23.1}],
    "5.1.2 first": [
        {"bn": f"{DEVICE}:", "n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "u": "A", "v": 1.2},
    ],
    "5.1.5 data types": [
        {"bn": f"{DEVICE}:", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfv-reader", "vd": "aGkgCg"},
    ],
}

# RFC 8798, table 2: unit, primary unit, scale (over what), offset.
TABLE_2 = """
ms s 1/1000 0, min s 60 0, h s 3600 0, MHz Hz 1000000 0, kW W 1000 0, kVA VA 1000 0,
kvar var 1000 0, Ah C 3600 0, Wh J 3600 0, kWh J 3600000 0, varh vars 3600 0, kvarh vars 3600000 0,
kVAh VAs 3600000 0, Wh/km J/m 3.6 0, KiB B 1024 0, GB B 1000000000 0, Mbit/s bit/s 1000000 0,
B/s bit/s 8 0, MB/s bit/s 8000000 0, mV V 1/1000 0, mA A 1/1000 0, dBm dBW 1 -30,
ug/m3 kg/m3 1/1000000000 0, mm/h m/s 1/3600000 0, m/h m/s 1/3600 0, ppm / 1/1000000 0,
/100 / 1/100 0, /1000 / 1/1000 0, hPa Pa 100 0, mm m 1/1000 0, cm m 1/100 0, km m 1000 0,
km/h m/s 1/3.6 0
"""


def records(decoded: Decoded) -> list[str]:
    """Unit, time and value of each record."""
    return [
        f"{decoded.units[unit]} {time // MICROSECOND}.{time % MICROSECOND:06d} {value:.7g}"
        for unit, time, value in zip(
            decoded.unit_code, decoded.time_us.tolist(), decoded.value.tolist(), strict=True
        )
    ]


def currents() -> list[Check]:
    """Seven records with negative times, as JSON, as CBOR, and as the very bytes of section 6."""
    rows = []
    for form, payload in (
        ("JSON", json_pack(MULTI_PAST)),
        ("CBOR, bytes of section 6", MULTI_PAST_CBOR),
    ):
        rows += [
            Check(f"5.1.2 second, {form}", f"record {i}", SOURCE, printed, ours)
            for i, (printed, ours) in enumerate(
                zip(CURRENTS, records(decode(payload)), strict=True), 1
            )
        ]
    return rows


def measured_pack() -> Pack:
    """The pack of 5.1.3: base unit %RH, base time, time only where it is not the base's."""
    pack = []
    for i, (unit, after, value) in enumerate(MEASURED):
        row = {"bn": DEVICE, "bt": float(BASE), "bu": "%RH"} if i == 0 else {}
        row |= {} if unit == "%RH" else {"u": unit}
        pack.append(row | ({} if after == 0 else {"t": after}) | {"v": value})
    return pack


def measurements() -> list[Check]:
    """Thirteen records of a moving device, one base unit and three of their own."""
    rows = []
    for form, payload in (("JSON", json_pack), ("CBOR", cbor_pack)):
        found = records(decode(payload(measured_pack())))
        printed = [f"{unit} {BASE + after}.000000 {value:.7g}" for unit, after, value in MEASURED]
        rows += [
            Check(f"5.1.3, {form}", f"record {i}", SOURCE, one, ours)
            for i, (one, ours) in enumerate(zip(printed, found, strict=True), 1)
        ]
    return rows


def refused(name: str) -> list[Check]:
    """Records without an absolute time are refused: sent again they would mean another time."""
    try:
        ours = f"{len(decode(json_pack(REFUSED[name])))} records"
    except PayloadError:
        ours = "refused"
    return [Check(name, "whole pack", "by design", "refused", ours)]


def secondary() -> list[Check]:
    """One of each secondary unit in its primary unit."""
    rows = []
    for one in TABLE_2.replace("\n", " ").split(","):
        unit, primary, scale, offset = one.split()
        over, _, under = scale.partition("/")
        units = conversion(unit, primary, secondary=True)
        ours = np.nan if units is None else float(convert(np.array([1.0]), units)[0])
        value = float(over) / float(under or 1) + float(offset)
        # What the table says of 1: exact, written with the digits of a double.
        rows.append(
            Check(
                unit, f"1 {unit}, scale {scale}", "RFC 8798", f"{value:.15g}", ours, primary, 15, 15
            )
        )
    zero = conversion("Cel", "K", secondary=False)
    kelvin = np.nan if zero is None else float(convert(np.array([0.0]), zero)[0])
    there = " ".join(sorted(SECONDARY))
    named = " ".join(sorted(one.split()[0] for one in TABLE_2.replace("\n", " ").split(",")))
    return [
        *rows,
        Check("Cel", "0 Cel", "RFC 8428", "273.15", kelvin, "K"),
        Check("units", "units known", "RFC 8798", "all 33", "all 33" if there == named else there),
    ]


SENML = Topic(
    "SenML (RFC 8428, RFC 8798)",
    "RFC 8428 sections 5.1 and 6 and RFC 8798 table 2, from stored texts. A record is written as "
    "unit, seconds since 1970 UTC, value.",
    {
        "5.1.2 second": currents,
        "5.1.3": measurements,
        **{name: partial(refused, name) for name in REFUSED},
        "secondary units": secondary,
    },
    (
        "Packs without absolute times are refused by design: such a message would mean another "
        "time when it is sent again. That is not what RFC 8428 asks of a general reader.",
    ),
)
