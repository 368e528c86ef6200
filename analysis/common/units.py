"""Exact definitions of the units that people and files use beside the metre and the kilogram.

Source: International yard and pound agreement of 1959 (foot 0.3048 m, pound 0.45359237 kg);
US survey foot 1200/3937 m (Mendenhall order, in use for US state plane coordinates until 2022);
US liquid gallon 231 cubic inches (NIST Handbook 44, Appendix C).
"""

__all__ = [
    "CUBIC_METRES_PER_CUBIC_YARD",
    "KILOGRAMS_PER_SHORT_TON",
    "LITRES_PER_US_GALLON",
    "METRES_PER_FOOT",
    "METRES_PER_INCH",
    "METRES_PER_MILE",
    "METRES_PER_US_SURVEY_FOOT",
    "METRES_PER_YARD",
    "SQUARE_METRES_PER_SQUARE_FOOT",
    "TONNES_PER_SHORT_TON",
]

METRES_PER_FOOT = 0.3048
METRES_PER_INCH = 0.0254
METRES_PER_YARD = 0.9144
METRES_PER_MILE = 1609.344
METRES_PER_US_SURVEY_FOOT = 1200.0 / 3937.0
SQUARE_METRES_PER_SQUARE_FOOT = METRES_PER_FOOT**2
CUBIC_METRES_PER_CUBIC_YARD = METRES_PER_YARD**3
KILOGRAMS_PER_SHORT_TON = 2000.0 * 0.45359237
TONNES_PER_SHORT_TON = KILOGRAMS_PER_SHORT_TON / 1000.0
LITRES_PER_US_GALLON = 231.0 * METRES_PER_INCH**3 * 1000.0
