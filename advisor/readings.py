"""Readings: numbers with units as people type them, instruments, and the chance a true value lies in a range."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import Any

from advisor.model import Check, Instrument

__all__ = [
    "Reading",
    "ReadingError",
    "conformance",
    "convert",
    "dimension",
    "outcome_weights",
    "parse_number",
    "parse_reading",
    "read_value",
    "standard_uncertainty",
    "unit_name",
]

# SI and accepted units by definition (SI Brochure, 9th ed.); pint does the arithmetic. Scales without a
# conversion (degrees Brix, pH, hours of a counter as `1`) are dimensions of their own.
_DEFINITIONS = """
giga- = 1e9 = G-
micro- = 1e-6 = µ- = μ- = u-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
deci- = 1e-1 = d-
hecto- = 1e2 = h-
kilo- = 1e3 = k-
mega- = 1e6 = M-
meter = [length] = m = metre
second = [time] = s = sec
minute = 60 * second = min
hour = 3600 * second = h
day = 24 * hour = d
gram = [mass] = g
kelvin = [temperature] = K
degC = kelvin; offset: 273.15 = celsius
degF = 5 / 9 * kelvin; offset: 233.15 + 200 / 9 = fahrenheit
newton = 1000 * gram * meter / second ** 2 = N
pascal = newton / meter ** 2 = Pa
bar = 1e5 * pascal
psi = 6894.757293168361 * pascal
kgf_cm2 = 98066.5 * pascal = at
atmosphere = 101325 * pascal = atm
inch = 0.0254 * meter = in
thou = 2.54e-5 * meter = mil
liter = 0.001 * meter ** 3 = L = l = litre
volt = [voltage] = V
watt = newton * meter / second = W
ampere = watt / volt = A
volt_ampere = watt = VA
ohm = volt / ampere
hertz = 1 / second = Hz
turn = [turns]
rpm = turn / minute
one = [count]
percent = [share]
brix = [refraction] = Bx
pH_unit = [acidity] = pH
german_degree = 17.848 * milligram / liter = dH
french_degree = 10 * milligram / liter = fH
hardness_mmol = 100.09 * milligram / liter
grain_per_gallon = 17.118 * milligram / liter = gpg
half_minute_volume = 2 * milliliter / minute
ppm = milligram / liter
square_mm = 1e-6 * meter ** 2 = mm2
cubic_mm = 1e-9 * meter ** 3 = mm3
cubic_meter = meter ** 3 = m3
gallon = 3.785411784 * liter = gal
cubic_foot = 28.316846592 * liter = ft3
cfm = cubic_foot / minute
horsepower = 745.6998715822702 * watt = hp
sonic_conductance = liter / second / bar
toughness = 1e6 * pascal * meter ** 0.5
expansion = 1e-6 / kelvin
degree_angle = [angle]
decibel = [sound] = dB
colony = [colonies] = CFU
"""

# What people write -> the name above. Compared in lower case unless the case tells units apart.
_SPELLINGS = {
    "": "",
    "1": "one",
    "%": "percent",
    "mpa": "MPa",
    "kpa": "kPa",
    "hpa": "hPa",
    "pa": "Pa",
    "bars": "bar",
    "barg": "bar",
    "psig": "psi",
    "kgf/cm2": "kgf_cm2",
    "kgf/cm²": "kgf_cm2",
    "kg/cm2": "kgf_cm2",
    "kg/cm²": "kgf_cm2",
    "µm": "um",
    "μm": "um",
    "micron": "um",
    "microns": "um",
    "my": "um",
    '"': "inch",
    "inches": "inch",
    "ml": "mL",
    "dl": "dL",
    "litres": "L",
    "liters": "L",
    "ltr": "L",
    "l": "L",
    "°c": "degC",
    "c": "degC",
    "degc": "degC",
    "°f": "degF",
    "f": "degF",
    "degf": "degF",
    "°bx": "Bx",
    "bx": "Bx",
    "brix": "Bx",
    "°brix": "Bx",
    "ph": "pH",
    "°dh": "dH",
    "dh": "dH",
    "ppm": "ppm",
    "mg/l": "mg/L",
    "°fh": "fH",
    "mmol/l": "hardness_mmol",
    "gr/gal": "gpg",
    "grains/gal": "gpg",
    "ml/30s": "half_minute_volume",
    "secs": "s",
    "seconds": "s",
    "sec": "s",
    "mins": "min",
    "minutes": "min",
    "hrs": "h",
    "hours": "h",
    "hr": "h",
    "hour": "h",
    "std": "h",
    "days": "d",
    "day": "d",
    "volts": "V",
    "v": "V",
    "amps": "A",
    "a": "A",
    "w": "W",
    "watts": "W",
    "l/min": "L/min",
    "lpm": "L/min",
    "ml/min": "mL/min",
    "mm/m": "mm/m",
    "rpm": "rpm",
    "1/min": "rpm",
    "u/min": "rpm",
    "mm/min": "mm/min",
    "m/s": "m/s",
    "mm/s": "mm/s",
    "k": "K",
    "n": "N",
    "db": "dB",
    "dba": "dB",
    "db(a)": "dB",
    "°": "degree_angle",
    "deg": "degree_angle",
    "cfu/ml": "CFU/mL",
    "kbe/ml": "CFU/mL",
    "bar/min": "bar/min",
    "mpa/min": "MPa/min",
    "kpa/min": "kPa/min",
    "times": "one",
    "x": "one",
    "pieces": "one",
    "hz": "Hz",
    "mv": "mV",
    "grams": "g",
    "kg": "kg",
    "va": "VA",
    "kva": "kVA",
    "kw": "kW",
    "ohms": "ohm",
    "mm2": "mm2",
    "mm²": "mm2",
    "mm^2": "mm2",
    "mm3": "mm3",
    "mm³": "mm3",
    "m3": "m3",
    "m³": "m3",
    "mg/m3": "mg/m3",
    "mg/m³": "mg/m3",
    "g/m3": "g/m3",
    "g/m³": "g/m3",
    "m3/h": "m3/h",
    "m³/h": "m3/h",
    "dm3/(s.bar)": "sonic_conductance",
    "dm3/(s*bar)": "sonic_conductance",
    "l/(s.bar)": "sonic_conductance",
    "mpa.m^0.5": "toughness",
    "mpa*m^0.5": "toughness",
    "um/(m.k)": "expansion",
    "um/m/k": "expansion",
    "ppm/k": "expansion",
    "gpa": "GPa",
    "l/s": "L/s",
    "l/h": "L/h",
    "ml/h": "mL/h",
    "m/min": "m/min",
}


_UNIT = re.compile(r"[A-Za-zµμ_]{1,20}\d?[²³]?(/[A-Za-zµμ]{1,8}\d?[²³]?)?")


class ReadingError(ValueError):
    """A reading that cannot be taken as typed; the text says what to type instead."""


@dataclass(frozen=True)
class Reading:
    """A value in the check's own unit, as typed, with the instrument's id."""

    value: float
    unit: str
    typed: str
    instrument: str | None = None


@lru_cache(maxsize=1)
def _registry() -> Any:
    import pint  # imported late: it costs a tenth of a second and many runs never read a unit

    registry: Any = pint.UnitRegistry(None, autoconvert_offset_to_baseunit=True)
    registry.load_definitions(_DEFINITIONS.strip().splitlines())
    return registry


def unit_name(text: str) -> str:
    """Our spelling of a unit as people write it; ReadingError if it is none we know."""
    cleaned = text.strip().replace(" ", "")
    for name in (_SPELLINGS.get(cleaned), _SPELLINGS.get(cleaned.lower()), cleaned, cleaned.lower()):
        if name == "":
            return name
        if name and _UNIT.fullmatch(name):  # nothing else may reach the unit library's own parser
            try:
                _registry().Unit(name)
            except Exception:
                continue
            return name
    raise ReadingError(f"'{text.strip()[:20]}' is no unit known here")


@lru_cache(maxsize=256)
def dimension(unit: str) -> str:
    """The dimension of a unit as text, equal for units that convert into each other; ReadingError if unknown."""
    name = unit_name(unit)
    return str(_registry().Unit(name).dimensionality) if name else "dimensionless"


@lru_cache(maxsize=1024)
def _line(unit: str, to: str) -> tuple[float, float]:
    """Factor and offset so that value[to] = factor * value[unit] + offset (every unit here is affine)."""
    if dimension(unit) != dimension(to):
        raise ReadingError(f"'{unit}' is no unit of this quantity: give it in {to}")
    quantity = _registry().Quantity
    try:
        zero = float(quantity(0.0, unit_name(unit)).to(unit_name(to)).magnitude)
        one = float(quantity(1.0, unit_name(unit)).to(unit_name(to)).magnitude)
    except Exception:
        raise ReadingError(f"'{unit}' cannot be turned into {to}: give it in {to}") from None
    return one - zero, zero


def convert(value: float, unit: str, to: str) -> float:
    """`value` in `unit` expressed in `to`; ReadingError when the units do not fit."""
    if unit == to:
        return value
    factor, offset = _line(unit, to)
    return value * factor + offset


_NUMBER = re.compile(r"^([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,2})?)\s*(.*)$", re.S)


def parse_number(text: str) -> tuple[float, str]:
    """Number and the rest of the text after it. Point or comma is the decimal sign; no thousands separators.

    Raises ReadingError with what to type instead.
    """
    cleaned = text.strip().replace("\u2212", "-").replace("\u00a0", " ").replace("\u202f", " ")
    if len(cleaned) > 60:
        raise ReadingError("that is too long for a reading: type a number and its unit, such as 0.55 MPa")
    match = _NUMBER.match(cleaned)
    if not match:
        raise ReadingError("type a number and its unit, such as 0.55 MPa")
    rest = match[2].strip()
    if rest and rest[0] in ",.'’0123456789" and not rest.startswith("1/"):
        raise ReadingError(f"'{cleaned}' can be read in two ways: type one decimal sign and no thousands separators")
    value = float(match[1].replace(",", "."))
    if not math.isfinite(value):
        raise ReadingError("that number is out of reach")
    return value, rest


def parse_reading(text: str, check: Check, instrument: str | None = None) -> Reading:
    """A reading typed by hand for a measuring check, converted to the check's unit.

    A bare number is taken in the check's unit. Raises ReadingError when it is no number, the unit does not fit, or the
    value is outside the plausible range (which usually means a wrong unit or a slipped decimal sign).
    """
    unit = str(check.unit)
    value = read_value(text, unit, check.plausible_from, check.plausible_to)
    return Reading(value, unit, text.strip(), instrument or check.instrument)


def read_value(text: str, unit: str, low: float | None, high: float | None) -> float:
    """A number typed by hand, with or without a unit, in `unit`; `low` and `high` bound what is plausible.

    Raises ReadingError with what to type instead.
    """
    value, unit_text = parse_number(text)
    if _THOUSANDS.match(text.strip()):
        # 10,000 may be ten or ten thousand: take it only if one of the two can be.
        both = [v for v in (value, value * 1000) if _plausible(convert(v, unit_text or unit, unit), low, high)]
        if len(both) == 2:
            raise ReadingError(f"'{text.strip()}' can be read in two ways: type it with a point, or without a sign")
        value = both[0] if both else value
    if unit_text:
        value = convert(value, unit_text, unit)
    if not _plausible(value, low, high):
        plain = "" if unit == "1" else f" {unit}"
        bounds = f"{'' if low is None else f'{low:g}'} to {'' if high is None else f'{high:g}'}{plain}".strip()
        raise ReadingError(f"{value:.4g}{plain} is outside {bounds}: check the unit and the decimal sign")
    return value


_THOUSANDS = re.compile(r"^[+-]?[1-9]\d{0,2},\d{3}(?!\d)")


def _plausible(value: float, low: float | None, high: float | None) -> bool:
    return (low is None or value >= low) and (high is None or value <= high)


def standard_uncertainty(instrument: Instrument, value: float, unit: str) -> float:
    """Standard uncertainty of a reading, in `unit`.

    The largest permissible error is taken as the half-width of a rectangular distribution (JCGM 100, 4.3.7), so
    u = e / sqrt(3); the resolution adds q / sqrt(12). A gauge class gives e = class percent of the span (EN 837-1).
    """
    if instrument.percent_of_span is not None:
        error = instrument.percent_of_span / 100 * float(instrument.span or 0)
    elif instrument.percent_of_reading is not None:
        error = instrument.percent_of_reading / 100 * abs(_scale(value, unit, instrument.unit))
    else:
        error = float(instrument.error or 0)
    u = math.hypot(error / math.sqrt(3), instrument.resolution / math.sqrt(12))
    return _scale(u, instrument.unit, unit)


def _scale(width: float, unit: str, to: str) -> float:
    """A width (not a point) in another unit: no offset."""
    return width if unit == to else width * _line(unit, to)[0]


def conformance(value: float, u: float, low: float, high: float) -> float:
    """Probability in 0..1 that the true value lies in low..high, given a reading with standard uncertainty `u`.

    JCGM 106:2012, 7.2-7.4: a normal state of knowledge centred on the reading. With u = 0 it is 1 or 0.
    """
    if u <= 0:
        return 1.0 if low <= value < high else 0.0
    normal = NormalDist(value, u)
    upper = 1.0 if math.isinf(high) else normal.cdf(high)
    lower = 0.0 if math.isinf(low) else normal.cdf(low)
    return max(0.0, upper - lower)


def outcome_weights(
    check: Check, value: float, instrument: Instrument | None, profile: Mapping[str, Any], u: float | None = None
) -> dict[str, float]:
    """Probability of each outcome of a measuring check, given the reading (in the check's unit). Sums to 1.

    The limits may stand in the mill's profile, whose values are in the check's unit. The standard uncertainty comes
    from the instrument, unless a calculation has worked out its own (`u`, in the check's unit).
    """
    if u is None:
        u = standard_uncertainty(instrument, value, str(check.unit)) if instrument else 0.0
    weights = {}
    for outcome in check.outcomes:
        low = outcome.start.resolve(dict(profile)) if outcome.start else -math.inf
        high = outcome.end.resolve(dict(profile)) if outcome.end else math.inf
        weights[outcome.id] = conformance(value, u, low, high)
    total = sum(weights.values())
    if total <= 0:
        raise ReadingError("this reading belongs to no outcome: tell the author of the knowledge")
    return {name: weight / total for name, weight in weights.items()}
